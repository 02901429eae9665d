"""A fixed view of an invented car to paint in tests, and ways to change it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from console.car_view import CarView
from console.left_right import Sides
from console.trends import LapPoint
from console.view import (
    AlertView,
    AsymmetryView,
    BoardView,
    CornerView,
    LinkStatus,
    PointView,
    StopCount,
)
from dsp.asymmetry import PLACES
from dsp.downforce import Downforce, Estimate
from dsp.statistics import SHARE_NAMES, VELOCITY_BINS
from ingest.chunk import CORNERS, Ints

HOSTILE = "[bold red]ok[/] [/x]\x1b[2J\x1b]0;t\x07\x9b31m\u202e\u200b\nrow\r\x00\x7f<script>"


def velocity_counts(sigma_mm_s: float, seed: int) -> Ints:
    """Counts of 5,000 normally distributed velocities."""
    values = np.random.default_rng(seed).normal(0.0, sigma_mm_s, (5000, 1))
    counts: Ints = VELOCITY_BINS.count_values(values)[0]
    return counts


def make_corner(number: int, **changes: Any) -> CornerView:
    corner = CornerView(
        name=CORNERS[number],
        recent_counts=velocity_counts(60.0 + 15.0 * number, number),
        stint_counts=velocity_counts(65.0 + 5.0 * number, 10 + number),
        shares=dict(zip(SHARE_NAMES, (0.1, 0.4, 0.35, 0.15), strict=True)),
        rms_mm_s=60.0 + number,
        travel_mm=3.0 * number - 4.0,
        lap_lowest_mm=-12.0,
        lap_highest_mm=29.0,
        full_droop_mm=-38.0,
        full_bump_mm=46.0,
        stop_gap_mm=28.0,
        lap_stops=StopCount(number, 0.1 * number),
        stint_stops=StopCount(10 * number, 1.0 * number),
        rejected=0,
        stop_peak_share=0.09 * number if number else math.nan,
    )
    return replace(corner, **changes)


def interval(value: float, half: float) -> Estimate:
    return Estimate(value, half / 2.0, value - half, value + half)


def make_downforce(**changes: Any) -> Downforce:
    """Downforce as it is known after some laps; with a `reason` among the changes, none."""
    found = Downforce(
        reason="",
        windows_judged=400,
        windows_used=80,
        windows_dropped=0,
        windows_refused={},
        air_density_kg_m3=1.225,
        air_density_how="given",
        front_m2=interval(1.05, 0.03),
        rear_m2=interval(1.45, 0.04),
        total_m2=interval(2.5, 0.05),
        front_share=interval(0.42, 0.012),
    )
    return replace(found, **changes)


def make_car(**changes: Any) -> CarView:
    car = CarView(
        load_n=(2940.0, 7360.0, 1880.0, 5720.0),
        static_n=(3051.0, 3051.0, 3372.0, 3372.0),
        front_share=0.574,
        rake_deg=1.03,
        rake_mm=48.6,
        with_tyres=True,
        downforce=make_downforce(),
    )
    return replace(car, **changes)


def make_alert(**changes: Any) -> AlertView:
    alert = AlertView(
        priority="high",
        kind="sensor",
        where="RR",
        sentence="open circuit: reads 4095 counts",
        since_lap="3",
        since_s=158.0,
        check_first="connector and wiring of this sensor, then its supply",
        unacknowledged=True,
        held=False,
        unknown=False,
        caution=True,
    )
    return replace(alert, **changes)


def make_view(**changes: Any) -> BoardView:
    points = tuple(
        PointView(name, 60.0 + place, lowest, lowest - 1.0, 82.0, 34.0, below, 2 * below)
        for place, (name, lowest, below) in enumerate(
            [("splitter_left", 31.0, 0.4), ("splitter_right", 36.0, 0.0), ("floor_rear", 50.0, 0.0)]
        )
    )
    laps = tuple(
        LapPoint(
            str(n),
            "timed" if n else "out",
            57.0 + n,
            dict.fromkeys(PLACES, 5.0 * n),
            (60.0, 61.0, 62.0, 63.0),
            (0.14, 0.15, 0.16, 0.17),
            (0.0, 0.1, 0.2, math.nan),
            {"splitter_left": 33.0 + n, "splitter_right": 36.0, "floor_rear": 50.0},
            Sides(dict.fromkeys(PLACES, 5.0 * n), {}, dict.fromkeys(PLACES, "FL") if n == 3 else {}, f"lap {n}", True),
        )
        for n in range(4)
    )
    percent = dict(zip(PLACES, (1.0, 15.0, -2.0, -20.0), strict=True))
    beyond = {"front rebound": "FL", "rear rebound": "RR"}
    view = BoardView(
        car="Lapwing 3",
        status=LinkStatus("stint.parquet", 230.0, 600.0, 0.38, "pace 20", rate_hz=500.0),
        lap_name="4",
        lap_time_s=12.3,
        window_s=30.0,
        low_speed_compression_mm_s=50,
        low_speed_rebound_mm_s=40,
        corners=tuple(make_corner(number) for number in range(4)),
        asymmetry=AsymmetryView(percent, "lap 3", 12.0, beyond=beyond),
        points=points,
        laps=laps,
        alerts=(make_alert(), make_alert(priority="low", kind="left/right", where="rear rebound", caution=False)),
        suppressed=("bump stop RR", "left/right rear compression"),
        car_now=make_car(),
    )
    return replace(view, **changes)


def unknown_view() -> BoardView:
    """A view of a run of which nothing is known yet."""
    nan = math.nan
    nothing = np.zeros(VELOCITY_BINS.size, dtype=np.int64)
    corners = tuple(
        make_corner(
            number,
            recent_counts=nothing,
            stint_counts=nothing,
            shares=dict.fromkeys(SHARE_NAMES, nan),
            rms_mm_s=nan,
            travel_mm=nan,
            lap_lowest_mm=nan,
            lap_highest_mm=nan,
            stop_gap_mm=math.inf,
            lap_stops=StopCount(),
            stint_stops=StopCount(),
            stop_peak_share=nan,
        )
        for number in range(4)
    )
    return make_view(
        status=LinkStatus("stint.parquet", 0.0),
        lap_name="",
        lap_time_s=nan,
        corners=corners,
        asymmetry=AsymmetryView(dict.fromkeys(PLACES, nan), "stint", 12.0, judged=False),
        points=(PointView("splitter", nan, nan, nan, 82.0, 34.0, nan, nan),),
        laps=(),
        alerts=(),
        suppressed=(),
        car_now=CarView(),
    )
