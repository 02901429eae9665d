"""Damper speed by stretch of the lap: sums against numpy, any split, gaps, laps, and places that are unknown."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.frame import CarBlock
from dsp.position_scales import CLIP_MM_S, STRETCH_M, PositionScales, Stretch, mean_travel_mm, speeds_mm_s
from tests.dsp.car_blocks import car_block

ROWS = 1200
LAP_ROWS = 500


def drive(*, unknown: bool = False) -> CarBlock:
    """Three laps at 0.4 m a row, 200 m each."""
    random = np.random.default_rng(3)
    velocity = random.normal(0.0, 90.0, (ROWS, 4))
    if unknown:
        velocity[310, 2] = np.nan
    place = np.asarray(np.arange(ROWS) % LAP_ROWS * 0.4, dtype=np.float64)
    return car_block(ROWS, damper_velocity_mm_s=velocity, damper_mm=random.normal(0.0, 9.0, (ROWS, 4)), place_m=place)


def starts(car: CarBlock) -> list[int]:
    return [car.sample(row) for row in range(0, ROWS, LAP_ROWS)]


def plain(found: list[Stretch]) -> list[tuple[object, ...]]:
    return [
        (
            *(one.lap, one.number, one.first_sample, one.end_sample, one.rows),
            *(array.tolist() for array in (one.moved, one.squares, one.placed, one.travel)),
        )
        for one in found
    ]


def test_sums_are_those_of_the_samples() -> None:
    car = drive()
    found = PositionScales().process(car, starts(car), last=True)
    assert [(one.lap, one.number) for one in found] == [
        (lap, n) for lap in range(3) for n in range(4 if lap < 2 else 2)
    ]
    for one in found:
        rows = slice(car.rows_before(one.first_sample), car.rows_before(one.end_sample))
        clipped = np.clip(car.damper_velocity_mm_s[rows], -CLIP_MM_S, CLIP_MM_S)
        both = np.sqrt((clipped**2).mean(axis=0))
        rebound = np.sqrt((np.minimum(clipped, 0.0) ** 2).mean(axis=0))
        assert speeds_mm_s([one])[0][2] == pytest.approx(both, abs=0.05)
        assert speeds_mm_s([one])[0][1] == pytest.approx(rebound, abs=0.05)
        assert mean_travel_mm([one])[0] == pytest.approx(car.damper_mm[rows].mean(axis=0), abs=0.01)
        assert np.unique(car.place_m[rows] // STRETCH_M).tolist() == [one.number]


@given(st.lists(st.integers(0, ROWS), max_size=8))
def test_any_split_gives_the_same_integers(cuts: list[int]) -> None:
    car = drive(unknown=True)
    whole = PositionScales().process(car, starts(car), last=True)
    scales, found = PositionScales(), []
    edges = [0, *sorted(cuts), ROWS]
    for begin, stop in itertools.pairwise(edges):
        part = car.part(begin, stop)
        here = [one for one in starts(car) if car.sample(begin) <= one < car.sample(stop)]
        found += scales.process(part, here)
    found += scales.process(car.part(ROWS, ROWS), last=True)
    assert plain(found) == plain(whole)


def test_a_missing_row_leaves_the_stretch_unknown() -> None:
    car = drive(unknown=True)
    found = PositionScales().process(car, starts(car), last=True)
    (holed,) = [one for one in found if np.isnan(speeds_mm_s([one])[0][2, 2])]
    assert (holed.lap, holed.number) == (0, 2)
    assert np.isfinite(speeds_mm_s([holed])[0][2, [0, 1, 3]]).all()


def test_without_a_place_a_lap_is_one_stretch() -> None:
    car = drive()
    car.place_m[:] = np.nan
    found = PositionScales().process(car, starts(car), last=True)
    assert [(one.lap, one.number, one.rows) for one in found] == [(0, 0, 500), (1, 0, 500), (2, 0, 200)]


def test_an_unknown_place_belongs_to_the_stretch_before_it() -> None:
    car, other = drive(), drive()
    car.place_m[200:204] = np.nan
    assert plain(PositionScales().process(car, starts(car))) == plain(PositionScales().process(other, starts(other)))


def test_a_gap_ends_the_stretch() -> None:
    scales = PositionScales()
    car = drive()
    scales.process(car.part(0, 30), starts(car)[:1])
    (ended,) = scales.process(car.part(0, 0), [])  # the first part starts a stretch, and so does this one
    assert ended.rows == 30
    assert scales.under_way is None
