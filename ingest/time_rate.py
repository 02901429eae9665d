"""The sample rate of a log with a time column, taken from its first rows and checked against the car sheet.

Pure functions on the first few thousand times. They raise `LogError` when the column can't serve as a time axis:
too coarse, too irregular, at another rate than the sheet says, or too short to measure one.
"""

from __future__ import annotations

import numpy as np

from ingest.chunk import Floats
from ingest.errors import LogError

# Rows that the rate is taken from: 5 s at 1 kHz, 20 s at 250 Hz.
ROWS_TO_MEASURE = 5000
# Fewer steps than this are no base for calling a column coarse, irregular or at another rate than the sheet's.
_STEPS_TO_JUDGE = 20
# This share of single steps at the sheet's rate says that the other steps are missing samples, not another rate.
_SINGLE_STEPS_THAT_AGREE = 0.1
_MOST_REPEATED = 0.2
_MOST_STEPS_OF_MORE = 0.2
# Standard deviation of a step, in samples. Steps are rounded to whole samples, so an error of half a sample miscounts;
# at 0.35 a normally spread error does so for 15 % of the rows.
_LARGEST_JITTER = 0.35
# Nearer to a whole number than this a rate is taken for it (a crystal is good to 0.01 %); 333.33 Hz is not.
_WHOLE_HZ_WITHIN = 0.0002
_CONTRADICTS_BEYOND = 0.02
_FASTEST_HZ = 20_000.0
# No damper is logged as slowly as this: it is a time column whose unit is another than the sheet says.
_SLOWEST_HZ = 20.0


def settle_rate(times: Floats, to_s: float, given_hz: float | None, place: str) -> float:
    """Sample rate in Hz.

    Parameters
    ----------
    times : array of shape (n_rows,)
        The first times of the log, in the column's unit; those that are not finite are left out.
    to_s : float
        Factor from that unit to seconds.
    given_hz : float or None
        The sheet's `log.rate_hz`; it is returned as it is when the times agree with it within 2 %.
    place : str
        Log and column, for messages.

    Raises
    ------
    LogError
        The times can't serve as a time axis.

    Examples
    --------
    >>> settle_rate(np.arange(100) * 2.0, 1e-3, None, "log")
    500.0
    """
    times = times[np.isfinite(times)]
    with np.errstate(over="ignore"):
        steps = np.diff(times)
    judged = len(steps) >= _STEPS_TO_JUDGE
    if judged and np.mean(steps == 0) > _MOST_REPEATED:
        raise LogError(
            f"{place}: {np.mean(steps == 0):.0%} of the first rows repeat the time before them: the column is too "
            "coarse for the sample rate. Name a sample counter in log.counter, or remove log.time and give log.rate_hz."
        )
    # So far ahead is damage whatever it says exactly, and its multiples must still fit a double.
    forward = np.minimum(steps[(steps > 0) & np.isfinite(steps)], 1e290)
    if not len(forward):
        if given_hz is not None:
            return given_hz
        raise LogError(f"{place}: {len(times)} usable times can't tell the sample rate; give log.rate_hz.")
    measured_hz = _measured(forward * to_s, given_hz)
    if judged and given_hz is not None and abs(measured_hz / given_hz - 1.0) > _CONTRADICTS_BEYOND:
        raise LogError(
            f"{place}: the times run at {measured_hz:.6g} Hz, but log.rate_hz says {given_hz:g}. Correct log.rate_hz "
            "or log.time.unit, or remove log.rate_hz to have it measured."
        )
    # A few times far apart say nothing against a rate that the sheet gives.
    too_slow = given_hz is None and measured_hz < _SLOWEST_HZ
    if too_slow or not measured_hz <= _FASTEST_HZ:
        raise LogError(
            f"{place}: the times run at {measured_hz:.6g} Hz; only {_SLOWEST_HZ:g} to {_FASTEST_HZ:g} Hz make sense. "
            "Is log.time.unit right? If the log misses most of its samples, give log.rate_hz."
        )
    rate_hz = _rounded(measured_hz, forward * to_s) if given_hz is None else given_hz
    if judged:
        _check_steadiness(forward * (to_s * rate_hz), given_hz, place)
    return rate_hz


def _measured(forward_s: Floats, given_hz: float | None) -> float:
    """Inverse of the mean single step: the mean, because a coarse clock's median is off (2, 3, 2, 3 ms at 400 Hz)."""
    typical_s = float(np.median(forward_s))
    if given_hz is not None and np.mean(np.rint(forward_s * given_hz) == 1.0) > _SINGLE_STEPS_THAT_AGREE:
        typical_s = 1.0 / given_hz
    for _ in range(2):
        # The margin lets a step of 1.5 in, whatever its last bit says.
        single = forward_s[(forward_s > 0.499 * typical_s) & (forward_s < 1.501 * typical_s)]
        typical_s = float(np.mean(single)) if len(single) else typical_s
    return 1.0 / typical_s


def _rounded(measured_hz: float, forward_s: Floats) -> float:
    """The whole number that the mean or, where rows written twice put the mean off, the median step stands for."""
    whole = float(np.rint(measured_hz))
    nearest = min(abs(measured_hz / whole - 1.0), abs(1.0 / (float(np.median(forward_s)) * whole) - 1.0))
    return whole if nearest <= _WHOLE_HZ_WITHIN else measured_hz


def _check_steadiness(forward_samples: Floats, given_hz: float | None, place: str) -> None:
    about_one = forward_samples[forward_samples < 2.0]
    jitter = float(np.std(about_one)) if len(about_one) else 0.0
    if jitter > _LARGEST_JITTER:
        raise LogError(
            f"{place}: the time from row to row varies by {jitter:.2f} of a sample (standard deviation), too much to "
            "find missing samples. Name a sample counter in log.counter, or remove log.time and give log.rate_hz."
        )
    more = float(np.mean(np.rint(forward_samples) != 1.0))
    if given_hz is None and more > _MOST_STEPS_OF_MORE:
        raise LogError(
            f"{place}: {more:.0%} of the first steps do not fit one sample rate, so it can't be measured; "
            "give log.rate_hz."
        )
