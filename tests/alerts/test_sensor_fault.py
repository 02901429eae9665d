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
    travel[700 : 700 + ON + 1 + extra, 1] = reading
    found = run(travel, sheet_with(changed))
    assert changes(found, KIND, "FR") == ([] if extra < 0 else [(700 + ON, "occurs")])
    assert {t.definition.where for t in found} <= {"FR"}
    if found:
        assert sentence(found) == says
        assert (found[0].definition.priority, found[0].definition.latches) == ("high", True)


def test_latched_until_a_person_acknowledges_and_resets() -> None:
    travel = motion(700 + 200 + OFF + 100)
    travel[700:900, 0] = np.nan
    monitor = Monitor(SHEET, RATE, ())
    found = [t for step in steps(monitor, [chunk(travel)]) for t in step.transitions]
    assert changes(found, KIND, "FL") == [(700 + ON, "occurs"), (900 + OFF, "returns")]
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


def test_a_step_stands_though_another_fault_comes_and_goes() -> None:
    travel = motion(3000 + 2 * OFF)
    travel[1000:, 1] += 9.0
    travel[2000:2200, 1] = np.nan
    assert [change for _, change in changes(run(travel), KIND, "FR")] == ["occurs"]


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
    assert changes(run(travel), KIND, "FL") == [(1000 + ON, "occurs")]


# ---------------------------------------------------------------- what a sensor silences


def low_stream(samples: int) -> Chunk:
    """The nose too low all the time but for the very beginning, and FL without readings for a while."""
    travel = motion(samples) * 0.2 + 25.0
    travel[:300] -= np.linspace(25.0, 0.0, 300)[:, np.newaxis]
    travel[1000:1200, 0] = 46.5
    return chunk(travel)


def test_platform_and_stops_are_silent_while_a_sensor_is_at_fault_and_told_afterwards() -> None:
    sheet = sheet_with({"alerts.platform_low.enabled": True, "alerts.bump_stop.enabled": True})
    found = watch(sheet, low_stream(1200 + OFF + 200))
    fault = (1000 + ON, 1200 + OFF)
    for key in (("platform_low", "nose"), ("bump_stop", "FL")):
        assert changes(found, *key)[1:] == [(fault[0], "suppressed"), (fault[1], "released")]
    assert [change for _, change in changes(found, "bump_stop", "FR")] == ["occurs"]


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
