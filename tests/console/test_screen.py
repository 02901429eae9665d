from __future__ import annotations

import io
import os
import re
import signal
from dataclasses import replace
from pathlib import Path
from typing import IO, Any

import pytest
from rich.console import Console

from console.paint import ASCII
from console.screen import BoardScreen, Terminated, board_text, can_show_board, export_svg, make_console
from console.view import BoardView
from tests.console.board_views import HOSTILE, make_alert, make_view

ENTER, LEAVE = "\x1b[?1049h", "\x1b[?1049l"
SHOW_CURSOR = "\x1b[?25h"
OWN_CODES = re.compile(r"\x1b\[\??[0-9;]*[A-Za-z]")


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


class SlowFile(io.StringIO):
    def __init__(self, clock: Clock, takes_s: float) -> None:
        super().__init__()
        self._clock, self._takes_s = clock, takes_s

    def write(self, text: str) -> int:
        self._clock.now += self._takes_s
        return super().write(text)


def written(console: Console) -> str:
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def make_file_console(
    width: int = 120, height: int = 40, file: IO[str] | None = None, environ: dict[str, str] | None = None
) -> Console:
    settings = {"TERM": "xterm-256color", **(environ or {})}
    return Console(file=file or io.StringIO(), force_terminal=True, width=width, height=height, _environ=settings)


def output_of(view: BoardView, **options: Any) -> str:
    console = make_file_console(**options)
    with BoardScreen(console) as screen:
        screen.show(view)
    return written(console)


def test_takes_the_screen_and_gives_it_back() -> None:
    text = output_of(make_view())
    assert text.startswith(ENTER)
    assert text.endswith(LEAVE)
    assert SHOW_CURSOR in text[text.rindex("TRAVEL") :]


def test_an_exception_inside_reaches_the_caller_and_the_screen_is_given_back() -> None:
    console = make_file_console()
    with pytest.raises(RuntimeError, match="inside"), BoardScreen(console):
        raise RuntimeError("inside")
    assert written(console).endswith(LEAVE)


def test_handlers_are_put_back() -> None:
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGHUP)}
    with BoardScreen(make_file_console()):
        assert signal.getsignal(signal.SIGTERM) != before[signal.SIGTERM]
    assert {number: signal.getsignal(number) for number in before} == before


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_becomes_terminated(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    # A test run started with nohup would ignore SIGHUP, and so, rightly, would the screen.
    monkeypatch.setattr(signal, "getsignal", lambda _: signal.SIG_DFL)
    with pytest.raises(Terminated) as caught, BoardScreen(make_file_console()):
        os.kill(os.getpid(), number)
    assert caught.value.signal == number
    assert caught.value.exit_code == 128 + number


def test_handlers_of_the_caller_are_left_alone_when_asked() -> None:
    before = signal.getsignal(signal.SIGTERM)
    with BoardScreen(make_file_console(), catch_signals=False):
        assert signal.getsignal(signal.SIGTERM) == before


def test_only_lines_that_changed_are_sent_again() -> None:
    console = make_file_console()
    with BoardScreen(console, synchronised=False) as screen:
        screen.show(make_view())
        whole = len(written(console))
        screen.show(make_view())
        assert len(written(console)) == whole
        screen.show(make_view(car="Lapwing 4"))
        change = written(console)[whole:]
    assert change.count("\x1b[1;1H") == 1
    assert len(re.findall(r"\x1b\[\d+;1H", change)) == 1
    assert "Lapwing 4" in change


def test_a_new_size_repaints_everything() -> None:
    console = make_file_console()
    with BoardScreen(console) as screen:
        screen.show(make_view())
        console.width, console.height = 80, 24
        done = len(written(console))
        screen.show(make_view())
        again = written(console)[done:]
    assert "\x1b[2J" in again
    assert len(re.findall(r"\x1b\[\d+;1H", again)) == 24


def test_five_frames_a_second() -> None:
    clock = Clock()
    with BoardScreen(make_file_console(), clock=clock) as screen:
        assert screen.due()
        screen.show(make_view())
        assert not screen.due()
        assert not screen.due(100.19)
        assert screen.due(100.21)


def test_a_slow_terminal_gets_fewer_frames() -> None:
    clock = Clock()
    console = make_file_console(file=SlowFile(clock, 1.0))
    with BoardScreen(console, clock=clock) as screen:
        screen.show(make_view())
        assert not screen.due(clock.now + 2.9)
        assert screen.due(clock.now + 4.1)


def test_hostile_strings_never_reach_the_terminal_raw() -> None:
    view = make_view(
        car=HOSTILE,
        lap_name=HOSTILE,
        suppressed=(HOSTILE,),
        alerts=(make_alert(where=HOSTILE, sentence=HOSTILE, check_first=HOSTILE, since_lap=HOSTILE),),
    )
    view = replace(view, status=replace(view.status, source=HOSTILE))
    for width, height in ((80, 24), (120, 40), (200, 60), (40, 10)):
        left = OWN_CODES.sub("", output_of(view, width=width, height=height))
        assert not set(left) & set("\x1b\x9b\u202e\u200b\n\r\x00\x07\x7f")
        assert "[bold red]" in left


def test_no_color_keeps_reverse_video() -> None:
    coloured = output_of(make_view())
    plain = output_of(make_view(), environ={"NO_COLOR": "1"})
    codes = {code for found in re.findall(r"\x1b\[([0-9;]*)m", plain) for code in found.split(";") if code}
    assert codes <= {"0", "1", "7"}
    assert "7" in codes
    assert "38" in {code for found in re.findall(r"\x1b\[([0-9;]*)m", coloured) for code in found.split(";")}
    assert OWN_CODES.sub("", plain) == OWN_CODES.sub("", coloured)


def test_the_switch_does_what_no_color_does() -> None:
    assert make_console(io.StringIO(), no_color=True).no_color
    assert not make_console(io.StringIO()).no_color or "NO_COLOR" in os.environ


def test_exported_columns_do_not_pin_the_size(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "13")
    monkeypatch.setenv("LINES", "7")
    assert make_console(io.StringIO()).size != (13, 7)


def test_an_encoding_without_blocks_gets_ascii() -> None:
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding="ascii")
    console = make_file_console(file=file)
    view = make_view(car="Läpwing")
    with BoardScreen(console) as screen:
        screen.show(view)
    assert raw.getvalue().isascii()
    assert ASCII.full * 3 in raw.getvalue().decode()
    assert "TRAVEL" in raw.getvalue().decode()


def test_a_file_is_no_place_for_the_board() -> None:
    assert not can_show_board(io.StringIO())


class TerminalFile(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("term", "shown"), [("xterm", True), ("dumb", False), ("unknown", False)])
def test_only_a_terminal_that_can_place_its_cursor_gets_the_board(
    monkeypatch: pytest.MonkeyPatch, term: str, shown: bool
) -> None:
    monkeypatch.setenv("TERM", term)
    monkeypatch.setenv("FORCE_COLOR", "1")
    assert can_show_board(TerminalFile()) is shown
    # Forcing colour into a pipe does not make a terminal of it.
    assert not can_show_board(io.StringIO())


def test_board_as_text() -> None:
    lines = board_text(make_view(), 80, 24, io.TextIOWrapper(io.BytesIO(), encoding="utf-8")).splitlines()
    assert len(lines) == 24
    assert not any("\x1b" in line for line in lines)


def test_picture_needs_nothing_from_elsewhere(tmp_path: Path) -> None:
    path = tmp_path / "board.svg"
    export_svg(make_view(car="<script>&\x1b[2J"), path)
    text = path.read_text(encoding="utf-8")
    assert "damperwatch" in text
    assert "FRONT" in text
    assert set(re.findall(r"https?://[^\"' ]+", text)) == {"http://www.w3.org/2000/svg"}
    assert "font-face" not in text
    assert "<script" not in text
    assert "\x1b" not in text


def test_picture_is_well_formed_and_the_same_every_time(tmp_path: Path) -> None:
    from xml.etree import ElementTree

    for name in ("one.svg", "two.svg"):
        export_svg(make_view(), tmp_path / name, 80, 24)
    assert ElementTree.parse(tmp_path / "one.svg").getroot().tag.endswith("svg")
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two.svg").read_bytes()
