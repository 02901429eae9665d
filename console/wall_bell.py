"""When the wall's bell rings: once for each new announcement, of any car, and never twice within two seconds.

In: for each car the newest announcement that nobody has acknowledged, and monotonic seconds. Out: yes or no. Pure,
but for `ring`, which never raises. Bounded by the number of cars.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from typing import IO

_BELL_S = 2.0  # a bell that rings on and on is taken off the wall


class Bell:
    """Decides when to ring: once for each new announcement, and never twice within two seconds.

    Examples
    --------
    >>> bell = Bell()
    >>> [bell.rings(call, now) for call, now in ((("a", 0), 0.0), (("a", 4), 1.0), (("a", 4), 9.0), (("a", 3), 9.5))]
    [False, True, False, False]
    >>> [bell.rings(("a", number), now) for number, now in ((5, 10.0), (6, 10.5), (7, 11.0), (7, 12.0), (7, 20.0))]
    [True, False, False, True, False]
    """

    def __init__(self) -> None:
        self._rung: dict[str, tuple[str, int]] = {}
        self._at = float("-inf")

    def rings(self, call: tuple[str, int], now: float) -> bool:
        """Whether to ring now; `call` is run and number of the newest announcement that is not acknowledged."""
        return self.rings_any({"": call}, now)

    def rings_any(self, calls: Mapping[str, tuple[str, int]], now: float) -> bool:
        """Whether to ring now for any car; one ring is for all that is new.

        Examples
        --------
        >>> bell = Bell()
        >>> both = {"one": ("a", 1), "other": ("b", 1)}
        >>> bell.rings_any(both, 0.0), bell.rings_any(both, 5.0), bell.rings_any(both | {"other": ("b", 2)}, 6.0)
        (True, False, True)
        """
        new = {}
        for car, (run, number) in calls.items():
            rung = self._rung.get(car, ("", 0))
            if rung[0] != run:
                # Of another run of its monitor nothing was rung yet.
                rung = self._rung[car] = (run, 0)
            if number > rung[1]:
                new[car] = (run, number)
        if not new or now - self._at < _BELL_S:
            return False
        self._rung |= new
        self._at = now
        return True


def ring(terminal: IO[str]) -> None:
    """Ring the terminal's bell."""
    with contextlib.suppress(OSError, ValueError):
        terminal.write("\a")
        terminal.flush()
