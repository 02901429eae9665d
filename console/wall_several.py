"""A wall of several cars as it runs: what is heard goes to the cars, what is asked goes to the right monitor.

In: a line to the broker, a person at the keys. Out: frames of one screen, or plain lines, each with its car's name.
Never raises; `look` waits no longer than it is told to.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

from console.command import ActError, Wish
from console.controls import Move
from console.fleet_tiles import most_urgent
from console.hands import Hands
from console.paint import glyphs_for
from console.screen import BoardScreen
from console.wall_board import plain_words
from console.wall_cars import WallCars
from console.wall_cars_board import cars_board, cars_items, notices
from console.wall_keys import CarControls, CarWish
from console.wall_line import WallLine
from console.wall_tiles import wall_tiles
from console.wall_topics import WallTopics

_LINE_EVERY_S = 1.0  # of one car: one whose alarms flicker leaves the others readable
_LINES_LOOK_S = 0.1


class SeveralCars:
    """A wall of several cars: what is known, and what was asked.

    Parameters
    ----------
    line : WallLine
        Opened and closed by the caller.
    topics : WallTopics
        Which cars.
    hands : Hands or None
        Whose controls are `CarControls`.
    clock : callable
        Monotonic seconds.
    """

    def __init__(
        self,
        line: WallLine,
        topics: WallTopics,
        hands: Hands | None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.cars = WallCars(topics, clock())
        self._line = line
        self._hands = hands
        self._clock = clock
        self._chosen = ""
        self._places = 0
        self._told: dict[str, tuple[str, str]] = {}
        self._told_at: dict[str, float] = {}
        self._told_look = float("-inf")
        if hands is not None:
            hands.on_car = self._choose

    def look(self, wait_s: float) -> None:
        """Hear what has come, and send what was asked."""
        heard = self._line.take(wait_s)
        now = self._clock()
        if heard.there is not None:
            self.cars.broker(there=heard.there, now=now)
        self.cars.not_let, self.cars.crowded = self._line.refused, self._line.crowded
        said = self.cars.hear(heard.events, now) + self.cars.overdue(now)
        if len(self.cars.books) != self._places:
            self._places = len(self.cars.books)
            for prefix in self.cars.books:
                self._line.know(prefix)
        for prefix, words in said:
            self._say(prefix, words)
        if self._hands is not None:
            for wish in self._hands.look():
                self._ask(wish)

    def draw(self, screen: BoardScreen, now: float) -> None:
        """A frame, when one is due."""
        controls = self._controls
        if controls is not None and controls.take_changed():
            screen.hurry()
        if not screen.due():
            return
        if controls is not None:
            controls.shows(cars_items(self.cars))
        glyphs = glyphs_for(screen.console.encoding)
        screen.show_board(
            partial(cars_board, self.cars, now, glyphs=glyphs, controls=controls, chosen=self._chosen),
        )

    def lines(self, now: float) -> list[str]:
        """What is new of each car, in a line of its own that begins with its name."""
        if now - self._told_look < _LINES_LOOK_S:
            return []
        self._told_look = now
        lines = []
        # Without the broker one line is for all cars; what each of them is to be told is told again after it.
        own = notices(self.cars, now)
        label = f"{len(self.cars.books)} car{'' if len(self.cars.books) == 1 else 's'}"
        lines += self._news("", label, " | ".join(own) or "the broker is there", now)
        if self.cars.lost_s(now) is not None:
            return lines
        labels = self.cars.labels()
        for prefix in self.cars.books:
            lines += self._news(prefix, labels[prefix], self._words(prefix, now), now)
        return lines

    def calls(self) -> dict[str, tuple[str, int]]:
        """By car: the newest announcement that nobody has acknowledged."""
        return {prefix: book.newest_call for prefix, book in self.cars.books.items()}

    @property
    def _controls(self) -> CarControls | None:
        if self._hands is None:
            return None
        assert isinstance(self._hands.controls, CarControls)
        return self._hands.controls

    def _words(self, prefix: str, now: float) -> str:
        """All that stands at one car, in one line."""
        book = self.cars.books[prefix]
        doubt, words = self.cars.trouble(prefix, now), plain_words(book, now)
        if doubt.startswith(("NEVER", "NOT LET")):
            # A wall of several knows which cars should be there; a book of one doesn't.
            words = f"{doubt} | {words.split(' | ', 1)[-1]}"
        return words + (f" | {book.left_out} more left out" if book.left_out > 0 else "")

    def _news(self, prefix: str, label: str, words: str, now: float) -> list[str]:
        told = (label if prefix else "", steady(words))
        if told == self._told.get(prefix) or now - self._told_at.get(prefix, float("-inf")) < _LINE_EVERY_S:
            return []
        self._told[prefix], self._told_at[prefix] = told, now
        where = "" if not prefix or prefix == label else f" ({prefix})"
        return [f"{label}{where}: {words}"]

    def _choose(self, move: Move) -> None:
        """Another car: select its first alarm, and say how it is."""
        prefixes = list(self.cars.books)
        controls = self._controls
        if not prefixes or controls is None:
            return
        now = self._clock()
        before = controls.prefix or self._chosen
        if move is Move.URGENT_CAR:
            place = most_urgent(wall_tiles(self.cars, now))
        elif before in self.cars.books:
            place = (prefixes.index(before) + (1 if move is Move.NEXT_CAR else -1)) % len(prefixes)
        else:
            place = 0 if move is Move.NEXT_CAR else len(prefixes) - 1
        self._chosen = prefixes[place]
        if not controls.choose(self._chosen):
            self._say(self._chosen, f"no alarm here to select; {self._words(self._chosen, now)}")

    def _ask(self, wish: Wish) -> None:
        assert isinstance(wish, CarWish)
        prefix, now = wish.prefix, self._clock()
        book = self.cars.books[prefix]
        if not book.connected:
            self._say(prefix, "NOT SENT: no broker")
            return
        if book.deaf(now):
            self._say(prefix, "NOT SENT: no monitor is there to hear it")
            return
        try:
            command = self.cars.asks(prefix).ask(wish, book.run, now)
        except ActError as error:
            self._say(prefix, str(error))
            return
        self._say(prefix, "asked the monitor ...")
        self._line.send(prefix, command)

    def _say(self, prefix: str, words: str) -> None:
        if self._hands is not None:
            self._hands.answer(f"{self.cars.labels()[prefix]}: {words}")


def steady(words: str) -> str:
    """The words without their numbers: a growing age is no news."""
    return "".join(character for character in words if not character.isdigit())
