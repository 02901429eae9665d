"""The high pass: against scipy's design and recursion, at unknown rows, and the same bits however the stream is cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, lfilter, lfilter_zi

from dsp.high_pass import HighPass
from ingest.chunk import Floats

RATES_HZ = [4.0, 20.0, 62.5, 250.0, 333.0, 500.0]


def forces(rows: int, seed: int = 1) -> Floats:
    """Two channels that wander far from where they began, as axle forces in N do."""
    return 3000.0 + 50.0 * np.random.default_rng(seed).normal(size=(2, rows)).cumsum(axis=1)


def scipys(values: Floats, frequency_hz: float, rate_hz: float) -> Floats:
    made = butter(1, frequency_hz, "high", fs=rate_hz)
    return np.asarray(lfilter(*made, values, zi=lfilter_zi(*made) * values[:, :1])[0])


def in_parts(values: Floats, sizes: list[int], rate_hz: float) -> Floats:
    stage = HighPass(1.0, rate_hz, 2)
    parts, start = [], 0
    for size in [*sizes, values.shape[1]]:
        parts.append(stage.process(values[:, start : start + size]))
        start += size
    return np.concatenate(parts, axis=1)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_it_equals_scipys_butterworth(rate_hz: float) -> None:
    """Over more rows than the powers are taken together, so that they begin anew on the way."""
    values = forces(20_000)
    expected = scipys(values, 1.0, rate_hz)
    found = HighPass(1.0, rate_hz, 2).process(values)
    # Both round at every row, and some hundred rows are remembered.
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-11 * np.abs(values).max())
    assert np.abs(expected).max() > 50.0


@pytest.mark.parametrize("frequency_hz", [0.1, 5.0, 100.0, 200.0])
def test_it_equals_scipys_at_other_frequencies(frequency_hz: float) -> None:
    values = forces(5000)
    expected = scipys(values, frequency_hz, 500.0)
    np.testing.assert_allclose(HighPass(frequency_hz, 500.0, 2).process(values), expected, rtol=0, atol=1e-8)


def test_the_gain_at_its_frequency_is_the_root_of_one_half() -> None:
    """By the definition of a Butterworth filter's edge; the phase there is 45 degrees ahead."""
    angle = 2.0 * np.pi * np.arange(10_000) / 250.0
    found = HighPass(1.0, 250.0, 1).process(np.sin(angle)[np.newaxis])[0]
    np.testing.assert_allclose(found[5000:], np.sin(angle[5000:] + np.pi / 4.0) / np.sqrt(2.0), atol=1e-9)


def test_what_stays_gives_nothing_from_the_first_row_on() -> None:
    found = HighPass(1.0, 500.0, 2).process(np.full((2, 10_000), 3456.7))
    assert np.abs(found).max() < 1e-9


def test_an_unknown_row_ends_its_channel_alone() -> None:
    values = forces(9000)
    values[0, 100:103] = np.nan, np.inf, -np.inf
    values[1, 5000:] = np.nan
    found = HighPass(1.0, 500.0, 2).process(values)
    np.testing.assert_array_equal(np.isnan(found), ~np.isfinite(values))
    # After it the channel begins as a stream of its own would, while the other one goes on.
    np.testing.assert_allclose(found[:1, 103:], scipys(values[:1, 103:], 1.0, 500.0), rtol=0, atol=1e-9)
    np.testing.assert_allclose(found[1:, :5000], scipys(values[1:, :5000], 1.0, 500.0), rtol=0, atol=1e-9)


def test_a_reset_forgets() -> None:
    values = forces(300)
    stage = HighPass(1.0, 500.0, 2)
    stage.process(forces(5001, seed=9))
    stage.reset()
    np.testing.assert_array_equal(stage.process(values), HighPass(1.0, 500.0, 2).process(values))


@settings(max_examples=60, deadline=None)
@given(
    sizes=st.lists(st.integers(0, 900), max_size=40),
    holes=st.lists(st.tuples(st.integers(0, 1), st.integers(0, 5999), st.integers(1, 400)), max_size=4),
    rate_hz=st.sampled_from(RATES_HZ),
)
def test_any_cut_gives_the_same_bits(sizes: list[int], holes: list[tuple[int, int, int]], rate_hz: float) -> None:
    values = forces(6000)
    for channel, start, count in holes:
        values[channel, start : start + count] = np.nan
    whole = HighPass(1.0, rate_hz, 2).process(values)
    np.testing.assert_array_equal(in_parts(values, sizes, rate_hz), whole)


def test_a_cut_where_a_hole_begins_or_ends_gives_the_same_bits() -> None:
    values = forces(3000)
    values[0, 700:900] = np.nan
    whole = HighPass(1.0, 500.0, 2).process(values)
    assert np.isfinite(whole[:, 900:]).all()
    for sizes in ([900], [700, 200], [699, 1, 200], [0, 901]):
        np.testing.assert_array_equal(in_parts(values, sizes, 500.0), whole)


@pytest.mark.parametrize("size", [1, 2, 5, 4095, 4096, 4097])
def test_small_and_awkward_parts_give_the_same_bits(size: int) -> None:
    values = forces(9000)
    np.testing.assert_array_equal(
        in_parts(values, [size] * (9000 // size), 500.0), HighPass(1.0, 500.0, 2).process(values)
    )


def test_the_input_stays_as_it_was() -> None:
    values = forces(500)
    before = values.copy()
    HighPass(1.0, 500.0, 2).process(values)
    np.testing.assert_array_equal(values, before)
