"""Left against right of an axle, by direction: how much faster one damper moves than its partner.

In: velocity counts of two corners. Out: the logarithm of the ratio of their velocity scales (a percentage that
adds), and the first Wasserstein distance of their distributions over their mean speed. 0 is equal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dsp.histogram import wasserstein
from dsp.statistics import VELOCITY_BINS, directional_counts, velocity_scale
from ingest.chunk import AXLE_CORNERS, AXLES, Ints

DIRECTIONS = ("compression", "rebound")
# Places in the order front compression, front rebound, rear compression, rear rebound.
PLACES = tuple(f"{axle} {direction}" for axle in AXLES for direction in DIRECTIONS)


@dataclass(frozen=True)
class Asymmetry:
    """One axle, one direction. `log_ratio` is positive when the left damper is the faster one; NaN is unknown."""

    log_ratio: float
    distance: float

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
    return Asymmetry(math.log(scales[0] / scales[1]), distance)


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
