"""The rate of a time column: measured, rounded, compared with the sheet's, or refused."""

from __future__ import annotations

import math

import numpy as np
import pytest

from ingest.chunk import Floats
from ingest.errors import LogError
from ingest.time_rate import settle_rate


def ticks(rate_hz: float, tick_s: float, count: int = 5000) -> Floats:
    """Times of a clock that counts whole ticks."""
    return np.floor(np.arange(count) / rate_hz / tick_s + 1e-9) * tick_s


def hz(rate_hz: float) -> Floats:
    return np.arange(5000, dtype=np.float64) / rate_hz


@pytest.mark.parametrize("rate_hz", [50.0, 250.0, 400.0, 512.0, 1000.0])
@pytest.mark.parametrize("tick_s", [1e-3, 1e-6])
def test_a_rate_is_measured_from_a_coarse_clock_too(rate_hz: float, tick_s: float) -> None:
    assert settle_rate(ticks(rate_hz, tick_s), 1.0, None, "log") == rate_hz


def test_a_rate_that_is_not_whole_is_kept() -> None:
    assert settle_rate(hz(20.34), 1.0, None, "log") == pytest.approx(20.34, rel=1e-9)
    assert settle_rate(hz(500.5), 1.0, None, "log") == pytest.approx(500.5, rel=1e-9)
    assert settle_rate(hz(1000.0 / 3.0), 1.0, None, "log") == pytest.approx(1000.0 / 3.0, rel=1e-9)
    assert settle_rate(ticks(1000.0 / 3.0, 1e-3), 1.0, None, "log") == pytest.approx(1000.0 / 3.0, rel=1e-9)
    assert settle_rate(hz(500.05), 1.0, None, "log") == 500.0  # a crystal's error


@pytest.mark.parametrize(("to_s", "step"), [(1.0, 0.002), (1e-3, 2.0), (1e-6, 2000.0), (1e-9, 2e6)])
def test_every_unit_of_time(to_s: float, step: float) -> None:
    assert settle_rate(np.arange(200.0) * step, to_s, None, "log") == 500.0


def test_an_epoch_in_seconds_is_fine_enough() -> None:
    assert settle_rate(1.7e9 + np.arange(5000) / 1000.0, 1.0, None, "log") == 1000.0


def test_gaps_bad_times_and_a_clock_set_back_do_not_change_the_rate() -> None:
    times = np.arange(1000) / 200.0
    times[300:] += 7.0
    times[600:] -= 2.5
    times[[10, 500]] = math.nan
    assert settle_rate(times, 1.0, None, "log") == 200.0


def test_rows_written_twice_do_not_change_the_rate() -> None:
    times = np.arange(1000) / 200.0
    doubled = np.sort(np.concatenate([times, times[::10] + 1e-5]))
    assert settle_rate(doubled, 1.0, None, "log") == 200.0


def test_the_given_rate_is_kept_when_the_times_agree() -> None:
    assert settle_rate(np.arange(500) / 1003.0, 1.0, 1000.0, "log") == 1000.0


def test_a_given_rate_helps_where_most_samples_are_missing() -> None:
    times = np.arange(2000.0)[np.random.default_rng(3).random(2000) < 0.4] / 500.0
    assert settle_rate(times, 1.0, 500.0, "log") == 500.0
    with pytest.raises(LogError, match=r"log\.rate_hz"):
        settle_rate(times, 1.0, None, "log")


@pytest.mark.parametrize("given_hz", [250.0, 1000.0, 513.0])
def test_a_contradicting_rate_is_refused(given_hz: float) -> None:
    with pytest.raises(LogError, match=r"run at 500 Hz, but log\.rate_hz says"):
        settle_rate(np.arange(500) / 500.0, 1.0, given_hz, "log")


@pytest.mark.parametrize("given_hz", [None, 1000.0])
def test_a_column_too_coarse_is_refused(given_hz: float | None) -> None:
    with pytest.raises(LogError, match="too coarse"):
        settle_rate(ticks(1000.0, 0.01), 1.0, given_hz, "log")


@pytest.mark.parametrize("given_hz", [None, 100.0])
def test_a_column_too_irregular_is_refused(given_hz: float | None) -> None:
    jitter = np.random.default_rng(5).uniform(-0.49, 0.49, 5000)
    with pytest.raises(LogError, match="rate_hz"):
        settle_rate((np.arange(5000) + jitter) / 100.0, 1.0, given_hz, "log")


def test_a_wrong_unit_is_guessed_from_an_impossible_rate() -> None:
    with pytest.raises(LogError, match=r"log\.time\.unit"):
        settle_rate(np.arange(500.0), 1e-6, None, "log")


@pytest.mark.parametrize(
    ("times", "to_s"),
    [(np.arange(500) * 2.0, 1.0), (np.arange(500) * 0.1, 1.0), (np.arange(3) * 2.0, 1.0), (np.arange(500) * 2e6, 1e-6)],
)
def test_a_wrong_unit_is_guessed_from_a_rate_too_slow(times: Floats, to_s: float) -> None:
    with pytest.raises(LogError, match=r"(?s)run at .* Hz.*log\.time\.unit.*log\.rate_hz"):
        settle_rate(times, to_s, None, "log")


def test_seconds_taken_for_milliseconds_are_too_fast() -> None:
    with pytest.raises(LogError, match=r"run at 500000 Hz.*log\.time\.unit.*log\.rate_hz"):
        settle_rate(hz(500.0), 1e-3, None, "log")


@pytest.mark.parametrize("times", [[], [1.0], [math.nan] * 5, [3.0, 2.0, 1.0]])
def test_too_few_times_need_a_given_rate(times: list[float]) -> None:
    assert settle_rate(np.array(times), 1.0, 500.0, "log") == 500.0
    with pytest.raises(LogError, match=r"give log\.rate_hz"):
        settle_rate(np.array(times), 1.0, None, "log")
