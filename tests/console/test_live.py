"""What a live link tells of itself, against the same numbers taken the long way round."""

from __future__ import annotations

import math

import numpy as np
import pytest

from console.live import ArrivalClock

RATE = 500.0


def test_rate_lag_and_jitter_are_those_of_the_last_five_seconds() -> None:
    random = np.random.default_rng(4)
    clock = ArrivalClock(RATE)
    begin, seen = 100_000.0, []
    for number in range(1, 5000):
        late = 0.010 + random.exponential(0.003)
        at = begin + number * 10 / RATE + late
        clock.arrived(at, number * 10, 10)
        seen.append((at, at - number * 10 / RATE))
    window = [(at, lag) for at, lag in seen if at >= seen[-1][0] - 5.0]
    lags = np.array([lag for _, lag in window])
    assert clock.jitter_s == pytest.approx(float(lags.std(ddof=1)), rel=1e-5)
    assert clock.lag_s == pytest.approx(seen[-1][1] - min(lag for _, lag in seen), abs=1e-9)
    assert clock.effective_rate_hz == pytest.approx((len(window) - 1) * 10 / (window[-1][0] - window[0][0]))
    assert clock.age_s(seen[-1][0] + 2.0) == pytest.approx(2.0)


def test_at_another_pace_there_is_no_lag() -> None:
    clock = ArrivalClock(RATE)
    for number in range(1, 500):
        clock.arrived(number * 0.01, number * 20, 20)
    assert clock.effective_rate_hz == pytest.approx(2000.0)
    assert math.isnan(clock.lag_s)
    assert math.isnan(clock.jitter_s)


def test_a_new_connection_starts_anew() -> None:
    clock = ArrivalClock(RATE)
    for number in range(1, 200):
        clock.arrived(number * 0.02, number * 10, 10)
    clock.restarted()
    assert math.isnan(clock.jitter_s)
    clock.arrived(50.0, 10, 10)
    clock.arrived(50.02, 20, 10)
    assert clock.jitter_s == pytest.approx(0.0, abs=1e-9)
    assert clock.age_s(51.0) == pytest.approx(0.98)
