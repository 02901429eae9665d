"""Histograms against numpy's and scipy's, value by value on the edges, and in any cutting exactly."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import wasserstein_distance

from dsp.heights import HEIGHT_BINS
from dsp.histogram import Bins, quantile, regroup, wasserstein
from dsp.statistics import TRAVEL_BINS, VELOCITY_BINS
from ingest.chunk import Floats, Ints

HOUSE_BINS = [VELOCITY_BINS, TRAVEL_BINS, HEIGHT_BINS]
SMALL = Bins(-4.0, 0.5, 16)
# Eighths are exact in binary, so a value on an edge is on it exactly.
eighths = st.integers(-100, 100).map(lambda n: n / 8.0)
unknown_too = st.one_of(eighths, st.just(math.nan), st.just(-0.0), st.sampled_from([math.inf, -math.inf, 1e300]))


def by_numpy(bins: Bins, values: Floats) -> list[int]:
    known = values[~np.isnan(values)]
    edges = np.concatenate(([-np.inf], bins.lowest + bins.width * np.arange(bins.count + 1), [np.inf]))
    return [int(n) for n in np.histogram(known, edges)[0]]


@given(values=st.lists(st.tuples(unknown_too, unknown_too), max_size=60), data=st.data())
@settings(max_examples=200, deadline=None)
def test_counts_are_numpys_and_add_up_in_any_cutting(values: list[tuple[float, float]], data: Any) -> None:
    array = np.asfortranarray(np.array(values, dtype=float).reshape(-1, 2))
    counts = SMALL.count_values(array)
    assert counts.dtype == np.int64
    for channel in range(2):
        assert counts[channel].tolist() == by_numpy(SMALL, array[:, channel])
    place = data.draw(st.integers(0, len(array)))
    parts = SMALL.count_values(array[:place]) + SMALL.count_values(array[place:])
    assert parts.tolist() == counts.tolist()


@pytest.mark.parametrize("bins", HOUSE_BINS)
def test_every_edge_belongs_to_the_bin_above_it(bins: Bins) -> None:
    edges = bins.edges[:, np.newaxis]
    on = bins.count_values(edges)[0]
    assert on.tolist() == [0] + [1] * bins.count + [1]
    just_below = bins.count_values(edges - 1e-6)[0]
    assert just_below.tolist() == [1] + [1] * bins.count + [0]


@pytest.mark.parametrize("bins", HOUSE_BINS)
def test_counting_does_not_change_the_values(bins: Bins) -> None:
    values = np.asfortranarray(np.random.default_rng(4).normal(size=(500, 4)) * 300.0)
    values[7, 2] = np.nan
    before = values.copy()
    counts = bins.count_values(values)
    np.testing.assert_array_equal(values, before)
    assert counts.sum(axis=1).tolist() == [500, 500, 499, 500]
    for channel in range(4):
        assert counts[channel].tolist() == by_numpy(bins, values[:, channel])


def test_zero_of_either_sign_is_the_first_compression_bin() -> None:
    counts = VELOCITY_BINS.count_values(np.array([[0.0], [-0.0]]))[0]
    assert counts[1501] == 2
    assert VELOCITY_BINS.edges[1500] == 0.0


def test_unknown_values_are_in_no_bin() -> None:
    assert SMALL.count_values(np.full((9, 3), np.nan)).sum() == 0


def test_no_samples_give_no_counts() -> None:
    assert SMALL.count_values(np.empty((0, 3))).tolist() == SMALL.empty(3).tolist()


def test_what_lies_beyond_is_counted_apart() -> None:
    counts = SMALL.count_values(np.array([[-4.01], [-1e9], [-np.inf], [3.99], [4.0], [np.inf]]))[0]
    assert (counts[0], counts[-2], counts[-1]) == (3, 1, 2)
    assert counts.sum() == 6


def test_counts_stay_whole_numbers_beyond_what_single_precision_holds() -> None:
    counts = SMALL.empty(1)
    counts += 2**31
    counts += SMALL.count_values(np.array([[0.1]]))
    assert counts[0, 9] == 2**31 + 1


@given(
    values=st.lists(st.integers(-31, 31).map(lambda n: n / 8.0), min_size=1, max_size=80),
    share=st.integers(0, 16).map(lambda n: n / 16.0),
)
@settings(max_examples=200, deadline=None)
def test_a_quantile_lies_in_the_bin_of_numpys(values: list[float], share: float) -> None:
    array = np.array(values)
    counts = SMALL.count_values(array[:, np.newaxis])[0]
    expected = float(np.quantile(array, share, method="inverted_cdf"))
    bin_starts = math.floor((expected + 4.0) / 0.5) * 0.5 - 4.0
    assert bin_starts <= quantile(SMALL, counts, share) <= bin_starts + 0.5


def test_quantiles_of_many_values_are_numpys_within_a_bin() -> None:
    values = np.random.default_rng(5).normal(size=50_000) * 120.0
    counts = VELOCITY_BINS.count_values(values[:, np.newaxis])[0]
    for share in (0.0, 0.01, 0.05, 0.5, 0.75, 0.99, 1.0):
        assert quantile(VELOCITY_BINS, counts, share) == pytest.approx(np.quantile(values, share), abs=1.0)


def test_a_quantile_rises_evenly_within_a_bin() -> None:
    counts = np.array([0, 0, 8, 0, 0])
    found = [quantile(Bins(10.0, 2.0, 3), counts, share) for share in (0.0, 0.25, 0.5, 1.0)]
    assert found == [12.0, 12.5, 13.0, 14.0]


def test_quantiles_beyond_the_bins_answer_with_the_edge_and_of_nothing_with_unknown() -> None:
    bins = Bins(0.0, 1.0, 2)
    assert quantile(bins, np.array([5, 0, 0, 5]), 0.2) == 0.0
    assert quantile(bins, np.array([5, 0, 0, 5]), 0.8) == 2.0
    assert math.isnan(quantile(bins, np.array([0, 0, 0, 0]), 0.5))


@pytest.mark.parametrize("factor", [1, 2, 4, 8, 16])
def test_regrouped_counts_are_those_of_the_wider_bins(factor: int) -> None:
    values = np.random.default_rng(6).normal(size=(4000, 4)) * 3.0
    wide, counts = regroup(SMALL, SMALL.count_values(values), factor)
    assert (wide.lowest, wide.width, wide.count) == (-4.0, 0.5 * factor, 16 // factor)
    assert counts.tolist() == Bins(-4.0, 0.5 * factor, 16 // factor).count_values(values).tolist()
    single, alone = regroup(SMALL, SMALL.count_values(values)[1], factor)
    assert single == wide
    assert alone.tolist() == counts[1].tolist()


def test_bins_are_not_regrouped_by_a_factor_that_leaves_a_rest() -> None:
    with pytest.raises(ValueError, match="can't be joined"):
        regroup(SMALL, SMALL.empty(1), 3)


some_counts = st.lists(st.integers(0, 50), min_size=6, max_size=6).map(lambda n: np.array(n, dtype=np.int64))


@given(first=some_counts, second=some_counts)
@settings(max_examples=200, deadline=None)
def test_the_distance_of_two_distributions_is_scipys(first: Ints, second: Ints) -> None:
    bins = Bins(-10.0, 5.0, 4)
    found = wasserstein(bins, first, second)
    if first.sum() == 0 or second.sum() == 0:
        assert math.isnan(found)
        return
    places = -12.5 + 5.0 * np.arange(6)
    assert found == pytest.approx(wasserstein_distance(places, places, first, second), abs=1e-9)
    assert found == pytest.approx(wasserstein(bins, second, first))


def test_a_shifted_distribution_is_as_far_away_as_it_was_shifted() -> None:
    counts = np.zeros(VELOCITY_BINS.size, dtype=np.int64)
    counts[1400:1600] = np.arange(200)
    assert wasserstein(VELOCITY_BINS, counts, np.roll(counts, 37)) == pytest.approx(37.0)
    assert wasserstein(VELOCITY_BINS, counts, counts * 3) == 0.0
