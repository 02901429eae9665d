"""Where all that a run brings goes, and where what people ask comes from, in one piece for a live run and a replay.

In: every step of the chain. Out: the journal first, then the pit wall, the results and the screen; steps that people's
actions brought, at the keys or from the pit wall, go the same way. What was opened is closed on every way out.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from typing import TYPE_CHECKING

from alerts.journal import Journal
from alerts.lifecycle import State
from alerts.monitor import Monitor, Step
from console.alarm_view import outcome
from console.command import Wish
from console.describe import Context
from console.hands import Hands
from console.outlet import Outlet, Place
from console.results import ResultsWriter
from ingest.text import clean

if TYPE_CHECKING:
    from console.desk import Desk


class Ends:
    """The ends of one run.

    Parameters
    ----------
    outlet : Outlet
        The screen or the lines.
    writer, journal, desk, hands
        Those that this run has.
    also : callable or None
        Takes each step too, after the results: what a live run notes in its recording.
    """

    def __init__(
        self,
        outlet: Outlet,
        writer: ResultsWriter | None = None,
        journal: Journal | None = None,
        desk: Desk | None = None,
        hands: Hands | None = None,
        also: Callable[[Step], None] | None = None,
    ) -> None:
        self.outlet = outlet
        self.writer = writer
        self.journal = journal
        self.desk = desk
        self.hands = hands
        self._also = also

    def give(self, step: Step, monitor: Monitor, place: Place) -> None:
        """Take one step: on the disk before anybody is told."""
        if self.journal is not None:
            self.journal.note(step, monitor)
        if self.desk is not None:
            self.desk.take(step, monitor)
        if self.writer is not None:
            self.writer.step(step, Context.of(monitor))
        if self._also is not None:
            self._also(step)
        self.outlet.step(monitor, step, self._told(place))

    def look(self, monitor: Monitor, place: Place, sample_age_s: float | None = None, link: str = "") -> None:
        """See what people ask, from the pit wall and at the keys, and carry it out; call at least four times a second.

        A frame of the screen is drawn when one is due.
        """
        if self.desk is not None:
            for step in self.desk.look(monitor, place.time_s, sample_age_s, link):
                self.give(step, monitor, place)
        if self.hands is not None:
            for wish in self.hands.look():
                self._act(self.hands, wish, monitor, place)
        self.outlet.step(monitor, Step(), self._told(place))

    def close(self, monitor: Monitor | None, reason: str) -> None:
        """Give the terminal back, end the files, and tell the pit wall why; every end, whatever another one raises."""
        with ExitStack() as stack:  # the last one named is closed first
            if self.journal is not None:
                stack.callback(self.journal.close)
            if self.desk is not None:
                stack.callback(self.desk.close, monitor, reason)
            if self.writer is not None:
                stack.callback(self.writer.close)
            stack.callback(self.outlet.close)
            if self.hands is not None:
                stack.callback(self.hands.close)

    @property
    def troubles(self) -> tuple[str, ...]:
        """What is wrong on the way to the pit wall and with the journal, in words."""
        wall = "" if self.desk is None else self.desk.trouble
        kept = "" if self.journal is None else self.journal.fault or ""
        return tuple(words for words in (wall, kept) if words)

    def _told(self, place: Place) -> Place:
        """The place with how the run's other ends stand."""
        journal = "none" if self.journal is None else self.journal.fault or "kept"
        wall = "none" if self.desk is None else self.desk.trouble or "open"
        results = None if self.writer is None else self.writer.directory
        return replace(place, journal=journal, wall=wall, results=results)

    def _act(self, hands: Hands, wish: Wish, monitor: Monitor, place: Place) -> None:
        key = (wish.kind, wish.where)
        try:
            step = monitor.act(key, wish.action, wish.who, shelve_s=wish.shelve_s)
        except (ValueError, KeyError) as error:
            hands.answer(clean(error, 150))
            return
        standing = next(s for s in monitor.standings if s.definition.key == key)
        hands.answer(clean(outcome(wish, step, standing), 200))
        self.give(step, monitor, place)


def restored_words(journal: Journal, monitor: Monitor) -> tuple[str, ...]:
    """Give a monitor what a former run left; returns lines for people, none when nothing stood."""
    gone = journal.restore_into(monitor)
    standing = sum(alarm.state is not State.NORMAL or alarm.life.silent for alarm in monitor.standings)
    lines = []
    if standing:
        lines.append(f"{standing} alarms of the run before stand again (journal)")
    if gone:
        names = clean(", ".join(" ".join(key) for key in gone), 120)
        lines.append(f"left out, since this sheet has no such alarm: {names}")
    return tuple(lines)
