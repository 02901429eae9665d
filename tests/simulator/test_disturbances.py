"""Scatter and faults that are no damper's: each against what weight, statics or the settings say it must do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest.sheet import Sheet
from replay_logs.circuit import Grip, build_circuit, lap_speed_m_s
from replay_logs.disturbances import (
    BarFault,
    CarFault,
    FrictionFault,
    GripChange,
    Scatter,
    SlipFault,
    TyreFault,
)
from replay_logs.effects import damping_factor, pace_change, tyre_factor
from replay_logs.motion import RATE_HZ, Inputs, integrate
from replay_logs.realistic import realistic
from replay_logs.road import Road
from replay_logs.settings import DamperFault, SensorFault, StintSettings
from replay_logs.stint import Stint, simulate, simulate_readings_each
from replay_logs.truth import truth_of
from replay_logs.vehicle import (
    CORNERS,
    build_elements,
    geometry,
    lightness,
    masses,
    outside_forces,
    shift_over,
    slopes_over,
)

from .conftest import SEED
from .test_sensors import travel_by_hand

Floats = NDArray[np.float64]
GRAVITY_M_S2 = 9.80665
QUIET = Scatter(pace=0.0, line=0.0, kerbs=0.0)
FULL = replace(
    realistic("full", 1, SEED),
    car_faults=(
        SlipFault(from_lap=1.0, corner="RL", down_mm=3.0, part="pushrod"),
        SlipFault(from_lap=1.0, over_laps=0.5, corner="FR", down_mm=2.0),
        TyreFault(from_lap=0.5, over_laps=1.0, corner="FL", scale=0.8),
        BarFault(from_lap=1.3, axle="rear"),
        FrictionFault(from_lap=1.2, corner="FL", force_n=90.0),
    ),
    damper_faults=(DamperFault("RR", ("rebound",), scale=1.25, from_lap=1.0, over_laps=0.5),),
    grip_changes=(GripChange(from_lap=1.5, friction_scale=0.9, downforce_scale=0.95),),
)


def still(sheet: Sheet, settings: StintSettings, lap: float, a_y: float = 0.0, seconds: int = 6) -> tuple[Floats, ...]:
    """Positions (7,), wheel travel (4,) mm and wheel loads (4,) N at the end of standing in one lap's condition."""
    n = 1000 * seconds
    laps = np.array([lap])
    elements = build_elements(sheet, friction=settings.has_friction)
    tyre = tyre_factor(settings, laps)
    zero = np.zeros(n)
    forces = outside_forces(sheet, settings, zero, zero, np.full(n, a_y), np.full(n, lap), np.repeat(tyre, n, axis=0))
    inputs = Inputs(
        np.zeros((n, 4)),
        forces,
        shift_over(elements, settings, laps),
        slopes_over(elements, settings, laps),
        lightness(sheet, settings, laps),
    )
    end = integrate(elements, masses(sheet), [inputs])[0].astype(np.float64)[-1, :7]
    rates = np.array([sheet.suspension(c).tyre_rate_n_mm for c in CORNERS], dtype=np.float64)
    static = np.array([sheet.static_load_n(c) for c in CORNERS])
    return end, (end[3:] - end[:3] @ geometry(sheet).lift) * 1e3, (static - rates * end[3:] * 1e3) * tyre[0]


def with_fault(*faults: CarFault, scatter: Scatter = QUIET) -> StintSettings:
    return StintSettings("one", "", car_faults=faults, scatter=scatter)


def lifts(positions: Floats, sheet: Sheet) -> Floats:
    return np.asarray(positions[:3] @ geometry(sheet).lift * 1e3, dtype=np.float64)


def ratios(sheet: Sheet) -> Floats:
    return np.array([sheet.suspension(c).motion_ratio_damper_per_wheel for c in CORNERS], dtype=np.float64)


@pytest.fixture(scope="module")
def full(sheet: Sheet) -> Stint:
    return simulate(sheet, [FULL], SEED)[0]


@pytest.fixture(scope="module")
def sensors(sheet: Sheet) -> list[Stint]:
    faults = (
        SensorFault("gain", "FL", 0, 0.02, factor=1.2),
        SensorFault("zero_drift", "FL", 0, 0.0, duration_s=20.0, size_mm=4.0),
        SensorFault("inverted", "RR", 0, 0.02),
        SensorFault("swapped_names", "FL", 0, 0.02, other="RR"),
        SensorFault("swapped_plugs", "RL", 0, 0.02, other="FR"),
    )
    settings = [
        StintSettings("sense", "", timed_laps=0, log_rate_hz=1000, sensor_faults=sensor)
        for sensor in ((), *((fault,) for fault in faults))
    ]
    return simulate(sheet, settings, SEED)


def test_a_change_comes_at_its_lap_and_stays() -> None:
    laps = np.array([1.9, 2.0, 3.0, 4.0, 9.0])
    assert BarFault(axle="front", from_lap=2.0).share(laps).tolist() == [0, 1, 1, 1, 1]
    assert BarFault(axle="front", from_lap=2.0, over_laps=2.0).share(laps).tolist() == [0, 0, 0.5, 1, 1]


def test_fuel_is_weight_that_burns_and_the_car_rises(sheet: Sheet) -> None:
    settings = with_fault(scatter=replace(QUIET, fuel_start_kg=30.0, fuel_per_lap_kg=2.0))
    weight = sheet.car.mass_kg * GRAVITY_M_S2
    heights = []
    for lap, added in ((0.0, 30.0), (10.0, 10.0), (20.0, -10.0)):
        positions, _, loads = still(sheet, settings, lap)
        assert loads.sum() - weight == pytest.approx(added * GRAVITY_M_S2, abs=0.1)
        heights.append(positions[0])
    assert heights[0] < heights[1] < 0.0 < heights[2]


def test_fuel_is_inertia_in_heave(sheet: Sheet) -> None:
    # An upward push from rest: acceleration = force / (sprung mass + fuel), before springs have anything to say.
    sprung = geometry(sheet).sprung_mass_kg
    settings = with_fault(scatter=replace(QUIET, fuel_start_kg=60.0))
    light = lightness(sheet, settings, np.array([0.0]))
    forces = np.zeros((40, 7))
    forces[20:, 0] = 5000.0
    elements = build_elements(sheet)
    slopes = slopes_over(elements, settings, np.array([0.0]))
    inputs = Inputs(np.zeros((40, 4)), forces, np.zeros(len(elements)), slopes * 1e-6, light)
    speed = integrate(elements, masses(sheet), [inputs])[0][:, 7]
    assert (speed[35] - speed[25]) / 0.010 == pytest.approx(5000.0 / (sprung + 60.0), rel=1e-4)


def test_a_puncture_lets_its_corner_down(sheet: Sheet) -> None:
    settings = with_fault(TyreFault(from_lap=2.0, corner="RL", scale=0.5))
    before, _, loads = still(sheet, settings, 1.9)
    assert np.abs(before).max() < 1e-9
    after, travel, loads = still(sheet, settings, 2.0)
    assert loads.sum() == pytest.approx(sheet.car.mass_kg * GRAVITY_M_S2, abs=0.1)
    # The wheel's height follows from its load on the softer tyre.
    rate, static = sheet.suspension("RL").tyre_rate_n_mm, sheet.static_load_n("RL")
    assert rate is not None
    assert after[5] * 1e3 == pytest.approx(static / rate - loads[2] / (0.5 * rate), abs=1e-3)
    assert -14.0 < after[5] * 1e3 < -8.0
    assert lifts(after, sheet).argmin() == 2
    # Four wheels on a floor: what one loses its diagonal neighbour loses too, the others gain.
    moved = loads - np.array([sheet.static_load_n(c) for c in CORNERS])
    assert (np.sign(moved) == [1, -1, -1, 1]).all()
    assert (np.sign(travel) == np.sign(moved)).all()


@pytest.mark.parametrize("part", ["platform", "pushrod"])
def test_what_slips_at_all_corners_lets_the_body_down(sheet: Sheet, part: str) -> None:
    down = (5.0, 5.0, 4.0, 4.0)
    faults = [
        SlipFault(
            from_lap=1.0, over_laps=2.0, corner=c, down_mm=d, part="platform" if part == "platform" else "pushrod"
        )
        for c, d in zip(CORNERS, down, strict=True)
    ]
    for lap, share in ((0.9, 0.0), (2.0, 0.5), (5.0, 1.0)):
        _, travel, _ = still(sheet, with_fault(*faults), lap)
        assert travel * ratios(sheet) == pytest.approx(share * np.array(down), abs=1e-3)


def test_one_slipped_platform_unloads_its_corner_and_the_diagonal(sheet: Sheet) -> None:
    _, _, loads = still(sheet, with_fault(SlipFault(from_lap=0.0, corner="FR", down_mm=5.0)), 1.0)
    moved = loads - np.array([sheet.static_load_n(c) for c in CORNERS])
    assert moved.sum() == pytest.approx(0.0, abs=0.1)
    assert np.sign(moved).tolist() == [1, -1, -1, 1]
    # By hand: half the spring's force by the slip twists the front axle; its tyres take their share of it, and what is
    # left rolls the body until the rear axle holds against it. Tracks are nearly the same.
    stiff, held = [], []
    for corner in ("FR", "RR"):
        part = sheet.suspension(corner)
        ratio, tyre = ratios(sheet)[CORNERS.index(corner)], part.tyre_rate_n_mm
        assert tyre is not None
        wheel = part.spring.rate_at(0.0) * ratio**2 + sheet.axle_of(corner).anti_roll_bar_n_mm
        stiff.append(wheel * tyre / (wheel + tyre))
        held.append(0.5 * part.spring.rate_at(0.0) * ratio * 5.0 * tyre / (wheel + tyre))
    assert -moved[1] == pytest.approx(held[0] * stiff[1] / (stiff[0] + stiff[1]), rel=0.03)


def test_a_pushrod_moves_the_body_and_not_the_sensor(full: Stint, sheet: Sheet) -> None:
    # Once slipped, the damper stands 3 mm away from where the wheel's travel alone would have it.
    alone = full.wheel_travel_mm * ratios(sheet)
    shifted = full.damper_travel_mm - alone
    laps = full.timeline.lap
    assert np.abs(shifted[laps == 0]).max() < 1e-9
    assert shifted[laps > 1, 2] == pytest.approx(-3.0)
    assert np.abs(np.delete(shifted, 2, axis=1)).max() < 1e-9


@pytest.mark.parametrize("axle", ["front", "rear"])
def test_without_a_bar_roll_stiffness_is_the_springs(sheet: Sheet, axle: str) -> None:
    fault = BarFault(from_lap=1.0, axle="front" if axle == "front" else "rear")
    settings = with_fault(fault)
    # Roll moment of each axle from its own wheel travels: springs and, while there is one, the bar.
    split = []
    for lap in (0.5, 1.5):
        _, travel, loads = still(sheet, settings, lap, a_y=4.0)
        for first, one in ((0, "front"), (2, "rear")):
            part, given = sheet.suspension(CORNERS[first]), sheet.axle_of(CORNERS[first])
            bar = 0.0 if lap > 1.0 and one == axle else given.anti_roll_bar_n_mm
            wheel_rate = part.spring.rate_at(0.0) * ratios(sheet)[first] ** 2
            carried = (wheel_rate + bar) * (travel[first + 1] - travel[first])
            assert loads[first + 1] - loads[first] == pytest.approx(carried, rel=2e-3)
        split.append((loads[1] - loads[0]) / (loads[1] - loads[0] + loads[3] - loads[2]))
    assert (split[1] < split[0] - 0.05) if axle == "front" else (split[1] > split[0] + 0.03)


def test_friction_holds_its_force_both_ways(sheet: Sheet) -> None:
    settings = with_fault(FrictionFault(from_lap=1.0, corner="RR", force_n=80.0))
    elements = build_elements(sheet, friction=True)
    slopes = slopes_over(elements, settings, np.array([0.5, 1.5]))
    for i, element in enumerate(elements):
        if element.kind != "friction":
            continue
        state = np.zeros(19)
        for velocity, force in ((-0.5, -80.0), (-0.003, -80.0), (0.0015, 40.0), (0.5, 80.0)):
            state[10 + element.corner] = velocity / ratios(sheet)[element.corner]
            felt = slopes[1, i] * np.clip(state @ element.reads, element.low, element.high)
            assert felt == pytest.approx(force if element.corner == 3 else 0.0)
        assert slopes[0, i] == 0.0
        assert element.pushes[3 + element.corner] == pytest.approx(-ratios(sheet)[element.corner])


def test_friction_takes_energy_out_of_a_free_car(sheet: Sheet) -> None:
    # Dampers off: with friction a pressed car stops by itself, and without it it goes on.
    def swing(force_n: float) -> float:
        settings = replace(with_fault(), scatter=replace(QUIET, strut_friction_n=force_n))
        elements = build_elements(sheet, friction=True)
        slopes = slopes_over(elements, settings, np.array([0.0]))
        slopes[:, [e.kind in {"compression", "rebound"} for e in elements]] = 0.0
        forces = np.zeros((6000, 7))
        forces[:1000, 0] = -3000.0
        inputs = Inputs(np.zeros((6000, 4)), forces, np.zeros(len(elements)), slopes)
        return float(np.ptp(integrate(elements, masses(sheet), [inputs])[0][5000:, 0])) * 1e3

    assert swing(150.0) < 0.5
    assert swing(0.0) > 4.0


def test_friction_beyond_the_model_is_refused() -> None:
    with pytest.raises(ValueError, match="friction"):
        FrictionFault(from_lap=0.0, corner="FL", force_n=900.0)
    with pytest.raises(ValueError, match="friction"):
        Scatter(strut_friction_n=-1.0)


def test_dampers_warm_and_fade_together(sheet: Sheet) -> None:
    scatter = Scatter(damping_cold=0.1, damping_warm_laps=2.0, damping_fade=0.05, damping_fade_laps=8.0, tyre_cold=0.08)
    settings = with_fault(scatter=scatter)
    laps = np.array([0.0, 2.0, 100.0])
    by_hand = [1.1, (1.0 + 0.1 / np.e) * (1.0 - 0.05 * (1.0 - np.exp(-0.25))), 0.95]
    assert damping_factor(settings, laps) == pytest.approx(by_hand, abs=1e-6)
    elements = build_elements(sheet)
    plain = np.array([e.slope for e in elements])
    ratio = slopes_over(elements, settings, laps) / plain
    for i, element in enumerate(elements):
        if element.kind in {"compression", "rebound"}:
            assert ratio[:, i] == pytest.approx(by_hand, abs=1e-6)
        elif element.kind == "tyre":
            assert ratio[:, i] == pytest.approx([0.92, 1.0 - 0.08 / np.e, 1.0])
        else:
            assert ratio[:, i] == pytest.approx(1.0)


def test_line_and_kerbs_differ_by_as_much_as_asked() -> None:
    road = Road(build_circuit(), 3)
    same = [road.lap_tracks_mm(7, lap, 0.0, 0.0) for lap in (1, 2)]
    assert np.array_equal(same[0], same[1])
    sizes = [np.std(road.lap_tracks_mm(7, 1, line, 0.0) - same[0]) for line in (0.2, 0.4)]
    assert sizes[1] / sizes[0] == pytest.approx(2.0)
    kerb = road.circuit.kerbs[0]
    at = int(np.searchsorted(road.grid_m(), kerb.start_m + 0.5 * kerb.length_m))
    side = 0 if kerb.side == "left" else 1
    taken = [np.std([road.lap_tracks_mm(7, lap, 0.0, size)[side, at] for lap in range(30)]) for size in (0.05, 0.15)]
    assert 1.5 < taken[1] / taken[0] < 4.0


def test_traffic_slows_a_part_of_some_laps() -> None:
    circuit = build_circuit()
    flying = {1.0: lap_speed_m_s(circuit, Grip())}
    assert pace_change(circuit, flying, StintSettings("t", "", timed_laps=40), 1) is None
    always = StintSettings("t", "", timed_laps=40, scatter=Scatter(traffic=1.0))
    half = replace(always, scatter=Scatter(traffic=0.5))
    place = np.arange(0.0, 42 * circuit.length_m, 2.0)
    laps = (place / circuit.length_m).astype(int)
    met = []
    for settings in (always, half):
        change = pace_change(circuit, flying, settings, 1)
        assert change is not None
        factor = change(place)
        lowest = np.array([factor[laps == lap].min() for lap in range(42)])
        assert ((lowest > 0.8999) & ((lowest < 0.9705) | (lowest == 1.0))).all()
        met.append(lowest < 1.0)
        share = np.mean(factor < 1.0)
        assert 0.02 < share < 0.4
    assert met[0].all()
    assert 10 < met[1].sum() < 32


def test_rain_takes_speed_out_of_corners_and_leaves_the_laps_before() -> None:
    circuit = build_circuit()
    grip = Grip()
    flying = {scale: lap_speed_m_s(circuit, replace(grip, friction=grip.friction * scale)) for scale in (1.0, 0.8)}
    settings = StintSettings("wet", "", grip_changes=(GripChange(from_lap=2.0, friction_scale=0.8),))
    change = pace_change(circuit, flying, settings, 1)
    assert change is not None
    place = np.arange(0.0, 4 * circuit.length_m, 1.0)
    factor = change(place)
    assert (factor[place < 2 * circuit.length_m] == 1.0).all()
    late = place > 3 * circuit.length_m
    slowest = int(np.argmin(np.interp(np.mod(place[late], circuit.length_m), circuit.grid_m, flying[1.0])))
    # Cornering speed goes with the root of friction, downforce being small there.
    assert factor[late][slowest] == pytest.approx(np.sqrt(0.8), abs=0.02)
    assert factor[late].max() > 0.93


def test_wind_changes_downforce_at_its_lap(sheet: Sheet) -> None:
    settings = StintSettings("wind", "", grip_changes=(GripChange(from_lap=2.0, downforce_scale=0.9),))
    zero, speed = np.zeros(2), np.full(2, 50.0)
    forces = outside_forces(sheet, settings, speed, zero, zero, np.array([1.9, 2.1]))
    assert forces[1, 0] / forces[0, 0] == pytest.approx(0.9)
    assert forces[1, 1] / forces[0, 1] == pytest.approx(0.9)


def test_cold_tyres_carry_the_car_with_its_fuel(full: Stint, sheet: Sheet) -> None:
    fuel = FULL.scatter.fuel_start_kg - FULL.scatter.fuel_per_lap_kg * full.timeline.lap_distance_m[0] / (
        build_circuit().length_m
    )
    assert full.wheel_load_n[0].sum() == pytest.approx((sheet.car.mass_kg + fuel) * GRAVITY_M_S2, abs=0.5)


def test_everything_at_once_runs_and_is_in_the_truth(full: Stint, sheet: Sheet) -> None:
    assert np.isfinite(full.damper_velocity_mm_s).all()
    assert np.abs(full.damper_velocity_mm_s).max() < 900.0
    known = truth_of(sheet, full)
    assert known["scatter"]["traffic"] == FULL.scatter.traffic
    assert [one["kind"] for one in known["car_faults"]][:3] == ["SlipFault", "SlipFault", "TyreFault"]
    assert known["grip_changes"][0]["downforce_scale"] == 0.95


def test_readings_alone_are_those_of_whole_stints(full: Stint, sheet: Sheet) -> None:
    beside = realistic("beside", 0, SEED)
    light = list(simulate_readings_each(sheet, [FULL, beside], SEED))
    assert len(light) == 2
    one, other = light[0], full.readings
    assert np.array_equal(one.sample, other.sample)
    assert np.array_equal(one.speed, other.speed)
    assert np.mean(one.counts != other.counts) < 1e-4
    assert np.abs(one.counts - other.counts).max() <= 1
    with pytest.raises(ValueError, match="at_a_time"):
        next(simulate_readings_each(sheet, [FULL], SEED, at_a_time=0))


def test_a_realistic_stint_is_its_own() -> None:
    assert realistic("a", 5, 1) == realistic("a", 5, 1)
    assert realistic("a", 5, 1).scatter != realistic("b", 5, 1).scatter
    assert realistic("a", 5, 1).scatter != realistic("a", 5, 2).scatter
    middle = realistic("a", 5, 1).scatter
    assert middle.fuel_start_kg == pytest.approx(3.5 * middle.fuel_per_lap_kg)


def read_mm(sheet: Sheet, stint: Stint, corner: str, rows: NDArray[np.int64]) -> Floats:
    column = CORNERS.index(corner)
    return np.array([travel_by_hand(sheet, corner, float(c)) for c in stint.readings.counts[rows, column]])


def test_gain_scales_travel_and_velocity_alike(sheet: Sheet, sensors: list[Stint]) -> None:
    rows = np.arange(30_000, 34_000)
    healthy, scaled = (read_mm(sheet, stint, "FL", rows) for stint in sensors[:2])
    true = sensors[0].damper_travel_mm[rows, 0]
    assert np.polyfit(true, scaled, 1) == pytest.approx([1.2, 0.0], abs=0.01)
    ranges = [np.std(one[40:] - one[:-40]) for one in (healthy, scaled)]
    assert ranges[1] / ranges[0] == pytest.approx(1.2, abs=0.01)
    before = np.arange(0, 500)
    assert np.abs(read_mm(sheet, sensors[1], "FL", before) - sensors[1].damper_travel_mm[before, 0]).max() < 0.2


def test_zero_drifts_slowly_and_stays(sheet: Sheet, sensors: list[Stint]) -> None:
    for second, size in ((0, 0.0), (5, 1.0), (10, 2.0), (20, 4.0), (40, 4.0)):
        rows = np.arange(second * int(RATE_HZ), second * int(RATE_HZ) + 100)
        error = read_mm(sheet, sensors[2], "FL", rows) - sensors[2].damper_travel_mm[rows, 0]
        assert error.mean() == pytest.approx(size, abs=0.03)


def test_inverted_and_swapped_sensors(sheet: Sheet, sensors: list[Stint]) -> None:
    rows = np.arange(30_000, 31_000)
    plain, inverted, names, plugs = sensors[0], *sensors[3:]
    true = plain.damper_travel_mm[rows]
    assert read_mm(sheet, inverted, "RR", rows) == pytest.approx(-true[:, 3], abs=0.2)
    assert read_mm(sheet, names, "FL", rows) == pytest.approx(true[:, 3], abs=0.2)
    assert read_mm(sheet, names, "RR", rows) == pytest.approx(true[:, 0], abs=0.2)
    assert np.array_equal(plugs.readings.counts[rows][:, [0, 2, 1, 3]], plain.readings.counts[rows])
    for stint in sensors[1:]:
        fault = stint.readings.faults[0]
        assert fault.end_sample == stint.readings.sample.size
        kinds = {alert["kind"] for alert in truth_of(sheet, stint)["expected_alerts"]}
        assert "sensor" not in kinds
