"""What a link has received and the chain has not yet taken: a bounded queue between two threads.

In: payloads with their arrival times, from a link's thread. Out: the same, in order, to the chain's thread. When
more waits than allowed, the oldest payloads are dropped and counted, and a break is put in their place: the chain then
sees the newest data, joins nothing across the hole, and the sample counter tells what is missing. The recorder has
had them before.
"""

from __future__ import annotations

import math
import threading
from collections import deque
from dataclasses import dataclass
from typing import Literal, Protocol, Self

LinkWord = Literal["connecting", "open", "lost", "closed"]
_ENTRY_BYTES = 256  # about what Python keeps for one entry, so that many tiny messages are bounded too
_MOST_BYTES = 32 * 1024 * 1024  # minutes of four corners at 1 kHz; a chain this far behind shows old news anyway


@dataclass(frozen=True)
class Received:
    """Bytes as they arrived: `monotonic_ns` orders and ages them, `wall_ns` is for people.

    An empty payload says that the connection broke here: what is half received will not be completed, and a decoder
    is to be reset. It goes to the tap too, so that a recording gives the same samples as the live link did.
    """

    payload: bytes
    monotonic_ns: int
    wall_ns: int


@dataclass(frozen=True)
class LinkState:
    """How a link stands, since when, and in words for a person (a port, an error, what to do)."""

    word: LinkWord
    detail: str
    since_ns: int


class Inbox:
    """The queue.

    Parameters
    ----------
    most_bytes : int
        Bytes that may wait: of payloads, and of what each of them costs besides.
    longest_wait_s : float
        How much older than the newest payload another may be that still waits.
    kept_share : float
        How much of these bounds is kept when one is passed. Below 1, a chain that can't keep up gets longer runs of
        samples with rarer holes between them, instead of a hole for each payload that comes.
    """

    overflow = "drop-oldest"

    def __init__(
        self, most_bytes: int = _MOST_BYTES, longest_wait_s: float = math.inf, kept_share: float = 1.0
    ) -> None:
        self._most_bytes = most_bytes
        self._longest_wait_ns = longest_wait_s * 1e9
        self._kept_share = kept_share
        self._waiting: deque[Received] = deque()
        self._bytes = 0
        self._hole: Received | None = None
        self._changed = threading.Condition()
        self._closed = False
        self.dropped = 0

    def put(self, received: Received) -> None:
        """Add a payload; drops the oldest ones when too much waits."""
        with self._changed:
            self._waiting.append(received)
            self._bytes += _cost(received)
            if self._too_much(1.0):
                while len(self._waiting) > 1 and self._too_much(self._kept_share):
                    self._hole = self._waiting.popleft()
                    self._bytes -= _cost(self._hole)
                    self.dropped += bool(self._hole.payload)
            self._changed.notify()

    def take(self, timeout_s: float) -> list[Received]:
        """Everything that waits; waits up to `timeout_s` for the first of it. Empty on time-out or when closed."""
        with self._changed:
            if not self._waiting and not self._closed:
                self._changed.wait(timeout_s)
            taken = list(self._waiting)
            if self._hole is not None:
                # What came before the hole must not be joined with what comes after it.
                taken.insert(0, Received(b"", self._hole.monotonic_ns, self._hole.wall_ns))
                self._hole = None
            self._waiting.clear()
            self._bytes = 0
            return taken

    def take_some(self, most_bytes: int) -> list[Received]:
        """The oldest that waits, up to `most_bytes` of payloads and at least one, without waiting; the rest stays."""
        with self._changed:
            taken, room = [], most_bytes
            if self._hole is not None:
                taken.append(Received(b"", self._hole.monotonic_ns, self._hole.wall_ns))
                self._hole = None
            while self._waiting and room > 0:
                received = self._waiting.popleft()
                self._bytes -= _cost(received)
                room -= len(received.payload)
                taken.append(received)
            return taken

    def _too_much(self, share: float) -> bool:
        waited_ns = self._waiting[-1].monotonic_ns - self._waiting[0].monotonic_ns
        return self._bytes > share * self._most_bytes or waited_ns > share * self._longest_wait_ns

    @property
    def waiting(self) -> bool:
        """Whether anything waits."""
        return bool(self._waiting)

    def close(self) -> None:
        """Wake who waits; nothing more will come."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()


def _cost(received: Received) -> int:
    return len(received.payload) + _ENTRY_BYTES


class Link(Protocol):
    """A live link: a thread of its own that connects, receives, and connects again.

    Every payload goes to `tap` (the recorder) and then to the inbox. It never raises after `start`; what goes wrong
    is in `state`. `start` raises LinkError only for what no waiting can mend (a wrong setting).
    """

    @property
    def state(self) -> LinkState:
        """How the link stands now."""
        ...

    @property
    def reconnects(self) -> int:
        """How often it has been open again after a loss."""
        ...

    def start(self) -> Self:
        """Begin to connect, in a thread of its own."""
        ...

    def stop(self) -> None:
        """Close and wait for the thread, at most a few seconds."""
        ...
