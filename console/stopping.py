"""Ctrl-C and the other polite ways to end a program, seen between two steps instead of in the middle of one.

Within `Stopping` the first SIGINT, SIGTERM or SIGHUP only sets `signal`; the loop looks at it, ends in order and
leaves complete files. A second SIGINT interrupts at once. A person's key may ask for the same end by `ask`.
"""

from __future__ import annotations

import signal
from types import FrameType, TracebackType
from typing import Any, Self

_NAMES = ("SIGINT", "SIGTERM", "SIGHUP")  # not every system has all of them


class Stopping:
    """Context in which signals are noted; `signal` is the first one's number, or None."""

    def __init__(self) -> None:
        self.signal: int | None = None
        self._asked = False
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Self:
        """Install the handlers. Outside the main thread signals can't be handled, and none are."""
        for name in _NAMES:
            number = getattr(signal, name, None)
            if number is None:
                continue
            try:
                self._before[number] = signal.signal(number, self._note)
            except ValueError:
                break
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Put the earlier handlers back."""
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def ask(self) -> None:
        """End in order, as after a signal, but as a matter of course: the exit code is then 0."""
        self._asked = True

    @property
    def wanted(self) -> bool:
        """Whether the run is to end now."""
        return self._asked or self.signal is not None

    def _note(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        if self.signal is not None and number == signal.SIGINT:
            raise KeyboardInterrupt
        if self.signal is None:
            self.signal = number

    @property
    def exit_code(self) -> int:
        """128 plus the signal's number, as shells expect; 0 when nothing asked to stop."""
        return 0 if self.signal is None else 128 + self.signal
