"""What is counted of velocity and travel, against counting by hand."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.asymmetry import DIRECTIONS, PLACES, compare, of_corners
from dsp.statistics import SHARE_NAMES, VELOCITY_BINS, Tally, directional_counts, shares_of, velocity_scale
from ingest.chunk import Floats
from ingest.sheet_limits import VelocitySettings
from tests.dsp.helpers import columns

LIMITS = VelocitySettings(low_speed_compression_mm_s=40, low_speed_rebound_mm_s=70)


def signals(rows: int, seed: int) -> tuple[Floats, Floats]:
    """Return travel and velocity with unknown samples in both, not always the same ones."""
    generator = np.random.default_rng(seed)
    travel = np.asfortranarray(generator.normal(size=(rows, 4)) * 15.0)
    # Eighths: exact, and often on a limit.
    velocity = np.asfortranarray(np.round(generator.normal(size=(rows, 4)) * 8.0 * 60.0) / 8.0)
    travel[generator.random(travel.shape) < 0.05] = np.nan
    velocity[generator.random(velocity.shape) < 0.1] = np.nan
    return travel, velocity


def tally_of(travel: Floats, velocity: Floats) -> Tally:
    tally = Tally()
    tally.add(travel, velocity)
    return tally


@given(rows=st.integers(0, 120), seed=st.integers(0, 1000), data=st.data())
@settings(max_examples=80, deadline=None)
def test_any_cutting_and_any_merging_counts_the_same(rows: int, seed: int, data: Any) -> None:
    travel, velocity = signals(rows, seed)
    whole = tally_of(travel, velocity)
    places = [0, *sorted(data.draw(st.lists(st.integers(0, rows), max_size=6))), rows]
    added, merged = Tally(), Tally()
    for start, stop in itertools.pairwise(places):
        added.add(travel[start:stop], velocity[start:stop])
        merged.merge(tally_of(travel[start:stop], velocity[start:stop]))
    for other in (added, merged):
        assert other.velocity.tolist() == whole.velocity.tolist()
        assert other.travel.tolist() == whole.travel.tolist()
        np.testing.assert_array_equal(other.lowest_mm, whole.lowest_mm)
        np.testing.assert_array_equal(other.highest_mm, whole.highest_mm)
        for corner in range(4):
            assert other.moments[corner].count == whole.moments[corner].count == whole.used(corner)
            np.testing.assert_allclose(other.rms(corner), whole.rms(corner), rtol=1e-12)


@pytest.mark.parametrize("corner", range(4))
def test_everything_equals_counting_by_hand(corner: int) -> None:
    travel, velocity = signals(3000, seed=11)
    tally = tally_of(travel, velocity)
    v = velocity[:, corner][~np.isnan(velocity[:, corner])]
    x = travel[:, corner][~np.isnan(travel[:, corner])]
    shares = tally.time_shares(corner, LIMITS)
    assert shares == {
        "high_speed_rebound": np.count_nonzero(v < -70.0) / len(v),
        "low_speed_rebound": np.count_nonzero((v >= -70.0) & (v < 0.0)) / len(v),
        "low_speed_compression": np.count_nonzero((v >= 0.0) & (v < 40.0)) / len(v),
        "high_speed_compression": np.count_nonzero(v >= 40.0) / len(v),
    }
    assert sum(shares.values()) == pytest.approx(1.0, abs=1e-12)
    assert tally.used(corner) == len(v)
    assert tally.rms(corner) == pytest.approx(math.sqrt(np.mean(v**2)), rel=1e-12)
    both = tally.directional_rms(corner)
    for found, kept in zip(both, (v[v >= 0], v[v < 0]), strict=True):
        assert found == pytest.approx(math.sqrt(np.mean(kept**2)), abs=0.5)
    assert tally.balance(corner) == pytest.approx(v[v >= 0].mean() / -v[v < 0].mean(), rel=0.01)
    assert tally.lowest_mm[corner] == x.min()
    assert tally.highest_mm[corner] == x.max()
    for share in (0.01, 0.5, 0.99):
        assert tally.velocity_quantile(corner, share) == pytest.approx(np.quantile(v, share), abs=1.5)
        assert tally.travel_quantile(corner, share) == pytest.approx(np.quantile(x, share), abs=0.6)


@pytest.mark.parametrize(
    ("velocity", "name"),
    [
        (-70.125, "high_speed_rebound"),
        (-70.0, "low_speed_rebound"),
        (-0.125, "low_speed_rebound"),
        (-0.0, "low_speed_compression"),
        (0.0, "low_speed_compression"),
        (39.875, "low_speed_compression"),
        (40.0, "high_speed_compression"),
        (1e4, "high_speed_compression"),
        (-1e4, "high_speed_rebound"),
    ],
)
def test_which_band_a_velocity_belongs_to(velocity: float, name: str) -> None:
    shares = tally_of(np.zeros((1, 4)), np.full((1, 4), velocity)).time_shares(2, LIMITS)
    assert shares == {other: float(other == name) for other in SHARE_NAMES}


def test_of_nothing_nothing_is_known() -> None:
    for tally in (Tally(), tally_of(np.full((9, 4), np.nan), np.full((9, 4), np.nan))):
        assert all(math.isnan(share) for share in tally.time_shares(0, LIMITS).values())
        assert math.isnan(tally.rms(0))
        assert math.isnan(tally.balance(0))
        assert all(math.isnan(value) for value in tally.directional_rms(0))
        assert math.isnan(tally.velocity_quantile(0, 0.5))
        assert np.isnan(tally.lowest_mm).all()
        assert np.isnan(tally.highest_mm).all()
        assert tally.used(3) == 0


def test_one_direction_alone_has_no_balance() -> None:
    tally = tally_of(np.zeros((5, 4)), np.full((5, 4), 12.0))
    assert math.isnan(tally.balance(0))
    assert tally.directional_rms(0)[0] == pytest.approx(12.5)
    assert math.isnan(tally.directional_rms(0)[1])


def test_velocities_beyond_the_bins_are_counted_as_high_speed() -> None:
    v = np.array([2000.0, -3000.0, 10.0, -10.0])
    tally = tally_of(np.zeros((4, 4)), columns(v, v, v, v))
    assert shares_of(tally.velocity[0], LIMITS) == [0.25] * 4
    assert tally.directional_rms(0)[0] == pytest.approx(math.sqrt((1500.0**2 + 10.5**2) / 2))
    assert tally.rms(0) == pytest.approx(math.sqrt(np.mean(v**2)))


def test_the_two_directions_share_all_counts() -> None:
    counts = np.arange(VELOCITY_BINS.size)
    up, down = (directional_counts(counts, compression=c) for c in (True, False))
    assert (up + down).tolist() == counts.tolist()
    assert np.flatnonzero(up)[0] == 1501
    assert counts[1] == 1


# Left against right.


def corners(left: Floats, right: Floats) -> Tally:
    return tally_of(np.zeros((len(left), 4)), columns(left, right, right, left))


def test_the_faster_damper_is_faster_by_the_logarithm_of_the_ratio() -> None:
    generator = np.random.default_rng(12)
    left = np.abs(generator.normal(size=40_000)) * 120.0
    found = of_corners(corners(np.concatenate((1.2 * left, -left)), np.concatenate((left, -1.1 * left))).paired)
    assert tuple(found) == PLACES == tuple(f"{a} {d}" for a in ("front", "rear") for d in DIRECTIONS)
    expected = {
        "front compression": math.log(1.2),
        "front rebound": -math.log(1.1),
        "rear compression": -math.log(1.2),
        "rear rebound": math.log(1.1),
    }
    for place, ratio in expected.items():
        assert found[place].log_ratio == pytest.approx(ratio, abs=2e-3)
        assert found[place].percent == pytest.approx(100.0 * found[place].log_ratio)
    # Scaling a distribution of mean m by r moves it by (r - 1) m, over the mean of both means.
    assert found["front compression"].distance == pytest.approx(0.2 / 1.1, abs=2e-3)
    assert found["rear compression"].distance == pytest.approx(0.2 / 1.1, abs=2e-3)


def test_equal_dampers_do_not_differ_and_swapping_sides_turns_the_sign() -> None:
    generator = np.random.default_rng(13)
    one, other = generator.normal(size=5000) * 90.0, generator.normal(size=5000) * 130.0
    same = of_corners(corners(one, one).paired)
    assert all((a.log_ratio, a.distance) == (0.0, 0.0) for a in same.values())
    there, back = of_corners(corners(one, other).velocity), of_corners(corners(other, one).paired)
    for place in PLACES:
        assert there[place].log_ratio == pytest.approx(-back[place].log_ratio)
        assert there[place].distance == pytest.approx(back[place].distance)


def test_the_mean_speed_of_a_direction_is_that_of_its_samples() -> None:
    v = np.random.default_rng(14).normal(size=20_000) * 100.0
    counts = corners(v, v).velocity[0]
    assert velocity_scale(counts, compression=True) == pytest.approx(v[v >= 0].mean(), abs=0.05)
    assert velocity_scale(counts, compression=False) == pytest.approx(-v[v < 0].mean(), abs=0.05)


def test_without_samples_the_asymmetry_is_unknown() -> None:
    nothing = np.zeros(VELOCITY_BINS.size, dtype=np.int64)
    something = corners(np.array([5.0]), np.array([5.0])).velocity[0]
    for left, right in ((nothing, something), (something, nothing), (nothing, nothing)):
        found = compare(left, right, compression=True)
        assert math.isnan(found.log_ratio)
        assert math.isnan(found.distance)
    assert math.isnan(compare(something, something, compression=False).log_ratio)


def test_left_and_right_are_compared_over_the_same_samples() -> None:
    # The left sensor is lost in the rough half: by itself it would look slower.
    generator = np.random.default_rng(3)
    road = generator.normal(0.0, 50.0, 20_000)
    road[10_000:] *= 3.0
    left = np.where(np.arange(20_000) < 10_000, road, np.nan)
    tally = Tally()
    tally.add(columns(road, road, road, road), columns(left, road, road, road))
    found = of_corners(tally.paired)
    assert found["front compression"].log_ratio == found["front rebound"].distance == 0.0
    assert tally.used(1) == tally.used(3) == int(tally.paired[3].sum()) == 20_000
    assert int(tally.paired[0].sum()) == int(tally.paired[1].sum()) == 10_000
