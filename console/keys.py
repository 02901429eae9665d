"""Single keys from the terminal, through prompt_toolkit's input layer; nothing else here knows of it.

In: a terminal on standard input. Out: key names, at most a few at a look; a look never waits. Pasted text, unknown
keys and floods come to nothing. The terminal is given back as it was found on every way out. What is no terminal is
never read: `open_keyboard` then returns None, and the program has no keys. Ctrl-C stays a signal where the system can.
"""

from __future__ import annotations

import atexit
import contextlib
import errno
import os
import select
import signal
import sys
import threading
import time
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any, Self, TextIO

from prompt_toolkit.input import Input, create_input
from prompt_toolkit.keys import Keys

SUSPEND, INTERRUPT = "suspend", "interrupt"

_NAMES = {
    Keys.Up: "up",
    Keys.Down: "down",
    Keys.Left: "left",
    Keys.Right: "right",
    Keys.PageUp: "page up",
    Keys.PageDown: "page down",
    Keys.Home: "home",
    Keys.End: "end",
    Keys.ControlI: "tab",
    Keys.BackTab: "back tab",
    Keys.ControlM: "enter",
    Keys.ControlJ: "enter",
    Keys.Escape: "escape",
    Keys.F1: "?",
    Keys.ControlC: INTERRUPT,
    Keys.ControlZ: SUSPEND,
}
# A held key repeats 30 to 60 times a second and a look comes at least four times a second: more than this is no person.
_MOST_KEYS = 20
_QUIET_S = 0.3  # after a flood keys count again when nothing has come for so long: its tail must not act on alarms
_READS_PER_LOOK = 16  # of 1024 bytes each
_ESCAPE_S = 0.1  # how long the rest of an escape sequence may take before it was the Escape key
_STUCK_S = 1.0  # after which a sequence or a paste without an end is given up
_STUCK_READS = 64  # and so is one that is longer than this many reads
# A terminal that knows this mode says what was pasted, so that it is no keys.
_MARK_PASTES, _MARK_NO_PASTES = "\x1b[?2004h", "\x1b[?2004l"


def open_keyboard(stream: TextIO | None = None) -> Keyboard | None:
    """The keyboard behind a stream, standard input by default; None when that is no terminal."""
    source = sys.stdin if stream is None else stream
    try:
        if source is None or not source.isatty() or os.environ.get("TERM") == "dumb":
            return None
        return Keyboard(create_input(source), marks=sys.stdout)
    except (OSError, ValueError, AttributeError):  # a closed stream, or one without a descriptor
        return None


class Keyboard:
    """Reads keys while it is entered; a context manager that may be entered again.

    Parameters
    ----------
    source : Input
        The library's input.
    marks : stream or None
        The terminal's output, to ask that pastes be marked.
    clock : callable
        Monotonic seconds.
    """

    def __init__(self, source: Input, marks: TextIO | None = None, clock: Callable[[], float] = time.monotonic) -> None:
        self._source = source
        self._marks = marks
        self._clock = clock
        self._raw: Any = None  # knows how the terminal was found; None until it is taken
        self._taken = False
        self._entered = False
        self._stop_asked = False
        self._handlers: dict[int, Any] = {}
        self._noise_until = float("-inf")
        self._open_since: float | None = None  # since when an unfinished sequence waits for its rest
        self._open_reads = 0

    def __enter__(self) -> Self:
        """Take the terminal's input."""
        self._entered = True
        atexit.register(self.leave)
        self._catch_stop()
        self._take()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Give the terminal back."""
        self.leave()

    def leave(self) -> None:
        """Give the terminal back; leaving twice does no harm."""
        if not self._entered:
            return
        self._entered = False
        atexit.unregister(self.leave)
        for number, handler in self._handlers.items():
            signal.signal(number, handler)
        self._handlers.clear()
        raw, self._raw, self._taken = self._raw, None, False
        if raw is not None and self._in_foreground():
            self._say(_MARK_NO_PASTES)
            self._drop_waiting()
            raw.__exit__(None, None, None)

    def read(self) -> list[str]:
        """Keys that were pressed since the last look; never waits."""
        keys: list[str] = []
        if self._stop_asked:
            self._stop_asked = False
            keys.append(SUSPEND)
        if not self._entered or not self._in_foreground():
            # In the background the terminal is the shell's: reading would stop the program.
            self._taken = False
            return keys
        if not self._taken:
            self._take()
        pressed, came = self._pressed()
        now = self._clock()
        if len(pressed) > _MOST_KEYS or (came and now < self._noise_until):
            self._noise_until = now + _QUIET_S
            return keys
        known = [name for key in pressed if (name := _name(key))]
        if "escape" in known[:-1]:
            # With something behind it in one go it is no Escape key, but a sequence that nobody here knows.
            del known[known.index("escape") :]
            self._noise_until = now + _ESCAPE_S
        return keys + known

    @property
    def present(self) -> bool:
        """Whether somebody can press keys now: the terminal is this program's."""
        return self._entered and not self._source.closed and self._in_foreground()

    def suspend(self) -> None:
        """Stop the program as Ctrl-Z does; returns when it goes on. Call between `leave` and entering again."""
        stop = getattr(signal, "SIGTSTP", None)
        if stop is not None:
            os.killpg(os.getpgrp(), stop)

    def _pressed(self) -> tuple[list[str], bool]:
        """Keys as the library names them, and whether anything came at all."""
        pressed: list[str] = []
        came = False
        for _ in range(_READS_PER_LOOK):
            if not self._has_input():
                break
            found = [str(getattr(press.key, "value", press.key)) for press in self._source.read_keys()]
            if sys.platform == "win32" and not found:
                break
            came = True
            pressed += found
            self._note_open(found=bool(found))
        if self._open_since is not None:
            waited = self._clock() - self._open_since
            if waited >= _ESCAPE_S:
                found = [str(getattr(press.key, "value", press.key)) for press in self._source.flush_keys()]
                pressed += found
                if found:
                    self._open_since = None
            if self._open_since is not None and (waited >= _STUCK_S or self._open_reads > _STUCK_READS):
                self._give_up_sequence()
        return pressed, came

    def _note_open(self, *, found: bool) -> None:
        """After a read: a sequence may have begun; when none has, flushing it later costs nothing."""
        self._open_reads = 0 if found else self._open_reads + 1
        self._open_since = self._clock()

    def _give_up_sequence(self) -> None:
        parser = getattr(self._source, "vt100_parser", None)  # Windows has none, and nothing to give up
        if parser is not None:
            parser.reset()
        if self._open_reads > _STUCK_READS:
            self._noise_until = self._clock() + _QUIET_S
        self._open_since, self._open_reads = None, 0

    def _has_input(self) -> bool:
        if sys.platform == "win32":
            return True  # its reader looks by itself, and does not wait either
        try:
            return not self._source.closed and bool(select.select([self._source.fileno()], [], [], 0)[0])
        except (OSError, ValueError):
            return False

    def _take(self) -> None:
        if not self._in_foreground():
            return
        if self._raw is None:
            self._raw = self._source.raw_mode()
        self._raw.__enter__()
        self._taken = True
        self._keep_interrupt()
        self._drop_waiting()
        self._say(_MARK_PASTES)

    def _keep_interrupt(self) -> None:
        """Ctrl-C goes on to be a signal, so that it works whatever the program is doing; Ctrl-Z becomes a key."""
        if sys.platform == "win32" or not self._is_terminal():
            return
        import termios

        fd = self._source.fileno()
        settings = termios.tcgetattr(fd)
        never = os.fpathconf(fd, "PC_VDISABLE")
        settings[3] |= termios.ISIG
        for place in (termios.VSUSP, termios.VQUIT):
            settings[6][place] = bytes([never])
        termios.tcsetattr(fd, termios.TCSANOW, settings)

    def _drop_waiting(self) -> None:
        """Forget what was typed before anybody could see the screen, or after its end was asked for."""
        if sys.platform != "win32" and self._is_terminal():
            import termios

            with contextlib.suppress(termios.error):
                termios.tcflush(self._source.fileno(), termios.TCIFLUSH)

    def _is_terminal(self) -> bool:
        return os.isatty(self._source.fileno())

    def _in_foreground(self) -> bool:
        """Whether the terminal is ours to set and read; a program in the background is stopped for trying."""
        if sys.platform == "win32" or not self._is_terminal():
            return True
        try:
            return os.tcgetpgrp(self._source.fileno()) == os.getpgrp()
        except OSError as error:
            return error.errno == errno.ENOTTY  # not our controlling terminal: then nobody stops us

    def _say(self, mode: str) -> None:
        if self._marks is not None:
            with contextlib.suppress(OSError, ValueError):
                self._marks.write(mode)
                self._marks.flush()

    def _catch_stop(self) -> None:
        """A stop from outside is a key too, so that the screen can be given back first."""
        number = getattr(signal, "SIGTSTP", None)
        again = getattr(signal, "SIGCONT", None)
        if number is None or again is None or threading.current_thread() is not threading.main_thread():
            return
        for which, handler in ((number, self._on_stop), (again, self._on_go_on)):
            before = signal.getsignal(which)
            if before is not signal.SIG_IGN:
                self._handlers[which] = signal.SIG_DFL if before is None else before
                signal.signal(which, handler)

    def _on_stop(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        self._stop_asked = True

    def _on_go_on(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        # Stopped in a way that can't be caught: a shell may have set the terminal to its own liking meanwhile.
        self._taken = False


def _name(key: str) -> str:
    """Our name of a key; empty for one that nobody uses."""
    known = _NAMES.get(_KEYS.get(key, Keys.Ignore))
    if known is not None:
        return known
    return key if len(key) == 1 and key.isprintable() else ""


_KEYS = {key.value: key for key in Keys}
