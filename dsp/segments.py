"""Whole segments of a stream of car blocks, at fixed places on the device's sample counter.

In: columns of rows on the grid, block by block. Out: each segment once, whole, in order: `length` rows that begin at
a multiple of `step` rows of the grid, all of one stretch. So any cut of the stream gives the same segments, bit for
bit. Holds at most one segment; what a break cuts short is dropped.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from dsp.frame import CarBlock
from ingest.chunk import Floats


class Segments:
    """Cuts columns of car blocks into segments.

    Parameters
    ----------
    channels : int
        Columns.
    length, step : int
        Rows of a segment, and from the beginning of one to the next.

    Examples
    --------
    >>> power_of_two_rows(4.0, 250.0), power_of_two_rows(4.0, 500.0)
    (1024, 2048)
    """

    def __init__(self, channels: int, length: int, step: int) -> None:
        self.length = length
        self.step = step
        self._held = np.empty((channels, length))
        self._filled = 0
        # Rows to pass over until the next segment begins.
        self._skip = 0
        self._next_sample: int | None = None

    def cut(self, block: CarBlock, columns: tuple[Floats, ...]) -> Iterator[Floats]:
        """Take a block's columns, each of shape (n_rows,); give every segment now whole, shape (channels, length).

        A segment given out is a view that the next one overwrites.
        """
        rows = len(block)
        if block.starts_stretch:
            # Also when the stretch's first samples lie between two rows, so that the block has none.
            self._next_sample = None
        if rows == 0:
            return
        if block.first_sample != self._next_sample:
            self._filled = 0
            self._skip = -(block.first_sample // block.stride) % self.step
        self._next_sample = block.sample(rows)
        place = 0
        while place < rows:
            passed = min(self._skip, rows - place)
            self._skip -= passed
            place += passed
            taken = min(self.length - self._filled, rows - place)
            for held, column in zip(self._held, columns, strict=True):
                held[self._filled : self._filled + taken] = column[place : place + taken]
            self._filled += taken
            place += taken
            if self._filled == self.length:
                yield self._held
                kept = max(0, self.length - self.step)
                self._held[:, :kept] = self._held[:, self.length - kept :].copy()
                self._filled = kept
                self._skip = max(0, self.step - self.length)


def hann_window(rows: int) -> Floats:
    """The periodic Hann window, shape (rows,): the same bits as scipy's, whose windows take half a second to load."""
    window: Floats = (0.5 + 0.5 * np.cos(np.linspace(-np.pi, np.pi, rows + 1)))[:-1]
    return window


def power_of_two_rows(seconds: float, rate_hz: float) -> int:
    """Rows of about `seconds`, a power of two, which a Fourier transform likes best."""
    return 1 << max(4, round(float(np.log2(seconds * rate_hz))))
