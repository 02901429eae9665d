"""Motion ratios and rates: round trips, integrals done by quadrature, and a two-mass model solved by scipy."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator
from scipy.linalg import eigh

from console.sheet_figures import corner_figures
from dsp.kinematics import MotionRatio, damping_ratio, ride_frequency_hz, ride_rate_n_mm, wheel_rate_n_mm
from tests.sheets import make_sheet

RISING = [(-40.0, 0.70), (-10.0, 0.74), (0.0, 0.80), (25.0, 0.95), (60.0, 0.97)]
FALLING = [(-50.0, 1.3), (5.0, 1.0), (50.0, 0.6)]
ALL_ABOVE_STATIC = [(10.0, 0.8), (30.0, 1.0)]
ALL_BELOW_STATIC = [(-30.0, 0.8), (-10.0, 1.0)]
TABLES = [RISING, FALLING, ALL_ABOVE_STATIC, ALL_BELOW_STATIC]


@pytest.mark.parametrize("table", TABLES)
def test_damper_travel_is_the_integral_of_the_ratio_from_static(table: list[tuple[float, float]]) -> None:
    linkage = MotionRatio(table)
    wheel, ratio = (list(column) for column in zip(*table, strict=True))
    for travel in (-80.0, -45.0, -10.0, -3.3, 0.0, 7.0, 25.0, 44.0, 90.0):
        knots = [x for x in wheel if min(0.0, travel) < x < max(0.0, travel)]
        area = quad(lambda x: float(np.interp(x, wheel, ratio)), 0.0, travel, points=knots or None)[0]
        assert linkage.to_damper(np.array([travel]))[0] == pytest.approx(area, abs=1e-9)


@pytest.mark.parametrize("table", [*TABLES, 0.8, 1, 1.35])
@given(wheel=st.lists(st.floats(-120, 120), max_size=30))
@settings(max_examples=60, deadline=None)
def test_there_and_back(table: float | list[tuple[float, float]], wheel: list[float]) -> None:
    linkage = MotionRatio(table)
    travel = np.array(wheel, dtype=float)
    np.testing.assert_allclose(linkage.to_wheel(linkage.to_damper(travel)), travel, atol=1e-9)
    np.testing.assert_allclose(linkage.to_damper(linkage.to_wheel(travel)), travel, atol=1e-9)


@pytest.mark.parametrize("table", [*TABLES, 0.8])
def test_static_is_static(table: float | list[tuple[float, float]]) -> None:
    linkage = MotionRatio(table)
    assert linkage.to_damper(np.array([0.0]))[0] == 0.0
    assert linkage.to_wheel(np.array([0.0]))[0] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("table", TABLES)
def test_the_slope_of_damper_travel_is_the_ratio_everywhere_and_has_no_steps(table: list[tuple[float, float]]) -> None:
    linkage = MotionRatio(table)
    wheel = np.linspace(-90.0, 90.0, 3601)
    slope = np.gradient(linkage.to_damper(wheel), wheel)
    knots, ratios = np.array(table).T
    expected = np.interp(wheel, knots, ratios)
    np.testing.assert_allclose(slope[1:-1], expected[1:-1], atol=1e-3)
    assert [linkage.ratio_at(float(x)) for x in wheel[::200]] == pytest.approx(expected[::200].tolist())


def test_beyond_the_table_the_end_ratios_hold() -> None:
    linkage = MotionRatio(RISING)
    far = linkage.to_damper(np.array([-100.0, -60.0, 80.0, 100.0]))
    assert far[1] - far[0] == pytest.approx(40.0 * 0.70)
    assert far[3] - far[2] == pytest.approx(20.0 * 0.97)


@pytest.mark.parametrize("table", [RISING, 0.8])
def test_unknown_stays_unknown_and_alone(table: float | list[tuple[float, float]]) -> None:
    linkage = MotionRatio(table)
    for convert in (linkage.to_wheel, linkage.to_damper):
        found = convert(np.array([1.0, np.nan, -70.0, np.nan, 90.0]))
        assert np.isnan(found).tolist() == [False, True, False, True, False]
        assert convert(np.empty(0)).shape == (0,)


def test_the_ratio_is_damper_per_wheel() -> None:
    assert MotionRatio(0.8).to_wheel(np.array([8.0]))[0] == pytest.approx(10.0)
    assert MotionRatio(0.8).to_damper(np.array([10.0]))[0] == pytest.approx(8.0)
    assert MotionRatio(0.8).ratio_at(55.0) == 0.8
    assert MotionRatio(0.8).slope_at(55.0) == 0.0


def test_the_ratios_slope_is_that_of_its_piece_and_none_beyond() -> None:
    linkage = MotionRatio(RISING)
    places = {-50.0: 0.0, -40.0: 0.04 / 30, -1.0: 0.006, 0.0: 0.006, 24.9: 0.006, 25.0: 0.02 / 35, 60.0: 0.0, 70.0: 0.0}
    for wheel, slope in places.items():
        assert linkage.slope_at(wheel) == pytest.approx(slope), wheel


TRAVELS = [(-60.0, -43.0), (-40.0, -30.0), (-15.0, -12.0), (0.0, 0.5), (20.0, 17.5), (60.0, 56.0)]
# Static lies between two rows, on a piece that bends.
BETWEEN = [(-55.0, -46.0), (-7.0, -4.0), (9.0, 8.0), (14.0, 14.0), (45.0, 44.0), (50.0, 46.5)]
GIVEN_BY_TRAVELS = [TRAVELS, BETWEEN]


@pytest.mark.parametrize("table", GIVEN_BY_TRAVELS)
def test_travels_are_a_monotone_cubic_through_their_rows_moved_to_static(table: list[tuple[float, float]]) -> None:
    linkage = MotionRatio(travels=table)
    knots, damper = np.array(table).T
    oracle = PchipInterpolator(knots, damper)
    wheel = np.linspace(knots[0], knots[-1], 3001)
    np.testing.assert_allclose(linkage.to_damper(wheel), oracle(wheel) - oracle(0.0), rtol=0, atol=1e-12)
    assert linkage.to_damper(np.zeros(1))[0] == pytest.approx(0.0, abs=1e-14)
    assert [linkage.ratio_at(x) for x in wheel[::250].tolist()] == pytest.approx(oracle(wheel[::250], nu=1).tolist())


@pytest.mark.parametrize("table", GIVEN_BY_TRAVELS)
def test_travels_there_and_back(table: list[tuple[float, float]]) -> None:
    linkage = MotionRatio(travels=table)
    travel = np.linspace(-150.0, 150.0, 50_021)
    np.testing.assert_allclose(linkage.to_wheel(linkage.to_damper(travel)), travel, rtol=0, atol=1e-9)
    np.testing.assert_allclose(linkage.to_damper(linkage.to_wheel(travel)), travel, rtol=0, atol=1e-9)


@pytest.mark.parametrize("table", GIVEN_BY_TRAVELS)
def test_travels_have_a_ratio_without_steps_that_holds_beyond(table: list[tuple[float, float]]) -> None:
    linkage = MotionRatio(travels=table)
    wheel = np.linspace(-90.0, 90.0, 90_001)
    damper = linkage.to_damper(wheel)
    ratio = linkage.ratio_of(damper)
    assert ratio.min() > 0
    assert np.abs(np.diff(ratio)).max() < 0.02
    np.testing.assert_allclose(ratio[1:-1], np.gradient(damper, wheel)[1:-1], atol=5e-3)
    ends = linkage.ratio_of(linkage.to_damper(np.array([-200.0, table[0][0], table[-1][0], 200.0])))
    assert ends[0] == pytest.approx(ends[1], rel=1e-9)
    assert ends[3] == pytest.approx(ends[2], rel=1e-9)
    assert (linkage.slope_at(-80.0), linkage.slope_at(80.0)) == (0.0, 0.0)


def test_a_table_of_ratios_and_the_travels_it_makes_are_the_same_linkage() -> None:
    by_ratio = MotionRatio([(-60.0, 0.7), (60.0, 1.0)])
    wheel = np.linspace(-60.0, 60.0, 25)
    by_travels = MotionRatio(travels=list(zip(wheel.tolist(), by_ratio.to_damper(wheel).tolist(), strict=True)))
    places = np.linspace(-40.0, 45.0, 997)
    np.testing.assert_allclose(by_travels.to_wheel(places), by_ratio.to_wheel(places), rtol=0, atol=2e-3)
    np.testing.assert_allclose(by_travels.ratio_of(places), by_ratio.ratio_of(places), rtol=1e-3)
    assert by_travels.slope_at(0.0) == pytest.approx(by_ratio.slope_at(0.0), rel=0.02)


ANY_WAY: list[dict[str, Any]] = [
    {"ratio": 0.8},
    {"ratio": RISING},
    {"ratio": FALLING},
    {"travels": TRAVELS},
    {"travels": BETWEEN},
]


@pytest.mark.parametrize("given_as", ANY_WAY)
def test_the_local_ratio_is_the_one_at_the_wheels_travel(given_as: dict[str, Any]) -> None:
    linkage = MotionRatio(**given_as)
    damper = np.linspace(-90.0, 90.0, 301)
    expected = [linkage.ratio_at(x) for x in linkage.to_wheel(damper).tolist()]
    np.testing.assert_allclose(linkage.ratio_of(damper), expected, rtol=1e-7)


@pytest.mark.parametrize("given_as", ANY_WAY)
def test_the_wheels_velocity_is_the_change_of_its_travel(given_as: dict[str, Any]) -> None:
    linkage = MotionRatio(**given_as)
    time_s = np.linspace(0.0, 1.0, 200_001)
    damper = 5.0 + 60.0 * np.sin(2.0 * math.pi * time_s)
    velocity = 120.0 * math.pi * np.cos(2.0 * math.pi * time_s)
    moved = np.gradient(linkage.to_wheel(damper), time_s)
    np.testing.assert_allclose(linkage.wheel_velocity(damper, velocity)[1:-1], moved[1:-1], rtol=0, atol=0.5)


def test_a_constant_ratio_needs_no_position_for_a_velocity() -> None:
    lost = np.array([np.nan, 3.0])
    assert MotionRatio(0.5).wheel_velocity(lost, np.array([10.0, 20.0])).tolist() == [20.0, 40.0]
    assert MotionRatio(0.5).ratio_of(lost).tolist() == [0.5, 0.5]
    for linkage in (MotionRatio(RISING), MotionRatio(travels=TRAVELS)):
        found = linkage.wheel_velocity(lost, np.array([10.0, 20.0]))
        assert np.isnan(found).tolist() == [True, False]


@pytest.mark.parametrize("given_as", ANY_WAY)
@given(cuts=st.lists(st.integers(0, 200), max_size=8))
@settings(max_examples=25, deadline=None)
def test_any_split_gives_the_same_bits(given_as: dict[str, Any], cuts: list[int]) -> None:
    linkage = MotionRatio(**given_as)
    travel = np.random.default_rng(5).uniform(-90.0, 90.0, 200)
    travel[::13] = np.nan
    edges = [0, *sorted(cuts), 200]
    for convert in (linkage.to_wheel, linkage.to_damper, linkage.ratio_of):
        parts = [convert(travel[a:b]) for a, b in itertools.pairwise(edges)]
        assert np.concatenate(parts).tobytes() == convert(travel).tobytes()


def test_the_sheets_linkage_is_taken_whichever_way_it_is_given() -> None:
    sheet = make_sheet(
        {
            "axle.front.motion_ratio_damper_per_wheel": RISING,
            "corner.FR.damper_against_wheel_mm": TRAVELS,
            "corner.RR.motion_ratio_damper_per_wheel": 0.5,
        }
    )
    places = np.array([-20.0, 12.0])
    expected = {
        "FL": MotionRatio(RISING),
        "FR": MotionRatio(travels=TRAVELS),
        "RL": MotionRatio(0.8),
        "RR": MotionRatio(0.5),
    }
    for corner, linkage in expected.items():
        found = MotionRatio.of(sheet.suspension(corner))
        assert found.to_wheel(places).tolist() == linkage.to_wheel(places).tolist()
    for wrong in ({}, {"ratio": 0.8, "travels": TRAVELS}):
        with pytest.raises(ValueError, match="either by its ratio or by its travels"):
            MotionRatio(**wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize("given_as", [{"ratio": [(-50.0, 0.70), (50.0, 0.90)]}, {"travels": TRAVELS}])
def test_the_wheel_rate_is_the_change_of_the_wheels_force(given_as: dict[str, Any]) -> None:
    # The wheel force MR(z) F(damper travel) differentiated numerically, between rows and at static, which is a row.
    linkage = MotionRatio(**given_as)
    rate, static_force = 100.0, 2000.0

    def spring_force(z: float) -> float:
        return static_force + rate * float(linkage.to_damper(np.array([z]))[0])

    for z in (-20.0, 0.0, 30.0):
        above, below = (linkage.ratio_at(x) * spring_force(x) for x in (z + 1e-4, z - 1e-4))
        found = wheel_rate_n_mm(rate, linkage.ratio_at(z), spring_force(z), linkage.slope_at(z))
        assert found == pytest.approx((above - below) / 2e-4, rel=1e-5)


def test_the_ride_rate_is_two_springs_in_series() -> None:
    assert 1.0 / ride_rate_n_mm(40.0, 250.0) == pytest.approx(1.0 / 40.0 + 1.0 / 250.0)
    assert ride_rate_n_mm(40.0, None) == 40.0


def test_the_ride_frequency_is_near_the_first_mode_of_two_masses() -> None:
    # The one-mass formula against the eigenvalues of the two-mass model, for a light unsprung mass.
    sprung, unsprung, spring, tyre = 300.0, 3.0, 30.0, 250.0
    stiffness = 1000.0 * np.array([[spring, -spring], [-spring, spring + tyre]])
    first = math.sqrt(eigh(stiffness, np.diag([sprung, unsprung]), eigvals_only=True)[0]) / (2 * math.pi)
    assert ride_frequency_hz(ride_rate_n_mm(spring, tyre), sprung) == pytest.approx(first, rel=1e-3)


def test_the_damping_ratio_is_that_of_the_decay() -> None:
    # Free decay of one mass: two peaks a period apart differ by exp(-2 pi zeta / sqrt(1 - zeta^2)).
    coefficient, motion_ratio, rate, mass = 2.5, 0.8, 45.0, 260.0
    zeta = damping_ratio(coefficient, motion_ratio, rate, mass)
    at_wheel = 1000.0 * coefficient * motion_ratio**2
    roots = np.roots([mass, at_wheel, 1000.0 * rate])
    assert zeta == pytest.approx(float(-roots[0].real / abs(roots[0])), rel=1e-12)


def test_the_sheets_report_uses_the_static_point() -> None:
    table = [[-60.0, 0.70], [60.0, 0.90]]
    sheet = make_sheet(
        {
            "axle.front.motion_ratio_damper_per_wheel": table,
            "axle.front.tyre_rate_n_mm": 250.0,
            "axle.front.unsprung_mass_kg": 20.0,
            "axle.front.damper": {"curve": [[-100.0, -400.0], [0.0, 0.0], [100.0, 300.0]]},
        }
    )
    found = corner_figures(sheet, "FR")
    sprung = 900.0 * 0.45 / 2 - 20.0
    wheel_rate = 120.0 * 0.8**2 + sprung * 9.80665 / 0.8 * (0.2 / 120.0)
    assert found.motion_ratio == pytest.approx(0.8)
    assert found.wheel_rate_n_mm == pytest.approx(wheel_rate)
    assert found.ride_rate_n_mm == pytest.approx(1.0 / (1.0 / wheel_rate + 1.0 / 250.0))
    assert found.ride_frequency_hz == pytest.approx(math.sqrt(1000.0 * found.ride_rate_n_mm / sprung) / (2 * math.pi))
    critical = 2.0 * math.sqrt(1000.0 * wheel_rate * sprung)
    assert found.damping_ratio_compression == pytest.approx(3000.0 * 0.64 / critical)
    assert found.damping_ratio_rebound == pytest.approx(4000.0 * 0.64 / critical)
    linkage = MotionRatio([(-60.0, 0.70), (60.0, 0.90)])
    assert linkage.to_damper(np.array([found.full_bump_wheel_mm]))[0] == pytest.approx(45.0)
    assert linkage.to_damper(np.array([-found.droop_wheel_mm]))[0] == pytest.approx(-40.0)
    assert math.isnan(corner_figures(sheet, "RL").damping_ratio_rebound)
