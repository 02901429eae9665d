"""What passes between the stages after velocity: aligned samples, and what was found in them.

Plain data; arrays are column-major, NaN is unknown, sample numbers are the device's.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.chunk import Floats

Codes = NDArray[np.int8]
# What the car is doing at a sample, by its accelerations; the place in this list is the code in `CarBlock.regime`.
REGIMES = ("unknown", "straight", "braking", "cornering")


@dataclass(frozen=True)
class Aligned:
    """Consecutive samples with travel and velocity on one time axis.

    Attributes
    ----------
    first_sample : int
        Device number of the first sample.
    rate_hz : float
        Sample rate.
    travel_mm, velocity_mm_s : array of shape (n_samples, 4)
        Damper travel and velocity, positive in compression, order FL FR RL RR.
    side : dict of role to array of shape (n_samples,)
        Side channels in house units.
    gap_before : int
        Samples missing before the first one.
    restart : bool
        True when the device's clock was set back before the first one, so that more may be missing.
    starts_stretch : bool
        True when nothing before the first sample is connected with it.
    stride : int
        Samples between rows of the car's grid, which lies at multiples of it.
    acceleration_mm_s2 : array of shape (n_rows, 4)
        Damper acceleration at the samples of the car's grid.
    """

    first_sample: int
    rate_hz: float
    travel_mm: Floats
    velocity_mm_s: Floats
    side: dict[str, Floats] = field(default_factory=dict)
    gap_before: int = 0
    restart: bool = False
    starts_stretch: bool = False
    stride: int = 1
    acceleration_mm_s2: Floats = field(default_factory=lambda: np.empty((0, 4)))

    @property
    def rows(self) -> slice:
        """Where the grid's samples stand in the block."""
        return slice(-self.first_sample % self.stride, None, self.stride)

    def __len__(self) -> int:
        return len(self.travel_mm)


@dataclass(frozen=True)
class CarBlock:
    """What the car as a whole does, at every `stride`-th sample of the device's counter (a fixed grid).

    Bodies, wheels and tyres hold nothing of interest beyond some 60 Hz, so the grid has 250 to 500 rows a second. Rows
    are consecutive grid samples of one stretch. All loads and forces are in N at the wheel, positive when they push
    the wheel to the road; NaN is unknown.

    Attributes
    ----------
    first_sample : int
        Device number of row 0, a multiple of `stride`.
    stride : int
        Samples from row to row.
    rate_hz : float
        Rows a second.
    starts_stretch : bool
        True when nothing before row 0 is connected with it.
    damper_mm, damper_velocity_mm_s : array of shape (n_rows, 4)
        Trusted damper travel, and damper velocity.
    wheel_mm : array of shape (n_rows, 4)
        Wheel travel against the body, compression positive, 0 at static.
    stop_n : array of shape (n_rows, 4)
        Bump stop's force.
    suspension_n : array of shape (n_rows, 4)
        Change of the suspension's whole force from static: spring, stops, bar, and the damper where its curve is known.
    load_n : array of shape (n_rows, 4)
        Wheel load on the road, unsprung weight and inertia included; at least 0.
    tyre_mm : array of shape (n_rows, 4)
        Tyre deflection beyond static, less growth with speed; 0 where the sheet has no tyre rate.
    heights_mm : array of shape (n_rows, n_points)
        Height of the platform's points above the road, tyres included where their rate is known.
    warp_mm : array of shape (n_rows,)
        Warp of the four wheel travels (see `dsp.platform`), that a rigid car on a flat road can't have.
    speed_m_s, acceleration_x_m_s2, acceleration_y_m_s2, acceleration_z_m_s2, place_m : array of shape (n_rows,)
        Speed, accelerations (forward, left, up) and distance from the lap's start; all NaN when not logged.
    regime : array of shape (n_rows,), int8
        Codes, see `REGIMES`.
    wheel_velocity_mm_s : array of shape (n_rows, 4)
        Wheel velocity against the body, compression positive; no rows at all where nobody asked for it.
    """

    first_sample: int
    stride: int
    rate_hz: float
    starts_stretch: bool
    damper_mm: Floats
    damper_velocity_mm_s: Floats
    wheel_mm: Floats
    stop_n: Floats
    suspension_n: Floats
    load_n: Floats
    tyre_mm: Floats
    heights_mm: Floats
    warp_mm: Floats
    speed_m_s: Floats
    acceleration_x_m_s2: Floats
    acceleration_y_m_s2: Floats
    acceleration_z_m_s2: Floats
    place_m: Floats
    regime: Codes
    wheel_velocity_mm_s: Floats = field(default_factory=lambda: np.empty((0, 4)))

    def __len__(self) -> int:
        return len(self.damper_mm)

    def columns(self) -> list[Floats]:
        """All columns, of shape (width, n_rows) each; one behind the other they are what `with_columns` takes."""
        wide = [getattr(self, name).T for name in _WIDE]
        return wide + [getattr(self, name)[np.newaxis] for name in _NARROW]

    def with_columns(self, table: Floats) -> CarBlock:
        """A block that begins as this one does, with the columns of this and further ones, in one array."""
        changed: dict[str, Any] = {}
        at = 0
        for name in _WIDE:
            width = getattr(self, name).shape[1]
            changed[name] = table[at : at + width].T
            at += width
        for number, name in enumerate(_NARROW, start=at):
            changed[name] = table[number]
        changed["regime"] = changed["regime"].astype(np.int8)
        return replace(self, **changed)

    def part(self, start: int, stop: int) -> CarBlock:
        """Rows `start` to `stop`."""
        if start == 0 and stop == len(self):
            return self
        changed: dict[str, Any] = {name: getattr(self, name)[start:stop] for name in _COLUMNS}
        starts = self.starts_stretch and start == 0
        return replace(self, first_sample=self.sample(start), starts_stretch=starts, **changed)

    def running(self, slowest_m_s: float) -> CarBlock:
        """The block with everything measured made unknown where the car is known to be slower than this."""
        idle = self.speed_m_s < slowest_m_s  # an unknown speed counts as running
        if not idle.any():
            return self
        changed: dict[str, Any] = {}
        for name in _MEASURED:
            values = getattr(self, name)
            if len(values) == 0:
                continue
            changed[name] = np.where(idle if values.ndim == 1 else idle[:, np.newaxis], np.nan, values)
        return replace(self, **changed)

    def sample(self, row: int) -> int:
        """Device number of a row."""
        return self.first_sample + row * self.stride

    def rows_before(self, sample: int) -> int:
        """How many rows lie before a device sample number."""
        return min(len(self), max(0, -(-(sample - self.first_sample) // self.stride)))


_NOT_COLUMNS = ("first_sample", "stride", "rate_hz", "starts_stretch")
_COLUMNS = tuple(one.name for one in fields(CarBlock) if one.name not in _NOT_COLUMNS)
_NARROW = (
    "warp_mm",
    "speed_m_s",
    "acceleration_x_m_s2",
    "acceleration_y_m_s2",
    "acceleration_z_m_s2",
    "place_m",
    "regime",
)
_WIDE = tuple(name for name in _COLUMNS if name not in _NARROW)
_MEASURED = (
    "damper_mm",
    "damper_velocity_mm_s",
    "wheel_mm",
    "wheel_velocity_mm_s",
    "stop_n",
    "suspension_n",
    "load_n",
    "tyre_mm",
    "heights_mm",
    "warp_mm",
)
