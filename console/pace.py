"""How fast a log is replayed: absolute deadlines on an injected clock, so that small delays never add up.

In: sample time of what comes next, and what a person asks: pause, a step, another pace. Out: how long to wait. A pace
of None is "as fast as possible". While it waits, whoever must be looked after is called at least four times a second.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

# Between two looks: keys and the pit wall are answered as quickly as the board can show it.
LOOK_EVERY_S = 0.05
STEP_S = 1.0
# Neighbours a person can tell apart; the last is followed by "as fast as possible".
_PACES = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)


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
    >>> at, waits = [0.0], []
    >>> def wait(seconds): at[0] += seconds; waits.append(round(seconds, 3))
    >>> pacer = Pacer(10.0, Clock(now=lambda: at[0], wait=wait))
    >>> pacer.until(1.2); waits
    [0.05, 0.05, 0.02]
    """

    def __init__(self, pace: float | None, clock: Clock) -> None:
        self.pace = pace
        self.paused = False
        self.clock = clock
        self._reached = 0.0
        self._step_to = -math.inf
        # Deadlines count from here: a moment, and the sample time that was due then.
        self._since = clock.now()
        self._from = 0.0

    def until(
        self,
        sample_time_s: float,
        stopped: Callable[[], bool] = lambda: False,
        look: Callable[[], object] = lambda: None,
    ) -> None:
        """Wait until this sample time is due, counted from the replay's start, or until `stopped` says so."""
        while not stopped():
            ahead = self._ahead(sample_time_s)
            if ahead <= 0:
                self._reached = max(self._reached, sample_time_s)
                return
            self.clock.wait(min(ahead, LOOK_EVERY_S))
            look()

    def _ahead(self, sample_time_s: float) -> float:
        """Seconds still to wait; infinite in a pause. A step lets pass what begins before its end."""
        if self.paused:
            return 0.0 if self._reached < self._step_to - 1e-9 else math.inf
        if self.pace is None:
            return 0.0
        return self._since + (sample_time_s - self._from) / self.pace - self.clock.now()

    @property
    def piece_s(self) -> float | None:
        """Sample time to play in one go: a look's worth, in a pause a part of a step; None is all there is."""
        if self.paused:
            return STEP_S / 20
        return None if self.pace is None else self.pace * LOOK_EVERY_S

    def pause(self) -> None:
        """Pause, or go on from here."""
        self.paused = not self.paused
        self._step_to = -math.inf
        self.rebase()

    def step(self) -> None:
        """Play one second of sample time more, and pause."""
        self.paused = True
        self._step_to = max(self._reached, self._step_to) + STEP_S

    def faster(self) -> None:
        """The next greater pace; after the last, as fast as possible."""
        if self.pace is not None:
            self._set(next((pace for pace in _PACES if pace > self.pace * 1.001), None))

    def slower(self) -> None:
        """The next smaller pace."""
        limit = math.inf if self.pace is None else self.pace * 0.999
        self._set(next((pace for pace in reversed(_PACES) if pace < limit), _PACES[0]))

    def rebase(self) -> None:
        """Count from now: time that passed meanwhile is not caught up."""
        self._since, self._from = self.clock.now(), self._reached

    def _set(self, pace: float | None) -> None:
        self.pace = pace
        self.rebase()


def parse_pace(text: str) -> float | None:
    """A pace from the command line: a number above 0, or "max" (None). Raises ValueError."""
    if text.strip().lower() == "max":
        return None
    pace = float(text)
    if not 0 < pace <= 10_000:
        raise ValueError(text)
    return pace
