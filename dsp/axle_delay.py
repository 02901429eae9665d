"""How far behind the front wheels the rear wheels meet the same road: the wheelbase that sensors and rate imply.

In: car blocks. Out: for each side the distance at which the rear wheel's motion repeats the front wheel's, its spread,
and a verdict against the sheet's wheelbase, which tells of a wrong speed unit, sample rate or wheelbase and of
exchanged sensors. Windows lie at fixed places of the device's counter, so any split gives the same ones; one counts
when all of it is known, in one stretch, at a steady speed. Needs a speed channel. Memory does not grow.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from dsp.frame import CarBlock
from dsp.segments import Segments, hann_window, power_of_two_rows
from ingest.chunk import CORNERS, Floats
from ingest.sheet import Sheet

SIDES = ("left", "right")
_WINDOW_S = 1.0  # long against the delay (0.2 s at the slowest speed), short enough for the speed to be steady
_SLOWEST_M_S = 15.0
# Highest less lowest speed in the window, of their mean: it blurs the distance by as much at most, and evenly.
_STEADY = 0.05
# Passed in full between these, fading to nothing below and above: body motion, which front and rear share at the same
# instant, lies below; what the wheels pick up from the road within; noise of the converters above.
_BAND_HZ = (3.0, 40.0)
_FADE_HZ = (2.0, 52.0)
# Distances looked at, in wheelbases: back to where exchanged axles show, on to where km/h taken for m/s (3.6) does.
_FROM, _TO, _STEP = -1.5, 4.0, 0.04
_STILL = 1e-6  # mm/s: what rounding leaves of a wheel that does not move
_GROUP_WINDOWS = 8
# When thinned: after so many windows of steady speed, one in eight tells what changes.
_PLENTY, _THIN = 32, 8
_GROUPS_KEPT = 128  # the newest, for the spread
_LEAST_WINDOWS = 16
# Standard errors that a correlation has to stand above 0: of some hundred distances of pure noise the highest
# comes to 3 to 4.
_CLEAR = 6.0
_LEAST_CORRELATION = 0.1
_AT_ONCE = 0.15  # of a wheelbase: nearer to 0 than this, both axles move together and no road is being followed
_AGREES_WITHIN_PERCENT = 5.0
# How much better the other side has to repeat: left and right tracks are alike in long waves.
_BETTER_BY = 0.05
# The four pairs, front corner and rear corner: straight left and right, then across.
_PAIRS = ((0, 2), (1, 3), (0, 3), (1, 2))
_FRONTS, _REARS = ([pair[end] for pair in _PAIRS] for end in (0, 1))


@dataclass(frozen=True)
class AxleDelay:
    """What one side's front wheel and the rear wheels have in common.

    Attributes
    ----------
    side : str
        "left" or "right", of the front wheel.
    wheelbase_m, spread_m : float
        Distance at which the rear wheel repeats the front wheel, negative when it is ahead, and its standard deviation
        over groups of windows; NaN when not seen (or fewer than two groups).
    groups, windows : int
        Groups that gave a distance; windows averaged.
    correlation : float
        At that distance, 1 for an exact repetition; NaN when not seen.
    crossed_correlation : float
        The highest of the front wheel with the rear wheel of the other side.
    sheet_wheelbase_m, deviation_percent : float
        The sheet's wheelbase, and how far the implied one is above it.
    verdict : str
        "agrees", "differs by x %", "reversed", "crossed" or "not seen".
    reason : str
        Why it was not seen, or what the verdict hints at; empty when it agrees.
    """

    side: str
    wheelbase_m: float
    spread_m: float
    groups: int
    windows: int
    correlation: float
    crossed_correlation: float
    sheet_wheelbase_m: float
    deviation_percent: float
    verdict: str
    reason: str


@dataclass(frozen=True)
class _Pair:
    """What was summed of one pair: the mean correlation against distance, its standard error, and its groups."""

    windows: int
    mean: Floats
    standard_error: Floats
    groups: tuple[Floats, ...]


class _PairSums:
    """Correlations of the four pairs of wheels against distance, summed over windows."""

    def __init__(self, distances: int) -> None:
        self._windows = [0] * len(_PAIRS)
        self._total = np.zeros((len(_PAIRS), distances))
        self._squares = np.zeros((len(_PAIRS), distances))
        self._group = np.zeros((len(_PAIRS), distances))
        self._groups: list[deque[Floats]] = [deque(maxlen=_GROUPS_KEPT) for _ in _PAIRS]

    def add(self, pairs: list[int], correlation: Floats) -> None:
        """Count one window of some pairs: shape (n_pairs, distances)."""
        # All four in one go when all are there; the sums are the same either way.
        rows = slice(None) if len(pairs) == len(_PAIRS) else pairs
        self._total[rows] += correlation
        self._group[rows] += correlation
        self._squares[rows] += correlation * correlation
        for pair in pairs:
            self._windows[pair] += 1
            if self._windows[pair] % _GROUP_WINDOWS == 0:
                self._groups[pair].append(self._group[pair] / _GROUP_WINDOWS)
                self._group[pair] = 0.0

    def of(self, pair: int) -> _Pair:
        """Sums of one pair so far; the standard error, from the scatter of the windows, is NaN for fewer than two."""
        windows = self._windows[pair]
        mean = self._total[pair] / max(1, windows)
        variance = np.maximum(self._squares[pair] / max(1, windows) - mean**2, 0.0)
        error = np.sqrt(variance / (windows - 1)) if windows > 1 else np.full(len(mean), math.nan)
        return _Pair(windows, mean, error, tuple(self._groups[pair]))


class AxleDelayWatch:
    """Adds up how the rear wheels repeat the front wheels.

    Parameters
    ----------
    sheet : Sheet
        Gives the wheelbase.
    rate_hz : float
        Rows a second of the car blocks.
    thinned : bool
        Look at few windows once there are plenty: a witness has time to spare, a live chain has not.
    """

    def __init__(self, sheet: Sheet, rate_hz: float, *, thinned: bool = False) -> None:
        self._thinned = thinned
        self._steady = 0
        self.wheelbase_m = sheet.car.wheelbase_mm / 1000.0
        self.rows = power_of_two_rows(_WINDOW_S, rate_hz)
        steps = np.arange(round(_FROM / _STEP), round(_TO / _STEP) + 1, dtype=np.float64)
        self.distance_m: Floats = steps * (_STEP * self.wheelbase_m)
        self._sums = _PairSums(len(steps))
        self._segments = Segments(5, self.rows, self.rows)
        self._rate_hz = rate_hz
        self._taper = hann_window(self.rows)
        hertz = np.arange(self.rows + 1, dtype=np.float64) * (rate_hz / (2 * self.rows))
        rising = np.clip((hertz - _FADE_HZ[0]) / (_BAND_HZ[0] - _FADE_HZ[0]), 0.0, 1.0)
        falling = np.clip((_FADE_HZ[1] - hertz) / (_FADE_HZ[1] - _BAND_HZ[1]), 0.0, 1.0)
        # The derivative's weight, since a road's elevation falls with frequency about as fast as this rises.
        weights = rising * falling * hertz
        # Lines above the last with weight need not be looked at.
        self._weights: Floats = np.array(weights[: 1 + int(np.flatnonzero(weights)[-1])])

    def process(self, block: CarBlock) -> None:
        """Take the next rows."""
        wheels = tuple(block.wheel_mm[:, corner] for corner in range(4))
        for window in self._segments.cut(block, (*wheels, block.speed_m_s)):
            self._take(window)

    def result(self) -> tuple[AxleDelay, AxleDelay]:
        """What was found so far, left and right."""
        return self._judged(0), self._judged(1)

    def _take(self, window: Floats) -> None:
        speed = window[4]
        # Most windows are told apart by their ends alone.
        if not (speed[0] >= _SLOWEST_M_S and abs(speed[-1] - speed[0]) <= 1.06 * _STEADY * speed[0]):
            return
        mean_m_s = float(np.add.reduce(speed)) / self.rows
        slowest, fastest = float(np.minimum.reduce(speed)), float(np.maximum.reduce(speed))
        if not (slowest >= _SLOWEST_M_S and fastest - slowest <= _STEADY * mean_m_s):
            return
        self._steady += 1
        if self._thinned and self._steady == _PLENTY:
            self._segments.step = _THIN * self.rows
        mean = np.add.reduce(window[:4], axis=1) / self.rows
        wheels = window[:4] - mean[:, np.newaxis]
        unknown = ~np.isfinite(mean)
        wheels[unknown] = 0.0
        wheels *= self._taper
        # Twice the length with zeros, so that the end of a window does not meet its own beginning.
        lines = np.fft.rfft(wheels, 2 * self.rows, axis=1)[:, : len(self._weights)] * self._weights
        size = np.sqrt(np.add.reduce(lines.real**2 + lines.imag**2, axis=1))
        moves = ((size > _STILL) & ~unknown).tolist()
        circular = np.fft.irfft(lines[_FRONTS].conj() * lines[_REARS], 2 * self.rows, axis=1)
        # A row is up to 0.3 m: between rows goes the cubic through four lags (a straight line would put every peak on a
        # row). Beyond the window there is nothing left to correlate.
        lag = np.clip(self.distance_m * (self._rate_hz / mean_m_s), 2 - self.rows, self.rows - 3)
        before = np.floor(lag)
        place = before.astype(np.int64)
        cubic = _cubic_weights(lag - before)
        # A negative place counts from the end, which is where the negative lags are.
        between = circular.take(place - 1, axis=1, mode="wrap") * cubic[0]
        for step in range(1, 4):
            between += circular.take(place - 1 + step, axis=1, mode="wrap") * cubic[step]
        pairs = [number for number, (front, rear) in enumerate(_PAIRS) if moves[front] and moves[rear]]
        if not pairs:
            return
        if len(pairs) < len(_PAIRS):
            between, size = between[pairs], np.where(size > _STILL, size, math.nan)
        # Each line stands for itself and its mirror image: a wheel's energy is the square of its size / rows.
        weight = self.rows / (size[_FRONTS] * size[_REARS])
        between *= weight[pairs][:, np.newaxis]
        self._sums.add(pairs, between)

    def _judged(self, side: int) -> AxleDelay:
        straight, across = self._sums.of(side), self._sums.of(side + 2)
        windows = straight.windows
        if windows < _LEAST_WINDOWS:
            reason = f"only {windows} of {_LEAST_WINDOWS} windows of steady speed above {_SLOWEST_M_S:g} m/s"
            return self._not_seen(side, reason)
        seen, reason = self._clear_peak(straight)
        crossed, _ = self._clear_peak(across) if across.windows >= _LEAST_WINDOWS else (None, "")
        if crossed is not None and self._better(across, crossed, straight):
            other = CORNERS[_PAIRS[side + 2][1]]
            hint = f"{CORNERS[side]} is followed by {other}: sensors exchanged from left to right on one axle"
            return self._seen(side, across, "crossed", hint)
        if seen is None:
            return self._not_seen(side, reason)
        distance_m, _ = _top(straight.mean, self.distance_m)
        if abs(distance_m) < _AT_ONCE * self.wheelbase_m:
            return self._not_seen(side, "front and rear move at the same instant, not one after the other")
        if distance_m < 0:
            return self._seen(side, straight, "reversed", "the rear moves first: front and rear exchanged")
        deviation = 100.0 * (distance_m / self.wheelbase_m - 1.0)
        if abs(deviation) <= _AGREES_WITHIN_PERCENT:
            return self._seen(side, straight, "agrees", "")
        hint = "speed unit, sample rate or wheelbase"
        return self._seen(side, straight, f"differs by {deviation:+.0f} %", hint)

    def _clear_peak(self, sums: _Pair) -> tuple[int | None, str]:
        """Place of the highest mean correlation, or None and why it says nothing."""
        mean = sums.mean
        place = int(np.argmax(mean))
        height = float(mean[place])
        if height < _LEAST_CORRELATION or height < _CLEAR * float(sums.standard_error[place]):
            return None, f"the rear wheel repeats the front wheel nowhere clearly (correlation {height:.2f} at most)"
        if place in {0, len(mean) - 1}:
            return None, "no peak within the distances looked at"
        return place, ""

    @staticmethod
    def _better(across: _Pair, place: int, straight: _Pair) -> bool:
        at = int(np.argmax(straight.mean))
        lead = float(across.mean[place] - straight.mean[at])
        error = math.hypot(float(across.standard_error[place]), float(straight.standard_error[at]))
        return lead > _BETTER_BY and lead > 3.0 * error

    def _seen(self, side: int, sums: _Pair, verdict: str, reason: str) -> AxleDelay:
        distance_m, correlation = _top(sums.mean, self.distance_m)
        each = [_top(group, self.distance_m)[0] for group in sums.groups]
        return AxleDelay(
            side=SIDES[side],
            wheelbase_m=distance_m,
            spread_m=float(np.std(each, ddof=1)) if len(each) > 1 else math.nan,
            groups=len(each),
            windows=sums.windows,
            correlation=correlation,
            crossed_correlation=self._highest_across(side),
            sheet_wheelbase_m=self.wheelbase_m,
            deviation_percent=100.0 * (distance_m / self.wheelbase_m - 1.0),
            verdict=verdict,
            reason=reason,
        )

    def _not_seen(self, side: int, reason: str) -> AxleDelay:
        return AxleDelay(
            side=SIDES[side],
            wheelbase_m=math.nan,
            spread_m=math.nan,
            groups=0,
            windows=self._sums.of(side).windows,
            correlation=math.nan,
            crossed_correlation=self._highest_across(side),
            sheet_wheelbase_m=self.wheelbase_m,
            deviation_percent=math.nan,
            verdict="not seen",
            reason=reason,
        )

    def _highest_across(self, side: int) -> float:
        across = self._sums.of(side + 2)
        return float(across.mean.max()) if across.windows else math.nan


def _cubic_weights(share: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Weights of the points at -1, 0, 1 and 2 in the cubic through them, at places from 0 to 1 (Lagrange)."""
    down, up, far = share - 1.0, share + 1.0, share - 2.0
    return -share * down * far / 6.0, up * down * far / 2.0, -up * share * far / 2.0, up * share * down / 6.0


def _top(correlation: Floats, distance_m: Floats) -> tuple[float, float]:
    """Distance and height of the highest point, through a parabola over it and its neighbours."""
    place = int(np.argmax(correlation))
    if not 0 < place < len(correlation) - 1:
        return float(distance_m[place]), float(correlation[place])
    before, here, after = correlation[place - 1 : place + 2].tolist()
    bend = before - 2.0 * here + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(distance_m[place] + shift * (distance_m[1] - distance_m[0])), here - 0.25 * (before - after) * shift
