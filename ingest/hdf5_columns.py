"""Columns of an open HDF5 file, read some rows at a time and never beyond what is stored.

In: an open dataset that `ingest.hdf5_file` has checked. Out: numbers. What a shape promises is believed only as far as
there is data, and each compressed chunk is inflated once, bounded, before the library may do so. Raises `DamagedError`
with the first row that can't be read.
"""

from __future__ import annotations

import zlib
from contextlib import suppress
from typing import Any

import numpy as np

from ingest.chunk import Floats
from ingest.text import clean

# The deflate format never makes data longer than this share and this many bytes.
_DEFLATE_GROWTH, _DEFLATE_HEAD = 100, 1024

DEFLATE, SHUFFLE, FLETCHER32 = 1, 2, 3  # the format's own numbers of its filters
_CHECKSUM_BYTES = 4

# What h5py raises on damaged files, depending on where the damage is.
DAMAGE = (OSError, RuntimeError, ValueError, KeyError, TypeError, NotImplementedError, OverflowError, MemoryError)


class DamagedError(Exception):
    """A row that can't be read; `row` counts from 0, the text is for people."""

    def __init__(self, row: int, why: object) -> None:
        super().__init__(clean(why, 120))
        self.row = row


class Source:
    """One dataset: how much of it there is, and its rows."""

    def __init__(
        self,
        h5: Any,
        opened: Any,
        shown: str,
        dtype: np.dtype[Any],
        width: int,
        chunk_rows: int | None,
        size_bytes: int,
    ) -> None:
        self._h5, self._id, self._dtype, self._width = h5, opened, dtype, width
        self._size_bytes = size_bytes
        self.shown = shown
        self.rows = int(opened.shape[0])
        self._chunk_rows = chunk_rows
        self.chunk_bytes = 0 if chunk_rows is None else chunk_rows * width
        plist = opened.get_create_plist()
        self._filters = [plist.get_filter(k)[0] for k in range(plist.get_nfilters())]
        self._sound_until = 0
        # What the shape promises is believed only as far as it is there: what is not would come out as invented zeros.
        self.stored = self._chunks_stored() if chunk_rows is not None else self._rows_stored(plist.get_layout())

    def read(self, start: int, stop: int) -> Any:
        """Rows `start` to `stop`; raises what `DAMAGE` lists, or zlib's error."""
        if DEFLATE in self._filters:
            self._check_inflation(start, stop)
        values = np.empty(stop - start, self._dtype)
        space = self._id.get_space()
        space.select_hyperslab((start,), (stop - start,))
        self._id.read(self._h5.h5s.create_simple((stop - start,)), space, values)
        return values

    def first_bad(self, start: int, stop: int) -> tuple[int, object]:
        """The first row from `start` on that can't be read, by chunks, and why; `stop` when there is none."""
        step = self._chunk_rows or stop - start
        row = start
        while row < stop:
            end = min(stop, (row // step + 1) * step)
            try:
                self.read(row, end)
            except (*DAMAGE, zlib.error) as error:
                return row, error
            row = end
        return stop, ""

    def _rows_stored(self, layout: int) -> int:
        if layout != self._h5.h5d.CONTIGUOUS:
            return self.rows  # beside its description, which has been read
        offset = self._id.get_offset()
        if offset is None:
            return 0
        held = min(int(self._id.get_storage_size()), self._size_bytes - int(offset))
        return max(0, min(self.rows, held // self._width))

    def _chunks_stored(self) -> int:
        assert self._chunk_rows is not None
        chunk_rows, following = self._chunk_rows, 0
        longest = self.chunk_bytes + self.chunk_bytes // _DEFLATE_GROWTH + _DEFLATE_HEAD
        exact = None if DEFLATE in self._filters else self.chunk_bytes + _CHECKSUM_BYTES * (FLETCHER32 in self._filters)

        def look(info: Any) -> bool | None:
            nonlocal following
            there = info.byte_offset is not None and info.byte_offset + info.size <= self._size_bytes
            sound = info.size <= longest if exact is None else info.size == exact
            if info.chunk_offset[0] != following or not there or not sound or following >= self.rows:
                return True
            following += chunk_rows
            return None

        with suppress(*DAMAGE):  # where the list of chunks ends in damage, those before it are there
            self._id.chunk_iter(look)
        return min(self.rows, following)

    def _check_inflation(self, start: int, stop: int) -> None:
        """Inflate each chunk once, bounded: the library would inflate whatever a chunk holds before it looks."""
        assert self._chunk_rows is not None
        deflate = self._filters.index(DEFLATE)
        for row in range(max(start // self._chunk_rows * self._chunk_rows, self._sound_until), stop, self._chunk_rows):
            mask, content = self._id.read_direct_chunk((row,))
            summed = FLETCHER32 in self._filters and not mask >> self._filters.index(FLETCHER32) & 1
            inside = summed and self._filters.index(FLETCHER32) < deflate
            wanted = self.chunk_bytes + _CHECKSUM_BYTES * inside
            if mask >> deflate & 1:
                sound = len(content) == self.chunk_bytes + _CHECKSUM_BYTES * summed
            else:
                inflater = zlib.decompressobj()
                sound = len(inflater.decompress(content, wanted + 1)) == wanted and inflater.eof
            if not sound:
                raise ValueError(f"a chunk does not hold the {self.chunk_bytes} bytes that it should")
            if row == self._sound_until:
                self._sound_until += self._chunk_rows


class Columns:
    """Readable columns of equal length.

    Attributes
    ----------
    rows : int
        How many rows there should be.
    stored : int
        How many there are.
    """

    def __init__(self, sources: list[Source]) -> None:
        self._sources = sources
        self.rows = sources[0].rows
        self.stored = min(source.stored for source in sources)

    def read(self, start: int, stop: int) -> dict[str, Floats]:
        """Values by name as float64, of shape (stop - start,), NaN as in the file.

        Raises
        ------
        DamagedError
            Not all of them can be read; those before `DamagedError.row` can.
        """
        try:
            parts = {source.shown: source.read(start, stop) for source in self._sources}
        except (*DAMAGE, zlib.error):
            row, why = min((source.first_bad(start, stop) for source in self._sources), key=lambda bad: bad[0])
            raise DamagedError(row, why) from None
        values: dict[str, Floats] = {}
        for name, part in parts.items():
            if part.dtype.names is None:
                values[name] = part.astype(np.float64, copy=False)
            else:
                values |= {member: np.ascontiguousarray(part[member], np.float64) for member in part.dtype.names}
        return values
