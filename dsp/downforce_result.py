"""What is known of a car's downforce: plain frozen data, NaN where it is not known; see `dsp.downforce`."""

from __future__ import annotations

import math
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Estimate:
    """A value with its standard error and the 95 % interval; all NaN when refused."""

    value: float = math.nan
    standard_error: float = math.nan
    low: float = math.nan
    high: float = math.nan


@dataclass(frozen=True)
class SpeedBand:
    """What was found at one band of speed, intercept included: load of the air on each axle, and its error.

    A standard error is NaN when all windows of the band lie at one place.
    """

    from_km_h: float
    to_km_h: float
    windows: int
    dynamic_pressure_pa: float
    front_n: float
    front_standard_error_n: float
    rear_n: float
    rear_standard_error_n: float


@dataclass(frozen=True)
class Downforce:
    """Downforce of a stint, as far as the data support it.

    Attributes
    ----------
    reason : str
        Why there are no coefficients, in words; empty when there are.
    front_m2, rear_m2, total_m2 : Estimate
        C_z A, positive towards the road, m2.
    front_share : Estimate
        Front axle's share of the total, 0 to 1.
    front_intercept_n, rear_intercept_n : Estimate
        Load at standstill according to the fit, N: 0 but for a wrong zero, or weight that was not there at zeroing.
    front_scatter_n, rear_scatter_n : float
        Robust standard deviation of a single window about the fit, N.
    air_density_kg_m3, air_density_how : float, str
    slowest_m_s, fastest_m_s : float
        Range of the windows used.
    windows_judged, windows_used, windows_dropped : int
        Complete windows; those accepted and still held; accepted ones given up for newer ones.
    windows_refused : dict of gate to int
        See `dsp.steady.GATES`; the first gate that refuses a window counts it.
    places : int
        Lengths of the lap (or, without a place, runs of time) from which the errors were taken.
    bands : tuple of SpeedBand
    notes : tuple of str
        What the reader must know about the numbers.
    """

    reason: str
    windows_judged: int
    windows_used: int
    windows_dropped: int
    windows_refused: dict[str, int]
    air_density_kg_m3: float
    air_density_how: str
    places: int = 0
    slowest_m_s: float = math.nan
    fastest_m_s: float = math.nan
    front_m2: Estimate = field(default_factory=Estimate)
    rear_m2: Estimate = field(default_factory=Estimate)
    total_m2: Estimate = field(default_factory=Estimate)
    front_share: Estimate = field(default_factory=Estimate)
    front_intercept_n: Estimate = field(default_factory=Estimate)
    rear_intercept_n: Estimate = field(default_factory=Estimate)
    front_scatter_n: float = math.nan
    rear_scatter_n: float = math.nan
    bands: tuple[SpeedBand, ...] = ()
    notes: tuple[str, ...] = ()
