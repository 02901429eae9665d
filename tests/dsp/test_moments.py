"""Mergeable moments against numpy and scipy, in any cutting."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import skew

from dsp.moments import Moments

numbers = st.floats(-1e4, 1e4, allow_nan=False).map(lambda x: round(x, 3))


@given(values=st.lists(numbers, min_size=1, max_size=60), places=st.lists(st.integers(0, 60), max_size=8))
@settings(max_examples=200, deadline=None)
def test_any_cutting_gives_numpys_answer(values: list[float], places: list[int]) -> None:
    array = np.array(values)
    merged = Moments()
    for part in np.split(array, sorted(min(p, len(array)) for p in places)):
        merged = merged.merged(Moments.of(part))
    assert merged.count == len(array)
    assert merged.mean == pytest.approx(array.mean(), rel=1e-9, abs=1e-6)
    assert merged.rms == pytest.approx(math.sqrt(np.mean(array**2)), rel=1e-9, abs=1e-9)
    spread = float(np.abs(array).max()) + 1.0
    if len(array) > 1:
        assert merged.variance == pytest.approx(array.var(ddof=1), rel=1e-9, abs=1e-12 * spread**2)
    else:
        assert math.isnan(merged.variance)
    if len(array) > 2 and array.std() > 1e-3 * spread:
        assert merged.skewness == pytest.approx(skew(array), rel=1e-6, abs=1e-6)


def test_skewness_of_a_lopsided_distribution() -> None:
    # An exponential distribution has a skewness of 2; the same values read backwards have -2.
    values = np.random.default_rng(8).exponential(size=100_000) * 30.0
    parts = [Moments.of(part) for part in np.array_split(values, 7)]
    merged = Moments()
    for part in parts:
        merged = part.merged(merged)
    assert merged.skewness == pytest.approx(skew(values), rel=1e-9)
    assert merged.skewness == pytest.approx(2.0, abs=0.1)
    assert Moments.of(-values).skewness == pytest.approx(-merged.skewness)


def test_nothing_is_known_of_no_values() -> None:
    empty = Moments.of(np.empty(0))
    assert empty.count == 0
    assert all(math.isnan(x) for x in (empty.mean, empty.variance, empty.rms, empty.skewness))
    one = Moments.of(np.array([3.0]))
    assert (one.rms, one.mean) == (3.0, 3.0)
    assert math.isnan(one.variance)
    assert one.merged(empty) == one == empty.merged(one)


def test_equal_values_have_no_skewness() -> None:
    assert math.isnan(Moments.of(np.full(5, 2.0)).skewness)
    assert Moments.of(np.full(5, 2.0)).variance == 0.0


def test_merging_leaves_its_parts_alone() -> None:
    first, second = Moments.of(np.array([1.0, 2.0])), Moments.of(np.array([5.0]))
    first.merged(second)
    assert (first.count, first.mean, second.count) == (2, 1.5, 1)
