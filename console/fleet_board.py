"""The board for several cars: one car's board at a time, and a cell for each car above it.

In: the cars' names, their tiles, a person's keys. Out: frames on one terminal, lines on it afterwards. Keys go to the
car that is shown and to no other: after a change of car none acts on an alarm before that car's have been drawn.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence

from rich.text import Text

from console.board import Board, BoardOptions, render
from console.board_outlet import BoardOutlet
from console.command import person_name
from console.controls import CAR_MOVES, Controls, Duties, Move
from console.fleet_tiles import Tile, most_urgent, tile_lines
from console.hands import Hands
from console.keys import Keyboard, open_keyboard
from console.outlet import Outlet
from console.paint import STRONG, block, glyphs_for, pieces, safe, wrap
from console.screen import BoardScreen
from console.stopping import Stopping
from console.view import BoardView

_LINES_KEPT = 200  # what is said while the board is up and told on the normal screen afterwards


class FleetBoard:
    """Shows several cars on one terminal.

    Parameters
    ----------
    write, warn : callable
        Take lines when no board is up: of a run, and of what is not part of one.
    duties : Duties
        What can be done here.
    name : str or None
        Who is at the keys.
    no_color : bool
        Leave colour out.
    screen, keyboard
        The terminal and its keys; by default standard output and input.
    """

    def __init__(
        self,
        write: Callable[[str], None],
        warn: Callable[[str], None],
        duties: Duties,
        name: str | None = None,
        *,
        no_color: bool = False,
        screen: BoardScreen | None = None,
        keyboard: Keyboard | None = None,
    ) -> None:
        self._write = write
        self._warn = warn
        self._duties = duties
        self._who = person_name(name)
        self._no_color = no_color
        self.screen = screen or BoardScreen(no_color=no_color, catch_signals=False)
        self._keyboard = keyboard or open_keyboard()
        self._names: Sequence[str] = ()
        self._hands: list[Hands] = []
        self._controls: list[Controls] = []
        self._stopping = Stopping()
        self._said: deque[str] = deque(maxlen=_LINES_KEPT)
        self._keys: deque[str] = deque()
        self._tiles_now: Callable[[], list[Tile]] = list
        self._tiles: list[Tile] = []  # of the last frame
        self._begun: set[int] = set()
        self._up = self._over = self._at_keys = False
        self.shown = 0

    # ---------------------------------------------------------------- what the fleet calls

    def begin(self, names: Sequence[str], stopping: Stopping) -> None:
        """Keep the names; the screen is taken with the first sample of any car."""
        self._names, self._stopping = names, stopping

    def ends_of(self, number: int) -> tuple[Outlet, Hands | None]:
        """One car's board, and the person at the keys while it is shown."""

        def write(line: str) -> None:
            self._write(f"{self._names[number]}: {line}" if line else line)

        controls = Controls(self._who, self._duties)
        outlet = BoardOutlet(write, no_color=self._no_color, controls=controls, screen=_CarScreen(self, number))
        if self._keyboard is None:
            return outlet, None
        hands = Hands(_CarKeys(self, number), controls, outlet)
        hands.on_car = self.change_car
        self._hands.append(hands)
        self._controls.append(controls)
        return outlet, hands

    def say(self, number: int, line: str) -> None:
        """Tell something now, or once the board is gone."""
        told = f"{self._names[number]}: {line}"
        if self._up:
            self._said.append(told)
        else:
            self._warn(told)

    def look(self, tiles: Callable[[], list[Tile]]) -> None:
        """Show a car that has no board of its own: nothing has come yet, or its watch ended by a fault."""
        self._tiles_now = tiles
        if not self._up:
            return
        if self.screen.due():
            self._tiles = tiles()
        if self.shown in self._begun and not (self._tiles and self._tiles[self.shown].fault):
            return
        if self._hands:
            hands = self._hands[self.shown]
            hands.begin(self._stopping)
            hands.look()
        if self.screen.due():
            self.draw(self._waiting)

    def close(self) -> None:
        """Give the terminal back, and tell what was said meanwhile; closing twice does no harm."""
        self.leave_keys()
        self.leave()

    # ---------------------------------------------------------------- what the cars' boards call

    def enter(self, number: int) -> None:
        """A car's board begins; the first one takes the screen and is shown."""
        self._begun.add(number)
        if not self._up and not self._over:
            self.screen.__enter__()
            self._up = True
            self.shown = number

    def leave(self) -> None:
        """Give the screen back, for good: what the other cars still bring comes in lines."""
        self._over = True
        if self._up:
            self._up = False
            self.screen.__exit__(None, None, None)
            while self._said:
                self._warn(self._said.popleft())

    def draw(self, make: Callable[[int, int], Board]) -> None:
        """Draw the cars' cells and below them what `make` gives for the room that is left."""
        tiles = self._tiles = self._tiles_now()
        glyphs = glyphs_for(self.screen.console.encoding)

        def whole(width: int, height: int) -> Board:
            top = tile_lines(tiles, self.shown, width, height, glyphs) if tiles else []
            room = max(1, height - len(top))
            return Board(block([*top, *make(width, room).lines], width, height))

        self.screen.show_board(whole)

    def change_car(self, move: Move) -> None:
        """Show another car."""
        if move is Move.URGENT_CAR:
            tiles = self._tiles_now()
            self.shown = most_urgent(tiles) if tiles else self.shown
        else:
            self.shown = (self.shown + (1 if move is Move.NEXT_CAR else -1)) % len(self._names)
        if self._controls:
            # What was selected here before is not acted on until it is seen again.
            self._controls[self.shown].shows(())
        self.screen.hurry()

    def take_keys(self, number: int) -> list[str]:
        """Keys for one car, while it is shown: up to one that changes the car, the others are for the next."""
        if number != self.shown or self._keyboard is None or not self._at_keys:
            return []
        self._keys.extend(self._keyboard.read())
        taken: list[str] = []
        while self._keys and not (taken and taken[-1] in CAR_MOVES):
            taken.append(self._keys.popleft())
        return taken

    def enter_keys(self) -> None:
        """Take the keyboard, once."""
        if not self._at_keys and not self._over and self._keyboard is not None:
            self._keyboard.__enter__()
            self._at_keys = True

    def leave_keys(self) -> None:
        """Give the keyboard back."""
        if self._at_keys and self._keyboard is not None:
            self._at_keys = False
            self._keyboard.leave()

    @property
    def up(self) -> bool:
        """Whether the board is on the screen."""
        return self._up

    @property
    def keys_present(self) -> bool:
        """Whether there can be anybody at the keys."""
        return self._keyboard is not None and self._keyboard.present

    def _waiting(self, width: int, height: int) -> Board:
        glyphs = glyphs_for(self.screen.console.encoding)
        tile = self._tiles[self.shown] if self._tiles else Tile(self._names[self.shown])
        said = f"NOT WATCHED ANY MORE: {tile.fault}" if tile.fault else "NO SAMPLES YET"
        lines: list[Text] = []
        for words in (f"{tile.name}: {said}", f"link {tile.link}"):
            lines += [pieces((line, STRONG)) for line in wrap(safe(f" {words}", glyphs), width, glyphs, 1, 1)]
        asked = self._controls[self.shown].asking if self._controls else ""
        lines += [pieces(), pieces(f" {asked or 'c: the next car  q: quit'}")]
        return Board(block(lines, width, height))


class _CarScreen(BoardScreen):
    """The shared terminal as one car's board sees it: due while that car is shown."""

    def __init__(self, fleet: FleetBoard, number: int) -> None:
        self._fleet = fleet
        self._number = number
        self.console = fleet.screen.console

    def __enter__(self) -> _CarScreen:
        self._fleet.enter(self._number)
        return self

    def __exit__(self, *_: object) -> None:
        self._fleet.leave()

    def rest(self) -> None:
        self._fleet.screen.rest()

    def wake(self) -> None:
        self._fleet.screen.wake()

    def hurry(self) -> None:
        if self._visible:
            self._fleet.screen.hurry()

    def due(self, now: float | None = None) -> bool:
        return self._visible and self._fleet.screen.due(now)

    def show(self, view: BoardView) -> None:
        options = BoardOptions(glyphs_for(self.console.encoding))
        self.show_board(lambda width, height: render(view, width, height, options))

    def show_board(self, make: Callable[[int, int], Board]) -> None:
        if self._visible:
            self._fleet.draw(make)

    @property
    def _visible(self) -> bool:
        return self._fleet.up and self._fleet.shown == self._number


class _CarKeys(Keyboard):
    """The shared keyboard as one car's hands see it."""

    def __init__(self, fleet: FleetBoard, number: int) -> None:
        self._fleet = fleet
        self._number = number

    def __enter__(self) -> _CarKeys:
        self._fleet.enter_keys()
        return self

    def leave(self) -> None:
        self._fleet.leave_keys()

    def read(self) -> list[str]:
        return self._fleet.take_keys(self._number)

    @property
    def present(self) -> bool:
        return self._fleet.keys_present

    def suspend(self) -> None:
        """A live run is not suspended."""
