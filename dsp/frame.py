"""What passes between the stages after velocity: aligned samples, and what was found in them.

Plain data; arrays are column-major, NaN is unknown, sample numbers are the device's.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from ingest.chunk import Floats


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
    """

    first_sample: int
    rate_hz: float
    travel_mm: Floats
    velocity_mm_s: Floats
    side: dict[str, Floats] = field(default_factory=dict)
    gap_before: int = 0
    restart: bool = False
    starts_stretch: bool = False

    def __len__(self) -> int:
        return len(self.travel_mm)
