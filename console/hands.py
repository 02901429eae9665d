"""The person at a screen's keys: reads them, obeys those that concern the run, and hands on what is asked of alarms.

In: a keyboard and the state of the keys. Out: wishes on alarms, for the run to carry out and answer. Called from the
run's own thread only, never waits, and leaves the terminal as it was found.
"""

from __future__ import annotations

import signal
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

from console.command import Wish, person_name
from console.controls import CAR_MOVES, Controls, Duties, Move
from console.pace import Pacer
from console.stopping import Stopping

if TYPE_CHECKING:
    from console.board_outlet import BoardOutlet
    from console.keys import Keyboard


class Screen(Protocol):
    """What must be given back while the program is suspended."""

    def rest(self) -> None:
        """Give the screen back."""

    def wake(self) -> None:
        """Take it again."""


class Hands:
    """One person at one screen.

    Parameters
    ----------
    keyboard : Keyboard
        Entered by `begin`, left by `close`.
    controls : Controls
        Shared with whatever draws the screen.
    screen : Screen
        That screen.
    """

    def __init__(self, keyboard: Keyboard, controls: Controls, screen: Screen) -> None:
        self.controls = controls
        self.used = False
        self.on_car: Callable[[Move], None] | None = None  # where there are several cars: shows another
        self._keyboard = keyboard
        self._screen = screen
        self._stopping: Stopping | None = None
        self._pacer: Pacer | None = None

    def begin(self, stopping: Stopping, pacer: Pacer | None = None) -> None:
        """Take the keyboard; `pacer` is that of a replay."""
        self._stopping, self._pacer = stopping, pacer
        self._keyboard.__enter__()

    def close(self) -> None:
        """Give the keyboard back; closing twice does no harm."""
        self._keyboard.leave()

    def look(self) -> list[Wish]:
        """What was asked of alarms since the last look."""
        wishes: list[Wish] = []
        for key in self._keyboard.read():
            self.used = True
            asked = self.controls.press(key)
            if isinstance(asked, Wish):
                wishes.append(asked)
            elif asked is not None:
                self._obey(asked)
        return wishes

    @property
    def present(self) -> bool:
        """Whether there can be anybody: a program in the background has no keys."""
        return self._keyboard.present

    def answer(self, words: str) -> None:
        """Say what became of a wish."""
        self.controls.say(words)

    def _obey(self, move: Move) -> None:
        if move is Move.INTERRUPT:
            signal.raise_signal(signal.SIGINT)
        elif move is Move.SUSPEND:
            self._suspend()
        elif move is Move.QUIT and self._stopping is not None:
            self.controls.ending()
            self._stopping.ask()
        elif move in CAR_MOVES.values():
            if self.on_car is not None:
                self.on_car(move)
        elif self._pacer is not None:
            steps: dict[Move, Callable[[], None]] = {
                Move.PAUSE: self._pacer.pause,
                Move.STEP: self._pacer.step,
                Move.FASTER: self._pacer.faster,
                Move.SLOWER: self._pacer.slower,
            }
            steps[move]()

    def _suspend(self) -> None:
        if self.controls.duties.live:
            self.controls.say("Not suspended: a stopped watch would neither record nor warn")
            return
        self._keyboard.leave()
        self._screen.rest()
        self._keyboard.suspend()
        self._screen.wake()
        self._keyboard.__enter__()
        if self._pacer is not None:
            self._pacer.rebase()


def board_with_keys(
    write: Callable[[str], None], duties: Duties, name: str | None, *, no_color: bool
) -> tuple[BoardOutlet, Hands | None]:
    """The board on this terminal, and the person at its keys where standard input is a terminal too."""
    from console.board_outlet import BoardOutlet
    from console.keys import open_keyboard

    keyboard = open_keyboard()
    if keyboard is None:
        return BoardOutlet(write, no_color=no_color), None
    controls = Controls(person_name(name), duties)
    outlet = BoardOutlet(write, no_color=no_color, controls=controls)
    return outlet, Hands(keyboard, controls, outlet)
