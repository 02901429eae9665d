"""The unit of travel through the chain: some samples in a row, on the device's own sample counter.

A chunk may hold any number of samples, none included. Channels that are not logged are absent, samples
that are not known are NaN. Arrays are column-major, so that one channel is one contiguous run.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

CORNERS = ("FL", "FR", "RL", "RR")
AXLES = ("front", "rear")
# Corner indices (left, right) of each axle, in the order of CORNERS.
AXLE_CORNERS = {"front": (0, 1), "rear": (2, 3)}

# What a log may hold besides the four dampers; the car sheet maps columns to these roles.
SIDE_ROLES = (
    "speed",
    "acceleration_longitudinal",
    "acceleration_lateral",
    "lap_number",
    "lap_marker",
    "lap_distance",
    "acceleration_vertical",
)
SIDE_UNITS = {
    "speed": "m/s",
    "acceleration_longitudinal": "m/s2",
    "acceleration_lateral": "m/s2",
    "lap_number": "",
    "lap_marker": "",
    "lap_distance": "m",
    "acceleration_vertical": "m/s2",
}


@dataclass(frozen=True)
class Chunk:
    """Consecutive samples of one stream.

    Attributes
    ----------
    first_sample : int
        Number of the first sample on the device's counter; it rises by one a sample, and by the number of
        missing samples across a gap.
    rate_hz : float
        Nominal sample rate.
    sensors : array of shape (n_samples, 4)
        Readings in the order of `CORNERS`, in each sensor's own unit; NaN where the log had no usable value.
    side : dict of role to array of shape (n_samples,)
        Further channels in house units (see `SIDE_UNITS`); only roles that the log holds.
    gap_before : int
        Samples missing between the previous chunk and this one; 0 when it follows on, and always 0 for the
        first chunk of a stream.
    restart : bool
        True when the device's clock was set back before this chunk, so that the length of the gap is unknown.
    silent : bool
        True for an empty chunk that says: nothing has come over the link for the silent time.
    """

    first_sample: int
    rate_hz: float
    sensors: Floats
    side: dict[str, Floats] = field(default_factory=dict)
    gap_before: int = 0
    restart: bool = False
    silent: bool = False

    def __len__(self) -> int:
        return len(self.sensors)

    @property
    def breaks(self) -> bool:
        """True when this chunk does not follow on from the one before it."""
        return self.gap_before > 0 or self.restart

    def part(self, start: int, stop: int) -> Chunk:
        """Samples `start` to `stop` as a chunk of their own.

        The gap before goes with the first sample, so an empty part carries none.
        """
        if start == 0 and stop == len(self):
            return self
        leads = start == 0 and (stop > 0 or len(self) == 0)
        return Chunk(
            first_sample=self.first_sample + start,
            rate_hz=self.rate_hz,
            sensors=self.sensors[start:stop],
            side={role: values[start:stop] for role, values in self.side.items()},
            gap_before=self.gap_before if leads else 0,
            restart=self.restart and leads,
            silent=self.silent and leads,
        )
