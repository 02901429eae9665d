"""What the four places say together: an axle's level and balance, what the axles share, and ranges of travel."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import wasserstein_distance

from dsp.asymmetry import (
    PLACES,
    Asymmetry,
    AxleSides,
    log_speeds,
    of_corners,
    shared,
    sides_of,
    travel_log_ratios,
    with_travel,
)
from dsp.statistics import TRAVEL_BINS, VELOCITY_BINS

LEVELS = st.integers(-1000, 1000).map(lambda one: one / 1000.0)


def counts_of(*velocities: np.ndarray) -> np.ndarray:
    return np.concatenate([VELOCITY_BINS.count_values(v[:, np.newaxis]) for v in velocities])


def test_level_and_balance_are_the_two_places_turned() -> None:
    sides = AxleSides(compression=0.05, rebound=0.25)
    assert sides.level == pytest.approx(0.15)
    assert sides.balance == pytest.approx(-0.20)
    places = {place: 0.1 * number for number, place in enumerate(PLACES)}
    assert sides_of(places, "rear") == AxleSides(0.2, 0.1 * 3)


@given(LEVELS, LEVELS)
def test_what_is_shared_is_never_more_than_either_allows(own: float, other: float) -> None:
    found = shared(own, other)
    assert abs(found) <= abs(own)
    assert abs(found) <= 2.0 * abs(other)
    assert found * own >= 0.0
    assert shared(-own, -other) == -found
    if own * other < 0.0:
        assert found == 0.0
    elif abs(own) <= 2.0 * abs(other):
        assert found == own


def test_an_axle_of_which_nothing_is_known_might_share_it_all() -> None:
    assert shared(0.2, math.nan) == 0.2
    assert shared(-0.2, math.nan) == -0.2


def test_over_closed_motion_balance_is_the_ratio_of_times() -> None:
    """Up as far as down: mean speeds go inversely as times, which is counted here sample by sample."""
    random = np.random.default_rng(5)
    shapes = []
    for rise, fall in ((40, 60), (50, 50), (30, 45), (70, 35)):
        stroke = 20.0 * random.uniform(0.8, 1.2)
        times = np.concatenate([np.full(rise, stroke / rise), np.full(fall, -stroke / fall)])
        shapes.append(np.tile(times * 500.0, 40))
    found = of_corners(counts_of(*shapes))
    for axle, (left, right) in (("front", (0, 1)), ("rear", (2, 3))):
        sides = sides_of({place: one.log_ratio for place, one in found.items()}, axle)
        spent = [np.sum(v < 0.0) / np.sum(v > 0.0) for v in shapes]
        assert sides.balance == pytest.approx(math.log(spent[left] / spent[right]), abs=0.01)


def test_mean_speeds_come_with_the_ratio() -> None:
    random = np.random.default_rng(6)
    motions = [random.normal(0.0, scale, 30_000) for scale in (80.0, 100.0, 120.0, 90.0)]
    found = of_corners(counts_of(*motions))
    logs = log_speeds(found)
    assert logs.shape == (4, 2)
    for corner, v in enumerate(motions):
        assert logs[corner, 0] == pytest.approx(math.log(v[v >= 0].mean()), abs=0.01)
        assert logs[corner, 1] == pytest.approx(math.log(-v[v < 0].mean()), abs=0.01)
    assert found["front compression"].log_ratio == pytest.approx(logs[0, 0] - logs[1, 0])
    assert found["rear rebound"].log_ratio == pytest.approx(logs[2, 1] - logs[3, 1])
    unknown = log_speeds(dict.fromkeys(PLACES, Asymmetry(0.0, 0.0)))
    assert np.isnan(unknown).all()


def test_the_distance_is_scipys_over_the_mean_speed() -> None:
    random = np.random.default_rng(7)
    left, right = random.gamma(2.0, 40.0, 5_000), random.gamma(3.0, 30.0, 4_000)
    found = of_corners(counts_of(left, right, -left, -right))
    mean = (left.mean() + right.mean()) / 2.0
    assert found["front compression"].distance == pytest.approx(wasserstein_distance(left, right) / mean, rel=0.01)
    assert found["rear rebound"].distance == pytest.approx(wasserstein_distance(left, right) / mean, rel=0.01)


def test_ranges_of_travel_go_from_the_5th_to_the_95th_percentile() -> None:
    random = np.random.default_rng(8)
    travels = [random.normal(5.0, scale, 40_000) for scale in (8.0, 10.0, 6.0, 6.0)]
    counts = np.concatenate([TRAVEL_BINS.count_values(one[:, np.newaxis]) for one in travels])
    found = with_travel(dict.fromkeys(PLACES, Asymmetry(0.1, 0.2)), counts)
    ranges = [float(np.subtract(*np.quantile(one, (0.95, 0.05)))) for one in travels]
    assert found["front rebound"].left_travel_mm == pytest.approx(ranges[0], abs=0.2)
    assert found["rear compression"].right_travel_mm == pytest.approx(ranges[3], abs=0.2)
    assert found["front rebound"].log_ratio == 0.1
    ratios = travel_log_ratios(found)
    assert ratios["front"] == pytest.approx(math.log(0.8), abs=0.02)
    assert ratios["rear"] == pytest.approx(0.0, abs=0.02)
    nothing = with_travel(dict.fromkeys(PLACES, Asymmetry(0.1, 0.2)), TRAVEL_BINS.empty(4))
    assert all(math.isnan(one) for one in travel_log_ratios(nothing).values())
