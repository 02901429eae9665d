"""Monotone curves through tables: against scipy, closed forms and finite differences, there and back, any split."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from ingest.chunk import Floats
from ingest.curve import MonotoneCurve

Table = list[tuple[float, float]]

LINKAGE = [(-60.0, -43.0), (-40.0, -30.0), (-15.0, -12.0), (0.0, 0.5), (20.0, 17.5), (60.0, 56.0)]
FALLING = [(-10.0, 12.0), (0.0, 0.0), (10.0, -20.0), (15.0, -26.0)]
# scipy's rule makes the slope at the left end of the first, and at the right end of the second, exactly 0.
FLAT_LEFT = [(0.0, 0.0), (1.0, 1.0), (2.0, 6.0)]
FLAT_RIGHT = [(0.0, 0.0), (1.0, 5.0), (2.0, 6.0)]
# Flat treads between steep rises, to the limits of what a sheet takes: ratios of 0.01 and 5.
STAIRS = [(4.0 * k + 3.0 * half, 5.03 * k + 0.03 * half) for k in range(-10, 10) for half in (0, 1)]
# One piece that is left with nearly three times, and entered with nearly three times, its mean slope.
STEEP_ENDS = [(0.0, 0.0), (0.1, 10.0), (10.0, 11.0), (10.1, 21.0)]
TABLES = [LINKAGE, FALLING, FLAT_LEFT, FLAT_RIGHT, STAIRS, STEEP_ENDS, [(0.0, 3.0), (7.0, -1.0)]]


def inside(table: Table, points: int = 4001) -> Floats:
    return np.linspace(table[0][0], table[-1][0], points)


@pytest.mark.parametrize("table", [LINKAGE, FALLING])
def test_it_is_scipys_monotone_cubic(table: Table) -> None:
    curve, oracle = MonotoneCurve.through(table), PchipInterpolator(*np.array(table).T)
    x = inside(table)
    np.testing.assert_allclose(curve(x), oracle(x), rtol=0, atol=1e-12)
    np.testing.assert_allclose(curve.slope(x), oracle(x, nu=1), rtol=0, atol=1e-12)
    between = (np.array(table)[1:, 0] + np.array(table)[:-1, 0]) / 2.0
    assert [curve.bend(float(z)) for z in between] == pytest.approx(oracle(between, nu=2).tolist(), abs=1e-12)


@pytest.mark.parametrize("table", TABLES)
def test_it_meets_every_row_and_keeps_the_sign_of_its_slope(table: Table) -> None:
    curve = MonotoneCurve.through(table)
    rows = np.array(table)
    np.testing.assert_array_equal(curve(rows[:, 0]), rows[:, 1])
    sign = np.sign(rows[1, 1] - rows[0, 1])
    assert (sign * curve.slope(np.linspace(rows[0, 0] - 5.0, rows[-1, 0] + 5.0, 20_001)) > 0).all()


@pytest.mark.parametrize("table", TABLES)
def test_the_slope_has_no_steps_and_is_that_of_the_values(table: Table) -> None:
    curve = MonotoneCurve.through(table)
    for knot, _ in table:
        below, at, above = curve.slope(np.array([np.nextafter(knot, -np.inf), knot, np.nextafter(knot, np.inf)]))
        assert below == pytest.approx(at, rel=1e-9)
        assert above == pytest.approx(at, rel=1e-9)
    step = 1e-6 * (table[-1][0] - table[0][0])
    x = np.linspace(table[0][0] - 1.0, table[-1][0] + 1.0, 997)
    slopes = (curve(x + step) - curve(x - step)) / (2.0 * step)
    np.testing.assert_allclose(curve.slope(x), slopes, rtol=1e-4)


@pytest.mark.parametrize("table", TABLES)
def test_beyond_the_rows_the_end_slopes_go_on(table: Table) -> None:
    curve = MonotoneCurve.through(table)
    for (x, y), outward in ((table[0], -1.0), (table[-1], 1.0)):
        slope = float(curve.slope(np.array([x]))[0])
        np.testing.assert_allclose(curve(np.array([x + 8.0 * outward])), [y + 8.0 * outward * slope], rtol=1e-12)
        assert curve.bend(x + outward) == 0.0


@pytest.mark.parametrize(("table", "end", "mean"), [(FLAT_LEFT, 0, 1.0), (FLAT_RIGHT, -1, 1.0)])
def test_an_end_is_never_flat(table: Table, end: int, mean: float) -> None:
    x = np.array([table[end][0]])
    assert PchipInterpolator(*np.array(table).T)(x, nu=1)[0] == 0.0
    assert MonotoneCurve.through(table).slope(x)[0] == mean / 4.0


def test_two_rows_are_a_line() -> None:
    curve = MonotoneCurve.through([(1.0, 2.0), (4.0, 11.0)])
    x = np.linspace(-10.0, 10.0, 101)
    np.testing.assert_allclose(curve(x), 3.0 * x - 1.0, rtol=0, atol=1e-13)
    assert (curve.slope(x) == 3.0).all()
    assert [curve.bend(z) for z in (1.0, 2.0, 4.0)] == [0.0, 0.0, 0.0]


def test_the_bend_at_a_row_is_the_mean_of_both_sides() -> None:
    # A parabola with equal rows: the two sides err by as much in opposite directions, so that the mean is exact.
    curve = MonotoneCurve.through([(x, 0.8 * x + 0.001 * x * x) for x in (-40.0, -20.0, 0.0, 20.0, 40.0)])
    assert curve.bend(0.0) == pytest.approx(0.002, rel=0.01)
    assert abs(curve.bend(1e-9) - 0.002) > 1e-4
    assert curve.bend(-40.0) == pytest.approx(curve.bend(-40.0 + 1e-9))
    assert curve.bend(40.0) == pytest.approx(curve.bend(40.0 - 1e-9))


@pytest.mark.parametrize("table", TABLES)
def test_there_and_back(table: Table) -> None:
    curve = MonotoneCurve.through(table)
    inverse = curve.inverse()
    width = table[-1][0] - table[0][0]
    x = np.linspace(table[0][0] - width, table[-1][0] + width, 30_011)
    np.testing.assert_allclose(inverse(curve(x)), x, rtol=0, atol=1e-9)
    y = curve(x)
    np.testing.assert_allclose(curve(inverse(y)), y, rtol=0, atol=1e-9 * max(1.0, np.abs(curve.slope(x)).max()))
    np.testing.assert_allclose(inverse.slope(y) * curve.slope(x), 1.0, rtol=1e-6)


def test_an_inverse_has_a_bounded_number_of_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    linkage = MonotoneCurve.through(LINKAGE).inverse()
    assert 100 < len(linkage.x) < 2000
    monkeypatch.setattr("ingest.curve._MOST_ROWS", 150)
    coarser = MonotoneCurve.through(LINKAGE).inverse()
    assert len(coarser.x) <= 150
    y = np.linspace(-50.0, 60.0, 501)
    np.testing.assert_allclose(coarser(y), linkage(y), rtol=0, atol=1e-3)


@given(
    steps=st.lists(st.tuples(st.floats(1.0, 40.0), st.floats(0.3, 1.5)), min_size=1, max_size=12),
    falling=st.booleans(),
)
@settings(max_examples=40, deadline=None)
def test_any_table_there_and_back(steps: list[tuple[float, float]], falling: bool) -> None:
    x = np.concatenate(([0.0], np.cumsum([step for step, _ in steps])))
    y = np.concatenate(([0.0], np.cumsum([step * ratio for step, ratio in steps]))) * (-1.0 if falling else 1.0)
    curve = MonotoneCurve.through(list(zip(x.tolist(), y.tolist(), strict=True)))
    places = np.linspace(x[0] - 10.0, x[-1] + 10.0, 3001)
    np.testing.assert_allclose(curve.inverse()(curve(places)), places, rtol=0, atol=1e-9)
    slopes = curve.slope(places)
    assert ((slopes < 0) == falling).all()


@given(cuts=st.lists(st.integers(0, 300), max_size=8))
@settings(max_examples=30, deadline=None)
def test_any_split_gives_the_same_bits(cuts: list[int]) -> None:
    curve = MonotoneCurve.through(LINKAGE)
    x = np.random.default_rng(3).uniform(-90.0, 90.0, 300)
    x[::17] = np.nan
    edges = [0, *sorted(cuts), 300]
    for function in (curve, curve.slope, curve.inverse(), curve.inverse().slope):
        parts = [function(x[a:b]) for a, b in itertools.pairwise(edges)]
        assert np.concatenate(parts).tobytes() == function(x).tobytes()
        assert (np.isnan(function(x)) == np.isnan(x)).all()
