"""What follows from a car sheet, against formulas written out here by hand."""

from __future__ import annotations

import math
from typing import Any

import pytest

from console.sheet_report import corner_figures, sheet_lines
from tests.sheets import make_sheet

GRAVITY = 9.80665
FULL: dict[str, Any] = {
    "axle.front.unsprung_mass_kg": 30.0,
    "axle.front.tyre_rate_n_mm": 250.0,
    "axle.front.bump_stop": {"gap_mm": 24.0, "force": [[0.0, 0.0], [10.0, 2000.0]]},
    "axle.front.damper": {"curve": [[-100.0, -500.0], [0.0, 0.0], [50.0, 150.0]]},
}


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
    text = "\n".join(sheet_lines(make_sheet({"car.centre_of_gravity_height_mm": 430.0})))
    assert "centre of gravity 430 mm above the road" in text


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
