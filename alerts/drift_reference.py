"""What each stretch of the lap looked like while the dampers were as they should be, and how much laps differ.

In: the stretches of one clean lap after another. Out: means and scatters of the logarithm of damper speed, split into
pitch, roll and warp; and the same as plain data, for a file. A reference grows to its number of laps and is then
frozen: what went on learning would learn the fault. Scatter is mostly prior knowledge at first, mostly the car's own
later.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from dsp.position_scales import MOST_STRETCHES, Stretch, mean_travel_mm, speeds_mm_s
from ingest.chunk import Floats, Ints
from ingest.errors import ResultsError

# Rows pitch, roll, warp of the four corners' logarithms; heave, which pace, fuel, grip and heat all move, is left out.
MODES: Final = ((1, 1, -1, -1), (1, -1, 1, -1), (1, -1, -1, 1))
# Lap-to-lap scatter (standard deviation) of whole-lap modes, and that of a stretch beyond it: what simulated and
# logged stints agree on to a factor of 2. Counted as so many observations beside the car's own.
_PRIOR_LAP: Final = np.array((0.006, 0.014, 0.003)) ** 2
_PRIOR_STRETCH: Final = np.array((0.012, 0.026, 0.013)) ** 2
_PRIOR_LAP_WEIGHT: Final = 10.0
_PRIOR_STRETCH_WEIGHT: Final = 40.0
# A stretch's own scatter (kerbs, braking points) against that of all stretches.
_POOLED_WEIGHT: Final = 6.0
# A stretch takes this much longer or less long than the usual time: traffic, a slide, the way to the pits.
_PACE_WITHIN: Final = 0.08
# A stretch with fewer rows (a third of a second) tells nothing; a usual one has so many, and scatter falls with more.
_LEAST_ROWS: Final = 80
_USUAL_ROWS: Final = 375.0
# Fewer stretches than this share of the known ones do not make a lap.
LEAST_OF_LAP: Final = 0.6
_PLACES: Final = MOST_STRETCHES + 1


@dataclass(frozen=True)
class Looks:
    """Stretches in the order they were driven, held against the reference; every array has a row a stretch.

    Attributes
    ----------
    lap, number, first_sample, end_sample : array of shape (n,)
        As in `dsp.position_scales.Stretch`.
    shifts : array of shape (n, 3, 4)
        Change of the log speed of compression, rebound and both, by corner.
    modes : array of shape (n, 3)
        Pitch, roll and warp of the change of both.
    own : array of shape (n, 3)
        Their variance when nothing is wrong, beyond what is common to a lap.
    travel_mm, reference_mm : array of shape (n, 4)
        Mean travel now and in the reference.
    """

    lap: Ints
    number: Ints
    first_sample: Ints
    end_sample: Ints
    shifts: Floats
    modes: Floats
    own: Floats
    travel_mm: Floats
    reference_mm: Floats

    def __len__(self) -> int:
        return len(self.lap)

    def part(self, chosen: slice | NDArray[np.bool_]) -> Looks:
        """Some of the rows."""
        return Looks(*(getattr(self, one.name)[chosen] for one in fields(self)))

    @classmethod
    def joined(cls, parts: Sequence[Looks]) -> Looks:
        """Rows of several, in order; at least one."""
        return cls(*(np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(cls)))


def modes_of(logs: Floats) -> Floats:
    """Pitch, roll and warp, shape (..., 3), of four corners' values, shape (..., 4): a quarter of each signed sum."""
    fl, fr, rl, rr = (logs[..., corner] for corner in range(4))
    return np.stack([(fl + fr - rl - rr) / 4.0, (fl - fr + rl - rr) / 4.0, (fl - fr - rl + rr) / 4.0], axis=-1)


class DriftReference:
    """The reference, growing or frozen."""

    def __init__(self) -> None:
        self.laps = 0
        # By the stretch's number: laps that it was seen in, means, and squared residuals with their degrees of freedom.
        self._seen = np.zeros(_PLACES, dtype=np.int64)
        self._logs = np.zeros((_PLACES, 3, 4))
        self._travel_mm = np.full((_PLACES, 4), np.nan)
        self._rows = np.zeros(_PLACES)
        self._squares = np.zeros((_PLACES, 3))
        self._degrees = np.zeros(_PLACES, dtype=np.int64)
        self._lap_squares = np.zeros(3)
        self._lap_degrees = 0
        self._pooled = np.zeros(3)
        self._pooled_degrees = 0
        self._prior_scale = 1.0

    @property
    def places(self) -> int:
        """How many stretches of the lap are known."""
        return int(np.count_nonzero(self._seen))

    def look(self, stretches: Sequence[Stretch]) -> Looks:
        """Hold stretches against the reference; without those where either has too little data or another pace.

        Nor where a sensor's position is unknown: one that slipped or was plugged in elsewhere tells no speed either.
        """
        number = np.array([one.number for one in stretches], dtype=np.int64)
        rows = np.array([one.rows for one in stretches], dtype=np.int64)
        logs = _logs(stretches)
        seen = self._seen[number]
        with np.errstate(divide="ignore", invalid="ignore"):
            known = (seen > 0) & ~(np.abs(rows / self._rows[number] - 1.0) > _PACE_WITHIN)
        travel = mean_travel_mm(stretches)
        known &= ~np.isnan(logs).any(axis=(1, 2)) & ~np.isnan(travel).any(axis=1)
        shifts = logs - self._logs[number]
        growth = 1.0 + 1.0 / np.maximum(seen, 1)
        return Looks(
            np.array([one.lap for one in stretches], dtype=np.int64),
            number,
            np.array([one.first_sample for one in stretches], dtype=np.int64),
            np.array([one.end_sample for one in stretches], dtype=np.int64),
            shifts,
            modes_of(shifts[:, 2]),
            growth[:, np.newaxis] * self._stretch_variances(number),
            travel,
            self._travel_mm[number],
        ).part(known)

    def admit(self, stretches: Sequence[Stretch]) -> None:
        """Add one clean lap."""
        if not stretches:
            return
        looks = self.look(stretches)
        if self.laps and len(looks) < LEAST_OF_LAP * self.places:
            return
        number = np.array([one.number for one in stretches], dtype=np.int64)
        # A place that the lap has twice (a distance that steps back) is in pieces.
        once = np.bincount(number, minlength=_PLACES) == 1
        if len(looks):
            self._learn_scatter(looks.part(once[looks.number]))
        rows = np.array([one.rows for one in stretches], dtype=np.float64)
        logs, travel = _logs(stretches), mean_travel_mm(stretches)
        with np.errstate(divide="ignore", invalid="ignore"):
            usable = ~(np.abs(rows / self._rows[number] - 1.0) > _PACE_WITHIN) | (self._seen[number] == 0)
        usable &= once[number] & ~np.isnan(logs).any(axis=(1, 2)) & ~np.isnan(travel).any(axis=1)
        number, rows, logs, travel = number[usable], rows[usable], logs[usable], travel[usable]
        if len(number) == 0:
            return
        new = self._seen[number] == 0
        self._travel_mm[number[new]] = travel[new]
        self._seen[number] += 1
        share = 1.0 / self._seen[number]
        self._logs[number] += (logs - self._logs[number]) * share[:, np.newaxis, np.newaxis]
        self._travel_mm[number] += (travel - self._travel_mm[number]) * share[:, np.newaxis]
        self._rows[number] += (rows - self._rows[number]) * share
        self.laps += 1
        self._prior_scale = min(2.0, _USUAL_ROWS / float(np.median(self._rows[self._seen > 0])))

    def lap_variances(self) -> Floats:
        """Variance of a whole lap's pitch, roll and warp against a reference that is exact, shape (3,)."""
        return (_PRIOR_LAP_WEIGHT * _PRIOR_LAP + self._lap_squares) / (_PRIOR_LAP_WEIGHT + self._lap_degrees)

    def pooled_variances(self) -> Floats:
        """Variance of a stretch's pitch, roll and warp beyond that of its lap, of all stretches, shape (3,)."""
        prior = _PRIOR_STRETCH_WEIGHT * self._prior_scale * _PRIOR_STRETCH
        return (prior + self._pooled) / (_PRIOR_STRETCH_WEIGHT + self._pooled_degrees)

    def _stretch_variances(self, number: Ints) -> Floats:
        total = (_POOLED_WEIGHT + self._degrees[number])[:, np.newaxis]
        return np.asarray((_POOLED_WEIGHT * self.pooled_variances() + self._squares[number]) / total)

    def _learn_scatter(self, looks: Looks) -> None:
        """Residuals of a lap against those before it, the stretch's own apart from the lap's."""
        if len(looks) == 0:
            return
        means = looks.modes.mean(axis=0)
        self._lap_degrees += 1
        self._lap_squares = self._lap_squares + means**2 / (1.0 + 1.0 / self.laps)
        own_growth = 1.0 + 1.0 / self._seen[looks.number]
        squares = (looks.modes - means) ** 2 / own_growth[:, np.newaxis]
        self._squares[looks.number] += squares
        self._degrees[looks.number] += 1
        self._pooled = self._pooled + squares.sum(axis=0)
        self._pooled_degrees += len(looks) - 1

    def to_plain(self) -> dict[str, Any]:
        """Everything as lists and numbers."""
        return {
            "laps": self.laps,
            "lap_squares": self._lap_squares.tolist(),
            "lap_degrees": self._lap_degrees,
            "pooled_squares": self._pooled.tolist(),
            "pooled_degrees": self._pooled_degrees,
            "prior_scale": self._prior_scale,
            "places": [
                {
                    "number": number,
                    "laps": int(self._seen[number]),
                    "log_speed": self._logs[number].tolist(),
                    "travel_mm": [None if math.isnan(one) else one for one in self._travel_mm[number].tolist()],
                    "rows": float(self._rows[number]),
                    "squares": self._squares[number].tolist(),
                    "degrees": int(self._degrees[number]),
                }
                for number in np.flatnonzero(self._seen).tolist()
            ],
        }

    @classmethod
    def from_plain(cls, plain: Any) -> Self:
        """Read back what `to_plain` gave.

        Raises
        ------
        ResultsError
            It is something else.
        """
        found = cls()
        try:
            found.laps = int(plain["laps"])
            found._lap_squares = _numbers(plain["lap_squares"], (3,))
            found._lap_degrees = int(plain["lap_degrees"])
            found._pooled = _numbers(plain["pooled_squares"], (3,))
            found._pooled_degrees = int(plain["pooled_degrees"])
            found._prior_scale = float(plain["prior_scale"])
            for one in plain["places"]:
                found._fill(one)
            counts = (found.laps - 1, found._lap_degrees, found._pooled_degrees, *found._degrees.tolist())
            squares = (*found._lap_squares, *found._pooled, *found._squares.ravel())
            if not found.places or min(counts) < 0 or min(squares) < 0.0 or not 0.0 < found._prior_scale <= 2.0:
                raise ValueError  # noqa: TRY301
        except (KeyError, TypeError, ValueError, OverflowError, AttributeError, IndexError):
            raise ResultsError("the dampers' speeds by stretch of the lap are damaged") from None
        return found

    def _fill(self, one: Any) -> None:
        number, laps, rows = int(one["number"]), int(one["laps"]), float(one["rows"])
        if not (0 <= number < _PLACES and laps > 0 and math.isfinite(rows) and rows > 0.0):
            raise ValueError
        travel = [math.nan if value is None else float(value) for value in one["travel_mm"]]
        if len(travel) != 4 or any(map(math.isinf, travel)):
            raise ValueError
        self._seen[number], self._rows[number], self._degrees[number] = laps, rows, int(one["degrees"])
        self._logs[number] = _numbers(one["log_speed"], (3, 4))
        self._travel_mm[number] = travel
        self._squares[number] = _numbers(one["squares"], (3,))


def _numbers(values: Any, shape: tuple[int, ...]) -> Floats:
    numbers = np.array(values, dtype=np.float64)
    if numbers.shape != shape or not np.isfinite(numbers).all():
        raise ValueError
    return numbers


def _logs(stretches: Sequence[Stretch]) -> Floats:
    """Logarithms of the speeds, shape (n, 3, 4); NaN where a stretch is short or one is unknown or 0."""
    speeds = speeds_mm_s(stretches)
    speeds[np.array([one.rows for one in stretches]) < _LEAST_ROWS] = np.nan
    speeds[~(speeds > 0.0)] = np.nan
    return np.asarray(np.log(speeds))
