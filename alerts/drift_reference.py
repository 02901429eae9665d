"""What each stretch of the lap looked like while the dampers were as they should be, and how much laps differ.

In: the stretches of one clean lap after another. Out: means and scatters of the logarithm of damper speed, split into
pitch, roll and warp; and the same as plain data, for a file. A reference grows to its number of laps and is then
frozen: what went on learning would learn the fault. Scatter is mostly prior knowledge at first, mostly the car's own
later.
"""

from __future__ import annotations

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
# A stretch that is shorter tells nothing; a usual one lasts so long, and scatter falls with more.
_LEAST_S: Final = 0.32
_USUAL_S: Final = 1.5
# Two laps of one road differ by the scatter of its stretches; this much more (in variance) is another road.
_OTHER_ROAD: Final = 4.0
_CHI_SQUARE_MEDIAN: Final = 0.455  # of one degree of freedom
# What a file may hold: far beyond any damper, stroke and stint, near enough to compute with.
_LARGEST_LOG, _LARGEST_TRAVEL_MM, _LARGEST_SQUARES, _MOST_COUNTED = 15.0, 1e4, 1e3, 10**6
# Fewer stretches than this share of the known ones do not make a lap.
LEAST_OF_LAP: Final = 0.6
_PLACES: Final = MOST_STRETCHES + 1


@dataclass(frozen=True)
class Refused:
    """How many stretches could not be held against the reference, by what was wrong with them."""

    unknown: int = 0
    elsewhere: int = 0
    pace: int = 0

    def __add__(self, other: Refused) -> Refused:
        """Of both."""
        return Refused(self.unknown + other.unknown, self.elsewhere + other.elsewhere, self.pace + other.pace)

    @property
    def words(self) -> str:
        """The most frequent one."""
        found = {
            "a sensor, a gap or too short a stretch": self.unknown,
            "no such place on the lap": self.elsewhere,
            "another pace": self.pace,
        }
        return max(found, key=lambda name: found[name])


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

    @property
    def residual_variances(self) -> Floats:
        """Squared differences of each mode from its mean, their median as a variance, shape (3,); at least one look."""
        rest = (self.modes - np.mean(self.modes, axis=0)) ** 2
        return np.asarray(np.median(rest, axis=0) / _CHI_SQUARE_MEDIAN)

    @property
    def on_another_road(self) -> bool:
        """Whether stretches differ among themselves by far more than laps of one road do; at least one look."""
        return float(np.mean(self.residual_variances / np.median(self.own, axis=0))) > _OTHER_ROAD

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
        self._seconds = np.zeros(_PLACES)
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

    def look(self, stretches: Sequence[Stretch]) -> tuple[Looks, Refused]:
        """Hold stretches against the reference, but for those with too little data, another pace or no place in it.

        Nor where a sensor's position is unknown: one that slipped or was plugged in elsewhere tells no speed either.
        """
        number = np.array([one.number for one in stretches], dtype=np.int64)
        seconds, logs, travel = _seconds(stretches), _logs(stretches), mean_travel_mm(stretches)
        seen = self._seen[number]
        with np.errstate(divide="ignore", invalid="ignore"):
            other_pace = np.abs(seconds / self._seconds[number] - 1.0) > _PACE_WITHIN
        unknown = np.isnan(logs).any(axis=(1, 2)) | np.isnan(travel).any(axis=1)
        known = (seen > 0) & ~other_pace & ~unknown
        refused = Refused(
            int(np.count_nonzero(unknown)),
            int(np.count_nonzero(~unknown & (seen == 0))),
            int(np.count_nonzero(~unknown & (seen > 0) & other_pace)),
        )
        shifts = logs - self._logs[number]
        growth = 1.0 + 1.0 / np.maximum(seen, 1)
        looks = Looks(
            np.array([one.lap for one in stretches], dtype=np.int64),
            number,
            np.array([one.first_sample for one in stretches], dtype=np.int64),
            np.array([one.end_sample for one in stretches], dtype=np.int64),
            shifts,
            modes_of(shifts[:, 2]),
            growth[:, np.newaxis] * self._stretch_variances(number),
            travel,
            self._travel_mm[number],
        )
        return looks.part(known), refused

    def admit(self, stretches: Sequence[Stretch], looks: Looks | None = None) -> bool:
        """Add one clean lap; False, and nothing is added, if too little of it can be used.

        `looks` are these stretches held against this reference, for a caller that has them already.
        """
        if not stretches:
            return False
        if looks is None:
            looks, _ = self.look(stretches)
        if self.laps and len(looks) < LEAST_OF_LAP * self.places:
            return False
        number = np.array([one.number for one in stretches], dtype=np.int64)
        # A place that the lap has twice (a distance that steps back) is in pieces.
        once = np.bincount(number, minlength=_PLACES) == 1
        if len(looks):
            self._learn_scatter(looks.part(once[looks.number]))
        seconds, logs, travel = _seconds(stretches), _logs(stretches), mean_travel_mm(stretches)
        with np.errstate(divide="ignore", invalid="ignore"):
            usable = ~(np.abs(seconds / self._seconds[number] - 1.0) > _PACE_WITHIN) | (self._seen[number] == 0)
        usable &= once[number] & ~np.isnan(logs).any(axis=(1, 2)) & ~np.isnan(travel).any(axis=1)
        number, seconds, logs, travel = number[usable], seconds[usable], logs[usable], travel[usable]
        if len(number) == 0:
            return False
        new = self._seen[number] == 0
        self._travel_mm[number[new]] = travel[new]
        self._seen[number] += 1
        share = 1.0 / self._seen[number]
        self._logs[number] += (logs - self._logs[number]) * share[:, np.newaxis, np.newaxis]
        self._travel_mm[number] += (travel - self._travel_mm[number]) * share[:, np.newaxis]
        self._seconds[number] += (seconds - self._seconds[number]) * share
        self.laps += 1
        self._prior_scale = min(2.0, _USUAL_S / float(np.median(self._seconds[self._seen > 0])))
        return True

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
                    "travel_mm": self._travel_mm[number].tolist(),
                    "seconds": float(self._seconds[number]),
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
            found.laps = _count(plain["laps"])
            found._lap_squares = _numbers(plain["lap_squares"], (3,), 0.0, _LARGEST_SQUARES)
            found._lap_degrees = _count(plain["lap_degrees"])
            found._pooled = _numbers(plain["pooled_squares"], (3,), 0.0, _LARGEST_SQUARES)
            found._pooled_degrees = _count(plain["pooled_degrees"])
            found._prior_scale = float(plain["prior_scale"])
            for one in plain["places"]:
                found._fill(one)
            if not found.places or found.laps < 1 or not 1e-3 < found._prior_scale <= 2.0:
                raise ValueError  # noqa: TRY301
        except (KeyError, TypeError, ValueError, OverflowError, AttributeError, IndexError):
            raise ResultsError("the dampers' speeds by stretch of the lap are damaged") from None
        return found

    def _fill(self, one: Any) -> None:
        number, laps = _count(one["number"]), _count(one["laps"])
        if number >= _PLACES or laps < 1 or self._seen[number]:
            raise ValueError
        self._seen[number], self._degrees[number] = laps, _count(one["degrees"])
        (self._seconds[number],) = _numbers([one["seconds"]], (1,), 1e-3, 1e5)
        self._logs[number] = _numbers(one["log_speed"], (3, 4), -_LARGEST_LOG, _LARGEST_LOG)
        self._travel_mm[number] = _numbers(one["travel_mm"], (4,), -_LARGEST_TRAVEL_MM, _LARGEST_TRAVEL_MM)
        self._squares[number] = _numbers(one["squares"], (3,), 0.0, _LARGEST_SQUARES)


def _count(value: Any) -> int:
    if type(value) is not int or not 0 <= value <= _MOST_COUNTED:
        raise ValueError
    return value


def _numbers(values: Any, shape: tuple[int, ...], lowest: float, highest: float) -> Floats:
    numbers = np.array(values, dtype=np.float64)
    if numbers.shape != shape or not ((numbers >= lowest) & (numbers <= highest)).all():  # NaN is not
        raise ValueError
    return numbers


def _seconds(stretches: Sequence[Stretch]) -> Floats:
    """How long each took, shape (n,)."""
    return np.array([one.rows / one.row_rate_hz for one in stretches], dtype=np.float64)


def _logs(stretches: Sequence[Stretch]) -> Floats:
    """Logarithms of the speeds, shape (n, 3, 4); NaN where a stretch is short or one is unknown or 0."""
    speeds = speeds_mm_s(stretches)
    speeds[_seconds(stretches) < _LEAST_S] = np.nan
    speeds[~(speeds > 0.0)] = np.nan
    return np.asarray(np.log(speeds))
