"""How fast each damper moves on each stretch of the lap, in compression and in rebound, and where it stands there.

In: the car's rows and the samples at which laps begin. Out: a `Stretch` for each 60 m of road that the car has left
behind, with integer sums from which scales and mean travel follow. Without a distance a stretch is a whole lap. Holds
the stretch under way; a gap ends it. Sums are integers, so any split of the stream gives the same ones.
"""

from __future__ import annotations

import itertools
import math
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
# Blocks of up to so many rows, as a live link brings them, are put by while the car stays on one stretch, and added up
# together: a sum of few rows costs as much as one of hundreds.
_FEW_ROWS, _MOST_WAITING = 64, 512


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

    def add(self, moved_squares: tuple[Ints, Ints], placed_travel: tuple[Ints, Ints], run: int) -> None:
        """Add the sums of one run of several."""
        self.moved += moved_squares[0][run]
        self.squares += moved_squares[1][run]
        self.placed += placed_travel[0][run]
        self.travel += placed_travel[1][run]


def speeds_mm_s(stretches: Sequence[Stretch]) -> Floats:
    """RMS damper velocity, shape (n, 3, 4): of compression, of rebound and of both; NaN where a row is missing.

    The mean square of a direction is taken over all rows, so that those of both directions add.
    """
    if not stretches:
        return np.empty((0, 3, 4))
    moved = np.concatenate([one.moved for one in stretches]).reshape(-1, 1, 4).astype(np.float64)
    rows = np.array([one.rows for one in stretches]).reshape(-1, 1, 1)
    mean = np.empty((len(stretches), 3, 4))
    squares = np.concatenate([one.squares for one in stretches]).reshape(-1, 2, 4)
    moved[moved < rows] = np.nan
    with np.errstate(divide="ignore", invalid="ignore"):
        np.divide(squares, moved, out=mean[:, :2])
    np.add(mean[:, 0], mean[:, 1], out=mean[:, 2])
    return np.asarray(np.sqrt(mean) / _VELOCITY_PARTS, dtype=np.float64)


def mean_travel_mm(stretches: Sequence[Stretch]) -> Floats:
    """Mean damper travel, shape (n, 4); NaN where a row is missing."""
    if not stretches:
        return np.empty((0, 4))
    placed = np.concatenate([one.placed for one in stretches]).reshape(-1, 4).astype(np.float64)
    rows = np.array([one.rows for one in stretches]).reshape(-1, 1)
    travel = np.concatenate([one.travel for one in stretches]).reshape(-1, 4)
    placed[placed < rows] = np.nan
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(travel / placed / _TRAVEL_PARTS, dtype=np.float64)


class PositionScales:
    """Cuts the car's rows into stretches of the lap."""

    def __init__(self) -> None:
        self._lap = 0
        self._open: Stretch | None = None
        self._waiting: list[tuple[Floats, Floats]] = []  # velocity and travel of rows of the open stretch
        self._waits = 0  # how many they are

    @property
    def under_way(self) -> Stretch | None:
        """The stretch that the car is on, its sums not yet complete; None before the first row and after a gap."""
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
        if car.starts_stretch:
            self._end(ended)
        if len(car):
            if not lap_starts and len(car) <= _FEW_ROWS and self._stays(car.place_m):
                self._put_by(car)
            else:
                self._take(car, lap_starts, ended)
        self._lap += len(lap_starts)
        if last:
            self._end(ended)
        return ended

    def _end(self, ended: list[Stretch]) -> None:
        """The open stretch, if there is one, is over."""
        self._add_up()
        if self._open is not None:
            ended.append(self._open)
            self._open = None

    def _stays(self, place_m: Floats) -> bool:
        """Whether rows without a lap's start among them are all of the open stretch, as those of unknown place are."""
        one = self._open
        if one is None or one.lap != self._lap - 1:
            return False
        # A place's number does not fall where the place does not; a row whose place is unknown has that of the one
        # before it, which is the open stretch's if that of every known row is.
        ends = (float(np.fmin.reduce(place_m)), float(np.fmax.reduce(place_m)))
        return math.isnan(ends[0]) or all(
            place >= 0.0 and int(min(place / STRETCH_M, MOST_STRETCHES)) == one.number for place in ends
        )

    def _put_by(self, car: CarBlock) -> None:
        """Rows of the open stretch, to be added up later."""
        assert self._open is not None
        self._open.rows += len(car)
        self._open.end_sample = car.sample(len(car) - 1) + 1
        self._waiting.append((car.damper_velocity_mm_s, car.damper_mm))
        self._waits += len(car)
        if self._waits >= _MOST_WAITING:
            self._add_up()

    def _add_up(self) -> None:
        """Bring the open stretch's sums up to date."""
        if not self._waiting:
            return
        assert self._open is not None
        velocity, travel = (
            np.concatenate([rows.T for rows in some], axis=1).T for some in zip(*self._waiting, strict=True)
        )
        self._waiting, self._waits = [], 0
        first = np.zeros(1, dtype=np.intp)
        self._open.add(_squares(velocity, first), _sums(travel, first), 0)

    def _take(self, car: CarBlock, lap_starts: Sequence[int], ended: list[Stretch]) -> None:
        self._add_up()
        places = self._numbers(car.place_m)
        cuts = [car.rows_before(sample) for sample in lap_starts]
        change = np.flatnonzero(np.diff(places)) + 1
        edges = sorted({0, *change.tolist(), *(cut for cut in cuts if 0 < cut < len(car))})
        starts = np.array(edges, dtype=np.intp)
        moved, squares = _squares(car.damper_velocity_mm_s, starts)
        placed, travel = _sums(car.damper_mm, starts)
        laps = (self._lap - 1 + np.searchsorted(cuts, edges, side="right")).tolist()
        numbers = places[starts].tolist()
        one = self._open
        for place, (begin, stop) in enumerate(itertools.pairwise([*edges, len(car)])):
            first, end = car.sample(begin), car.sample(stop - 1) + 1
            if one is not None and one.lap == laps[place] and one.number == numbers[place]:
                one.rows += stop - begin
                one.end_sample = end
                one.add((moved, squares), (placed, travel), place)
                continue
            if one is not None:
                ended.append(one)
            sums = moved[place], squares[place], placed[place], travel[place]
            one = Stretch(laps[place], numbers[place], first, end, stop - begin, *sums, row_rate_hz=car.rate_hz)
        self._open = one

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
    """Known rows, shape (runs, 4), and summed squares by direction, shape (runs, 2, 4), of runs of rows."""
    counts, sums = np.empty((len(starts), 4), np.int64), np.empty((len(starts), 2, 4), np.int64)
    for corner in range(4):
        scaled, counts[:, corner] = _whole(velocity_mm_s[:, corner], _VELOCITY_PARTS, CLIP_MM_S, starts)
        # Whole numbers up to 2.3e7 add exactly in doubles, in any order, up to 4e8 rows.
        closing = np.clip(scaled, 0.0, np.inf)
        closing *= closing
        scaled *= scaled
        compression, both = (np.add.reduceat(squares, starts) for squares in (closing, scaled))
        sums[:, 0, corner] = compression
        sums[:, 1, corner] = both - compression
    return counts, sums


def _sums(travel_mm: Floats, starts: NDArray[np.intp]) -> tuple[Ints, Ints]:
    """Known rows and summed travel, shape (runs, 4), of runs of rows."""
    counts, sums = np.empty((len(starts), 4), np.int64), np.empty((len(starts), 4), np.int64)
    for corner in range(4):
        scaled, counts[:, corner] = _whole(travel_mm[:, corner], _TRAVEL_PARTS, _LARGEST_TRAVEL_MM, starts)
        sums[:, corner] = np.add.reduceat(scaled, starts)
    return counts, sums


def _whole(values: Floats, parts: int, largest: float, starts: NDArray[np.intp]) -> tuple[Floats, Ints]:
    """One corner: whole numbers of 1 / `parts`, 0 where unknown, shape (rows,), and known rows, shape (runs,)."""
    scaled: Floats = values * parts
    counts = np.diff(starts, append=len(values))
    if np.isnan(np.add.reduce(scaled)):
        unknown = np.isnan(scaled)
        counts -= np.add.reduceat(unknown, starts, dtype=np.int64)
        scaled[unknown] = 0.0
    np.rint(scaled, out=scaled)
    np.clip(scaled, -largest * parts, largest * parts, out=scaled)
    return scaled, counts
