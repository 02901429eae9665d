"""What every stage keeps, found by looking: a new class with a `process` method can't escape these tests.

A chunk without samples passes through and changes nothing; what is handed in is not altered; and after a gap
nothing of before is left: the answer is that of a fresh stage.
"""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

import dsp
from dsp.axle_delay import AxleDelayWatch
from dsp.body import BodyMotion
from dsp.car import CarStage
from dsp.contact_places import ContactPlaces
from dsp.corner_loads import CornerLoads
from dsp.downforce import DownforceWatch
from dsp.faults import FaultChange
from dsp.frame import Aligned, CarBlock
from dsp.high_pass import HighPass
from dsp.jumps import JumpWatch
from dsp.pipeline import Frame, Pipeline
from dsp.platform import Platform
from dsp.position_scales import PositionScales
from dsp.spectra import TravelSpectra
from dsp.steady import SteadyWindows
from dsp.stops import StopWatch
from dsp.stuck import StuckWatch
from dsp.validity import Validity
from dsp.velocity import VelocityFilter, VelocityStage
from ingest.chunk import Chunk, Floats
from tests.dsp.helpers import cut, smooth_noise, stream
from tests.sheets import make_sheet

RATE_HZ = 500.0
STOP = {"gap_mm": 6.0, "force": [[0.0, 0.0], [10.0, 3000.0]]}
SHEET = make_sheet({"axle.front.bump_stop": STOP, "axle.rear.bump_stop": STOP})
LIMITS = SHEET.alerts.sensor
GAP = 700

Step = Callable[[Chunk], Any]


class Driven:
    """One stage, fed with chunks; what it gives is returned as plain text, so that NaN equals NaN."""

    def __init__(self, kind: type) -> None:
        self.take = STAGES[kind]()

    def __call__(self, chunks: list[Chunk]) -> list[str]:
        return [line for chunk in chunks for line in plain(self.take(chunk))]


def stops() -> Step:
    stage = StopWatch(SHEET)
    return lambda chunk: stage.process(chunk.first_sample, chunk.sensors, starts_stretch=chunk.breaks)


def jumps() -> Step:
    stage = JumpWatch(LIMITS, RATE_HZ)

    def take(chunk: Chunk) -> Any:
        if chunk.breaks:
            stage.reset()
        return stage.process(chunk.first_sample, chunk.sensors)

    return take


def slow_parts() -> Step:
    stage = HighPass(1.0, RATE_HZ, 4)

    def take(chunk: Chunk) -> Any:
        if chunk.breaks:
            stage.reset()
        return stage.process(chunk.sensors.T).T

    return take


def stuck() -> Step:
    stage = StuckWatch(LIMITS, RATE_HZ, (np.full(4, -60.0), np.full(4, 60.0)))

    def take(chunk: Chunk) -> Any:
        if chunk.breaks:
            stage.reset()
        return stage.process(chunk.first_sample, chunk.sensors)

    return take


def validity() -> Step:
    stage = Validity(SHEET, RATE_HZ)
    return lambda chunk: stage.process(chunk, chunk.sensors)


def velocity() -> Step:
    stage = VelocityStage(VelocityFilter.of_width(4, RATE_HZ), ("speed",), 4000)
    return lambda chunk: stage.process(chunk, chunk.sensors)


def car_blocks() -> Callable[[Chunk], list[CarBlock]]:
    """Return the way from a chunk to the car's rows."""
    aligning = VelocityStage(VelocityFilter.of_width(4, RATE_HZ), ("speed",), 4000, 2)
    stage = CarStage(SHEET, RATE_HZ, ("speed",), Platform(SHEET))
    return lambda chunk: [stage.process(block, block.travel_mm) for block in aligning.process(chunk, chunk.sensors)]


def of_rows(take: Callable[[CarBlock], Any]) -> Step:
    """Return a stage that takes the car's rows."""
    blocks = car_blocks()
    return lambda chunk: [take(block) for block in blocks(chunk)]


def loads() -> Step:
    stage = CornerLoads(SHEET, RATE_HZ / 2)

    def take(block: CarBlock) -> Any:
        if block.starts_stretch:
            stage.reset()
        nothing = np.zeros(len(block))
        zeros = np.zeros((len(block), 4))
        velocity, x, y = block.damper_velocity_mm_s, nothing, nothing
        forces = stage.process(block.damper_mm, velocity, zeros, block.wheel_mm, x, y)
        return forces.load_n

    return of_rows(take)


def places() -> Step:
    stage, watch = ContactPlaces(), stops()
    aligning = car_blocks()

    def take(chunk: Chunk) -> Any:
        blocks, ended = aligning(chunk), watch(chunk)
        return [stage.process(block, [], []) for block in blocks] and ended

    return take


def stretches() -> Step:
    stage = PositionScales()

    def take(block: CarBlock) -> Any:
        if block.starts_stretch:
            stage.process(block.part(0, 0))  # what the gap ended is of the time before it
        return stage.process(block)

    return of_rows(take)


def pipeline() -> Step:
    stage = Pipeline(SHEET, RATE_HZ, ("speed",))
    return lambda chunk: (stage.process(chunk), stage.take_fault_changes())


STAGES: dict[type, Callable[[], Step]] = {
    StopWatch: stops,
    JumpWatch: jumps,
    StuckWatch: stuck,
    Validity: validity,
    VelocityStage: velocity,
    CarStage: car_blocks,
    CornerLoads: loads,
    HighPass: slow_parts,
    ContactPlaces: places,
    BodyMotion: lambda: of_rows(BodyMotion(SHEET, Platform(SHEET).plane).process),
    SteadyWindows: lambda: of_rows(SteadyWindows(SHEET, RATE_HZ / 2, 2).process),
    DownforceWatch: lambda: of_rows(DownforceWatch(SHEET, RATE_HZ / 2, 2).process),
    TravelSpectra: lambda: of_rows(TravelSpectra(SHEET, RATE_HZ / 2, has_speed=True).process),
    AxleDelayWatch: lambda: of_rows(AxleDelayWatch(SHEET, RATE_HZ / 2).process),
    PositionScales: stretches,
    Pipeline: pipeline,
}


def plain(given_back: Any) -> list[str]:
    """Return samples, contacts and changes as lines of text; arrays sample by sample, so that cuts do not show."""
    if isinstance(given_back, tuple | list):
        return [line for one in given_back for line in plain(one)]
    if isinstance(given_back, np.ndarray):
        return [repr(row) for row in given_back.tolist()]
    if isinstance(given_back, Aligned):
        rows = np.column_stack([given_back.travel_mm, given_back.velocity_mm_s, *given_back.side.values()])
        return [f"{given_back.first_sample + n} {row!r}" for n, row in enumerate(rows.tolist())]
    if isinstance(given_back, Frame):
        return plain(given_back.block) + plain(given_back.car) + plain(given_back.contacts) + plain(given_back.top_outs)
    if isinstance(given_back, CarBlock):
        columns = (given_back.load_n, given_back.heights_mm, given_back.tyre_mm, given_back.place_m[:, np.newaxis])
        rows = np.column_stack(columns).tolist()
        return [f"{given_back.sample(n)} {row!r}" for n, row in enumerate(rows)]
    if given_back is None:  # what only counts gives nothing back
        return []
    if isinstance(given_back, FaultChange):
        return [repr(given_back)]
    return [repr(given_back)]


def troubled(rows: int, seed: int) -> Floats:
    """Return a signal with a spike, lost samples and a held sensor, all over well before its end."""
    travel = 6.0 * smooth_noise(rows, RATE_HZ, 12.0, seed)
    travel[100:102, 0] += 25.0
    travel[150:153, 1] = np.nan
    travel[200:900, 2] = travel[200, 2]
    return travel


def chunk_of(travel: Floats, first_sample: int = 0, gap: int = 0) -> Chunk:
    (chunk,) = stream(travel, RATE_HZ, first_sample=first_sample, speed=np.arange(float(len(travel))))
    return Chunk(first_sample, RATE_HZ, chunk.sensors, chunk.side, gap_before=gap)


def test_every_stage_of_the_package_is_known_here() -> None:
    found = set()
    for module in pkgutil.iter_modules(dsp.__path__):
        for _, one in inspect.getmembers(importlib.import_module(f"dsp.{module.name}"), inspect.isclass):
            if one.__module__.startswith("dsp.") and callable(getattr(one, "process", None)):
                found.add(one)
    assert found == set(STAGES)


@pytest.mark.parametrize("kind", STAGES)
def test_an_empty_chunk_passes_through_and_changes_nothing(kind: type) -> None:
    whole = chunk_of(troubled(2000, 1))
    with_empty, without = Driven(kind), Driven(kind)
    pieces = cut([whole], [0, 0, 101, 101, 101, 151, 151, 500, 500, 1999, 2000])
    assert any(len(piece) == 0 for piece in pieces)
    assert sorted(with_empty(pieces)) == sorted(without([piece for piece in pieces if len(piece)]))


@pytest.mark.parametrize("kind", STAGES)
def test_an_empty_chunk_alone_gives_nothing(kind: type) -> None:
    assert Driven(kind)([chunk_of(np.empty((0, 4)))]) == []


@pytest.mark.parametrize("kind", STAGES)
def test_what_is_handed_in_is_not_altered(kind: type) -> None:
    chunk = chunk_of(troubled(1500, 2))
    before, speed = chunk.sensors.copy(), chunk.side["speed"].copy()
    Driven(kind)([chunk])
    np.testing.assert_array_equal(chunk.sensors, before)
    np.testing.assert_array_equal(chunk.side["speed"], speed)


@pytest.mark.parametrize("places", [[], [0], [1, 2, 3]])
@pytest.mark.parametrize("kind", STAGES)
def test_after_a_gap_a_stage_is_as_good_as_new(kind: type, places: list[int]) -> None:
    first = 5000
    used, fresh = Driven(kind), Driven(kind)
    # Ends in the midst of things: on the stop, one sample into a jump, part way through a tick.
    before = troubled(1023, 3)
    before[-40:] = np.linspace(before[-41], 20.0, 40)
    before[-1, 3] -= 25.0
    used([chunk_of(before, first - GAP - len(before))])
    # What was held back at the gap comes with an empty chunk that carries it.
    used([chunk_of(np.empty((0, 4)), first - 1, gap=GAP - 1)])
    after = 6.0 * smooth_noise(1500, RATE_HZ, 12.0, 4) - 20.0
    found = used(cut([chunk_of(after, first, gap=1)], places))
    # A contact that the gap cut off may be told with the first block after it.
    told_late = [line for line in found if line.startswith("Contact") and "cut_off=True" in line]
    assert all(f"end_sample={first - GAP}," in line for line in told_late)
    assert sorted(line for line in found if line not in told_late) == sorted(fresh([chunk_of(after, first)]))
