"""The peak of a spectrum near an expected frequency, or why there is none.

In: the mean logarithm of periodograms over groups of segments, and the frequency a car sheet leads one to expect. Out:
plain data; NaN and a reason where no peak stands out from its neighbourhood. Pure functions.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ingest.chunk import Floats

GROUP_SEGMENTS = 8  # some 16 s: several groups a lap, each steady enough to have a peak of its own
# A sheet's masses and rates are known to some tenths; a peak farther away is something else.
SEARCH_BAND = (0.6, 1.6)
# Where the valleys on both sides may lie that a peak has to stand out from.
_NEIGHBOURHOOD = (0.4, 2.2)
# Half width of the smoothing kernel as a share of the expected frequency. Resonances of wheels and bodies are wider
# (damping ratio 0.1 and up); lines of kerb teeth at one speed are narrower and are worn down by it.
_SMOOTHING = 0.12
_NARROWEST_SMOOTHING = 2  # bins; the Hann window's main lobe
# Standard deviation of the mean of the six lowest of eight logarithms of noise's power, times the root of eight
# (simulated; without leaving any out it is pi / sqrt 6 = 1.28).
_LOG_SCATTER = 1.52
# Bins of a Hann spectrum, and segments that overlap by half, are not independent: noise bandwidth 1.5 bins, and a
# variance of the mean 1.056 times that of separate segments (Welch's formula for Hann).
_DEPENDENCE = 1.5 * 1.056
# How far apart chance alone puts the highest and the lowest of some dozen independent bins: of 160 simulated spectra
# without a peak the most prominent came to 4.7.
_SCATTERS = 5.0
_LEAST_PROMINENCE = 0.1  # a tenth of the power: less is a plateau
_LEAST_GROUPS = 2
# A damped wheel's peak lies below its undamped frequency, by sqrt(1 - 2 zeta^2): 13 % at a damping ratio of 0.35.
_AGREES_WITHIN_PERCENT = 15.0


@dataclass(frozen=True)
class Peak:
    """A frequency found in a corner's motion, beside the one that follows from the car sheet.

    Attributes
    ----------
    frequency_hz, spread_hz : float
        Frequency, and its standard deviation over groups of segments; NaN when there is none (or fewer than two).
    groups : int
        Groups in which there was a peak.
    prominence : float
        Power at the peak over that in the higher of the two valleys beside it; NaN when there is none.
    expected_hz, deviation_percent : float
        From the sheet, undamped; and how far the peak is above it. NaN where the sheet does not say.
    verdict : str
        "agrees", "differs by x %", "not compared" or "no peak".
    reason : str
        Why there is no peak or no comparison; else empty.
    """

    frequency_hz: float
    spread_hz: float
    groups: int
    prominence: float
    expected_hz: float
    deviation_percent: float
    verdict: str
    reason: str


def no_peak(expected_hz: float, reason: str) -> Peak:
    """What is said when nothing was found."""
    return Peak(math.nan, math.nan, 0, math.nan, expected_hz, math.nan, "no peak", reason)


def find_peak(
    log_power: Floats,
    resolution_hz: float,
    group_count: int,
    groups: Iterable[Floats],
    near_hz: float,
    expected_hz: float,
) -> Peak:
    """Find the most prominent peak near a frequency.

    Parameters
    ----------
    log_power : array of shape (n_bins,)
        Natural logarithm of the power, the mean of `group_count` groups' means, from 0 Hz on in steps of
        `resolution_hz`; the first bin is not used.
    groups : iterable of arrays of shape (n_bins,)
        The groups (or the newest of them) one by one, for the spread.
    near_hz, expected_hz : float
        Where to look; and what to compare with, NaN for nothing.
    """
    if group_count < _LEAST_GROUPS:
        return no_peak(expected_hz, f"fewer than {_LEAST_GROUPS * GROUP_SEGMENTS} segments")
    reach = len(log_power) * resolution_hz
    if SEARCH_BAND[1] * near_hz > reach:
        return no_peak(expected_hz, f"the band around {near_hz:.1f} Hz goes beyond {reach:.0f} Hz")
    frequency, log_ratio, scatter = _most_prominent(log_power, resolution_hz, near_hz)
    scatter /= math.sqrt(group_count * GROUP_SEGMENTS)
    needed = max(_LEAST_PROMINENCE, _SCATTERS * scatter)
    if not log_ratio >= needed:
        low, high = (share * near_hz for share in SEARCH_BAND)
        return no_peak(expected_hz, f"nothing stands out between {low:.1f} and {high:.1f} Hz")
    each = [_most_prominent(group, resolution_hz, near_hz)[0] for group in groups]
    known = [one for one in each if not math.isnan(one)]
    spread = float(np.std(known, ddof=1)) if len(known) > 1 else math.nan
    deviation = 100.0 * (frequency / expected_hz - 1.0)
    if math.isnan(expected_hz):
        verdict, reason = "not compared", "the sheet's figure is not known"
    else:
        agrees = abs(deviation) <= _AGREES_WITHIN_PERCENT
        verdict, reason = "agrees" if agrees else f"differs by {deviation:+.0f} %", ""
    return Peak(frequency, spread, len(known), math.exp(log_ratio), expected_hz, deviation, verdict, reason)


def _most_prominent(log_power: Floats, resolution_hz: float, near_hz: float) -> tuple[float, float, float]:
    """Frequency and log prominence of the most prominent peak (NaN without), and one segment's scatter after smoothing.

    A peak's prominence is its height above the higher of the valleys that part it from higher ground on each side.
    """
    half = max(_NARROWEST_SMOOTHING, round(_SMOOTHING * near_hz / resolution_hz))
    kernel = np.hanning(2 * half + 1)
    kernel /= kernel.sum()
    scatter = _LOG_SCATTER * math.sqrt(min(1.0, _DEPENDENCE * float(np.sum(kernel**2))))
    first = max(1, math.floor(_NEIGHBOURHOOD[0] * near_hz / resolution_hz) - half)
    stop = min(len(log_power), math.ceil(_NEIGHBOURHOOD[1] * near_hz / resolution_hz) + half + 1)
    smooth = np.convolve(log_power[first:stop], kernel, mode="valid")
    from scipy.signal import find_peaks  # see `dsp.libraries`

    places, found = find_peaks(smooth, prominence=0.0)
    hertz = (places + first + half) * resolution_hz
    inside = (hertz >= SEARCH_BAND[0] * near_hz) & (hertz <= SEARCH_BAND[1] * near_hz)
    if not inside.any():
        return math.nan, math.nan, scatter
    best = int(np.argmax(np.where(inside, found["prominences"], -1.0)))
    place = int(places[best])
    before, here, after = smooth[place - 1 : place + 2].tolist()
    bend = before - 2.0 * here + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(hertz[best]) + shift * resolution_hz, float(found["prominences"][best]), scatter
