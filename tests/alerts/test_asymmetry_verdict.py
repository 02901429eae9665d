"""Which cause is given for left/right asymmetry, on log speeds put together from circuit, set-up and one fault.

What a fault does to its own corner is from simulated stints (`benchmarks.asymmetry_study`), not from the code under
test: per cent of the logarithm of the mean speeds in compression and in rebound.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from alerts.asymmetry_verdict import AxleView, Look, Verdict, judge, views
from dsp.asymmetry import PLACES, Asymmetry, AxleSides
from ingest.chunk import AXLE_CORNERS, CORNERS, Floats

# (compression, rebound) of the corner itself; the other corners move by 1 or 2 %.
ADJUSTERS = {
    ("compression", 0.60): (0.17, 0.04),
    ("compression", 1.60): (-0.19, -0.04),
    ("rebound", 0.60): (0.06, 0.22),
    ("rebound", 1.60): (-0.035, -0.21),
}
BOTH = {0.60: (0.25, 0.27), 1.60: (-0.24, -0.26)}
# Both axles' right dampers on a circuit of right turns; the front feels more of it.
LOPSIDED = np.array([[-0.12], [0.12], [-0.07], [0.07]])
SET_UP = np.array([[4.6, 4.44], [4.6, 4.44], [4.75, 4.66], [4.75, 4.66]])
TRAVEL = np.array([20.0, 21.5, 24.0, 25.5])
LIMIT = 0.08


def corner_of(name: str) -> int:
    return CORNERS.index(name)


def faulty(corner: str, change: tuple[float, float]) -> Floats:
    logs = np.zeros((4, 2))
    logs[corner_of(corner)] = change
    return logs


def places_of(logs: Floats, travel: Floats) -> dict[str, Asymmetry]:
    """The ratios and speeds that these logarithms mean."""
    found = {}
    for place in PLACES:
        axle, direction = place.split()
        way = ("compression", "rebound").index(direction)
        left, right = AXLE_CORNERS[axle]
        ratio = float(logs[left, way] - logs[right, way])
        found[place] = Asymmetry(
            ratio,
            abs(ratio),
            math.exp(float(logs[left, way])),
            math.exp(float(logs[right, way])),
            float(travel[left]),
            float(travel[right]),
        )
    return found


def verdict(
    axle: str,
    logs: Floats,
    *,
    known: tuple[Floats, Floats] | None = None,
    travel: Floats = TRAVEL,
    direction: str = "rebound",
) -> Verdict:
    """The verdict on one place; `known` are log speeds and travel of a reference."""
    found = places_of(logs, travel)
    reference = None if known is None else places_of(*known)
    less = {place: 0.0 if reference is None else reference[place].log_ratio for place in PLACES}
    excess = {place: one.log_ratio - less[place] for place, one in found.items()}
    ranges = {}
    for name, (left, right) in AXLE_CORNERS.items():
        ranges[name] = math.log(travel[left] / travel[right])
        if known is not None:
            ranges[name] -= math.log(known[1][left] / known[1][right])
    return judge(f"{axle} {direction}", [Look(excess, logs, ranges)], reference, LIMIT)


def axle_of(corner: str) -> str:
    return "front" if corner[0] == "F" else "rear"


def partner(corner: str) -> str:
    return corner[0] + ("R" if corner[1] == "L" else "L")


@pytest.mark.parametrize("circuit", [0.0, 1.0, -1.0])
@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize(("direction", "scale"), ADJUSTERS)
def test_an_adjuster_against_a_reference_is_named(corner: str, direction: str, scale: float, circuit: float) -> None:
    before = SET_UP + circuit * LOPSIDED
    found = verdict(axle_of(corner), before + faulty(corner, ADJUSTERS[direction, scale]), known=(before, TRAVEL))
    sense = "softer" if scale < 1.0 else "stiffer"
    assert (found.cause, found.corner) == ("adjuster", corner)
    assert found.words == f"{direction} alone: {corner} {sense} than its set-up"
    assert found.check_first.startswith(f"{direction} adjuster of {corner} ")


@pytest.mark.parametrize("circuit", [0.0, 0.25, -0.25, 1.0, -1.0])
@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize(("direction", "scale"), ADJUSTERS)
def test_without_a_reference_the_pair_is_named_and_no_more_than_can_be_told(
    corner: str, direction: str, scale: float, circuit: float
) -> None:
    found = verdict(axle_of(corner), SET_UP + circuit * LOPSIDED + faulty(corner, ADJUSTERS[direction, scale]))
    other = partner(corner)
    soft, hard = (corner, other) if scale < 1.0 else (other, corner)
    told = f"{direction} alone: {soft} softer or {hard} stiffer, not told apart"
    assert found.corner == ""
    assert {corner, other} <= {word for word in CORNERS if word in found.words}
    if circuit == 0.0:
        assert (found.cause, found.words) == ("adjuster", told)
    elif abs(circuit) < 1.0:
        # A stiff compression can make a damper's balance the mirror of its partner's, as an inverted sensor does.
        assert found.words == told or "or an adjuster" in found.words
    else:
        # On a very lopsided circuit the level says little: it may end in a list, never in the wrong word.
        assert found.words == told or "not told apart" in found.words or "or an adjuster" in found.words
        assert found.words == told or " alone: " not in found.words


def test_a_balance_within_its_limit_accuses_no_adjuster() -> None:
    found = verdict("front", SET_UP + faulty("FL", (-0.15, -0.08)), direction="compression")
    assert found.cause == "axle"


def test_without_a_reference_a_corner_far_from_the_three_others_is_named() -> None:
    found = verdict("front", np.full((4, 2), 4.6) + faulty("FR", (0.12, 0.45)))
    assert (found.cause, found.corner) == ("adjuster", "FR")


@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("scale", BOTH)
def test_both_ways_is_a_damper_or_something_else_and_all_are_listed(corner: str, scale: float) -> None:
    before = SET_UP + LOPSIDED
    logs = before + faulty(corner, BOTH[scale])
    found = verdict(axle_of(corner), logs, known=(before, TRAVEL))
    assert (found.cause, found.corner) == ("axle", corner)
    for word in ("damper", "tyre pressure", "sensor gain", corner):
        assert word in found.words
    alone = verdict(axle_of(corner), SET_UP + faulty(corner, BOTH[scale]))
    assert (alone.cause, alone.corner) == ("axle", "")
    assert {corner, partner(corner)} <= {word for word in CORNERS if word in alone.words}


def test_on_a_lopsided_circuit_the_other_axle_may_be_the_odd_one() -> None:
    found = verdict("rear", SET_UP + 0.3 * LOPSIDED + faulty("RR", (0.24, 0.25)))
    assert found.cause == "axle"
    assert "RL or RR" in found.words
    assert "or of FL or FR on a lopsided circuit" in found.words


@pytest.mark.parametrize("sides", [("FL", "RL"), ("FR", "RR")])
def test_both_axles_alike_is_no_damper(sides: tuple[str, str]) -> None:
    logs = SET_UP + sum(faulty(one, (-0.11, -0.11)) for one in sides)
    found = verdict("front", logs, known=(SET_UP, TRAVEL))
    assert (found.cause, found.corner) == ("shared", "")
    slow = "left" if sides[0] == "FL" else "right"
    assert "circuit or line" in found.words
    assert f"tyre pressures low {slow}" in found.words


@pytest.mark.parametrize("factor", [0.8, 1.2])
@pytest.mark.parametrize("corner", CORNERS)
def test_travel_that_goes_along_is_a_sensors_gain(corner: str, factor: float) -> None:
    logs = SET_UP + faulty(corner, (math.log(factor),) * 2)
    travel = TRAVEL.copy()
    travel[corner_of(corner)] *= factor
    found = verdict(axle_of(corner), logs, known=(SET_UP, TRAVEL), travel=travel)
    assert found.cause == "sensor"
    assert "sensor gain" in found.words
    assert corner in found.words


@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("with_reference", [True, False])
def test_an_inverted_sensor_is_no_adjuster(corner: str, with_reference: bool) -> None:
    before = SET_UP + 0.5 * LOPSIDED
    logs = before.copy()
    logs[corner_of(corner)] = before[corner_of(corner), ::-1]
    found = verdict(axle_of(corner), logs, known=(before, TRAVEL) if with_reference else None)
    assert found.cause == "sensor"
    assert "inverted" in found.words
    if with_reference:
        assert found.corner == corner


def test_an_inverted_sensor_beside_an_uneven_partner_is_told_from_the_reference() -> None:
    before = SET_UP + faulty("RR", (0.05, -0.05))
    logs = before.copy()
    logs[2] = before[2, ::-1]
    found = verdict("rear", logs, known=(before, TRAVEL))
    assert (found.cause, found.corner) == ("sensor", "RL")


@pytest.mark.parametrize("axle", ["front", "rear"])
def test_exchanged_sensors_are_no_damper(axle: str) -> None:
    before = SET_UP + LOPSIDED
    order = [1, 0, 2, 3] if axle == "front" else [0, 1, 3, 2]
    against = verdict(axle, before[order], known=(before, TRAVEL), travel=TRAVEL[order])
    assert against.cause == "sensor"
    assert "swapped" in against.words
    alone = verdict("front", before[order], travel=TRAVEL[order])
    assert alone.cause == "sensor"
    assert "swapped" in alone.words


def test_an_adjusters_part_of_the_level_is_not_put_on_the_other_axle() -> None:
    """FR's rebound stiff on a circuit where the left is quick hides the front's share; the rear must not look odd."""
    logs = -LOPSIDED * np.ones(2) + faulty("FL", ADJUSTERS["rebound", 1.60])
    excess = {place: one.log_ratio for place, one in places_of(logs, TRAVEL).items()}
    found = views(excess, balance_limit=LIMIT, against_reference=False)
    assert found["rear"].own.level == pytest.approx(0.0, abs=1e-9)
    assert found["front"].own.rebound < -0.12
    assert (found["front"].direction, found["front"].clear) == ("rebound", True)


@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize(("direction", "scale"), ADJUSTERS)
def test_one_adjuster_is_one_place(corner: str, direction: str, scale: float) -> None:
    excess = {p: one.log_ratio for p, one in places_of(faulty(corner, ADJUSTERS[direction, scale]), TRAVEL).items()}
    view = views(excess, balance_limit=0.06, against_reference=True)[axle_of(corner)]
    other = "rebound" if direction == "compression" else "compression"
    assert abs(view.ratio(direction)) == pytest.approx(max(map(abs, ADJUSTERS[direction, scale])))
    assert abs(view.ratio(other)) < 0.025
    assert abs(AxleView(AxleSides(0.0, -0.5), 0.0, 0.06, "rebound", clear=True).ratio("compression")) == 0.0
    both = {p: one.log_ratio for p, one in places_of(faulty(corner, BOTH[scale]), TRAVEL).items()}
    view = views(both, balance_limit=0.06, against_reference=True)[axle_of(corner)]
    assert min(abs(view.ratio(one)) for one in ("compression", "rebound")) > 0.23


def test_a_lopsided_circuit_widens_the_limit_of_the_balance() -> None:
    places = dict.fromkeys(PLACES, 0.2)
    found = views(places, balance_limit=LIMIT, against_reference=False)
    assert found["front"].balance_limit == pytest.approx(LIMIT + 0.15 * 0.2)
    assert found["front"].circuit == 0.2
    assert found["front"].own == AxleSides(0.0, 0.0)
    against = views(places, balance_limit=LIMIT, against_reference=True)
    assert against["front"].own == AxleSides(0.2, 0.2)


def test_what_is_unknown_of_the_other_axle_names_nothing() -> None:
    logs = SET_UP + faulty("FL", ADJUSTERS["rebound", 0.60])
    logs[2:] = math.nan
    excess = {place: one.log_ratio for place, one in places_of(SET_UP + faulty("FL", (0.06, 0.22)), TRAVEL).items()}
    excess |= {place: math.nan for place in PLACES if place.startswith("rear")}
    found = judge("front rebound", [Look(excess, logs, dict.fromkeys(AXLE_CORNERS, math.nan))], None, LIMIT)
    assert (found.cause, found.corner) == ("adjuster", "")
    assert "not told apart" in found.words
