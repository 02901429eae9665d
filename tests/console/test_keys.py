"""Keys as a terminal sends them, from a pipe and from a real pseudo-terminal: named, bounded, harmless."""

from __future__ import annotations

import io
import os
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prompt_toolkit.input import PipeInput, create_input, create_pipe_input

from console.keys import Keyboard, open_keyboard

if sys.platform == "win32":
    pytest.skip("needs a pseudo-terminal", allow_module_level=True)
import pty
import termios


class Hand:
    """A clock that passes when told to."""

    def __init__(self) -> None:
        self.time_s = 100.0

    def __call__(self) -> float:
        return self.time_s


class Typed:
    """A keyboard on a pipe, read as the chain does."""

    def __init__(self, pipe: PipeInput) -> None:
        self.pipe, self.hand = pipe, Hand()
        self.keyboard = Keyboard(pipe, clock=self.hand)

    def look(self, text: str = "", after_s: float = 0.05) -> list[str]:
        if text:
            self.pipe.send_text(text)
        self.hand.time_s += after_s
        return self.keyboard.read()


@pytest.fixture
def typed() -> Iterator[Typed]:
    with create_pipe_input() as pipe:
        made = Typed(pipe)
        with made.keyboard:
            yield made


@pytest.mark.parametrize(
    ("sent", "keys"),
    [
        ("a", ["a"]),
        ("aR?", ["a", "R", "?"]),
        (" ", [" "]),
        ("\x1b[A", ["up"]),
        ("\x1bOB", ["down"]),
        ("\x1b[C\x1b[D", ["right", "left"]),
        ("\t", ["tab"]),
        ("\x1b[Z", ["back tab"]),
        ("\r", ["enter"]),
        ("\n", ["enter"]),
        ("\x1b[5~\x1b[6~", ["page up", "page down"]),
        ("\x1b[H\x1b[F", ["home", "end"]),
        ("\x1bOP", ["?"]),
        ("\x03", ["interrupt"]),
        ("\x1a", ["suspend"]),
        ("é", ["é"]),
        ("\x1b[15~", []),  # F5
        ("\x00\x01\x07\x7f", []),
        ("\x1b[<0;5;5M", []),  # a mouse
        ("\x1b[12;40R", []),  # an answer about the cursor's place
        ("\x1b[200~aaq\x1b[201~", []),  # a paste that says so
    ],
)
def test_a_key_has_its_name_and_what_is_no_key_has_none(typed: Typed, sent: str, keys: list[str]) -> None:
    assert typed.look(sent) == keys


def test_escape_alone_is_a_key_once_nothing_follows(typed: Typed) -> None:
    assert typed.look("\x1b") == []
    assert typed.look(after_s=0.2) == ["escape"]
    assert typed.look("a") == ["a"]


def test_an_arrow_cut_in_two_is_one_key(typed: Typed) -> None:
    assert typed.look("\x1b[") == []
    assert typed.look("A") == ["up"]


@pytest.mark.parametrize("sent", ["\x1ba", "\x1b[99;5a", "\x1b]0;a\x07", "\x1b[?61;4a", "\x1bPq\x1b\\"])
def test_letters_in_a_sequence_nobody_knows_are_no_keys(typed: Typed, sent: str) -> None:
    assert "a" not in typed.look(sent)
    assert not {"a", "q"} & set(typed.look(after_s=0.2))
    assert typed.look("r", after_s=0.2) == ["r"]


def test_a_flood_comes_to_nothing_and_so_does_its_tail(typed: Typed) -> None:
    assert typed.look("a" * 50) == []
    assert typed.look("aaa") == []
    assert typed.look(after_s=0.5) == []
    assert typed.look("a") == ["a"]


def test_a_megabyte_without_an_end_is_let_go(typed: Typed) -> None:
    left = "\x1b[200~" + "aq\x1b[A" * 200_000
    keys: list[str] = []
    while left:
        part, left = left[:32_768], left[32_768:]
        keys += typed.look(part)
        keys += typed.look() + typed.look() + typed.look()
    for _ in range(100):
        keys += typed.look(after_s=0.5)
    assert keys == []
    parser = getattr(typed.pipe, "vt100_parser")  # noqa: B009
    assert not parser._in_bracketed_paste
    assert len(getattr(parser, "_paste_buffer", "")) < 100_000
    assert typed.look("a") == ["a"]


def test_a_paste_that_never_ends_does_not_hold_the_keys_for_ever(typed: Typed) -> None:
    assert typed.look("\x1b[200~half") == []
    assert typed.look(after_s=2.0) == []
    assert typed.look("a", after_s=2.0) == ["a"]


@given(st.lists(st.binary(max_size=40), max_size=8))
def test_any_bytes_give_keys_that_are_one_sign_or_a_name(parts: list[bytes]) -> None:
    with create_pipe_input() as pipe:
        hand = Hand()
        keyboard = Keyboard(pipe, clock=hand)
        with keyboard:
            for part in parts:
                if part:
                    pipe.send_bytes(part)
                hand.time_s += 0.05
                for key in keyboard.read():
                    assert key.isprintable()
                    assert len(key) <= 9


def test_a_terminal_is_set_and_given_back(capfd: pytest.CaptureFixture[str]) -> None:
    outside, inside = pty.openpty()
    found = termios.tcgetattr(inside)
    with os.fdopen(inside, "r", closefd=False) as stream:
        keyboard = open_keyboard(stream)
        assert keyboard is not None
        for _ in range(2):  # it may be taken again
            with keyboard:
                settings = termios.tcgetattr(inside)
                assert not settings[3] & (termios.ECHO | termios.ICANON)
                assert settings[3] & termios.ISIG
                os.write(outside, b"a\x1b[A")
                keys: list[str] = []
                while len(keys) < 2:
                    keys += keyboard.read()
                assert keys == ["a", "up"]
            assert termios.tcgetattr(inside) == found
        keyboard.leave()
    assert capfd.readouterr().out.count("\x1b[?2004h") == 2
    os.close(inside)
    os.close(outside)


def test_typing_from_before_is_no_keys() -> None:
    outside, inside = pty.openpty()
    os.write(outside, b"aq\n")
    with os.fdopen(inside, "r", closefd=False) as stream, Keyboard(create_input(stream)) as keyboard:
        assert keyboard.read() == []
    os.close(inside)
    os.close(outside)


def test_what_is_no_terminal_is_not_read() -> None:
    reading, writing = os.pipe()
    os.write(writing, b"data")
    with os.fdopen(reading) as stream:
        assert open_keyboard(stream) is None
        os.close(writing)
        assert stream.read() == "data"
    assert open_keyboard(io.StringIO("data")) is None
    closed = io.StringIO()
    closed.close()
    assert open_keyboard(closed) is None


def test_one_module_alone_knows_of_the_library() -> None:
    root = Path(__file__).parents[2]
    users = [
        path.name
        for package in ("ingest", "dsp", "alerts", "console")
        for path in (root / package).glob("*.py")
        if re.search(r"^\s*(from|import) prompt_toolkit", path.read_text(encoding="utf-8"), re.MULTILINE)
    ]
    assert users == ["keys.py"]
