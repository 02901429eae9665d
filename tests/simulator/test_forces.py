"""Loads, damper energy, contacts and top-outs of the truth, each recomputed another way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ingest.sheet import Sheet
from replay_logs.forces import top_outs_of
from replay_logs.stint import Stint
from replay_logs.truth import truth_of

from .test_vehicle import curve_force_n

CORNERS = ("FL", "FR", "RL", "RR")


def test_air_of_a_stint_is_in_its_truth(sheet: Sheet, winged: Stint) -> None:
    truth = truth_of(sheet, winged)
    assert truth["air_density_kg_m3"] == 1.1
    assert truth["downforce_area_m2"] == {"front": 0.6, "rear": 2.2}
    assert (truth["seed"], truth["road_seed"]) == (11, 5)


def test_mean_loads_of_a_lap_add_up_to_weight_and_downforce(
    sheet: Sheet, stints: tuple[Stint, Stint], winged: Stint
) -> None:
    for stint in (*stints, winged):
        truth = truth_of(sheet, stint)
        area = sum(truth["downforce_area_m2"].values())
        for lap, (_, a, b) in zip(truth["laps"], stint.lap_bounds(), strict=True):
            speed = stint.timeline.speed_m_s[a:b]
            fast = speed[speed >= 8.0]
            downforce = 0.5 * truth["air_density_kg_m3"] * float(np.mean(fast**2)) * area
            load = sum(one["mean_n"] for one in lap["wheel_load"].values())
            assert load == pytest.approx(sheet.car.mass_kg * 9.80665 + downforce, rel=0.002)


def test_extremes_of_wheel_loads(sheet: Sheet, stints: tuple[Stint, Stint]) -> None:
    stint = stints[0]
    _, a, b = stint.lap_bounds()[1]
    seen = truth_of(sheet, stint)["laps"][1]["wheel_load"]
    for corner, name in enumerate(CORNERS):
        rate = sheet.suspension(name).tyre_rate_n_mm
        assert rate is not None
        loads = np.sort(np.maximum(sheet.static_load_n(name) + rate * stint.tyre_squash_mm[a:b, corner], 0.0))
        assert seen[name]["min_n"] == pytest.approx(loads[0], abs=0.1)
        assert seen[name]["first_percentile_n"] == pytest.approx(loads[round(0.01 * loads.size)], abs=8.0)
        assert seen[name]["ninety_ninth_percentile_n"] == pytest.approx(loads[round(0.99 * loads.size)], abs=8.0)
        light = np.searchsorted(loads, 0.02 * sheet.static_load_n(name)) / loads.size
        assert seen[name]["unloaded_share"] == pytest.approx(light, abs=1e-6)
        assert seen[name]["unloaded_share"] > 0.0


def test_damper_energy_is_the_integral_of_force_times_velocity(sheet: Sheet, stints: tuple[Stint, Stint]) -> None:
    for stint, soft in zip(stints, (1.0, 0.6), strict=True):
        for lap, (number, a, b) in zip(truth_of(sheet, stint)["laps"], stint.lap_bounds(), strict=True):
            for corner, name in enumerate(CORNERS):
                damper = sheet.suspension(name).damper
                assert damper is not None
                velocity = stint.damper_velocity_mm_s[a:b, corner]
                force = curve_force_n(damper.curve, velocity)
                scale = soft if name == "RL" and number >= 1 else 1.0
                power_w = scale * force * velocity / 1e3 * (stint.timeline.speed_m_s[a:b] >= 8.0)
                expected = float(np.trapezoid(power_w, dx=1e-3))
                assert lap["damper_energy_j"][name] == pytest.approx(expected, rel=0.003)
                assert lap["damper_energy_j"][name] > 50.0


def test_impulses_add_up_to_all_that_the_stops_gave(sheet: Sheet, stints: tuple[Stint, Stint]) -> None:
    stint = stints[1]
    truth = truth_of(sheet, stint)
    assert len(truth["bump_stop_contacts"]) > 20
    for corner, name in enumerate(CORNERS):
        stop = sheet.suspension(name).bump_stop
        assert stop is not None
        force = np.interp(stint.damper_travel_mm[:, corner] - stop.gap_mm, *np.array(stop.force).T)
        mine = [one for one in truth["bump_stop_contacts"] if one["corner"] == name]
        # A contact is rounded to 0.001 N s.
        total = sum(one["impulse_n_s"] for one in mine)
        assert total == pytest.approx(float(np.trapezoid(force, dx=1e-3)), abs=0.01 + 0.0005 * len(mine))
        per_lap = sum(lap["bump_stop"][name]["impulse_n_s"] for lap in truth["laps"])
        assert per_lap == pytest.approx(total, abs=1e-6)
        for one in mine:
            assert 0.0 <= one["impulse_n_s"] <= one["peak_force_n"] * one["duration_s"] + 1e-3


def test_top_outs_are_found_where_they_are(sheet: Sheet, stints: tuple[Stint, Stint]) -> None:
    stint = stints[0]
    assert top_outs_of(sheet, stint) == []
    travel = stint.damper_travel_mm.copy()
    reach = -(sheet.suspension("RL").travel_to_full_droop_mm - 0.5)
    travel[70_001:70_011, 2] = reach - 0.4
    travel[70_005, 2] = reach + 0.15  # not yet off the stop
    travel[70_020:70_030, 2] = reach + 0.01  # not on it
    travel[80_000:80_004, 0] = reach + 3.0  # the front reaches its own end sooner
    found = top_outs_of(sheet, replace(stint, damper_travel_mm=travel))
    rear = next(one for one in found if one["corner"] == "RL")
    assert len(found) == 2
    assert rear == {
        "corner": "RL",
        "lap": int(stint.timeline.lap[70_001]),
        "start_s": 70.001,
        "start_sample": 35_001,
        "duration_s": 0.01,
        "lowest_travel_mm": pytest.approx(reach - 0.4),
    }


def test_range_of_travel(sheet: Sheet, stints: tuple[Stint, Stint]) -> None:
    for name, (lowest, highest) in truth_of(sheet, stints[1])["travel_range_mm"].items():
        travel = np.sort(stints[1].damper_travel_mm[:, CORNERS.index(name)])
        assert (lowest, highest) == pytest.approx((travel[0], travel[-1]), abs=1e-3)
