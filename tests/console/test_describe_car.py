"""The records about the car as a whole: numbers worked out by hand, and what is unknown stays null."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from alerts.monitor import Monitor
from console.describe import Context, describe_lap, describe_stint
from console.describe_car import witness_records
from dsp.body import BodyTally
from tests.console.test_describe import stint_of
from tests.monitored import RATE, chunk, easy_sheet, flat, steps

FULL: dict[str, Any] = {
    "axle.front.tyre_rate_n_mm": 200.0,
    "axle.rear.tyre_rate_n_mm": 200.0,
    "axle.front.damper": {"curve": [[-100.0, -600.0], [0.0, 0.0], [100.0, 400.0]]},
    "car.ride_height_front_mm": 60.0,
    "car.ride_height_rear_mm": 86.0,
    "platform.nose.lowest_mm": 20.0,
}


def side(samples: int, **changed: Any) -> dict[str, Any]:
    """Every channel of a car at a steady 50 m/s on a straight, some of them changed."""
    values: dict[str, Any] = {
        "speed": np.full(samples, 50.0),
        "acceleration_longitudinal": np.zeros(samples),
        "acceleration_lateral": np.zeros(samples),
        "lap_distance": np.arange(samples) * 50.0 / RATE,
    }
    return values | changed


def test_wheel_loads_tyres_and_heights_of_a_car_held_down() -> None:
    # 10 mm at the damper, ratio 1: spring 120 x 10 = 1200 N a wheel; tyre 6 mm; heights 16 mm lower.
    summary = stint_of(chunk(flat(5000, 10.0), **side(5000)), sheet=easy_sheet(FULL))
    static = easy_sheet(FULL).static_load_n("FL")
    load = summary["corners"]["FL"]["wheel_load"]
    assert load["mean_n"] == pytest.approx(static + 1200.0, abs=0.01)
    assert (load["lowest_n"], load["highest_n"]) == pytest.approx((static + 1200.0, static + 1200.0))
    assert load["p1_n"] == pytest.approx(static + 1200.0, abs=50.0)
    assert load["time_unloaded_s"] == 0.0
    assert load["time_known_s"] == pytest.approx(10.0, abs=0.04)  # all but the filter's ends
    nose = summary["platform"]["nose"]
    assert nose["lowest_mm"] == pytest.approx(34.0)
    assert nose["lowest_regime"] == "straight"
    body = summary["body"]
    assert body["heave_mm"]["median"] == pytest.approx(-16.0, abs=0.25)
    assert body["rake_deg"]["static"] == pytest.approx(math.degrees(math.atan(26.0 / 2600.0)))
    assert body["rake_deg"]["median"] == pytest.approx(body["rake_deg"]["static"], abs=0.025)
    balance = summary["load_balance"]
    assert balance["cross_weight_share"] == pytest.approx(0.5, rel=1e-5)
    assert balance["front_share"] == pytest.approx((0.45 * 900 * 9.80665 + 2400.0) / (900 * 9.80665 + 4800.0), rel=1e-5)


def test_where_and_under_which_regime_a_point_was_low() -> None:
    travel = flat(5000)
    travel[1000:1100] = 30.0  # 24 mm of spring and stop in the tyre too: far below 20 mm
    braking = np.where((np.arange(5000) > 900) & (np.arange(5000) < 1300), -9.0, 0.0)
    summary = stint_of(chunk(travel, **side(5000, acceleration_longitudinal=braking)), sheet=easy_sheet(FULL))
    nose = summary["platform"]["nose"]
    assert nose["lowest_regime"] == "braking"
    assert 100.0 <= nose["lowest_place_m"] <= 110.0
    by_regime = nose["time_below_limit_by_regime_s"]
    assert by_regime["braking"] == pytest.approx(nose["time_below_limit_s"])
    assert by_regime["straight"] == 0.0
    (stretch,) = nose["below_limit_at"]
    # A sudden drop is felt half a filter's window before it: the stretch may begin one bin early.
    assert stretch["from_m"] in (80.0, 100.0)
    assert stretch["to_m"] == 120.0
    assert stretch["time_s"] == pytest.approx(0.2, abs=0.02)
    assert stretch["lowest_mm"] == nose["lowest_mm"]


def test_the_damper_does_the_work_of_its_curve_and_only_where_there_is_one() -> None:
    wave = 8.0 * np.sin(2.0 * np.pi * 3.0 * np.arange(20_000) / RATE)
    corners = stint_of(chunk(np.repeat(wave[:, np.newaxis], 4, axis=1), **side(20_000)), sheet=easy_sheet(FULL))[
        "corners"
    ]
    assert corners["RR"]["wheel_load"]["wheel_velocity_rms_mm_s"] == pytest.approx(
        8.0 * 2.0 * np.pi * 3.0 / math.sqrt(2.0), rel=2e-3
    )
    # P = c v^2 / 2 of the mean square, half the time on each slope (4 and 6 N per mm/s).
    peak = 8.0 * 2.0 * np.pi * 3.0
    assert corners["FL"]["damper"]["mean_power_w"] == pytest.approx(
        (4.0 + 6.0) / 2.0 * peak**2 / 2.0 / 1000.0, rel=0.01
    )
    assert sum(corners["FL"]["damper"]["energy_share"].values()) == pytest.approx(1.0)
    assert corners["RL"]["damper"] is None


def test_contacts_of_a_lap_are_listed_with_their_place() -> None:
    travel = flat(6000)
    travel[2100:2150, 0] = 24.0
    travel[2200:2300, 3] = -41.0
    lap = np.arange(6000) // 2000 * 1.0
    sheet = easy_sheet(FULL)
    monitor = Monitor(sheet, RATE, ("lap_number", *side(1)))
    distance = (np.arange(6000) % 2000) * 50.0 / RATE
    found = [
        one
        for step in steps(monitor, [chunk(travel, lap_number=lap, **side(6000, lap_distance=distance))])
        for one in step.laps
    ]
    records = [describe_lap(one, Context.of(monitor))["hardest_contacts"] for one in found]
    assert [len(record["bump_stop_contacts"]) for record in records] == [0, 1, 0]
    (contact,), (top_out,) = records[1]["bump_stop_contacts"], records[1]["top_outs"]
    assert (contact["corner"], contact["start_s"], contact["duration_s"]) == ("FL", 4.2, 0.1)
    assert contact["place_m"] == pytest.approx(10.0)
    assert contact["regime"] == "straight"
    assert contact["peak_force_n"] == pytest.approx(400.0)
    assert (top_out["corner"], top_out["peak_travel_mm"]) == ("RR", -41.0)
    assert math.isnan(top_out["peak_force_n"])  # the sheet knows no droop stop


def test_downforce_is_refused_in_words_or_given_with_its_error() -> None:
    refused = stint_of(chunk(flat(3000)))["downforce"]
    assert refused["reason"]
    assert math.isnan(refused["axles"]["front"]["downforce_area_m2"]["value"])
    assert refused["axles"]["front"].keys() == {"downforce_area_m2", "at_standstill_n", "scatter_n"}
    assert refused["air_density_from"] == "standard atmosphere assumed"


def test_witnesses_are_not_seen_without_data() -> None:
    monitor = Monitor(easy_sheet(), RATE, ())
    record = witness_records(monitor.pipeline.counting.axle_delay.result(), BodyTally())
    assert record["zeros"]["verdict"] == "not seen"
    assert {side["verdict"] for side in record["axle_delay"].values()} == {"not seen"}


@pytest.mark.parametrize(("slip", "verdict"), [(0.0, "agree"), (2.0, "agree"), (8.0, "disagree")])
def test_a_zero_that_disagrees_is_told(slip: float, verdict: str) -> None:
    travel = flat(5000)
    travel[:, 2] += slip
    zeros = stint_of(chunk(travel, **side(5000)), sheet=easy_sheet(FULL))["witnesses"]["zeros"]
    assert zeros["verdict"] == verdict
    assert zeros["slip_of_one_wheel_mm"] == pytest.approx(slip, abs=1.1)


def test_a_lap_has_the_cars_records_and_the_stint_has_more() -> None:
    monitor = Monitor(easy_sheet(FULL), RATE, ("lap_number", *side(1)))
    lap = np.arange(6000) // 2000 * 1.0
    found = [one for step in steps(monitor, [chunk(flat(6000), lap_number=lap, **side(6000))]) for one in step.laps]
    record = describe_lap(found[1], Context.of(monitor))
    assert {"body", "load_balance", "hardest_contacts"} <= set(record)
    stint = describe_stint(monitor, None, source="log", complete=True, version="0", reference=None)
    assert {"body", "load_balance", "downforce", "witnesses"} <= set(stint)
    spectrum = stint["corners"]["FL"]["spectrum"]
    assert len(spectrum["frequency_hz"]) == len(spectrum["power_mm2_hz"])
