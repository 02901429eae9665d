"""A short stint in which everything happens: contacts, a low platform, sensor faults, gaps, NaN, a stop, asymmetry.

Made from a seed; where in each lap things happen is drawn from it. Limits are scaled down to laps of four seconds.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from alerts.monitor import Monitor
from console.describe import Context, describe_lap, describe_stint, describe_transition
from ingest.chunk import Chunk
from ingest.log_counts import LogCounts
from ingest.sheet import Sheet
from tests.monitored import easy_sheet

EVENTFUL_RATE = 250.0
LAP = 1000  # samples
LAPS = 9
ROLES = ("speed", "lap_number", "lap_distance")


def eventful_sheet(changes: dict[str, Any] | None = None) -> Sheet:
    """Limits for laps of four seconds."""
    small = {
        "alerts.sensor.stuck_for_s": 0.4,
        "alerts.sensor.off_delay_s": 0.6,
        "alerts.sensor.others_move_mm": 2.0,
        "alerts.asymmetry.least_time_per_lap_s": 1.5,
        "alerts.bump_stop.longest_contact_s": 0.1,
        "alerts.bump_stop.clear_without_laps_s": 3.0,
        "alerts.bump_stop.trip_contacts_per_lap": 3,
        "alerts.bump_stop.clear_contacts_per_lap": 1,
        "alerts.platform_low.off_delay_s": 0.1,
        "alerts.link.enabled": True,
        "alerts.link.silent_after_s": 0.3,
        "alerts.link.clear_after_s": 0.5,
        "alerts.sample_rate.lowest_hz": 260.0,
        "platform.tail": {"x_mm": -2600.0, "y_mm": -300.0, "static_height_mm": 60.0, "lowest_mm": 42.0},
        "log.columns.speed": {"column": "speed", "unit": "m/s"},
        "log.columns.lap_number": {"column": "lap"},
        "log.columns.lap_distance": {"column": "distance", "unit": "m"},
        "laps.stopped_for_s": 0.4,
        "statistics.rolling_window_s": 2.0,
    } | {f"corner.{corner}.sensor.reading_range": [-43.0, 46.0] for corner in ("FL", "FR", "RL", "RR")}
    return easy_sheet(small | (changes or {}), remove=("alerts.sensor.smallest_jump_mm",))


def eventful_stint(seed: int = 1) -> list[Chunk]:
    """Chunks of the stint, one a stretch without gaps."""
    rng = np.random.default_rng(seed)
    count = LAPS * LAP
    time = np.arange(count) / EVENTFUL_RATE
    travel = np.empty((count, 4))
    for corner in range(4):
        phases = rng.uniform(0.0, 2.0 * np.pi, 3)
        waves = np.array([4.0, 2.0, 1.0]) * np.sin(2.0 * np.pi * np.outer(time, (0.9, 3.1, 9.0)) + phases)
        travel[:, corner] = waves.sum(axis=1) + rng.normal(0.0, 0.05, count)

    def place(lap: int) -> int:
        return lap * LAP + int(rng.integers(100, 700))

    def push(start: int, length: int, height_mm: float, corners: list[int]) -> None:
        travel[start : start + length, corners] += height_mm * np.sin(np.linspace(0.0, np.pi, length))[:, np.newaxis]

    for start in (place(1), place(1), place(2), 3 * LAP - 20):
        push(start, 80, 24.0, [int(rng.integers(4))])
    for start in (place(1), place(2), place(3)):
        push(start, 70, 26.0, [0, 1])
    for n in range(5):
        push(4 * LAP + 100 + 90 * n, 30, 26.0, [3])
    travel[2 * LAP : 5 * LAP, 2] *= 1.4
    opened = place(5)
    travel[opened : opened + 150, 1] = 47.0
    stuck = place(6)
    travel[stuck : stuck + 220, 0] = travel[stuck, 0]
    travel[place(3) + np.array([0, 7, 20, 41, 60]), 3] += 30.0
    travel[place(4) : place(4) + 3, 2] = np.nan
    travel[rng.integers(0, count, 25), rng.integers(0, 4, 25)] = np.nan
    travel[place(7) :, 1] += 18.0
    speed = np.full(count, 40.0)
    speed[:150] = 0.0
    crawl = place(6)
    speed[crawl : crawl + 120] = np.linspace(20.0, 4.0, 120)
    speed[rng.integers(0, count, 10)] = np.nan
    speed[-150:] = 0.0
    lap = np.arange(count) // LAP * 1.0
    lap[rng.integers(0, count, 10)] = np.nan
    distance = np.cumsum(np.nan_to_num(speed)) / EVENTFUL_RATE % 160.0
    side = {"speed": speed, "lap_number": lap, "lap_distance": distance}
    whole = Chunk(0, EVENTFUL_RATE, np.asfortranarray(travel), side)
    chunks: list[Chunk] = []
    first, start, gap = 5_000, 0, 0
    for stop, missing in ((place(1), 3), (place(4), 40), (5 * LAP, 11), (place(6), 400), (count, 0)):
        part = whole.part(start, stop)
        chunks.append(Chunk(first, EVENTFUL_RATE, part.sensors, part.side, gap))
        first += len(part) + missing
        start, gap = stop, missing
    return chunks


def only(roles: tuple[str, ...], chunks: list[Chunk]) -> list[Chunk]:
    """The same stint from a log that holds these side channels only."""
    return [
        Chunk(one.first_sample, one.rate_hz, one.sensors, {role: one.side[role] for role in roles}, one.gap_before)
        for one in chunks
    ]


def records(
    sheet: Sheet, chunks: Iterable[Chunk], roles: tuple[str, ...] = ROLES, rate_hz: float = EVENTFUL_RATE
) -> dict[str, Any]:
    """Everything the chain writes about a stream."""
    monitor = Monitor(sheet, rate_hz, roles)
    laps: list[Any] = []
    alerts: list[Any] = []

    def given() -> Iterator[Any]:
        for one in chunks:
            yield monitor.process(one)
        yield monitor.finish()

    for step in given():
        context = Context.of(monitor)
        laps += [describe_lap(lap, context) for lap in step.laps]
        alerts += [describe_transition(transition) for transition in step.transitions]
    summary = describe_stint(monitor, LogCounts(), source="log", complete=True, version="0", reference=None)
    return {"laps": laps, "alerts": alerts, "summary": summary}
