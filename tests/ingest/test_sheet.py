"""The car sheet: what it accepts, and that every mistake is told at once, with its key and a hint."""

from __future__ import annotations

import hashlib
import math
from pathlib import Path
from typing import Any

import pytest

from ingest.chunk import CORNERS
from ingest.errors import SheetError
from ingest.sheet import load_sheet, parse_sheet
from ingest.sheet_parts import slope_at, value_at
from tests.sheets import make_sheet, minimal_sheet

SHEET = """
[car]
name = "Test mule"
mass_kg = 900
front_share = 0.45
wheelbase_mm = 2600
track_front_mm = 1600
track_rear_mm = 1580

[axle.front]
motion_ratio_damper_per_wheel = [[-40, 0.75], [0, 0.8], [45, 0.9]]
travel_to_full_bump_mm = 45
travel_to_full_droop_mm = 40
spring = { rate_n_mm = 120 }
anti_roll_bar_n_mm = 30

[axle.rear]
motion_ratio_damper_per_wheel = 0.9
travel_to_full_bump_mm = 50
travel_to_full_droop_mm = 45
spring = { table = [[-50, -2000], [0, 3000], [50, 9000]] }

[corner.FL]
sensor = { unit = "V", points = [[0.5, -40], [4.5, 40]], zero_mm = 1.5 }
[corner.FR]
sensor = { unit = "mm" }
spring = { rate_n_mm = 125 }
[corner.RL]
sensor = { unit = "mm" }
[corner.RR]
sensor = { unit = "deg", kind = "rotary", lever = { radius_mm = 50 } }

[log]
time = "t"
[log.columns]
damper_FL = "a"
damper_FR = { column = "b", scale = 2 }
damper_RL = "c"
damper_RR = "d"
speed = { column = "v", unit = "km/h" }
"""


def problems(changes: dict[str, Any], remove: tuple[str, ...] = ()) -> list[str]:
    with pytest.raises(SheetError) as caught:
        make_sheet(changes, remove=remove)
    assert str(caught.value).replace("\n", "").isprintable()
    return caught.value.problems


def problem(changes: dict[str, Any], remove: tuple[str, ...] = ()) -> str:
    (only,) = problems(changes, remove)
    return only


def file_problem(path: Path, content: str | bytes) -> str:
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    with pytest.raises(SheetError) as caught:
        load_sheet(path)
    (only,) = caught.value.problems
    assert only.isprintable()
    return only


def test_a_file_is_read_as_it_is_written(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_text(SHEET)
    sheet = load_sheet(path)
    assert sheet.sensor("FL").points == ((0.5, -40.0), (4.5, 40.0))
    assert sheet.sensor("RR").lever is not None
    assert (sheet.log.time and sheet.log.time.column, sheet.log.columns.damper("FR").scale) == ("t", 2.0)
    assert sheet.log.columns.damper("FL").column == "a"
    speed = sheet.log.columns.side("speed")
    assert speed is not None
    assert speed.unit_factor == pytest.approx(1 / 3.6)
    assert sheet.log.columns.side("lap_number") is None
    assert sheet.digest == hashlib.sha256(SHEET.encode()).hexdigest()


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SHEET.encode())
    assert load_sheet(path).car.name == "Test mule"


def test_a_corner_overrides_its_axle_key_by_key() -> None:
    sheet = make_sheet(
        {"corner.FR.spring": {"rate_n_mm": 130.0}, "corner.RL.bump_stop": {"gap_mm": 20, "force": [[0, 0], [5, 900]]}}
    )
    assert [sheet.suspension(corner).spring.rate_n_mm for corner in CORNERS] == [120.0, 130.0, 120.0, 120.0]
    assert [sheet.suspension(corner).bump_stop is not None for corner in CORNERS] == [False, False, True, False]
    assert sheet.suspension("FR").travel_to_full_bump_mm == 45.0
    table = make_sheet({"corner.FR.spring": {"table": [[0, 0], [10, 900]]}}).suspension("FR").spring
    assert table.rate_n_mm is None
    assert table.rate_at(3.0) == 90.0


def test_what_a_corner_and_its_axle_make_together_is_checked_for_every_corner() -> None:
    stop = {"gap_mm": 20.0, "force": [[0, 0], [5, 900]]}
    found = problems(
        {
            "axle.front.bump_stop": stop,
            "corner.FL.travel_to_full_bump_mm": 5.0,
            "corner.FR.travel_to_full_bump_mm": 20.0,
        }
    )
    assert found == [
        "corner.FL: bump_stop.gap_mm (20) must be smaller than travel_to_full_bump_mm (5)",
        "corner.FR: bump_stop.gap_mm (20) must be smaller than travel_to_full_bump_mm (20)",
    ]


def test_the_static_load_is_the_share_of_the_weight() -> None:
    sheet = make_sheet()
    assert sheet.static_load_n("FL") == pytest.approx(900 * 9.80665 * 0.45 / 2)
    assert sum(sheet.static_load_n(corner) for corner in CORNERS) == pytest.approx(900 * 9.80665)


UNITS = "'mm', 'cm', 'm', 'inch', 'V', 'mV', 'counts', 'deg' or 'rad'"


def test_five_mistakes_are_told_at_once_with_key_and_hint() -> None:
    found = problems(
        {
            "car.weelbase_mm": 2600.0,
            "corner.FL.sensor.unit": "feet",
            "axle.front.motion_ratio_damper_per_wheel": [[0, 0.8], [-5, 0.9]],
            "alerts.asymmetry.clear_percent": 13.0,
        },
        remove=("corner.RR",),
    )
    assert sorted(found) == [
        "alerts.asymmetry: clear_percent (13) must be below trip_percent (12)",
        "axle.front.motion_ratio_damper_per_wheel: row 2 (-5) must be larger than the row before it (0)",
        "car.weelbase_mm: unknown key; did you mean wheelbase_mm?",
        f"corner.FL.sensor.unit: must be one of {UNITS}, not 'feet'",
        "corner.RR: is missing; add a [corner.RR] table with its sensor",
    ]


def test_the_message_counts_the_mistakes_and_names_the_file(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_text(SHEET.replace("mass_kg = 900", "mass_kg = -1").replace('unit = "V"', 'unit = "A"'))
    with pytest.raises(SheetError, match=r"car\.toml: 2 mistakes in the car sheet"):
        load_sheet(path)


TABLE = "corner.FL.sensor.damper_per_sensor"
RATIO = "axle.front.motion_ratio_damper_per_wheel"
SENSOR = "corner.FL.sensor"
STOP = "axle.rear.bump_stop"


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"car.mass_kg": "900"}, "car.mass_kg: must be a number, not '900'"),
        ({"car.mass_kg": True}, "car.mass_kg: must be a number, not True"),
        ({"car.mass_kg": math.nan}, "car.mass_kg: must be a finite number, not nan"),
        ({"car.mass_kg": 10**400}, "car.mass_kg: must be a number"),
        ({"car.front_share": 1.0}, "car.front_share: must be below 1, not 1"),
        ({"car.wheelbase_mm": 0}, "car.wheelbase_mm: must be above 0, not 0"),
        ({"car.name": ""}, "car.name: must not be empty"),
        ({"car.name": 5}, "car.name: must be a text in quotes, not 5"),
        ({"car.name": "a\x1b[2J"}, "car.name: must be printable"),
        ({"log.skip_lines": 2.5}, "log.skip_lines: must be a whole number, not 2.5"),
        ({"log.skip_lines": -1}, "log.skip_lines: must be at least 0"),
        ({"alerts.sensor.enabled": "yes"}, "alerts.sensor.enabled: must be true or false, not 'yes'"),
        ({"lapz": {}}, "lapz: unknown key; did you mean laps?"),
        ({"corner.XX": {}}, "corner.XX: unknown key; known here: FL, FR, RL, RR"),
        ({"log.columns.spede": "v"}, "log.columns.spede: unknown key; did you mean speed?"),
        ({"log.columns.speed": "v"}, "log.columns.speed.unit: is missing"),
        (
            {"log.columns.speed": {"column": "v", "unit": "knots"}},
            "log.columns.speed.unit: must be one of 'm/s', 'km/h'",
        ),
        ({"log.columns.lap_number": {"column": "n", "scale": 0}}, "log.columns.lap_number: scale must not be 0"),
        ({"log.columns": 3}, "log.columns: must be a table of keys, not 3"),
        ({"log": 3}, "log: must be a table of keys, not 3"),
        ({"log.time": {"column": "t", "unit": "min"}}, "log.time.unit: must be one of 's', 'ms', 'us' or 'ns'"),
        ({"log.counter": "n"}, "log: give either time or counter, not both"),
        ({"log.decimal": ","}, "log: decimal and delimiter must differ"),
        ({"log.rate_hz": 1e6}, "log.rate_hz: must be at most 20000"),
        ({TABLE: [[0, 0]]}, f"{TABLE}: a table needs at least two"),
        ({TABLE: [[0, 0], [0, 1]]}, f"{TABLE}: row 2 (0) must be larger than the row before it (0)"),
        ({TABLE: [[0, 0], [1, 2], [2, 1]]}, f"{TABLE}: the second column must only rise or only fall; row 3 (1)"),
        ({TABLE: [[0, 0], [1, 0]]}, f"{TABLE}: the second column must only rise or only fall; row 2 (0)"),
        ({TABLE: [[0, 0], [1, "x"]]}, f"{TABLE}.row 2.value 2: must be a number, not 'x'"),
        ({TABLE: [[0, 0], [1, 2, 3]]}, f"{TABLE}.row 2: has too many values"),
        ({TABLE: 0}, f"{TABLE}: must be above 0"),
        ({TABLE: math.inf}, f"{TABLE}: must be a finite number"),
        ({RATIO: 0}, f"{RATIO}: must be above 0"),
        ({RATIO: [[0, 0.8], [5, 0]]}, "every ratio in the table must be above 0"),
        ({RATIO: [[0, 0.8], [5, 7]]}, "every ratio in the table must be above 0 and below 5"),
        ({SENSOR: {"unit": "V"}}, f"{SENSOR}: a sensor read in V needs points"),
        ({SENSOR: {"unit": "V", "points": [[1, 0], [1, 5]]}}, "the two readings must differ"),
        ({SENSOR: {"unit": "V", "points": [[1, 5], [2, 5]]}}, "the two positions must differ"),
        ({SENSOR: {"unit": "V", "points": [[1, 5]]}}, f"{SENSOR}.points.row 2: is missing"),
        ({SENSOR: {"unit": "deg"}}, 'use kind = "rotary"'),
        ({SENSOR: {"unit": "mm", "lever": {"radius_mm": 5}}}, "lever and table belong to"),
        (
            {SENSOR: {"unit": "mm", "kind": "rotary", "lever": {"radius_mm": 5}}},
            "a rotary sensor reads V, mV, counts, deg or",
        ),
        ({SENSOR: {"unit": "deg", "kind": "rotary"}}, "needs either lever or table"),
        ({SENSOR: {"unit": "mm", "reading_range": [5, 5]}}, "reading_range must be [lowest, highest]"),
        ({"axle.rear.spring": {}}, "axle.rear.spring: give either rate_n_mm or table"),
        ({"axle.rear.spring": {"table": [[0, 5], [1, 4]]}}, "force must not fall with compression; row 2 (4 N) does"),
        ({STOP: {"gap_mm": 5, "force": [[0, 1], [5, 9]]}}, f"{STOP}: force must start with [0, 0]"),
        (
            {STOP: {"gap_mm": 45, "force": [[0, 0], [5, 9]]}},
            "bump_stop.gap_mm (45) must be smaller than travel_to_full",
        ),
        ({"axle.rear.damper": {"curve": [[-100, -9], [100, 9]]}}, "axle.rear.damper: curve must contain [0, 0]"),
        ({"axle.rear.damper": {"curve": [[0, 0], [100, 9]]}}, "curve must cover rebound"),
        (
            {"alerts.bump_stop.clear_time_per_lap_s": 2.0},
            "clear_time_per_lap_s (2) must be below trip_time_per_lap_s (2)",
        ),
        (
            {"alerts.bump_stop.clear_contacts_per_lap": 50},
            "clear_contacts_per_lap (50) must be below trip_contacts_per_",
        ),
        ({"alerts.asymmetry.clear_distance": 0.5}, "clear_distance (0.5) must be below trip_distance (0.2)"),
        ({"alerts.asymmetry.laps_beyond": 9}, "laps_beyond (9) can't exceed laps_watched (3)"),
        (
            {"platform.nose": {"x_mm": 1, "static_height_mm": 40, "lowest_mm": 40}},
            "lowest_mm (40) must be below static_he",
        ),
        ({"platform.": {"x_mm": 1, "static_height_mm": 40, "lowest_mm": 4}}, "1 to 40 characters"),
        (
            {"platform.a\nb": {"x_mm": 1, "static_height_mm": 40, "lowest_mm": 4}},
            "platform.a b: a point's name must be",
        ),
    ],
)
def test_a_mistake_is_told_where_and_what(changes: dict[str, Any], expected: str) -> None:
    assert expected in problem(changes)


TRAVELS = [[-50, -41.0], [0, 0.5], [30, 24.0], [60, 50.0]]
BY_TRAVELS = "damper_against_wheel_mm"
BY_RATIO = "motion_ratio_damper_per_wheel"
EITHER = f"give either {BY_RATIO} or {BY_TRAVELS} (one of them)"
DROOP = "axle.front.droop_stop"
FORCE = [[0, 0], [5, 900]]


@pytest.mark.parametrize(
    ("changes", "remove", "expected"),
    [
        ({f"axle.front.{BY_TRAVELS}": TRAVELS}, (), f"axle.front: {EITHER}"),
        ({}, (f"axle.front.{BY_RATIO}",), f"axle.front: {EITHER}"),
        ({f"corner.RL.{BY_TRAVELS}": TRAVELS, f"corner.RL.{BY_RATIO}": 0.8}, (), f"corner.RL: {EITHER}"),
        (
            {f"corner.RL.{BY_TRAVELS}": [[-50, 41], [60, -50]]},
            (),
            f"corner.RL: {BY_TRAVELS}: damper travel must rise with wheel travel",
        ),
        (
            {f"corner.RL.{BY_TRAVELS}": [[-50, -41], [0, 0], [10, -3]]},
            (),
            f"corner.RL.{BY_TRAVELS}: the second column must only rise or only fall; row 3 (-3) turns back",
        ),
        (
            {f"corner.RL.{BY_TRAVELS}": [[10, 8], [60, 50]]},
            (),
            f"corner.RL: {BY_TRAVELS}: the table must reach over wheel travel 0 (static)",
        ),
        (
            {f"corner.RL.{BY_TRAVELS}": [[-5, -4], [0, 0], [6, 50]]},
            (),
            f"corner.RL: {BY_TRAVELS}: row 3 makes a ratio of 8.33 damper per wheel; it must be above 0.01",
        ),
        (
            {f"corner.RL.{BY_TRAVELS}": [[-5, -4], [0, 0], [6, 1e-9]]},
            (),
            "row 3 makes a ratio of 1.67e-10 damper per wheel; it must be above 0.01 and below 5",
        ),
        ({f"corner.RL.{BY_TRAVELS}": 0.8}, (), f"corner.RL.{BY_TRAVELS}: must be a table of [x, y] pairs, not 0.8"),
        (
            {"corner.FL.corner_weight_kg": 200.0, "corner.RR.corner_weight_kg": 250.0},
            (),
            "corner: corner_weight_kg must be given for all four corners or for none; missing: FR, RL",
        ),
        (
            {f"corner.{corner}.corner_weight_kg": 240.0 for corner in CORNERS},
            (),
            "corner: the four corner_weight_kg add up to 960, but car.mass_kg is 900",
        ),
        ({"corner.FL.corner_weight_kg": 0}, (), "corner.FL.corner_weight_kg: must be above 0, not 0"),
        (
            {"corner.FL.unsprung_mass_kg": 202.5},
            (),
            "corner.FL: unsprung_mass_kg (202.5) must be below the 202.5 kg that this corner weighs",
        ),
        (
            {"car.ride_height_front_mm": 60.0},
            (),
            "car: give ride_height_front_mm and ride_height_rear_mm both, or neither",
        ),
        (
            {"car.ride_height_front_mm": 0.06, "car.ride_height_rear_mm": 80.0},
            (),
            "car.ride_height_front_mm: must be 1 to 1000, in mm; 0.06 looks like metres",
        ),
        (
            {"car.centre_of_gravity_height_mm": 0.45},
            (),
            "car.centre_of_gravity_height_mm: must be 50 to 3000, in mm; 0.45 looks like metres",
        ),
        (
            {DROOP: {"gap_mm": 40.0, "force": FORCE}},
            (),
            "axle.front: droop_stop.gap_mm (40) must be smaller than travel_to_full_droop_mm (40)",
        ),
        (
            {"corner.FR.droop_stop": {"gap_mm": 41, "force": FORCE}},
            (),
            "corner.FR: droop_stop.gap_mm (41) must be smaller than travel_to_full_droop_mm (40)",
        ),
        ({DROOP: {"gap_mm": 0, "force": FORCE}}, (), f"{DROOP}.gap_mm: must be above 0, not 0"),
        ({DROOP: {"gap_mm": 9, "force": [[0, 5], [5, 9]]}}, (), f"{DROOP}: force must start with [0, 0]"),
        (
            {STOP: {"gap_mm": 9, "force": FORCE, "hysteresis": 25}},
            (),
            f"{STOP}.hysteresis: must be at most 0.9, not 25",
        ),
        ({STOP: {"gap_mm": 9, "force": FORCE, "hysteresis": -0.1}}, (), f"{STOP}.hysteresis: must be at least 0"),
        ({"axle.rear.spring.preload_n": -1}, (), "axle.rear.spring.preload_n: must be at least 0, not -1"),
        ({"axle.rear.tyre_growth_mm_at_100_m_s": 51}, (), "tyre_growth_mm_at_100_m_s: must be at most 50, not 51"),
        ({"axle.front.anti_dive_percent": 250}, (), "axle.front.anti_dive_percent: must be at most 200, not 250"),
        ({"axle.front.roll_centre_height_mm": math.inf}, (), "roll_centre_height_mm: must be a finite number"),
        (
            {"corner.FL.anti_squat_percent": 20},
            (),
            "corner.FL.anti_squat_percent: unknown key",
        ),
        ({"air.density_kg_m3": 1225.0}, (), "air.density_kg_m3: must be 0.5 to 1.6, in kg/m3; 1225 looks like g/m3"),
        ({"air.temperature_c": 20.0}, (), "air: give temperature_c and pressure_hpa both, or neither"),
        (
            {"air": {"temperature_c": 20.0, "pressure_hpa": 101_325.0}},
            (),
            "air.pressure_hpa: must be 500 to 1100, in hPa; 101325 looks like Pa",
        ),
        (
            {"air": {"temperature_c": 20.0, "pressure_hpa": 1.013}},
            (),
            "air.pressure_hpa: must be 500 to 1100, in hPa; 1.013 looks like bar",
        ),
        (
            {"air": {"temperature_c": 20.0, "pressure_hpa": 1000.0, "density_kg_m3": 1.2}},
            (),
            "air: give either density_kg_m3, or temperature_c and pressure_hpa",
        ),
        ({"air": {"humidity_percent": 40.0}}, (), "air: humidity_percent says something only beside temperature_c"),
        (
            {"air": {"temperature_c": 20.0, "pressure_hpa": 1000.0, "humidity_percent": 0.5e3}},
            (),
            "air.humidity_percent: must be at most 100, not 500",
        ),
        ({"regimes.braking_above_m_s2": 0}, (), "regimes.braking_above_m_s2: must be above 0, not 0"),
        ({"downforce.window_s": 9}, (), "downforce.window_s: must be at most 5, not 9"),
        ({"downforce.least_windows": 3}, (), "downforce.least_windows: must be at least 8, not 3"),
        ({"downforce.least_speed_ratio": 1}, (), "downforce.least_speed_ratio: must be above 1, not 1"),
    ],
)
def test_a_mistake_about_loads_and_air_is_told(changes: dict[str, Any], remove: tuple[str, ...], expected: str) -> None:
    assert expected in problem(changes, remove)


def test_a_linkage_is_given_either_way_and_a_corner_may_give_it_the_other_way() -> None:
    travels = [(-50.0, -41.0), (0.0, 0.5), (30.0, 24.0), (60.0, 50.0)]
    sheet = make_sheet(
        {
            f"axle.front.{BY_TRAVELS}": TRAVELS,
            f"corner.FR.{BY_RATIO}": [[-10, 0.7], [10, 0.8]],
            f"corner.RR.{BY_TRAVELS}": TRAVELS,
        },
        remove=(f"axle.front.{BY_RATIO}",),
    )
    found = [
        (sheet.suspension(c).motion_ratio_damper_per_wheel, sheet.suspension(c).damper_against_wheel_mm)
        for c in CORNERS
    ]
    assert found == [(None, travels), ([(-10.0, 0.7), (10.0, 0.8)], None), (0.8, None), (None, travels)]


def test_weights_on_the_scales_replace_shares_of_the_mass() -> None:
    kg = (205.0, 210.0, 240.0, 250.0)
    sheet = make_sheet(
        {f"corner.{corner}.corner_weight_kg": weight for corner, weight in zip(CORNERS, kg, strict=True)}
    )
    assert [sheet.static_load_n(corner) for corner in CORNERS] == pytest.approx([9.80665 * weight for weight in kg])
    assert sheet.static_load_n("RL", 10.0) == 2400.0
    # 2 % of 900 kg is the most that they may differ by.
    make_sheet({f"corner.{corner}.corner_weight_kg": 918.0 / 4 for corner in CORNERS})


def test_what_an_axle_says_of_links_stays_with_the_axle_and_the_rest_is_overridden_per_corner() -> None:
    sheet = make_sheet(
        {
            "axle.rear.anti_squat_percent": 30.0,
            "axle.rear.roll_centre_height_mm": -12.0,
            "axle.rear.droop_stop": {"gap_mm": 30, "force": FORCE},
            "axle.rear.tyre_growth_mm_at_100_m_s": 8.0,
            "corner.RR.droop_stop": {"gap_mm": 20, "force": FORCE},
            "corner.RR.tyre_growth_mm_at_100_m_s": 0.0,
            "corner.RR.bump_stop": {"gap_mm": -3, "force": FORCE, "hysteresis": 0.2},
        }
    )
    assert sheet.axle_of("RR").anti_squat_percent == 30.0
    assert (sheet.axle_of("RL").roll_centre_height_mm, sheet.axle_of("FR").roll_centre_height_mm) == (-12.0, 0.0)
    stops = [sheet.suspension(corner).droop_stop for corner in CORNERS]
    assert [None if stop is None else stop.gap_mm for stop in stops] == [None, None, 30.0, 20.0]
    assert [sheet.suspension(corner).tyre_growth_mm_at_100_m_s for corner in CORNERS] == [0.0, 0.0, 8.0, 0.0]
    stop = sheet.suspension("RR").bump_stop
    assert stop is not None
    assert (stop.gap_mm, stop.hysteresis) == (-3.0, 0.2)


def test_the_air_is_the_days_or_nobodys() -> None:
    assert make_sheet().air.density_kg_m3 is None
    day = make_sheet({"air": {"temperature_c": 31, "pressure_hpa": 998, "humidity_percent": 40}}).air
    assert (day.temperature_c, day.pressure_hpa, day.humidity_percent) == (31.0, 998.0, 40.0)
    assert make_sheet({"air.density_kg_m3": 1.15}).air.density_kg_m3 == 1.15


def test_missing_parts_are_named() -> None:
    assert problems({}, ("car", "log")) == ["car: is missing", "log: is missing"]
    assert problem({}, ("corner.FL.sensor",)) == "corner.FL.sensor: is missing"
    assert problem({}, ("log.time",)) == "log: rate_hz is needed when there is no time column"


@pytest.mark.parametrize("hostile", ["\x1b[31mred", "\x9b2J", "\u202eevil", "a\r\nb", "\u2028"])
def test_hostile_texts_never_reach_a_message(hostile: str) -> None:
    # `problems` checks that what is said is printable.
    found = problems(
        {
            f"car.{hostile}": 1,
            hostile.replace(".", ""): {},
            "corner.FL.sensor.unit": hostile,
            "car.mass_kg": hostile,
            f"log.columns.{hostile}": hostile,
        }
    )
    assert len(found) == 5


def test_hostile_toml_is_made_safe(tmp_path: Path) -> None:
    assert "not valid TOML" in file_problem(tmp_path / "a.toml", "[car]\n\x1b[2J = 1\n")
    assert file_problem(tmp_path / "b.toml", SHEET + '\n["\\u001b[2J"]\n').endswith("unknown key; known here: " + KNOWN)


KNOWN = (
    "car, stint, axle, corner, log, link, pit_wall, platform, air, regimes, downforce, velocity, statistics, laps, "
    "alerts"
)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("car = ", "is not valid TOML"),
        ("time,FL,FR,RL,RR\n0,1,2,3,4\n", "is not valid TOML"),
        (b"\xff\xfe\x00car", "is not UTF-8 text"),
        ("# " + "x" * 1_000_001, "Is it the log?"),
        ("x = " + "[" * 100_000, "nested too deeply"),
    ],
)
def test_a_file_that_is_no_sheet_is_refused(tmp_path: Path, content: str | bytes, expected: str) -> None:
    assert expected in file_problem(tmp_path / "car.toml", content)


def test_a_sheet_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match=r"absent\.toml: 1 mistake.*\n.*can't be read: No such file"):
        load_sheet(tmp_path / "absent.toml")
    with pytest.raises(SheetError, match="can't be read"):
        load_sheet(tmp_path)


def test_parsing_twice_gives_the_same() -> None:
    raw = minimal_sheet()
    raw["log"]["time"] = "t"
    assert parse_sheet(raw) == parse_sheet(raw)


def test_tables_are_linear_between_rows() -> None:
    table = [(0.0, 0.0), (2.0, 4.0), (3.0, 14.0)]
    assert [value_at(table, x) for x in (-1.0, 0.0, 1.0, 2.0, 2.5, 3.0, 9.0)] == [0.0, 0.0, 2.0, 4.0, 9.0, 14.0, 14.0]
    assert [slope_at(table, x) for x in (-1.0, 0.0, 1.9, 2.0, 3.0, 9.0)] == [2.0, 2.0, 2.0, 10.0, 10.0, 10.0]


def test_a_damper_curve_has_a_slope_on_each_side_of_zero() -> None:
    sheet = make_sheet({"axle.front.damper": {"curve": [[-100, -600], [0, 0], [50, 200], [200, 300]]}})
    damper = sheet.suspension("FL").damper
    assert damper is not None
    assert damper.coefficients_at_zero() == (6.0, 4.0)


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("car.wheelbase_mm", 2.7, "must be 1000 to 6000, in mm; 2.7 looks like metres"),
        ("car.wheelbase_mm", 270.0, "must be 1000 to 6000, in mm; 270 looks like cm"),
        ("car.wheelbase_mm", 65.0, "in mm; 65 looks like inches"),
        ("car.wheelbase_mm", 9000.0, "must be 1000 to 6000, in mm, not 9000"),
        ("car.track_front_mm", 1.65, "must be 500 to 3000, in mm; 1.65 looks like metres"),
        ("car.track_rear_mm", 1.65, "must be 500 to 3000, in mm; 1.65 looks like metres"),
        ("car.mass_kg", 1.3, "must be 50 to 20000, in kg; 1.3 looks like tonnes"),
        ("axle.front.spring.rate_n_mm", 150_000.0, "must be 1 to 5000, in N/mm; 150000 looks like N/m"),
        ("axle.rear.travel_to_full_bump_mm", 0.05, "must be 2 to 500, in mm; 0.05 looks like metres"),
        ("axle.rear.travel_to_full_droop_mm", 0.05, "must be 2 to 500, in mm; 0.05 looks like metres"),
        ("corner.RL.travel_to_full_bump_mm", 0.05, "must be 2 to 500, in mm; 0.05 looks like metres"),
        ("corner.RL.travel_to_full_droop_mm", 501.0, "must be 2 to 500, in mm, not 501"),
        ("log.rate_hz", 0.5, "must be at least 20"),
    ],
)
def test_numbers_in_another_unit_are_refused_with_a_hint(key: str, value: float, says: str) -> None:
    with pytest.raises(SheetError) as caught:
        make_sheet({key: value})
    (problem,) = caught.value.problems
    assert problem.startswith(f"{key}: ")
    assert says in problem


def test_numbers_at_the_ends_of_their_ranges_are_taken() -> None:
    lowest = {"car.wheelbase_mm": 1000, "car.track_front_mm": 500, "car.track_rear_mm": 500, "car.mass_kg": 50}
    highest = {"car.wheelbase_mm": 6000, "car.track_front_mm": 3000, "car.track_rear_mm": 3000, "car.mass_kg": 20_000}
    make_sheet(lowest | {"axle.front.spring.rate_n_mm": 1, "axle.front.travel_to_full_droop_mm": 2})
    make_sheet(highest | {"axle.front.spring.rate_n_mm": 5000, "axle.front.travel_to_full_droop_mm": 500})
