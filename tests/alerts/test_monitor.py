"""The monitor's own part: bounded memory, time and laps of transitions, what it counts."""

from __future__ import annotations

import pickle
import tracemalloc
from collections.abc import Iterator

import numpy as np
import pytest

from alerts.monitor import Monitor
from ingest.chunk import Chunk
from tests.eventful import EVENTFUL_RATE, LAP, ROLES, eventful_sheet, eventful_stint
from tests.monitored import RATE, brief, chunk, cut, easy_sheet, flat, steps, watch

SHEET = eventful_sheet()


def endless(stints: int) -> Iterator[Chunk]:
    """The eventful stint over and over, on one counter, with a gap before each."""
    parts = [piece for one in eventful_stint(1) for piece in cut(one, [100] * 1000)]
    length = parts[-1].first_sample + len(parts[-1]) - parts[0].first_sample + 5
    for number in range(stints):
        for place, part in enumerate(parts):
            side = part.side | {"lap_number": part.side["lap_number"] + 9 * number}
            gap = 5 if number and not place else part.gap_before
            yield Chunk(part.first_sample + number * length, part.rate_hz, part.sensors, side, gap)


def held(monitor: Monitor) -> int:
    """Size of everything the monitor holds but the newest frame, in bytes; a lambda-free object pickles whole."""
    monitor.latest = None
    return len(pickle.dumps(monitor))


def test_memory_does_not_grow_with_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dsp.axle_delay._GROUPS_KEPT", 2)  # full before the first look
    monitor = Monitor(SHEET, EVENTFUL_RATE, ROLES)
    sizes = []
    for number, one in enumerate(endless(6)):
        monitor.process(one)
        if one.first_sample and number % 91 == 90:
            sizes.append(held(monitor))
    later = sizes[len(sizes) // 3 :]
    assert len(later) >= 3
    # Counters gain digits, and part of a window waits to be whole; what grows with the run would grow by whole laps.
    assert max(later) - min(later) < 80_000
    assert abs(later[-1] - later[0]) < 80_000


def test_nothing_outside_the_monitor_is_held_either() -> None:
    monitor = Monitor(SHEET, EVENTFUL_RATE, ROLES)
    stream = list(endless(5))
    fifth = len(stream) // 5
    for one in stream[: 2 * fifth]:
        monitor.process(one)
    tracemalloc.start()
    try:
        for one in stream[2 * fifth : 3 * fifth]:
            monitor.process(one)
        before = tracemalloc.get_traced_memory()[0]
        for one in stream[3 * fifth :]:
            monitor.process(one)
        after = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    # Buffers made before the tracing are replaced by traced ones. One lap's counts are some 300 kB: two stints of nine
    # laps kept would be megabytes.
    assert after - before < 300_000


def test_time_runs_from_the_first_sample() -> None:
    travel = flat(1000)
    travel[500:] = 25.0
    found = watch(easy_sheet({"alerts.bump_stop.enabled": False}), chunk(travel, 123_456))
    assert [(t.sample - 123_456, t.time_s, t.since_s) for t in found] == [(538, 538 / RATE, 1.0)]


def test_an_empty_chunk_first_does_not_set_the_time() -> None:
    monitor = Monitor(easy_sheet(), RATE, ())
    monitor.process(chunk(flat(0), 0))
    monitor.process(chunk(flat(10), 700))
    assert monitor.engine.first_sample == 700


def test_a_transition_names_the_lap_of_its_sample() -> None:
    travel = flat(2000)
    travel[985:1300] = 25.0  # trips 38 samples after the row at 986, in lap 8; the lap before began at 0
    lap = np.where(np.arange(2000) < 1000, 7.0, 8.0)
    found = watch(easy_sheet({"alerts.bump_stop.enabled": False}), chunk(travel, lap_number=lap))
    assert [(t.sample, t.lap, t.change) for t in found] == [(1024, "8", "occurs"), (1550, "8", "returns")]


def test_without_laps_no_lap_is_named() -> None:
    travel = flat(1000)
    travel[500:] = 25.0
    assert {t.lap for t in watch(easy_sheet(), chunk(travel))} == {""}


def test_a_stream_without_a_sample_ends_in_order() -> None:
    monitor = Monitor(easy_sheet(), RATE, ())
    assert [step.transitions for step in steps(monitor, [])] == [[]]
    assert monitor.announced == 0


@pytest.mark.parametrize("seed", range(3))
def test_what_was_announced_is_counted(seed: int) -> None:
    monitor = Monitor(SHEET, EVENTFUL_RATE, ROLES)
    found = [t for step in steps(monitor, eventful_stint(seed)) for t in step.transitions]
    assert monitor.announced == sum(t.announced for t in found) > 3
    occurred = sum(change == "occurs" for *_, change in brief(found))
    assert occurred == sum(standing.occurrences for standing in monitor.standings)
    assert [t.sequence for t in found] == list(range(1, len(found) + 1))
    assert found[-1].sample <= eventful_stint(seed)[-1].first_sample + 9 * LAP
