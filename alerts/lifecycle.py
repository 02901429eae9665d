"""The life of one alarm: condition and acknowledgement as two bits, a latch, and three ways to be silent.

Names are those of ISA-18.2 / IEC 62682. One table holds every state and every input, so each pair has exactly one
successor; `python -m alerts.lifecycle` prints it for people (docs/alarm-states.md). Unknown and learning are no
inputs: a condition that can't be told changes nothing.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from enum import StrEnum


class State(StrEnum):
    """Where an alarm stands."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned to normal, unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched, unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched, acknowledged"


class Input(StrEnum):
    """What can happen to an alarm; the word is the `change` of its transition."""

    OCCURS = "occurs"
    RETURNS = "returns"
    WORSENS = "worsens"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SHELF_ENDS = "shelf_ends"
    SUPPRESS = "suppressed"
    RELEASE = "released"
    TAKE_OUT_OF_SERVICE = "out_of_service"
    RETURN_TO_SERVICE = "return_to_service"


@dataclass(frozen=True)
class Life:
    """A full state: the state proper, and the axes that silence it. Silent alarms are listed, never announced."""

    state: State = State.NORMAL
    shelved: bool = False
    suppressed: bool = False
    out_of_service: bool = False

    @property
    def silent(self) -> bool:
        """Whether nobody is to be told."""
        return self.shelved or self.suppressed or self.out_of_service


_N, _U, _A = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED
_R, _LU, _LA = State.RETURNED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED
_Successors = tuple[State, State, State, State, State, State, State]
# The inputs that change the state proper, in the order of the table's columns; the last two only a shelved alarm's.
_COLUMNS = (
    Input.OCCURS,
    Input.RETURNS,
    Input.WORSENS,
    Input.ACKNOWLEDGE,
    Input.RESET,
    Input.UNSHELVE,
    Input.SHELF_ENDS,
)
_OF_A_SHELF = (Input.UNSHELVE, Input.SHELF_ENDS)
# (alarm latches) -> state -> successors. What worsens is news to whoever acknowledged it; only an abnormal condition
# can. Who takes an alarm off the shelf by hand has seen it; a shelf that ends by itself leaves it to be seen.
_TABLE: dict[bool, dict[State, _Successors]] = {
    False: {
        _N: (_U, _N, _N, _N, _N, _N, _N),
        _U: (_U, _R, _U, _A, _U, _A, _U),
        _A: (_A, _N, _U, _A, _A, _A, _U),
        _R: (_U, _R, _R, _N, _R, _N, _R),
        # Never entered without a latch (but a car sheet can take one away over a restart).
        _LU: (_U, _R, _LU, _N, _R, _N, _R),
        _LA: (_U, _N, _LA, _N, _N, _N, _R),
    },
    True: {
        _N: (_U, _N, _N, _N, _N, _N, _N),
        _U: (_U, _LU, _U, _A, _U, _A, _U),
        _A: (_A, _LA, _U, _A, _A, _A, _U),
        # Never entered with a latch (but a car sheet can give one over a restart).
        _R: (_U, _LU, _R, _LA, _R, _LA, _LU),
        # A reset before anyone has acknowledged would hide an alarm unseen: it changes nothing.
        _LU: (_U, _LU, _LU, _LA, _LU, _LA, _LU),
        _LA: (_U, _LA, _LA, _LA, _N, _LA, _LU),
    },
}
# The inputs that begin and end a silence.
_SILENCES: dict[Input, dict[str, bool]] = {
    Input.SHELVE: {"shelved": True},
    Input.UNSHELVE: {"shelved": False},
    Input.SHELF_ENDS: {"shelved": False},
    Input.SUPPRESS: {"suppressed": True},
    Input.RELEASE: {"suppressed": False},
    Input.TAKE_OUT_OF_SERVICE: {"out_of_service": True},
    Input.RETURN_TO_SERVICE: {"out_of_service": False},
}


def successor(state: State, happening: Input, *, latches: bool) -> State:
    """The state proper that follows `state` when `happening` comes to an alarm that it concerns.

    Examples
    --------
    >>> successor(State.UNACKNOWLEDGED, Input.RETURNS, latches=True)
    <State.LATCHED_UNACKNOWLEDGED: 'latched, unacknowledged'>
    """
    return _TABLE[latches][state][_COLUMNS.index(happening)] if happening in _COLUMNS else state


def follow(life: Life, happening: Input, *, latches: bool) -> Life:
    """The full state that follows.

    Examples
    --------
    >>> follow(Life(State.UNACKNOWLEDGED, shelved=True), Input.UNSHELVE, latches=False).state
    <State.ACKNOWLEDGED: 'acknowledged'>
    """
    if happening in _OF_A_SHELF and not life.shelved:
        return life
    state = successor(life.state, happening, latches=latches)
    return replace(life, state=state, **_SILENCES.get(happening, {}))


def abnormal(state: State) -> bool:
    """Whether the condition itself is abnormal now; a latched alarm whose condition has returned is not."""
    return state in {State.UNACKNOWLEDGED, State.ACKNOWLEDGED}


_MEANING = {
    _N: ("normal", "no", "-"),
    _U: ("abnormal", "yes", "no"),
    _A: ("abnormal", "shown", "yes"),
    _R: ("normal", "shown, distinct", "no"),
    _LU: ("normal, still held", "shown, distinct", "no"),
    _LA: ("normal, still held", "shown", "yes"),
}
_INTRODUCTION = """\
# The states of an alarm

Printed by `python -m alerts.lifecycle` from the table that the program runs on; a test keeps the two equal.
Names are those of ISA-18.2 / IEC 62682. All times are sample time.
"""
_AXES = """\
Three further axes silence an alarm in any of these states. A silent alarm is never announced and always listed; its
condition is followed all the same.

| Axis | begins | ends |
|---|---|---|
| shelved | `shelve`, by a person, always with an end | `unshelve` by hand, or `shelf_ends` by itself at that end |
| suppressed by design | `suppressed`: a cause that the alarm's definition names is abnormal | `released`: none is |
| out of service | `out_of_service`, by a person | `return_to_service`, by a person |

Each of these inputs sets or clears its own axis and leaves the other two. When the last silence ends, a change that
was not told meanwhile is: an abnormal state that is news is announced, and a return that nobody saw is passed on.
A shelf that ends by itself while the condition is abnormal is always announced: it was put off, not dealt with.

A condition may also be *unknown* (data is missing) or *learning* (its rule has too little data to judge yet).
Neither is an input: nothing trips, nothing clears, and a delay that was running starts again.
"""
_NOTES = """\
`unshelve` and `shelf_ends` concern a shelved alarm only; to any other they change nothing. `shelve`, `suppressed`,
`released`, `out_of_service` and `return_to_service` never change the states below. An input that leaves everything as
it is makes no transition, except `worsens` on an abnormal alarm, and `shelve` with another end.
"""


def document() -> str:
    """The table for people, as Markdown."""
    lines = [_INTRODUCTION, "| State | condition | announced | acknowledged |", "|---|---|---|---|"]
    lines += [f"| {state.value} | {' | '.join(_MEANING[state])} |" for state in State]
    lines += ["", _AXES, "## What follows what", "", _NOTES.rstrip("\n")]
    for latches, title in ((False, "Without a latch"), (True, "With a latch: a person's reset is the only way out")):
        never = {_R} if latches else {_LU, _LA}
        lines += ["", f"### {title}", ""]
        lines.append(f"| State | {' | '.join(f'`{happening.value}`' for happening in _COLUMNS)} |")
        lines.append("|---" * (len(_COLUMNS) + 1) + "|")
        for state in State:
            after = [successor(state, happening, latches=latches) for happening in _COLUMNS]
            cells = " | ".join("same" if one is state else one.value for one in after)
            lines.append(f"| {state.value}{' (never entered)' if state in never else ''} | {cells} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(document())
