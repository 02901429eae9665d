"""Which damper it is, or which it can't be told apart from, and whether it is a damper at all.

In: the stretches since something began, each held against the reference. Out: a `Verdict`: a corner, a side, an axle
or undecided, how much faster or slower, in which direction, and what else it may be. Pure functions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from alerts.drift_reference import MODES, DriftReference, Looks
from alerts.drift_witness import suspects, suspects_of_pair, travel_witness
from ingest.chunk import CORNERS, Floats

# Patterns of pitch, roll and warp, in the order: a corner faster, an axle or a side faster than the other. With the
# other sign they are a corner that is slower.
PATTERNS: Final = {name: tuple(row[corner] / 4.0 for row in MODES) for corner, name in enumerate(CORNERS)}
_PAIRS: Final = {
    "front axle": (0.5, 0.0, 0.0),
    "rear axle": (-0.5, 0.0, 0.0),
    "left side": (0.0, 0.5, 0.0),
    "right side": (0.0, -0.5, 0.0),
}
EXPLANATIONS: Final = {**PATTERNS, **_PAIRS}
# Neighbouring stretches share kerbs and lines: the mean of n of them scatters as if of n / 1.6 independent ones.
NEIGHBOURS: Final = 1.6
_LEAST_LEFT: Final = 1e-9
# Twice the logarithm of a likelihood ratio of about 20 to 1: the best must be so far ahead of the runner-up.
_AHEAD: Final = 6.0
# Dampers lose force far more often than they gain it: twice the logarithm of 10 to 1.
_SLOWER_HANDICAP: Final = 4.6
# Heave is known so badly (pace, grip, heat) that it only helps to tell faster from slower.
_HEAVE_SCATTER: Final = 0.03


@dataclass(frozen=True)
class Verdict:
    """What the evidence says.

    Attributes
    ----------
    where : str
        A corner, an axle, a side, or "undecided".
    ahead : float
        By how much the best explanation leads, as twice a log-likelihood ratio.
    percent, compression_percent, rebound_percent : float
        Change of damper speed there; of an undecided one, of the best explanation.
    best, second : str
        The two best explanations.
    suspects : tuple of str
        What it may be, likeliest first.
    damper : bool
        Whether a damper is the likeliest.
    settled : bool
        Whether travel could be asked: a sensor's gain is told from a damper.
    position_mm : float
        How far the corner's travel stands from where it was, beside the other three.
    """

    where: str
    ahead: float
    percent: float
    compression_percent: float
    rebound_percent: float
    best: str
    second: str
    suspects: tuple[str, ...]
    damper: bool
    settled: bool
    position_mm: float
    since_sample: int
    stretches: int


def judge(looks: Looks, reference: DriftReference, told: str | None = None) -> Verdict:
    """Judge the stretches since the charts left 0; at least one. What was `told` before explains its part of them."""
    shifts = looks.shifts.mean(axis=0)
    free = [corner for corner in range(4) if CORNERS[corner] != told]
    heave = float(np.mean(shifts[2, free]))
    ranked = _ranked(looks.modes.mean(axis=0), heave, len(free), _variances(looks, reference), told)
    (best_gain, best, _), (second_gain, second, _) = ranked[:2]
    ahead = best_gain - second_gain
    named = best if ahead >= _AHEAD else "undecided"
    if named == "undecided":
        named = _shared(best, second)
    compression, rebound, both = changes_of(looks, best, told)
    position = math.nan
    if best in CORNERS:
        seen = travel_witness(looks, CORNERS.index(best))
        candidates, damper, settled = suspects(math.log1p(both / 100.0), seen)
        damper = damper and named == best
        position = seen.position_mm
    else:
        candidates, damper, settled = suspects_of_pair(best if best in _PAIRS else second), False, True
    return Verdict(
        where=named,
        ahead=ahead,
        percent=both,
        compression_percent=compression,
        rebound_percent=rebound,
        best=best,
        second=second,
        suspects=candidates,
        damper=damper,
        settled=settled,
        position_mm=position,
        since_sample=int(looks.first_sample[0]),
        stretches=len(looks),
    )


def changes_of(looks: Looks, name: str, told: str | None = None) -> tuple[float, float, float]:
    """Change of speed there in per cent, in compression, rebound and both, beside what the whole car does.

    The car's own change is the median of the corners, without one of which something was `told`.
    """
    shifts = looks.shifts.mean(axis=0)
    free = [corner for corner in range(4) if CORNERS[corner] != told]
    relative = shifts - np.median(shifts[:, free], axis=1, keepdims=True)
    compression, rebound, both = (_percent(_of(row, name)) for row in relative)
    return compression, rebound, both


def _variances(looks: Looks, reference: DriftReference) -> Floats:
    """Of the mean modes, shape (3,): stretches are their own, laps shared, the reference's error too."""
    laps, places = len(np.unique(looks.lap)), len(np.unique(looks.number))
    own, lap = NEIGHBOURS * reference.pooled_variances(), reference.lap_variances()
    return np.asarray(own / len(looks) + lap / laps + (lap + own / places) / max(1, reference.laps))


def _ranked(
    mean: Floats, heave: float, corners: int, variances: Floats, told: str | None
) -> list[tuple[float, str, int]]:
    """Explanations by how much of the misfit they take away beside what was told; (gain, name, sign)."""
    known = None if told is None else np.array(EXPLANATIONS[told])
    weights = (1.0 / variances)[np.newaxis]
    (mean,) = beside(mean[np.newaxis], weights, known)
    found = []
    for name, values in EXPLANATIONS.items():
        pattern = np.array(values)
        (rest,) = beside(pattern[np.newaxis], weights, known)
        square = _inner(rest, rest, variances)
        if square < _LEAST_LEFT * _inner(pattern, pattern, variances):
            continue  # it is what was told
        cross = _inner(rest, mean, variances)
        for sign in (1, -1):
            if name in _PAIRS and sign < 0:
                continue  # the other axle or side says the same
            size = cross / square
            if size * sign <= 0.0:
                found.append((0.0, name, sign))
                continue
            gain = cross * cross / square
            if name in CORNERS:
                gain -= (heave - size / corners) ** 2 / _HEAVE_SCATTER**2 - heave**2 / _HEAVE_SCATTER**2
            gain -= _SLOWER_HANDICAP if sign < 0 else 0.0
            found.append((gain, name, sign))
    found.sort(key=lambda one: (-one[0], one[1], one[2]))
    best = found[0]
    rivals = [one for one in found[1:] if one[1] != best[1]]
    return [best, rivals[0]]


def _inner(first: Floats, second: Floats, variances: Floats) -> float:
    return math.fsum((first * second / variances).tolist())


def beside(values: Floats, weights: Floats, known: Floats | None) -> Floats:
    """Changes of pitch, roll and warp less their part along a known pattern; all of them without one.

    Parameters
    ----------
    values, weights : array of shape (n, 3)
        The changes, and one over their variances.
    known : array of shape (3,), optional
        The pattern.
    """
    if known is None:
        return values
    along = weights * known
    cross, square = along * values, along * known
    share = (cross[:, 0] + cross[:, 1] + cross[:, 2]) / (square[:, 0] + square[:, 1] + square[:, 2])
    return np.asarray(values - share[:, np.newaxis] * known)


def _shared(best: str, second: str) -> str:
    """What two explanations have in common: an axle, a side, or nothing."""
    for name in (best, second):
        if name in _PAIRS:
            return name if all(_within(one, name) for one in (best, second)) else "undecided"
    for pair in _PAIRS:
        if _within(best, pair) and _within(second, pair):
            return pair
    return "undecided"


def _within(name: str, pair: str) -> bool:
    members = {
        "front axle": ("FL", "FR"),
        "rear axle": ("RL", "RR"),
        "left side": ("FL", "RL"),
        "right side": ("FR", "RR"),
    }
    return name == pair or name in members[pair]


def _of(shifts: Floats, name: str) -> float:
    if name in CORNERS:
        return float(shifts[CORNERS.index(name)])
    front, rear, left, right = (
        float(shifts[[0, 1]].mean()),
        float(shifts[[2, 3]].mean()),
        float(shifts[[0, 2]].mean()),
        float(shifts[[1, 3]].mean()),
    )
    return {
        "front axle": front - rear,
        "rear axle": rear - front,
        "left side": left - right,
        "right side": right - left,
    }[name]


def _percent(log: float) -> float:
    return 100.0 * math.expm1(log)
