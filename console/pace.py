"""How fast a log is replayed: absolute deadlines on an injected clock, so that small delays never add up.

In: sample time of what comes next. Out: how long to wait. A pace of None is "as fast as possible".
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

# A log may miss an hour; within one wait nothing else is looked at, Ctrl-C included.
_LONGEST_WAIT_S = 1.0


@dataclass(frozen=True)
class Clock:
    """Where time comes from and how to wait; tests inject their own."""

    now: Callable[[], float] = time.monotonic
    wait: Callable[[float], None] = time.sleep


class Pacer:
    """Holds a replay to `pace` times real time.

    Parameters
    ----------
    pace : float or None
        Sample seconds per second; None does not wait at all.
    clock : Clock
        Time source.

    Examples
    --------
    >>> waits = []
    >>> pacer = Pacer(10.0, Clock(now=lambda: 0.0, wait=waits.append))
    >>> pacer.until(5.0); pacer.until(6.0); waits
    [0.5, 0.6]
    """

    def __init__(self, pace: float | None, clock: Clock) -> None:
        self.pace = pace
        self._clock = clock
        self._start = clock.now()

    def until(self, sample_time_s: float, stopped: Callable[[], bool] = lambda: False) -> None:
        """Wait until this sample time is due, counted from the replay's start, or until `stopped` says so."""
        if self.pace is None:
            return
        ahead = self._start + sample_time_s / self.pace - self._clock.now()
        while ahead > 0 and not stopped():
            self._clock.wait(min(ahead, _LONGEST_WAIT_S))
            ahead -= _LONGEST_WAIT_S


def parse_pace(text: str) -> float | None:
    """A pace from the command line: a number above 0, or "max" (None). Raises ValueError."""
    if text.strip().lower() == "max":
        return None
    pace = float(text)
    if not 0 < pace <= 10_000:
        raise ValueError(text)
    return pace
