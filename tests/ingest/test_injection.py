"""Faults put into a stream: nothing before them, unknown stays unknown, any split the same, readings as in reality."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.calibration import Calibration, readings_at
from ingest.chunk import CORNERS, Chunk, Floats
from ingest.injection import Injector, Placed, rail_reading, unfit
from ingest.plan import BrokenWireFault, Plan, parse_plan
from ingest.sheet import Sheet, load_sheet
from ingest.sheet_parts import Sensor
from ingest.way_back import WayBack
from tests.sheets import make_sheet

RATE = 500.0
CAR = load_sheet(Path(__file__).parents[2] / "replay_logs" / "car.toml")
SIZE = 1500


def placed(start: int, end: int | None = None, full: int | None = None, **fault: Any) -> Placed:
    """A fault at samples; the plan's own words on its time are only there to be valid."""
    passing = {"for_s": 1.0} if fault["kind"] in {"spikes", "link_lost"} else {}
    (one,) = parse_plan({"fault": [{"time_s": 0.0, **passing, **fault}]}).faults
    return Placed(one, start, start if full is None else full, end)


ALL = (
    placed(400, corner="FL", kind="damper", force_left=0.4, full=600),
    placed(500, corner="FL", kind="damper", force_left=0.5, direction="rebound"),
    placed(700, kind="lowered", axle="rear", by_mm=6.0, full=900),
    placed(300, corner="FR", kind="zero_slips", by_mm=4.0, full=900),
    placed(800, corner="FR", kind="gain", factor=1.3),
    placed(450, 700, corner="RL", kind="unplugged"),
    placed(900, 1100, corner="RL", kind="unplugged", reads="nothing"),
    placed(200, 380, corner="RR", kind="stuck"),
    placed(1150, 1350, corner="RR", kind="spikes", count=9),
    placed(1200, 1210, corner="RR", kind="short_circuit"),
    placed(1000, 1090, kind="link_lost"),
)


def stream(seed: int = 1, size: int = SIZE, sheet: Sheet = CAR) -> Chunk:
    """Counts of a car that runs, with some empty cells."""
    chance = np.random.default_rng(seed)
    time = np.arange(size) / RATE
    travel = np.column_stack([8.0 * np.sin(2 * np.pi * f * time + f) for f in (1.7, 2.1, 2.9, 3.3)])
    travel += chance.normal(0.0, 0.1, travel.shape)
    counts = np.asfortranarray(np.rint(readings_at(sheet, travel)))
    for corner in range(4):
        counts[chance.integers(0, size, 6), corner] = np.nan
    return Chunk(100, RATE, counts, {"speed": np.full(size, 40.0)})


def at(chunk: Chunk, one: Placed) -> Placed:
    """Places counted from the stream's first sample."""
    end = None if one.end is None else one.end + chunk.first_sample
    return Placed(one.fault, one.start + chunk.first_sample, one.full + chunk.first_sample, end)


def inject(chunk: Chunk, faults: Iterable[Placed], edges: Iterable[int] = (), sheet: Sheet = CAR) -> list[Chunk]:
    injector = Injector(sheet, RATE, tuple(at(chunk, one) for one in faults))
    bounds = [0, *sorted(edges), len(chunk)]
    return [given for a, b in itertools.pairwise(bounds) for given in injector.process(chunk.part(a, b))]


def whole(chunks: list[Chunk]) -> tuple[Floats, list[int], list[tuple[int, int]]]:
    """All readings, the sample number of each, and where gaps are."""
    kept = [one for one in chunks if len(one)]
    samples = [n for one in kept for n in range(one.first_sample, one.first_sample + len(one))]
    gaps = [(one.first_sample, one.gap_before) for one in kept if one.breaks]
    return np.concatenate([one.sensors for one in kept]), samples, gaps


@given(edges=st.lists(st.integers(0, SIZE), max_size=12), seed=st.integers(0, 3))
@settings(max_examples=30, deadline=None)
def test_any_split_gives_the_same_bits(edges: list[int], seed: int) -> None:
    chunk = stream(seed)
    once, cut = whole(inject(chunk, ALL)), whole(inject(chunk, ALL, edges))
    assert cut[0].tobytes("C") == once[0].tobytes("C")
    assert cut[1:] == once[1:]
    assert once[2] == [(1190, 90)]


def test_sample_by_sample_gives_the_same_bits() -> None:
    chunk = stream(size=700)
    assert whole(inject(chunk, ALL, range(700)))[0].tobytes("C") == whole(inject(chunk, ALL))[0].tobytes("C")


@pytest.mark.parametrize("number", range(len(ALL) - 1))
def test_nothing_changes_before_after_or_beside_a_fault(number: int) -> None:
    chunk, one = stream(), ALL[number]
    (given_,) = inject(chunk, [one])
    end = SIZE if one.end is None else one.end
    changed = ~((given_.sensors == chunk.sensors) | np.isnan(chunk.sensors))
    assert not changed[: one.start].any()
    assert not changed[end:].any()
    beside = [CORNERS.index(corner) for corner in CORNERS if corner not in one.fault.corners]
    assert not changed[:, beside].any()
    assert changed[one.start : end].any()
    # Unknown stays unknown; only an empty cell makes more of it.
    unknown = np.isnan(given_.sensors)
    assert unknown[np.isnan(chunk.sensors)].all()
    if getattr(one.fault, "reads", "") != "nothing":
        assert np.array_equal(unknown, np.isnan(chunk.sensors))
    # A converter in whole counts still gives whole counts.
    known = given_.sensors[~unknown]
    assert np.array_equal(known, np.rint(known))
    assert np.array_equal(given_.side["speed"], chunk.side["speed"])


def test_no_fault_and_faults_to_come_pass_a_chunk_on_untouched() -> None:
    chunk = stream()
    for faults in ([], [placed(SIZE, corner="FL", kind="stuck")]):
        (given_,) = inject(chunk, faults)
        assert np.shares_memory(given_.sensors, chunk.sensors)


def shown_mm(chunk: Chunk, fault: Placed) -> tuple[Floats, Floats]:
    """Travel of one corner that the chain sees, before and after."""
    calibration, number = Calibration(CAR), CORNERS.index(fault.fault.corners[0])
    (given_,) = inject(chunk, [fault])
    return calibration.process(chunk.sensors)[:, number], calibration.process(given_.sensors)[:, number]


@pytest.mark.parametrize("corner", CORNERS)
def test_a_slipped_zero_and_a_gain_are_seen_through_the_calibration(corner: str) -> None:
    before, after = shown_mm(stream(), placed(500, corner=corner, kind="zero_slips", by_mm=-5.0, full=1000))
    grown = np.clip((np.arange(SIZE) - 500) / 500.0, 0.0, 1.0)
    assert np.nanmax(np.abs(after - before + 5.0 * grown)) < 0.03  # half a count, and the table's steps
    before, after = shown_mm(stream(), placed(500, corner=corner, kind="gain", factor=1.4))
    factor = np.where(np.arange(SIZE) < 500, 1.0, 1.4)
    assert np.nanmax(np.abs(after - factor * before)) < 0.03


def test_a_lower_body_shows_by_the_motion_ratio() -> None:
    before, after = shown_mm(stream(), placed(500, corner="RL", kind="lowered", by_mm=6.0))
    assert np.nanmean((after - before)[600:]) == pytest.approx(6.0 * 0.86, abs=0.1)


def test_a_fault_of_the_car_grows() -> None:
    before, after = shown_mm(stream(), placed(200, corner="RL", kind="lowered", by_mm=10.0, full=1200))
    for sample in (450, 700, 950):
        wanted = 8.6 * (sample - 200) / 1000.0
        assert np.nanmean((after - before)[sample - 100 : sample + 100]) == pytest.approx(wanted, abs=0.3)


def test_a_weaker_damper_moves_more_in_what_the_chain_sees() -> None:
    time = np.arange(6000) / RATE
    travel = np.sum([np.sin(2 * np.pi * f * time) * 20.0 / f for f in (2.1, 5.3, 11.9)], axis=0)
    chunk = Chunk(0, RATE, np.asfortranarray(readings_at(CAR, np.repeat(travel[:, np.newaxis], 4, axis=1))))
    before, after = shown_mm(chunk, placed(0, corner="FL", kind="damper", force_left=0.3))
    assert np.std(np.diff(after)) > 1.1 * np.std(np.diff(before))


def test_a_reading_that_is_no_position_is_passed_on() -> None:
    chunk = stream()
    chunk.sensors[600:650, 0] = 4095.0
    chunk.sensors[650:700, 0] = 3900.0  # beyond the stroke, but not a rail
    (given_,) = inject(chunk, [placed(100, corner="FL", kind="lowered", by_mm=8.0)])
    assert np.array_equal(given_.sensors[600:700, 0], chunk.sensors[600:700, 0])
    (given_,) = inject(chunk, [placed(0, corner="FL", kind="gain", factor=1.2)])
    assert (given_.sensors[600:650, 0] == 4095.0).all()
    assert (given_.sensors[650:700, 0] == 4095.0).all()  # a converter shows no more
    assert not (given_.sensors[750:800, 0] == chunk.sensors[750:800, 0]).any()


def test_a_stuck_sensor_keeps_its_first_known_reading() -> None:
    chunk = stream()
    chunk.sensors[200:203, 3] = np.nan
    (given_,) = inject(chunk, [placed(200, 400, corner="RR", kind="stuck")])
    known = given_.sensors[200:400, 3]
    assert set(known[~np.isnan(known)]) == {chunk.sensors[203, 3]}
    assert np.isnan(known[:3]).all()


def test_spikes_are_single_and_as_many_as_asked() -> None:
    chunk = stream()
    chunk.sensors[np.isnan(chunk.sensors)] = 2000.0
    before, after = shown_mm(chunk, placed(100, 1100, corner="RR", kind="spikes", count=20, by_mm=25.0))
    hit = np.flatnonzero(before != after)
    assert len(hit) == 20
    assert np.diff(hit).min() > 1
    assert np.abs(np.abs(after - before)[hit] - 25.0).max() < 0.1


def test_a_lost_link_takes_samples_out_and_says_so_once() -> None:
    chunk = stream(size=SIZE)
    long = placed(100, 800, kind="link_lost")  # 1.4 s; silent after 1 s
    for edges in ((), (300,), range(0, SIZE, 50)):
        given_ = inject(chunk, [long], edges)
        readings, samples, gaps = whole(given_)
        assert gaps == [(900, 700)]
        assert samples == [*range(100, 200), *range(900, 1600)]
        assert np.array_equal(readings, np.delete(chunk.sensors, np.s_[100:800], axis=0), equal_nan=True)
        assert sum(one.silent for one in given_) == 1
    assert not any(one.silent for one in inject(chunk, [placed(100, 500, kind="link_lost")]))


def test_a_gap_of_the_log_within_a_lost_link_is_counted_too() -> None:
    chunk = stream()
    injector = Injector(CAR, RATE, (Placed(placed(0, kind="link_lost").fault, 300, 300, 900),))
    first, second = chunk.part(0, 400), chunk.part(500, SIZE)
    empty = Chunk(700, RATE, chunk.sensors[:0], {}, gap_before=100)
    after = Chunk(second.first_sample, RATE, second.sensors, second.side, gap_before=0, restart=True)
    given_ = [one for part in (first, empty, after) for one in injector.process(part) if len(one)]
    assert [(one.first_sample, len(one), one.gap_before, one.restart) for one in given_] == [
        (100, 200, 0, False),
        (900, 700, 600, True),
    ]


def test_a_stream_that_begins_lost_begins_later() -> None:
    given_ = [one for one in inject(stream(), [placed(0, 200, kind="link_lost")]) if len(one)]
    assert (given_[0].first_sample, given_[0].gap_before) == (300, 0)


def test_a_gap_lets_the_changed_car_begin_anew() -> None:
    chunk = stream()
    parts = [chunk.part(0, 600), Chunk(2000, RATE, chunk.sensors[600:], {}, gap_before=1300)]
    injector = Injector(
        CAR, RATE, (Placed(placed(0, corner="FL", kind="damper", force_left=0.2).fault, 100, 100, None),)
    )
    given_ = [one for part in parts for one in injector.process(part)]
    first = np.flatnonzero(~np.isnan(chunk.sensors[600:, 0]))[0]
    assert given_[1].sensors[first, 0] == chunk.sensors[600 + first, 0]


@pytest.mark.parametrize(
    ("sensor", "kind", "reads"),
    [
        ({"unit": "V", "points": [[0.5, 0], [4.5, 80]], "reading_range": [0.3, 4.7]}, "unplugged", 4.92),
        ({"unit": "V", "points": [[0.5, 0], [4.5, 80]], "reading_range": [0.3, 4.7]}, "short_circuit", 0.08),
        (
            {"unit": "V", "points": [[0.5, 0], [4.5, 80]], "reading_range": [0.3, 4.7], "open_circuit_reads": "low"},
            "unplugged",
            0.08,
        ),
        ({"unit": "counts", "points": [[205, 0], [3890, 9]], "reading_range": [150, 3945]}, "unplugged", 4095.0),
        ({"unit": "counts", "points": [[205, 0], [3890, 9]], "reading_range": [150, 4095]}, "unplugged", 8191.0),
        ({"unit": "counts", "points": [[205, 0], [3890, 9]], "reading_range": [150, 3945]}, "short_circuit", 0.0),
        ({"unit": "mm"}, "unplugged", None),
    ],
)
def test_a_rail_is_beyond_the_reading_range(sensor: dict[str, Any], kind: str, reads: float | None) -> None:
    fault = parse_plan({"fault": [{"kind": kind, "corner": "FL", "time_s": 0}]}).faults[0]
    assert isinstance(fault, BrokenWireFault)
    assert rail_reading(Sensor.model_validate(sensor), fault) == reads


def test_what_a_car_can_not_have_is_told_for_every_fault() -> None:
    plan: Plan = parse_plan(
        {
            "fault": [
                {"kind": "unplugged", "corner": "FL", "lap": 1},
                {"kind": "unplugged", "corner": "FR", "lap": 1, "reading": 99.0},
                {"kind": "short_circuit", "corner": "RR", "lap": 1, "reads": "nothing"},
                {"kind": "lowered", "axle": "front", "by_mm": 60.0, "lap": 1},
                {"kind": "lowered", "corner": "RL", "by_mm": 20.0, "lap": 1},
            ]
        }
    )
    found = unfit(plan, make_sheet())
    assert [line.split(":")[0] for line in found] == ["fault 1.reads", "fault 4.by_mm", "fault 4.by_mm"]
    assert "reading_range" in found[0]
    assert "48 mm at the damper FL" in found[1]


def test_the_way_back_meets_the_calibration() -> None:
    travels = np.repeat(np.linspace(-38.0, 46.0, 500)[:, np.newaxis], 4, axis=1)
    readings = np.column_stack([WayBack(CAR, corner).reading(travels[:, 0]) for corner in CORNERS])
    assert np.abs(Calibration(CAR).process(readings) - travels).max() < 1e-3


def test_readings_that_are_no_whole_counts_are_not_rounded() -> None:
    back = WayBack(CAR, "FL")
    travel, add = np.zeros(3), np.array([0.0, 1.0, 1.0])
    readings = np.array([1948.25, 1948.25, 1948.0])
    moved = back.moved(readings, travel, add)
    assert moved[0] == 1948.25
    assert moved[1] == pytest.approx(1948.25 + 36.85)
    assert moved[2] == 1985.0
