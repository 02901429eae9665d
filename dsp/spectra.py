"""Spectra of the four dampers' travel, and the body and wheel frequencies that show in them.

In: car blocks. Out: the averaged spectrum of each corner (Welch's method: P. D. Welch, IEEE Trans. Audio
Electroacoust. 15, 1967: Hann window, half overlap or none, mean removed), and its peaks beside the sheet's figures.
Segments
lie at fixed places of the device's counter, so any split gives the same ones; one counts for a corner when all of it
is known, in one stretch, with the car running. Nothing raises for a validated sheet; memory does not grow.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from dsp.frame import CarBlock
from dsp.kinematics import MotionRatio, ride_frequency_hz, ride_rate_n_mm, wheel_rate_n_mm
from dsp.segments import Segments, hann_window, power_of_two_rows
from dsp.spectral_peaks import GROUP_SEGMENTS, Peak, find_peak, no_peak
from ingest.chunk import CORNERS, Floats, Ints
from ingest.sheet import Sheet

_SEGMENT_S = 4.0  # tells 0.25 Hz apart: a tenth of the body's frequency on a racing car
_HIGHEST_PEAK_HZ = 60.0  # bodies, wheels and tyres hold nothing of interest beyond
# Without overlap: after five minutes of running, a segment in four tells what changes.
_PLENTY, _THIN = 72, 4
_GROUPS_KEPT = 64  # some 17 minutes, the newest; older ones are forgotten
# Below the noise of any converter (16 bits over 100 mm: 2e-9 mm2/Hz at 250 rows a second); keeps logarithms finite.
_FLOOR_MM2_HZ = 1e-12
_GRAVITY_M_S2 = 9.80665


@dataclass(frozen=True)
class CornerSpectrum:
    """What the travel of one damper holds, by frequency.

    Attributes
    ----------
    corner : str
        FL, FR, RL or RR.
    segments : int
        Segments averaged.
    frequency_hz, power_mm2_hz : array of shape (n_bins,)
        One-sided power spectral density of damper travel; NaN without segments. Its integral is the variance.
    body : Peak
        Of the travel's spectrum, near the ride frequency on spring and tyre.
    wheel_hop : Peak
        Of the velocity's spectrum, near sqrt((wheel rate + tyre rate) / unsprung mass).
    """

    corner: str
    segments: int
    frequency_hz: Floats
    power_mm2_hz: Floats
    body: Peak
    wheel_hop: Peak


@dataclass(frozen=True)
class Expected:
    """Frequencies of one corner that follow from the sheet, undamped, in Hz; NaN where it does not say.

    `body_without_tyre_hz` is on a rigid tyre.
    """

    body_hz: float
    body_without_tyre_hz: float
    wheel_hop_hz: float


def expected_frequencies(sheet: Sheet, corner: str) -> Expected:
    """Frequencies of one corner at static ride height; the body's is that of the sprung corner alone (heave)."""
    part = sheet.suspension(corner)
    linkage = MotionRatio.of(part)
    ratio = linkage.ratio_at(0.0)
    sprung_kg = sheet.static_load_n(corner) / _GRAVITY_M_S2 - part.unsprung_mass_kg
    spring_n = sprung_kg * _GRAVITY_M_S2 / ratio
    wheel = wheel_rate_n_mm(part.spring.rate_at(0.0), ratio, spring_n, linkage.slope_at(0.0))
    if not (wheel > 0 and sprung_kg > 0):
        return Expected(math.nan, math.nan, math.nan)
    rigid = ride_frequency_hz(wheel, sprung_kg)
    if part.tyre_rate_n_mm is None:
        return Expected(math.nan, rigid, math.nan)
    body = ride_frequency_hz(ride_rate_n_mm(wheel, part.tyre_rate_n_mm), sprung_kg)
    unsprung = part.unsprung_mass_kg
    hop = ride_frequency_hz(wheel + part.tyre_rate_n_mm, unsprung) if unsprung > 0 else math.nan
    return Expected(body, rigid, hop)


class _OpenGroups:
    """Each corner's group of segments under way: the sum of logarithms, and the two highest at each frequency."""

    def __init__(self, bins: int) -> None:
        self._segments = [0] * 4
        self._sum = np.zeros((4, bins))
        self._highest = np.full((4, bins), -math.inf)
        self._second = np.full((4, bins), -math.inf)

    def add(self, corners: list[int], log_power: Floats) -> list[tuple[int, Floats]]:
        """Take a segment of some corners; give those whose group is now full, with its mean without the two highest."""
        rows = _rows(corners)
        highest = self._highest[rows]
        self._sum[rows] += log_power
        self._second[rows] = np.maximum(self._second[rows], np.minimum(highest, log_power))
        self._highest[rows] = np.maximum(highest, log_power)
        full = []
        for corner in corners:
            self._segments[corner] += 1
            if self._segments[corner] == GROUP_SEGMENTS:
                rest = self._sum[corner] - self._highest[corner] - self._second[corner]
                full.append((corner, rest / (GROUP_SEGMENTS - 2)))
                self._segments[corner] = 0
                self._sum[corner] = 0.0
                self._highest[corner] = self._second[corner] = -math.inf
        return full


def _rows(corners: list[int]) -> slice | list[int]:
    """All four in one go when all are there; the sums are the same either way."""
    return slice(None) if len(corners) == len(CORNERS) else corners


class SpectrumTally:
    """Sums over segments: of the power, and by groups of its logarithm, for the peaks; adds up with others.

    At every frequency a group's two highest segments are left out: kerbs hit hard at the frequency of their teeth, in
    a few segments, and no few segments are to pass for a resonance.

    Parameters
    ----------
    rate_hz : float
        Rows a second.
    rows : int
        Rows of a segment.
    """

    def __init__(self, rate_hz: float, rows: int) -> None:
        self.rate_hz = rate_hz
        self.rows = rows
        self.resolution_hz = rate_hz / rows
        self.log_bins = min(rows // 2, int(_HIGHEST_PEAK_HZ / self.resolution_hz)) + 1
        self.segments: Ints = np.zeros(4, dtype=np.int64)
        self.power_sum = np.zeros((4, rows // 2 + 1))
        self.group_count: Ints = np.zeros(4, dtype=np.int64)
        self.log_sum = np.zeros((4, self.log_bins))
        self.groups: list[deque[Floats]] = [deque(maxlen=_GROUPS_KEPT) for _ in CORNERS]
        self._open = _OpenGroups(self.log_bins)

    def add(self, corners: list[int], power: Floats, log_power: Floats) -> None:
        """Count one segment of some corners: arrays of shape (n_corners, rows / 2 + 1) and (n_corners, log_bins)."""
        rows = _rows(corners)
        self.power_sum[rows] += power
        self.segments[rows] += 1
        for corner, group in self._open.add(corners, log_power):
            self.log_sum[corner] += group
            self.group_count[corner] += 1
            self.groups[corner].append(group)

    def merge(self, later: SpectrumTally) -> SpectrumTally:
        """Give the tally of both; groups that were not full in either are left out of the peaks."""
        both = SpectrumTally(self.rate_hz, self.rows)
        both.segments = self.segments + later.segments
        both.power_sum = self.power_sum + later.power_sum
        both.group_count = self.group_count + later.group_count
        both.log_sum = self.log_sum + later.log_sum
        for mine, first, second in zip(both.groups, self.groups, later.groups, strict=True):
            mine.extend([*first, *second])
        return both

    def result(self, expected: tuple[Expected, ...]) -> tuple[CornerSpectrum, ...]:
        """Spectra and peaks of the four corners."""
        hertz = np.arange(self.rows // 2 + 1, dtype=np.float64) * self.resolution_hz
        # From travel to velocity the power grows with the square of the angular frequency.
        to_velocity = np.zeros(self.log_bins)
        to_velocity[1:] = 2.0 * np.log(2.0 * math.pi * hertz[1 : self.log_bins])
        spectra = []
        for number, corner in enumerate(CORNERS):
            count, groups = int(self.segments[number]), int(self.group_count[number])
            travel = self.log_sum[number] / max(1, groups)
            each = list(self.groups[number])
            from_sheet = expected[number]
            at = from_sheet.body_hz
            near = from_sheet.body_without_tyre_hz if math.isnan(at) else at
            if math.isnan(near):
                body = no_peak(math.nan, "the sheet gives no ride frequency")
            else:
                body = find_peak(travel, self.resolution_hz, groups, each, near, at)
            at = from_sheet.wheel_hop_hz
            if math.isnan(at):
                hop = no_peak(math.nan, "the sheet has no tyre rate or no unsprung mass")
            else:
                faster = [group + to_velocity for group in each]
                hop = find_peak(travel + to_velocity, self.resolution_hz, groups, faster, at, at)
            divisor = count if count else math.nan
            power: Floats = self.power_sum[number] / divisor
            spectra.append(CornerSpectrum(corner, count, hertz, power, body, hop))
        return tuple(spectra)


class TravelSpectra:
    """Averages the spectra of a stream's damper travel.

    Parameters
    ----------
    sheet : Sheet
        Gives the expected frequencies, and the speed from which on the car is running.
    rate_hz : float
        Rows a second of the car blocks.
    has_speed : bool
        Whether the stream has a speed channel; without one every segment counts, with one only those whose speed is
        known throughout.
    overlap : bool
        Whether segments overlap by half, which gets the most out of a short stint, or follow on each other and, once
        there are plenty, are thinned out, which costs a live chain the least.
    """

    def __init__(self, sheet: Sheet, rate_hz: float, *, has_speed: bool, overlap: bool = True) -> None:
        self.rows = power_of_two_rows(_SEGMENT_S, rate_hz)
        self.expected = tuple(expected_frequencies(sheet, corner) for corner in CORNERS)
        self.tally = SpectrumTally(rate_hz, self.rows)
        self._segments = Segments(5 if has_speed else 4, self.rows, self.rows // 2 if overlap else self.rows)
        self._thinned = not overlap
        self._running = 0
        self._slowest_m_s = sheet.statistics.slowest_counted_m_s if has_speed else None
        self._window = hann_window(self.rows)
        # One-sided: twice the power, but for 0 Hz and the highest frequency, which have no mirror image.
        self._scale = np.full(self.rows // 2 + 1, 2.0 / (rate_hz * float(np.sum(self._window**2))))
        self._scale[[0, -1]] /= 2.0

    def process(self, block: CarBlock) -> None:
        """Take the next rows."""
        travel = tuple(block.damper_mm[:, corner] for corner in range(4))
        columns = travel if self._slowest_m_s is None else (*travel, block.speed_m_s)
        for segment in self._segments.cut(block, columns):
            self._take(segment)

    def result(self) -> tuple[CornerSpectrum, ...]:
        """Spectra of FL, FR, RL, RR so far."""
        return self.tally.result(self.expected)

    def take(self) -> SpectrumTally:
        """Hand over what was counted since the last call, and count anew; a segment belongs to where it ends."""
        taken, self.tally = self.tally, SpectrumTally(self.tally.rate_hz, self.rows)
        return taken

    def _take(self, segment: Floats) -> None:
        # The smallest of values with an unknown among them is unknown, and not above anything.
        if self._slowest_m_s is not None and not np.minimum.reduce(segment[4]) >= self._slowest_m_s:
            return
        self._running += 1
        if self._thinned and self._running == _PLENTY:
            self._segments.step = _THIN * self.rows
        travel = segment[:4]
        mean = np.add.reduce(travel, axis=1) / self.rows
        known = [corner for corner, one in enumerate(mean.tolist()) if math.isfinite(one)]
        if not known:
            return
        if len(known) < 4:
            travel, mean = travel[known], mean[known]
        centred = travel - mean[:, np.newaxis]
        centred *= self._window
        parts = np.fft.rfft(centred, axis=1).view(np.float64)
        parts *= parts
        power = parts[:, ::2] + parts[:, 1::2]
        power *= self._scale
        log_power = np.maximum(power[:, : self.tally.log_bins], _FLOOR_MM2_HZ)
        np.log(log_power, out=log_power)
        self.tally.add(known, power, log_power)
