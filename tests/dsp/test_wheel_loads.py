"""The tally of wheel loads against numpy, in any division, and its shares in cases that can be done by hand."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.wheel_loads import LOAD_BINS, LoadTally
from tests.car_rows import car_rows

STATIC = np.array([2000.0, 2100.0, 2500.0, 2400.0])


def tally_of(load: Any, stop: Any = 0.0, rows: int | None = None) -> LoadTally:
    tally = LoadTally()
    tally.add(car_rows(len(load) if rows is None else rows, load_n=load, stop_n=stop), STATIC)
    return tally


@given(rows=st.integers(0, 90), seed=st.integers(0, 300), data=st.data())
@settings(max_examples=80, deadline=None)
def test_a_tally_of_tallies_is_the_tally_of_all(rows: int, seed: int, data: Any) -> None:
    generator = np.random.default_rng(seed)
    load = np.maximum(generator.normal(size=(rows, 4)) * 1500.0 + STATIC, 0.0)
    load[generator.random((rows, 4)) < 0.05] = np.nan
    stop = np.maximum(generator.normal(size=(rows, 4)) * 500.0 - 300.0, 0.0)
    stop[np.isnan(load)] = np.nan
    car = car_rows(rows, load_n=load, stop_n=stop)
    places = [0, *sorted(data.draw(st.lists(st.integers(0, rows), max_size=5))), rows]
    added, merged = LoadTally(), LoadTally()
    for start, end in itertools.pairwise(places):
        part = LoadTally()
        part.add(car.part(start, end), STATIC)
        merged.merge(part)
        added.add(car.part(start, end), STATIC)
    whole = LoadTally()
    whole.add(car, STATIC)
    for tally in (added, merged):
        for name in ("counts", "unloaded", "on_stop", "stop_sum", "stop_load_sum", "together", "together_sum"):
            np.testing.assert_array_equal(getattr(tally, name), getattr(whole, name))
        for name in ("lowest_n", "highest_n", "stop_peak_share"):
            np.testing.assert_array_equal(getattr(tally, name), getattr(whole, name))
        for corner in range(4):
            assert tally.mean_n(corner) == whole.mean_n(corner) or math.isnan(whole.mean_n(corner))
            assert tally.mean_n(corner) == pytest.approx(whole.mean_n(corner), rel=1e-12, nan_ok=True)
    for corner in range(4):
        column = load[:, corner]
        known = column[~np.isnan(column)]
        assert whole.known(corner) == len(known)
        assert int(whole.unloaded[corner]) == np.count_nonzero(known < 0.02 * STATIC[corner])
        if len(known):
            assert (whole.lowest_n[corner], whole.highest_n[corner]) == (known.min(), known.max())
            assert whole.mean_n(corner) == pytest.approx(known.mean(), abs=0.005)  # kept in hundredths
        touched = stop[:, corner] > 0.0
        assert int(whole.on_stop[corner]) == np.count_nonzero(touched)
        if column[touched].sum() > 1.0:
            share = stop[touched, corner].sum() / column[touched].sum()
            assert whole.stop_share(corner) == pytest.approx(share, rel=1e-3, abs=1e-4)
    together = load[~np.isnan(load).any(axis=1)]
    assert whole.together == len(together)
    if len(together):
        total = together.sum()
        assert whole.cross_weight_share == pytest.approx((together[:, 1] + together[:, 2]).sum() / total, rel=1e-5)
        assert whole.front_share == pytest.approx(together[:, :2].sum() / total, rel=1e-5)
        assert whole.left_share(0) == pytest.approx(together[:, 0].sum() / together[:, :2].sum(), rel=1e-5)
        assert whole.left_share(1) == pytest.approx(together[:, 2].sum() / together[:, 2:].sum(), rel=1e-5)


def test_percentiles_of_load_are_numpys_within_a_bin() -> None:
    load = np.random.default_rng(2).normal(size=(20_000, 4)) * 300.0 + STATIC
    tally = tally_of(load)
    for corner, share in itertools.product(range(4), (0.01, 0.5, 0.99)):
        expected = np.quantile(load[:, corner], share)
        assert tally.load_quantile(corner, share) == pytest.approx(expected, abs=LOAD_BINS.width)


def test_nothing_known_is_nothing_told() -> None:
    for tally in (LoadTally(), tally_of(np.full((9, 4), np.nan), np.nan)):
        for value in (tally.mean_n(0), tally.load_quantile(0, 0.5), tally.stop_share(0), tally.cross_weight_share):
            assert math.isnan(value)
        assert math.isnan(tally.left_share(1))
        assert np.isnan(tally.lowest_n).all()
        assert np.isnan(tally.stop_peak_share).all()
        assert tally.known(0) == tally.together == 0


def test_a_static_car_shows_its_corner_weights() -> None:
    tally = tally_of(np.tile(STATIC, (50, 1)))
    assert [tally.mean_n(corner) for corner in range(4)] == pytest.approx(STATIC.tolist())
    assert tally.cross_weight_share == pytest.approx((9000.0 - 2000.0 - 2400.0) / 9000.0)
    assert tally.front_share == pytest.approx(4100.0 / 9000.0)
    assert (tally.left_share(0), tally.left_share(1)) == pytest.approx((2000.0 / 4100.0, 2500.0 / 4900.0))
    assert tally.unloaded.tolist() == [0] * 4


def test_a_wheel_off_the_road_is_unloaded() -> None:
    load = np.tile(STATIC, (10, 1))
    load[:, 0] = [0.0, 39.9, 40.0, 40.1, np.nan, 0.0, 2000.0, 2000.0, 2000.0, 2000.0]
    tally = tally_of(load)
    assert tally.unloaded.tolist() == [3, 0, 0, 0]
    assert tally.known(0) == tally.together == 9
    unknown_static = LoadTally()
    unknown_static.add(car_rows(10, load_n=load), np.full(4, np.nan))
    assert unknown_static.unloaded.tolist() == [0] * 4


def test_the_stops_share_is_of_the_time_on_it_and_its_peak_under_load() -> None:
    load = np.tile(STATIC, (6, 1))
    stop = np.zeros((6, 4))
    load[:, 2], stop[:, 2] = [3000.0, 4000.0, 5000.0, 900.0, 2500.0, np.nan], [300.0, 1600.0, 1000.0, 800.0, 0.0, 99.0]
    tally = tally_of(load, stop)
    assert int(tally.on_stop[2]) == 4
    assert tally.stop_share(2) == pytest.approx(3700.0 / 12_900.0)
    # 800 of 900 N is a light wheel, not a hard stop.
    assert float(tally.stop_peak_share[2]) == pytest.approx(0.4)
    assert math.isnan(tally.stop_share(0))
    assert math.isnan(tally.stop_peak_share[0])
