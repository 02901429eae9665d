"""A ring buffer whose newest samples are always one contiguous array.

Every sample is written twice, half a storage apart, so that any window up to the capacity can be read as a
view without copying. Each reader owns a cursor; what was never written can't be read. The overflow policy is
named: the oldest samples are overwritten, and a reader that was too slow is told how many it lost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.chunk import Floats


@dataclass
class Cursor:
    """A reader's place: the number of the next sample it will read, and how many it has lost so far."""

    position: int = 0
    lost: int = 0


class RingBuffer:
    """The newest `capacity` samples of some channels.

    Parameters
    ----------
    capacity : int
        Samples kept; at least 1.
    channels : int
        Values per sample.

    Examples
    --------
    >>> ring = RingBuffer(capacity=3, channels=1)
    >>> ring.push(np.array([[1.0], [2.0], [3.0], [4.0]]))
    >>> ring.newest(2).ravel().tolist()
    [3.0, 4.0]
    >>> ring.written, len(ring)
    (4, 3)
    """

    overflow = "overwrite-oldest"

    def __init__(self, capacity: int, channels: int) -> None:
        if capacity < 1 or channels < 1:
            raise ValueError(f"capacity ({capacity}) and channels ({channels}) must be at least 1")
        self.capacity = capacity
        # Counted from the making of the buffer, so that no reader's cursor is ever ahead of it.
        self.written = 0
        self._forgotten = 0
        # One row per channel, so that one channel's window is one contiguous run.
        self._storage = np.empty((channels, 2 * capacity))

    def __len__(self) -> int:
        return min(self.written - self._forgotten, self.capacity)

    def reset(self) -> None:
        """Forget everything: what was written can no longer be read, and is lost to a reader that had not."""
        self._forgotten = self.written

    def push(self, samples: Floats) -> None:
        """Append samples, an array of shape (n_samples, channels); only the newest `capacity` are kept."""
        count = len(samples)
        kept = samples[-self.capacity :] if count > self.capacity else samples
        start = (self.written + count - len(kept)) % self.capacity
        first = min(len(kept), self.capacity - start)
        rows = kept.T
        for offset in (0, self.capacity):
            self._storage[:, start + offset : start + offset + first] = rows[:, :first]
            self._storage[:, offset : offset + len(kept) - first] = rows[:, first:]
        self.written += count

    def newest(self, count: int) -> Floats:
        """The newest `count` samples as a view of shape (count, channels), oldest first.

        The view is valid until the next `push`. Raises ValueError when fewer samples are held.
        """
        if not 0 <= count <= len(self):
            raise ValueError(f"{count} samples asked for, {len(self)} held")
        end = self.written % self.capacity + self.capacity
        return self._storage[:, end - count : end].T

    def read(self, cursor: Cursor) -> Floats:
        """All samples that `cursor` has not read yet, as a view; advances the cursor and counts what it lost."""
        oldest = self.written - len(self)
        if cursor.position < oldest:
            cursor.lost += oldest - cursor.position
            cursor.position = oldest
        unread = self.newest(self.written - cursor.position)
        cursor.position = self.written
        return unread
