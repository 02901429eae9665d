"""Marks of left and right follow the left/right rule: what both axles share is no mark, what the rule finds is."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from alerts.asymmetry import LeftRightAsymmetry
from alerts.monitor import Monitor
from console.board import render
from console.left_right import LapJudge, sides_of_tally
from console.take_view import take_view
from console.trends import Trends
from console.view import LinkStatus
from dsp.asymmetry import PLACES
from dsp.laps import LapVerdict
from dsp.pipeline import Frame
from dsp.statistics import Tally
from dsp.summary import LapSummary, Share
from ingest.chunk import Chunk
from tests.console.replayed import replayed
from tests.sheets import make_sheet

RATE_HZ = 500.0
SAMPLES = 10_000


def tally_of(scales: tuple[float, float, float, float], rebound: tuple[float, float, float, float]) -> Tally:
    tally = Tally()
    up = np.linspace(1.0, 200.0, SAMPLES)
    velocity = np.column_stack(
        [np.where(np.arange(SAMPLES) % 2, c * up, -r * up) for c, r in zip(scales, rebound, strict=True)]
    )
    tally.add(np.zeros((SAMPLES, 4)), velocity)
    return tally


def monitor_of(**alerts: object) -> Monitor:
    changes = {"alerts.asymmetry": {"least_time_per_lap_s": 1.0, **alerts}}
    return Monitor(make_sheet(changes), RATE_HZ, ())


def frame_of(monitor: Monitor, tally: Tally, kind: str = "timed") -> Frame:
    """A frame in which a lap has ended, with whatever else a frame holds."""
    step = monitor.process(Chunk(0, RATE_HZ, np.zeros((2000, 4), order="F")))
    share = Share.empty(0)
    share.tally.merge(tally)
    lap = LapSummary(1, "1", LapVerdict(kind), 0, SAMPLES, 20.0, math.nan, 0, share)
    frame = step.frames[-1]
    frame.laps.append(lap)
    return frame


@pytest.mark.parametrize(
    ("scales", "rebound", "beyond"),
    [
        # A circuit that turns more one way: all of the left is faster by a third, far beyond 12 %.
        ((1.33, 1.0, 1.33, 1.0), (1.33, 1.0, 1.33, 1.0), {}),
        ((1.0, 1.0, 1.0, 1.0), (1.0, 1.0, 1.0, 1.0), {}),
        ((1.0, 1.0, 1.0, 1.33), (1.0, 1.0, 1.0, 1.33), {"rear compression": "RR", "rear rebound": "RR"}),
        ((1.3, 1.0, 1.0, 1.0), (1.3, 1.0, 1.0, 1.0), {"front compression": "FL", "front rebound": "FL"}),
    ],
)
def test_what_both_axles_share_is_not_marked_and_what_one_has_is(
    scales: tuple[float, float, float, float],
    rebound: tuple[float, float, float, float],
    beyond: dict[str, str],
) -> None:
    monitor = monitor_of()
    tally = tally_of(scales, rebound)
    found = LapJudge(monitor).take(frame_of(monitor, tally))[1]
    assert found.beyond == beyond
    assert found.judged
    for place in PLACES:
        left_faster = found.percent[place] > 0.0
        if place in beyond:
            assert abs(found.percent[place]) == pytest.approx(100.0 * math.log(max(*scales)), abs=1.0)
            assert left_faster == (beyond[place] in {"FL", "RL"})
        else:
            assert abs(found.percent[place]) < 12.0


@pytest.mark.parametrize("seed", range(30))
def test_the_marks_are_the_rules_own(seed: int) -> None:
    """Whatever the lap: a place is marked exactly when the rule, content with one lap, says it is beyond a limit."""
    rng = np.random.default_rng(seed)
    compression, rebound = (np.exp(rng.normal(0.0, 0.12, 4)) for _ in range(2))
    tally = tally_of(tuple(compression.tolist()), tuple(rebound.tolist()))
    monitor = monitor_of()
    frame = frame_of(monitor, tally)
    single = make_sheet({"alerts.asymmetry": {"least_time_per_lap_s": 1.0, "laps_beyond": 1, "laps_watched": 1}})
    told = {seen.where for seen in LeftRightAsymmetry(single, RATE_HZ).observe(frame, []) if seen.condition}
    assert set(LapJudge(monitor).take(frame)[1].beyond) == told


def test_a_healthy_car_on_a_lopsided_circuit_has_no_mark_anywhere() -> None:
    """A third faster on the left at both axles: neither the axles' words nor the laps' marks are letters."""
    monitor, trends = monitor_of(), Trends()
    frame = frame_of(monitor, tally_of((1.33, 1.0, 1.33, 1.0), (1.33, 1.0, 1.33, 1.0)))
    share = Share.empty(len(monitor.pipeline.platform.names))
    share.tally.merge(frame.laps[0].share.tally)
    sides = LapJudge(monitor).take(frame)[1]
    trends.add(replace(frame.laps[0], share=share), monitor, sides)
    view = take_view(monitor, trends, LinkStatus("log", 20.0))
    assert view.laps[0].percent["front rebound"] == pytest.approx(100.0 * math.log(1.33), abs=1.0)
    lines = [line.plain for line in render(view, 120, 40).lines]
    assert not any("FAST" in line for line in lines)
    marks = [line[61:].split()[2] for line in lines if line[61:].startswith(PLACES)]
    assert len(marks) == 4
    assert not set("LRX") & set("".join(marks))


def test_only_timed_laps_are_judged_and_none_when_the_rule_is_off() -> None:
    tally = tally_of((1.0, 1.0, 1.0, 1.5), (1.0, 1.0, 1.0, 1.5))
    monitor = monitor_of()
    assert LapJudge(monitor).take(frame_of(monitor, tally, "out")) == {}
    off = monitor_of(enabled=False)
    assert LapJudge(off).take(frame_of(off, tally)) == {}
    assert not sides_of_tally(monitor, tally, "stint").judged
    assert sides_of_tally(monitor, tally, "stint").beyond == {}


def test_a_lap_with_too_few_samples_says_nothing() -> None:
    monitor = monitor_of(least_time_per_lap_s=1000.0)
    found = LapJudge(monitor).take(frame_of(monitor, tally_of((1.0, 1.0, 1.0, 1.5), (1.0, 1.0, 1.0, 1.5))))[1]
    assert found.beyond == {}
    assert all(math.isnan(value) for value in found.percent.values())


def test_a_misset_damper_is_marked_where_the_alarm_stands() -> None:
    view = replayed("rebound_misset.parquet", 330.0).view
    text = "\n".join(line.plain for line in render(view, 120, 40).lines)
    alarmed = {alert.where for alert in view.alerts if alert.kind == "left/right"}
    assert alarmed
    assert alarmed <= set(view.asymmetry.beyond)
    assert all(f"{corner} FAST" in text for corner in set(view.asymmetry.beyond.values()) if corner)


# ---------------------------------------------------------------- noise of the sensors


def test_noise_is_what_was_added_and_motion_is_not() -> None:
    """White noise of known size on a wheel's 15 Hz motion of 3 mm; an unknown corner is unknown."""
    rng = np.random.default_rng(5)
    time_s = np.arange(4000) / RATE_HZ
    motion = 10.0 * np.sin(2 * np.pi * 1.5 * time_s) + 3.0 * np.sin(2 * np.pi * 15.0 * time_s)
    sizes = (0.01, 0.05, 0.2)
    columns = [motion + rng.normal(0.0, size, len(motion)) for size in sizes]
    travel = np.asfortranarray(np.column_stack([*columns, np.full(len(motion), np.nan)]))
    for piece in (1000, 4000, 37):
        monitor, trends = Monitor(make_sheet({}), RATE_HZ, ()), Trends()
        assert all(math.isnan(value) for value in trends.noise_mm())
        for start in range(0, len(travel), piece):
            trends.take(monitor.process(Chunk(start, RATE_HZ, travel[start : start + piece])), monitor)
        found = take_view(monitor, trends, LinkStatus("log", 8.0)).corners
        for corner, size in enumerate(sizes):
            assert found[corner].noise_mm == pytest.approx(size, rel=0.12)
        assert math.isnan(found[3].noise_mm)
