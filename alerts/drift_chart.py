"""Charts that hold every stretch and every lap against the reference and say when one damper has changed.

In: the stretches of one lap at a time, in order, and each lap's kind when it is over. Out: a `Verdict` when a chart has
left its limit and the evidence names something. Moving means of the newest 4 to 32 stretches see a big change within a
lap; CUSUMs of whole laps see a small one; each for every corner, faster and slower. After the first verdict they go on
without what it explains, so that a second damper is still found, and the first is told again when it gets clearly
worse; after a second verdict they stop. Holds the reference, the stretches of the lap under way, and the newest
`_REMEMBERED`.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from alerts.cusum import Cusum
from alerts.drift_limits import DriftLimits
from alerts.drift_reference import LEAST_OF_LAP, DriftReference, Looks, Refused
from alerts.drift_verdict import EXPLANATIONS, NEIGHBOURS, PATTERNS, Verdict, beside, changes_of, judge
from dsp.position_scales import Stretch
from ingest.chunk import Floats

# Stretches of a moving mean: the fewest that a slide or a kerb alone can't carry, up to most of a lap; powers of two.
WINDOWS: Final = (4, 8, 16, 32)
# k of the laps' CUSUM in standard deviations. The reference's error is common to all laps, so that k = 1 needs limits
# twice as high; with this a loss of 8 % is found soonest.
LAP_ALLOWANCE: Final = 1.25
# One lap alone (traffic, a slide) is not to trip a chart; nor one stretch, which counts up to so much of its scatter.
_LARGEST_SCORE: Final = 5.0
_LARGEST_OF_STRETCH: Final = 4.0
_REMEMBERED: Final = 2000
_LONGEST_ONSET: Final = 80  # two laps: what began longer ago is the CUSUM's to find
# A condition that trips without a clear name waits so many stretches for one, or two laps where only laps say so.
_PATIENCE: Final = 20
# News only when it is so big: a damper's adjuster moves a corner by more, oils and tyres by less; and axles and sides
# also change with fuel, wind and lines.
_LEAST_CORNER_PERCENT: Final = 3.0
_LEAST_PAIR_PERCENT: Final = 8.0
# So much more than what was told is told again.
WORSE_PERCENT: Final = 15.0
_MOST_VERDICTS: Final = 2
# Laps that a reference that was given has to show that it fits at all.
_PROVED_WITHIN: Final = 3
# Stretches from which it shows whether they are of one road.
_FEWEST_ALIKE: Final = 8
# Of a pattern beside another, as a share of its squared size: less than this is rounding.
_LEAST_LEFT: Final = 1e-9
_CORNER_PATTERNS: Final = np.array(list(PATTERNS.values()))


@dataclass
class DriftSettings:
    """How many laps make a reference, and how many are skipped before it."""

    reference_laps: int = 8
    warm_up_laps: int = 2


class DriftChart:
    """One stint's charts.

    Parameters
    ----------
    settings : DriftSettings
        Laps of the reference.
    limits : DriftLimits
        Calibrated limits.
    reference : DriftReference or None
        A frozen one; otherwise the stint's first clean laps make one. Nothing is charted against it before a lap has
        shown that it is of the same road; one of another road is given up.
    """

    def __init__(self, settings: DriftSettings, limits: DriftLimits, reference: DriftReference | None = None) -> None:
        self._settings = settings
        self._limits = limits
        self.reference = DriftReference() if reference is None else reference
        self.frozen = reference is not None
        # Whether this stint's laps may make a reference: not while it is known that something is wrong with a damper.
        self.may_learn = True
        self.proven = reference is None
        self.misfit = False  # the reference given was of another road
        # Timed laps, of the newest, that could not be compared or learnt, and why.
        self.blind_laps = 0
        self.refused = Refused()
        # What was told, the newest word on each place; a second one is sought beside what the first explains.
        self.verdicts: list[Verdict] = []
        self.timed_laps = 0
        self.charted_laps = 0
        self.lap_charts = Cusum(8, LAP_ALLOWANCE)
        self._stretches: list[Stretch] = []
        self._recent = _Recent()
        self._laps: deque[int] = deque(maxlen=200)  # looks in each of the newest charted laps
        self._looked = 0  # looks of the lap under way, and what was refused of it
        self._refused = Refused()
        self._uncharted: list[Stretch] = []  # of the lap under way: how many are fit is asked when it is over
        self._fresh = 0  # looks since the charts began
        self._waiting = 0
        self._crossed = False  # a limit, in the lap under way

    @property
    def learning(self) -> bool:
        """Whether there is nothing to compare with yet."""
        return self.reference.laps == 0

    @property
    def charting(self) -> bool:
        """Whether stretches are compared now: there is a reference, the warm-up is over, and there is more to tell."""
        warm = self.timed_laps >= self._settings.warm_up_laps
        return self.proven and self.reference.laps > 0 and warm and len(self.verdicts) < _MOST_VERDICTS

    def take(self, stretches: Sequence[Stretch]) -> list[tuple[int, Verdict]]:
        """Take stretches of one lap; return each verdict with the place in them that completed it."""
        if not self.frozen or not self.proven:
            self._stretches += stretches
        if not stretches:
            return []
        if not self.charting:
            self._uncharted += stretches
            return []
        looks, refused = self.reference.look(stretches)
        self._refused += refused
        self._looked += len(looks)
        ends = {one.first_sample: place for place, one in enumerate(stretches)}
        found = []
        while len(looks) and self.charting:
            taken, verdict = self._chart_stretches(looks)
            if verdict is not None:
                found.append((ends[int(looks.first_sample[taken - 1])], verdict))
            looks = looks.part(slice(taken, None))
        return found

    def end_lap(self, *, timed: bool, invalid: bool = False) -> Verdict | None:
        """A lap is over, all its stretches taken; return a verdict if it completes one.

        One that is `invalid` (too slow, torn) is not compared, and counts as one that was not.
        """
        stretches, self._stretches = self._stretches, []
        looks = self._recent.take_lap()
        refused, self._refused = self._refused, Refused()
        looked, self._looked = self._looked, 0
        whole: Looks | None = None  # of `stretches`, where all of them are looked at here
        if self._uncharted:
            uncharted, unfit = self.reference.look(self._uncharted)
            looked, refused = looked + len(uncharted), refused + unfit
            whole = uncharted if len(self._uncharted) == len(stretches) else None
            self._uncharted = []
        if not timed:
            if invalid:
                self.blind_laps, self.refused = self.blind_laps + 1, self.refused + refused
            return None
        self.timed_laps += 1
        verdict = None
        known = self.reference.laps > 0
        compared = known and looked >= LEAST_OF_LAP * self.reference.places
        if not self.proven and compared:
            self._prove(whole, stretches)
            whole = None if self.misfit else whole  # those were held against the one that is given up
        if looks is not None and len(looks) >= LEAST_OF_LAP * self.reference.places:
            verdict = (self._chart_lap(looks) if self.charting else None) or self._worse(looks)
        if not self._crossed:
            self._waiting = 0
        self._crossed = False
        warm = self.timed_laps > self._settings.warm_up_laps
        doubtful = bool(self.verdicts) or self._waiting > 0
        learnt = False
        if not self.frozen and self.may_learn and warm and not doubtful and verdict is None:
            learnt = self.reference.admit(stretches, whole)
            self.frozen = self.reference.laps >= self._settings.reference_laps
        if compared or learnt or not warm:
            self.blind_laps, self.refused = 0, Refused()
        else:
            self.blind_laps, self.refused = self.blind_laps + 1, self.refused + refused
            if not self.proven and self.blind_laps >= _PROVED_WITHIN:
                self._give_up()
        return verdict

    def _prove(self, looks: Looks | None, stretches: Sequence[Stretch]) -> None:
        """Hold a whole lap against a reference that was given; one of another road is given up."""
        if looks is None:
            looks, _ = self.reference.look(stretches)
        if not looks.on_another_road:
            self.proven = True
            return
        self._give_up()

    def _give_up(self) -> None:
        self.reference = DriftReference()
        self.frozen, self.proven, self.misfit = False, True, True

    def _chart_stretches(self, looks: Looks) -> tuple[int, Verdict | None]:
        """Chart looks up to the first verdict; return how many were charted, and it."""
        lap = self.reference.lap_variances()
        limit = self._limits.of_stretches(self.reference.laps)
        self._recent.add(looks, self._held(looks, lap))
        scores = self._window_scores(len(looks), lap)
        highest = scores.max(axis=1)
        for place in np.flatnonzero(highest > limit).tolist():
            after = len(looks) - place - 1
            newest = self._recent.newest(min(_LONGEST_ONSET, self._fresh + place + 1), before=after)
            since = newest.part(slice(-self._since_onset(newest, lap), None))
            verdict = self._verdict(since, float(highest[place]), of_laps=False)
            if verdict is not None:
                self._recent.drop(after)
                self._fresh = 0
                return place + 1, verdict
        self._fresh += len(looks)
        return len(looks), None

    def _window_scores(self, count: int, lap: Floats) -> Floats:
        """Highest score of any corner, shape (count, windows), for the moving means that end at each newest look."""
        known = min(self._fresh, max(WINDOWS) - 1) + count
        modes, own = self._recent.tail(known)
        growth = 1.0 + 1.0 / self.reference.laps
        found = np.full((count, len(WINDOWS)), -np.inf)
        means, variances, usable = [], [], []
        width = 1
        for window in WINDOWS:
            # Sums of windows from sums of their halves, elementwise: any split gives the same bits.
            while width < window:
                modes, own = (values[:-width] + values[width:] for values in (modes, own))
                width *= 2
            usable.append(min(count, len(modes)))
            means.append(modes[len(modes) - usable[-1] :] / window)
            variances.append(growth * lap + own[len(own) - usable[-1] :] * (NEIGHBOURS / window**2))
        highest = scores_of(np.concatenate(means), np.concatenate(variances), self._explained).max(axis=1)
        ends = np.cumsum(usable)
        for place, rows in enumerate(usable):
            found[count - rows :, place] = highest[ends[place] - rows : ends[place]]
        return found

    def _since_onset(self, looks: Looks, lap: Floats) -> int:
        """How many of the newest looks the change is likeliest to have lasted: where the highest score is highest."""
        count = np.arange(1, len(looks) + 1)[:, np.newaxis]
        means, own = (np.cumsum(values[::-1], axis=0) / count for values in (self._held(looks, lap), looks.own))
        variances = (1.0 + 1.0 / self.reference.laps) * lap + own * (NEIGHBOURS / count)
        highest = scores_of(means, variances, self._explained).max(axis=1)
        fewest = min(WINDOWS)
        return fewest + int(highest[fewest - 1 :].argmax())

    def _held(self, looks: Looks, lap: Floats) -> Floats:
        """Modes of each look beside what was told, none beyond `_LARGEST_OF_STRETCH` of its scatter, shape (n, 3)."""
        scatter = looks.own + lap
        largest = _LARGEST_OF_STRETCH * np.sqrt(scatter)
        return np.asarray(np.clip(beside(looks.modes, 1.0 / scatter, self._explained), -largest, largest))

    def _chart_lap(self, looks: Looks) -> Verdict | None:
        self.charted_laps += 1
        self._laps.append(len(looks))
        growth = 1.0 + 1.0 / self.reference.laps
        own = self.reference.pooled_variances() * (NEIGHBOURS / len(looks))
        variances = growth * (self.reference.lap_variances() + own)
        scores = scores_of(looks.modes.mean(axis=0)[np.newaxis], variances[np.newaxis], self._explained)[0]
        self.lap_charts.add(np.minimum(scores, _LARGEST_SCORE).tolist())
        highest = max(self.lap_charts.sums)
        if not highest > self._limits.of_laps(self.reference.laps):
            return None
        laps = self.lap_charts.lengths[self.lap_charts.sums.index(highest)]
        return self._verdict(self._recent.newest(sum(list(self._laps)[-laps:])), highest, of_laps=True)

    @property
    def _explained(self) -> Floats | None:
        """Pattern of what was told."""
        return np.array(EXPLANATIONS[self.verdicts[0].best]) if self.verdicts else None

    def _verdict(self, looks: Looks, score: float, *, of_laps: bool) -> Verdict | None:  # noqa: ARG002
        """Judge the newest stretches, whose `score` is over a limit; None while it is worth waiting for a name."""
        verdict = judge(looks, self.reference, self.verdicts[0].best if self.verdicts else None)
        if self._of_another_road(looks, verdict):
            return None
        self._waiting += _PATIENCE // 2 if of_laps else 1
        self._crossed = True
        named = verdict.where in PATTERNS and verdict.settled
        if not big_enough(verdict) or not (named or self._waiting >= _PATIENCE):
            return None
        self.verdicts.append(verdict)
        self.lap_charts.reset()
        self._laps.clear()
        self._waiting = 0
        return verdict

    @staticmethod
    def _of_another_road(looks: Looks, verdict: Verdict) -> bool:
        """Whether stretches differ among themselves so much that the lap's distance, not a damper, is in doubt."""
        if len(looks) < _FEWEST_ALIKE or not looks.on_another_road:
            return False
        differ = math.sqrt(float(looks.residual_variances.mean()))
        return differ > 0.5 * abs(math.log1p(verdict.percent / 100.0)) / 4.0

    def _worse(self, looks: Looks) -> Verdict | None:
        """What was told, when a lap shows clearly more of it."""
        for number, told in enumerate(self.verdicts):
            compression, rebound, both = changes_of(looks, told.best)
            if both * told.percent > 0.0 and abs(both) >= abs(told.percent) + WORSE_PERCENT:
                self.verdicts[number] = worse = replace(
                    told,
                    percent=both,
                    compression_percent=compression,
                    rebound_percent=rebound,
                    stretches=len(looks),
                )
                return worse
        return None


def big_enough(verdict: Verdict) -> bool:
    """Whether it is worth telling."""
    least = _LEAST_CORNER_PERCENT if verdict.best in PATTERNS else _LEAST_PAIR_PERCENT
    return abs(verdict.percent) >= least


class _Recent:
    """The newest looks, some laps of them, and for the moving means the newest looks' modes and own variances."""

    def __init__(self) -> None:
        self._parts: deque[Looks] = deque()
        self._of_lap = 0  # parts of the lap under way
        self._held = np.empty((0, 3))
        self._own = np.empty((0, 3))

    def add(self, looks: Looks, held: Floats) -> None:
        """Append looks; `held` are their modes within what one stretch may count."""
        self._parts.append(looks)
        self._of_lap += 1
        keep = max(WINDOWS)
        self._held = np.concatenate([self._held[-keep:], held])
        self._own = np.concatenate([self._own[-keep:], looks.own])

    def drop(self, count: int) -> None:
        """Take back so many of the looks that were added last."""
        if count:
            self._parts[-1] = self._parts[-1].part(slice(None, -count))
            self._held, self._own = self._held[:-count], self._own[:-count]

    def newest(self, count: int, before: int = 0) -> Looks:
        """Newest looks but for the last few; fewer if fewer are held."""
        chosen: list[Looks] = []
        missing = count + before
        for part in reversed(self._parts):
            chosen.append(part)
            missing -= len(part)
            if missing <= 0:
                break
        joined = Looks.joined(chosen[::-1])
        return joined.part(slice(max(0, len(joined) - before - count), len(joined) - before))

    def tail(self, count: int) -> tuple[Floats, Floats]:
        """Held modes and own variances of the newest looks."""
        return self._held[-count:], self._own[-count:]

    def take_lap(self) -> Looks | None:
        """Looks of the lap that is over; forgets the oldest laps."""
        count, self._of_lap = self._of_lap, 0
        if count == 0:
            return None
        lap = Looks.joined([self._parts.pop() for _ in range(count)][::-1])
        self._parts.append(lap)
        while sum(map(len, self._parts)) > _REMEMBERED:
            self._parts.popleft()
        return lap


def scores_of(modes: Floats, variances: Floats, without: Floats | None = None) -> Floats:
    """Each corner's change along its pattern in standard deviations, shape (n, 8): four faster, then four slower.

    What a pattern given in `without` explains is taken out of the change and out of the corners' patterns first; a
    corner of which nothing is left scores 0.

    Parameters
    ----------
    modes, variances : array of shape (n, 3)
        Change of pitch, roll and warp, and its variance when nothing is wrong.
    without : array of shape (3,), optional
        A pattern.
    """
    weights = 1.0 / variances
    faster = np.empty((len(modes), 4))
    if without is None:
        pitch, roll, warp = (weights * modes).T
        # Of a pattern of quarters; the sign of each is that of `MODES`.
        size = np.sqrt(_sum(weights))
        for corner, (of_pitch, of_roll, of_warp) in enumerate(np.sign(_CORNER_PATTERNS)):
            faster[:, corner] = (of_pitch * pitch + of_roll * roll + of_warp * warp) / size
        return np.concatenate([faster, -faster], axis=1)
    modes = beside(modes, weights, without)
    for corner, pattern in enumerate(_CORNER_PATTERNS):
        rest = beside(np.broadcast_to(pattern, modes.shape), weights, without)
        weighed = rest * weights
        square, cross = _sum(weighed * rest), _sum(weighed * modes)
        left = square > _LEAST_LEFT * _sum(weights * pattern * pattern)
        faster[:, corner] = np.where(left, cross / np.sqrt(np.where(left, square, 1.0)), 0.0)
    return np.concatenate([faster, -faster], axis=1)


def _sum(values: Floats) -> Floats:
    """Over pitch, roll and warp, in one order however many rows there are."""
    return np.asarray(values[:, 0] + values[:, 1] + values[:, 2])
