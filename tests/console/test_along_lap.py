"""Lowest heights along the lap: against every row looked at by itself, and any split of the rows."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from console.along_lap import AlongLap
from dsp.frame import CarBlock
from tests.console.debrief_stints import lines_of, shipped, summary_of
from tests.dsp.car_blocks import car_block

POINTS = ("nose", "tail")


def lap_rows(rows: int = 900) -> CarBlock:
    rng = np.random.default_rng(5)
    heights = rng.uniform(20.0, 60.0, (rows, 2))
    heights[rng.random((rows, 2)) < 0.1] = np.nan
    place = np.linspace(0.0, 700.0, rows) % 310.0
    place[rng.random(rows) < 0.05] = np.nan
    speed = np.where(np.arange(rows) % 50 < 5, 2.0, 40.0)
    return replace(car_block(rows), heights_mm=heights, place_m=place, speed_m_s=speed)


def by_hand(car: CarBlock, slowest_m_s: float) -> dict[int, list[float]]:
    found: dict[int, list[float]] = {}
    for heights, place, speed in zip(
        car.heights_mm.tolist(), car.place_m.tolist(), car.speed_m_s.tolist(), strict=True
    ):
        if math.isnan(place):
            continue
        kept = found.setdefault(int(place // 20.0), [math.inf, math.inf])
        if speed >= slowest_m_s:
            kept[:] = [min(a, b) if b == b else a for a, b in zip(kept, heights, strict=True)]
    return found


@pytest.mark.parametrize("step", [1, 7, 113, 900])
def test_lowest_of_each_stretch_for_any_split(step: int) -> None:
    car, profile = lap_rows(), AlongLap()
    for start in range(0, len(car), step):
        profile.add(car.part(start, min(start + step, len(car))), 8.0)
    record = profile.record(POINTS)
    expected = by_hand(car, 8.0)
    assert record["step_m"] == 20.0
    assert record["from_m"] == [20.0 * number for number in range(16)]
    for place, name in enumerate(POINTS):
        wanted = [expected[number][place] for number in range(16)]
        np.testing.assert_array_equal(record["lowest_mm"][name], [w if math.isfinite(w) else math.nan for w in wanted])


def test_without_distance_there_is_no_profile() -> None:
    car, profile = lap_rows(), AlongLap()
    profile.add(replace(car, place_m=np.full(len(car), np.nan)), 8.0)
    profile.add(replace(car, place_m=np.full(len(car), 1e9)), 8.0)
    record = profile.record(POINTS)
    assert record["from_m"] == []
    assert [len(values) for values in record["lowest_mm"].values()] == [0, 0]


def test_the_results_hold_the_profile_of_the_stint() -> None:
    summary, laps = summary_of(shipped()), lines_of(shipped(), "laps.jsonl")
    record = summary["along_lap"]
    assert set(record["lowest_mm"]) == set(summary["platform"])
    for name, point in summary["platform"].items():
        known = [value for value in record["lowest_mm"][name] if value is not None]
        assert min(known) == point["lowest_mm"]
        lowest = record["lowest_mm"][name][int(point["lowest_place_m"] // record["step_m"])]
        assert lowest == min(lap["platform"][name]["lowest_mm"] for lap in laps)
    assert summary["velocity_bands"] == {"low_speed_rebound_mm_s": 50, "low_speed_compression_mm_s": 50}
