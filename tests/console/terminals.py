"""The command in a process of its own on a pseudo-terminal that is its controlling one, seen through an emulator."""

from __future__ import annotations

import contextlib
import os
import select
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyte
import pytest

if sys.platform == "win32":
    pytest.skip("needs a pseudo-terminal", allow_module_level=True)
import fcntl
import pty
import termios

ROOT = Path(__file__).parents[2]
PATIENCE_S = 60.0
# The child makes the terminal its own, as a shell does, so that Ctrl-C reaches it as a signal.
START = "import fcntl, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0)\n"
COMMAND = START + "from console.cli import main; main()"


class Terminal:
    """A program on a terminal: keys go in by `press`, `wait` reads until the screen is as wanted."""

    def __init__(self, code: str, *arguments: str | Path, width: int = 80, height: int = 24) -> None:
        self.outside, self.inside = pty.openpty()
        fcntl.ioctl(self.inside, termios.TIOCSWINSZ, struct.pack("HHHH", height, width, 0, 0))
        self.found = termios.tcgetattr(self.inside)
        environ = {k: v for k, v in os.environ.items() if k not in {"NO_COLOR", "FORCE_COLOR", "COLUMNS", "LINES"}}
        environ |= {"TERM": "xterm-256color", "PYTHONIOENCODING": "utf-8", "PYTHONPATH": str(ROOT)}
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, *map(str, arguments)],
            stdin=self.inside,
            stdout=self.inside,
            stderr=self.inside,
            env=environ,
            start_new_session=True,
        )
        self.output = b""
        self._screen = pyte.Screen(width, height)
        self._stream = pyte.ByteStream(self._screen)
        self._until = time.monotonic() + PATIENCE_S

    def press(self, keys: str | bytes) -> None:
        """Type; what does not fit into the terminal's buffer waits while the program's output is read."""
        waiting = keys.encode() if isinstance(keys, str) else keys
        os.set_blocking(self.outside, False)
        while waiting:
            assert time.monotonic() < self._until, "nobody reads the keys"
            _, writable, _ = select.select([], [self.outside], [], 0.02)
            if writable:
                with contextlib.suppress(BlockingIOError):
                    waiting = waiting[os.write(self.outside, waiting[:2048]) :]
            self._read(0.0)

    def text(self) -> str:
        """The screen as it is, lines joined."""
        return "\n".join(self._screen.display)

    def wait(self, seen: Callable[[str], Any]) -> str:
        """Read until the screen's text is as wanted; returns it."""
        while not seen(self.text()):
            assert time.monotonic() < self._until, self.text()
            assert self.process.poll() is None or self._read(0.0), self.text()
            self._read(0.1)
        return self.text()

    def shows(self, words: str) -> str:
        """Read until the screen shows these words, however its lines break; returns its text on one line."""
        wanted = " ".join(words.split())
        return " ".join(self.wait(lambda text: wanted in " ".join(text.split())).split())

    def look(self, wait_s: float) -> None:
        """Read what comes within so long, at most."""
        assert time.monotonic() < self._until, self.text()
        self._read(wait_s)

    def end(self) -> int:
        """Read what is left until the program has ended; returns its exit code."""
        while self.process.poll() is None:
            assert time.monotonic() < self._until, self.text()
            self._read(0.1)
        while self._read(0.0):
            pass
        return self.process.returncode

    @property
    def settings(self) -> list[Any]:
        """How the terminal is set now."""
        return termios.tcgetattr(self.inside)

    @property
    def is_restored(self) -> bool:
        """Whether settings, screen, cursor and pastes are as they were found."""
        out = self.output
        marks = [(b"\x1b[?1049l", b"\x1b[?1049h"), (b"\x1b[?25h", b"\x1b[?25l"), (b"\x1b[?2004l", b"\x1b[?2004h")]
        return self.settings == self.found and all(out.rindex(last) > out.rindex(first) for last, first in marks)

    def close(self) -> None:
        """End the program at once if it still runs."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(PATIENCE_S)
        for end in (self.outside, self.inside):
            os.close(end)

    def _read(self, wait_s: float) -> bool:
        if not select.select([self.outside], [], [], wait_s)[0]:
            return False
        try:
            part = os.read(self.outside, 65536)
        except OSError:
            return False
        self.output += part
        self._stream.feed(part)
        return bool(part)
