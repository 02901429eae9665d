"""What follows from a car sheet, against formulas written out here by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from console.sheet_figures import CarFigures, car_figures, corner_figures
from console.sheet_report import sheet_lines
from ingest.chunk import CORNERS
from ingest.sheet import Sheet
from tests.sheets import make_sheet

GRAVITY = 9.80665
FULL: dict[str, Any] = {
    "axle.front.unsprung_mass_kg": 30.0,
    "axle.front.tyre_rate_n_mm": 250.0,
    "axle.front.bump_stop": {"gap_mm": 24.0, "force": [[0.0, 0.0], [10.0, 2000.0]]},
    "axle.front.damper": {"curve": [[-100.0, -500.0], [0.0, 0.0], [50.0, 150.0]]},
}


# A car whose every height is known.
HEIGHTS: dict[str, Any] = {
    "car.centre_of_gravity_height_mm": 450.0,
    "axle.front.roll_centre_height_mm": 40.0,
    "axle.rear.roll_centre_height_mm": 110.0,
    "axle.front.unsprung_centre_height_mm": 320.0,
    "axle.rear.unsprung_centre_height_mm": 330.0,
    "axle.front.unsprung_mass_kg": 30.0,
    "axle.rear.unsprung_mass_kg": 35.0,
    "axle.front.anti_roll_bar_n_mm": 60.0,
}


def of_car(sheet: Sheet) -> CarFigures:
    return car_figures(sheet, {corner: corner_figures(sheet, corner) for corner in CORNERS})


def line_of(sheet: Sheet, start: str) -> str:
    (line,) = [line for line in sheet_lines(sheet) if line.startswith(start)]
    return line


def cells_of(sheet: Sheet, start: str, count: int) -> list[str]:
    return line_of(sheet, start).split()[-count:]


def test_a_corner_by_hand() -> None:
    """Wheel rate k MR^2, ride rate in series with the tyre, f = sqrt(k/m) / 2 pi, zeta = c MR^2 / 2 sqrt(k m)."""
    figures = corner_figures(make_sheet(FULL), "FL")
    sprung_kg = 900.0 * 0.45 / 2.0 - 30.0
    wheel = 120.0 * 0.8**2
    ride = wheel * 250.0 / (wheel + 250.0)
    assert figures.motion_ratio == 0.8
    assert figures.wheel_rate_n_mm == pytest.approx(wheel)
    assert figures.ride_rate_n_mm == pytest.approx(ride)
    assert figures.ride_frequency_hz == pytest.approx(math.sqrt(ride * 1000.0 / sprung_kg) / (2.0 * math.pi))
    critical = 2.0 * math.sqrt(wheel * 1000.0 * sprung_kg)
    assert figures.damping_ratio_rebound == pytest.approx(5000.0 * 0.8**2 / critical)
    assert figures.damping_ratio_compression == pytest.approx(3000.0 * 0.8**2 / critical)
    assert figures.bump_stop_damper_mm == 24.0
    assert figures.bump_stop_wheel_mm == pytest.approx(30.0)
    assert figures.droop_damper_mm == 40.0
    assert figures.droop_wheel_mm == pytest.approx(50.0)
    assert figures.full_bump_damper_mm == 45.0
    assert figures.full_bump_wheel_mm == pytest.approx(56.25)


def test_a_rising_ratio_adds_the_force_times_its_slope() -> None:
    """k_w = k MR^2 + F dMR/dz, F being the spring's force that carries the sprung weight."""
    table = [[-50.0, 0.7], [0.0, 0.8], [50.0, 0.9]]
    figures = corner_figures(make_sheet({"axle.rear.motion_ratio_damper_per_wheel": table}), "RL")
    force = 900.0 * 0.55 / 2.0 * GRAVITY / 0.8
    assert figures.wheel_rate_n_mm == pytest.approx(120.0 * 0.8**2 + force * 0.002)


def test_without_a_tyre_rate_the_ride_rate_is_unknown_and_the_body_moves_on_the_wheel_rate() -> None:
    figures = corner_figures(make_sheet(), "RR")
    sprung_kg = 900.0 * 0.55 / 2.0
    assert math.isnan(figures.ride_rate_n_mm)
    assert figures.ride_frequency_hz == pytest.approx(math.sqrt(76_800.0 / sprung_kg) / (2.0 * math.pi))


def test_what_the_sheet_does_not_say_is_a_dash() -> None:
    figures = corner_figures(make_sheet(), "FL")
    assert math.isnan(figures.bump_stop_damper_mm)
    assert math.isnan(figures.damping_ratio_rebound)
    lines = list(sheet_lines(make_sheet()))
    stop = next(line for line in lines if line.startswith("to the bump stop, damper mm"))
    assert stop.split()[-4:] == ["-"] * 4
    assert not any("nan" in line for line in lines)


def test_corners_stand_in_their_columns() -> None:
    sheet = make_sheet({"corner.FR.spring": {"rate_n_mm": 200.0}, "corner.RL.travel_to_full_bump_mm": 33.0})
    lines = list(sheet_lines(sheet))
    rates = next(line for line in lines if line.startswith("wheel rate")).split()[-4:]
    assert rates == ["76.8", "128.0", "76.8", "76.8"]
    bump = next(line for line in lines if line.startswith("to full bump, damper")).split()[-4:]
    assert bump == ["45.0", "45.0", "33.0", "45.0"]
    loads = next(line for line in lines if line.startswith("static wheel load")).split()[-4:]
    assert [float(load) for load in loads[:2]] == pytest.approx([900 * GRAVITY * 0.225] * 2, abs=0.5)
    assert sum(map(float, loads)) == pytest.approx(900.0 * GRAVITY, abs=2.0)


def test_platform_margins() -> None:
    sheet = make_sheet({"platform.nose": {"x_mm": 0.0, "static_height_mm": 50.5, "lowest_mm": 30.0}})
    line = next(line for line in sheet_lines(sheet) if line.startswith("nose"))
    assert line.split() == ["nose", "50.5", "30.0", "20.5"]


def test_lines_fit_eighty_columns_and_a_terminal() -> None:
    heights = HEIGHTS | {"car.ride_height_front_mm": 123.456, "car.ride_height_rear_mm": 999.9}
    springs = {f"corner.{corner}.spring": {"rate_n_mm": 5000.0, "preload_n": 9e5} for corner in CORNERS}
    weights = {f"corner.{corner}.corner_weight_kg": 225.0 for corner in CORNERS}
    for line in sheet_lines(make_sheet(heights | springs | weights)):
        assert len(line) <= 80
    changes = FULL | {"car.name": "N" * 80, f"platform.{'p' * 40}": {"x_mm": 0, "static_height_mm": 5, "lowest_mm": 1}}
    changes = {key: value if not isinstance(value, dict) else dict(value) for key, value in changes.items()}
    changes[f"platform.{'p' * 40}"] = {"x_mm": 0.0, "static_height_mm": 5.0, "lowest_mm": 1.0}
    for line in sheet_lines(make_sheet(changes)):
        assert len(line) <= 80
        assert line.isprintable()


def test_geometry_is_printed() -> None:
    text = "\n".join(sheet_lines(make_sheet({"car.track_rear_mm": 1580.5})))
    assert "wheelbase 2600 mm, tracks 1600 mm front and 1580.5 mm rear" in text
    assert "centre of gravity at a height not given" in text
    assert "rake - (ride heights not given)" in text
    text = "\n".join(sheet_lines(make_sheet({"car.centre_of_gravity_height_mm": 430.0})))
    assert "centre of gravity 430 mm above the road" in text
    assert "and 1430 mm behind the front axle" in text  # 2600 mm x 0.55
    heights = {"car.ride_height_front_mm": 30.0, "car.ride_height_rear_mm": 57.5}
    rake = math.degrees(math.atan(27.5 / 2600.0))
    assert f"ride heights 30 mm front and 57.5 mm rear: rake {rake:.2f} deg" in "\n".join(
        sheet_lines(make_sheet(heights))
    )


def test_a_wrong_unit_or_polarity_shows_in_what_the_sensors_read() -> None:
    volts: dict[str, Any] = {"unit": "V", "points": [[0.5, -50.0], [4.5, 50.0]], "reading_range": [0.3, 4.7]}
    sheet = make_sheet(
        {
            "corner.FL.sensor": volts,
            "corner.FR.sensor": volts | {"compression": "decreases"},
            "corner.RL.sensor": {"unit": "cm"},
            "corner.RR.sensor": volts | {"points": [[0.5, -5.0], [4.5, 5.0]]},
        }
    )
    lines = list(sheet_lines(sheet))
    head = next(n for n, line in enumerate(lines) if line.startswith("sensor reading"))
    cells = [line.split()[-4:] for line in lines[head + 1 : head + 5]]
    assert cells[0] == ["V", "V", "cm", "V"]
    assert cells[1] == ["0.9", "4.1", "-4", "-13.5!"]
    assert cells[2] == ["2.5", "2.5", "0", "2.5"]
    assert cells[3] == ["4.3", "0.7", "4.5", "20.5!"]
    assert lines[head + 5].startswith("! a reading that the sensor can't give")
    assert not any(line.startswith("!") for line in sheet_lines(make_sheet()))


def test_the_cars_transfers_by_hand() -> None:
    figures = of_car(make_sheet(HEIGHTS))
    spring = 1000.0 * 120.0 * 0.8**2
    front_stiffness = 0.5 * (spring + 60_000.0) * 1.600**2
    rear_stiffness = 0.5 * spring * 1.580**2
    body_kg = (900.0 * 0.45 - 60.0, 900.0 * 0.55 - 70.0)
    body_mm = (900.0 * 450.0 - 60.0 * 320.0 - 70.0 * 330.0) / sum(body_kg)
    axis_mm = (body_kg[0] * 40.0 + body_kg[1] * 110.0) / sum(body_kg)
    moment = sum(body_kg) * GRAVITY * (body_mm - axis_mm) / 1000.0  # the same per radian of roll and at 1 g
    roll = moment / (front_stiffness + rear_stiffness - moment)
    assert figures.roll_gradient_deg_g == pytest.approx(math.degrees(roll))
    assert figures.roll_stiffness_n_m_deg == pytest.approx(
        (math.radians(front_stiffness), math.radians(rear_stiffness))
    )
    front, rear = figures.lateral
    assert front.elastic_n == pytest.approx(front_stiffness * roll / 1.600)
    assert rear.elastic_n == pytest.approx(rear_stiffness * roll / 1.580)
    assert front.geometric_n == pytest.approx(body_kg[0] * GRAVITY * 40.0 / 1600.0)
    assert rear.unsprung_n == pytest.approx(70.0 * GRAVITY * 330.0 / 1580.0)
    taken = front.total_n * 1.600 + rear.total_n * 1.580
    assert taken == pytest.approx(900.0 * GRAVITY * 0.450 + moment * roll)
    assert figures.longitudinal_n == pytest.approx(900.0 * GRAVITY * 450.0 / 2600.0)


def test_the_cars_transfers_are_printed() -> None:
    sheet = make_sheet(HEIGHTS)
    figures = of_car(sheet)
    for start, field in {
        "lateral transfer by the links": "geometric_n",
        "  by the unsprung": "unsprung_n",
        "  by springs and bars": "elastic_n",
        "  in all": "total_n",
    }.items():
        parts = [getattr(part, field) for part in figures.lateral]
        assert cells_of(sheet, start, 3) == [f"{value:.0f}" for value in (*parts, sum(parts))]
    stiffness = figures.roll_stiffness_n_m_deg
    assert cells_of(sheet, "roll stiffness", 3) == [f"{value:.0f}" for value in (*stiffness, sum(stiffness))]
    assert cells_of(sheet, "roll on the springs", 3) == ["-", "-", f"{figures.roll_gradient_deg_g:.2f}"]
    gained = f"{figures.longitudinal_n:.0f}"
    assert cells_of(sheet, "longitudinal transfer", 3) == [f"-{gained}", gained, "-"]
    assert not any(line.startswith(("- for want", "not given")) for line in sheet_lines(sheet))


def test_what_transfers_need_and_the_sheet_does_not_say_is_told() -> None:
    without_height = {key: value for key, value in HEIGHTS.items() if not key.startswith("car.")}
    sheet = make_sheet(without_height)
    for start in ("  by springs and bars", "  in all", "roll on the springs", "longitudinal transfer"):
        assert cells_of(sheet, start, 3) == ["-", "-", "-"]
    assert "-" not in cells_of(sheet, "lateral transfer by the links", 3)
    assert line_of(sheet, "- for want of") == "- for want of car.centre_of_gravity_height_mm"
    told = [line for line in sheet_lines(make_sheet()) if line.startswith("not given")]
    # Without unsprung masses their height says nothing.
    assert [line.split(": ")[1] for line in told] == [
        "axle.front.roll_centre_height_mm",
        "axle.rear.roll_centre_height_mm",
    ]
    told = [line for line in sheet_lines(make_sheet(FULL)) if line.startswith("not given")]
    assert any(line.endswith("axle.front.unsprung_centre_height_mm") for line in told)


def test_springs_too_soft_to_hold_the_body_up_have_no_roll_angle() -> None:
    sheet = make_sheet(
        HEIGHTS
        | {"axle.front.anti_roll_bar_n_mm": 0.0, "car.centre_of_gravity_height_mm": 3000.0}
        | {f"axle.{axle}.spring": {"rate_n_mm": 1.0} for axle in ("front", "rear")}
    )
    assert math.isnan(of_car(sheet).roll_gradient_deg_g)
    assert cells_of(sheet, "roll on the springs", 3) == ["-", "-", "-"]


def test_the_two_masses_of_a_corner_are_printed_where_tyre_and_wheel_are_known() -> None:
    sheet = make_sheet(FULL)
    sprung, unsprung, spring, tyre = 900.0 * 0.225 - 30.0, 30.0, 76_800.0, 250_000.0
    matrix = np.array([[spring / sprung, -spring / sprung], [-spring / unsprung, (spring + tyre) / unsprung]])
    body, hop = sorted(np.sqrt(np.linalg.eigvals(matrix).real) / (2.0 * math.pi))
    assert cells_of(sheet, "body with wheel and tyre", 4) == [f"{body:.2f}", f"{body:.2f}", "-", "-"]
    assert cells_of(sheet, "wheel hop", 4) == [f"{hop:.1f}", f"{hop:.1f}", "-", "-"]


def test_corner_weights_set_loads_share_and_cross_weight() -> None:
    kg = {"FL": 210.0, "FR": 200.0, "RL": 255.0, "RR": 235.0}
    sheet = make_sheet({f"corner.{corner}.corner_weight_kg": weight for corner, weight in kg.items()})
    assert cells_of(sheet, "static wheel load", 4) == [f"{GRAVITY * weight:.0f}" for weight in kg.values()]
    assert line_of(sheet, "mass") == "mass 900 kg, 45.6 % on the front axle"
    assert line_of(sheet, "cross weight") == "cross weight (FR and RL) 50.6 %"
    assert not any(line.startswith("!") for line in sheet_lines(sheet))
    off = make_sheet({f"corner.{corner}.corner_weight_kg": 225.0 for corner in CORNERS})
    assert line_of(off, "! the corner weights") == (
        "! the corner weights put 50.0 % on the front axle, front_share says 45.0 %"
    )
    assert not any(line.startswith("cross weight") for line in sheet_lines(make_sheet()))


ASKED = 900.0 * 0.225 * GRAVITY / 0.8  # of a front spring, by the weight


@pytest.mark.parametrize(("off", "told"), [(0.0, False), (0.09, False), (-0.09, False), (0.11, True), (-0.11, True)])
@pytest.mark.parametrize("way", ["preload", "preload and table", "table"])
def test_a_spring_force_that_the_weight_does_not_ask_for_is_told(way: str, off: float, told: bool) -> None:
    given = ASKED * (1.0 + off)
    springs: dict[str, dict[str, Any]] = {
        "preload": {"rate_n_mm": 60.0, "preload_n": given - 60.0 * 30.0},
        # A table that counts from static; at full droop, 30 mm, its line goes on to -1800 N.
        "preload and table": {"table": [[-20.0, -1200.0], [0.0, 0.0], [40.0, 4000.0]], "preload_n": given - 1800.0},
        "table": {"table": [[-40.0, given - 1500.0], [0.0, given], [40.0, given + 2500.0]]},
    }
    sheet = make_sheet({"corner.FR.spring": springs[way], "corner.FR.travel_to_full_droop_mm": 30.0})
    assert corner_figures(sheet, "FR").sheet_spring_force_n == pytest.approx(given)
    assert corner_figures(sheet, "FR").spring_force_n == pytest.approx(ASKED)
    assert cells_of(sheet, "spring force, from the spring", 4) == ["-", f"{given:.0f}", "-", "-"]
    lines = [line for line in sheet_lines(sheet) if line.startswith("! FR")]
    source = "its table" if way == "table" else "preload_n"
    expected = [f"! FR: the weight asks {ASKED:.0f} N of the spring, {source} gives {given:.0f} N"]
    assert lines == (expected if told else [])
    assert any("check front_share" in line for line in sheet_lines(sheet)) == told


def test_a_table_through_zero_counts_from_static_and_says_nothing_of_the_force() -> None:
    sheet = make_sheet({"axle.front.spring": {"table": [[-40.0, -4000.0], [0.0, 0.0], [40.0, 5000.0]]}})
    assert math.isnan(corner_figures(sheet, "FL").sheet_spring_force_n)
    assert corner_figures(sheet, "FL").wheel_rate_n_mm == pytest.approx(125.0 * 0.64)


def test_a_stop_that_is_touched_at_static_carries_its_part() -> None:
    stop = {"gap_mm": -4.0, "force": [[0.0, 0.0], [3.0, 300.0], [10.0, 1700.0]]}
    figures = corner_figures(make_sheet({"axle.front.bump_stop": stop}), "FL")
    assert figures.spring_force_n == pytest.approx(ASKED - 500.0)
    assert figures.wheel_rate_n_mm == pytest.approx((120.0 + 200.0) * 0.64)
    clear = corner_figures(make_sheet({"axle.front.bump_stop": stop | {"gap_mm": 4.0}}), "FL")
    assert clear.spring_force_n == pytest.approx(ASKED)
    assert clear.wheel_rate_n_mm == pytest.approx(120.0 * 0.64)


def test_a_linkage_given_by_its_travels_is_reported() -> None:
    table = [[z, 0.8 * z + 0.001 * z * z] for z in range(-70, 80, 10)]
    figures = corner_figures(make_sheet({"corner.RL.damper_against_wheel_mm": table}), "RL")
    force = 900.0 * 0.55 / 2.0 * GRAVITY / 0.8
    assert figures.motion_ratio == pytest.approx(0.8, rel=1e-3)
    assert figures.wheel_rate_n_mm == pytest.approx(120.0 * 0.8**2 + force * 0.002, rel=2e-3)
    # 45 mm of damper: 0.8 z + 0.001 z^2 = 45.
    assert figures.full_bump_wheel_mm == pytest.approx((-0.8 + math.sqrt(0.64 + 0.004 * 45.0)) / 0.002, abs=0.01)
