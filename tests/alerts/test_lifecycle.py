"""The table of states: every pair has one successor, and the rules that people rely on hold in each of them."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.lifecycle import Input, Life, State, abnormal, document, follow, successor

LATCHED = {State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED}
PAIRS = list(itertools.product(State, Input, (False, True)))
HAPPENINGS = st.lists(st.sampled_from(list(Input)), max_size=30)


def walk(happenings: list[Input], *, latches: bool) -> list[State]:
    """States from normal on, the first included."""
    states = [State.NORMAL]
    for happening in happenings:
        states.append(successor(states[-1], happening, latches=latches))
    return states


@pytest.mark.parametrize(("state", "happening", "latches"), PAIRS)
def test_every_pair_has_exactly_one_successor(state: State, happening: Input, latches: bool) -> None:
    after = successor(state, happening, latches=latches)
    assert isinstance(after, State)
    assert after is successor(state, happening, latches=latches)


@pytest.mark.parametrize(
    ("state", "latches"), [(s, latch) for s in State for latch in (False, True) if latch or s not in LATCHED]
)
def test_what_a_person_does_and_what_worsens_never_change_the_condition(state: State, latches: bool) -> None:
    for happening in (Input.ACKNOWLEDGE, Input.RESET, Input.WORSENS):
        assert abnormal(successor(state, happening, latches=latches)) == abnormal(state)


@pytest.mark.parametrize(("state", "latches"), list(itertools.product(State, (False, True))))
def test_the_condition_is_what_was_seen_last(state: State, latches: bool) -> None:
    assert abnormal(successor(state, Input.OCCURS, latches=latches))
    assert not abnormal(successor(state, Input.RETURNS, latches=latches))


def test_an_alarm_without_a_latch_reaches_the_four_plain_states_only() -> None:
    reached = {State.NORMAL}
    while True:
        more = {successor(state, happening, latches=False) for state in reached for happening in Input} | reached
        if more == reached:
            break
        reached = more
    assert reached == set(State) - LATCHED


def test_an_alarm_with_a_latch_never_shows_as_returned() -> None:
    reached = {State.NORMAL}
    for _ in State:
        reached |= {successor(state, happening, latches=True) for state in reached for happening in Input}
    assert reached == set(State) - {State.RETURNED}


@given(HAPPENINGS)
def test_a_latched_alarm_leaves_only_by_acknowledgement_then_reset(happenings: list[Input]) -> None:
    states = walk(happenings, latches=True)
    for before, happening, after in zip(states, happenings, states[1:], strict=False):
        if before is State.LATCHED_UNACKNOWLEDGED and after is not before:
            assert (happening, after) in {
                (Input.ACKNOWLEDGE, State.LATCHED_ACKNOWLEDGED),
                (Input.UNSHELVE, State.LATCHED_ACKNOWLEDGED),
                (Input.OCCURS, State.UNACKNOWLEDGED),
            }
        if before is State.LATCHED_ACKNOWLEDGED and after is not before:
            assert (happening, after) in {
                (Input.RESET, State.NORMAL),
                (Input.OCCURS, State.UNACKNOWLEDGED),
                (Input.SHELF_ENDS, State.LATCHED_UNACKNOWLEDGED),
            }
        if after is State.NORMAL and before is not State.NORMAL:
            assert before is State.LATCHED_ACKNOWLEDGED


@given(HAPPENINGS, st.booleans())
def test_nobody_can_lose_an_alarm_unseen(happenings: list[Input], latches: bool) -> None:
    seen = True
    for before, happening, after in zip(
        states := walk(happenings, latches=latches), happenings, states[1:], strict=False
    ):
        if happening in {Input.ACKNOWLEDGE, Input.UNSHELVE}:
            seen = True
        elif (happening is Input.OCCURS and not abnormal(before)) or (happening is Input.WORSENS and abnormal(before)):
            seen = False
        if after is State.NORMAL:
            assert seen


@given(HAPPENINGS)
def test_both_kinds_of_alarm_agree_on_the_condition(happenings: list[Input]) -> None:
    plain, latched = walk(happenings, latches=False), walk(happenings, latches=True)
    assert [abnormal(state) for state in plain] == [abnormal(state) for state in latched]


def test_the_names_are_those_of_the_standard() -> None:
    # ISA-18.2-2016, alarm state transition diagram: normal, unacknowledged, acknowledged, returned to normal
    # unacknowledged, latched unacknowledged, latched acknowledged (wording from memory).
    assert [state.value for state in State] == [
        "normal",
        "unacknowledged",
        "acknowledged",
        "returned to normal, unacknowledged",
        "latched, unacknowledged",
        "latched, acknowledged",
    ]


@pytest.mark.parametrize(("state", "latches"), list(itertools.product(State, (False, True))))
def test_what_worsens_takes_an_acknowledgement_back_and_nothing_else(state: State, latches: bool) -> None:
    after = successor(state, Input.WORSENS, latches=latches)
    assert after is (State.UNACKNOWLEDGED if state is State.ACKNOWLEDGED else state)


LIVES = [Life(state, *axes) for state in State for axes in itertools.product((False, True), repeat=3)]


def test_the_committed_table_is_the_one_the_program_runs_on() -> None:
    committed = Path(__file__).parents[2] / "docs" / "alarm-states.md"
    assert committed.read_text(encoding="utf-8") == document()


@pytest.mark.parametrize(("happening", "latches"), list(itertools.product(Input, (False, True))))
def test_each_silence_is_begun_and_ended_by_its_own_inputs_only(happening: Input, latches: bool) -> None:
    begins = {Input.SHELVE: 0, Input.SUPPRESS: 1, Input.TAKE_OUT_OF_SERVICE: 2}
    ends = {Input.UNSHELVE: 0, Input.SHELF_ENDS: 0, Input.RELEASE: 1, Input.RETURN_TO_SERVICE: 2}
    for life in LIVES:
        after = follow(life, happening, latches=latches)
        axes = [life.shelved, life.suppressed, life.out_of_service]
        if happening in begins:
            axes[begins[happening]] = True
        elif happening in ends:
            axes[ends[happening]] = False
        assert [after.shelved, after.suppressed, after.out_of_service] == axes
        if happening in {*begins, Input.RELEASE, Input.RETURN_TO_SERVICE}:
            assert after.state is life.state
        if happening not in {Input.OCCURS, Input.RETURNS}:
            assert abnormal(after.state) == abnormal(life.state)


@pytest.mark.parametrize("latches", [False, True])
def test_a_shelf_ends_acknowledged_by_hand_and_unacknowledged_by_itself(latches: bool) -> None:
    for state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED):
        shelved = Life(state, shelved=True)
        assert follow(shelved, Input.UNSHELVE, latches=latches) == Life(State.ACKNOWLEDGED)
        assert follow(shelved, Input.SHELF_ENDS, latches=latches) == Life(State.UNACKNOWLEDGED)
        for happening in (Input.UNSHELVE, Input.SHELF_ENDS):
            assert follow(Life(state), happening, latches=latches) == Life(state)
