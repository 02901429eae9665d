"""Frames put into the order of their counters, within a bounded window of sample time. No input or output.

In: blocks of samples as they arrive, on an unwrapped counter. Out: the same samples in order, each once, with holes
where frames are missing; what is not given out is counted as duplicate or late, so none is lost silently. Never raises.
Memory: the samples of one window, and places and fingerprints of those just given out.

- A block at the expected place is given out at once.
- A block ahead is held until the gap before it closes, or until two blocks wait and the newest sample of them is more
  than the window ahead: then the gap is given up. One block alone does not move the axis: when the blocks after it go
  on at the old place, its counter was damaged, and it is dropped as late.
- Samples behind the expected place are late where their place was given up, else duplicates.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

from ingest.chunk import Floats
from ingest.link_block import LinkCounts

# Blocks whose exact repeats are told however old they are: what a broker may deliver again after a reconnect.
_BLOCKS_REMEMBERED = 4096


@dataclass(frozen=True, order=True)
class Placed:
    """Some samples on the unwrapped counter; values of shape (n_samples, n_roles)."""

    start: int
    stop: int
    arrival: int
    values: Floats


class Order:
    """One axis of counters.

    Parameters
    ----------
    first : int
        The unwrapped counter that it begins with.
    window : int
        How far ahead, in samples, blocks may be held.
    memory : int
        How far back, in samples, late samples are told from duplicates.
    counts : LinkCounts
        Reordered frames, duplicate and late samples are added here.
    """

    def __init__(self, first: int, window: int, memory: int, counts: LinkCounts) -> None:
        self.expected = first
        self._window = window
        self._memory = memory
        self._counts = counts
        self._held: list[Placed] = []
        self._given_up: deque[tuple[int, int]] = deque([(first - memory, first)])
        self._arrivals = 0
        self._seen: set[tuple[int, int, int]] = set()
        self._seen_order: deque[tuple[int, int, int]] = deque()

    def repeats(self, start: int, values: Floats) -> bool:
        """True when just these samples were given out not long ago."""
        return start < self.expected and _fingerprint(start, values) in self._seen

    def take(self, start: int, values: Floats) -> list[Placed]:
        """Take one block; return what can be given out."""
        stop = start + len(values)
        if start == self.expected and not self._held:
            # All is well: the way of nearly every block.
            return [self._given_out(Placed(start, stop, 0, values))]
        if stop <= self.expected:
            self._count_behind(start, stop)
            return []
        if self._holds(start, stop):
            self._counts.duplicate_samples += len(values)
            return []
        if start <= self.expected + self._window:
            self._drop_stray()
        if self._held and start < self._held[-1].start:
            self._counts.reordered_frames += 1
        self._arrivals += 1
        insort(self._held, Placed(start, stop, self._arrivals, values))
        return list(self._released())

    def release(self, *, keep_stray: bool = False) -> list[Placed]:
        """Give out what is held, all gaps given up; a block alone and far ahead may be kept."""
        released: list[Placed] = []
        while self._held and not (keep_stray and self._stray is not None):
            self._give_up_to(self._held[0].start)
            released += self._ready()
        return released

    def drop(self) -> None:
        """Count what is held as late: the axis has ended."""
        self._counts.late_samples += sum(held.stop - held.start for held in self._held)
        self._held.clear()

    def _holds(self, start: int, stop: int) -> bool:
        place = bisect_left(self._held, (start, stop), key=lambda held: (held.start, held.stop))
        return place < len(self._held) and (self._held[place].start, self._held[place].stop) == (start, stop)

    def _released(self) -> Iterator[Placed]:
        yield from self._ready()
        # Frames that overlap could be many in one window; more than one for each sample of it is no reordering.
        while len(self._held) > 1 and (
            self._held[-1].stop - self.expected > self._window or len(self._held) > self._window
        ):
            self._give_up_to(self._held[0].start)
            yield from self._ready()

    def _ready(self) -> Iterator[Placed]:
        while self._held and self._held[0].start <= self.expected:
            held = self._held.pop(0)
            if held.stop <= self.expected:
                self._count_behind(held.start, held.stop)
            else:
                yield self._given_out(held)

    def _given_out(self, block: Placed) -> Placed:
        fingerprint = _fingerprint(block.start, block.values)
        self._seen.add(fingerprint)
        self._seen_order.append(fingerprint)
        if len(self._seen_order) > _BLOCKS_REMEMBERED:
            self._seen.discard(self._seen_order.popleft())
        overlap = self.expected - block.start
        if overlap > 0:
            self._count_behind(block.start, self.expected)
            block = Placed(self.expected, block.stop, block.arrival, block.values[overlap:])
        self.expected = block.stop
        while self._given_up and self._given_up[0][1] < self.expected - self._memory:
            self._given_up.popleft()
        return block

    @property
    def _stray(self) -> Placed | None:
        """The block that is held alone and too far ahead to be one of two that have changed places, if so."""
        if len(self._held) != 1:
            return None
        held = self._held[0]
        return held if held.start - self.expected > max(self._window, held.stop - held.start) else None

    def _drop_stray(self) -> None:
        if self._stray is not None:
            self.drop()

    def _give_up_to(self, start: int) -> None:
        if start > self.expected:
            self._given_up.append((self.expected, start))
            self.expected = start

    def _count_behind(self, start: int, stop: int) -> None:
        """Count samples behind the expected place: late where nothing was given out, else duplicates."""
        late = sum(max(0, min(stop, end) - max(start, begin)) for begin, end in self._given_up)
        self._counts.late_samples += late
        self._counts.duplicate_samples += stop - start - late


def _fingerprint(start: int, values: Floats) -> tuple[int, int, int]:
    return start, len(values), hash(values.tobytes())
