"""Fixed-edge histograms in whole numbers, with explicit under- and overflow.

A value belongs to bin floor((value - lowest) / width); the bins are closed below and open above. Counts are
integers, so histograms of any split of a stream add up to the same numbers. Unknown (NaN) values are not
counted: the caller passes known values only, or lets `count` drop them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.chunk import Floats, Ints

Places = NDArray[np.int32]


@dataclass(frozen=True)
class Bins:
    """Equal bins from `lowest` up, `count` of them, each `width` wide, plus one below and one above."""

    lowest: float
    width: float
    count: int

    @property
    def edges(self) -> Floats:
        """The count + 1 edges."""
        edges: Floats = self.lowest + self.width * np.arange(self.count + 1, dtype=np.float64)
        return edges

    @property
    def centres(self) -> Floats:
        """Middles of the bins."""
        return self.edges[:-1] + self.width / 2.0

    @property
    def size(self) -> int:
        """Counters needed: the bins, one for underflow (first) and one for overflow (last)."""
        return self.count + 2

    def empty(self, channels: int) -> Ints:
        """Counters of shape (channels, size), all 0."""
        return np.zeros((channels, self.size), dtype=np.int64)

    def count_values(self, values: Floats) -> Ints:
        """Counts of an array of shape (n_samples, channels): shape (channels, size).

        Examples
        --------
        >>> Bins(0.0, 1.0, 2).count_values(np.array([[-1.0], [0.0], [1.5], [2.0], [np.nan]])).tolist()
        [[1, 1, 1, 1]]
        """
        return self.count_places(self.places(values))

    def places(self, values: Floats) -> Places:
        """Counter of each value, of the same shape: 0 below the bins, `size - 1` above, `size` for an unknown value."""
        places = values - (self.lowest - self.width)
        if self.width != 1.0:
            # Where both give the same bits (a power of two), multiplying is quicker.
            if math.frexp(self.width)[0] == 0.5:
                places *= 1.0 / self.width
            else:
                places /= self.width
        # Beyond the outer counters nothing is told apart, so clip before turning into whole numbers.
        np.clip(places, 0.0, self.size - 1, out=places)
        if places.size and np.isnan(places.sum()):
            places[np.isnan(places)] = self.size
        return places.astype(np.int32)

    def count_places(self, places: Places) -> Ints:
        """Counts, shape (channels, size), of counters of shape (n_samples, channels); unknown ones are left out."""
        counts = [np.bincount(column, minlength=self.size + 1)[: self.size] for column in places.T]
        return np.stack(counts) if counts else self.empty(0)


def quantile(bins: Bins, counts: Ints, share: float) -> float:
    """Value below which `share` of the counted values lie, linear within a bin; NaN when nothing was counted.

    `counts` has shape (size,). Under- and overflow answer with the outermost edge.

    Examples
    --------
    >>> quantile(Bins(0.0, 1.0, 4), np.array([0, 10, 10, 0, 0, 0]), 0.75)
    1.5
    """
    total = int(counts.sum())
    if total == 0:
        return float("nan")
    wanted = share * total
    below = np.cumsum(counts)
    place = int(np.searchsorted(below, wanted, side="left"))
    place = min(place, len(counts) - 1)
    while counts[place] == 0:
        place += 1
    if place == 0:
        return bins.lowest
    if place == bins.size - 1:
        return bins.lowest + bins.width * bins.count
    inside = (wanted - float(below[place - 1])) / float(counts[place])
    return bins.lowest + bins.width * (place - 1 + inside)


def regroup(bins: Bins, counts: Ints, factor: int) -> tuple[Bins, Ints]:
    """Wider bins: `factor` neighbours joined. `factor` must divide the number of bins."""
    if bins.count % factor:
        raise ValueError(f"{bins.count} bins can't be joined by {factor}")
    wide = Bins(bins.lowest, bins.width * factor, bins.count // factor)
    inner = counts[..., 1:-1].reshape(*counts.shape[:-1], wide.count, factor).sum(axis=-1)
    return wide, np.concatenate((counts[..., :1], inner, counts[..., -1:]), axis=-1)


def wasserstein(bins: Bins, first: Ints, second: Ints) -> float:
    """First Wasserstein distance of two distributions given as counts of shape (size,) over the same bins.

    Each value is taken at its bin's middle; NaN when either is empty. The area between the two cumulative
    distributions (Vaserstein 1969; the form for one dimension is standard).
    """
    if first.sum() == 0 or second.sum() == 0:
        return float("nan")
    difference = np.cumsum(first) / first.sum() - np.cumsum(second) / second.sum()
    return float(np.abs(difference[:-1]).sum() * bins.width)
