"""Sensor faults through the whole monitor: every kind, the delays, the latch, and what a sensor silences."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from alerts.alert import Transition
from alerts.lifecycle import Input, State
from alerts.monitor import Monitor
from ingest.chunk import Chunk, Floats
from ingest.sheet import Sheet
from tests.monitored import RATE, changes, chunk, easy_sheet, steps, stretches, watch

KIND = "sensor"
ON, OFF = round(0.2 * RATE), round(5.0 * RATE)
BACK = round(0.04 * RATE) - 1
BASE: dict[str, Any] = {
    f"corner.{corner}.sensor.reading_range": [-44.0, 46.0] for corner in ("FL", "FR", "RL", "RR")
} | {"alerts.platform_low.enabled": False, "alerts.bump_stop.enabled": False}


def sheet_with(changes: dict[str, Any] | None = None) -> Sheet:
    return easy_sheet(BASE | (changes or {}), remove=("alerts.sensor.smallest_jump_mm",))


SHEET = sheet_with()


def motion(samples: int) -> Floats:
    """All corners on the move, smoothly: 1 Hz of 8 mm."""
    wave = 8.0 * np.sin(2.0 * np.pi * np.arange(samples) / RATE)
    return np.stack([wave, 0.9 * wave, 1.1 * wave, wave], axis=1)


def run(travel: Floats, sheet: Sheet = SHEET) -> list[Transition]:
    return watch(sheet, chunk(travel))


def sentence(transitions: list[Transition]) -> str:
    evidence = transitions[0].evidence
    assert evidence is not None
    assert evidence.check_first
    return evidence.sentence


@pytest.mark.parametrize(
    ("reading", "changed", "says"),
    [
        (46.5, {}, "open circuit: reads 46.5 mm"),
        (-44.5, {}, "short circuit: reads -44.5 mm"),
        (46.5, {"corner.FR.sensor.open_circuit_reads": "low"}, "short circuit: reads 46.5 mm"),
        (-44.5, {"corner.FR.sensor.open_circuit_reads": "low"}, "open circuit: reads -44.5 mm"),
        (60.0, {"corner.FR.sensor.reading_range": [-100.0, 100.0]}, "out of range: reads 60 mm"),
        (-60.0, {"corner.FR.sensor.reading_range": [-100.0, 100.0]}, "out of range: reads -60 mm"),
        (np.nan, {}, "no reading"),
    ],
)
@pytest.mark.parametrize("extra", [-1, 0])
def test_lasting_faults_trip_when_they_outlast_the_on_delay(
    reading: float, changed: dict[str, Any], says: str, extra: int
) -> None:
    travel = motion(2000)
    # Lost readings end only when readings have come again for a while.
    back = BACK if np.isnan(reading) else 0
    travel[700 : 700 + ON + 1 + extra - back, 1] = reading
    found = run(travel, sheet_with(changed))
    assert changes(found, KIND, "FR") == ([] if extra < 0 else [(700 + ON, "occurs")])
    assert {t.definition.where for t in found} <= {"FR"}
    if found:
        assert sentence(found) == says
        assert (found[0].definition.priority, found[0].definition.latches) == ("high", True)


def test_latched_until_a_person_acknowledges_and_resets() -> None:
    travel = motion(700 + 200 + BACK + OFF + 100)
    travel[700:900, 0] = np.nan
    monitor = Monitor(SHEET, RATE, ())
    found = [t for step in steps(monitor, [chunk(travel)]) for t in step.transitions]
    assert changes(found, KIND, "FL") == [(700 + ON, "occurs"), (900 + BACK + OFF, "returns")]
    standing = monitor.standings[0]
    assert standing.state is State.LATCHED_UNACKNOWLEDGED
    for happening, state in (
        (Input.RESET, State.LATCHED_UNACKNOWLEDGED),
        (Input.ACKNOWLEDGE, State.LATCHED_ACKNOWLEDGED),
        (Input.RESET, State.NORMAL),
    ):
        monitor.engine.tell((KIND, "FL"), happening, len(travel))
        assert standing.state is state


def test_stuck_while_the_others_move() -> None:
    travel = motion(6000)
    travel[1000:2000, 2] = travel[1000, 2]
    found = run(travel)
    (begin, occurs), (end, returns) = changes(found, KIND, "RL")
    assert (occurs, returns) == ("occurs", "returns")
    assert 1000 + RATE + ON - RATE * 0.1 <= begin <= 1000 + RATE + ON + RATE * 0.2
    assert 2000 + OFF <= end <= 2000 + OFF + RATE * 0.2
    assert sentence(found).startswith("stuck: moved 0.00 mm while the other corners moved")
    assert len(found) == 2


def test_a_car_at_rest_has_no_stuck_sensor() -> None:
    assert run(np.zeros((5000, 4))) == []


def spiked(places: list[int], samples: int = 6000) -> Floats:
    travel = motion(samples)
    travel[places, 3] += 20.0
    return travel


def test_five_spikes_in_the_window_trip_at_once_and_four_do_not() -> None:
    places = [500, 700, 900, 1100, 1300]
    assert run(spiked(places[:4])) == []
    found = run(spiked(places))
    # A spike is known as one at the sample that is back; it stays abnormal for a window after the last.
    last = places[-1] + 1
    assert changes(found, KIND, "RR") == [(last, "occurs"), (last + round(2.0 * RATE) + OFF, "returns")]
    assert sentence(found).startswith("5 spikes within 2 s, the last of +20.0 mm in one sample")
    assert found[0].since_s == pytest.approx(501 / RATE)


@pytest.mark.parametrize(("span", "trips"), [(1000, True), (1001, False)])
def test_the_window_is_two_seconds_from_first_to_last(span: int, trips: bool) -> None:
    assert bool(run(spiked([500, 600, 700, 800, 500 + span]))) == trips


def test_another_spike_keeps_it_abnormal() -> None:
    found = run(spiked([500, 600, 700, 800, 900, 1700], samples=8000))
    assert changes(found, KIND, "RR") == [(901, "occurs"), (1701 + round(2.0 * RATE) + OFF, "returns")]


def test_a_step_trips_at_once_and_never_returns() -> None:
    travel = motion(12_000)
    travel[3000:, 1] += 9.0
    found = run(travel)
    ((sample, change),) = changes(found, KIND, "FR")
    assert change == "occurs"
    assert 3000 < sample <= 3000 + round(0.010 * RATE) + 1
    assert sentence(found).startswith("position jumped by +9")
    assert len(found) == 1


@pytest.mark.parametrize("length", [1, 50, 200])
def test_a_step_stands_though_another_fault_comes_and_goes(length: int) -> None:
    """The other fault is told when it outlasts the on-delay; when it ends, the step is no news."""
    travel = motion(3000 + 2 * OFF)
    travel[1000:, 1] += 9.0
    travel[2000 : 2000 + length, 1] = np.nan
    found = changes(run(travel), KIND, "FR")
    assert [change for _, change in found[:1]] == ["occurs"]
    assert found[1:] == ([(2000 + ON, "worsens")] if length > ON else [])


def test_another_fault_of_the_same_corner_is_announced_while_the_first_stands() -> None:
    travel = spiked([500, 700, 900, 1100, 1300])
    travel[1600:2200, 3] = 46.5
    found = run(travel)
    assert [(t.sample, t.change, t.announced) for t in found[:2]] == [
        (1301, "occurs", True),
        (1600 + ON, "worsens", True),
    ]
    assert sentence(found[1:]) == "open circuit: reads 46.5 mm"
    assert (found[1].state, found[1].since_s) == (State.UNACKNOWLEDGED, 1600 / RATE)


def test_another_fault_is_announced_on_the_latch_and_the_same_one_is_not() -> None:
    travel = motion(3 * OFF + 3000)
    for start, reading in ((700, 46.5), (1500 + OFF, 46.5), (2300 + 2 * OFF, -44.5)):
        travel[start : start + 200, 0] = reading
    told = [(t.announced, sentence([t])) for t in run(travel) if t.change == "occurs"]
    assert told == [
        (True, "open circuit: reads 46.5 mm"),
        (False, "open circuit: reads 46.5 mm"),
        (True, "short circuit: reads -44.5 mm"),
    ]


# ---------------------------------------------------------------- faults that flicker


def flickering(places: list[int], length: int, reading: float = 46.5) -> Floats:
    travel = motion(6000)
    for place in places:
        travel[place : place + length, 1] = reading
    return travel


@pytest.mark.parametrize("length", [10, 90])
def test_an_open_circuit_that_flickers_trips_at_its_fifth(length: int) -> None:
    places = [500, 700, 900, 1100, 1300]
    assert run(flickering(places[:4], length)) == []
    found = run(flickering(places, length))
    assert changes(found, KIND, "FR") == [(1300, "occurs"), (1300 + round(2.0 * RATE) + OFF, "returns")]
    assert sentence(found) == "open circuit 5 times within 2 s"
    assert found[0].evidence is not None
    assert (found[0].evidence.measured, found[0].evidence.limit) == (5.0, 5.0)
    assert (found[0].evidence.unit, found[0].evidence.since_sample) == ("faults in 2 s", 500)


def test_missing_readings_do_not_count_however_often() -> None:
    assert run(flickering(list(range(500, 2500, 60)), 20, np.nan)) == []


def test_faults_of_several_kinds_count_together() -> None:
    travel = flickering([900, 1100], 20)
    travel[[500, 700, 1300], 1] += 20.0
    found = run(travel)
    assert changes(found, KIND, "FR")[0] == (1301, "occurs")
    assert sentence(found) == "5 faults (spike, open circuit) within 2 s"


def test_a_burst_of_another_kind_is_told_and_the_mixture_on_the_way_is_not() -> None:
    travel = flickering(list(range(1100, 2100, 200)), 20)
    travel[[200, 300, 400, 500, 600], 1] += 20.0
    told = [(t.sample, sentence([t])) for t in run(travel) if t.announced]
    assert told[1:] == [(1900, "open circuit 5 times within 2 s")]
    assert told[0][1].startswith("5 spikes")


def test_a_burst_that_becomes_lasting_is_told_as_one_when_the_cause_is_the_same() -> None:
    travel = flickering([500, 700, 900, 1100, 1300], 20)
    travel[1400:2000, 1] = 46.5
    assert [t.change for t in run(travel) if t.announced] == ["occurs"]


def test_a_flicker_after_other_faults_were_told_is_no_lasting_fault() -> None:
    """It ends before its on-delay: what stood before it still stands, and no timer may run on."""
    travel = flickering([1700], 20)
    travel[[500, 600, 700, 800, 900], 1] += 20.0
    assert [t.change for t in run(travel) if t.announced] == ["occurs"]


@pytest.mark.parametrize("fault", ["open", "spikes", "step"])
@pytest.mark.parametrize("watched", [False, True])
def test_says_that_heights_are_not_watched(fault: str, watched: bool) -> None:
    travel = motion(2000)
    if fault == "open":
        travel[700:1000, 1] = 46.5
    elif fault == "step":
        travel[700:, 1] += 9.0
    else:
        travel[[500, 600, 700, 800, 900], 1] += 20.0
    found = run(travel, sheet_with({"alerts.platform_low.enabled": watched}))
    assert sentence(found).endswith("; platform heights are not watched while it lasts") == watched


# ---------------------------------------------------------------- what is missing


@pytest.mark.parametrize("gap", [ON, 10 * OFF])
def test_one_bad_sample_before_a_gap_is_no_lasting_fault(gap: int) -> None:
    bad = motion(1000)
    bad[-1, 0] = 46.5
    assert watch(SHEET, *stretches(bad, motion(1000), gap=gap)) == []


def test_a_fault_on_both_sides_of_a_gap_must_last_after_it() -> None:
    bad = motion(2000)
    bad[:1000, 0] = 46.5
    found = watch(SHEET, *stretches(np.vstack((motion(1000), bad[:1])), bad, gap=OFF))
    assert changes(found, KIND, "FL")[:1] == [(1001 + OFF + ON, "occurs")]


@pytest.mark.parametrize("fault", ["open circuit", "spikes"])
def test_time_without_samples_does_not_clear(fault: str) -> None:
    travel = motion(1500)
    if fault == "spikes":
        travel[[500, 600, 700, 800, 900], 0] += 20.0
        begin, quiet = 901, round(2.0 * RATE)
    else:
        travel[1000:1200, 0] = 46.5
        begin, quiet = 1000 + ON, 0
    after = motion(quiet + OFF + 2)
    gap = 20 * OFF
    found = watch(SHEET, *stretches(travel, after[: quiet + OFF], gap=gap))
    assert changes(found, KIND, "FL") == [(begin, "occurs")]
    found = watch(SHEET, *stretches(travel, after, gap=gap))
    assert changes(found, KIND, "FL") == [(begin, "occurs"), (1500 + gap + quiet + OFF, "returns")]


def test_missing_readings_do_not_clear() -> None:
    travel = motion(3 * OFF)
    travel[1000:1200, 0] = 46.5
    travel[1300:, 0] = np.nan
    assert changes(run(travel), KIND, "FL") == [(1000 + ON, "occurs"), (1300 + ON, "worsens")]


# ---------------------------------------------------------------- what a sensor silences


def low_stream(samples: int) -> Chunk:
    """The nose too low all the time but for the very beginning, and FL without readings for a while."""
    travel = motion(samples) * 0.2 + 25.0
    travel[:300] -= np.linspace(25.0, 0.0, 300)[:, np.newaxis]
    travel[1000:1200, 0] = 46.5
    return chunk(travel)


def test_platform_and_stops_are_silent_while_a_sensor_is_at_fault_and_not_told_twice() -> None:
    sheet = sheet_with({"alerts.platform_low.enabled": True, "alerts.bump_stop.enabled": True})
    found = watch(sheet, low_stream(1200 + OFF + 200))
    fault = (1000 + ON, 1200 + OFF)
    keys: list[tuple[str, str]] = [("platform_low", "nose"), ("bump_stop", "FL")]
    for key in keys:
        mine = [t for t in found if t.definition.key == key and t.change not in {"occurs", "worsens"}]
        assert [(t.sample, t.change) for t in mine] == [(fault[0], "suppressed"), (fault[1], "released")]
        # Platform low had been told; on the stop, one contact became much longer than told while it was silenced.
        assert [t.announced for t in mine] == [False, key == ("bump_stop", "FL")]
        assert mine[-1].evidence is not None
        assert ("after 4 s" in mine[-1].evidence.sentence) == mine[-1].announced
    assert {change for _, change in changes(found, "bump_stop", "FR")} == {"occurs", "worsens"}


def test_asymmetry_is_suppressed_by_the_sensors_of_its_axle_only() -> None:
    sheet = sheet_with({"alerts.asymmetry.enabled": True})
    definitions = {d.key: d for rule in Monitor(sheet, RATE, ()).rules for d in rule.definitions}
    for axle, corners in (("front", ("FL", "FR")), ("rear", ("RL", "RR"))):
        for direction in ("compression", "rebound"):
            causes = definitions["asymmetry", f"{axle} {direction}"].suppressed_by
            assert causes == tuple((KIND, corner) for corner in corners)


def test_disabled_it_is_silent_and_suppresses_nothing() -> None:
    sheet = sheet_with(
        {"alerts.sensor.enabled": False, "alerts.platform_low.enabled": True, "alerts.bump_stop.enabled": True}
    )
    found = watch(sheet, low_stream(4000))
    assert {t.definition.kind for t in found} == {"platform_low", "bump_stop"}
    assert not any(t.suppressed for t in found)
