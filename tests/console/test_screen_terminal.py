"""The board in a process of its own on a pseudo-terminal, seen through a terminal emulator."""

from __future__ import annotations

import os
import signal
import struct
import subprocess
import sys
from pathlib import Path

import pyte
import pytest

if sys.platform == "win32":
    pytest.skip("needs a pseudo-terminal", allow_module_level=True)
import fcntl
import pty
import termios

ROOT = Path(__file__).parents[2]
CHILD = """
import signal
import sys
from console.screen import BoardScreen, Terminated
from tests.console.board_views import make_view
way = sys.argv[1]
signal.signal(signal.SIGHUP, signal.SIG_DFL)  # ignored when the tests were started with nohup
try:
    with BoardScreen() as screen:
        screen.show(make_view())
        if way == "exception":
            raise RuntimeError
        while way == "wait":
            screen.show(make_view())
except Terminated as end:
    sys.exit(end.exit_code)
except RuntimeError:
    sys.exit(1)
"""
FRAME_ENDS = b"\x1b[?2026l"


def set_size(terminal: int, width: int, height: int) -> None:
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", height, width, 0, 0))


class Child:
    """A process with the board on its own terminal, and all that it wrote."""

    def __init__(self, way: str, width: int = 80, height: int = 24) -> None:
        self.terminal, inside = pty.openpty()
        set_size(self.terminal, width, height)
        environ = {k: v for k, v in os.environ.items() if k not in {"NO_COLOR", "FORCE_COLOR"}}
        # Exported sizes, as some shells do, must not pin the board's.
        environ |= {"TERM": "xterm-256color", "PYTHONIOENCODING": "utf-8", "COLUMNS": "60", "LINES": "20"}
        self.process = subprocess.Popen(
            [sys.executable, "-c", CHILD, way], stdin=inside, stdout=inside, stderr=inside, cwd=ROOT, env=environ
        )
        os.close(inside)
        self.output = b""

    def read(self, frames: int = 1) -> None:
        """Read until so many more frames are complete."""
        wanted = self.output.count(FRAME_ENDS) + frames
        while self.output.count(FRAME_ENDS) < wanted:
            self.output += os.read(self.terminal, 65536)

    def end(self) -> int:
        """Read what is left; return the exit code."""
        while True:
            try:
                part = os.read(self.terminal, 65536)
            except OSError:  # how a pseudo-terminal says that the other end is closed
                break
            if not part:
                break
            self.output += part
        os.close(self.terminal)
        return self.process.wait(timeout=30)

    def display(self, width: int, height: int) -> list[str]:
        screen = pyte.Screen(width, height)
        pyte.ByteStream(screen).feed(self.output[self.output.rindex(b"\x1b[2J") :].split(b"\x1b[?1049l")[0])
        return screen.display


def is_restored(output: bytes) -> bool:
    return output.rindex(b"\x1b[?1049l") > output.rindex(b"\x1b[?1049h") and (
        output.rindex(b"\x1b[?25h") > output.rindex(b"\x1b[?25l")
    )


@pytest.mark.parametrize(("way", "code"), [("normal", 0), ("exception", 1)])
def test_terminal_is_restored_on_the_way_out(way: str, code: int) -> None:
    child = Child(way)
    assert child.end() == code
    assert is_restored(child.output)
    assert any("TRAVEL" in line for line in child.display(80, 24))


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_terminal_is_restored_after_a_signal(number: int) -> None:
    child = Child("wait")
    child.read()
    child.process.send_signal(number)
    assert child.end() == 128 + number
    assert is_restored(child.output)


def test_resize_is_followed() -> None:
    child = Child("wait")
    child.read()
    display = child.display(80, 24)
    assert display[0].startswith("replay")
    assert not any("BUMP STOP" in line for line in display)
    set_size(child.terminal, 120, 40)
    child.read()
    display = child.display(120, 40)
    assert display[0].startswith("Lapwing 3")
    assert any("BUMP STOP" in line for line in display)
    assert "CAUTION" in "".join(display)
    child.process.send_signal(signal.SIGTERM)
    child.end()
