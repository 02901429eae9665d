"""Measures where the four sensors stand with the car at rest on the flat patch, and judges whether it was at rest.

In: chunks of a log, a recording or a live link, and the car sheet. Out: each corner's new `zero_mm` with what it was
measured from, and every reason against it. Nothing is written here (see `console.zero_write`) and nothing is shown.
What can't be judged, too little data for one, is a reason against.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ingest.calibration import Calibration
from ingest.chunk import CORNERS, Chunk, Floats
from ingest.sheet import Sheet
from ingest.sheet_parts import Sensor

CAUTION = (
    "The car must stand on the flat patch as it will run: tyre pressures, driver or ballast, fuel; engine off, "
    "bounced once and left to settle. Nobody leaning on the car, nobody under it."
)

# A corner with less than this share of its samples hides whether it moved.
_LEAST_KNOWN = 0.9
# Spread of one sample (half the distance from the 16th to the 84th percentile). A potentiometer and a 12-bit converter
# give 0.03 mm, a 10-bit one 0.1; a running engine or a hand on the car gives more than this.
MOST_NOISE_MM = 0.2
# From the 0.5th to the 99.5th percentile: 5.2 times the spread if it is noise alone, so 1.0 mm at the limit above.
# Somebody who leans on the car for a moment moves it by more.
MOST_RANGE_MM = 1.2
# Change over the whole window if it went on steadily; the mean is then wrong by half of it, 0.1 mm, which is as well
# as a suspension with friction comes back to its height.
MOST_DRIFT_MM = 0.2
# A drift counts if it stands out from the scatter of the blocks' medians by this many standard errors.
_DRIFT_STANDS_OUT = 4.0
_BLOCKS = 20
_LEAST_BLOCKS = 8
# Readings outside the sensor's range: single ones are spikes, more are a fault.
_MOST_OUTSIDE = 0.01
# The mean leaves out this share of the samples at either end: spikes do not reach it.
_TRIMMED = 0.05
# A car at rest; wheel-speed sensors creep by less than this.
_FASTEST_M_S = 0.5
# Numbers at which a converter of n bits ends. A sensor that reads one of them and nothing else is not read at all.
_RAILS = frozenset({0.0, *(float(2**bits - 1) for bits in (8, 10, 12, 14, 16)), 32767.0})
# A zero moves by setup changes of a few mm; more is a slipped clamp or a sensor that was changed.
LARGE_CHANGE_MM = 10.0
# Finer than any sensor here resolves.
_DECIMALS = 2


@dataclass(frozen=True)
class CornerZero:
    """One corner's measurement.

    Attributes
    ----------
    corner : str
        FL, FR, RL or RR.
    old_mm : float or None
        `zero_mm` of the sheet; None where it gives none, which counts as 0.
    new_mm : float
        What it should be, rounded to 0.01 mm; NaN when nothing was measured.
    noise_mm, range_mm, drift_mm : float
        Spread of one sample; central 99 % of all; steady change over the window.
    known : float
        Share of the window's samples that had a usable reading.
    reasons : tuple of str
        Why this must not be used; empty when it may.
    """

    corner: str
    old_mm: float | None
    new_mm: float
    noise_mm: float
    range_mm: float
    drift_mm: float
    known: float
    reasons: tuple[str, ...] = ()

    @property
    def change_mm(self) -> float:
        """New less old."""
        return self.new_mm - (self.old_mm or 0.0)


@dataclass(frozen=True)
class Zeros:
    """All four corners, and what speaks against the measurement as a whole."""

    corners: tuple[CornerZero, ...]
    seconds: float
    reasons: tuple[str, ...] = ()

    @property
    def usable(self) -> bool:
        """True when nothing speaks against any of it."""
        return not self.reasons and not any(corner.reasons for corner in self.corners)

    @property
    def new_mm(self) -> dict[str, float]:
        """New `zero_mm` by corner."""
        return {corner.corner: corner.new_mm for corner in self.corners}


class Window:
    """Collects the samples of some seconds, by their numbers; missing ones stay unknown.

    Parameters
    ----------
    rate_hz : float
        Sample rate.
    from_s, seconds : float
        Where the window begins, counted from the first sample, and how long it is.
    """

    def __init__(self, rate_hz: float, from_s: float, seconds: float) -> None:
        self._skip = round(from_s * rate_hz)
        count = max(1, round(seconds * rate_hz))
        self.rate_hz = rate_hz
        self.readings = np.full((count, 4), np.nan, order="F")
        self.speed_m_s = np.full(count, np.nan)
        self.restarted = False
        self.reached = 0
        self._first: int | None = None

    @property
    def full(self) -> bool:
        """True once samples have come up to the window's end."""
        return self.reached >= len(self.readings)

    def take(self, chunk: Chunk) -> None:
        """Keep what of a chunk lies in the window."""
        if self.full:
            return
        if self._first is None:
            if not len(chunk):
                return
            self._first = chunk.first_sample + self._skip
        self.restarted |= chunk.restart and self.reached > 0
        place = chunk.first_sample - self._first
        start, stop = max(0, -place), min(len(chunk), len(self.readings) - place)
        if stop > start:
            self.readings[place + start : place + stop] = chunk.sensors[start:stop]
            if "speed" in chunk.side:
                self.speed_m_s[place + start : place + stop] = chunk.side["speed"][start:stop]
        self.reached = max(self.reached, min(place + len(chunk), len(self.readings)))


def collect(chunks: Iterable[Chunk], rate_hz: float, from_s: float, seconds: float) -> Window:
    """Fill a window from the chunks of a log; no more of them is read than it takes."""
    window = Window(rate_hz, from_s, seconds)
    for chunk in chunks:
        if not chunk.silent:
            window.take(chunk)
        if window.full:
            break
    return window


def measure(window: Window, sheet: Sheet) -> Zeros:
    """New zeros from a window, with all that speaks against them.

    Parameters
    ----------
    window : Window
        Readings of the car at rest.
    sheet : Sheet
        As it is now.
    """
    count = len(window.readings)
    seconds = count / window.rate_hz
    held_s = max(0, window.reached) / window.rate_hz
    reasons = []
    if held_s < _LEAST_KNOWN * seconds:
        reasons.append(f"too short: {held_s:.1f} s of data where {seconds:g} s are wanted")
    if window.restarted:
        reasons.append("the device's clock was set back within these seconds: measure again")
    speeds = window.speed_m_s[np.isfinite(window.speed_m_s)]
    if len(speeds) and np.median(np.abs(speeds)) > _FASTEST_M_S:
        reasons.append(
            f"the car is moving: speed {np.median(np.abs(speeds)) * 3.6:.1f} km/h, limit {_FASTEST_M_S * 3.6:.1f}"
        )
    travel_mm = Calibration(sheet).process(window.readings)
    corners = tuple(
        _corner(corner, sheet.sensor(corner), window.readings[:, index], travel_mm[:, index], seconds)
        for index, corner in enumerate(CORNERS)
    )
    return Zeros(corners, seconds, tuple(reasons))


def _corner(corner: str, sensor: Sensor, readings: Floats, travel_mm: Floats, seconds: float) -> CornerZero:
    old_mm = sensor.zero_mm if "zero_mm" in sensor.model_fields_set else None
    usable = np.isfinite(travel_mm)
    known = float(np.mean(usable))
    values = travel_mm[usable]
    if not len(values):
        return CornerZero(corner, old_mm, np.nan, np.nan, np.nan, np.nan, 0.0, ("no readings",))
    reasons = []
    if known < _LEAST_KNOWN:
        reasons.append(f"only {known:.0%} of its samples hold a reading, at least {_LEAST_KNOWN:.0%} are needed")
    reasons += _electrical(sensor, readings[usable])
    low, sixteenth, eighty_fourth, high = np.percentile(values, [0.5, 15.87, 84.13, 99.5])
    noise_mm, range_mm = float(eighty_fourth - sixteenth) / 2.0, float(high - low)
    drift_mm, error_mm = drift(travel_mm)
    # Of one cause the plainest sign is enough: what moves is noisy and drifts as well.
    if range_mm > MOST_RANGE_MM:
        reasons.append(f"moved: over a range of {range_mm:.2f} mm, limit {MOST_RANGE_MM:g}")
    elif noise_mm > MOST_NOISE_MM:
        reasons.append(f"noisy: {noise_mm:.2f} mm, limit {MOST_NOISE_MM:g}")
    elif not np.isfinite(drift_mm):
        reasons.append("too little data to tell whether it drifts")
    elif abs(drift_mm) > max(MOST_DRIFT_MM, _DRIFT_STANDS_OUT * error_mm):
        reasons.append(f"drifts: {drift_mm:+.2f} mm over {seconds:g} s, limit {MOST_DRIFT_MM:g}")
    new_mm = round(sensor.zero_mm + central_mean(values), _DECIMALS)
    return CornerZero(corner, old_mm, new_mm + 0.0, noise_mm, range_mm, drift_mm, known, tuple(reasons))


def _electrical(sensor: Sensor, readings: Floats) -> list[str]:
    """Whether the sensor can be believed at all."""
    middle = float(np.median(readings))
    if sensor.reading_range is not None:
        low, high = sensor.reading_range
        outside = float(np.mean((readings < low) | (readings > high)))
        if outside > _MOST_OUTSIDE:
            return [
                f"sensor out of range: reads {middle:g} {sensor.unit}, reading_range {low:g} to {high:g} "
                f"({outside:.0%} of the samples outside); check connector and wiring"
            ]
    at_rail = middle in _RAILS if sensor.unit == "counts" else middle == 0.0 and sensor.unit in {"V", "mV"}
    if at_rail and float(np.ptp(readings)) == 0.0:
        return [f"stuck at the end of the converter: {middle:g} {sensor.unit} in every sample; check the wiring"]
    return []


def drift(travel_mm: Floats) -> tuple[float, float]:
    """Change over the window along a straight line, and its standard error.

    The line goes through the medians of 20 blocks, so that spikes do not tilt it, and noise that is alike from one
    sample to the next does not make the error look smaller than it is.

    Parameters
    ----------
    travel_mm : array of shape (n_samples,), mm
        NaN where not known.

    Returns
    -------
    tuple of float, mm
        NaN both when fewer than 8 blocks hold half of their samples.
    """
    places, medians = [], []
    blocks = np.array_split(travel_mm, _BLOCKS)
    for number, block in enumerate(blocks):
        held = block[np.isfinite(block)]
        if len(held) and 2 * len(held) >= len(block):
            places.append((number + 0.5) / _BLOCKS)
            medians.append(float(np.median(held)))
    if len(places) < _LEAST_BLOCKS:
        return np.nan, np.nan
    x = np.array(places) - np.mean(places)
    y = np.array(medians) - np.mean(medians)
    spread = float(x @ x)
    slope = float(x @ y) / spread
    rest = y - slope * x
    return slope, float(np.sqrt(rest @ rest / (len(x) - 2) / spread))


def central_mean(values: Floats) -> float:
    """Mean of the central 90 % of some values.

    Examples
    --------
    >>> central_mean(np.array([1000.0, *[2.0] * 18, -50.0]))
    2.0
    """
    ordered = np.sort(values)
    cut = int(_TRIMMED * len(ordered))
    return float(np.mean(ordered[cut : len(ordered) - cut]))


def zero_lines(zeros: Zeros) -> list[str]:
    """The measurement as a table for a person, with every reason against it below."""
    lines = ["corner   old zero   new zero     change      noise      drift   (mm)"]
    for one in zeros.corners:
        old = f"{'none':>10}" if one.old_mm is None else _number(one.old_mm, 10)
        numbers = "".join(
            _number(value, 11, signed=signed)
            for value, signed in (
                # Nobody shall write by hand what was refused.
                (np.nan if one.reasons else one.new_mm, False),
                (np.nan if one.reasons else one.change_mm, True),
                (one.noise_mm, False),
                (one.drift_mm, True),
            )
        )
        lines.append(f"{one.corner:<7}{old}{numbers}{'   refused' if one.reasons else ''}")
    lines += [
        f"{one.corner}: changes by more than {LARGE_CHANGE_MM:g} mm; if the sensor was not moved, check its clamp first"
        for one in zeros.corners
        if one.old_mm is not None and not one.reasons and abs(one.change_mm) > LARGE_CHANGE_MM
    ]
    lines += list(zeros.reasons)
    lines += [f"{one.corner}: {reason}" for one in zeros.corners for reason in one.reasons]
    return lines


def _number(value: float, width: int, *, signed: bool = False) -> str:
    if not np.isfinite(value):
        return f"{'-':>{width}}"
    return f"{value:>+{width}.2f}" if signed else f"{value:>{width}.2f}"
