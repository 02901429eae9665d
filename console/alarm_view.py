"""Every alarm of a monitor as a row for people, and the words for what became of an action on one.

In: a monitor between two chunks. Out: plain rows, most urgent first: what stands and speaks, in the board's order, then
what a person keeps quiet, then what another alarm silences, then the rest. Strings are kept as they came: whoever
paints them makes them safe.
"""

from __future__ import annotations

from dataclasses import dataclass

from alerts.alert import Priority, Standing
from alerts.lifecycle import State
from alerts.monitor import Monitor, Step
from console.command import Wish
from console.controls import SHELVES, Item
from console.lines import kind_name

_RANK = {"high": 0, "medium": 1, "low": 2}
_UNACKNOWLEDGED = {State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED}


@dataclass(frozen=True)
class AlarmRow:
    """One alarm; `quiet` says why it is silent (empty when it is not), `shelf_ends_s` when a shelf ends, s.

    `caution` is empty when nobody is sent under the car. `doubt` is "unknown" or "learning" while its rule can't say.
    """

    kind: str
    where: str
    priority: Priority
    state: State
    quiet: str
    shelf_ends_s: float | None
    doubt: str
    who: str
    since_s: float | None
    since_lap: str
    occurrences: int
    sentence: str
    check_first: str
    caution: str
    latches: bool
    out_of_service: bool

    @property
    def key(self) -> tuple[str, str]:
        """What tells it from the others."""
        return self.kind, self.where

    @property
    def name(self) -> str:
        """Its name in words."""
        return f"{kind_name(self.kind)} {self.where}"

    @property
    def unacknowledged(self) -> bool:
        """Whether somebody is still to acknowledge it."""
        return self.state in _UNACKNOWLEDGED

    @property
    def speaks(self) -> bool:
        """Whether it stands and nothing silences it."""
        return self.state is not State.NORMAL and not self.quiet

    @property
    def item(self) -> Item:
        """What can be selected."""
        return Item(self.kind, self.where, self.name, self.shelf_ends_s is not None, self.out_of_service)


def take_alarms(monitor: Monitor, announced: dict[tuple[str, str], int]) -> tuple[AlarmRow, ...]:
    """Every alarm's row; `announced` holds the number of each one's newest announcement."""

    def order(row: AlarmRow) -> tuple[int, int, bool, int]:
        if not row.speaks:
            kept = row.out_of_service or row.shelf_ends_s is not None
            return (1 if kept else 2 if row.quiet and row.state is not State.NORMAL else 3), 0, False, 0
        return 0, _RANK[row.priority], not row.unacknowledged, -announced.get(row.key, 0)

    return tuple(sorted((_row(monitor, standing) for standing in monitor.standings), key=order))


def _row(monitor: Monitor, standing: Standing) -> AlarmRow:
    definition, since, until = standing.definition, standing.since_sample, standing.shelved_until_sample
    stands = standing.state is not State.NORMAL
    evidence = standing.evidence if stands else None
    quiet = [
        words
        for words, so in (
            ("out of service", standing.out_of_service),
            ("shelved", until is not None),
            ("suppressed", standing.suppressed),
        )
        if so
    ]
    return AlarmRow(
        kind=definition.kind,
        where=definition.where,
        priority=definition.priority,
        state=standing.state,
        quiet=", ".join(quiet),
        shelf_ends_s=None if until is None else monitor.engine.time_s(until),
        doubt="learning" if standing.learning else "unknown" if standing.condition is None else "",
        who=standing.who,
        since_s=None if since is None or not stands else monitor.engine.time_s(since),
        since_lap="" if since is None or not stands else monitor.lap_at(since),
        occurrences=standing.occurrences,
        sentence="" if evidence is None else evidence.sentence,
        check_first="" if evidence is None else evidence.check_first,
        # An alarm that has returned to normal sends nobody under the car any more.
        caution=definition.caution if stands and standing.state is not State.RETURNED else "",
        latches=definition.latches,
        out_of_service=standing.out_of_service,
    )


_DONE = {
    "acknowledge": "acknowledged",
    "reset": "reset",
    "unshelve": "off the shelf",
    "out_of_service": "out of service until somebody returns it",
    "return_to_service": "back in service",
}


def outcome(wish: Wish, step: Step, standing: Standing) -> str:
    """What became of an action that was carried out, in words; `standing` is the alarm's after it."""
    name = f"{kind_name(wish.kind)} {wish.where}"
    if not step.transitions:
        return f"{name}: {why_nothing(wish.action, standing)}"
    if wish.action == "shelve":
        length = next((words for _, seconds, words in SHELVES if seconds == wish.shelve_s), f"{wish.shelve_s or 0:g} s")
        return f"{name}: shelved for {length} of running, by {wish.who}"
    return f"{name}: {_DONE[wish.action]}, by {wish.who}"


def why_nothing(action: str, standing: Standing) -> str:
    """Why an action has changed nothing."""
    if action == "unshelve":
        return "it is not shelved"
    if standing.state is State.NORMAL:
        return f"nothing to {action}, it is normal" if action in {"acknowledge", "reset"} else "nothing has changed"
    if action == "acknowledge":
        return "it is acknowledged already"
    if action == "reset" and not standing.definition.latches:
        return "nothing to reset, it ends with its cause"
    if action == "reset":
        unseen = standing.state is State.LATCHED_UNACKNOWLEDGED
        return "acknowledge it first, then reset" if unseen else "its cause still stands; reset when it is mended"
    return "nothing has changed"
