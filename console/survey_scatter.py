"""How much the laps of one car on one circuit and set-up really differ, from all its clean stints.

In: stretches of clean laps, stint by stint. Out: standard deviations of pitch, roll and warp of the logarithm of damper
speed, with 95 % intervals and numbers of laps, beside the prior that the drift alarm starts from: of whole laps within
a stint, of stretches beyond their lap, and between stints. Definitions are those of `alerts.drift_reference`. Holds
three numbers a lap. Pure computation.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from scipy.stats import chi2, f

from alerts.drift_reference import LEAST_OF_LAP, DriftReference
from dsp.position_scales import Stretch
from ingest.chunk import Floats

MODES: Final = ("pitch", "roll", "warp")
_TAIL: Final = 0.025  # of a 95 % interval, at each end
# Fewer observations have intervals of a factor of 3 and more: nothing is said of the prior.
_FEWEST_DEGREES: Final = 8

Lap = list[Stretch]


@dataclass(frozen=True)
class Spread:
    """A standard deviation of a mode's logarithm with its 95 % interval; NaN where there is too little."""

    value: float
    low: float
    high: float


@dataclass
class Scatter:
    """Sums over the stints of one car, circuit and set-up.

    `take` adds a stint's own scatter; `place` holds its laps against what all share, for what differs between stints.
    """

    stints: int = 0
    laps: int = 0
    lap_squares: Floats = field(default_factory=lambda: np.zeros(3))
    lap_degrees: int = 0
    stretch_squares: Floats = field(default_factory=lambda: np.zeros(3))
    stretch_degrees: int = 0
    prior_scale: float = 1.0
    _levels: list[Floats] = field(default_factory=list)

    def take(self, own: dict[str, Any]) -> int:
        """Add a stint's own scatter, as of `own_scatter`; return how many of its laps could be used."""
        if not own:
            return 0
        self.stints += 1
        self.laps += own["laps"]
        self.lap_squares = self.lap_squares + np.array(own["lap_squares"])
        self.lap_degrees += own["lap_degrees"]
        self.stretch_squares = self.stretch_squares + np.array(own["pooled_squares"])
        self.stretch_degrees += own["pooled_degrees"]
        self.prior_scale = own["prior_scale"]
        return int(own["laps"])

    def place(self, laps: Iterable[Lap], common: DriftReference) -> None:
        """Add where a stint's laps lie against what all stints share."""
        stretches = [one for lap in laps for one in lap]
        if not stretches:
            return
        looks, _ = common.look(stretches)
        begins = np.flatnonzero(np.diff(looks.lap, prepend=-1))
        levels = [
            modes.mean(axis=0)
            for modes in np.split(looks.modes, begins[1:])
            if len(modes) and len(modes) >= LEAST_OF_LAP * common.places
        ]
        if levels:
            self._levels.append(np.array(levels))

    @property
    def placed_stints(self) -> int:
        """Stints that were placed."""
        return len(self._levels)

    @property
    def placed_laps(self) -> int:
        """Laps of the stints that were placed."""
        return sum(map(len, self._levels))

    def of_laps(self) -> list[Spread]:
        """Of whole laps within a stint."""
        return [spread(square, self.lap_degrees) for square in self.lap_squares]

    def of_stretches(self) -> list[Spread]:
        """Of a stretch beyond its lap, within a stint."""
        return [spread(square, self.stretch_degrees) for square in self.stretch_squares]

    def between(self) -> list[Spread]:
        """Of stints, beyond what their laps' scatter explains."""
        return [between_groups([levels[:, mode] for levels in self._levels]) for mode in range(3)]

    def record(self) -> dict[str, Any]:
        """All of it, for a file; what is unknown is NaN."""
        prior, scale = DriftReference(), self.prior_scale
        lap_prior, stretch_prior = np.sqrt(prior.lap_variances()), np.sqrt(scale * prior.pooled_variances())
        laps = zip(MODES, self.of_laps(), lap_prior.tolist(), strict=True)
        stretches = zip(MODES, self.of_stretches(), stretch_prior.tolist(), strict=True)
        return {
            "stints": self.stints,
            "laps": self.laps,
            "lap_to_lap": {
                "observations": self.lap_degrees,
                **{mode: _entry(one, before, self.lap_degrees) for mode, one, before in laps},
            },
            "stretch": {
                "observations": self.stretch_degrees,
                **{mode: _entry(one, before, self.stretch_degrees) for mode, one, before in stretches},
            },
            "between_stints": {
                "stints": self.placed_stints,
                "laps": self.placed_laps,
                **{mode: _percents(one) for mode, one in zip(MODES, self.between(), strict=True)},
            },
        }


def own_scatter(laps: Iterable[Lap]) -> dict[str, Any]:
    """How much a stint's laps differ, each against those before it, as the alarm sees them; empty when none counts.

    Sums, as in `DriftReference.to_plain`, without what belongs to single places on the lap.
    """
    own = DriftReference()
    for lap in laps:
        own.admit(lap)
    plain = own.to_plain() if own.laps else {}
    plain.pop("places", None)
    return plain


def spread(squares: float, degrees: int) -> Spread:
    """A standard deviation from summed squares of independent residuals, with its interval from chi-square.

    Examples
    --------
    >>> one = spread(9.0, 9)
    >>> round(one.low, 3), one.value, round(one.high, 3)
    (0.688, 1.0, 1.826)
    """
    if degrees < 1:
        return Spread(math.nan, math.nan, math.nan)
    low, high = squares / chi2.ppf(1.0 - _TAIL, degrees), squares / chi2.ppf(_TAIL, degrees)
    return Spread(math.sqrt(squares / degrees), math.sqrt(low), math.sqrt(high))


def between_groups(groups: Sequence[Floats]) -> Spread:
    """Standard deviation of groups' true means, from a one-way analysis of variance with random effects.

    The interval is that of Tukey (1951) and Williams (1962), from memory; with groups of unequal size it is near.
    """
    count, total = len(groups), sum(map(len, groups))
    if count < 2 or total <= count:
        return Spread(math.nan, math.nan, math.nan)
    sizes = np.array([len(group) for group in groups], dtype=np.float64)
    means = np.array([group.mean() for group in groups])
    within = sum(float(((group - group.mean()) ** 2).sum()) for group in groups) / (total - count)
    grand = float((sizes * means).sum() / total)
    across = float((sizes * (means - grand) ** 2).sum())
    size = (total - float((sizes**2).sum()) / total) / (count - 1)
    free = (count - 1, total - count)

    def bound(tail: float) -> float:
        least = across - (count - 1) * within * float(f.ppf(tail, *free))
        return math.sqrt(max(0.0, least) / (size * float(chi2.ppf(tail, count - 1))))

    value = math.sqrt(max(0.0, across / (count - 1) - within) / size)
    return Spread(value, bound(1.0 - _TAIL), bound(_TAIL))


def _percents(one: Spread) -> dict[str, float]:
    return {"percent": 100.0 * one.value, "low_95": 100.0 * one.low, "high_95": 100.0 * one.high}


def _entry(one: Spread, prior: float, degrees: int) -> dict[str, Any]:
    verdict = "too few laps to tell"
    if degrees >= _FEWEST_DEGREES:
        # A factor of 2 is what the prior was made to: only what is surely beyond it is said not to fit.
        verdict = "too narrow" if one.low > 2.0 * prior else "too wide" if one.high < prior / 2.0 else "fits"
    return {**_percents(one), "prior_percent": 100.0 * prior, "prior": verdict}


def scatter_lines(name: str, record: dict[str, Any]) -> list[str]:
    """A group's scatter in lines for people."""

    def cell(one: dict[str, Any]) -> str:
        if one["percent"] is None or math.isnan(one["percent"]):
            return "-"
        return f"{one['percent']:.2f} ({one['low_95']:.2f} to {one['high_95']:.2f})"

    lines = [f"scatter of damper speeds, {name}: {record['laps']} clean laps of {record['stints']} stints, in %"]
    lines.append(f"  {'':16}" + "".join(f"{mode:>22}" for mode in MODES))
    for key, words in (
        ("lap_to_lap", "lap to lap"),
        ("stretch", "stretch of 60 m"),
        ("between_stints", "between stints"),
    ):
        part = record[key]
        lines.append(f"  {words:16}" + "".join(f"{cell(part[mode]):>22}" for mode in MODES))
        if "prior_percent" in part["pitch"]:
            lines.append(f"  {'  prior':16}" + "".join(f"{part[mode]['prior_percent']:>22.2f}" for mode in MODES))
    for verdict in ("too narrow", "too wide"):
        found = [
            f"{words} {mode}"
            for key, words in (("lap_to_lap", "lap-to-lap"), ("stretch", "stretch"))
            for mode in MODES
            if record[key][mode]["prior"] == verdict
        ]
        if found:
            lines.append(f"  the drift alarm's prior is {verdict} for this car: {', '.join(found)}")
    return lines
