"""Drift in the whole chain where something else is amiss: no data, another pace, rate or road, restarts, resets."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import pytest

from alerts.drift_reference import DriftReference
from alerts.lifecycle import State
from ingest.errors import ResultsError
from tests.alerts.drift_stream import drift_alarms, monitor_for, play, stream, weak


def test_a_weak_damper_is_named_and_nothing_else() -> None:
    monitor = monitor_for()
    told = play(stream(14, weak(11, "RR")), monitor)
    assert [(one.definition.where, one.lap) for one in told] == [("RR", "11")]
    assert monitor.drift.verdicts[0].damper


def test_before_there_is_a_reference_it_is_learning() -> None:
    monitor = monitor_for()
    play(stream(3), monitor)
    assert all(one.condition is None and one.learning for one in drift_alarms(monitor).values())


def test_where_nothing_is_compared_nothing_is_normal() -> None:
    one = stream(14)
    one.travel_mm[one.lap >= 11, 0] = np.nan
    monitor = monitor_for()
    play(one, monitor)
    assert all(alarm.condition is None for alarm in drift_alarms(monitor).values())
    assert "nothing compared for" in monitor.drift.statement()
    assert "a sensor" in monitor.drift.statement()


def test_slow_laps_are_not_compared_and_that_is_said() -> None:
    monitor = monitor_for()
    fast, slow = stream(12), stream(2, pace=0.88)
    slow.lap += 12
    both = copy.copy(fast)
    for name in ("travel_mm", "lap", "distance_m", "speed_m_s"):
        setattr(both, name, np.concatenate([getattr(fast, name), getattr(slow, name)]))
    play(both, monitor)
    assert all(alarm.condition is None for alarm in drift_alarms(monitor).values())
    assert monitor.drift.statement().endswith("another pace")


def test_a_reference_that_never_comes_says_why() -> None:
    one = stream(6)
    one.travel_mm[:, 2] = np.nan
    monitor = monitor_for()
    play(one, monitor)
    assert monitor.drift.reference.laps == 0
    assert "no reference after" in monitor.drift.statement()


@pytest.mark.parametrize("rate_hz", [333.0, 400.0, 1000.0])
def test_a_reference_of_another_sample_rate_serves(rate_hz: float) -> None:
    reference = monitor_for()
    play(stream(13), reference)
    monitor = monitor_for(rate_hz, reference.drift.reference)
    told = play(stream(8, weak(4, "FL"), rate_hz), monitor)
    assert [one.definition.where for one in told] == ["FL"]


@pytest.mark.parametrize(("road", "warm_up_laps"), [(11, 2), (12, 2), (13, 2), (11, 0)])
def test_a_reference_of_another_road_is_given_up(road: int, warm_up_laps: int) -> None:
    reference = monitor_for()
    play(stream(13, road=road), reference)
    monitor = monitor_for(reference=reference.drift.reference, warm_up_laps=warm_up_laps)
    told = play(stream(6), monitor)
    assert told == []
    assert "of another road" in monitor.drift.statement()
    assert monitor.drift.reference.laps > 0  # this stint's own


def test_a_standing_fault_is_not_ended_by_a_restart() -> None:
    one = stream(18, weak(11, "RR"))
    cut = int(np.flatnonzero(one.lap >= 13)[0]) + 7000
    first = monitor_for()
    assert play(one, first, stop=cut)
    first.act(("drift", "RR"), "acknowledge", "Ada")
    second = monitor_for()
    second.restore(first.engine.remember())
    assert play(one, second, start=cut) == []
    assert drift_alarms(second)["RR"].state is State.ACKNOWLEDGED
    assert second.drift.reference.laps == 0
    assert "before a person resets it" in second.drift.statement()


def test_a_new_reference_waits_for_every_drift_alarm() -> None:
    def gain(lap: int) -> tuple[float, float, float, float]:
        return (1.35 if lap >= 13 else 1.0, 1.0, 1.0, 1.35 if lap >= 11 else 1.0)

    monitor = monitor_for()
    play(stream(16, gain), monitor)
    assert {one for one, alarm in drift_alarms(monitor).items() if alarm.condition} == {"FL", "RR"}
    monitor.act(("drift", "RR"), "acknowledge", "Ada")
    with pytest.raises(ValueError, match="drift FL is not acknowledged"):
        monitor.act(("drift", "RR"), "reset", "Ada")
    assert drift_alarms(monitor)["FL"].state is State.UNACKNOWLEDGED
    monitor.act(("drift", "FL"), "acknowledge", "Ada")
    monitor.act(("drift", "RR"), "reset", "Ada")
    assert drift_alarms(monitor)["RR"].state is State.NORMAL
    assert drift_alarms(monitor)["FL"].state is State.LATCHED_ACKNOWLEDGED
    assert all(alarm.condition is None and alarm.learning for alarm in drift_alarms(monitor).values())


def damaged(plain: dict[str, Any], **changes: Any) -> dict[str, Any]:
    changed = copy.deepcopy(plain)
    for key, value in changes.items():
        if key in changed:
            changed[key] = value
        else:
            changed["places"][0][key] = value
    return changed


def test_hostile_references_are_refused() -> None:
    monitor = monitor_for()
    play(stream(9), monitor)
    plain = monitor.drift.reference.to_plain()
    assert DriftReference.from_plain(copy.deepcopy(plain)).to_plain() == plain
    hostile: tuple[dict[str, Any], ...] = (
        {"laps": 10**30},
        {"laps": True},
        {"laps": "8"},
        {"laps": 1.5},
        {"lap_degrees": 10**400},
        {"lap_squares": [1e308, 0.0, 0.0]},
        {"pooled_squares": [float("nan"), 0.0, 0.0]},
        {"prior_scale": 1e-300},
        {"number": 401},
        {"number": -1},
        {"seconds": 0.0},
        {"seconds": 1e308},
        {"log_speed": [[-1000.0] * 4] * 3},
        {"log_speed": [[1.0] * 4] * 2},
        {"travel_mm": [1e9] * 4},
        {"squares": [-1.0, 0.0, 0.0]},
        {"places": plain["places"] + plain["places"][:1]},
        {"places": []},
    )
    for changes in hostile:
        with pytest.raises(ResultsError, match="damaged"):
            DriftReference.from_plain(damaged(plain, **changes))
