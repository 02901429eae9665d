"""How a link stands, shared between its thread and those who show it.

In: words and details from the link's thread. Out: the present `LinkState`, the number of reconnections, and a way to
wait for a state. Details are cleaned for a terminal here. Never fails.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from ingest.inbox import LinkState, LinkWord
from ingest.text import clean

_LONGEST_DETAIL = 300  # two lines of a wide board: a message with a port name and what to do


class LinkStatus:
    """The state of one link. It is "connecting" until it has been open once, and from then on "lost" between."""

    def __init__(self, detail: str, clock_ns: Callable[[], int] = time.monotonic_ns) -> None:
        self._clock_ns = clock_ns
        self._changed = threading.Condition()
        self._state = LinkState("connecting", clean(detail, _LONGEST_DETAIL), clock_ns())
        self._openings = 0

    @property
    def state(self) -> LinkState:
        """How the link stands now; `since_ns` is when its word last changed."""
        return self._state

    @property
    def reconnects(self) -> int:
        """How often the link has been open again after a loss."""
        return max(0, self._openings - 1)

    def opened(self, detail: str) -> None:
        """The link is open."""
        self._set("open", detail)

    def failed(self, detail: str) -> None:
        """The link could not be opened, or broke."""
        self._set("lost" if self._openings else "connecting", detail)

    def closed(self, detail: str = "closed") -> None:
        """The link was stopped, and stays so."""
        self._set("closed", detail)

    def wait_for(self, until: Callable[[LinkState], bool], timeout_s: float) -> bool:
        """Wait until `until` holds for the state, at most `timeout_s` seconds; whether it does."""
        with self._changed:
            return self._changed.wait_for(lambda: until(self._state), timeout_s)

    def _set(self, word: LinkWord, detail: str) -> None:
        with self._changed:
            if self._state.word == "closed":
                return
            if word == "open" and self._state.word != "open":
                self._openings += 1
            since_ns = self._state.since_ns if word == self._state.word else self._clock_ns()
            self._state = LinkState(word, clean(detail, _LONGEST_DETAIL), since_ns)
            self._changed.notify_all()
