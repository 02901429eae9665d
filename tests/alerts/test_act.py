"""What people do to alarms: every action, its limits, what silence hides, and what is said when it ends."""

from __future__ import annotations

from typing import Any

import pytest

from alerts.alert import Transition
from alerts.lifecycle import State
from alerts.monitor import ACTIONS, LONGEST_SHELF_S, Monitor
from tests.monitored import RATE, chunk, easy_sheet, flat

ALARM = ("platform_low", "nose")


def standing(monitor: Monitor) -> Any:
    return next(alarm for alarm in monitor.standings if alarm.definition.key == ALARM)


def low(monitor: Monitor, start: int, samples: int = 1000, *, is_low: bool = True) -> list[Transition]:
    """A thousand samples below the nose's limit, or far above it."""
    return monitor.process(chunk(flat(samples, 35.0 if is_low else 0.0), start)).transitions


def tripped() -> Monitor:
    monitor = Monitor(easy_sheet({"alerts.bump_stop.enabled": False}), RATE, ())
    monitor.process(chunk(flat(1000)))
    assert [t.change for t in low(monitor, 1000)] == ["occurs"]
    return monitor


def test_acknowledging_says_who_and_leaves_the_condition() -> None:
    monitor = tripped()
    (told,) = monitor.act(ALARM, "acknowledge", "Kim").transitions
    assert (told.change, told.who, told.state, told.announced) == ("acknowledge", "Kim", State.ACKNOWLEDGED, False)
    assert (standing(monitor).who, standing(monitor).condition) == ("Kim", True)
    assert monitor.act(ALARM, "acknowledge", "Ada").transitions == []  # it was acknowledged
    assert standing(monitor).who == "Kim"


@pytest.mark.parametrize("silence", ["shelve", "out_of_service"])
def test_a_silenced_alarm_says_nothing_until_the_silence_ends(silence: str) -> None:
    monitor = Monitor(easy_sheet({"alerts.bump_stop.enabled": False}), RATE, ())
    monitor.process(chunk(flat(1000)))
    monitor.act(ALARM, silence, "Kim", shelve_s=600.0)
    (came,) = low(monitor, 1000)
    assert (came.change, came.announced) == ("occurs", False)
    assert standing(monitor).state is State.UNACKNOWLEDGED  # followed all the same
    if silence == "out_of_service":
        (back,) = monitor.act(ALARM, "return_to_service", "Kim").transitions
        assert (back.change, back.announced) == ("return_to_service", True)
    else:
        # Who takes it off the shelf by hand has seen it.
        (back,) = monitor.act(ALARM, "unshelve", "Kim").transitions
        assert (back.state, back.announced) == (State.ACKNOWLEDGED, False)


def test_a_shelf_ends_by_itself_at_its_sample_and_an_abnormal_alarm_is_told_again() -> None:
    monitor = tripped()
    sample = monitor.engine.newest_sample
    monitor.act(ALARM, "shelve", "Kim", shelve_s=3.0)
    assert standing(monitor).shelved_until_sample == sample + 1500
    later = [t for start in range(2000, 5000, 500) for t in low(monitor, start, 500)]
    (ended,) = later
    assert (ended.change, ended.sample, ended.announced) == ("shelf_ends", sample + 1500, True)
    assert (ended.state, ended.shelved) == (State.UNACKNOWLEDGED, False)
    assert standing(monitor).shelved_until_sample is None


def test_a_return_that_a_silence_hid_is_passed_on() -> None:
    monitor = tripped()
    monitor.act(ALARM, "out_of_service", "Kim")
    (gone,) = low(monitor, 2000, is_low=False)
    assert (gone.change, gone.announced, gone.out_of_service) == ("returns", False, True)
    (back,) = monitor.act(ALARM, "return_to_service", "Kim").transitions
    assert (back.state, back.announced, back.out_of_service) == (State.RETURNED, False, False)


def test_a_latched_alarm_leaves_by_acknowledgement_and_reset_only() -> None:
    monitor = Monitor(easy_sheet(), RATE, ())
    travel = flat(3000)
    travel[1000:1500, 0] = float("nan")
    monitor.process(chunk(travel))
    monitor.process(chunk(flat(4000), 3000))
    key = ("sensor", "FL")
    assert [a.state for a in monitor.standings if a.definition.key == key] == [State.LATCHED_UNACKNOWLEDGED]
    assert monitor.act(key, "reset", "Kim").transitions == []  # nobody has seen it yet
    (seen,) = monitor.act(key, "acknowledge", "Kim").transitions
    assert seen.state is State.LATCHED_ACKNOWLEDGED
    (gone,) = monitor.act(key, "reset", "Kim").transitions
    assert (gone.state, gone.change) == (State.NORMAL, "reset")


@pytest.mark.parametrize(
    ("key", "action", "who", "shelve_s", "words"),
    [
        (("platform_low", "tail\x1b[2J"), "acknowledge", "Kim", None, "there is no alarm"),
        (ALARM, "explode", "Kim", None, "is no action; there are acknowledge"),
        (ALARM, "acknowledge", " \n", None, "needs a name"),
        (ALARM, "shelve", "Kim", None, "a shelf needs an end"),
        (ALARM, "shelve", "Kim", 0.0, "a shelf needs an end"),
        (ALARM, "shelve", "Kim", LONGEST_SHELF_S * 1.1, "a shelf needs an end"),
        (ALARM, "shelve", "Kim", float("nan"), "a shelf needs an end"),
    ],
)
def test_nonsense_is_refused_in_one_clean_sentence(
    key: tuple[str, str], action: str, who: str, shelve_s: float | None, words: str
) -> None:
    monitor = tripped()
    with pytest.raises(ValueError, match=words) as refused:
        monitor.act(key, action, who, shelve_s=shelve_s)
    assert "\x1b" not in str(refused.value)
    assert "\n" not in str(refused.value)
    assert standing(monitor).state is State.UNACKNOWLEDGED


def test_a_name_is_cleaned_and_cut() -> None:
    monitor = tripped()
    (told,) = monitor.act(ALARM, "acknowledge", "Kim\x1b[31m" + "x" * 100).transitions
    assert "\x1b" not in told.who
    assert len(told.who) <= 40


@pytest.mark.parametrize("action", ACTIONS)
def test_acting_on_an_alarm_at_rest_changes_nothing_but_its_silence(action: str) -> None:
    monitor = Monitor(easy_sheet(), RATE, ())
    monitor.process(chunk(flat(1000)))
    monitor.act(ALARM, action, "Kim", shelve_s=5.0)
    assert standing(monitor).state is State.NORMAL
    assert standing(monitor).life.shelved == (action == "shelve")
    assert standing(monitor).life.out_of_service == (action == "out_of_service")


def test_a_run_that_goes_on_after_a_restart_clears_what_is_over() -> None:
    """A rule that speaks only of changes is told what stood, or its alarm would stand for ever."""
    before = Monitor(easy_sheet(), RATE, ())
    travel = flat(3000)
    travel[1000:, 0] = float("nan")
    before.process(chunk(travel))
    key = ("sensor", "FL")
    assert [a.state for a in before.standings if a.definition.key == key] == [State.UNACKNOWLEDGED]
    after = Monitor(easy_sheet(), RATE, ())
    after.restore(before.engine.remember())
    gone = [t for start in range(0, 6000, 500) for t in after.process(chunk(flat(500), start)).transitions]
    assert [(t.definition.key, t.change) for t in gone] == [(key, "returns")]
