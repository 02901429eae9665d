"""Left/right asymmetry on sine motion whose size is set lap by lap."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from alerts.alert import Transition
from dsp.asymmetry import PLACES, Asymmetry
from ingest.chunk import Chunk, Floats
from ingest.sheet import Sheet
from tests.monitored import RATE, changes, chunk, easy_sheet, watch

KIND = "asymmetry"
LAP = 1000  # samples, ten periods of 5 Hz
BASE: dict[str, Any] = {
    "alerts.platform_low.enabled": False,
    "alerts.asymmetry.least_time_per_lap_s": 1.5,
    "log.columns.lap_number": {"column": "lap"},
}
SHEET = easy_sheet(BASE)
FRONT = ("front compression", "front rebound")


def sines(scales: list[Floats]) -> Floats:
    """5 Hz of 8 mm, each lap's corners scaled by that lap's four factors; no sample stands still at a turn."""
    wave = 8.0 * np.sin(2.0 * np.pi * 5.0 * (np.arange(LAP) + 0.37) / RATE)
    return np.concatenate([wave[:, np.newaxis] * scale for scale in scales])


def one_corner(percents: list[float], corner: int = 0) -> Chunk:
    """An out-lap, laps on which one corner is faster by so many per cent of the ratio's logarithm, and a rest."""
    scales = [np.ones(4)]
    for percent in percents:
        scale = np.ones(4)
        scale[corner] = np.exp(percent / 100.0)
        scales.append(scale)
    return laps(sines([*scales, np.ones(4)]))


def laps(travel: Floats) -> Chunk:
    return chunk(travel, lap_number=np.arange(len(travel)) // LAP * 1.0)


def run(percents: list[float], corner: int = 0, sheet: Sheet = SHEET, **rest: Any) -> list[Transition]:
    return watch(sheet, one_corner(percents, corner), **rest)


def ends(*numbers: int) -> list[int]:
    """Samples at which these laps end."""
    return [(number + 1) * LAP for number in numbers]


@pytest.mark.parametrize(
    ("percents", "tripped_after"),
    [
        ([15.0], None),
        ([15.0, 15.0], 2),
        ([15.0, 0.0, 15.0], 3),
        ([15.0, 0.0, 0.0, 15.0], None),
        ([0.0, 15.0, 0.0, 15.0, 15.0], 4),
        ([11.0, 11.0, 11.0], None),
        ([15.0, -15.0, 0.0], None),
        ([15.0, -15.0, 15.0], 3),
    ],
)
def test_two_laps_of_the_last_three_in_the_same_sense_trip(percents: list[float], tripped_after: int | None) -> None:
    found = run(percents)
    expected = [] if tripped_after is None else [(ends(tripped_after)[0], "occurs")]
    for place in FRONT:
        assert changes(found, KIND, place)[:1] == expected
    assert {t.definition.where for t in found} <= set(FRONT)


def test_two_laps_below_the_clear_limit_clear() -> None:
    found = run([15.0, 15.0, 0.0, 9.0, 0.0, 6.0])
    for place in FRONT:
        assert changes(found, KIND, place) == [(ends(2)[0], "occurs"), (ends(6)[0], "returns")]


@pytest.mark.parametrize("corner", range(4))
@pytest.mark.parametrize("percent", [16.0, -16.0])
def test_names_the_axle_and_the_faster_corner(corner: int, percent: float) -> None:
    names = ("FL", "FR", "RL", "RR")
    partner = names[corner ^ 1]
    faster, slower = (names[corner], partner) if percent > 0 else (partner, names[corner])
    found = run([percent, percent], corner)
    axle = "front" if corner < 2 else "rear"
    assert {t.definition.where for t in found} == {f"{axle} compression", f"{axle} rebound"}
    for transition in found:
        direction = transition.definition.where.split()[1]
        assert transition.evidence is not None
        assert transition.evidence.sentence.startswith(f"{faster} {direction} 16 % faster than {slower}")
        assert ", in 2 of the last 2 timed laps; " in transition.evidence.sentence
        # All of the motion is larger, travel included.
        assert "sensor gain" in transition.evidence.sentence
        assert transition.evidence.measured == pytest.approx(16.0, abs=0.6)
        assert (transition.evidence.limit, transition.evidence.unit) == (12.0, "%")
        assert transition.evidence.since_sample == LAP
        assert transition.definition.priority == "low"


def test_one_direction_alone_is_named_alone() -> None:
    """Equal strokes in equal time; the left damper takes nearly twice as long to come back."""
    quick = np.interp(np.arange(70), [0, 30, 70], [0.0, 12.0, 0.0])
    slow = np.interp(np.arange(100), [0, 30, 100], [0.0, 12.0, 0.0])
    left, right = np.resize(slow, 5 * LAP), np.resize(quick, 5 * LAP)
    found = watch(SHEET, laps(np.stack([left, right, right, right], axis=1)))
    assert [(t.sample, t.definition.where) for t in found] == [(ends(2)[0], "front rebound")]
    assert found[0].evidence is not None
    assert found[0].evidence.sentence.startswith("FR rebound")
    # Speeds are stroke over time: 12 mm in 40 and in 70 samples.
    assert found[0].evidence.measured == pytest.approx(100.0 * np.log(70.0 / 40.0), abs=4.0)
    assert "FR rebound" in found[0].evidence.sentence
    assert ", in 2 of the last 2 timed laps; " in found[0].evidence.sentence


def four_corners(percents: tuple[float, float, float, float], laps_long: int = 4) -> Chunk:
    """Every lap the same, each corner faster by so many per cent of the logarithm."""
    return laps(sines([np.exp(np.array(percents) / 100.0)] * laps_long))


@pytest.mark.parametrize(
    ("percents", "own"),
    [
        ((20.0, 0.0, 15.0, 0.0), None),  # what a lopsided circuit does
        ((-30.0, 0.0, -16.0, 0.0), None),
        ((30.0, 0.0, 10.0, 0.0), None),  # 10 % of its own
        ((34.0, 0.0, 10.0, 0.0), None),  # 14 % of its own, and a limit of 15 % where the circuit makes 20
        ((37.0, 0.0, 10.0, 0.0), 17.0),
        ((20.0, 0.0, -3.0, 0.0), 20.0),  # the other way round is not shared
    ],
)
def test_what_both_axles_share_is_the_circuits(percents: tuple[float, float, float, float], own: float | None) -> None:
    found = watch(SHEET, four_corners(percents))
    if own is None:
        assert found == []
        return
    assert {t.definition.where for t in found} == set(FRONT)
    assert found[0].evidence is not None
    assert found[0].evidence.measured == pytest.approx(own, abs=0.6)
    shared = own != percents[0]
    assert found[0].evidence.limit == pytest.approx(15.0 if shared else 12.0, abs=0.1)
    assert (f" beyond what the axles share ({percents[0]:.0f} % in all), in" in found[0].evidence.sentence) == shared


def test_with_one_axle_unknown_the_other_might_be_the_circuits() -> None:
    stint = four_corners((20.0, 0.0, 0.0, 0.0))
    stint.sensors[:, 3] = np.nan
    sheet = easy_sheet(BASE | {"alerts.sensor.enabled": False})
    assert watch(sheet, stint) == []
    # A reference has taken the circuit out, so there it counts.
    assert {t.definition.where for t in watch(sheet, stint, reference=level(0.0))} == set(FRONT)


@pytest.mark.parametrize(("slow", "told"), [(73, False), (78, True)])
def test_one_direction_alone_needs_less(slow: int, told: bool) -> None:
    """12 mm in 30 samples, and back in 70 or a few more: below 12 %, yet compression against rebound tells."""
    quick = np.interp(np.arange(100), [0, 30, 100], [0.0, 12.0, 0.0])
    slower = np.interp(np.arange(30 + slow), [0, 30, 30 + slow], [0.0, 12.0, 0.0])
    left, right = np.resize(slower, 5 * LAP), np.resize(quick, 5 * LAP)
    found = watch(SHEET, laps(np.stack([left, right, right, right], axis=1)))
    assert {t.definition.where for t in found} == ({"front rebound"} if told else set())
    if told:
        evidence = found[0].evidence
        assert evidence is not None
        assert evidence.sentence.startswith("FR rebound over compression ")
        assert evidence.measured == pytest.approx(100.0 * np.log(slow / 70.0), abs=1.5)
        assert evidence.limit == pytest.approx(8.0, abs=0.3)
        assert evidence.unit == "%"
        assert found[0].definition.caution


@pytest.mark.parametrize(("later", "clears"), [(74, False), (72, True)])
def test_compression_over_rebound_has_a_clear_limit_of_its_own(later: int, clears: bool) -> None:
    """Rebound slower by 11 % at first, then by 5.6 or 2.8 %: all below 7 %, but only the last below 5 %."""

    def sawtooth(fall: int, laps_long: int) -> Floats:
        return np.resize(np.interp(np.arange(30 + fall), [0, 30, 30 + fall], [0.0, 12.0, 0.0]), laps_long * LAP)

    left = np.concatenate([sawtooth(78, 4), sawtooth(later, 6)])
    right = sawtooth(70, 10)
    found = watch(SHEET, laps(np.stack([left, right, right, right], axis=1)))
    assert [t.change for t in found if t.definition.where == "front rebound"] == ["occurs", "returns"][: 1 + clears]


def test_left_and_right_swapped_swap_the_names() -> None:
    stint = one_corner([18.0, 18.0])
    mirrored = Chunk(0, RATE, np.asfortranarray(stint.sensors[:, [1, 0, 3, 2]]), stint.side)
    straight, swapped = watch(SHEET, stint), watch(SHEET, mirrored)
    for one, other in zip(straight, swapped, strict=True):
        assert one.evidence is not None
        assert other.evidence is not None
        assert "FL" in one.evidence.sentence
        exchanged = one.evidence.sentence.replace("FL", "x").replace("FR", "FL").replace("x", "FR")
        assert other.evidence.sentence == exchanged.replace("FR or FL", "FL or FR")


def test_out_laps_and_unfinished_laps_do_not_count() -> None:
    scale = np.array([1.3, 1.0, 1.0, 1.0])
    assert watch(SHEET, laps(sines([scale, scale]))) == []
    assert watch(SHEET, laps(sines([scale, scale, scale])[: 2 * LAP + 10])) == []


def test_too_little_data_is_no_lap_at_all() -> None:
    stint = one_corner([15.0, 15.0, 15.0, 15.0])
    stint.sensors[2 * LAP : 2 * LAP + 300, 1] = np.nan
    found = watch(easy_sheet(BASE | {"alerts.sensor.enabled": False}), stint)
    assert [t.sample for t in found] == [*ends(3), *ends(3)]


def test_a_lap_without_enough_data_does_not_help_to_clear() -> None:
    stint = one_corner([15.0, 15.0, 0.0, 0.0, 0.0])
    stint.sensors[4 * LAP : 4 * LAP + 300, 0] = np.nan
    found = watch(easy_sheet(BASE | {"alerts.sensor.enabled": False}), stint)
    assert changes(found, KIND, FRONT[0]) == [(ends(2)[0], "occurs"), (ends(5)[0], "returns")]


def level(percent: float) -> dict[str, Asymmetry]:
    return {place: Asymmetry(percent / 100.0 if place in FRONT else 0.0, abs(percent) / 100.0) for place in PLACES}


def test_a_reference_takes_the_circuit_out() -> None:
    assert len(run([15.0, 15.0])) == 2
    assert run([15.0, 15.0], reference=level(15.0)) == []
    assert run([15.0, 15.0], reference=level(8.0)) == []
    assert len(run([15.0, 15.0], reference=level(5.0))) == 2


def test_evidence_against_a_reference_names_both_numbers_and_the_corner_that_changed() -> None:
    found = run([5.0, 5.0], reference=level(20.0))
    assert len(found) == 2
    for transition in found:
        assert transition.evidence is not None
        assert transition.evidence.sentence.startswith("FR ")
        assert "15 % faster than FL beyond the reference (FL faster by 5 % in all)" in transition.evidence.sentence
        assert transition.evidence.limit == 8.0


@pytest.mark.parametrize(("percent", "faster", "slower"), [(19.0, "FL", "FR"), (-19.0, "FR", "FL")])
def test_evidence_against_a_reference_has_no_bare_sign(percent: float, faster: str, slower: str) -> None:
    for transition in run([percent, percent], reference=level(0.0)):
        assert transition.evidence is not None
        assert f"% faster than {slower} beyond the reference (19 % in all), in 2 of" in transition.evidence.sentence
        assert transition.evidence.sentence.startswith(f"{faster} ")


def test_the_shape_of_the_distribution_trips_too() -> None:
    """Same mean speed, differently spread: the ratio is small, the distance is not."""
    slow_and_fast = np.concatenate([sines([np.array([s, 1.0, 1.0, 1.0])])[: LAP // 2] for s in (0.4, 1.6)])
    found = watch(SHEET, laps(np.tile(slow_and_fast, (5, 1))))
    assert {t.definition.where for t in found} == set(FRONT)
    assert found[0].evidence is not None
    assert found[0].evidence.unit == "of mean speed"
    assert found[0].evidence.measured > found[0].evidence.limit == 0.20
    measured = f"{found[0].evidence.measured:.2f}"
    assert found[0].evidence.sentence == (
        f"FL and FR compression distributions differ by {measured} of the mean speed, in 2 of the last 2 timed laps"
    )
    against = watch(SHEET, laps(np.tile(slow_and_fast, (5, 1))), reference=level(0.0))
    assert against[0].evidence is not None
    assert f"of the mean speed beyond the reference ({measured} in all), in" in against[0].evidence.sentence


def test_disabled_it_is_silent() -> None:
    assert run([20.0] * 4, sheet=easy_sheet(BASE | {"alerts.asymmetry.enabled": False})) == []
