"""Small streams for the whole monitor: a sheet whose numbers are easy, travel made by hand, and runs in any pieces.

All four corners read damper travel in mm with motion ratio 1, so that with equal travel d every platform point stands
d below its static height.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from copy import deepcopy
from typing import Any

import numpy as np

from alerts.alert import Transition
from alerts.monitor import Monitor, Step
from dsp.asymmetry import Asymmetry
from dsp.summary import LapSummary
from ingest.chunk import Chunk, Floats
from ingest.sheet import Sheet
from tests.sheets import make_sheet

RATE = 500.0
STOP = {"gap_mm": 20.0, "force": [[0.0, 0.0], [5.0, 500.0], [10.0, 2000.0]]}
EASY: dict[str, Any] = {
    "axle.front.motion_ratio_damper_per_wheel": 1.0,
    "axle.rear.motion_ratio_damper_per_wheel": 1.0,
    "axle.front.bump_stop": STOP,
    "axle.rear.bump_stop": STOP,
    "platform.nose": {"x_mm": 0.0, "static_height_mm": 50.0, "lowest_mm": 30.0},
    # Steps made by hand are no sensor faults here; tests of the sensors take this back.
    "alerts.sensor.smallest_jump_mm": 1000.0,
    "laps.shortest_lap_s": 1.0,
    # Gaps made by hand are about one rule here; the tests of the link take this back.
    "alerts.link.enabled": False,
}


def easy_sheet(changes: dict[str, Any] | None = None, *, remove: tuple[str, ...] = ()) -> Sheet:
    """The easy sheet with changes (dotted paths), or with some of its keys left out."""
    kept = {key: value for key, value in deepcopy(EASY).items() if key not in remove}
    return make_sheet(kept | (changes or {}))


def flat(samples: int, value: float = 0.0) -> Floats:
    """All four corners at one travel, (samples, 4)."""
    return np.full((samples, 4), value)


def chunk(travel_mm: Floats, first_sample: int = 0, gap_before: int = 0, rate_hz: float = RATE, **side: Any) -> Chunk:
    """Travel as a chunk of readings in mm."""
    return Chunk(first_sample, rate_hz, np.asfortranarray(travel_mm), side, gap_before)


def stretches(*travels: Floats, gap: int) -> list[Chunk]:
    """Chunks of travel with `gap` samples missing between each and the next."""
    chunks: list[Chunk] = []
    first = 0
    for travel in travels:
        chunks.append(chunk(travel, first, gap if chunks else 0))
        first += len(travel) + gap
    return chunks


def cut(whole: Chunk, lengths: Iterable[int]) -> Iterator[Chunk]:
    """A chunk in pieces of the given lengths, then the rest; a length of 0 gives an empty piece."""
    start = 0
    for length in lengths:
        stop = min(start + length, len(whole))
        # An empty piece at the start carries no gap: that goes with the first sample.
        yield whole.part(start, stop)
        start = stop
    if start < len(whole):
        yield whole.part(start, len(whole))


def steps(monitor: Monitor, chunks: Iterable[Chunk]) -> Iterator[Step]:
    """Everything the monitor answers, the end of the stream included."""
    for one in chunks:
        yield monitor.process(one)
    yield monitor.finish()


def watch(
    sheet: Sheet,
    *chunks: Chunk,
    reference: dict[str, Asymmetry] | None = None,
) -> list[Transition]:
    """Transitions of a whole stream."""
    monitor = Monitor(sheet, chunks[0].rate_hz, tuple(chunks[0].side), reference)
    return [transition for step in steps(monitor, chunks) for transition in step.transitions]


def laps_of(sheet: Sheet, *chunks: Chunk) -> list[LapSummary]:
    """Laps of a whole stream."""
    monitor = Monitor(sheet, chunks[0].rate_hz, tuple(chunks[0].side))
    return [lap for step in steps(monitor, chunks) for lap in step.laps]


def brief(transitions: Iterable[Transition], kind: str | None = None) -> list[tuple[int, str, str, str]]:
    """Sample, kind, where and change; of one kind only when it is given."""
    return [
        (t.sample, t.definition.kind, t.definition.where, t.change)
        for t in transitions
        if kind is None or t.definition.kind == kind
    ]


def changes(transitions: Iterable[Transition], kind: str, where: str) -> list[tuple[int, str]]:
    """Sample and change of one alarm."""
    return [(t.sample, t.change) for t in transitions if t.definition.key == (kind, where)]
