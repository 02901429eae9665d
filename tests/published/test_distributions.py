"""Histograms of signals whose distribution has a closed form: a sine (the arcsine law) and a Gaussian."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.histogram import Bins
from dsp.statistics import VELOCITY_BINS, Tally, shares_of
from dsp.velocity import VelocityFilter
from ingest.sheet_limits import VelocitySettings
from tests.dsp.helpers import same_on_all

# 5 mm at 12 Hz.
PEAK_MM_S = 2.0 * math.pi * 12.0 * 5.0
# Share of time below 25, 50, 100 and 200 mm/s: 2/pi asin(u / peak), computed.
BELOW = {25: 0.042248, 50: 0.084684, 100: 0.170914, 200: 0.356004}


def test_a_sine_spends_its_time_as_the_arcsine_law_says() -> None:
    phase = (np.arange(200_000) + 0.5) / 200_000
    tally = Tally()
    tally.add(np.zeros((200_000, 4)), same_on_all(PEAK_MM_S * np.sin(2.0 * math.pi * phase)))
    for limit, share in BELOW.items():
        assert share == pytest.approx(2.0 / math.pi * math.asin(limit / PEAK_MM_S), abs=1e-6)
        limits = VelocitySettings(low_speed_compression_mm_s=limit, low_speed_rebound_mm_s=limit)
        found = shares_of(tally.velocity[0], limits)
        assert found[1] + found[2] == pytest.approx(share, abs=2e-5)
        assert found[1] == pytest.approx(found[2], abs=2e-5)
    assert tally.rms(0) == pytest.approx(266.573, abs=1e-3)
    assert tally.balance(0) == pytest.approx(1.0, abs=2e-3)
    for share in (0.1, 0.3, 0.8):
        exact = PEAK_MM_S * math.sin(math.pi * (share - 0.5))
        assert tally.velocity_quantile(0, share) == pytest.approx(exact, abs=1.0)


def test_a_sine_of_travel_gives_the_same_through_the_velocity_filter() -> None:
    rate_hz = 1000.0
    made = VelocityFilter.for_bandwidth(30.0, rate_hz)
    time = np.arange(int(60 * rate_hz)) / rate_hz
    # Whole seconds are whole periods.
    velocity = made.apply(same_on_all(5.0 * np.sin(2.0 * math.pi * 12.0 * time)))[:59_000]
    tally = Tally()
    tally.add(np.zeros_like(velocity), velocity)
    assert tally.rms(1) == pytest.approx(266.573 * made.gain(12.0), rel=1e-4)


def test_ten_bins_across_a_sine() -> None:
    # From the arcsine law, computed; mirrored about the middle.
    expected = [0.204833, 0.090334, 0.073843, 0.066896, 0.064094]
    phase = (np.arange(400_000) + 0.5) / 400_000
    sine = PEAK_MM_S * np.sin(2.0 * math.pi * phase)
    counts = Bins(-PEAK_MM_S, PEAK_MM_S / 5.0, 10).count_values(sine[:, np.newaxis])[0]
    assert counts[[0, -1]].sum() <= 4
    np.testing.assert_allclose(counts[1:-1] / 400_000, expected + expected[::-1], atol=2e-5)


def test_a_gaussian_in_bins_of_one_sigma() -> None:
    # From the normal distribution, computed: 3 sigma on each side, .0027 outside.
    expected = [0.021400, 0.135905, 0.341345]
    rows = 1_000_000
    values = np.random.default_rng(17).normal(size=(rows, 1))
    counts = Bins(-3.0, 1.0, 6).count_values(values)[0] / rows
    for found, share in zip(counts[1:-1], expected + expected[::-1], strict=True):
        assert found == pytest.approx(share, abs=4.0 * math.sqrt(share / rows))
    assert counts[0] + counts[-1] == pytest.approx(0.0027, abs=4.0 * math.sqrt(0.0027 / rows))


def test_a_gaussian_velocity_has_the_rms_of_each_direction_and_of_both() -> None:
    values = np.random.default_rng(18).normal(size=300_000) * 80.0
    tally = Tally()
    tally.add(np.zeros((300_000, 4)), same_on_all(values))
    compression, rebound = tally.directional_rms(0)
    assert compression == pytest.approx(80.0, rel=0.01)
    assert rebound == pytest.approx(80.0, rel=0.01)
    assert tally.balance(0) == pytest.approx(1.0, abs=0.01)
    inside = tally.velocity[0][VELOCITY_BINS.count // 2 + 1 - 80 : VELOCITY_BINS.count // 2 + 1 + 80].sum() / 300_000
    assert inside == pytest.approx(2 * 0.341345, abs=0.004)
