"""How fast each damper moves on each stretch of the lap, in compression and in rebound, and where it stands there.

In: the car's rows and the samples at which laps begin. Out: a `Stretch` for each 60 m of road that the car has left
behind, with integer sums from which scales and mean travel follow. Without a distance a stretch is a whole lap. Holds
the stretch under way; a gap ends it. Sums are integers, so any split of the stream gives the same ones.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from dsp.frame import CarBlock
from ingest.chunk import Floats, Ints

# A lap of 2.4 km has 40 of them; at racing speed each lasts 1 to 2 s, which holds several body motions.
STRETCH_M = 60.0
# A torn distance must not make a table of any size; the longest circuits have some 25 km.
MOST_STRETCHES = 400
# Velocity beyond this comes from kerb strikes, which differ from lap to lap.
CLIP_MM_S = 300.0
_VELOCITY_PARTS = 16  # whole numbers of 1/16 mm/s: far below the sensors' noise
_TRAVEL_PARTS = 256  # 1/256 mm, likewise
# A travel beyond this is no travel; it bounds the sums.
_LARGEST_TRAVEL_MM = 10_000.0


@dataclass
class Stretch:
    """Sums over one stretch of one lap; arrays are in the order FL FR RL RR.

    Attributes
    ----------
    lap : int
        How many laps had begun since the stream's start, less one.
    number : int
        Place on the lap in units of `STRETCH_M`; 0 when the log tells no distance.
    first_sample, end_sample : int
        First row's sample, and one past the last row's.
    rows : int
        Rows of the car's grid.
    moved : array of shape (4,)
        Rows with known velocity.
    squares : array of shape (2, 4)
        Sums of squared velocity in compression and in rebound, clipped at `CLIP_MM_S`.
    placed, travel : array of shape (4,)
        Rows with known travel, and the sum of travel.
    row_rate_hz : float
        Rows a second.
    """

    lap: int
    number: int
    first_sample: int
    end_sample: int
    rows: int = 0
    moved: Ints = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    squares: Ints = field(default_factory=lambda: np.zeros((2, 4), dtype=np.int64))
    placed: Ints = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    travel: Ints = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    row_rate_hz: float = 250.0


def speeds_mm_s(stretches: Sequence[Stretch]) -> Floats:
    """RMS damper velocity, shape (n, 3, 4): of compression, of rebound and of both; NaN where a row is missing.

    The mean square of a direction is taken over all rows, so that those of both directions add.
    """
    moved = np.array([one.moved for one in stretches], dtype=np.float64).reshape(-1, 1, 4)
    rows = np.array([one.rows for one in stretches]).reshape(-1, 1, 1)
    squares = np.array([one.squares for one in stretches], dtype=np.float64).reshape(-1, 2, 4)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = squares / np.where(moved < rows, np.nan, moved)
    mean = np.concatenate((mean, mean.sum(axis=1, keepdims=True)), axis=1)
    return np.asarray(np.sqrt(mean) / _VELOCITY_PARTS, dtype=np.float64)


def mean_travel_mm(stretches: Sequence[Stretch]) -> Floats:
    """Mean damper travel, shape (n, 4); NaN where a row is missing."""
    placed = np.array([one.placed for one in stretches], dtype=np.float64).reshape(-1, 4)
    rows = np.array([one.rows for one in stretches]).reshape(-1, 1)
    travel = np.array([one.travel for one in stretches], dtype=np.float64).reshape(-1, 4)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(travel / np.where(placed < rows, np.nan, placed) / _TRAVEL_PARTS, dtype=np.float64)


class PositionScales:
    """Cuts the car's rows into stretches of the lap."""

    def __init__(self) -> None:
        self._lap = 0
        self._open: Stretch | None = None

    @property
    def under_way(self) -> Stretch | None:
        """The stretch that the car is on; None before the first row and after a gap."""
        return self._open

    def process(self, car: CarBlock, lap_starts: Sequence[int] = (), *, last: bool = False) -> list[Stretch]:
        """Take a block's rows; return the stretches that ended in it.

        Parameters
        ----------
        car : CarBlock
            The rows.
        lap_starts : sequence of int
            Samples at which laps begin in this block; the first of a stream begins lap 0.
        last : bool
            Whether the stream ends here.
        """
        ended: list[Stretch] = []
        if car.starts_stretch and self._open is not None:
            ended.append(self._open)
            self._open = None
        if len(car):
            self._take(car, lap_starts, ended)
        self._lap += len(lap_starts)
        if last and self._open is not None:
            ended.append(self._open)
            self._open = None
        return ended

    def _take(self, car: CarBlock, lap_starts: Sequence[int], ended: list[Stretch]) -> None:
        places = self._numbers(car.place_m)
        cuts = [car.rows_before(sample) for sample in lap_starts]
        change = np.flatnonzero(np.diff(places)) + 1
        edges = sorted({0, *change.tolist(), *(cut for cut in cuts if 0 < cut < len(car))})
        starts = np.array(edges, dtype=np.intp)
        moved, squares = _squares(car.damper_velocity_mm_s, starts)
        placed, travel = _sums(car.damper_mm, starts)
        laps = (self._lap - 1 + np.searchsorted(cuts, edges, side="right")).tolist()
        for place, (begin, stop) in enumerate(itertools.pairwise([*edges, len(car)])):
            number = int(places[begin])
            one = self._open
            if one is None or one.lap != laps[place] or one.number != number:
                if one is not None:
                    ended.append(one)
                one = self._open = Stretch(
                    laps[place], number, car.sample(begin), car.sample(begin), row_rate_hz=car.rate_hz
                )
            one.rows += stop - begin
            one.end_sample = car.sample(stop - 1) + 1
            one.moved += moved[place]
            one.squares += squares[:, place]
            one.placed += placed[place]
            one.travel += travel[place]

    def _numbers(self, place_m: Floats) -> Ints:
        """Number of the stretch at each row; where the place is unknown that of the row before it, at first 0."""
        numbers = np.minimum(np.maximum(place_m, 0.0) / STRETCH_M, MOST_STRETCHES)  # both keep NaN
        unknown = np.isnan(numbers)
        if unknown.any():
            newest = np.maximum.accumulate(np.where(unknown, -1, np.arange(len(numbers))))
            before = 0.0 if self._open is None else float(self._open.number)
            numbers = np.where(newest < 0, before, numbers[np.maximum(newest, 0)])
        return numbers.astype(np.int64)


def _squares(velocity_mm_s: Floats, starts: NDArray[np.intp]) -> tuple[Ints, Ints]:
    """Known rows, shape (runs, 4), and summed squares by direction, shape (2, runs, 4), of runs of rows."""
    scaled, counts = _whole(velocity_mm_s, _VELOCITY_PARTS, CLIP_MM_S, starts)
    # Whole numbers up to 2.3e7 add exactly in doubles, in any order, up to 4e8 rows.
    closing = np.maximum(scaled, 0.0)
    compression, both = (np.add.reduceat(one * one, starts, axis=1).T for one in (closing, scaled))
    return counts, np.stack((compression, both - compression)).astype(np.int64)


def _sums(travel_mm: Floats, starts: NDArray[np.intp]) -> tuple[Ints, Ints]:
    """Known rows and summed travel, shape (runs, 4), of runs of rows."""
    scaled, counts = _whole(travel_mm, _TRAVEL_PARTS, _LARGEST_TRAVEL_MM, starts)
    return counts, np.add.reduceat(scaled, starts, axis=1).T.astype(np.int64)


def _whole(values: Floats, parts: int, largest: float, starts: NDArray[np.intp]) -> tuple[Floats, Ints]:
    """Values in whole numbers of 1 / `parts`, shape (4, rows), 0 where unknown; known rows of runs, shape (runs, 4)."""
    scaled = np.ascontiguousarray(values.T) * parts
    counts = np.empty((len(starts), 4), np.int64)
    counts[-1] = len(values)
    counts[:-1] = starts[1:, np.newaxis]
    counts -= starts[:, np.newaxis]
    if np.isnan(scaled.sum()):
        unknown = np.isnan(scaled)
        counts -= np.add.reduceat(unknown, starts, axis=1, dtype=np.int64).T
        scaled[unknown] = 0.0
    np.rint(scaled, out=scaled)
    np.minimum(scaled, largest * parts, out=scaled)
    np.maximum(scaled, -largest * parts, out=scaled)
    return scaled, counts
