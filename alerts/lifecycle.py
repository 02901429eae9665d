"""The life of one alarm: condition and acknowledgement as two bits, with a latch; names of ISA-18.2 / IEC 62682.

One table holds every state and every input, so each pair has exactly one successor. Missing data is no input:
an unknown condition changes nothing.
"""

from __future__ import annotations

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
    """What can happen to an alarm."""

    OCCURS = "occurs"
    RETURNS = "returns"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    WORSENS = "worsens"


_S = State
_Successors = tuple[State, State, State, State, State]
# For an alarm with and without a latch: state -> successor on (occurs, returns, acknowledge, reset, worsens).
# What worsens is news to whoever acknowledged it; only an abnormal condition can.
_UNLATCHED: dict[State, _Successors] = {
    _S.NORMAL: (_S.UNACKNOWLEDGED, _S.NORMAL, _S.NORMAL, _S.NORMAL, _S.NORMAL),
    _S.UNACKNOWLEDGED: (_S.UNACKNOWLEDGED, _S.RETURNED, _S.ACKNOWLEDGED, _S.UNACKNOWLEDGED, _S.UNACKNOWLEDGED),
    _S.ACKNOWLEDGED: (_S.ACKNOWLEDGED, _S.NORMAL, _S.ACKNOWLEDGED, _S.ACKNOWLEDGED, _S.UNACKNOWLEDGED),
    _S.RETURNED: (_S.UNACKNOWLEDGED, _S.RETURNED, _S.NORMAL, _S.RETURNED, _S.RETURNED),
    # An alarm without a latch never enters these; every input but the last releases it.
    _S.LATCHED_UNACKNOWLEDGED: (_S.UNACKNOWLEDGED, _S.RETURNED, _S.NORMAL, _S.RETURNED, _S.LATCHED_UNACKNOWLEDGED),
    _S.LATCHED_ACKNOWLEDGED: (_S.UNACKNOWLEDGED, _S.NORMAL, _S.NORMAL, _S.NORMAL, _S.LATCHED_ACKNOWLEDGED),
}
_LATCHED: dict[State, _Successors] = {
    _S.NORMAL: (_S.UNACKNOWLEDGED, _S.NORMAL, _S.NORMAL, _S.NORMAL, _S.NORMAL),
    _S.UNACKNOWLEDGED: (
        _S.UNACKNOWLEDGED,
        _S.LATCHED_UNACKNOWLEDGED,
        _S.ACKNOWLEDGED,
        _S.UNACKNOWLEDGED,
        _S.UNACKNOWLEDGED,
    ),
    _S.ACKNOWLEDGED: (_S.ACKNOWLEDGED, _S.LATCHED_ACKNOWLEDGED, _S.ACKNOWLEDGED, _S.ACKNOWLEDGED, _S.UNACKNOWLEDGED),
    # An alarm with a latch never enters this one.
    _S.RETURNED: (_S.UNACKNOWLEDGED, _S.LATCHED_UNACKNOWLEDGED, _S.NORMAL, _S.NORMAL, _S.RETURNED),
    # A reset before anyone has acknowledged would hide an alarm unseen: it changes nothing.
    _S.LATCHED_UNACKNOWLEDGED: (
        _S.UNACKNOWLEDGED,
        _S.LATCHED_UNACKNOWLEDGED,
        _S.LATCHED_ACKNOWLEDGED,
        _S.LATCHED_UNACKNOWLEDGED,
        _S.LATCHED_UNACKNOWLEDGED,
    ),
    _S.LATCHED_ACKNOWLEDGED: (
        _S.UNACKNOWLEDGED,
        _S.LATCHED_ACKNOWLEDGED,
        _S.LATCHED_ACKNOWLEDGED,
        _S.NORMAL,
        _S.LATCHED_ACKNOWLEDGED,
    ),
}
_ORDER = (Input.OCCURS, Input.RETURNS, Input.ACKNOWLEDGE, Input.RESET, Input.WORSENS)


def successor(state: State, happening: Input, *, latches: bool) -> State:
    """The state that follows `state` when `happening` comes.

    Examples
    --------
    >>> successor(State.UNACKNOWLEDGED, Input.RETURNS, latches=True)
    <State.LATCHED_UNACKNOWLEDGED: 'latched, unacknowledged'>
    """
    table = _LATCHED if latches else _UNLATCHED
    return table[state][_ORDER.index(happening)]


def abnormal(state: State) -> bool:
    """Whether the condition itself is abnormal now; a latched alarm whose condition has returned is not."""
    return state in {State.UNACKNOWLEDGED, State.ACKNOWLEDGED}
