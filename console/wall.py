"""The pit-wall screen: alerts alone, most urgent first, and in words whenever they can't be believed.

In: a broker and a prefix, a person at the keys. Out: a screen in a terminal, plain lines elsewhere, until a signal or a
key ends it; commands to the monitor, whose answer is shown. Raises LinkError when the password can't be read, ActError
for a name that can be no level of a topic.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from functools import partial
from typing import IO

from console.command import ActError, Wish, person_name, topic_level
from console.controls import Controls, Duties
from console.hands import Hands
from console.paint import glyphs_for
from console.screen import BoardScreen
from console.stopping import Stopping
from console.wall_asks import WallAsks
from console.wall_board import plain_words, wall_board, wall_items
from console.wall_book import WallBook
from console.wall_line import GONE, THERE, WallLine
from ingest.sheet_wall import PitWall

_LOOK_S = 0.1
_BELL_S = 2.0  # a bell that rings on and on is taken off the wall


def wall(
    place: PitWall,
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
        hands = _hands(who, screen)
    line = WallLine(place, None if hands is None else topic_level(place, who)).open()
    run = _Wall(line, hands)
    ringer = Bell() if bell else None
    said = ""
    try:
        with Stopping() as stopping, screen or contextlib.nullcontext():
            if hands is not None:
                hands.begin(stopping)
            try:
                while not stopping.wanted:
                    run.look()
                    now = time.monotonic()
                    if ringer is not None and screen is not None and ringer.rings(run.book.newest_call, now):
                        _ring(screen.console.file)
                    if screen is None:
                        words = plain_words(run.book, now)
                        if _steady(words) != _steady(said):
                            said = words
                            write(words)
                    else:
                        run.draw(screen, now)
            finally:
                if hands is not None:
                    hands.close()
    finally:
        line.close()
    return stopping.exit_code


def _hands(who: str, screen: BoardScreen) -> Hands | None:
    from console.keys import open_keyboard

    keyboard = open_keyboard()
    if keyboard is None:
        return None
    duties = Duties(has_list=False, can_freeze=False, can_take_out=False, ends="this screen; the monitor goes on")
    return Hands(keyboard, Controls(who, duties), screen)


class _Wall:
    """One wall: what is known, and what was asked."""

    def __init__(self, line: WallLine, hands: Hands | None) -> None:
        self.book = WallBook(time.monotonic())
        self._line = line
        self._hands = hands
        self._asks = WallAsks()

    def look(self) -> None:
        """Hear what has come, and send what was asked."""
        for name, payload in self._line.take(_LOOK_S):
            if name in {THERE, GONE}:
                self.book.broker(there=name == THERE, now=time.monotonic())
            elif name.startswith("answers/"):
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
        self._line.send(command)

    def _say(self, words: str) -> None:
        if words and self._hands is not None:
            self._hands.answer(words)


class Bell:
    """Decides when to ring: once for each new announcement, and never twice within two seconds.

    Examples
    --------
    >>> bell = Bell()
    >>> [bell.rings(call, now) for call, now in ((("a", 0), 0.0), (("a", 4), 1.0), (("a", 4), 9.0), (("a", 3), 9.5))]
    [False, True, False, False]
    >>> [bell.rings(("a", number), now) for number, now in ((5, 10.0), (6, 10.5), (7, 11.0), (7, 12.0), (7, 20.0))]
    [True, False, False, True, False]
    """

    def __init__(self) -> None:
        self._rung = ("", 0)
        self._at = float("-inf")

    def rings(self, call: tuple[str, int], now: float) -> bool:
        """Whether to ring now; `call` is run and number of the newest announcement that is not acknowledged."""
        if call[0] != self._rung[0]:
            self._rung = (call[0], 0)
        if call[1] <= self._rung[1] or now - self._at < _BELL_S:
            return False
        self._rung, self._at = call, now
        return True


def _ring(terminal: IO[str]) -> None:
    with contextlib.suppress(OSError, ValueError):
        terminal.write("\a")
        terminal.flush()


def _steady(words: str) -> str:
    """The words without their numbers: a growing age is no news."""
    return "".join(character for character in words if not character.isdigit())
