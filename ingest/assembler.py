"""Blocks from a link become chunks: put in order, placed on the device's counter, in house units.

In: `SampleBlock`s in the order of their arrival. Out: `Chunk`s as a log of the same samples would give; gaps,
duplicates, late samples and restarts are counted in `LinkCounts`, and every sample is in a chunk or in a count. How
the blocks are handed over changes nothing but how the chunks are cut. No input or output; never raises on any block.

What each block goes through:

1. It must be like the first one: rate, roles, counter; and the first must hold all four dampers. Else it is refused.
2. `Order` puts it in its place; a block that repeats another is dropped, wherever it comes.
3. A block that ends more than 1 s behind may be the first after a restart: it and what follows it are ordered apart.
4. `RowFramer` finds gaps, and takes a restart for one when the counter has run on from it for 1 s.
"""

from __future__ import annotations

import numpy as np

from ingest.chunk import SIDE_ROLES, Chunk
from ingest.frame_order import Order, Placed
from ingest.link_block import LinkCounts, SampleBlock
from ingest.log_columns import WantedColumn, wanted_columns
from ingest.log_counts import LogCounts
from ingest.rows import RowFramer, Rows
from ingest.sheet import Sheet
from ingest.sheet_link import DAMPER_ROLES
from ingest.sheet_log import CounterColumn

# As in the car sheet, for a link that is read without one (a recording of a link whose sheet has since lost it).
_REORDER_S = 0.1


class Assembler:
    """Makes chunks of one link's blocks.

    Parameters
    ----------
    sheet : Sheet
        Scales, offsets and units of the roles are those of its `log.columns`; the reorder window that of its `link`.
    counts : LinkCounts
        The link's counts, those that the decoder fills, too.

    Attributes
    ----------
    rate_hz : float or None
        Sample rate; None until the first block has told it.
    roles : tuple of str or None
        Side roles that the chunks hold; None until the first block has told them.
    """

    def __init__(self, sheet: Sheet, counts: LinkCounts) -> None:
        self.rate_hz: float | None = None
        self.roles: tuple[str, ...] | None = None
        self._sheet = sheet
        self._counts = counts
        self._wanted = wanted_columns(sheet.log)
        self._first: SampleBlock | None = None
        self._columns: list[tuple[int, WantedColumn]] = []
        self._side: dict[str, tuple[int, WantedColumn]] = {}
        self._framed = LogCounts()
        self._framer: RowFramer | None = None
        self._main: Order | None = None
        # After a jump back: the blocks that may turn out to be those of a restarted device.
        self._aside: Order | None = None
        self._ready: list[Placed] = []

    def take(self, blocks: list[SampleBlock]) -> list[Chunk]:
        """Take the next blocks; return the chunks that are decided, possibly none."""
        chunks: list[Chunk] = []
        for block in blocks:
            if self._admitted(block):
                chunks += self._place(block)
        return chunks + self._pushed()

    def finish(self) -> list[Chunk]:
        """Decide on all that is held, at the end of the link."""
        if self._main is None or self._framer is None:
            return []
        self._ready += self._main.release()
        self._dissolve_aside()
        if self._aside is not None:
            self._ready += self._aside.release()
        chunks = self._pushed()
        chunks += self._framer.finish()
        self._transfer_counts()
        return chunks

    def _admitted(self, block: SampleBlock) -> bool:
        if not len(block.values):
            return False
        if self._first is None:
            missing = [role for role in DAMPER_ROLES if role not in block.roles]
            if missing:
                return self._refused(block, f"the link does not carry {missing[0]}")
            self._begin(block)
            return True
        first = self._first
        if block.roles is not first.roles and block.roles != first.roles:
            return self._refused(block, "the link's channels have changed; begin a new run")
        if block.rate_hz != first.rate_hz or block.wraps_at != first.wraps_at:
            return self._refused(block, f"the link's rate has changed to {block.rate_hz:g} Hz; begin a new run")
        return True

    def _refused(self, block: SampleBlock, why: str) -> bool:
        """Count a block that was decoded, but is not used after all."""
        self._counts.frames -= 1
        self._counts.samples -= len(block.values)
        self._counts.bad_headers += 1
        self._counts.notes.setdefault("bad_headers", why)
        return False

    def _begin(self, block: SampleBlock) -> None:
        self._first = block
        self.rate_hz = block.rate_hz
        layout = self._sheet.log.model_copy(
            update={"time": None, "counter": CounterColumn(column="counter"), "rate_hz": block.rate_hz}
        )
        self._framer = RowFramer(layout, self._framed, "link")
        self._main = self._order(block.counter)
        places = {role: place for place, role in enumerate(block.roles)}
        self._columns = [
            (places[role], column) for role, column in zip(DAMPER_ROLES, self._wanted.dampers, strict=True)
        ]
        for role in SIDE_ROLES:
            if role in places and role in self._wanted.side:
                self._side[role] = places[role], self._wanted.side[role]
            elif role in places:
                self._counts.notes[role] = f"{role} comes on the link, but log.columns does not say its unit; ignored"
        self.roles = tuple(self._side)

    def _order(self, first: int) -> Order:
        assert self.rate_hz is not None
        link = self._sheet.link
        window_s = _REORDER_S if link is None else link.reorder_s
        return Order(first, round(window_s * self.rate_hz), self._one_second, self._counts)

    @property
    def _one_second(self) -> int:
        assert self.rate_hz is not None
        return round(self.rate_hz)

    def _place(self, block: SampleBlock) -> list[Chunk]:
        """Put one block in its place; return chunks when the rows before had to be decided first."""
        assert self._main is not None
        start = _unwrapped(block.counter, self._main.expected, block.wraps_at)
        stop = start + len(block.values)
        if self._main.repeats(start, block.values) or (self._aside and self._aside.repeats(start, block.values)):
            self._counts.duplicate_samples += len(block.values)
            return []
        if self._belongs_aside(start, stop):
            return self._place_aside(start, block)
        self._ready += self._main.take(start, block.values)
        self._dissolve_aside()
        return []

    def _dissolve_aside(self) -> None:
        """With blocks of the old counter ready, there was no restart; `RowFramer` drops what it has of one."""
        if self._ready and self._aside is not None:
            self._aside.drop()
            self._aside = None

    def _belongs_aside(self, start: int, stop: int) -> bool:
        assert self._main is not None
        if self._main.expected - stop > self._one_second:
            return True
        if self._aside is None or stop > self._main.expected:
            return False
        return 0 <= start - self._aside.expected <= self._one_second

    def _place_aside(self, start: int, block: SampleBlock) -> list[Chunk]:
        assert self._main is not None
        chunks: list[Chunk] = []
        if self._aside is None:
            self._ready += self._main.release(keep_stray=True)
            chunks = self._pushed()
            self._aside = self._order(start)
        elif self._aside.expected - start - len(block.values) > self._one_second:
            # Back once more: what was aside is none, which `RowFramer` sees, too.
            self._aside.drop()
            self._aside = self._order(start)
        restarts = self._framed.restarts
        self._ready += self._aside.take(start, block.values)
        chunks += self._pushed()
        if self._framed.restarts > restarts:
            self._main.drop()
            self._main, self._aside = self._aside, None
        return chunks

    def _pushed(self) -> list[Chunk]:
        """Hand what is in order to the framer."""
        ready, self._ready = self._ready, []
        if not ready or self._framer is None:
            return []
        values = ready[0].values if len(ready) == 1 else np.concatenate([placed.values for placed in ready])
        axis = np.concatenate([np.arange(placed.start, placed.stop, dtype=np.float64) for placed in ready])
        sensors = np.empty((len(values), 4), order="F")
        for corner, (place, column) in enumerate(self._columns):
            column.into(values[:, place], sensors[:, corner])
        side = {}
        for role, (place, column) in self._side.items():
            side[role] = np.empty(len(values))
            column.into(values[:, place], side[role])
        chunks = self._framer.push(Rows(axis=axis, sensors=sensors, side=side))
        self._transfer_counts()
        return chunks

    def _transfer_counts(self) -> None:
        """Add what the framer has counted since the last time."""
        framed, counts = self._framed, self._counts
        counts.missing_samples += framed.missing_samples
        counts.gaps += framed.gaps
        counts.restarts += framed.restarts
        counts.duplicate_samples += framed.repeated_rows
        counts.late_samples += framed.late_rows + framed.unplaced_rows
        framed.missing_samples = framed.gaps = framed.restarts = 0
        framed.repeated_rows = framed.late_rows = framed.unplaced_rows = 0


def _unwrapped(counter: int, expected: int, wraps_at: int | None) -> int:
    """The place nearest to `expected` that a wrapped counter may stand for."""
    if wraps_at is None:
        return counter
    ahead = (counter - expected) % wraps_at
    return expected + (ahead - wraps_at if ahead > wraps_at // 2 else ahead)
