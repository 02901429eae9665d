"""Calibration against closed forms, and chunk by chunk against the whole."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from ingest.calibration import Calibration, readings_at
from ingest.chunk import CORNERS, Floats
from tests.sheets import make_sheet


def travel_of(sensor: dict[str, Any], readings: list[float]) -> Floats:
    """Damper travel in mm of one sensor, on the left front corner."""
    sensors = np.zeros((len(readings), 4), order="F")
    sensors[:, 0] = readings
    return Calibration(make_sheet({"corner.FL.sensor": sensor})).process(sensors)[:, 0]


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("inch", 25.4)])
def test_a_length_is_converted_to_mm(unit: str, mm: float) -> None:
    np.testing.assert_allclose(travel_of({"unit": unit}, [0.0, 1.0, -2.5]), [0.0, mm, -2.5 * mm], rtol=1e-15)


@pytest.mark.parametrize("unit", ["V", "mV", "counts", "mm"])
def test_two_points_define_a_line(unit: str) -> None:
    sensor = {"unit": unit, "points": [[0.5, -20.0], [4.5, 60.0]]}
    np.testing.assert_allclose(travel_of(sensor, [0.5, 4.5, 2.5, 5.0]), [-20.0, 60.0, 20.0, 70.0], rtol=1e-14)


def test_polarity_comes_before_the_zero() -> None:
    rising = {"unit": "mm", "zero_mm": 3.0}
    falling = {"unit": "mm", "zero_mm": 3.0, "compression": "decreases"}
    np.testing.assert_array_equal(travel_of(rising, [10.0]), [7.0])
    np.testing.assert_array_equal(travel_of(falling, [10.0]), [-13.0])


def test_corners_are_calibrated_each_for_itself() -> None:
    sheet = make_sheet({f"corner.{corner}.sensor.zero_mm": float(k) for k, corner in enumerate(CORNERS)})
    np.testing.assert_array_equal(Calibration(sheet).process(np.full((1, 4), 10.0)), [[10.0, 9.0, 8.0, 7.0]])


@pytest.mark.parametrize("at_zero_deg", [0.0, 25.0, -40.0])
@pytest.mark.parametrize("unit", ["deg", "rad"])
def test_a_lever_follows_the_sine(unit: str, at_zero_deg: float) -> None:
    sensor = {
        "kind": "rotary",
        "unit": unit,
        "lever": {"radius_mm": 50.0, "angle_at_zero_deg": at_zero_deg},
        "compression": "decreases",
        "zero_mm": 2.0,
        "damper_per_sensor": 1.5,
    }
    degrees = [-30.0, -1.0, 0.0, 12.0, 45.0]
    readings = degrees if unit == "deg" else [math.radians(value) for value in degrees]
    expected = [
        -1.5 * 50.0 * (math.sin(math.radians(at_zero_deg + value)) - math.sin(math.radians(at_zero_deg))) - 2.0
        for value in degrees
    ]
    np.testing.assert_allclose(travel_of(sensor, readings), expected, rtol=1e-12, atol=1e-12)


def test_a_lever_at_small_angles_is_radius_times_angle() -> None:
    sensor = {"kind": "rotary", "unit": "rad", "lever": {"radius_mm": 80.0}}
    # sin x = x - x^3/6: at 0.01 rad the two differ by 1.7e-5 of the angle.
    np.testing.assert_allclose(travel_of(sensor, [0.01, -0.01]), [0.8, -0.8], rtol=2e-5)


def test_a_rotary_sensor_read_in_volts_takes_points_in_degrees() -> None:
    sensor = {"kind": "rotary", "unit": "V", "points": [[0.0, -30.0], [5.0, 30.0]], "lever": {"radius_mm": 10.0}}
    np.testing.assert_allclose(travel_of(sensor, [5.0, 2.5, 0.0]), [5.0, 0.0, -5.0], atol=1e-12)


def test_a_rotary_table_is_a_smooth_curve_and_prolonged_beyond() -> None:
    table = [[-10, -5], [0, 0], [10, 8], [25, 19]]
    sensor = {"kind": "rotary", "unit": "deg", "table": table, "zero_mm": 0.25}
    oracle = PchipInterpolator(*np.array(table, dtype=float).T)
    readings = np.linspace(-10.0, 25.0, 701)
    np.testing.assert_allclose(travel_of(sensor, readings.tolist()), oracle(readings) - 0.25, rtol=0, atol=1e-12)
    below, above = oracle(-10.0, nu=1), oracle(25.0, nu=1)
    np.testing.assert_allclose(travel_of(sensor, [-30.0, 40.0]), [-5 - 20 * below - 0.25, 19 + 15 * above - 0.25])


@pytest.mark.parametrize("key", ["table", "damper_per_sensor"])
def test_a_steady_movement_through_a_table_has_no_steps_in_its_velocity(key: str) -> None:
    # An arm of 40 mm, tabled every 10 degrees: 40 sin x. Straight lines between rows would step by 1.2 mm/rad and more.
    degrees = np.linspace(-60.0, 60.0, 12_001)
    table = [[x, 40.0 * math.sin(math.radians(x))] for x in range(-70, 80, 10)]
    kind: dict[str, Any] = {"kind": "rotary", "unit": "deg"} if key == "table" else {"unit": "mm"}
    travel = travel_of(kind | {key: table}, degrees.tolist())
    slope = np.diff(travel) / np.diff(degrees)
    np.testing.assert_allclose(travel, 40.0 * np.sin(np.radians(degrees)), rtol=0, atol=0.02)
    steepest_bend = 40.0 * math.radians(1.0) ** 2
    assert np.abs(np.diff(slope)).max() < 2.0 * steepest_bend * 0.01


def test_two_rows_are_a_straight_line() -> None:
    sensor = {"unit": "mm", "damper_per_sensor": [[-10, 12], [0, 2]], "zero_mm": 0.5, "compression": "decreases"}
    readings = [-30.0, -10.0, -3.0, 0.0, 40.0]
    np.testing.assert_allclose(travel_of(sensor, readings), [x - 2.5 for x in readings], rtol=0, atol=1e-12)


def test_a_sensor_elsewhere_on_the_linkage_by_ratio_and_by_table() -> None:
    ratio = {"unit": "mm", "damper_per_sensor": 0.5, "zero_mm": 1.0, "compression": "decreases"}
    np.testing.assert_allclose(travel_of(ratio, [10.0, -4.0]), [-6.0, 1.0])
    table = {"unit": "cm", "damper_per_sensor": [[-10, 20], [0, 0], [10, -20]], "compression": "decreases"}
    np.testing.assert_allclose(travel_of(table, [-1.0, 0.0, 0.5, 2.0]), [-20.0, 0.0, 10.0, 40.0], atol=1e-13)


def test_a_lever_and_a_linkage_table_follow_each_other() -> None:
    sensor = {
        "kind": "rotary",
        "unit": "deg",
        "lever": {"radius_mm": 20.0},
        "damper_per_sensor": [[-10, -5], [0, 0], [10, 20], [20, 45]],
        "zero_mm": 0.5,
    }
    # 20 mm x sin 30 degrees is 10 mm, a row of the linkage's table.
    np.testing.assert_allclose(travel_of(sensor, [30.0, -30.0]), [19.5, -5.5], atol=1e-12)


@pytest.mark.parametrize(
    "sensor",
    [
        {"unit": "mm"},
        {"kind": "rotary", "unit": "deg", "lever": {"radius_mm": 20.0}},
        {"kind": "rotary", "unit": "deg", "table": [[-10, -5], [0, 0], [10, 8]]},
        {"unit": "mm", "damper_per_sensor": [[-10, 12], [0, 0]]},
        {"unit": "m"},
    ],
)
def test_what_is_not_finite_becomes_nan_and_stays_in_its_place(sensor: dict[str, Any]) -> None:
    got = travel_of(sensor, [1.0, math.nan, math.inf, -math.inf, 1.0])
    assert np.isfinite(got).tolist() == [True, False, False, False, True]
    assert np.isnan(got[1:4]).all()


def test_a_reading_that_overflows_is_not_known() -> None:
    assert np.isnan(travel_of({"unit": "m"}, [1e308])).all()


def test_the_result_is_column_major_and_new() -> None:
    sensors = np.ones((5, 4))
    travel_mm = Calibration(make_sheet()).process(sensors)
    assert travel_mm.flags.f_contiguous
    assert not np.shares_memory(travel_mm, sensors)


def test_no_samples_give_no_samples() -> None:
    assert Calibration(make_sheet()).process(np.empty((0, 4))).shape == (0, 4)


EVERY_KIND = {
    "corner.FL.sensor": {"unit": "V", "points": [[0.3, -17.0], [4.7, 71.0]], "zero_mm": 1.7},
    "corner.FR.sensor": {
        "kind": "rotary",
        "unit": "rad",
        "lever": {"radius_mm": 47.0, "angle_at_zero_deg": 11.0},
        "compression": "decreases",
    },
    "corner.RL.sensor": {"kind": "rotary", "unit": "deg", "table": [[-40, -19], [3, 1], [50, 33]]},
    "corner.RR.sensor": {"unit": "inch", "damper_per_sensor": [[-60, 31], [1, 0.5], [60, -44]]},
}


@given(seed=st.integers(0, 2**32 - 1), cuts=st.lists(st.integers(0, 97), max_size=12), by_rows=st.booleans())
def test_any_split_gives_the_same_bits(seed: int, cuts: list[int], by_rows: bool) -> None:
    calibration = Calibration(make_sheet(EVERY_KIND))
    random = np.random.default_rng(seed)
    sensors = np.array(random.uniform(-5.0, 5.0, (97, 4)), order="C" if by_rows else "F")
    sensors[random.random(sensors.shape) < 0.05] = np.nan
    edges = [0, *sorted(cuts), 97]
    parts = [calibration.process(sensors[a:b]) for a, b in itertools.pairwise(edges)]
    assert np.concatenate(parts).tobytes() == np.ascontiguousarray(calibration.process(sensors)).tobytes()


@pytest.mark.parametrize("changes", [{}, EVERY_KIND], ids=["mm", "every kind"])
def test_readings_lead_back_to_their_travel(changes: dict[str, Any]) -> None:
    sheet = make_sheet(changes)
    travels_mm = np.array([[-12.0] * 4, [0.0] * 4, [4.3, 3.0, 2.0, 9.0]])
    readings = readings_at(sheet, travels_mm)
    np.testing.assert_allclose(Calibration(sheet).process(readings), travels_mm, atol=0.01)


def test_readings_are_those_of_the_points_and_unknown_beyond_a_lever() -> None:
    sheet = make_sheet(
        {
            "corner.FL.sensor": {"unit": "V", "points": [[0.5, -50.0], [4.5, 50.0]], "compression": "decreases"},
            "corner.FR.sensor": {"unit": "m"},
            "corner.RL.sensor": {"kind": "rotary", "unit": "deg", "lever": {"radius_mm": 30.0}},
        }
    )
    readings = readings_at(sheet, np.array([[-40.0] * 4, [0.0] * 4, [45.0] * 4]))
    np.testing.assert_allclose(readings[:, 0], [4.1, 2.5, 0.7], atol=1e-6)
    np.testing.assert_allclose(readings[:, 1], [-0.04, 0.0, 0.045], atol=1e-6)
    np.testing.assert_allclose(readings[:, 2], [np.nan, 0.0, np.nan], atol=1e-6)


@pytest.mark.parametrize("reading", [1e304, -1e304, 1e10, 1.7e308])
def test_a_travel_beyond_all_measure_is_unknown(reading: float) -> None:
    sensors = np.full((3, 4), 5.0)
    sensors[1] = reading
    travel_mm = Calibration(make_sheet({"corner.FL.sensor": {"unit": "m"}})).process(sensors)
    assert np.isnan(travel_mm[1]).all()
    assert np.isfinite(travel_mm[[0, 2]]).all()
