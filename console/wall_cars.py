"""What a pit wall knows of several cars: one book each, whose alarms are whose, and what has no place.

In: messages by car, from anybody, and monotonic seconds. Out: the cars with their labels, the alarms of all by urgency,
and counts of what is not shown. Cars that were named have their place from the start, others once a monitor was heard
there; none ever goes. Bounded: 200 cars found by patterns, 100 alarms of each in the list. States, which take long to
read, are read car by car within a given time: one that sends without end waits for its turn. Pure but for a clock.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from console.fleet_tiles import PRIORITIES
from console.paint import fit_name
from console.wall_asks import WallAsks
from console.wall_book import WallAlarm, WallBook, WallHidden
from console.wall_line import MOST_STRANGERS, Event
from console.wall_topics import WallTopics
from ingest.rehearsal_mark import MARK

MOST_FOUND = 200  # more than race together; each may take 100 kB of a state
MOST_ALARMS = 100  # of one car in the list: more than a sheet of a car makes
MOST_COUNTED = 10_000  # cars without a place are told apart up to here
NAME_CELLS = 15  # where two names look alike in so many cells, topics take their place
_READING_S = 0.1  # of each look, at most: keys and other cars wait for it


@dataclass(frozen=True)
class CarAlarm:
    """An alarm, the car whose it is, and when it came up."""

    prefix: str
    alarm: WallAlarm
    onset_s: float

    @property
    def key(self) -> tuple[str, str]:
        """As `console.wall_keys.CarItem.key`."""
        return f"{self.prefix}\n{self.alarm.kind}", self.alarm.where


class WallCars:
    """Follows several monitors. `now` is monotonic seconds everywhere.

    Parameters
    ----------
    topics : WallTopics
        Which cars.
    now : float
        When this begins.
    clock : callable
        Seconds, to bound the time that states take to be read.
    """

    def __init__(self, topics: WallTopics, now: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.topics = topics
        self.books = {prefix: WallBook(now) for prefix in topics.names}
        self.refused = 0  # messages of no car
        self.crowded = 0  # messages that nobody had time to look at
        self.not_let: dict[str, str] = {}
        self._asks = {prefix: WallAsks() for prefix in topics.names}
        self._lost: float | None = now
        self._states: dict[str, bytes] = {}
        self._beyond: set[str] = set()
        self._clock = clock
        self._alarms: list[CarAlarm] | None = None

    # ---------------------------------------------------------------- what comes

    def broker(self, *, there: bool, now: float) -> None:
        """The connection to the broker was made, or is gone."""
        self._lost = None if there else now if self._lost is None else self._lost
        for book in self.books.values():
            book.broker(there=there, now=now)

    def hear(self, events: Iterable[Event], now: float) -> list[tuple[str, str]]:
        """Take messages; returns, by car, what answers say to something that was asked here."""
        said = []
        for prefix, name, payload in events:
            if name == "answers":
                words = self._asks[prefix].hear(payload) if prefix in self._asks else ""
                said += [(prefix, words)] if words else []
            elif name == "state":
                # A newer one takes the place of one that waits, and its turn.
                if prefix in self._states or prefix in self.books or len(self._states) < MOST_STRANGERS:
                    self._states[prefix] = payload
                else:
                    self.refused += 1
            else:
                self._read(prefix, name, payload, now)
        until = self._clock() + _READING_S
        while self._states:
            prefix = next(iter(self._states))
            self._read(prefix, "state", self._states.pop(prefix), now)
            if self._clock() >= until:
                break
        return said

    def _read(self, prefix: str, name: str, payload: bytes, now: float) -> None:
        book = self.books.get(prefix)
        if book is not None:
            book.hear(name, payload, now)
            self._alarms = None if name == "state" else self._alarms
        elif prefix not in self._beyond:
            self._meet(prefix, name, payload, now)

    def _meet(self, prefix: str, name: str, payload: bytes, now: float) -> None:
        """A message where no car is known: a car, if it is one that a monitor sends."""
        book = WallBook(now)
        if self._lost is None:
            book.broker(there=True, now=now)
        book.hear(name, payload, now)
        if not book.known:
            self.refused += 1
        elif len(self.books) - len(self.topics.names) < MOST_FOUND:
            self.books[prefix], self._asks[prefix] = book, WallAsks()
            self._alarms = None
        elif len(self._beyond) < MOST_COUNTED:
            self._beyond.add(prefix)

    # ---------------------------------------------------------------- what is known

    @property
    def beyond(self) -> int:
        """Cars that were found and have no place."""
        return len(self._beyond)

    def lost_s(self, now: float) -> float | None:
        """How long the broker has been away; None while it is there."""
        return None if self._lost is None else now - self._lost

    def asks(self, prefix: str) -> WallAsks:
        """What was asked of one car."""
        return self._asks[prefix]

    def overdue(self, now: float) -> list[tuple[str, str]]:
        """What to say, by car, of asks that nobody answered in time."""
        return [(prefix, words) for prefix, asks in self._asks.items() if (words := asks.overdue(now))]

    def labels(self) -> dict[str, str]:
        """A name for each car, and no two alike: what its state says, or the topic where that is no car's own."""
        wanted = {prefix: book.car.strip() or prefix for prefix, book in self.books.items()}
        seen: dict[str, int] = {}
        for prefix, name in wanted.items():
            for shown in {_alike(name), _alike(prefix)}:
                seen[shown] = seen.get(shown, 0) + 1
        labels = {}
        for prefix, name in wanted.items():
            mark = MARK if self.books[prefix].rehearsal else ""
            labels[prefix] = name if seen[_alike(name)] == 1 else f"{mark}{prefix}"
        return labels

    def alarms(self) -> list[CarAlarm]:
        """The alarms of all cars: by priority, then the newest first. One of no known priority counts as high."""
        if self._alarms is None:
            found = [
                CarAlarm(prefix, alarm, book.onsets.get((alarm.kind, alarm.where), float("-inf")))
                for prefix, book in self.books.items()
                for alarm in book.alarms[:MOST_ALARMS]
            ]
            self._alarms = sorted(found, key=lambda one: (rank(one.alarm), -one.onset_s))
        return self._alarms

    def hidden(self) -> list[tuple[str, WallHidden]]:
        """What is kept quiet at all cars, by prefix: what a person did first, then what another alarm does."""
        found = [(prefix, one) for prefix, book in self.books.items() for one in book.hidden[:MOST_ALARMS]]
        return sorted(found, key=lambda pair: pair[1].why == "suppressed")

    def left_out(self, prefix: str) -> int:
        """Alarms of a car that are in no list here."""
        book = self.books[prefix]
        return book.left_out + sum(max(0, len(known) - MOST_ALARMS) for known in (book.alarms, book.hidden))

    def trouble(self, prefix: str, now: float) -> str:
        """Why what is shown of a car may not be so, in a few words; empty when it can be believed."""
        book = self.books[prefix]
        heard_s = book.heard_s(now)
        if not book.connected:
            return "NO BROKER"
        if book.stopped is not None:
            return "MONITOR STOPPED" + ("" if heard_s is None else f" {age_words(heard_s)}")
        if heard_s is None:
            return "NOT LET READ" if prefix in self.not_let else "NEVER HEARD"
        trouble = book.trouble(now)
        return f"MONITOR SILENT {age_words(heard_s)}" if trouble.startswith("MONITOR SILENT") else trouble


def rank(alarm: WallAlarm) -> int:
    """Place of an alarm's priority, 0 first."""
    return PRIORITIES.index(alarm.priority) if alarm.priority in PRIORITIES else 0


def age_words(seconds: float) -> str:
    """A length of time in few cells.

    Examples
    --------
    >>> age_words(8.2), age_words(100.0), age_words(7200.0)
    ('8 s', '1 min', '2 h')
    """
    if seconds < 100.0:
        return f"{seconds:.0f} s"
    return f"{seconds // 60:.0f} min" if seconds < 6000.0 else f"{seconds // 3600:.0f} h"


def _alike(name: str) -> str:
    return fit_name(name.removeprefix(MARK).strip().casefold(), NAME_CELLS)
