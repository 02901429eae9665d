"""Runs of samples: where something holds, where it holds with a release, and how long one has to wait for it.

In: one array, one entry a sample. Out: pairs (first sample, one past the last), or counts. Pure functions; no I/O.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


def runs(on: Bools) -> list[tuple[int, int]]:
    """(first, one past the last) of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def contact_runs(travel_mm: Floats, gap_mm: float, release_mm: float) -> list[tuple[int, int]]:
    """(first sample, one past the last) of every bump-stop contact.

    A contact begins at `gap_mm` and ends once travel is below `gap_mm - release_mm`.
    """
    mark = np.where(travel_mm >= gap_mm, 1, np.where(travel_mm < gap_mm - release_mm, 0, -1))
    decided = np.where(mark >= 0, np.arange(mark.size), -1)
    last = np.maximum.accumulate(decided)
    return runs((last >= 0) & (mark[np.maximum(last, 0)] == 1))


def surplus(on: Bools, known: Bools) -> Ints:
    """By how many samples `on` has prevailed lately, at every sample: a count that leaks.

    A sample with `on` adds one, any other takes one away, never below 0; an unknown sample sets it to 0.
    """
    count = np.zeros(on.size, dtype=np.int64)
    for a, b in runs(known):
        steps = np.cumsum(np.where(on[a:b], 1, -1))
        count[a:b] = steps - np.minimum(np.minimum.accumulate(steps), 0)
    return count
