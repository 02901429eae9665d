"""The road: its spectrum, that it repeats by position, left against right, kerbs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from replay_logs.circuit import Kerb, build_circuit
from replay_logs.road import ROUGHNESS_M3, STEP_M, Road, kerb_profile_mm, periodic_profile, spectrum_m3, track_pair


@pytest.fixture(scope="module")
def road() -> Road:
    return Road(build_circuit(), seed=5)


def test_band_rms_is_that_of_iso_8608() -> None:
    # ISO 8608:2016, Annex C: variance in a band = Gd(n0) n0^2 (1/n1 - 1/n2); class A with its geometric mean
    # 16e-6 m3 (from memory) has 3.806 mm RMS between 0.011 and 2.83 cycle/m.
    profile = periodic_profile(5000.0, np.random.default_rng(1), envelope_m=0.0) * np.sqrt(16e-6 / ROUGHNESS_M3)
    spectrum = np.fft.rfft(profile) / profile.size
    wave_number = np.fft.rfftfreq(profile.size, 5000.0 / profile.size)
    inside = (wave_number >= 0.011) & (wave_number <= 2.83)
    assert np.sqrt(2.0 * np.sum(np.abs(spectrum[inside]) ** 2)) == pytest.approx(3.806, rel=0.01)


def test_estimated_spectrum_follows_the_power_law() -> None:
    left, right = track_pair(20_000.0, np.random.default_rng(2), envelope_m=0.0) / 1000.0
    for track in (left, right):
        wave_number, density = signal.welch(track, 1.0 / STEP_M, nperseg=8192)
        inside = (wave_number > 0.05) & (wave_number < 2.0)
        ratio = density[inside] / spectrum_m3(wave_number[inside])
        assert np.median(ratio) == pytest.approx(1.0, abs=0.08)
        slope = np.polyfit(np.log(wave_number[inside]), np.log(density[inside]), 1)[0]
        assert slope == pytest.approx(-2.0, abs=0.08)


def test_smoother_than_the_upper_limit_of_class_a() -> None:
    assert ROUGHNESS_M3 < 32e-6  # ISO 8608:2016, Annex C: upper limit of class A


def test_left_and_right_agree_in_long_waves_only() -> None:
    left, right = track_pair(20_000.0, np.random.default_rng(3))
    wave_number, coherence = signal.coherence(left, right, 1.0 / STEP_M, nperseg=4096)
    assert np.mean(coherence[(wave_number > 0.01) & (wave_number < 0.05)]) > 0.6
    assert np.mean(coherence[(wave_number > 1.5) & (wave_number < 4.0)]) < 0.1


def test_repeats_by_position_and_rear_follows_front(road: Road) -> None:
    length = road.circuit.length_m
    place = np.arange(300.0, length - 100.0, 0.5)
    first, second = (
        road.along_mm(place + lap * length, 100.0, 9 * length, seed=7, behind_m=0.0)[:, 0] for lap in (1, 2)
    )
    assert np.corrcoef(first, second)[0, 1] > 0.97
    step = np.std(np.diff(first - second)) / np.std(np.diff(first))
    assert 0.1 < step < 0.8
    rear = road.along_mm(place + length + 2.7, 100.0, 9 * length, seed=7, behind_m=2.7)[:, 0]
    np.testing.assert_allclose(rear, first, atol=1e-9)


def test_no_step_where_laps_join_and_flat_in_the_box(road: Road) -> None:
    length = road.circuit.length_m
    place = np.arange(length - 3.0, length + 3.0, 0.02)
    assert np.max(np.abs(np.diff(road.along_mm(place, 100.0, 9 * length, seed=7, behind_m=0.0), axis=0))) < 0.5
    box = road.along_mm(np.array([100.0, 101.0]), 100.0, 9 * length, seed=7, behind_m=2.7)
    assert not box.any()
    for lap in range(1, 4):
        before, after = road.lap_tracks_mm(7, lap), road.lap_tracks_mm(7, lap + 1)
        np.testing.assert_allclose(before[:, -1], after[:, 0], atol=1e-9)
        assert np.abs(before - after).max() > 0.1


def test_kerb_rises_and_ends() -> None:
    kerb = Kerb(100.0, 10.0, "left", 15.0, 4.0)
    height = kerb_profile_mm(kerb, np.array([99.0, 100.0, 105.0, 110.0, 111.0]))
    assert height[[0, 1, 3, 4]] == pytest.approx(0.0)
    assert 11.0 <= height[2] <= 19.0


def test_heading_closes_and_laps_are_of_plausible_length() -> None:
    circuit = build_circuit()
    step = circuit.length_m / circuit.grid_m.size
    assert np.sum(circuit.curvature_per_m) * step == pytest.approx(-2.0 * np.pi, rel=0.01)
    assert 2000.0 < circuit.length_m < 2700.0
