"""The car's rows: closed forms for loads, tyres, heights, regimes and places; a gap resets; any cutting the same."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.car import CarStage, stride_for
from dsp.frame import REGIMES, Aligned, CarBlock
from dsp.platform import Platform
from dsp.velocity import VelocityFilter, VelocityStage
from ingest.chunk import Floats
from ingest.sheet import Sheet
from tests.dsp.helpers import cut, places_of, same_on_all, smooth_noise, stream
from tests.sheets import make_sheet

RATE_HZ = 500.0
G = 9.80665
STOP = {"gap_mm": 20.0, "force": [[0.0, 0.0], [5.0, 500.0], [10.0, 2000.0]]}
CURVE = [[-100.0, -600.0], [0.0, 0.0], [100.0, 400.0]]
FULL: dict[str, Any] = {
    f"axle.{axle}.{key}": value
    for axle in ("front", "rear")
    for key, value in {
        "bump_stop": STOP,
        "damper": {"curve": CURVE},
        "tyre_rate_n_mm": 250.0,
        "unsprung_mass_kg": 40.0,
        "anti_roll_bar_n_mm": 60.0,
    }.items()
} | {"platform.nose": {"x_mm": 600.0, "static_height_mm": 80.0, "lowest_mm": 30.0}}


def rows_of(sheet: Sheet, chunks: list[Any], rate_hz: float = RATE_HZ) -> list[CarBlock]:
    """Run travel through velocity and the car stage, all positions trusted."""
    roles = tuple(chunks[0].side)
    chosen = VelocityFilter.for_bandwidth(30.0, rate_hz)
    velocity = VelocityStage(chosen, roles, 8192, stride_for(rate_hz))
    car = CarStage(sheet, rate_hz, roles, Platform(sheet))
    blocks: list[Aligned] = [block for chunk in chunks for block in velocity.process(chunk, chunk.sensors)]
    return [car.process(block, block.travel_mm) for block in [*blocks, *velocity.flush()]]


def joined(blocks: list[CarBlock], name: str) -> Floats:
    return np.concatenate([getattr(block, name) for block in blocks])


def still(*travels: float, rows: int = 400) -> Floats:
    return np.asfortranarray(np.tile(np.array(travels, dtype=np.float64), (rows, 1)))


def middle(blocks: list[CarBlock], name: str) -> Floats:
    values = joined(blocks, name)
    row: Floats = values[len(values) // 2]
    return row


def test_a_grid_has_at_least_250_rows_a_second() -> None:
    assert [stride_for(rate) for rate in (100.0, 250.0, 400.0, 499.0, 500.0, 1000.0, 1001.0)] == [1, 1, 1, 1, 2, 4, 4]


def test_rows_lie_at_multiples_of_the_stride_wherever_the_stream_begins() -> None:
    blocks = rows_of(make_sheet(FULL), stream(still(0, 0, 0, 0), first_sample=7))
    numbers = [block.sample(row) for block in blocks for row in range(len(block))]
    assert numbers == list(range(8, 407, 2))


def test_at_static_a_wheel_carries_its_static_load_and_a_point_stands_at_its_static_height() -> None:
    sheet = make_sheet(FULL)
    blocks = rows_of(sheet, stream(still(0, 0, 0, 0)))
    np.testing.assert_allclose(middle(blocks, "load_n"), [sheet.static_load_n(c) for c in ("FL", "FR", "RL", "RR")])
    assert middle(blocks, "heights_mm")[0] == pytest.approx(80.0)
    assert middle(blocks, "tyre_mm") == pytest.approx(np.zeros(4), abs=1e-9)


def test_a_lowered_car_carries_more_by_springs_and_stops_through_the_motion_ratio() -> None:
    # 24 mm at the damper: spring 120 x 24, stop 400 N (4 mm into 5 mm of 500 N), all times 0.8; no bar in pure heave.
    sheet = make_sheet(FULL)
    blocks = rows_of(sheet, stream(still(24, 24, 24, 24)))
    expected = 0.8 * (120.0 * 24.0 + 400.0)
    np.testing.assert_allclose(middle(blocks, "suspension_n"), expected)
    np.testing.assert_allclose(middle(blocks, "stop_n"), 0.8 * 400.0)
    np.testing.assert_allclose(middle(blocks, "load_n")[0], sheet.static_load_n("FL") + expected)
    # Ground clearance falls by wheel travel and by the tyre.
    assert middle(blocks, "heights_mm")[0] == pytest.approx(80.0 - 24.0 / 0.8 - expected / 250.0)


def test_a_corner_on_its_own_bump_stop_at_static_carries_its_static_load() -> None:
    sheet = make_sheet(FULL | {"axle.front.bump_stop": {"gap_mm": -3.0, "force": [[0, 0], [5, 500], [10, 2000]]}})
    np.testing.assert_allclose(
        middle(rows_of(sheet, stream(still(0, 0, 0, 0))), "load_n")[0], sheet.static_load_n("FL")
    )


def test_the_bar_moves_load_across_and_none_away() -> None:
    # 8 mm at each damper, opposite: 10 mm at the wheels, bar 60 N per mm of one wheel's opposite travel.
    sheet = make_sheet(FULL)
    loads = middle(rows_of(sheet, stream(still(8, -8, 0, 0))), "suspension_n")
    np.testing.assert_allclose(loads, [0.8 * 120 * 8 + 600, -0.8 * 120 * 8 - 600, 0, 0], atol=1e-9)


def test_at_constant_speed_the_damper_adds_its_curve() -> None:
    rows = 400
    travel = same_on_all(np.arange(rows, dtype=np.float64) * (50.0 / RATE_HZ) - 30.0)  # 50 mm/s of compression
    block = rows_of(make_sheet(FULL), stream(travel))
    number = 100
    here = joined(block, "damper_mm")[number, 0]
    assert joined(block, "suspension_n")[number, 0] == pytest.approx(0.8 * (120.0 * here + 200.0))


def test_a_shaken_wheel_needs_the_force_of_its_own_mass() -> None:
    # 12 Hz, 1 mm at the damper, no damper curve, no bar: the wheel follows z'' = -w2 z / MR against the body.
    sheet = make_sheet({"axle.front.unsprung_mass_kg": 40.0})
    time = np.arange(2000) / RATE_HZ
    angle = 2.0 * np.pi * 12.0
    travel = np.zeros((2000, 4), order="F")
    travel[:, 0], travel[:, 1] = np.sin(angle * time), -np.sin(angle * time)  # the axle's sum, so the body, is still
    blocks = rows_of(sheet, stream(travel))
    row = slice(200, 800)
    wheel_force = 40.0 * (-(angle**2) * joined(blocks, "damper_mm")[row, 0] / 0.8) / 1000.0
    found = joined(blocks, "load_n")[row, 0] - sheet.static_load_n("FL") - joined(blocks, "suspension_n")[row, 0]
    # The derivative's filter and the difference over two rows keep 95 to 100 % at 12 Hz.
    ratio = np.dot(found, wheel_force) / np.dot(wheel_force, wheel_force)
    assert 0.95 < ratio <= 1.001
    np.testing.assert_allclose(found, wheel_force * ratio, atol=0.5)


def test_a_body_that_is_shaken_by_its_springs_takes_its_wheels_along() -> None:
    # 3 Hz in heave: the springs' force accelerates the sprung mass, and the wheel's mass goes with it.
    sheet = make_sheet({"axle.front.unsprung_mass_kg": 40.0})
    time = np.arange(5000) / RATE_HZ
    angle = 2.0 * np.pi * 3.0
    blocks = rows_of(sheet, stream(same_on_all(10.0 * np.sin(angle * time))))
    row = slice(1500, 2000)
    travel = joined(blocks, "damper_mm")[row, 0]
    sprung_kg = sheet.static_load_n("FL") / G - 40.0
    body = 0.8 * 120.0 * travel / sprung_kg
    wheel = -(angle**2) * travel / 0.8 / 1000.0
    expected = 40.0 * (body + wheel)
    found = joined(blocks, "load_n")[row, 0] - sheet.static_load_n("FL") - joined(blocks, "suspension_n")[row, 0]
    # What leaves out slow forces (1 Hz, first order) leaves out 1 / sqrt(1 + 3^2) = 32 % at 3 Hz, most of it in phase.
    assert np.std(found - expected) == pytest.approx(np.std(40.0 * body) / math.sqrt(10.0), rel=0.02)


def test_a_wheel_never_pulls_at_the_road() -> None:
    # A loose spring pushes with nothing, so all that is left is the wheel's own weight.
    blocks = rows_of(make_sheet(FULL), stream(still(-38, -38, -38, -38)))
    np.testing.assert_allclose(middle(blocks, "load_n"), 40.0 * G)
    # And a wheel in the air, thrown downwards by its damper and its bar, is not held by the road.
    falling = same_on_all(np.arange(400.0) * (-400.0 / RATE_HZ) + 300.0)
    assert joined(rows_of(make_sheet(FULL), stream(falling)), "load_n")[190:195].max() == 0.0


def test_a_tyre_that_grows_lifts_the_car_with_the_square_of_speed() -> None:
    grown = FULL | {f"axle.{axle}.tyre_growth_mm_at_100_m_s": 8.0 for axle in ("front", "rear")}
    blocks = rows_of(make_sheet(grown), stream(still(0, 0, 0, 0), speed=np.full(400, 50.0)))
    np.testing.assert_allclose(middle(blocks, "tyre_mm"), -2.0)
    assert middle(blocks, "heights_mm")[0] == pytest.approx(82.0)


@pytest.mark.parametrize("linkage", ["ratio", "travels"])
def test_a_wheels_velocity_is_the_slope_of_its_travel(linkage: str) -> None:
    table = [[-60.0, -44.0], [0.0, 0.0], [60.0, 54.0]]
    changes = {"axle.front.damper_against_wheel_mm": table} if linkage == "travels" else {}
    remove = ("axle.front.motion_ratio_damper_per_wheel",) if linkage == "travels" else ()
    travel = same_on_all(20.0 * np.sin(2.0 * np.pi * 2.0 * np.arange(2000) / RATE_HZ))
    blocks = rows_of(make_sheet(changes, remove=remove), stream(travel))
    wheel, velocity = joined(blocks, "wheel_mm"), joined(blocks, "wheel_velocity_mm_s")
    slope = np.gradient(wheel, 2.0 / RATE_HZ, axis=0)
    np.testing.assert_allclose(velocity[20:-20], slope[20:-20], atol=1.0)
    assert np.ptp(velocity[20:-20, 0]) > 400.0


def test_without_a_tyre_rate_tyres_are_rigid() -> None:
    sheet = make_sheet({"platform.nose": FULL["platform.nose"]})
    blocks = rows_of(sheet, stream(still(8, 8, 8, 8)))
    assert middle(blocks, "heights_mm")[0] == pytest.approx(70.0)


def test_links_and_unsprung_masses_carry_their_part_of_a_corner() -> None:
    # Barton & Fieldhouse, Automotive Chassis Engineering (2018), p. 174: 195 / 760 N geometric, 158 / 218 N unsprung.
    sheet = make_sheet(
        {
            "car.mass_kg": 1600.0,
            "car.front_share": (1280.0 * 0.54 + 140.0) / 1600.0,
            "car.track_front_mm": 1460.0,
            "car.track_rear_mm": 1460.0,
            "axle.front.roll_centre_height_mm": 70.0,
            "axle.rear.roll_centre_height_mm": 320.0,
            "axle.front.unsprung_centre_height_mm": 280.0,
            "axle.rear.unsprung_centre_height_mm": 300.0,
            "axle.front.unsprung_mass_kg": 70.0,
            "axle.rear.unsprung_mass_kg": 90.0,
        }
    )
    a_y = 0.6 * 9.81
    right = {"acceleration_lateral": np.full(400, -a_y)}  # a right-hand turn loads the left wheels
    loads = middle(rows_of(sheet, stream(still(0, 0, 0, 0), side=right)), "load_n")
    static = np.array([sheet.static_load_n(corner) for corner in ("FL", "FR", "RL", "RR")])
    gained = loads - static
    np.testing.assert_allclose(gained[[0, 2]], [195.06 + 158.04, 759.60 + 217.70], rtol=1e-3)
    np.testing.assert_allclose(gained[[1, 3]], -gained[[0, 2]])


def test_anti_dive_carries_its_share_of_braking_past_the_springs() -> None:
    changes = {
        "car.centre_of_gravity_height_mm": 400.0,
        "axle.front.anti_dive_percent": 30.0,
        "axle.rear.anti_lift_percent": 50.0,
        "axle.rear.anti_squat_percent": 20.0,
    }
    sheet = make_sheet(changes)
    static = np.array([sheet.static_load_n(corner) for corner in ("FL", "FR", "RL", "RR")])
    transfer = 900.0 * 10.0 * 400.0 / 2600.0  # m a h / L

    def gained(a_x: float) -> Floats:
        side = {"acceleration_longitudinal": np.full(400, a_x)}
        loads: Floats = middle(rows_of(sheet, stream(still(0, 0, 0, 0), side=side)), "load_n") - static
        return loads

    np.testing.assert_allclose(gained(-10.0), transfer / 2 * np.array([0.3, 0.3, -0.5, -0.5]))
    np.testing.assert_allclose(gained(10.0), transfer / 2 * np.array([0.0, 0.0, 0.2, 0.2]), atol=1e-9)


@pytest.mark.parametrize(
    ("a_x", "a_y", "name"),
    [
        (0.0, 0.0, "straight"),
        (-3.0, 3.0, "straight"),
        (9.0, 0.0, "straight"),
        (-3.1, 3.0, "braking"),
        (-3.0, -3.1, "cornering"),
        (-8.0, 5.0, "braking"),
        (-5.0, 8.0, "cornering"),
        (-8.0, 8.0, "cornering"),
        (8.0, -3.1, "cornering"),
        (np.nan, 0.0, "unknown"),
        (0.0, np.nan, "unknown"),
        (np.nan, 9.0, "cornering"),
        (-9.0, np.nan, "braking"),
    ],
)
def test_the_regime_is_that_of_the_larger_acceleration(a_x: float, a_y: float, name: str) -> None:
    side = {"acceleration_longitudinal": np.full(100, a_x), "acceleration_lateral": np.full(100, a_y)}
    blocks = rows_of(make_sheet(FULL), stream(still(0, 0, 0, 0, rows=100), side=side))
    assert set(joined(blocks, "regime")) == {REGIMES.index(name)}


def test_without_accelerations_the_regime_is_unknown() -> None:
    assert set(joined(rows_of(make_sheet(FULL), stream(still(0, 0, 0, 0))), "regime")) == {0}


def test_the_logged_lap_distance_is_the_place() -> None:
    blocks = rows_of(make_sheet(FULL), stream(still(0, 0, 0, 0), side={"lap_distance": np.arange(400.0)}))
    np.testing.assert_array_equal(joined(blocks, "place_m"), np.arange(0.0, 400.0, 2.0))


def test_without_it_speed_is_added_up_from_the_lap_start() -> None:
    sheet = make_sheet(FULL)
    car = CarStage(sheet, RATE_HZ, ("speed",), Platform(sheet))
    nothing = np.zeros((100, 4), order="F")

    def place(first: int, starts: list[int], *, new: bool = False) -> Floats:
        block = Aligned(
            first, RATE_HZ, nothing, nothing, {"speed": np.full(100, 50.0)}, stride=2, starts_stretch=new,
            acceleration_mm_s2=np.zeros((50, 4)),
        )  # fmt: skip
        return car.process(block, nothing, starts).place_m

    assert np.isnan(place(0, [], new=True)).all()  # where on the lap the log begins, nobody knows
    np.testing.assert_allclose(place(100, [21])[:13], [np.nan] * 11 + [0.2, 0.4])
    assert place(200, [])[-1] == pytest.approx(0.2 * (39 + 50))
    assert np.isnan(place(300, [], new=True)).all()  # nor how far it went through a gap


def test_an_unknown_corner_takes_its_axle_and_the_heights_but_not_the_other_axle() -> None:
    travel = still(0, 0, 0, 0)
    travel[200, 0] = np.nan
    blocks = rows_of(make_sheet(FULL), stream(travel))
    loads, heights = joined(blocks, "load_n"), joined(blocks, "heights_mm")
    assert np.isnan(loads[100, :2]).all()
    assert not np.isnan(loads[100, 2:]).any()
    assert np.isnan(heights[100]).all()
    # Where travel is known and velocity is not, loads are unknown; heights do with the springs' force.
    assert np.isnan(loads[99, 0])
    assert heights[99, 0] == pytest.approx(80.0)


def test_a_gap_leaves_nothing_of_before() -> None:
    sheet = make_sheet(FULL)
    before, after = smooth_noise(700, RATE_HZ, 20.0, 3) * 8.0, smooth_noise(600, RATE_HZ, 20.0, 4) * 8.0
    both = rows_of(sheet, stream(np.concatenate([before, after]), gaps={700: 100}))
    alone = rows_of(sheet, stream(after, first_sample=800))
    here = [block for block in both if block.first_sample >= 800]
    np.testing.assert_array_equal(joined(here, "load_n"), joined(alone, "load_n"))
    assert here[0].starts_stretch


def test_a_standing_car_is_not_measured_and_an_unknown_speed_is() -> None:
    speed = np.full(400, 30.0)
    speed[:100] = 2.0
    speed[100:110] = np.nan
    whole = rows_of(make_sheet(FULL), stream(still(0, 0, 0, 0), speed=speed))
    running = [block.running(8.0) for block in whole]
    np.testing.assert_array_equal(np.isnan(joined(running, "heights_mm")[:, 0]), np.arange(0, 400, 2) < 100)
    np.testing.assert_array_equal(joined(running, "speed_m_s"), joined(whole, "speed_m_s"))


@settings(deadline=None, max_examples=25)
@given(places=places_of(600), seed=st.integers(0, 5))
def test_any_cutting_gives_the_same_bits(places: list[int], seed: int) -> None:
    sheet = make_sheet(FULL)
    travel = smooth_noise(600, RATE_HZ, 25.0, seed) * 9.0
    travel[220, 2] = np.nan
    generator = np.random.default_rng(seed)
    side = {
        "speed": np.full(600, 40.0) + generator.normal(size=600),
        "acceleration_longitudinal": generator.normal(size=600) * 4.0,
        "acceleration_lateral": generator.normal(size=600) * 4.0,
    }
    chunks = stream(travel, gaps={400: 11}, side=side)
    whole, parts = rows_of(sheet, chunks), rows_of(sheet, cut(chunks, places))
    for name in ("load_n", "suspension_n", "stop_n", "tyre_mm", "heights_mm", "warp_mm", "place_m", "regime"):
        np.testing.assert_array_equal(joined(parts, name), joined(whole, name), err_msg=name)


def test_parts_and_row_numbers_of_a_block() -> None:
    block = rows_of(make_sheet(FULL), stream(still(0, 0, 0, 0), first_sample=3))[0]
    assert [block.rows_before(sample) for sample in (0, 4, 5, 6, 7, 10**6)] == [0, 0, 1, 1, 2, len(block)]
    part = block.part(5, 9)
    assert (len(part), part.first_sample, part.starts_stretch) == (4, block.sample(5), False)
    assert not math.isnan(part.load_n[0, 0])
