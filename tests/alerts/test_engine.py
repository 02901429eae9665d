"""Delays, unknowns, order, suppression and announcements of the engine, on observations made by hand."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.alert import Definition, Evidence, Observation, Transition
from alerts.engine import Engine
from alerts.lifecycle import Input, State, abnormal

RATE = 100.0


WORSE_BY = 3.0


def evidence(since: int = 0, cause: str = "", severity: float = 0.0) -> Evidence:
    return Evidence(1.0, 2.0, "mm", since, "said", "look", cause, severity, WORSE_BY)


def see(
    sample: int,
    condition: bool | None,
    where: str = "a",
    *,
    immediate: bool = False,
    cause: str = "",
    severity: float = 0.0,
) -> Observation:
    why = evidence(sample, cause, severity) if condition else None
    return Observation(sample, "k", where, condition, why, immediate)


def engine(*definitions: Definition) -> Engine:
    return Engine(definitions, RATE, lambda sample: f"lap{sample // 1000}")


def one(on_s: float = 0.0, off_s: float = 0.0, *, latches: bool = False) -> Engine:
    return engine(Definition("k", "a", "medium", on_s, off_s, latches=latches))


def brief(transitions: Iterable[Transition]) -> list[tuple[int, str, str]]:
    return [(t.sample, t.definition.where, t.change) for t in transitions]


def changes(transitions: Iterable[Transition]) -> list[tuple[int, str]]:
    return [(t.sample, t.change) for t in transitions]


# ---------------------------------------------------------------- delays


def test_without_delays_both_ways_are_at_once() -> None:
    assert changes(one().advance([see(5, True), see(9, False)], 20)) == [(5, "occurs"), (9, "returns")]


def test_on_delay_counts_from_the_first_abnormal_sample() -> None:
    tested = one(on_s=0.1)
    assert tested.advance([see(5, True), see(8, True)], 15) == []
    assert changes(tested.advance([], 16)) == [(15, "occurs")]


@pytest.mark.parametrize(("end", "expected"), [(14, []), (15, []), (16, [(15, "occurs"), (16, "returns")])])
def test_a_condition_must_hold_through_its_on_delay(end: int, expected: list[tuple[int, str]]) -> None:
    assert changes(one(on_s=0.1).advance([see(5, True), see(end, False)], 40)) == expected


@pytest.mark.parametrize(("again", "expected"), [(24, []), (25, []), (26, [(25, "returns"), (26, "occurs")])])
def test_normal_must_hold_through_the_off_delay(again: int, expected: list[tuple[int, str]]) -> None:
    tested = one(off_s=0.2)
    tested.advance([see(0, True)], 1)
    assert changes(tested.advance([see(5, False), see(6, False), see(again, True)], 27)) == expected


def test_immediate_skips_a_delay_that_is_running() -> None:
    assert changes(one(on_s=0.1).advance([see(5, True), see(7, True, immediate=True)], 40)) == [(7, "occurs")]


def test_interruption_restarts_the_on_delay() -> None:
    seen = [see(0, True), see(6, False), see(8, True)]
    assert changes(one(on_s=0.1).advance(seen, 40)) == [(18, "occurs")]


# ---------------------------------------------------------------- unknown


@pytest.mark.parametrize("unknown_at", [6, 15])
def test_unknown_cancels_a_trip_that_is_pending(unknown_at: int) -> None:
    tested = one(on_s=0.1)
    assert tested.advance([see(5, True), see(unknown_at, None)], 100) == []
    assert tested.standings[0].condition is None
    assert changes(tested.advance([see(100, True)], 200)) == [(110, "occurs")]


def test_unknown_cancels_a_return_that_is_pending_and_does_not_clear() -> None:
    tested = one(off_s=0.1)
    tested.advance([see(0, True)], 1)
    assert tested.advance([see(5, False), see(9, None)], 1000) == []
    assert tested.standings[0].state is State.UNACKNOWLEDGED
    assert changes(tested.advance([see(1000, False)], 2000)) == [(1010, "returns")]


def test_unknown_alone_changes_nothing() -> None:
    tested = one()
    assert tested.advance([see(0, None)], 10) == []
    tested.advance([see(10, True)], 11)
    assert tested.advance([see(11, None)], 1000) == []
    assert tested.standings[0].state is State.UNACKNOWLEDGED


# ---------------------------------------------------------------- order and numbers


def test_order_is_by_sample_then_by_definition_whatever_order_they_come_in() -> None:
    definitions = [Definition("k", where, "low") for where in "abc"]
    seen = [see(9, True, "a"), see(5, True, "c"), see(5, True, "b"), see(5, True, "a")]
    tested = engine(*definitions)
    transitions = tested.advance([*seen[1:], see(9, False, "a")], 20)
    assert brief(transitions) == [(5, "a", "occurs"), (5, "b", "occurs"), (5, "c", "occurs"), (9, "a", "returns")]
    assert [t.sequence for t in transitions] == [1, 2, 3, 4]


def test_timers_fire_between_observations() -> None:
    tested = engine(Definition("k", "a", "low"), Definition("k", "b", "low", on_delay_s=0.1))
    transitions = tested.advance([see(0, True, "b"), see(11, True, "a")], 20)
    assert brief(transitions) == [(10, "b", "occurs"), (11, "a", "occurs")]


def test_at_one_sample_observations_come_before_timers() -> None:
    tested = engine(Definition("k", "a", "low", on_delay_s=0.1), Definition("k", "b", "low"))
    transitions = tested.advance([see(0, True, "a"), see(10, True, "b")], 20)
    assert brief(transitions) == [(10, "b", "occurs"), (10, "a", "occurs")]


def test_a_transition_says_when_which_lap_and_since_when() -> None:
    tested = Engine([Definition("k", "a", "low", on_delay_s=0.1)], RATE, lambda _: "7", first_sample=500)
    (only,) = tested.advance([see(600, True)], 700)
    assert (only.sample, only.time_s, only.since_s, only.lap, only.occurrences) == (610, 1.1, 1.0, "7", 1)
    assert tested.standings[0].since_sample == 600


# ---------------------------------------------------------------- announcements


def test_coming_again_before_anyone_acknowledged_is_the_same_news() -> None:
    transitions = one().advance([see(0, True), see(1, False), see(2, True)], 10)
    assert [(t.change, t.announced, t.occurrences) for t in transitions] == [
        ("occurs", True, 1),
        ("returns", False, 1),
        ("occurs", False, 2),
    ]


def test_coming_again_on_the_latch_before_anyone_acknowledged_is_the_same_news() -> None:
    transitions = one(latches=True).advance([see(0, True), see(1, False), see(2, True)], 10)
    assert [t.announced for t in transitions] == [True, False, False]


@pytest.mark.parametrize("latches", [False, True])
def test_coming_again_after_an_acknowledgement_is_news(latches: bool) -> None:
    tested = one(latches=latches)
    tested.advance([see(0, True), see(1, False)], 2)
    tested.tell(("k", "a"), Input.ACKNOWLEDGE, 2)
    (again,) = tested.advance([see(3, True)], 4)
    assert again.announced


def test_an_acknowledgement_is_not_announced_and_keeps_the_condition() -> None:
    tested = one()
    tested.advance([see(0, True)], 1)
    (told,) = tested.tell(("k", "a"), Input.ACKNOWLEDGE, 5)
    assert (told.sample, told.change, told.state, told.announced) == (5, "acknowledge", State.ACKNOWLEDGED, False)
    assert tested.tell(("k", "a"), Input.ACKNOWLEDGE, 6) == []
    assert changes(tested.advance([see(7, False)], 8)) == [(7, "returns")]
    assert tested.standings[0].state is State.NORMAL


# ---------------------------------------------------------------- worse, or something else

OTHER: dict[str, Any] = {"cause": "other"}
CLEARLY: dict[str, Any] = {"severity": 3.0}


def told(transitions: Iterable[Transition]) -> list[tuple[int, str, bool]]:
    return [(t.sample, t.change, t.announced) for t in transitions]


@pytest.mark.parametrize(
    ("change", "is_news"), [({}, False), ({"severity": 2.9}, False), (CLEARLY, True), (OTHER, True)]
)
@pytest.mark.parametrize("acknowledged", [False, True])
def test_what_is_news_is_told_while_it_stands(change: dict[str, Any], is_news: bool, acknowledged: bool) -> None:
    tested = one()
    tested.advance([see(0, True)], 1)
    if acknowledged:
        tested.tell(("k", "a"), Input.ACKNOWLEDGE, 2)
    found = tested.advance([see(5, True, **change), see(8, True, **change)], 9)
    assert told(found) == ([(5, "worsens", True)] if is_news else [])
    standing = tested.standings[0]
    assert standing.state is (State.ACKNOWLEDGED if acknowledged and not is_news else State.UNACKNOWLEDGED)
    assert standing.occurrences == 1
    assert standing.evidence is not None
    assert standing.since_sample == standing.evidence.since_sample == (5 if is_news else 0)


@pytest.mark.parametrize("change", [CLEARLY, OTHER])
@pytest.mark.parametrize(("until", "expected"), [(15, []), (16, [(15, "worsens", True)])])
def test_news_waits_the_on_delay_unless_immediate(
    change: dict[str, Any], until: int, expected: list[tuple[int, str, bool]]
) -> None:
    tested = one(on_s=0.1)
    tested.advance([see(-20, True)], 0)
    assert told(tested.advance([see(5, True, **change), see(9, True, **change)], until)) == expected
    tested = one(on_s=0.1)
    tested.advance([see(-20, True)], 0)
    assert told(tested.advance([see(5, True, immediate=True, **change)], until)) == [(5, "worsens", True)]


@pytest.mark.parametrize("ends", [see(15, True), see(15, False), see(15, None)], ids=["as before", "normal", "unknown"])
def test_news_must_hold_through_its_delay(ends: Observation) -> None:
    tested = one(on_s=0.1, off_s=0.5)
    tested.advance([see(-20, True)], 0)
    assert tested.advance([see(5, True, **OTHER), ends], 40) == []


def test_a_third_cause_waits_for_itself() -> None:
    tested = one(on_s=0.1)
    tested.advance([see(-20, True)], 0)
    found = tested.advance([see(5, True, **OTHER), see(9, True, cause="third")], 40)
    assert told(found) == [(19, "worsens", True)]
    assert found[0].evidence == evidence(9, "third")


def test_a_cause_that_was_told_is_the_same_news_until_the_alarm_is_at_rest() -> None:
    seen = [see(0, True), see(1, True, **OTHER), see(2, True), see(3, True, **OTHER), see(4, False), see(5, True)]
    tested = one()
    found = tested.advance(seen, 6)
    assert [t.sample for t in found if t.announced] == [0, 1]
    tested.tell(("k", "a"), Input.ACKNOWLEDGE, 6)
    assert [t.sample for t in tested.advance([see(7, False), see(8, True, **OTHER)], 9) if t.announced] == [8]


@pytest.mark.parametrize("latches", [False, True])
@pytest.mark.parametrize(
    ("change", "is_news"), [({}, False), ({"severity": 2.9}, False), (CLEARLY, True), (OTHER, True)]
)
def test_coming_again_unacknowledged_is_news_when_it_is_worse_or_another(
    change: dict[str, Any], is_news: bool, latches: bool
) -> None:
    found = one(latches=latches).advance([see(0, True), see(1, False), see(2, True, **change)], 10)
    assert told(found)[2] == (2, "occurs", is_news)


def test_coming_again_less_badly_shows_the_worst_but_says_what_it_is() -> None:
    tested = one()
    found = tested.advance([see(0, True, severity=5.0), see(1, False), see(2, True, severity=4.0)], 10)
    assert found[-1].evidence == evidence(2, severity=4.0)
    assert tested.standings[0].evidence == evidence(0, severity=5.0)
    assert tested.standings[0].since_sample == 0
    found = tested.advance([see(11, False), see(12, True, severity=6.0)], 20)
    assert not found[-1].announced
    assert tested.standings[0].evidence == evidence(12, severity=6.0)
    tested.tell(("k", "a"), Input.ACKNOWLEDGE, 20)
    tested.advance([see(21, False), see(22, True, severity=1.0)], 30)
    assert tested.standings[0].evidence == evidence(22, severity=1.0)


def test_what_crept_up_is_held_against_what_was_told() -> None:
    seen = [see(n, n % 2 == 0, severity=0.5 * n) for n in range(13)]
    assert [t.sample for t in one().advance(seen, 20) if t.announced] == [0, 6, 12]


def test_a_new_life_shows_nothing_of_the_last_even_while_suppressed() -> None:
    tested = caused("x")
    tested.advance([see(1, True, severity=5.0)], 2)
    tested.tell(("k", "a"), Input.ACKNOWLEDGE, 2)
    tested.advance([see(3, False), see(4, True, "x"), see(5, True, severity=1.0)], 9)
    assert tested.standings[1].evidence == evidence(5, severity=1.0)


def test_what_was_acknowledged_unannounced_is_known() -> None:
    tested = caused("x")
    tested.advance([see(1, True, "x"), see(2, True)], 3)
    tested.tell(("k", "a"), Input.ACKNOWLEDGE, 3)
    found = tested.advance([see(4, True, **OTHER), see(5, False, "x"), see(6, True)], 9)
    assert [(t.sample, t.change) for t in found if t.announced] == [(5, "released")]


def test_suppressed_it_worsens_without_a_word_and_once() -> None:
    seen = [see(1, True, "x"), see(2, True), see(3, True, **OTHER), see(4, True, **OTHER)]
    found = [t for t in caused("x").advance(seen, 20) if t.definition.where == "a"]
    assert told(found) == [(2, "occurs", False), (3, "worsens", False)]


# ---------------------------------------------------------------- suppression


def caused(*causes: str, latches: bool = False) -> Engine:
    definitions = [Definition("k", cause, "high", latches=latches) for cause in causes]
    return engine(*definitions, Definition("k", "a", "low", suppressed_by=tuple(("k", cause) for cause in causes)))


def test_suppressed_while_the_cause_is_abnormal_and_released_afterwards() -> None:
    tested = caused("x")
    transitions = tested.advance([see(1, True, "x"), see(2, True), see(9, False, "x")], 20)
    assert [(t.definition.where, t.change, t.suppressed, t.announced) for t in transitions] == [
        ("x", "occurs", False, True),
        ("a", "occurs", True, False),
        ("x", "returns", False, False),
        ("a", "released", False, True),
    ]


@pytest.mark.parametrize(
    ("change", "told_again"),
    [({}, False), ({"severity": 2.9}, False), ({"severity": 3.0}, True), ({"cause": "other"}, True)],
)
@pytest.mark.parametrize("returns", [False, True])
def test_released_it_is_told_again_only_when_it_became_worse_meanwhile(
    change: dict[str, Any], told_again: bool, returns: bool
) -> None:
    seen = [see(1, True), see(2, True, "x"), see(4, True, **change), see(9, False, "x")]
    if returns:
        seen.append(see(3, False))
    found = [t for t in caused("x").advance(seen, 20) if t.definition.where == "a"]
    assert [t.announced for t in found if t.sample in {1, 9}] == [True, told_again]
    assert not any(t.announced for t in found if 1 < t.sample < 9)


def test_released_twice_it_is_told_once() -> None:
    seen = [see(1, True, "x"), see(2, True), see(3, False, "x"), see(4, True, "x"), see(5, False, "x")]
    found = [t for t in caused("x").advance(seen, 20) if t.change == "released"]
    assert [t.announced for t in found] == [True, False]


def test_an_alarm_that_stands_already_is_suppressed_aloud() -> None:
    transitions = caused("x").advance([see(1, True), see(2, True, "x")], 20)
    assert brief(transitions) == [(1, "a", "occurs"), (2, "x", "occurs"), (2, "a", "suppressed")]
    assert not transitions[-1].announced


def test_one_of_two_causes_is_enough() -> None:
    seen = [see(1, True, "x"), see(2, True, "y"), see(3, True), see(4, False, "x"), see(5, False, "y")]
    transitions = caused("x", "y").advance(seen, 20)
    assert [t.sample for t in transitions if t.change == "released"] == [5]


def test_a_cause_and_its_effect_at_one_sample_are_one_alarm() -> None:
    transitions = caused("x").advance([see(5, True), see(5, True, "x")], 20)
    assert [(t.definition.where, t.announced) for t in transitions] == [("x", True), ("a", False)]


def test_a_cause_that_is_only_latched_does_not_suppress() -> None:
    tested = caused("x", latches=True)
    tested.advance([see(1, True, "x"), see(2, False, "x")], 3)
    (only,) = tested.advance([see(4, True)], 10)
    assert (only.suppressed, only.announced) == (False, True)


def test_acknowledging_the_cause_does_not_release() -> None:
    tested = caused("x")
    tested.advance([see(1, True, "x"), see(2, True)], 3)
    tested.tell(("k", "x"), Input.ACKNOWLEDGE, 4)
    assert tested.standings[1].suppressed


def test_released_after_it_returned_is_not_announced() -> None:
    transitions = caused("x").advance([see(1, True, "x"), see(2, True), see(3, False), see(4, False, "x")], 9)
    assert [(t.change, t.announced) for t in transitions if t.definition.where == "a"] == [
        ("occurs", False),
        ("returns", False),
        ("released", False),
    ]


def test_news_that_was_suppressed_is_told_when_it_comes_again() -> None:
    seen = [see(1, True, "x"), see(2, True), see(3, False), see(4, False, "x"), see(5, True)]
    assert [t.announced for t in caused("x").advance(seen, 9)][-1]


def test_acknowledged_alarm_is_released_without_a_word() -> None:
    tested = caused("x")
    tested.advance([see(1, True), see(2, True, "x")], 3)
    tested.tell(("k", "a"), Input.ACKNOWLEDGE, 3)
    assert [t.announced for t in tested.advance([see(5, False, "x")], 9)] == [False, False]


def test_a_cause_that_is_not_watched_suppresses_nothing() -> None:
    tested = engine(Definition("k", "a", "low", suppressed_by=(("sensor", "FL"),)))
    assert [t.announced for t in tested.advance([see(1, True)], 9)] == [True]


# ---------------------------------------------------------------- any split


DELAYS = st.sampled_from([0.0, 0.01, 0.02, 0.03, 0.07])


@st.composite
def definitions_drawn(draw: st.DrawFn) -> list[Definition]:
    names = "abcd"[: draw(st.integers(1, 4))]
    return [
        Definition(
            "k",
            name,
            "medium",
            draw(DELAYS),
            draw(DELAYS),
            latches=draw(st.booleans()),
            suppressed_by=tuple(("k", cause) for cause in names[:place] if draw(st.booleans())),
        )
        for place, name in enumerate(names)
    ]


@settings(max_examples=150, deadline=None)
@given(definitions_drawn(), st.data())
def test_any_split_gives_the_same_transitions(definitions: list[Definition], data: st.DataObject) -> None:
    length = 60
    names = st.sampled_from([definition.where for definition in definitions])
    raw = data.draw(
        st.lists(
            st.tuples(
                st.integers(0, length - 1),
                names,
                st.sampled_from([True, False, None]),
                st.booleans(),
                st.sampled_from(["", "other", "third"]),
                st.integers(0, 9),
            ),
            max_size=40,
        )
    )
    seen = [
        see(sample, condition, where, immediate=quick, cause=cause, severity=float(severity))
        for sample, where, condition, quick, cause, severity in raw
    ]
    whole = engine(*definitions).advance(seen, length)
    cut = engine(*definitions)
    ends = sorted(data.draw(st.lists(st.integers(0, length), max_size=12)))
    pieces: list[Transition] = []
    begin = 0
    for end in [*ends, length]:
        pieces += cut.advance([s for s in seen if begin <= s.sample < end], end)
        begin = end
    assert pieces == whole
    single = engine(*definitions)
    steps = [t for n in range(length) for t in single.advance([s for s in seen if s.sample == n], n + 1)]
    assert steps == whole
    check_run(whole)


def check_run(transitions: list[Transition]) -> None:
    """What holds of every run: numbers rise by one, samples never fall, conditions alternate."""
    assert [t.sequence for t in transitions] == list(range(1, len(transitions) + 1))
    assert all(a.sample <= b.sample for a, b in itertools.pairwise(transitions))
    standing: dict[str, bool] = {}
    for transition in transitions:
        where = transition.definition.where
        if transition.change == "occurs":
            assert not standing.get(where, False)
            standing[where] = True
        elif transition.change == "returns":
            assert standing[where]
            standing[where] = False
        elif transition.change == "worsens":
            assert standing[where]
            assert transition.state is State.UNACKNOWLEDGED
            assert transition.announced or transition.suppressed
        assert abnormal(transition.state) == standing.get(where, False)
        assert not (transition.announced and transition.suppressed)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.sampled_from([True, False, None]), min_size=1, max_size=80), DELAYS, DELAYS)
def test_agrees_with_a_model_that_looks_at_every_sample(seen: list[bool | None], on_s: float, off_s: float) -> None:
    """An independent answer: the alarm trips (clears) once the last delay + 1 samples were all abnormal (normal)."""
    tested = one(on_s, off_s)
    found = tested.advance([see(n, condition) for n, condition in enumerate(seen)], len(seen))
    expected: list[tuple[int, str]] = []
    is_abnormal, run = False, 0
    for sample, condition in enumerate(seen):
        run = run + 1 if condition is (not is_abnormal) else 0
        if run == round((off_s if is_abnormal else on_s) * RATE) + 1:
            is_abnormal, run = not is_abnormal, 0
            expected.append((sample, "occurs" if is_abnormal else "returns"))
    assert changes(found) == expected


# ---------------------------------------------------------------- persons, shelves, restarts

KEY = ("k", "a")


def test_a_shelf_is_silent_until_its_end_and_then_says_what_stands() -> None:
    tested = one()
    tested.advance([see(0, True)], 1)
    (shelved,) = tested.tell(KEY, Input.SHELVE, 1, "Ada", 0.1)
    assert (shelved.who, shelved.shelved, shelved.announced) == ("Ada", True, False)
    assert told(tested.advance([see(5, True, **OTHER)], 11)) == [(5, "worsens", False)]
    assert told(tested.advance([], 12)) == [(11, "shelf_ends", True)]
    assert tested.standings[0].shelved_until_sample is None


def test_a_clear_under_a_silence_is_passed_on() -> None:
    tested = caused("x")
    tested.advance([see(1, True)], 2)
    tested.tell(KEY, Input.ACKNOWLEDGE, 2)
    found = tested.advance([see(3, True, "x"), see(4, False), see(5, False, "x")], 9)
    assert [(t.change, t.state, t.suppressed) for t in found if t.definition.where == "a"][-1] == (
        "released",
        State.NORMAL,
        False,
    )


def test_out_of_service_is_followed_in_silence() -> None:
    tested = one()
    tested.tell(KEY, Input.TAKE_OUT_OF_SERVICE, 0, "Ada")
    assert told(tested.advance([see(1, True)], 2)) == [(1, "occurs", False)]
    assert told(tested.tell(KEY, Input.RETURN_TO_SERVICE, 3, "Ada")) == [(3, "return_to_service", True)]


def test_what_is_restored_goes_on_with_the_time_that_was_left() -> None:
    tested = one(off_s=0.2)
    tested.advance([see(0, True)], 1)
    tested.tell(KEY, Input.ACKNOWLEDGE, 1, "Ada")
    tested.tell(KEY, Input.SHELVE, 1, "Ada", 1.0)
    tested.advance([see(10, False)], 20)
    again = one(off_s=0.2)
    assert again.restore(tested.remember()) == []
    again.begin(5000)
    standing = again.standings[0]
    assert (standing.state, standing.who, standing.occurrences) == (State.ACKNOWLEDGED, "Ada", 1)
    assert changes(again.advance([], 6000)) == [(5010, "returns"), (5081, "shelf_ends")]


def test_a_shelf_that_ran_out_while_nobody_knew_the_alarm_ends_at_the_first_sample() -> None:
    tested = one()
    tested.advance([see(0, True)], 1)
    tested.tell(KEY, Input.SHELVE, 1, "Ada", 1.0)
    without = engine(Definition("k", "b", "low"))
    assert without.restore(tested.remember()) == [KEY]
    assert not without.knows(KEY)
    without.begin(1000)
    without.advance([], 1500)
    again = one()
    again.restore(without.remember())
    again.begin(7000)
    (ended,) = again.advance([], 7001)
    assert (ended.sample, ended.time_s, ended.change, ended.announced) == (7000, 0.0, "shelf_ends", True)


def test_a_delay_does_not_run_while_nobody_watches_the_alarm() -> None:
    tested = one(on_s=0.2)
    tested.advance([see(0, True)], 10)
    without = engine(Definition("k", "b", "low"))
    without.restore(tested.remember())
    without.advance([], 1500)
    again = one(on_s=0.2)
    again.restore(without.remember())
    assert again.advance([], 1000) == []
