"""Whole stints: the shape of a run, plausible motion, loads in the mean, and the same again from the same seed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ingest.sheet import Sheet
from replay_logs.circuit import build_circuit
from replay_logs.road import Road
from replay_logs.settings import DOWNFORCE_AREA_FRONT_M2, DOWNFORCE_AREA_REAR_M2
from replay_logs.stint import Stint, simulate, simulate_each
from replay_logs.vehicle import geometry

from .conftest import PLAIN, SEED, WINGED


def test_the_same_seed_gives_the_same_stint_whatever_runs_beside_it(
    sheet: Sheet, stints: tuple[Stint, Stint], winged: Stint
) -> None:
    alone = simulate_each(sheet, [replace(WINGED), replace(PLAIN)], SEED, at_a_time=1)
    for again, before in zip(alone, (winged, stints[0]), strict=True):
        assert again.settings == before.settings
        assert np.array_equal(again.readings.counts, before.readings.counts)
        assert np.array_equal(again.readings.speed, before.readings.speed)
        np.testing.assert_allclose(again.damper_travel_mm, before.damper_travel_mm, atol=1e-6)


def test_a_stint_may_have_a_road_of_its_own(sheet: Sheet, stints: tuple[Stint, Stint], winged: Stint) -> None:
    for stint, seed in ((stints[0], SEED), (winged, 5)):
        path = stint.timeline
        known = Road(build_circuit(), seed).along_mm(
            path.travelled_m, path.start_m, path.end_m, stint.settings.own_seed, 0.0
        )
        body = stint.body @ geometry(sheet).lift * 1e3
        under = body + stint.wheel_travel_mm + stint.tyre_squash_mm
        np.testing.assert_allclose(under[:, :2], known, atol=1e-3)


def test_no_stints_and_no_room(sheet: Sheet) -> None:
    assert simulate(sheet, [], SEED) == []
    with pytest.raises(ValueError, match="at_a_time"):
        next(simulate_each(sheet, [PLAIN], SEED, at_a_time=0))


def test_out_lap_starts_part_way_and_in_lap_stops(stints: tuple[Stint, Stint]) -> None:
    path = stints[0].timeline
    assert path.lap_distance_m[0] > 100.0
    assert not path.speed_m_s[:4900].any()
    assert not path.speed_m_s[-4000:].any()
    assert [stints[0].lap_kind(lap) for lap, _, _ in stints[0].lap_bounds()] == ["out", "timed", "in"]
    duration = {lap: (b - a) / 1000.0 for lap, a, b in stints[0].lap_bounds()}
    assert 50.0 < duration[1] < 60.0
    assert duration[0] > 1.12 * duration[1]


def test_path_is_consistent(stints: tuple[Stint, Stint]) -> None:
    path = stints[0].timeline
    v = np.gradient(path.travelled_m, 1e-3)
    rolling = path.speed_m_s > 2.0  # place is only known to a few cm as the car creeps off
    assert np.abs(v - path.speed_m_s)[rolling].max() < 0.2
    regained = np.cumsum(path.acceleration_x_m_s2) * 1e-3
    assert np.abs(regained - path.speed_m_s).max() < 0.5
    assert -22.0 < path.acceleration_x_m_s2.min() < -10.0
    assert 13.0 < np.abs(path.acceleration_y_m_s2).max() < 22.0


def test_velocities_are_those_of_a_race_car(stints: tuple[Stint, Stint]) -> None:
    plain = stints[0]
    speed = np.abs(plain.damper_velocity_mm_s[plain.timeline.speed_m_s > 8.0])
    assert (np.mean(speed < 100.0, axis=0) > 0.85).all()
    assert (np.mean(speed > 50.0, axis=0) > 0.05).all()
    assert 250.0 < speed.max() < 700.0


def test_velocity_is_the_slope_of_travel(stints: tuple[Stint, Stint]) -> None:
    plain = stints[0]
    slope = np.gradient(plain.damper_travel_mm, 1e-3, axis=0)
    assert np.sqrt(np.mean((slope - plain.damper_velocity_mm_s) ** 2)) < 2.0


def test_loads_are_weight_and_downforce_in_the_mean(sheet: Sheet, stints: tuple[Stint, Stint], winged: Stint) -> None:
    shipped = (1.225, DOWNFORCE_AREA_FRONT_M2, DOWNFORCE_AREA_REAR_M2)
    for stint, (air, front, rear) in ((stints[0], shipped), (winged, (1.1, 0.6, 2.2))):
        lap = next((a, b) for number, a, b in stint.lap_bounds() if number == 1)
        pressure = 0.5 * air * np.mean(stint.timeline.speed_m_s[slice(*lap)] ** 2)
        a_x = np.mean(stint.timeline.acceleration_x_m_s2[slice(*lap)])
        car, load = sheet.car, stint.wheel_load_n[slice(*lap)].mean(axis=0)
        weight = car.mass_kg * 9.80665
        assert load.sum() == pytest.approx(weight + pressure * (front + rear), rel=0.003)
        moved = car.mass_kg * a_x * car.centre_of_gravity_height_mm / car.wheelbase_mm
        assert load[:2].sum() == pytest.approx(weight * car.front_share + pressure * front - moved, rel=0.004)


def test_softer_damper_moves_faster_and_lowered_car_sits_lower(stints: tuple[Stint, Stint]) -> None:
    plain, spoilt = stints
    np.testing.assert_allclose(spoilt.damper_travel_mm[0], [6.0, 6.0, 4.0, 4.0], atol=0.02)
    rms = []
    for stint in (plain, spoilt):
        a, b = next((a, b) for number, a, b in stint.lap_bounds() if number == 1)
        rms.append(stint.damper_velocity_mm_s[a:b].std(axis=0))
    change = rms[1] / rms[0]
    assert change[2] > 1.12
    assert np.abs(np.log(change[[0, 1, 3]])).max() < 0.1
