"""What may be behind one damper of an axle moving faster than its partner: an adjuster, both ways, or something else.

In: how the last laps beyond the limit looked, and a reference stint's speeds where there is one. Out: the cause, the
corner when it is clearly ahead of its partner, and words with all candidates. Pure; unknown values name nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from dsp.asymmetry import DIRECTIONS, PLACES, Asymmetry, AxleSides, log_speeds, shared, sides_of, travel_log_ratios
from ingest.chunk import AXLE_CORNERS, AXLES, CORNERS, Floats

# One adjuster moves the balance by 1.3 times the level, both together by a tenth of it (simulated).
_ONE_ADJUSTER: Final = 0.5
# So much of the balance goes into the level, one way or the other by direction (simulated: 0.7 to 0.9).
_LEVEL_OF_BALANCE: Final = 0.75
# The direction that leaves the axle nearer to this multiple of the other axle's level is the likelier: the middle of
# what circuits do. They scatter about it by a share of the other axle's level, and days by a little.
_USUAL_AXLE_TO_AXLE: Final = 1.25
_AXLE_TO_AXLE_SCATTER: Final = 0.45
_DAY_SCATTER: Final = 0.03
# How much a lopsided circuit widens the limits, as a share of its level. A digressive damper that moves more spends its
# time otherwise: a level of 0.3 moves a balance by up to 0.05; and axles share a level only so exactly.
_WIDER: Final = 0.15
# Exchanged sensors show only where left and right travel differ; days of one set-up agree on levels to 0.015 each.
_TELLING_TRAVEL: Final = 0.04
_SAME_LEVEL: Final = 0.05
# A level of the other axle beyond which the circuit is lopsided.
_LOPSIDED: Final = 0.04
# An inverted sensor turns a damper's balance about, against its partner's or its own in the reference, and leaves its
# level: at most this share of the balance.
_LEVEL_OF_INVERTED: Final = 0.25
_SMALLEST_INVERTED: Final = 0.10
_INVERTED_WITHIN: Final = 0.08
# Travel that goes with the speeds within this share of them is what a sensor's gain does.
_AS_TRAVEL: Final = 0.5
_LEAST_TRAVEL: Final = 0.05
# Without a reference the other axle foretells the travel to about half of this.
_LEAST_TRAVEL_WITHOUT: Final = 0.16
# How well the other axle foretells a corner's balance and level (standard deviations of logarithms): from the same
# corner of a reference stint, and without one, when the two axles' set-ups differ as they please.
_BALANCE_FROM_REFERENCE: Final = 0.02
_LEVEL_FROM_REFERENCE: Final = 0.03
_BALANCE_WITHOUT: Final = 0.12
# One corner, or one direction, is named when it is 20 times as likely as the other.
_AHEAD: Final = math.log(20.0)


@dataclass(frozen=True)
class Look:
    """One lap.

    Attributes
    ----------
    excess : dict of place to float
        Logarithm of left over right, less the reference's; NaN where unknown.
    logs : array of shape (4, 2)
        Logarithms of the mean speeds (mm/s) of compression and rebound.
    travel : dict of axle to float
        Logarithm of left over right of the travel range, less the reference's.
    """

    excess: dict[str, float]
    logs: Floats
    travel: dict[str, float]


@dataclass(frozen=True)
class Verdict:
    """What it may be.

    Attributes
    ----------
    cause : str
        "adjuster" (one direction), "axle" (both, so a damper, a tyre or a sensor), "sensor" (that first), or "shared".
    corner : str
        The corner named; empty when it can't be told from its partner.
    words, check_first : str
        For people; `words` name every candidate.
    """

    cause: str
    corner: str
    words: str
    check_first: str


@dataclass(frozen=True)
class AxleView:
    """One axle of one lap, or of some.

    Attributes
    ----------
    own : AxleSides
        Left over right less what the circuit explains; NaN where unknown.
    circuit : float
        What it explains; 0 against a reference, which has taken it out already.
    balance_limit : float
        What the axle's balance may be, as a logarithm: the limit, and what a lopsided circuit adds.
    direction : str
        Which direction's adjuster would explain the balance better.
    clear : bool
        Whether the other one's would do so much worse that they are told apart.
    """

    own: AxleSides
    circuit: float
    balance_limit: float
    direction: str
    clear: bool

    @property
    def wider(self) -> float:
        """What a lopsided circuit adds to the limit of a ratio, as a logarithm."""
        return _WIDER * abs(self.circuit)

    def ratio(self, direction: str) -> float:
        """One direction's own ratio, less what the other direction's adjuster explains where that is told."""
        ratio = self.own.compression if direction == "compression" else self.own.rebound
        if not self.clear or self.direction == direction or abs(self.own.balance) <= self.balance_limit:
            return ratio
        # What goes into the level moves both directions, half of the balance moves them apart.
        spill = (_LEVEL_OF_BALANCE - 0.5) * self.own.balance * (1.0 if self.direction == "compression" else -1.0)
        if ratio * spill <= 0.0:
            return ratio
        return math.copysign(max(0.0, abs(ratio) - abs(spill)), ratio)


def views(excess: dict[str, float], *, balance_limit: float, against_reference: bool) -> dict[str, AxleView]:
    """Both axles, each in the light of the other.

    An adjuster moves the level of its axle, too; that part is taken off before the axles are compared, lest the
    other one be thought to differ.

    Parameters
    ----------
    excess : dict of place to float
        As in `Look`.
    balance_limit : float
        As a logarithm.
    """
    sides = {axle: sides_of(excess, axle) for axle in AXLES}
    limits, ways, levels = {}, {}, {}
    for axle in AXLES:
        whole, other = sides[axle], sides[_other(axle)].level
        limits[axle] = balance_limit + (0.0 if math.isnan(other) else _WIDER * abs(other))
        ways[axle] = _adjuster(whole, other)
        levels[axle] = whole.level
        if abs(whole.balance) > limits[axle]:
            levels[axle] -= _level_of(whole.balance, ways[axle][0])
    found = {}
    for axle in AXLES:
        circuit = 0.0 if against_reference else shared(levels[axle], levels[_other(axle)])
        own = AxleSides(sides[axle].compression - circuit, sides[axle].rebound - circuit)
        found[axle] = AxleView(own, circuit, limits[axle], *ways[axle])
    return found


def _level_of(balance: float, direction: str) -> float:
    return _LEVEL_OF_BALANCE * (balance if direction == "compression" else -balance)


def _adjuster(whole: AxleSides, other_level: float) -> tuple[str, bool]:
    """The direction whose adjuster explains an axle better, and whether clearly so."""
    other = 0.0 if math.isnan(other_level) else other_level
    usual = _USUAL_AXLE_TO_AXLE * other
    left_over = {one: (whole.level - _level_of(whole.balance, one) - usual) ** 2 for one in DIRECTIONS}
    better, worse = sorted(left_over, key=lambda one: left_over[one])
    variance = _DAY_SCATTER**2 + (_AXLE_TO_AXLE_SCATTER * other) ** 2
    ahead = (left_over[worse] - left_over[better]) / (2.0 * variance)
    return better, not math.isnan(other_level) and ahead > _AHEAD


def judge(place: str, looks: Sequence[Look], reference: dict[str, Asymmetry] | None, balance_limit: float) -> Verdict:
    """Explain one place.

    Parameters
    ----------
    place : str
        One of `dsp.asymmetry.PLACES`.
    looks : sequence of Look
        Laps beyond the limit, at least one.
    reference : dict of place to Asymmetry, or None
        Of a reference stint.
    balance_limit : float
        As in `views`.
    """
    axle = place.split()[0]
    left, right = AXLE_CORNERS[axle]
    known = None if reference is None else log_speeds(reference)
    excess = {one: float(np.mean([look.excess[one] for look in looks])) for one in PLACES}
    logs = np.mean([look.logs for look in looks], axis=0)
    view = views(excess, balance_limit=balance_limit, against_reference=known is not None)[axle]
    own = view.own
    level, other = sides_of(excess, axle).level, sides_of(excess, _other(axle)).level
    travel = {one: float(np.mean([look.travel[one] for look in looks])) for one in AXLES}
    if reference is not None and _turned_about(reference, axle, level, travel[axle]):
        return _opposite(axle, "left and right as in the reference, but exchanged")
    if abs(own.balance) > max(view.balance_limit, _ONE_ADJUSTER * abs(own.level)):
        balances = logs[:, 0] - logs[:, 1]
        if known is None or np.isnan(known).any():
            exchanged = abs(float(balances[left] + balances[right])) < _INVERTED_WITHIN
            exchanged = exchanged and abs(own.balance) > _SMALLEST_INVERTED
        else:
            was = known[:, 0] - known[:, 1]
            exchanged = min(abs(float(balances[one] + was[one])) for one in (left, right)) < _INVERTED_WITHIN
        rest = level if known is not None else level - shared(level, other)
        unmoved = abs(rest) < _LEVEL_OF_INVERTED * abs(own.balance)
        corner = _named(balances, known, axle, level=False)
        if exchanged and unmoved:
            return _inverted(axle, corner)
        return _one_adjuster(view, axle, corner)
    if known is not None and other * math.copysign(1.0, level) > 0.5 * abs(level):
        return _shared_by_axles(level)
    levels = logs.mean(axis=1)
    here, there = (float(np.subtract(*levels[list(AXLE_CORNERS[one])])) for one in (axle, _other(axle)))
    if known is None and here * there < 0.0 and abs(there) > 0.5 * abs(here):
        return _opposite(axle, "the other axle the other way")
    follows = travel[axle] - travel[_other(axle)]
    least = _LEAST_TRAVEL_WITHOUT if known is None else _LEAST_TRAVEL
    if abs(follows) > least and abs(follows - own.level) < _AS_TRAVEL * abs(own.level):
        return _travel_too(axle, follows)
    lopsided = known is None and abs(there) > _LOPSIDED
    return _both_ways(axle, _named(levels, known, axle, level=True), lopsided=lopsided)


def _turned_about(reference: dict[str, Asymmetry], axle: str, level: float, travel: float) -> bool:
    """Whether an axle's left and right are the reference's right and left; changes by twice the reference, that is."""
    was = travel_log_ratios(reference)[axle]
    was_level = sides_of({place: one.log_ratio for place, one in reference.items()}, axle).level
    return (
        abs(was) > _TELLING_TRAVEL
        and abs(travel + 2.0 * was) < 0.5 * abs(was)
        and abs(level + 2.0 * was_level) < _SAME_LEVEL
    )


def _pair(axle: str) -> tuple[str, str]:
    """The axle's corners joined by "or" and by "and"."""
    names = [CORNERS[one] for one in AXLE_CORNERS[axle]]
    return " or ".join(names), " and ".join(names)


def _inverted(axle: str, corner: str) -> Verdict:
    either, both = _pair(axle)
    words = f"compression and rebound exchanged at one corner: sensor of {corner or either} inverted, or an adjuster"
    return Verdict("sensor", corner, words, f"polarity of the sensors of {corner or both}; then the adjusters")


def _one_adjuster(view: AxleView, axle: str, corner: str) -> Verdict:
    either, both = _pair(axle)
    if not view.clear:
        return Verdict(
            "adjuster",
            corner,
            f"one direction of {corner or either} alone, compression or rebound not told apart",
            f"both adjusters of {corner or both} against the set-up sheet; then damper shafts",
        )
    way = view.direction
    left, right = (CORNERS[one] for one in AXLE_CORNERS[axle])
    # The damper that gives way more easily moves faster, in this direction most.
    left_softer = (view.own.balance > 0.0) == (way == "compression")
    soft, hard = (left, right) if left_softer else (right, left)
    if corner:
        return Verdict(
            "adjuster",
            corner,
            f"{way} alone: {corner} {'softer' if corner == soft else 'stiffer'} than its set-up",
            f"{way} adjuster of {corner} against the set-up sheet; then its damper shaft",
        )
    return Verdict(
        "adjuster",
        "",
        f"{way} alone: {soft} softer or {hard} stiffer, not told apart",
        f"{way} adjusters of {both} against the set-up sheet; then pressures and damper shafts",
    )


def _shared_by_axles(level: float) -> Verdict:
    faster, slower = ("left", "right") if level > 0.0 else ("right", "left")
    return Verdict(
        "shared",
        "",
        f"both axles and directions alike: circuit or line changed, or tyre pressures low {slower} or high {faster}",
        "tyre pressures, left against right; whether line, kerbs or wind changed",
    )


def _opposite(axle: str, seen: str) -> Verdict:
    either, _ = _pair(axle)
    return Verdict(
        "sensor",
        "",
        f"{seen}: sensors of an axle swapped, or damper, tyre or sensor gain of {either}",
        f"which sensor is on which side; then tyre pressures and adjusters of {either}",
    )


def _travel_too(axle: str, follows: float) -> Verdict:
    either, both = _pair(axle)
    return Verdict(
        "sensor",
        "",
        f"travel too, by {100.0 * abs(follows):.0f} %: sensor gain of {either} first, then damper or tyre",
        f"calibration of the sensors of {both}; then tyre pressures and adjusters",
    )


def _both_ways(axle: str, corner: str, *, lopsided: bool) -> Verdict:
    either, both = _pair(axle)
    words = f"both ways, this axle alone: damper, tyre pressure or sensor gain of {corner or either}"
    if lopsided:
        words += f"; or of {_pair(_other(axle))[0]} on a lopsided circuit"
    check = f"tyre pressure and both adjusters of {corner or both} against the set-up sheet; then sensor calibration"
    return Verdict("axle", corner, words, check)


def _named(values: Floats, known: Floats | None, axle: str, *, level: bool) -> str:
    """The corner of the axle that departs from what the other three say; empty when neither is clearly ahead."""
    if known is not None and not np.isnan(known).any():
        before = known.mean(axis=1) if level else known[:, 0] - known[:, 1]
        change, scatter = values - before, _LEVEL_FROM_REFERENCE if level else _BALANCE_FROM_REFERENCE
    elif level:
        return ""  # front against rear says nothing of a level: springs, bars and dampers differ
    else:
        change, scatter = values, _BALANCE_WITHOUT
    expected = float(np.mean(change[list(AXLE_CORNERS[_other(axle)])]))
    left, right = AXLE_CORNERS[axle]
    ahead = ((float(change[left]) - expected) ** 2 - (float(change[right]) - expected) ** 2) / (2.0 * scatter**2)
    if math.isnan(ahead) or abs(ahead) < _AHEAD:
        return ""
    return CORNERS[left if ahead > 0.0 else right]


def _other(axle: str) -> str:
    return AXLES[1 - AXLES.index(axle)]
