"""Velocity: against scipy, closed forms and exact polynomials; nothing invented at an edge; any cutting the same."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import savgol_filter

from dsp.frame import Aligned
from dsp.velocity import VelocityFilter, VelocityStage
from ingest.chunk import Chunk, Floats
from tests.dsp.helpers import columns, cut, numbers, places_of, same_on_all, stacked, stream

RATE_HZ = 500.0


def aligned(chunks: list[Chunk], made: VelocityFilter | None = None, largest: int = 8192) -> list[Aligned]:
    """Return everything the stage gives for a stream, the end included."""
    stage = VelocityStage(made or VelocityFilter.of_width(4, RATE_HZ), tuple(chunks[0].side), largest)
    blocks = [block for chunk in chunks for block in stage.process(chunk, chunk.sensors)]
    return blocks + stage.flush()


def velocity(blocks: list[Aligned]) -> Floats:
    return stacked([block.velocity_mm_s for block in blocks], 4)


def travel(blocks: list[Aligned]) -> Floats:
    return stacked([block.travel_mm for block in blocks], 4)


@pytest.mark.parametrize("half", [2, 3, 4, 7, 10, 40])
@pytest.mark.parametrize("rate_hz", [100.0, 500.0, 1000.0])
def test_the_filter_equals_scipys(half: int, rate_hz: float) -> None:
    position = np.random.default_rng(1).normal(size=(300, 4)) * 20.0
    expected = savgol_filter(position, 2 * half + 1, 3, deriv=1, delta=1.0 / rate_hz, axis=0)[half:-half]
    np.testing.assert_allclose(VelocityFilter.of_width(half, rate_hz).apply(position), expected, atol=1e-9 * rate_hz)


def test_a_cubic_and_a_quartic_fit_give_the_same_derivative() -> None:
    position = np.random.default_rng(2).normal(size=(200, 4))
    expected = savgol_filter(position, 11, 4, deriv=1, delta=1.0 / RATE_HZ, axis=0)[5:-5]
    np.testing.assert_allclose(VelocityFilter.of_width(5, RATE_HZ).apply(position), expected, atol=1e-8)


@pytest.mark.parametrize("half", [2, 4, 9])
@pytest.mark.parametrize("degree", [0, 1, 2, 3, 4])
def test_polynomials_up_to_the_fourth_degree_are_differentiated_exactly(half: int, degree: int) -> None:
    time = np.arange(-30, 31) / RATE_HZ
    found = VelocityFilter.of_width(half, RATE_HZ).apply((1000.0 * time**degree)[:, np.newaxis])[:, 0]
    expected = 1000.0 * degree * time ** max(0, degree - 1)
    np.testing.assert_allclose(found, expected[half:-half], rtol=0, atol=1e-9)


def test_the_fifth_degree_is_not_exact() -> None:
    time = np.arange(-30, 31) / 10.0
    found = VelocityFilter.of_width(4, 10.0).apply((time**5)[:, np.newaxis])[:, 0]
    assert np.abs(found - 5.0 * time[4:-4] ** 4).max() > 1e-3


@pytest.mark.parametrize("level", [0.1, 1.0 / 3.0, -17.3, 1e5])
def test_a_sensor_at_rest_has_a_velocity_of_exactly_zero(level: float) -> None:
    blocks = aligned(stream(same_on_all(np.full(100, level))))
    assert np.all(velocity(blocks)[4:-4] == 0.0)


def test_compression_is_positive() -> None:
    blocks = aligned(stream(same_on_all(np.arange(100.0) * 0.2)))
    np.testing.assert_allclose(velocity(blocks)[4:-4], 100.0, rtol=1e-12)


@pytest.mark.parametrize("frequency", [3.0, 12.0, 30.0, 60.0])
def test_a_sine_comes_out_with_the_gain_of_the_filter_and_no_shift(frequency: float) -> None:
    made = VelocityFilter.of_width(6, RATE_HZ)
    time = np.arange(600) / RATE_HZ
    angular = 2.0 * math.pi * frequency
    position = 5.0 * np.sin(angular * time)
    weights = made.coefficients[7:]
    gain = 2.0 * sum(w * math.sin(angular * k / RATE_HZ) for k, w in enumerate(weights, start=1)) / angular
    assert made.gain(frequency) == pytest.approx(gain, rel=1e-12)
    found = velocity(aligned(stream(same_on_all(position)), made))[:, 2]
    np.testing.assert_allclose(found[6:-6], 5.0 * angular * gain * np.cos(angular * time)[6:-6], atol=1e-7)


def test_the_gain_at_zero_frequency_is_one() -> None:
    made = VelocityFilter.of_width(4, RATE_HZ)
    assert made.gain(0.0) == 1.0
    assert made.gain(1e-3) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 250.0, 400.0, 500.0, 800.0, 1000.0, 2000.0])
@pytest.mark.parametrize("bandwidth_hz", [10.0, 30.0, 60.0])
def test_the_chosen_filter_is_the_widest_that_keeps_95_percent(rate_hz: float, bandwidth_hz: float) -> None:
    made = VelocityFilter.for_bandwidth(bandwidth_hz, rate_hz)
    good = [h for h in range(2, 401) if VelocityFilter.of_width(h, rate_hz).gain(bandwidth_hz) >= 0.95]
    assert made.half_width == (max(good) if good else 2)
    assert made.rate_hz == rate_hz
    assert made.delay_s == pytest.approx(made.half_width / rate_hz)
    assert VelocityFilter.of_width(made.half_width + 1, rate_hz).gain(bandwidth_hz) < 0.95


def test_noise_is_amplified_by_the_noise_gain() -> None:
    made = VelocityFilter.of_width(5, RATE_HZ)
    noise = np.random.default_rng(3).normal(size=(200_000, 1)) * 0.01
    assert made.apply(noise).std() == pytest.approx(0.01 * made.noise_gain, rel=0.01)


@pytest.mark.parametrize("rows", [0, 1, 3, 8])
def test_a_stretch_shorter_than_the_window_has_no_velocity_but_keeps_its_samples(rows: int) -> None:
    blocks = aligned(stream(same_on_all(np.arange(float(rows)))))
    assert numbers(blocks).tolist() == list(range(rows))
    assert np.isnan(velocity(blocks)).all()


def test_just_one_window_has_just_one_velocity() -> None:
    known = np.isfinite(velocity(aligned(stream(same_on_all(np.arange(9.0))))))
    assert np.flatnonzero(known[:, 0]).tolist() == [4]


def test_the_first_velocity_is_unknown_and_not_zero() -> None:
    first = velocity(aligned(stream(same_on_all(50.0 + np.arange(60.0)))))[:4]
    assert np.isnan(first).all()


@pytest.mark.parametrize("lost", [1, 7, 4000])
def test_a_ramp_across_lost_samples_still_reads_its_slope(lost: int) -> None:
    ramp = np.concatenate((np.arange(60.0), np.arange(60.0) + 60.0 + lost)) * 0.2
    blocks = aligned(stream(same_on_all(ramp), gaps={60: lost}, first_sample=1000))
    found = velocity(blocks)[:, 0]
    known = np.isfinite(found)
    np.testing.assert_allclose(found[known], 100.0, rtol=1e-9)
    assert np.flatnonzero(~known).tolist() == [*range(4), *range(56, 64), *range(116, 120)]
    assert numbers(blocks).tolist() == [*range(1000, 1060), *range(1060 + lost, 1120 + lost)]
    assert [block.gap_before for block in blocks if block.starts_stretch] == [0, lost]
    assert sum(block.gap_before for block in blocks) == lost


def test_a_clock_set_back_begins_a_new_stretch() -> None:
    blocks = aligned(stream(same_on_all(np.arange(60.0)), gaps={30: -1}))
    assert np.isnan(velocity(blocks)[26:34]).all()
    assert [block.first_sample for block in blocks if block.starts_stretch] == [0, 30]
    assert sum(block.gap_before for block in blocks) == 0


def test_an_unknown_sample_hides_half_a_window_of_its_own_corner() -> None:
    position = same_on_all(np.arange(100.0))
    position[50, 1] = np.nan
    found = np.isnan(velocity(aligned(stream(position))))
    ends = [*range(4), *range(96, 100)]
    assert np.flatnonzero(found[:, 0]).tolist() == ends
    assert np.flatnonzero(found[:, 1]).tolist() == sorted([*ends, *range(46, 55)])


@given(data=st.data(), half=st.integers(2, 9), rows=st.integers(1, 90))
@settings(max_examples=150, deadline=None)
def test_any_cutting_gives_the_same_bits_on_the_same_sample_numbers(data: Any, half: int, rows: int) -> None:
    generator = np.random.default_rng(data.draw(st.integers(0, 10_000)))
    position = np.asfortranarray(generator.normal(size=(rows, 4)) * 30.0)
    position[generator.random(position.shape) < 0.02] = np.nan
    gaps = {
        row: data.draw(st.sampled_from([-1, 1, 5, 1000]))
        for row in data.draw(st.sets(st.integers(1, rows), max_size=3))
        if row < rows
    }
    label = generator.random(rows)
    whole = stream(position, gaps=gaps, first_sample=7, speed=label)
    made = VelocityFilter.of_width(half, RATE_HZ)
    one = aligned(whole, made)
    other = aligned(cut(whole, data.draw(places_of(rows))), made, largest=64 if rows <= 64 else 128)
    assert numbers(one).tolist() == numbers(other).tolist()
    np.testing.assert_array_equal(velocity(one), velocity(other))
    np.testing.assert_array_equal(travel(one), travel(other))
    for blocks in (one, other):
        np.testing.assert_array_equal(travel(blocks), position)
        np.testing.assert_array_equal(np.concatenate([b.side["speed"] for b in blocks]), label)
        starts = [(b.first_sample, b.gap_before) for b in blocks if b.starts_stretch]
        expected = [(chunk.first_sample, chunk.gap_before) for chunk in whole if len(chunk)]
        assert starts == expected


def test_side_channels_stay_beside_their_samples() -> None:
    # Travel, velocity and a side channel all say which sample they are.
    count = np.arange(200.0)
    chunks = cut(stream(columns(count, count, count, count), speed=count), [3, 3, 50, 51, 52, 180])
    for block in aligned(chunks):
        own = np.arange(block.first_sample, block.first_sample + len(block))
        np.testing.assert_array_equal(block.side["speed"], own)
        np.testing.assert_array_equal(block.travel_mm[:, 3], own)


@pytest.mark.parametrize("stride", [1, 3])
def test_results_trail_the_newest_sample_by_half_a_window_and_a_row_and_no_more(stride: int) -> None:
    stage = VelocityStage(VelocityFilter.of_width(4, RATE_HZ), (), 100, stride)
    assert stage.delay_samples == 4 + stride
    for row in range(50):
        chunk = stream(same_on_all(np.array([float(row)])), first_sample=row)[0]
        given_back = [int(n) for n in numbers(stage.process(chunk, chunk.sensors))]
        assert given_back == ([row - 4 - stride] if row >= 4 + stride else [])


def test_an_empty_chunk_passes_through_without_a_trace() -> None:
    stage = VelocityStage(VelocityFilter.of_width(4, RATE_HZ), (), 100)
    empty = Chunk(0, RATE_HZ, np.empty((0, 4)))
    assert stage.process(empty, empty.sensors) == []
    chunk = stream(same_on_all(np.arange(20.0)))[0]
    found = stage.process(chunk, chunk.sensors)
    assert stage.process(Chunk(20, RATE_HZ, np.empty((0, 4))), np.empty((0, 4))) == []
    assert numbers(found + stage.flush()).tolist() == list(range(20))


def test_an_empty_chunk_that_carries_a_gap_ends_the_stretch_and_hands_the_gap_on() -> None:
    stage = VelocityStage(VelocityFilter.of_width(4, RATE_HZ), (), 100)
    first = stream(same_on_all(np.arange(20.0)))[0]
    blocks = stage.process(first, first.sensors)
    blocks += stage.process(Chunk(25, RATE_HZ, np.empty((0, 4)), gap_before=5), np.empty((0, 4)))
    assert numbers(blocks).tolist() == list(range(20))
    blocks += stage.process(Chunk(28, RATE_HZ, np.empty((0, 4)), gap_before=3), np.empty((0, 4)))
    second = stream(same_on_all(np.arange(20.0)), first_sample=28)[0]
    blocks += stage.process(second, second.sensors) + stage.flush()
    assert numbers(blocks).tolist() == [*range(20), *range(28, 48)]
    assert [(b.first_sample, b.gap_before) for b in blocks if b.starts_stretch] == [(0, 0), (28, 8)]
    assert np.isfinite(velocity(blocks)[:, 0]).sum() == 24


def test_what_was_handed_out_does_not_change_afterwards() -> None:
    stage = VelocityStage(VelocityFilter.of_width(4, RATE_HZ), ("speed",), 16)
    kept, copies = [], []
    for chunk in cut(stream(same_on_all(np.arange(300.0)), speed=np.arange(300.0)), range(0, 300, 10)):
        for block in stage.process(chunk, chunk.sensors):
            kept.append(block)
            copies.append((block.travel_mm.copy(), block.velocity_mm_s.copy(), block.side["speed"].copy()))
    for block, (old_travel, old_velocity, old_speed) in zip(kept, copies, strict=True):
        np.testing.assert_array_equal(block.travel_mm, old_travel)
        np.testing.assert_array_equal(block.velocity_mm_s, old_velocity)
        np.testing.assert_array_equal(block.side["speed"], old_speed)


@pytest.mark.parametrize("stride", [1, 2, 4])
def test_velocitys_change_is_taken_over_a_row_on_each_side(stride: int) -> None:
    made = VelocityFilter.of_width(5, RATE_HZ)
    position = np.random.default_rng(7).normal(size=(600, 4)) * 5.0
    chunks = stream(position, first_sample=3)
    stage = VelocityStage(made, (), 8192, stride)
    blocks = [block for chunk in cut(chunks, [0, 1, 17, 300]) for block in stage.process(chunk, chunk.sensors)]
    blocks += stage.flush()
    assert sum(len(block) for block in blocks) == 600
    known = made.apply(position)
    full = np.full((600, 4), np.nan)
    full[5:-5] = known
    row_numbers = [block.first_sample + place for block in blocks for place in range(len(block))[block.rows]]
    assert row_numbers == [number for number in range(3, 603) if number % stride == 0]
    found = np.concatenate([block.acceleration_mm_s2 for block in blocks])
    padded = np.pad(full, ((stride, stride), (0, 0)), constant_values=np.nan)
    expected = (padded[2 * stride :] - padded[: -2 * stride]) * RATE_HZ / (2 * stride)
    np.testing.assert_allclose(found, expected[-3 % stride :: stride], rtol=1e-12)


def test_the_change_of_velocity_of_a_parabola_is_its_acceleration() -> None:
    time = np.arange(200) / RATE_HZ
    blocks = VelocityStage(VelocityFilter.of_width(5, RATE_HZ), (), 8192, 2)
    chunks = stream(same_on_all(0.5 * 3000.0 * time**2))
    found = np.concatenate([block.acceleration_mm_s2 for block in blocks.process(chunks[0], chunks[0].sensors)])
    np.testing.assert_allclose(found[5:], 3000.0, rtol=1e-9)
