"""How long to wait before a link tries again: growing pauses with a cap, each a little random.

In: how often it has failed, and how long it worked when it did. Out: seconds to wait. No clock and no waiting in
here, so a test can give its own random numbers. Never fails.
"""

from __future__ import annotations

import random
from collections.abc import Callable

_FIRST_S = 0.2  # a re-plugged cable is back within one or two of these
_MOST_S = 5.0  # nobody who has mended something waits longer than this for the board to notice
_JITTER = 0.2  # several stations that lost the same broker must not all come back in the same instant
_STEADY_S = 5.0  # a link that fails sooner than this after opening has not recovered: pauses go on growing


class Backoff:
    """Pauses of `first_s`, doubling up to `most_s`.

    Parameters
    ----------
    first_s, most_s : float
        Shortest and longest pause, seconds.
    jitter : float
        Part of each pause that is left to chance, 0 to 1; a pause is only ever shortened by it.
    steady_s : float
        A connection that lasted this long, in seconds, has recovered: the next pause is the first again.
    chance : callable
        Gives numbers from 0 to below 1.

    Examples
    --------
    >>> backoff = Backoff(chance=lambda: 0.0)
    >>> [backoff.pause_s() for _ in range(6)]
    [0.2, 0.4, 0.8, 1.6, 3.2, 5.0]
    >>> backoff.worked_for(60.0)
    >>> backoff.pause_s()
    0.2
    """

    def __init__(
        self,
        first_s: float = _FIRST_S,
        most_s: float = _MOST_S,
        jitter: float = _JITTER,
        steady_s: float = _STEADY_S,
        chance: Callable[[], float] = random.random,
    ) -> None:
        self._first_s = first_s
        self._most_s = most_s
        self._jitter = jitter
        self._steady_s = steady_s
        self._chance = chance
        self._next_s = first_s

    def pause_s(self) -> float:
        """Seconds to wait now; the next pause will be longer."""
        pause_s = min(self._next_s, self._most_s)
        self._next_s = min(2 * pause_s, self._most_s)
        return pause_s * (1 - self._jitter * self._chance())

    def worked_for(self, seconds: float) -> None:
        """Tell how long the connection lasted that has just broken."""
        if seconds >= self._steady_s:
            self._next_s = self._first_s
