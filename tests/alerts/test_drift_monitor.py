"""The drift alarm in the whole chain: announced on a shipped log, kept until a person asks for a new reference."""

from __future__ import annotations

from pathlib import Path

import pytest

from alerts.lifecycle import State
from alerts.monitor import Monitor, Step
from ingest.log import open_log
from ingest.sheet import load_sheet

FOLDER = Path(__file__).parents[2] / "replay_logs"
KEY = ("drift", "RR")


@pytest.fixture(scope="module")
def played() -> tuple[Monitor, list[Step]]:
    return _play()


def _play() -> tuple[Monitor, list[Step]]:
    sheet = load_sheet(FOLDER / "car.toml")
    with open_log(FOLDER / "damper_fades.parquet", sheet) as log:
        monitor = Monitor(sheet, log.rate_hz, log.roles)
        return monitor, [monitor.process(chunk) for chunk in log]


def state_of(monitor: Monitor, key: tuple[str, str] = KEY) -> State:
    return next(one.state for one in monitor.standings if one.definition.key == key)


def test_the_fading_damper_is_announced_with_its_evidence(played: tuple[Monitor, list[Step]]) -> None:
    (told,) = [one for step in played[1] for one in step.transitions if one.definition.kind == "drift"]
    assert told.definition.key == KEY
    assert told.evidence is not None
    assert told.evidence.sentence.startswith("damper RR has lost force")
    assert told.evidence.measured > told.evidence.limit
    assert "damper RR" in told.evidence.check_first
    assert told.definition.caution


def test_only_a_person_who_has_acknowledged_it_gets_a_new_reference() -> None:
    monitor, _ = _play()
    assert monitor.drift.reference.laps > 0
    assert not monitor.act(KEY, "reset", "Ada").transitions
    assert state_of(monitor) is State.UNACKNOWLEDGED
    monitor.act(KEY, "acknowledge", "Ada")
    assert state_of(monitor) is State.ACKNOWLEDGED
    step = monitor.act(KEY, "reset", "Ada")
    assert step.transitions[-1].who == "Ada"
    assert state_of(monitor) is State.NORMAL
    assert monitor.drift.reference.laps == 0
    assert monitor.drift.statement().startswith("learning")
    assert [one.where for one in monitor.drift.verdicts] == ["RR"]  # the results still tell it
    learning = [one for one in monitor.standings if one.definition.kind == "drift"]
    assert all(one.learning and one.condition is None for one in learning)


def test_the_reset_of_another_alarm_leaves_the_reference_alone() -> None:
    monitor, _ = _play()
    laps = monitor.drift.reference.laps
    monitor.act(("sensor", "FL"), "acknowledge", "Ada")
    monitor.act(("sensor", "FL"), "reset", "Ada")
    assert monitor.drift.reference.laps == laps
    assert state_of(monitor) is State.UNACKNOWLEDGED
