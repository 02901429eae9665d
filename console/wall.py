"""The pit-wall screen: alerts alone, most urgent first, and in words whenever they can't be believed.

In: a broker, one car's prefix or several, a person at the keys. Out: a screen in a terminal, plain lines elsewhere,
until a signal or a key ends it; commands to the monitors, whose answers are shown. Raises LinkError when the password
can't be read, ActError for a name that can be no level of a topic.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from functools import partial
from typing import Protocol

from console.command import ActError, Wish, person_name, topic_level
from console.controls import Controls, Duties
from console.hands import Hands
from console.paint import glyphs_for
from console.screen import BoardScreen
from console.stopping import Stopping
from console.wall_asks import WallAsks
from console.wall_bell import Bell, ring
from console.wall_board import plain_words, wall_board, wall_items
from console.wall_book import WallBook
from console.wall_keys import CarControls
from console.wall_line import WallLine
from console.wall_several import SeveralCars, steady
from console.wall_topics import WallTopics
from ingest.sheet_broker import BrokerAccess

_LOOK_S = 0.1


def wall(
    broker: BrokerAccess,
    topics: WallTopics,
    write: Callable[[str], None],
    *,
    with_screen: bool,
    no_color: bool = False,
    name: str | None = None,
    bell: bool = False,
) -> int:
    """Show until a signal comes or a person quits; returns 0, or 128 plus the signal's number."""
    hands, screen = None, None
    who = person_name(name)
    if with_screen:
        screen = BoardScreen(no_color=no_color, catch_signals=False)
        hands = _hands(who, screen, several=topics.one is None)
    line = WallLine(broker, topics, None if hands is None else topic_level(broker, who)).open()
    run: _Run = SeveralCars(line, topics, hands) if topics.one is None else _OneCar(line, topics.one, hands)
    ringer = Bell() if bell else None
    try:
        with Stopping() as stopping, screen or contextlib.nullcontext():
            if hands is not None:
                hands.begin(stopping)
            try:
                while not stopping.wanted:
                    run.look(_LOOK_S)
                    now = time.monotonic()
                    if ringer is not None and screen is not None and ringer.rings_any(run.calls(), now):
                        ring(screen.console.file)
                    if screen is None:
                        for words in run.lines(now):
                            write(words)
                    else:
                        run.draw(screen, now)
            finally:
                if hands is not None:
                    hands.close()
    finally:
        line.close()
    return stopping.exit_code


def _hands(who: str, screen: BoardScreen, *, several: bool) -> Hands | None:
    from console.keys import open_keyboard

    keyboard = open_keyboard()
    if keyboard is None:
        return None
    goes_on = "the monitors go on" if several else "the monitor goes on"
    duties = Duties(
        has_list=False, can_freeze=False, can_take_out=False, ends=f"this screen; {goes_on}", several=several
    )
    return Hands(keyboard, CarControls(who, duties) if several else Controls(who, duties), screen)


class _Run(Protocol):
    """One wall, of one car or several."""

    def look(self, wait_s: float) -> None:
        """Hear what has come, and send what was asked."""

    def draw(self, screen: BoardScreen, now: float) -> None:
        """A frame, when one is due."""

    def lines(self, now: float) -> list[str]:
        """What is new, in plain lines."""

    def calls(self) -> dict[str, tuple[str, int]]:
        """By car: run and number of the newest announcement that nobody has acknowledged."""


class _OneCar:
    """A wall of one car: what is known, and what was asked."""

    def __init__(self, line: WallLine, prefix: str, hands: Hands | None) -> None:
        self.book = WallBook(time.monotonic())
        self._line = line
        self._prefix = prefix
        self._hands = hands
        self._asks = WallAsks()
        self._told = ""

    def look(self, wait_s: float) -> None:
        """Hear what has come, and send what was asked."""
        heard = self._line.take(wait_s)
        if heard.there is not None:
            self.book.broker(there=heard.there, now=time.monotonic())
        for _, name, payload in heard.events:
            if name == "answers":
                self._say(self._asks.hear(payload))
            else:
                self.book.hear(name, payload, time.monotonic())
        self._say(self._asks.overdue(time.monotonic()))
        if self._hands is not None:
            for wish in self._hands.look():
                self._ask(wish)

    def draw(self, screen: BoardScreen, now: float) -> None:
        """A frame, when one is due."""
        controls = None if self._hands is None else self._hands.controls
        if controls is not None and controls.take_changed():
            screen.hurry()
        if not screen.due():
            return
        if controls is not None:
            controls.shows(wall_items(self.book))
        glyphs = glyphs_for(screen.console.encoding)
        screen.show_board(partial(wall_board, self.book, now, glyphs=glyphs, controls=controls))

    def lines(self, now: float) -> list[str]:
        """All that stands, in one line, when it is news."""
        words = plain_words(self.book, now)
        if steady(words) == steady(self._told):
            return []
        self._told = words
        return [words]

    def calls(self) -> dict[str, tuple[str, int]]:
        """The newest announcement that nobody has acknowledged."""
        return {self._prefix: self.book.newest_call}

    def _ask(self, wish: Wish) -> None:
        if not self.book.connected:
            self._say("NOT SENT: no broker")
            return
        if self.book.deaf(time.monotonic()):
            self._say("NOT SENT: no monitor is there to hear it")
            return
        try:
            command = self._asks.ask(wish, self.book.run, time.monotonic())
        except ActError as error:
            self._say(str(error))
            return
        self._say("asked the monitor ...")
        self._line.send(self._prefix, command)

    def _say(self, words: str) -> None:
        if words and self._hands is not None:
            self._hands.answer(words)
