"""Which windows count as steady: every gate at its edge, unknown values, gaps, and where windows lie."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from dsp.frame import CarBlock
from dsp.steady import CLUSTER, FORWARD, FRONT, GATES, MOST_WINDOWS, PRESSURE, REAR, SPEED, SteadyWindows
from ingest.sheet import Sheet
from tests.dsp.car_blocks import RATE_HZ, STRIDE, car_block, cut_at, part
from tests.sheets import make_sheet

ROWS = 125  # of one window: 0.5 s
SHEET = make_sheet()
JUST = 1e-9  # relative


def steady(sheet: Sheet = SHEET) -> SteadyWindows:
    return SteadyWindows(sheet, RATE_HZ, STRIDE)


def taken(*blocks: CarBlock, sheet: Sheet = SHEET) -> SteadyWindows:
    stage = steady(sheet)
    for block in blocks:
        stage.process(block)
    stage.settle()
    assert stage.judged == stage.accepted + sum(stage.refused.values())
    return stage


def refusals(stage: SteadyWindows) -> dict[str, int]:
    return {gate: count for gate, count in stage.refused.items() if count}


def four(*corners: float) -> Any:
    return np.array(corners)


# What lies at each gate's edge, and one thing a little beyond it.
EDGES = [
    ("slow", {"speed_m_s": 20.0}, {"speed_m_s": 20.0 * (1 - JUST)}),
    ("cornering", {"acceleration_y_m_s2": 5.0}, {"acceleration_y_m_s2": 5.0 * (1 + JUST)}),
    ("cornering", {"acceleration_y_m_s2": -5.0}, {"acceleration_y_m_s2": -5.0 * (1 + JUST)}),
    ("accelerating", {"acceleration_x_m_s2": 4.0}, {"acceleration_x_m_s2": 4.0 * (1 + JUST)}),
    ("accelerating", {"acceleration_x_m_s2": -4.0}, {"acceleration_x_m_s2": -4.0 * (1 + JUST)}),
    ("rough", {"damper_velocity_mm_s": 150.0}, {"damper_velocity_mm_s": -150.0 * (1 + JUST)}),
    (
        "rough",  # RMS over the four corners: one at twice the limit, three at rest
        {"damper_velocity_mm_s": four(0, 300, 0, 0)},
        {"damper_velocity_mm_s": four(0, 0, 0, 300 * (1 + JUST))},
    ),
    ("kerb", {"warp_mm": 12.0}, {"warp_mm": 12.0 * (1 + JUST)}),
    ("kerb", {"warp_mm": -12.0}, {"warp_mm": -12.0 * (1 + JUST)}),
    ("bump_stops", {"stop_n": four(1200, 0, 0, 0)}, {"stop_n": four(1200 * (1 + JUST), 0, 0, 0)}),
    ("bump_stops", {"stop_n": four(600, 600, 1200, 0)}, {"stop_n": four(600, 600, 0, 1200 * (1 + JUST))}),
]


@pytest.mark.parametrize(("gate", "at_edge", "beyond"), EDGES)
def test_each_gate_at_its_edge(gate: str, at_edge: dict[str, Any], beyond: dict[str, Any]) -> None:
    running = {"speed_m_s": 40.0}
    stage = taken(car_block(ROWS, **(running | at_edge)))
    assert (stage.accepted, refusals(stage)) == (1, {})
    stage = taken(car_block(ROWS, **(running | beyond)))
    assert (stage.accepted, refusals(stage)) == (0, {gate: 1})


def test_every_gate_but_the_unknown_ones_is_tried_at_its_edge() -> None:
    assert {gate for gate, _, _ in EDGES} | {"unknown", "speed_unknown"} == set(GATES)


def test_gates_come_from_the_sheet() -> None:
    block = car_block(ROWS, speed_m_s=12.0, acceleration_y_m_s2=6.0, warp_mm=14.0)
    limits = {
        "downforce.slowest_m_s": 11.0,
        "downforce.most_lateral_m_s2": 7.0,
        "alerts.platform_low.kerb_warp_mm": 15.0,
    }
    assert refusals(taken(block)) == {"slow": 1}  # the first gate that refuses counts
    assert taken(block, sheet=make_sheet(limits)).accepted == 1


def test_one_row_on_a_kerb_is_enough() -> None:
    warp = np.zeros(ROWS)
    warp[77] = -12.1
    assert refusals(taken(car_block(ROWS, speed_m_s=40.0, warp_mm=warp))) == {"kerb": 1}


def test_turning_left_and_right_in_one_window_is_cornering() -> None:
    lateral = 6.0 * np.sign(np.arange(ROWS) - 62.0)
    assert refusals(taken(car_block(ROWS, speed_m_s=40.0, acceleration_y_m_s2=lateral))) == {"cornering": 1}


@pytest.mark.parametrize(
    ("name", "corner"),
    [
        *[(name, corner) for name in ("suspension_n", "stop_n", "load_n", "damper_velocity_mm_s") for corner in (0, 3)],
        *[(f"acceleration_{axis}_m_s2", None) for axis in "xyz"],
        ("warp_mm", None),
    ],
)
@pytest.mark.parametrize("row", [0, ROWS - 1])
def test_one_unknown_value_refuses_its_window(name: str, corner: int | None, row: int) -> None:
    block = car_block(2 * ROWS, speed_m_s=40.0, acceleration_z_m_s2=0.0)
    values = getattr(block, name)
    values[(row, corner) if corner is not None else row] = np.nan
    stage = taken(block)
    assert (stage.accepted, refusals(stage)) == (1, {"unknown": 1})


@pytest.mark.parametrize("name", ["speed_m_s", "acceleration_x_m_s2", "warp_mm", "acceleration_z_m_s2"])
@pytest.mark.parametrize("wild", [np.inf, -np.inf, 1e308, -1e308])
def test_numbers_beyond_all_measure_refuse_their_window_only(name: str, wild: float) -> None:
    block = car_block(3 * ROWS, speed_m_s=40.0, acceleration_z_m_s2=0.0)
    getattr(block, name)[[ROWS + 3, ROWS + 4]] = wild
    stage = taken(block)
    assert np.all(np.isfinite(stage.windows()))
    assert stage.accepted == 2


def test_a_speed_whose_square_overflows_is_none() -> None:
    block = car_block(3 * ROWS, speed_m_s=40.0)
    block.speed_m_s[ROWS + 3] = 1e200
    stage = taken(block)
    assert (stage.accepted, refusals(stage)) == (2, {"unknown": 1})


def test_an_unknown_speed_is_told_apart() -> None:
    speed = np.full(2 * ROWS, 40.0)
    speed[3] = np.nan
    stage = taken(car_block(2 * ROWS, speed_m_s=speed))
    assert (stage.accepted, refusals(stage)) == (1, {"speed_unknown": 1})


def test_windows_lie_on_the_devices_counter_and_not_on_blocks() -> None:
    whole = car_block(5 * ROWS, speed_m_s=40.0)
    late = part(whole, 1, 5 * ROWS)
    assert taken(whole).judged == 5
    assert taken(late).judged == 4
    assert taken(part(whole, 0, ROWS - 1)).judged == 0
    assert taken(*cut_at(late, [0, 0, 1, 1, 3, ROWS - 1, ROWS, 2 * ROWS, 4 * ROWS])).judged == 4
    assert taken(car_block(2 * ROWS, first_row=-ROWS, speed_m_s=40.0)).judged == 2
    # No window mixes the rows of two.
    steps = car_block(5 * ROWS, speed_m_s=np.repeat(np.arange(31.0, 36.0), ROWS))
    assert taken(part(steps, 7, 5 * ROWS)).windows()[:, SPEED].tolist() == [32.0, 33.0, 34.0, 35.0]


@pytest.mark.parametrize("flagged", [False, True])
@pytest.mark.parametrize(("missing", "judged"), [(20, 3), (ROWS, 2), (10 * ROWS, 2)])
def test_a_gap_breaks_the_window_it_lies_in(flagged: bool, missing: int, judged: int) -> None:
    # The gap begins 30 rows into the second window; whole windows may be missing, so that a joint would go unnoticed.
    before = car_block(ROWS + 30, speed_m_s=40.0)
    end = 4 * ROWS + max(0, missing - ROWS)
    first = ROWS + 30 + missing
    after = car_block(end - first, first_row=first, starts_stretch=flagged, speed_m_s=40.0)
    assert taken(before, after).judged == judged


def test_a_new_stretch_breaks_the_window_even_when_no_row_is_missing() -> None:
    before = car_block(ROWS + 30, speed_m_s=40.0)
    after = car_block(3 * ROWS - 30, first_row=ROWS + 30, starts_stretch=True, speed_m_s=40.0)
    assert taken(before, after).judged == 3
    # The break may come with a block that holds no row.
    empty = car_block(0, first_row=ROWS + 30, starts_stretch=True)
    follows = car_block(3 * ROWS - 30, first_row=ROWS + 30, starts_stretch=False, speed_m_s=40.0)
    assert taken(before, empty, follows).judged == 3
    assert taken(before, follows).judged == 4


def test_what_a_window_holds() -> None:
    speed = np.linspace(38.0, 42.0, ROWS)
    block = car_block(
        ROWS,
        speed_m_s=speed,
        suspension_n=four(100, 200, 1000, 2000),
        acceleration_x_m_s2=1.0,
        place_m=np.linspace(80.0, 130.0, ROWS),  # in the middle: 105 m
    )
    stage = taken(block, sheet=make_sheet({"air.density_kg_m3": 1.2}))
    window = stage.windows()[0]
    assert window[PRESSURE] == pytest.approx(0.6 * np.mean(speed**2))
    assert window[SPEED] == pytest.approx(40.0)
    assert window[FORWARD] == pytest.approx(1.0)
    assert window[CLUSTER] == 1.0
    # No height of the centre of gravity in this sheet: the transfer is left for the fit.
    assert (window[FRONT], window[REAR]) == pytest.approx((300.0, 3000.0))
    assert stage.without == {"lateral": 0, "longitudinal": 0, "vertical": 1, "place": 0}


CAR = {
    # 900 kg, 45 % in front, wheelbase 2.6 m: 405 and 495 kg; sprung 325 and 395 kg.
    "car.centre_of_gravity_height_mm": 400.0,
    "axle.front.unsprung_mass_kg": 40.0,
    "axle.rear.unsprung_mass_kg": 50.0,
}
LINKS = {
    "axle.front.unsprung_centre_height_mm": 300.0,
    "axle.rear.unsprung_centre_height_mm": 320.0,
    "axle.front.anti_dive_percent": 20.0,
    "axle.rear.anti_lift_percent": 30.0,
    "axle.rear.anti_squat_percent": 45.0,
}


def weighed(changes: dict[str, Any], **values: Any) -> tuple[float, float]:
    """Load of the air on both axles where the springs show 1000 and 2000 N more than at static."""
    block = car_block(ROWS, speed_m_s=40.0, suspension_n=four(500, 500, 1000, 1000), **values)
    window = taken(block, sheet=make_sheet(changes)).windows()[0]
    return float(window[FRONT]), float(window[REAR])


@pytest.mark.parametrize("forward", [-3.5, 0.0, 2.0])
def test_the_whole_transfer_shows_in_the_springs_when_nothing_passes_them(forward: float) -> None:
    # Moments about the rear contact: what the springs show in front is air - m a h / L.
    transfer = 900.0 * forward * 0.4 / 2.6
    found = weighed(CAR, acceleration_x_m_s2=forward)
    assert found == pytest.approx((1000.0 + transfer, 2000.0 - transfer))


def test_what_links_and_unsprung_masses_carry_never_shows() -> None:
    sprung_moment = 900.0 * 0.4 - 80.0 * 0.3 - 100.0 * 0.32  # kg m, 304
    braking, driving = sprung_moment * 3.0 / 2.6, sprung_moment * 2.0 / 2.6
    found = weighed(CAR | LINKS, acceleration_x_m_s2=-3.0)
    assert found == pytest.approx((1000.0 - 0.8 * braking, 2000.0 + 0.7 * braking))
    found = weighed(CAR | LINKS, acceleration_x_m_s2=2.0)
    assert found == pytest.approx((1000.0 + driving, 2000.0 - 0.55 * driving))


def test_braking_and_driving_within_one_window_are_told_apart() -> None:
    forward = np.where(np.arange(ROWS) < 25, -3.0, 2.0)  # a fifth of the window brakes
    found = weighed(CAR | LINKS, acceleration_x_m_s2=forward)
    braking, driving = 304.0 * 3.0 / 2.6 * 0.2, 304.0 * 2.0 / 2.6 * 0.8
    assert found == pytest.approx(
        (1000.0 - 0.8 * braking + driving, 2000.0 + 0.7 * braking - 0.55 * driving),
    )


def test_a_body_that_is_thrown_up_is_not_lighter_in_the_air() -> None:
    # The springs carry what accelerates the sprung mass: 325 and 395 kg.
    found = weighed(CAR, acceleration_z_m_s2=1.5)
    assert found == pytest.approx((1000.0 - 325.0 * 1.5, 2000.0 - 395.0 * 1.5))


@pytest.mark.parametrize("forward", [-3.0, 2.5])
def test_without_longitudinal_acceleration_the_speed_tells_it(forward: float) -> None:
    speed = np.linspace(40.0, 40.0 + forward * (ROWS - 1) / RATE_HZ, ROWS)
    stages = [
        taken(
            car_block(ROWS, speed_m_s=speed, acceleration_x_m_s2=a_x, suspension_n=four(500, 500, 1000, 1000)),
            sheet=make_sheet(CAR | LINKS),
        )
        for a_x in (forward, np.nan)
    ]
    np.testing.assert_allclose(stages[0].windows(), stages[1].windows(), rtol=1e-12)
    assert [stage.without["longitudinal"] for stage in stages] == [0, 1]
    too_hard = np.linspace(40.0, 40.0 - 4.5 * (ROWS - 1) / RATE_HZ, ROWS)
    assert refusals(taken(car_block(ROWS, speed_m_s=too_hard, acceleration_x_m_s2=np.nan))) == {"accelerating": 1}


def test_without_lateral_acceleration_nothing_is_refused_for_it() -> None:
    stage = taken(car_block(ROWS, speed_m_s=40.0, acceleration_y_m_s2=np.nan))
    assert stage.accepted == 1
    assert stage.without["lateral"] == 1


def test_without_a_place_neighbours_in_time_belong_together() -> None:
    block = car_block(41 * ROWS, speed_m_s=40.0, place_m=np.nan)
    stage = taken(block)
    runs = stage.windows()[:, CLUSTER]
    long = taken(car_block(600 * ROWS, speed_m_s=40.0, place_m=np.nan)).windows()[:, CLUSTER]
    assert np.unique(long, return_counts=True)[1].tolist() == [20] * 30
    assert taken(*cut_at(block, [7, 1000, 2400, 2500])).windows()[:, CLUSTER].tolist() == runs.tolist()
    assert np.all(runs < 0)  # never taken for a place
    assert [int(np.count_nonzero(runs == run)) for run in (-1, -2, -3)] == [20, 20, 1]  # of 10 s
    placed = taken(car_block(4 * ROWS, speed_m_s=40.0, place_m=np.array([50.0, 99.9, 100.0, 250.0]).repeat(ROWS)))
    assert placed.windows()[:, CLUSTER].tolist() == [0.0, 0.0, 1.0, 2.0]


def test_the_oldest_windows_give_way_to_the_newest() -> None:
    sheet = make_sheet({"downforce.window_s": 0.1})
    stage = steady(sheet)
    rows, extra = stage.window_rows, 30
    total = MOST_WINDOWS + extra
    for first in range(0, total, 2003):
        count = min(2003, total - first)
        place = np.repeat(np.arange(float(first), first + count) * 100.0, rows)
        stage.process(car_block(count * rows, first * rows, starts_stretch=first == 0, speed_m_s=30.0, place_m=place))
    assert stage.windows()[:, CLUSTER].tolist() == list(range(extra, total))
    assert (stage.accepted, stage.dropped) == (total, extra)


def test_what_is_handed_in_is_not_altered() -> None:
    block = car_block(300, speed_m_s=40.0, acceleration_x_m_s2=-1.0, acceleration_y_m_s2=-2.0, warp_mm=-3.0)
    before = {name: np.array(value) for name, value in vars(block).items() if isinstance(value, np.ndarray)}
    taken(block)
    for name, value in before.items():
        np.testing.assert_array_equal(getattr(block, name), value)
