"""The ring buffer against a plain list that forgets nothing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from dsp.ring import Cursor, RingBuffer
from ingest.chunk import Floats


def numbered(first: int, count: int, channels: int) -> Floats:
    """Return samples that carry their own number, and their channel behind the point."""
    return np.arange(first, first + count)[:, np.newaxis] + np.arange(channels) / 10.0


class AgainstAList(RuleBasedStateMachine):
    """Pushes, reads and resets in any order; the model keeps every sample and where each reader should be."""

    @initialize(capacity=st.integers(1, 7), channels=st.integers(1, 3))
    def make(self, capacity: int, channels: int) -> None:
        self.ring = RingBuffer(capacity, channels)
        self.channels = channels
        self.all: list[Any] = []
        self.forgotten = 0
        self.cursors = [Cursor(), Cursor()]
        self.positions = [0, 0]
        self.lost = [0, 0]

    @rule(count=st.integers(0, 20))
    def push(self, count: int) -> None:
        samples = numbered(len(self.all), count, self.channels)
        self.ring.push(samples)
        self.all += samples.tolist()
        samples[:] = -1.0  # the buffer must have taken a copy

    @rule()
    def reset(self) -> None:
        self.ring.reset()
        self.forgotten = len(self.all)

    @rule(reader=st.integers(0, 1))
    def read(self, reader: int) -> None:
        oldest = self.oldest
        self.lost[reader] += max(0, oldest - self.positions[reader])
        expected = self.all[max(oldest, self.positions[reader]) :]
        assert self.ring.read(self.cursors[reader]).tolist() == expected
        self.positions[reader] = len(self.all)
        assert self.cursors[reader].lost == self.lost[reader]

    @property
    def oldest(self) -> int:
        return max(self.forgotten, len(self.all) - self.ring.capacity)

    @invariant()
    def newest_are_the_lists_last(self) -> None:
        held = len(self.all) - self.oldest
        assert len(self.ring) == held
        for count in range(held + 1):
            assert self.ring.newest(count).tolist() == self.all[len(self.all) - count :]
        with pytest.raises(ValueError, match="held"):
            self.ring.newest(held + 1)


AgainstAList.TestCase.settings = settings(max_examples=60, stateful_step_count=25, deadline=None)
TestAgainstAList = AgainstAList.TestCase


@given(sizes=st.lists(st.integers(0, 30), max_size=30), capacity=st.integers(1, 10))
@settings(max_examples=100, deadline=None)
def test_any_cutting_leaves_the_same_content(sizes: list[int], capacity: int) -> None:
    pieces, whole = RingBuffer(capacity, 2), RingBuffer(capacity, 2)
    first = 0
    for size in sizes:
        pieces.push(numbered(first, size, 2))
        first += size
    whole.push(numbered(0, first, 2))
    assert pieces.written == whole.written == first
    assert pieces.newest(len(pieces)).tolist() == whole.newest(len(whole)).tolist()


def test_overflow_is_counted_for_each_reader_of_its_own() -> None:
    ring = RingBuffer(4, 1)
    quick, slow = Cursor(), Cursor()
    for first in range(0, 12, 3):
        ring.push(numbered(first, 3, 1))
        assert ring.read(quick).ravel().tolist() == [first, first + 1, first + 2]
    assert ring.read(slow).ravel().tolist() == [8.0, 9.0, 10.0, 11.0]
    assert (quick.lost, slow.lost) == (0, 8)
    assert ring.overflow == "overwrite-oldest"


def test_what_was_never_written_cannot_be_read() -> None:
    ring = RingBuffer(5, 2)
    assert len(ring) == 0
    assert ring.newest(0).shape == (0, 2)
    for count in (1, -1, 6):
        with pytest.raises(ValueError, match="held"):
            ring.newest(count)


def test_a_channels_window_is_contiguous() -> None:
    ring = RingBuffer(6, 3)
    ring.push(numbered(0, 9, 3))
    window = ring.newest(6)
    assert all(window[:, channel].flags.c_contiguous for channel in range(3))
    assert not window.flags.owndata


@pytest.mark.parametrize(("capacity", "channels"), [(0, 1), (1, 0), (-1, 4)])
def test_a_buffer_without_room_is_refused(capacity: int, channels: int) -> None:
    with pytest.raises(ValueError, match="at least 1"):
        RingBuffer(capacity, channels)
