"""What differs from lap to lap, and what may go wrong with a car other than its dampers.

Plain frozen data with the share of each change that is done at a lap. Laps are counted from the start of the out-lap
and may be fractions; corners are FL FR RL RR. Raises ValueError for values the model can't hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Friction grows from 0 to its full force over this damper velocity: below it a strut creeps where a real one sticks.
FRICTION_FULL_AT_M_S: Final = 0.003
# The steep slope below that velocity must stay stable on a wheel's mass at the model's step; twice this would not.
MOST_FRICTION_N: Final = 300.0


@dataclass(frozen=True)
class Scatter:
    """How much laps of a healthy car differ; a stint without further words has the first three only.

    Attributes
    ----------
    pace : float
        Standard deviation of a whole lap's speed, as a share, cut at twice that.
    line : float
        Mean size of each lap's own short-wave roughness as a share of the road's (from 0.6 to 1.4 of it, evenly);
        the model has two tracks and no third, so another line is other roughness under each track.
    kerbs : float
        Standard deviation of how much of each kerb's height is taken.
    fuel_start_kg, fuel_per_lap_kg : float, kg
        In the tank beyond the sheet's mass at the start, and burned; at the sprung mass's centre.
    damping_cold, damping_warm_laps : float
        All dampers' force is 1 + `damping_cold` exp(-laps / `damping_warm_laps`) of the sheet's.
    tyre_cold, tyre_warm_laps : float
        All tyres' rate is 1 - `tyre_cold` exp(-laps / `tyre_warm_laps`) of the sheet's.
    damping_fade, damping_fade_laps : float
        All dampers lose `damping_fade` (1 - exp(-laps / `damping_fade_laps`)) to heat.
    traffic : float
        Chance that a part of a lap (5 to 40 % of it) is driven 3 to 10 % slower.
    strut_friction_n : float, N
        In every strut, at the damper.
    """

    pace: float = 0.005
    line: float = 0.25
    kerbs: float = 0.13
    fuel_start_kg: float = 0.0
    fuel_per_lap_kg: float = 0.0
    damping_cold: float = 0.0
    damping_warm_laps: float = 2.0
    tyre_cold: float = 0.0
    tyre_warm_laps: float = 2.0
    damping_fade: float = 0.0
    damping_fade_laps: float = 10.0
    traffic: float = 0.0
    strut_friction_n: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.strut_friction_n <= MOST_FRICTION_N:
            raise ValueError(f"friction must be 0 to {MOST_FRICTION_N:g} N, not {self.strut_friction_n:g}")


@dataclass(frozen=True, kw_only=True)
class Change:
    """Something that comes at a lap, at once or over some laps, and stays."""

    from_lap: float
    over_laps: float = 0.0

    def share(self, laps: Floats) -> Floats:
        """How much of the change is done at each (fractional) lap, 0 to 1."""
        since = laps - self.from_lap
        done = np.ones_like(since) if self.over_laps <= 0.0 else np.minimum(since / self.over_laps, 1.0)
        return np.where(since < 0.0, 0.0, done)


@dataclass(frozen=True, kw_only=True)
class GripChange(Change):
    """Rain, a drying road or wind: friction as a share of the dry road's (pace follows), downforce as a share."""

    friction_scale: float = 1.0
    downforce_scale: float = 1.0


@dataclass(frozen=True, kw_only=True)
class TyreFault(Change):
    """A slow puncture: the tyre's rate falls to `scale` of it, and the corner sinks under its static load."""

    corner: str
    scale: float


@dataclass(frozen=True, kw_only=True)
class SlipFault(Change):
    """A spring platform or a pushrod that slips at one corner, as damper travel; positive lets the body down.

    A platform moves the spring's seat: the damper goes with the body. A pushrod moves damper, spring and stops
    together against the wheel: the damper, and with it the sensor, hardly tell.
    """

    corner: str
    down_mm: float
    part: Literal["platform", "pushrod"] = "platform"


@dataclass(frozen=True, kw_only=True)
class BarFault(Change):
    """An anti-roll bar at `scale` of its rate; 0 is a broken link."""

    axle: Literal["front", "rear"]
    scale: float = 0.0


@dataclass(frozen=True, kw_only=True)
class FrictionFault(Change):
    """Friction added in one strut, N at the damper, the same both ways."""

    corner: str
    force_n: float

    def __post_init__(self) -> None:
        if not 0.0 <= self.force_n <= MOST_FRICTION_N:
            raise ValueError(f"friction must be 0 to {MOST_FRICTION_N:g} N, not {self.force_n:g}")


CarFault = TyreFault | SlipFault | BarFault | FrictionFault
