"""Spectra of damper travel: which segments count, equality with an independent Welch, peaks, any cut."""

from __future__ import annotations

import functools
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import welch
from scipy.signal.windows import hann

from dsp.frame import CarBlock
from dsp.segments import hann_window
from dsp.spectra import CornerSpectrum, TravelSpectra, expected_frequencies
from ingest.sheet import Sheet, load_sheet
from replay_logs.simulate import SHEET
from tests.dsp.block_streams import block_stream
from tests.dsp.helpers import smooth_noise
from tests.dsp.quarter_car import QuarterCar, road_intensity
from tests.sheets import make_sheet

RATE_HZ = 250.0
ROWS = 1024
STEP = ROWS // 2
# A road car after Barton & Fieldhouse, Automotive Chassis Engineering (2018), p. 209: masses and rates of a quarter.
ROAD_CAR = QuarterCar(317.5, 45.4, 22e3, 192e3, 1500.0)
QUARTER: dict[str, Any] = {
    "car.mass_kg": 4 * (317.5 + 45.4),
    "car.front_share": 0.5,
    **{
        f"axle.{axle}.{key}": value
        for axle in ("front", "rear")
        for key, value in {
            "spring.rate_n_mm": 22.0,
            "motion_ratio_damper_per_wheel": 1.0,
            "tyre_rate_n_mm": 192.0,
            "unsprung_mass_kg": 45.4,
        }.items()
    },
}


def run(blocks: list[CarBlock], sheet: Sheet | None = None, *, has_speed: bool = False) -> TravelSpectra:
    stage = TravelSpectra(sheet or make_sheet(), blocks[0].rate_hz, has_speed=has_speed)
    for block in blocks:
        stage.process(block)
    return stage


def plain(stage: TravelSpectra) -> str:
    """Everything found, so that equality is exact and NaN equals NaN."""
    tally = stage.tally
    sums = (
        tally.segments,
        tally.group_count,
        tally.power_sum,
        tally.log_sum,
        [np.array(group) for group in tally.groups],
    )
    peaks = [(one.body, one.wheel_hop) for one in stage.result()]
    return repr([np.asarray(part).tolist() if isinstance(part, np.ndarray) else part for part in sums]) + repr(peaks)


@functools.cache
def troubled() -> dict[str, Any]:
    """A minute with unknown samples in some corners, a standing car and an unknown speed."""
    travel = 5.0 * smooth_noise(16_000, RATE_HZ, 20.0, seed=3)
    travel[2500:2504, 1] = np.nan
    travel[9000, 2] = np.nan
    speed = np.full(16_000, 40.0)
    speed[5000:5100] = 2.0
    speed[12_000] = np.nan
    return {"damper_mm": travel, "speed_m_s": speed}


@pytest.mark.parametrize(("rate_hz", "rows"), [(250.0, 1024), (500.0, 2048), (333.0, 1024), (100.0, 512)])
def test_equals_an_independent_welch(rate_hz: float, rows: int) -> None:
    travel = 4.0 * smooth_noise(11 * rows + 77, rate_hz, 30.0, seed=1) + 3.0
    stage = run(block_stream(travel, rate_hz))
    assert stage.rows == rows
    hertz, power = welch(travel.T, rate_hz, window="hann", nperseg=rows, noverlap=rows // 2, detrend="constant")
    for corner, found in enumerate(stage.result()):
        assert found.segments == 2 * 11 - 1
        np.testing.assert_allclose(found.frequency_hz, hertz, rtol=1e-12)
        np.testing.assert_allclose(found.power_mm2_hz, power[corner], rtol=1e-9, atol=1e-15 * power[corner].max())


@pytest.mark.parametrize("late", [1, 100, STEP - 1, STEP, STEP + 1])
def test_segments_lie_at_fixed_places_of_the_devices_counter(late: int) -> None:
    travel = smooth_noise(6 * ROWS, RATE_HZ, 30.0, seed=2)
    stage = run(block_stream(travel[late:], RATE_HZ, stride=4, first_sample=4 * (late + 10 * STEP)))
    begin = -(-late // STEP) * STEP
    _, power = welch(travel[begin:, 0], RATE_HZ, nperseg=ROWS)
    np.testing.assert_allclose(stage.result()[0].power_mm2_hz, power, rtol=1e-9, atol=1e-12)
    assert stage.result()[0].segments == (6 * ROWS - begin) // STEP - 1


def test_only_whole_known_segments_with_the_car_running_count() -> None:
    given_ = troubled()
    found = run(block_stream(**given_), has_speed=True).tally.segments
    wanted = []
    for corner in range(4):
        count = 0
        for begin in range(0, 16_000 - ROWS + 1, STEP):
            inside = slice(begin, begin + ROWS)
            known = not np.isnan(given_["damper_mm"][inside, corner]).any()
            count += known and bool((given_["speed_m_s"][inside] >= 8.0).all())
        wanted.append(count)
    assert found.tolist() == wanted
    assert wanted[0] > wanted[1]
    # Without a speed channel the car is taken to run.
    assert run(block_stream(**given_), has_speed=False).tally.segments[0] == 16_000 // STEP - 1


def test_a_corner_that_is_lost_changes_nothing_for_the_others() -> None:
    given_ = troubled()
    whole = given_["damper_mm"].copy()
    whole[np.isnan(whole)] = 1.0
    all_known = run(block_stream(whole, speed_m_s=given_["speed_m_s"]), has_speed=True)
    some_lost = run(block_stream(**given_), has_speed=True)
    for corner in (0, 3):
        np.testing.assert_array_equal(some_lost.tally.power_sum[corner], all_known.tally.power_sum[corner])


def test_no_segment_reaches_over_a_gap() -> None:
    travel = smooth_noise(8 * ROWS, RATE_HZ, 30.0, seed=4)
    # A jump at the gap that would be seen in any segment with it.
    travel[2000:] += 1000.0
    stage = run(block_stream(travel, RATE_HZ, gaps={2000: 48}))
    _, first = welch(travel[:2000, 0], RATE_HZ, nperseg=ROWS)
    # Row 2000 lies at 2048 of the grid, where a segment may begin.
    _, second = welch(travel[2000:, 0], RATE_HZ, nperseg=ROWS)
    counts = [(2000 - ROWS) // STEP + 1, (8 * ROWS - 2000 - ROWS) // STEP + 1]
    assert stage.tally.segments[0] == sum(counts)
    np.testing.assert_allclose(stage.tally.power_sum[0], first * counts[0] + second * counts[1], rtol=1e-9, atol=1e-18)


def test_a_gap_between_two_rows_ends_a_stretch_however_it_is_told() -> None:
    # A sample missing between rows leaves the rows' numbers as they are; its block may have no rows at all.
    travel = smooth_noise(3 * ROWS, RATE_HZ, 30.0, seed=4)
    before, after = block_stream(travel, RATE_HZ, gaps={1500: 0})
    told_first = [before, replace(after.part(0, 0), starts_stretch=True), replace(after, starts_stretch=False)]
    assert run([before, after]).tally.segments[0] == 1 + 2
    assert plain(run(told_first)) == plain(run([before, after]))


@settings(max_examples=12, deadline=None)
@given(st.lists(st.integers(0, 16_000), max_size=30))
def test_any_cut_gives_the_same_bits(cuts: list[int]) -> None:
    given_ = troubled()
    whole = plain(run(block_stream(**given_, gaps={7000: 300}), has_speed=True))
    assert plain(run(block_stream(**given_, gaps={7000: 300}, cuts=cuts), has_speed=True)) == whole


def test_row_by_row_gives_the_same_bits() -> None:
    travel = smooth_noise(3 * ROWS, RATE_HZ, 30.0, seed=5)
    assert plain(run(block_stream(travel, cuts=range(3 * ROWS)))) == plain(run(block_stream(travel)))


def test_tallies_add_up() -> None:
    travel = smooth_noise(40 * ROWS, RATE_HZ, 30.0, seed=6)
    stage = TravelSpectra(make_sheet(), RATE_HZ, has_speed=False)
    parts = []
    for block in block_stream(travel, cuts=[13 * ROWS, 26 * ROWS]):
        stage.process(block)
        parts.append(stage.take())
    assert stage.tally.segments.sum() == 0
    whole = run(block_stream(travel)).tally
    both = parts[0].merge(parts[1]).merge(parts[2])
    assert both.segments.tolist() == whole.segments.tolist()
    np.testing.assert_allclose(both.power_sum, whole.power_sum, rtol=1e-12)
    assert both.group_count.tolist() == [sum(len(part.groups[0]) for part in parts)] * 4
    np.testing.assert_allclose(both.log_sum[0], np.sum(both.groups[0], axis=0), rtol=1e-12)
    assert len(both.groups[0]) == sum(len(part.groups[0]) for part in parts)
    assert len(whole.groups[0]) == whole.segments[0] // 8


def test_the_groups_kept_are_bounded() -> None:
    travel = smooth_noise(STEP * 8 * 70, RATE_HZ, 30.0, seed=7)
    tally = run(block_stream(travel)).tally
    assert [len(groups) for groups in tally.groups] == [64] * 4


def test_frequencies_expected_from_a_sheet() -> None:
    found = expected_frequencies(make_sheet(QUARTER), "RL")
    # Barton & Fieldhouse p. 209, with its approximations recomputed: ride rate 19.7383 N/mm, hop sqrt((ks + kt) / mu).
    assert found.body_hz == pytest.approx(1.25488, abs=1e-5)
    assert found.wheel_hop_hz == pytest.approx(10.92695, abs=1e-5)


@functools.cache
def road_car_spectra() -> tuple[CornerSpectrum, ...]:
    travel, _ = ROAD_CAR.drive(900.0, RATE_HZ, road_intensity(20.0), seed=8)
    return run(block_stream(travel, RATE_HZ), make_sheet(QUARTER)).result()


def test_body_and_wheel_of_a_quarter_car_are_found() -> None:
    hertz = np.arange(0.3, 25.0, 0.01)
    velocity = ROAD_CAR.velocity_spectrum(hertz, road_intensity(20.0))
    body_band, hop_band = (hertz > 0.75) & (hertz < 2.0), (hertz > 7.0) & (hertz < 17.0)
    body_hz = hertz[body_band][np.argmax((velocity / hertz**2)[body_band])]
    hop_hz = hertz[hop_band][np.argmax(velocity[hop_band])]
    # Damping moves the wheel's peak below its undamped 10.93 Hz.
    assert 9.0 < hop_hz < 10.8
    for found in road_car_spectra():
        assert found.body.verdict == found.wheel_hop.verdict == "agrees"
        assert found.body.frequency_hz == pytest.approx(body_hz, rel=0.08)
        assert found.wheel_hop.frequency_hz == pytest.approx(hop_hz, rel=0.06)
        assert found.wheel_hop.deviation_percent == pytest.approx(
            100.0 * (found.wheel_hop.frequency_hz / 10.92695 - 1.0), abs=1e-3
        )
        assert 0.0 < found.body.spread_hz < 0.5
        assert 0.0 < found.wheel_hop.spread_hz < 2.5
        assert found.wheel_hop.groups >= 40


def test_a_wrong_unsprung_mass_shows_as_a_number() -> None:
    wrong = QUARTER | {f"axle.{axle}.unsprung_mass_kg": 30.0 for axle in ("front", "rear")}
    wrong["car.mass_kg"] = 4 * (317.5 + 30.0)
    travel, _ = ROAD_CAR.drive(900.0, RATE_HZ, road_intensity(20.0), seed=8)
    found = run(block_stream(travel, RATE_HZ), make_sheet(wrong)).result()[0].wheel_hop
    assert found.expected_hz == pytest.approx(10.92695 * math.sqrt(45.4 / 30.0), rel=1e-4)
    assert found.frequency_hz == pytest.approx(road_car_spectra()[0].wheel_hop.frequency_hz, rel=0.06)
    assert found.verdict == f"differs by {found.deviation_percent:+.0f} %"
    assert found.deviation_percent < -15.0


def test_what_the_sheet_does_not_say_is_not_compared() -> None:
    without = {key: value for key, value in QUARTER.items() if "tyre" not in key}
    travel, _ = ROAD_CAR.drive(900.0, RATE_HZ, road_intensity(20.0), seed=8)
    found = run(block_stream(travel, RATE_HZ), make_sheet(without)).result()[0]
    assert math.isnan(found.body.expected_hz)
    assert math.isnan(found.body.deviation_percent)
    assert found.body.verdict == "not compared"
    assert found.body.frequency_hz == pytest.approx(1.25, rel=0.1)
    assert found.wheel_hop.verdict == "no peak"
    assert "no tyre rate" in found.wheel_hop.reason


def test_no_peak_where_damping_leaves_none() -> None:
    damped = QuarterCar(317.5, 45.4, 22e3, 192e3, 6000.0)
    travel, _ = damped.drive(900.0, RATE_HZ, road_intensity(20.0), seed=9)
    for found in run(block_stream(travel, RATE_HZ), make_sheet(QUARTER)).result():
        assert found.wheel_hop.verdict == "no peak"
        assert math.isnan(found.wheel_hop.frequency_hz)
        assert "stands out" in found.wheel_hop.reason


@pytest.mark.parametrize("seed", range(10, 16))
def test_noise_has_no_peak(seed: int) -> None:
    travel = np.random.default_rng(seed).normal(size=(100 * ROWS, 4))
    # Noise that falls like a road: flat in velocity.
    travel = np.asfortranarray(np.cumsum(travel, axis=0) * 0.01)
    for found in run(block_stream(travel, RATE_HZ), make_sheet(QUARTER)).result():
        assert found.body.verdict == "no peak"
        assert found.wheel_hop.verdict == "no peak"


def test_a_few_strong_kerbs_are_not_a_resonance() -> None:
    travel = np.cumsum(np.random.default_rng(20).normal(size=(100 * ROWS, 4)) * 0.01, axis=0)
    time = np.arange(len(travel)) / RATE_HZ
    for begin in range(5 * ROWS, 95 * ROWS, 10 * ROWS):
        kerb = slice(begin, begin + 200)
        travel[kerb] += 8.0 * np.sin(2.0 * math.pi * 11.0 * time[kerb])[:, np.newaxis]
    found = run(block_stream(np.asfortranarray(travel)), make_sheet(QUARTER)).result()[0]
    # In the averaged power they stand high above all else.
    velocity = found.power_mm2_hz * found.frequency_hz**2
    assert found.frequency_hz[velocity.argmax()] == pytest.approx(11.0, abs=0.3)
    assert found.wheel_hop.verdict == "no peak"


def test_too_little_to_say() -> None:
    found = run(block_stream(smooth_noise(2 * ROWS, RATE_HZ, 30.0, seed=21)), make_sheet(QUARTER)).result()[0]
    assert found.segments == 3
    assert found.body.reason == "fewer than 16 segments"
    empty = TravelSpectra(make_sheet(), RATE_HZ, has_speed=True).result()[0]
    assert empty.segments == 0
    assert np.isnan(empty.power_mm2_hz).all()


def test_a_sensor_that_does_not_move_is_counted_and_has_no_peak() -> None:
    found = run(block_stream(np.full((20 * ROWS, 4), 3.7)), make_sheet(QUARTER)).result()[0]
    assert found.segments == 39
    assert found.power_mm2_hz.max() < 1e-20
    assert found.body.verdict == "no peak"


def test_the_sheet_of_the_shipped_logs() -> None:
    found = expected_frequencies(load_sheet(SHEET), "FL")
    assert found.body_hz == pytest.approx(2.5997, abs=1e-3)
    assert found.wheel_hop_hz == pytest.approx(13.948, abs=1e-2)


@pytest.mark.parametrize("rows", [2, 5, 100, 512, 1024, 2048])
def test_the_window_has_the_bits_of_scipys(rows: int) -> None:
    np.testing.assert_array_equal(hann_window(rows), hann(rows, sym=False))
