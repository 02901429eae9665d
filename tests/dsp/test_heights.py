"""The tally of heights, where on the lap they were low, and the time left to the limit."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.frame import REGIMES
from dsp.heights import HEIGHT_BINS, LEAST_CLOSING_MM_S, PLACE_BIN_M, PLACE_BINS, ClosingWatch, HeightTally, Stretch
from ingest.chunk import Floats
from tests.car_rows import car_rows

ROW_HZ = 250.0
BRAKING, CORNERING = REGIMES.index("braking"), REGIMES.index("cornering")


def heights(rows: int, seed: int) -> Floats:
    generator = np.random.default_rng(seed)
    values = np.asfortranarray(np.round(30.0 + generator.normal(size=(rows, 2)) * 10.0, 1))
    values[generator.random(rows) < 0.1] = np.nan
    return values


def tally_of(values: Floats, limits: list[float], first_sample: int = 0, **columns: Any) -> HeightTally:
    tally = HeightTally.empty(values.shape[1])
    tally.add(car_rows(len(values), first_sample, heights_mm=values, **columns), np.array(limits))
    return tally


@given(rows=st.integers(0, 80), seed=st.integers(0, 500), data=st.data())
@settings(max_examples=80, deadline=None)
def test_a_tally_of_tallies_is_the_tally_of_all(rows: int, seed: int, data: Any) -> None:
    generator = np.random.default_rng(seed)
    values, limits = heights(rows, seed), np.array([25.0, 18.0])
    regime, place = generator.integers(0, 4, rows), generator.uniform(-10.0, 200.0, rows)
    place[generator.random(rows) < 0.2] = np.nan
    left = generator.integers(1, 20, (rows, 2)) / 10.0
    left[generator.random(rows) < 0.5] = np.nan
    car = car_rows(rows, 400, heights_mm=values, regime=regime, place_m=place)
    places = [0, *sorted(data.draw(st.lists(st.integers(0, rows), max_size=5))), rows]
    added, merged = HeightTally.empty(2), HeightTally.empty(2)
    for start, stop in itertools.pairwise(places):
        part = HeightTally.empty(2)
        part.add(car.part(start, stop), limits, left[start:stop])
        merged.merge(part)
        added.add(car.part(start, stop), limits, left[start:stop])
    assert repr(added) == repr(merged)
    for tally, point in itertools.product((added, merged), range(2)):
        column = values[:, point]
        known = column[~np.isnan(column)]
        below = column < limits[point]
        assert int(tally.counts[point].sum()) == len(known)
        assert int(tally.below[point]) == np.count_nonzero(below)
        assert tally.below_by_regime[point].tolist() == [np.count_nonzero(below & (regime == c)) for c in range(4)]
        by_hand: dict[int, list[float]] = {}
        for row in np.flatnonzero(below & (place >= 0.0)).tolist():
            by_hand.setdefault(int(place[row] // PLACE_BIN_M), []).append(float(column[row]))
        assert tally.places[point] == {number: (len(low), min(low)) for number, low in by_hand.items()}
        if len(known):
            row = int(np.nanargmin(column))
            assert tally.lowest_mm[point] == known.min()
            assert tally.lowest_at[point] == 400 + 4 * row
            assert tally.lowest_regime[point] == REGIMES[regime[row]]
            np.testing.assert_array_equal(tally.lowest_place_m[point], place[row])
        else:
            assert math.isnan(tally.lowest_mm[point])
            assert tally.lowest_at[point] is None
            assert tally.lowest_regime[point] == "unknown"
        if np.isfinite(left[:, point]).any():
            assert tally.shortest_s[point] == np.nanmin(left[:, point])
            assert tally.shortest_at[point] == 400 + 4 * int(np.nanargmin(left[:, point]))
        else:
            assert math.isnan(tally.shortest_s[point])
            assert tally.shortest_at[point] is None


def test_percentiles_of_height_are_numpys_within_a_bin() -> None:
    values = heights(20_000, 1)
    tally = tally_of(values, [0.0, 0.0])
    for share in (0.01, 0.5, 0.99):
        assert tally.height_quantile(1, share) == pytest.approx(
            np.nanquantile(values[:, 1], share), abs=HEIGHT_BINS.width
        )
    assert math.isnan(HeightTally.empty(2).height_quantile(0, 0.5))


def test_a_height_on_its_limit_is_not_below_it() -> None:
    tally = tally_of(np.array([[20.0], [19.999], [np.nan], [20.001]]), [20.0])
    assert int(tally.below[0]) == 1


def test_a_car_without_points_has_nothing_to_count() -> None:
    tally = HeightTally.empty(0)
    tally.add(car_rows(5), np.empty(0), np.empty((5, 0)))
    tally.merge(HeightTally.empty(0))
    assert tally.counts.shape == (0, HEIGHT_BINS.size)


# ---------------------------------------------------------------- where on the lap


def test_neighbouring_places_are_one_stretch_and_the_longest_comes_first() -> None:
    place = np.array([5.0, 25.0, 25.0, 39.0, 100.0, 1000.0, 1010.0, 60.0, 2000.0])
    low = np.array([[19.0], [18.0], [17.5], [19.0], [10.0], [15.0], [16.0], [25.0], [15.0]])
    stretches = tally_of(low, [20.0], place_m=place).stretches(0, ROW_HZ)
    assert stretches == [
        Stretch(0.0, 40.0, 4 / ROW_HZ, 17.5),
        Stretch(1000.0, 1020.0, 2 / ROW_HZ, 15.0),
        # Equally long: the lower one first.
        Stretch(100.0, 120.0, 1 / ROW_HZ, 10.0),
        Stretch(2000.0, 2020.0, 1 / ROW_HZ, 15.0),
    ]


def test_of_several_laps_the_times_at_a_place_add_up() -> None:
    first = tally_of(np.full((6, 1), 19.0), [20.0], place_m=np.arange(6) * 15.0)
    first.merge(tally_of(np.full((2, 1), 12.0), [20.0], place_m=np.array([80.0, 300.0])))
    # 75 m and 80 m lie in bins side by side.
    assert first.stretches(0, ROW_HZ) == [
        Stretch(0.0, 100.0, 7 / ROW_HZ, 12.0),
        Stretch(300.0, 320.0, 1 / ROW_HZ, 12.0),
    ]


def test_without_a_place_rows_are_counted_but_lie_nowhere_and_memory_is_bounded() -> None:
    place = np.array([np.nan, -1.0, PLACE_BINS * PLACE_BIN_M, np.inf, PLACE_BINS * PLACE_BIN_M - 1.0])
    tally = tally_of(np.full((5, 1), 10.0), [20.0], place_m=place)
    assert int(tally.below[0]) == 5
    assert list(tally.places[0]) == [PLACE_BINS - 1]
    tally = tally_of(np.full((400_000, 1), 10.0), [20.0], place_m=np.arange(400_000) * 0.5)
    assert len(tally.places[0]) == PLACE_BINS
    assert {rows for rows, _ in tally.places[0].values()} == {40}


# ---------------------------------------------------------------- time to the limit


def falling(rate_mm_s: float, rows: int, start_mm: float = 50.0) -> Floats:
    """One point that comes down steadily, (rows, 1)."""
    time_s: Floats = np.arange(rows) / ROW_HZ
    return (start_mm - rate_mm_s * time_s)[:, np.newaxis]


def times(values: Floats, limits: list[float], cuts: list[int] | None = None, starts: int = 0) -> Floats:
    """Times of the rows; the stretch starts at row `starts` again."""
    watch = ClosingWatch(np.array(limits), ROW_HZ)
    found = []
    bounds = sorted({0, len(values), starts}) if cuts is None else [0, *sorted([*cuts, starts]), len(values)]
    whole = car_rows(len(values), heights_mm=values)
    for start, stop in itertools.pairwise(bounds):
        piece = car_rows(stop - start, 4 * start, heights_mm=values[start:stop], starts=start in {0, starts})
        found.append(watch.times_s(piece))
        np.testing.assert_array_equal(watch.newest_s, found[-1][-1] if stop > start else watch.newest_s)
    assert len(np.concatenate(found)) == len(whole)
    return np.concatenate(found)


def test_a_steady_fall_reaches_the_limit_when_it_should() -> None:
    """50 mm, falling 40 mm/s towards 20 mm: 0.75 s at the start, less by what has passed."""
    time_s = np.arange(250) / ROW_HZ
    found = times(falling(40.0, 250), [20.0])[:, 0]
    assert np.isnan(found[:25]).all()  # a tenth of a second must have been seen
    ahead = time_s < 0.75 - 1e-9
    ahead[:25] = False
    np.testing.assert_allclose(found[ahead], 0.75 - time_s[ahead], rtol=1e-9)
    assert np.isnan(found[time_s > 0.75 + 1e-9]).all()  # below the limit there is nothing to foresee


@pytest.mark.parametrize(("rate", "foreseen"), [(-40.0, False), (0.0, False), (9.9, False), (10.1, True)])
def test_what_rises_or_hardly_falls_has_no_time(rate: float, foreseen: bool) -> None:
    found = times(falling(rate, 100), [20.0])
    assert np.isfinite(found[25:]).all() == foreseen
    assert np.isfinite(found).any() == foreseen
    assert LEAST_CLOSING_MM_S == 10.0


def test_an_unknown_height_has_no_time_now_nor_a_tenth_of_a_second_later() -> None:
    values = falling(20.0, 150)
    values[50] = np.nan
    unknown = np.flatnonzero(np.isnan(times(values, [20.0])[:, 0])).tolist()
    assert unknown == [*range(25), 50, 75]


@given(rows=st.integers(1, 150), seed=st.integers(0, 100), data=st.data())
@settings(max_examples=60, deadline=None)
def test_any_split_gives_the_same_times(rows: int, seed: int, data: Any) -> None:
    generator = np.random.default_rng(seed)
    values = 40.0 + np.cumsum(generator.normal(size=(rows, 2)), axis=0)
    values[generator.random(rows) < 0.05] = np.nan
    starts = data.draw(st.integers(1, rows))
    cuts = data.draw(st.lists(st.integers(1, rows), max_size=8))
    whole = times(values, [30.0, 38.0], starts=min(starts, rows - 1))
    np.testing.assert_array_equal(times(values, [30.0, 38.0], cuts, starts=min(starts, rows - 1)), whole)


def test_nothing_is_foreseen_across_a_gap() -> None:
    values = falling(20.0, 200, 60.0)
    assert np.flatnonzero(np.isnan(times(values, [20.0], starts=100)[:, 0])).tolist() == [*range(25), *range(100, 125)]
    watch = ClosingWatch(np.array([20.0]), ROW_HZ)
    watch.times_s(car_rows(100, heights_mm=values[:100]))
    assert np.isfinite(watch.newest_s).all()
    # A stretch may begin with a block that holds no row of the grid.
    watch.times_s(car_rows(0, 400, heights_mm=values[:0]))
    assert np.isnan(watch.newest_s).all()
    assert np.isnan(watch.times_s(car_rows(25, 404, heights_mm=values[100:125], starts=False))).all()
