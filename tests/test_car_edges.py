"""Numbers about the whole car that must not change when a channel drops out, a key is missing, or the car stands."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from console.describe_car import balance
from console.sheet_figures import car_figures, corner_figures
from dsp.corner_loads import LinkLoads
from dsp.wheel_loads import LoadTally
from ingest.chunk import CORNERS, Floats
from tests.eventful import records
from tests.monitored import RATE, chunk, easy_sheet, flat
from tests.sheets import make_sheet

SAMPLES = 10_000
DROPOUT = slice(4_000, 4_500)
TOUCHED = {"gap_mm": -3.0, "force": [[0.0, 0.0], [5.0, 500.0], [10.0, 2000.0]]}
TYRES = {"axle.front.tyre_rate_n_mm": 250.0, "axle.rear.tyre_rate_n_mm": 250.0}


def found(changes: dict[str, Any], travel_mm: Floats, **side: Any) -> dict[str, Any]:
    """Everything written about a stream."""
    return records(easy_sheet(changes), [chunk(travel_mm, **side)], tuple(side), RATE)


def test_a_lost_speed_does_not_lower_the_car() -> None:
    """Where growth of the tyres needs a speed that is unknown, the height is not that of a standing car."""
    speed = np.full(SAMPLES, 80.0)
    speed[DROPOUT] = np.nan
    growth = {f"axle.{axle}.tyre_growth_mm_at_100_m_s": 10.0 for axle in ("front", "rear")}
    nose = found(TYRES | growth, flat(SAMPLES), speed=speed)["summary"]["platform"]["nose"]
    assert nose["lowest_mm"] == pytest.approx(50.0 + 10.0 * 0.8**2, abs=0.1)


def test_a_lost_acceleration_does_not_change_a_wheel_load() -> None:
    """What the links carry is unknown for a moment, not 0."""
    lateral = np.full(SAMPLES, 12.0)
    lateral[DROPOUT] = np.nan
    side = {"acceleration_lateral": lateral, "acceleration_longitudinal": np.zeros(SAMPLES)}
    summary = found({"axle.front.roll_centre_height_mm": 80.0}, flat(SAMPLES), **side)["summary"]
    load = summary["corners"]["FR"]["wheel_load"]
    assert load["lowest_n"] == pytest.approx(load["highest_n"], abs=1.0)


def test_a_standing_car_on_its_stops_trips_nothing_at_the_end_of_its_lap() -> None:
    """Half a minute in the garage on stops that are touched at static is no contact of the lap."""
    samples, stands = 20_000, 15_000
    travel = np.concatenate((flat(stands), flat(samples - stands, -8.0)))
    speed = np.where(np.arange(samples) < stands, 0.0, 45.0)
    lap = np.where(np.arange(samples) < samples - 1_000, 0.0, 1.0)
    written = found({"axle.front.bump_stop": TOUCHED}, travel, speed=speed, lap_number=lap)
    assert [alert["sentence"] for alert in written["alerts"] if alert["kind"] == "bump_stop"] == []
    assert written["summary"]["corners"]["FL"]["bump_stop"]["total_time_s"] < 1.0


def test_a_car_on_stands_has_no_top_outs_when_it_is_known_to_stand() -> None:
    travel = np.concatenate((flat(5_000, -40.0), flat(5_000)))
    speed = np.where(np.arange(SAMPLES) < 5_000, 0.0, 45.0)
    top_out = found({}, travel, speed=speed)["summary"]["corners"]["FL"]["top_out"]
    assert top_out["total_time_s"] < 1.0


def test_a_wheel_at_full_droop_carries_no_load_the_spring_cannot_give() -> None:
    """Beyond full droop damper and links hold the wheel: what the spring still pushes does not reach the road."""
    soft = {"axle.front.spring": {"rate_n_mm": 30.0}}
    load = found(soft, flat(SAMPLES, -40.0))["summary"]["corners"]["FL"]["wheel_load"]
    assert load["lowest_n"] is None or not load["lowest_n"] > 100.0


def test_cross_weight_is_the_same_diagonal_in_the_sheet_and_in_the_results() -> None:
    heavy = dict(zip(CORNERS, (240.0, 210.0, 210.0, 240.0), strict=True))
    sheet = make_sheet({f"corner.{corner}.corner_weight_kg": weight for corner, weight in heavy.items()})
    figures = car_figures(sheet, {corner: corner_figures(sheet, corner) for corner in CORNERS})
    hundredths = np.array([round(sheet.static_load_n(corner) * 100.0) for corner in CORNERS], dtype=np.int64)
    measured = balance(LoadTally(together=1, together_sum=hundredths))
    assert measured["cross_weight_share"] == pytest.approx(figures.cross_share)


def test_anti_dive_without_a_centre_of_gravity_leaves_the_unsprung_transfer_alone() -> None:
    """The sprung part of the transfer is unknown then; it is not the unsprung part with its sign turned."""
    unsprung = {
        f"axle.{axle}.{key}": value
        for axle in ("front", "rear")
        for key, value in (("unsprung_mass_kg", 30.0), ("unsprung_centre_height_mm", 300.0))
    }
    braking = np.array([-10.0])
    without = LinkLoads(make_sheet(unsprung)).axle_n(braking, 0)
    with_it = LinkLoads(make_sheet(unsprung | {"axle.front.anti_dive_percent": 50.0})).axle_n(braking, 0)
    assert with_it[0] >= without[0] - 1e-9
