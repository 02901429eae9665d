"""Several cars on one terminal: one board, a cell for every car, and keys that reach the car that is seen."""

from __future__ import annotations

import io
import math
from pathlib import Path

import pytest
from rich.console import Console

from console.controls import CAR_MOVES, Controls, Duties
from console.fleet import FleetOptions, watch_fleet
from console.fleet_board import FleetBoard
from console.fleet_tiles import Tile, most_urgent, tile_lines
from console.key_help import keys_for
from console.keys import Keyboard
from console.paint import BLOCKS
from console.screen import BoardScreen
from console.stopping import Stopping
from tests.console.board_views import HOSTILE
from tests.console.test_fleet import alerts, by_hand, named
from tests.console.test_watch import frames, low
from tests.monitored import flat

DUTIES = Duties(live=True, ends="the watch of 2 cars", several=True)


class Typed(Keyboard):
    """Keys that come one look at a time, and only while it is entered."""

    def __init__(self, *looks: str) -> None:
        self.left = list(looks)
        self.entered = False

    def __enter__(self) -> Typed:
        self.entered = True
        return self

    def leave(self) -> None:
        self.entered = False

    def read(self) -> list[str]:
        assert self.entered
        return self.left.pop(0).split() if self.left else []

    @property
    def present(self) -> bool:
        return True


def shown_board(keyboard: Typed | None = None) -> tuple[FleetBoard, io.StringIO, list[str], list[str]]:
    out = io.StringIO()
    lines: list[str] = []
    said: list[str] = []
    console = Console(file=out, width=100, height=40, force_terminal=True, legacy_windows=False, _environ={})
    # Every look finds a frame due.
    ticks = iter(range(10**9))
    screen = BoardScreen(console, clock=lambda: float(next(ticks)), catch_signals=False)
    board = FleetBoard(lines.append, said.append, DUTIES, "Kim", screen=screen, keyboard=keyboard or Typed())
    return board, out, lines, said


def changes(results: Path) -> list[tuple[str, str]]:
    return [(alert["change"], alert["who"]) for alert in alerts(results) if alert["who"]]


@pytest.mark.parametrize(
    ("keys", "first", "second"),
    [
        (("tab a",), True, False),
        (("c", "", "tab a"), False, True),
        (("C", "", "tab a"), False, True),
        (("c", "", "c", "", "tab a"), True, False),
        # Before the other car's alarms have been drawn there is nothing selected: nothing is acknowledged.
        (("tab c a",), False, False),
        (("c", "", "tab", "C", "", "c a"), False, False),
    ],
)
def test_an_acknowledgement_reaches_the_car_that_is_seen(
    tmp_path: Path, keys: tuple[str, ...], first: bool, second: bool
) -> None:
    board, out, _, _ = shown_board(Typed("", "", *keys))
    options = FleetOptions(None, tmp_path, seconds=1.0 + 0.3 * len(keys))
    assert watch_fleet([named("One"), named("Two")], board, options, by_hand(frames(low()), frames(low()))) == 0
    assert bool(changes(tmp_path / "One")) is first
    assert bool(changes(tmp_path / "Two")) is second
    assert out.getvalue().endswith("\x1b[?1049l")


def test_a_car_without_samples_and_one_without_a_chain_are_said_to_be_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    board, out, lines, said = shown_board(Typed("", "", "c", "", "q", "y"))
    code = watch_fleet([named("One"), named("Two")], board, FleetOptions(None, tmp_path), by_hand(frames(low()), []))
    assert code == 0
    assert "Two: NO SAMPLES YET" in out.getvalue()
    assert any(line.startswith("One: ") for line in lines)
    assert any(line.startswith("Two: no samples came") for line in said)

    def fails(*_: object) -> None:
        raise RuntimeError("ill")

    monkeypatch.setattr("console.results.ResultsWriter.step", fails)
    board, out, _, said = shown_board(Typed("", "", "q", "y"))
    cars = [named("One"), named("Two")]
    chosen = FleetOptions(None, tmp_path, overwrite=True)
    assert watch_fleet(cars, board, chosen, by_hand(frames(flat(500)), frames(flat(500)))) == 1
    assert "NOT WATCHED ANY MORE" in out.getvalue()
    assert sum("NOT WATCHED ANY MORE" in line for line in said) == 2


def test_a_car_that_begins_after_the_board_has_gone_does_not_bring_it_back() -> None:
    keyboard = Typed()
    board, out, _, said = shown_board(keyboard)
    board.begin(["One", "Two"], Stopping())
    board.enter(0)
    board.enter_keys()
    board.say(1, "late")
    assert said == []
    board.close()
    assert said == ["Two: late"]
    gone = out.getvalue()
    board.enter(1)
    board.enter_keys()
    assert out.getvalue() == gone
    assert not keyboard.entered


def test_the_keys_for_cars_are_listed_and_obeyed_where_there_are_several() -> None:
    for duties, there in ((DUTIES, True), (Duties(live=True), False)):
        listed = {key for entry in keys_for(duties) for key in entry.keys}
        assert set(CAR_MOVES) & listed == (set(CAR_MOVES) if there else set())
        for key, move in CAR_MOVES.items():
            assert Controls("Kim", duties).press(key) is (move if there else None)


# ---------------------------------------------------------------- cells


def text(tiles: list[Tile], shown: int = 0, width: int = 80, height: int = 24) -> str:
    lines = tile_lines(tiles, shown, width, height, BLOCKS)
    assert all(line.cell_len == width for line in lines)
    assert 1 <= len(lines) <= max(1, height // 6)
    return "\n".join(line.plain for line in lines)


def test_a_cell_tells_a_cars_alarms_age_and_link() -> None:
    found = text([Tile("One", (2, 0, 1), (1, 0, 0), 0.12), Tile("Two", link="lost: gone", age_s=3.0)])
    assert ">One" in found
    assert "2 high! 1 low 0.1 s" in found
    assert "no alarm 3.0 s lost" in found
    assert "NOT WATCHED" in text([Tile("One", fault="ill")])
    assert "no samples" in text([Tile("One")])
    assert "BEHIND" in text([Tile("One", dropped=1, age_s=0.0)])


@pytest.mark.parametrize("width", [1, 20, 39, 80, 200])
@pytest.mark.parametrize("count", [1, 7, 60])
def test_no_alarm_is_out_of_sight(width: int, count: int) -> None:
    tiles = [Tile(f"Car {n}", age_s=0.0) for n in range(count)]
    tiles[-1] = Tile("Last", (1, 0, 0), (1, 0, 0), 0.0)
    found = text(tiles, width=width)
    if width >= 39:
        assert "Last" in found or "1 high!" in found
        assert "1 high!" in found


def test_the_alarms_of_cars_without_a_cell_are_counted() -> None:
    tiles = [Tile(f"Car {n}", (1, 1, 0), (1, 0, 0), 0.0) for n in range(50)]
    assert "43 more cars: 43 high! 43 medium" in text(tiles)


def test_names_from_a_sheet_can_not_disturb_the_terminal() -> None:
    found = text([Tile(HOSTILE, link=HOSTILE, fault=HOSTILE)])
    assert all(letter.isprintable() or letter == "\n" for letter in found)


def test_who_needs_a_person_first() -> None:
    calm, low_alarm = Tile("a", age_s=0.0), Tile("b", (0, 0, 3), (0, 0, 3), 0.0)
    high, ill = Tile("c", (1, 0, 0), (1, 0, 0), 0.0), Tile("d", age_s=0.0, fault="ill")
    seen, silent = Tile("e", (1, 0, 0), (0, 0, 0), 0.0), Tile("f", age_s=math.nan)
    order = [calm, seen, silent, low_alarm, high, ill]
    assert [most_urgent(order[: n + 1]) for n in range(6)] == list(range(6))
    assert most_urgent([calm, calm]) == 0


def test_a_rehearsals_cell_tells_that_and_which_car_it_is() -> None:
    line = text([Tile("REHEARSAL Lapwing 1", age_s=0.1), Tile("REHEARSAL Lapwing 2", age_s=0.1)])
    assert ">Lapwing 1    REHEARSAL no alarm 0.1 s" in line
    assert " Lapwing 2    REHEARSAL no alarm 0.1 s" in line
