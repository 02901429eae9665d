"""Left against right of an axle, by direction: how much faster one damper moves than its partner.

In: velocity counts of two corners. Out: the logarithm of the ratio of their velocity scales (a percentage that
adds), and the first Wasserstein distance of their distributions over their mean speed. 0 is equal. Of all four
places together: what an axle shares with the other one, and how its compression differs from its rebound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from dsp.histogram import quantile, wasserstein
from dsp.statistics import TRAVEL_BINS, VELOCITY_BINS, directional_counts, velocity_scale
from ingest.chunk import AXLE_CORNERS, AXLES, Floats, Ints

DIRECTIONS = ("compression", "rebound")
# Places in the order front compression, front rebound, rear compression, rear rebound.
PLACES = tuple(f"{axle} {direction}" for axle in AXLES for direction in DIRECTIONS)


@dataclass(frozen=True)
class Asymmetry:
    """One axle, one direction. `log_ratio` is positive when the left damper is the faster one; NaN is unknown.

    `left_mm_s` and `right_mm_s` are the two mean speeds, `left_travel_mm` and `right_travel_mm` the dampers' ranges of
    travel (5th to 95th percentile), where they are known.
    """

    log_ratio: float
    distance: float
    left_mm_s: float = math.nan
    right_mm_s: float = math.nan
    left_travel_mm: float = math.nan
    right_travel_mm: float = math.nan

    @property
    def percent(self) -> float:
        """How much faster the left one is, in per cent of the ratio's logarithm."""
        return 100.0 * self.log_ratio


def compare(left: Ints, right: Ints, *, compression: bool) -> Asymmetry:
    """Asymmetry of two corners' velocity counts, each of shape (bins,), in one direction."""
    scales = [velocity_scale(counts, compression=compression) for counts in (left, right)]
    if not all(scale > 0 for scale in scales):
        return Asymmetry(math.nan, math.nan)
    kept = [directional_counts(counts, compression=compression) for counts in (left, right)]
    distance = wasserstein(VELOCITY_BINS, kept[0], kept[1]) / (sum(scales) / 2.0)
    return Asymmetry(math.log(scales[0] / scales[1]), distance, scales[0], scales[1])


@dataclass(frozen=True)
class AxleSides:
    """Left against right of one axle in both directions, as logarithms of ratios.

    A circuit moves `level` on both axles and leaves `balance` alone; one adjuster moves both, `balance` the more; a
    damper changed both ways, a tyre or a sensor's gain moves `level` on one axle.
    """

    compression: float
    rebound: float

    @property
    def level(self) -> float:
        """Mean of the two directions."""
        return (self.compression + self.rebound) / 2.0

    @property
    def balance(self) -> float:
        """Compression less rebound. Over a lap each damper goes up as far as down, so it is a ratio of times, too."""
        return self.compression - self.rebound


def sides_of(places: dict[str, float], axle: str) -> AxleSides:
    """One axle's two places."""
    return AxleSides(places[f"{axle} compression"], places[f"{axle} rebound"])


# One circuit, two axles: an axle's part is at most this many times the other's (simulated: 1.6 front to rear, in cars
# of other springs and bars between 1 and 2).
_AXLE_TO_AXLE = 2.0


def shared(own: float, other: float) -> float:
    """How much of an axle's level the circuit explains, given the other axle's.

    What both have on the same side; the rest, or all of it when the axles differ in sign, is the axle's own. An
    unknown axle might have the same, so then all is shared.

    Examples
    --------
    >>> shared(0.30, 0.20), shared(0.30, 0.05), shared(0.30, -0.05), shared(0.30, float("nan"))
    (0.3, 0.1, 0.0, 0.3)
    """
    if math.isnan(other):
        return own
    if own * other <= 0.0:
        return 0.0
    return math.copysign(min(abs(own), _AXLE_TO_AXLE * abs(other)), own)


def log_speeds(found: dict[str, Asymmetry]) -> Floats:
    """Logarithms of the four corners' mean speeds in compression and in rebound, shape (4, 2); NaN where unknown."""
    logs = np.full((4, 2), np.nan)
    for axle in AXLES:
        for way, direction in enumerate(DIRECTIONS):
            one = found[f"{axle} {direction}"]
            for corner, speed in zip(AXLE_CORNERS[axle], (one.left_mm_s, one.right_mm_s), strict=True):
                logs[corner, way] = math.log(speed) if speed > 0.0 else math.nan
    return logs


def travel_log_ratios(found: dict[str, Asymmetry]) -> dict[str, float]:
    """Left against right of each axle's range of travel; NaN where unknown."""
    ratios = {}
    for axle in AXLES:
        one = found[f"{axle} {DIRECTIONS[0]}"]
        known = one.left_travel_mm > 0.0 and one.right_travel_mm > 0.0
        ratios[axle] = math.log(one.left_travel_mm / one.right_travel_mm) if known else math.nan
    return ratios


def with_travel(found: dict[str, Asymmetry], travel_counts: Ints) -> dict[str, Asymmetry]:
    """The same with ranges of travel from counts of shape (4, bins)."""
    ranges = [quantile(TRAVEL_BINS, one, 0.95) - quantile(TRAVEL_BINS, one, 0.05) for one in travel_counts]
    result = {}
    for place, one in found.items():
        left, right = AXLE_CORNERS[place.split()[0]]
        result[place] = replace(one, left_travel_mm=ranges[left], right_travel_mm=ranges[right])
    return result


def of_corners(velocity_counts: Ints) -> dict[str, Asymmetry]:
    """Asymmetry at each of PLACES from counts of shape (4, bins)."""
    result = {}
    for axle in AXLES:
        left, right = AXLE_CORNERS[axle]
        for direction in DIRECTIONS:
            compression = direction == "compression"
            result[f"{axle} {direction}"] = compare(
                velocity_counts[left], velocity_counts[right], compression=compression
            )
    return result
