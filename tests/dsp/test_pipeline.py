"""The whole chain: nothing lost and nothing counted twice, any cutting, and against each step done on its own."""

from __future__ import annotations

import gc
import sys
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import savgol_filter

from dsp.pipeline import Pipeline
from dsp.statistics import VELOCITY_BINS
from ingest.chunk import Chunk, Floats
from ingest.sheet import Sheet
from tests.dsp.helpers import (
    columns,
    cut,
    numbers,
    places_of,
    run,
    same_on_all,
    smooth_noise,
    stacked,
    stream,
)
from tests.sheets import make_sheet

RATE_HZ = 500.0
STOP = {"gap_mm": 15.0, "force": [[0.0, 0.0], [10.0, 3000.0]]}


def car(**more: Any) -> Sheet:
    """Return a car with stops, a table of motion ratio, points of the platform, and short laps."""
    return make_sheet(
        {
            "axle.front.bump_stop": STOP,
            "axle.rear.bump_stop": {**STOP, "gap_mm": 18.0},
            "axle.rear.motion_ratio_damper_per_wheel": [[-60.0, 0.7], [0.0, 0.8], [60.0, 0.95]],
            "platform": {
                "splitter": {"x_mm": 900.0, "static_height_mm": 50.0, "lowest_mm": 30.0},
                "left skirt": {"x_mm": -1300.0, "y_mm": 750.0, "static_height_mm": 60.0, "lowest_mm": 40.0},
            },
            "laps": {"shortest_lap_s": 0.5, "stopped_for_s": 0.2, "longest_gap_s": 0.1},
            "statistics": {"rolling_window_s": 2.0},
            "alerts.sensor.stuck_for_s": 0.3,
            **more,
        }
    )


CAR = car()


def driven(rows: int, seed: int) -> Floats:
    return 7.0 * smooth_noise(rows, RATE_HZ, 12.0, seed)


def sides(rows: int, seed: int) -> dict[str, Floats]:
    generator = np.random.default_rng(seed)
    lines = np.sort(generator.integers(1, rows, size=3))
    speed = np.where(np.repeat(generator.random(rows // 50 + 1) < 0.3, 50)[:rows], 5.0, 40.0)
    speed[generator.random(rows) < 0.01] = np.nan
    return {"lap_number": np.searchsorted(lines, np.arange(rows), side="right").astype(float), "speed": speed}


def spoiled(rows: int, seed: int) -> Floats:
    """Return motion with lost readings, spikes, a step, a held sensor and a broken wire, at random."""
    generator = np.random.default_rng(seed)
    travel = driven(rows, seed)
    for _ in range(int(generator.integers(0, 6))):
        corner, start, length = (
            int(generator.integers(4)),
            int(generator.integers(rows)),
            int(generator.integers(1, 200)),
        )
        change = int(generator.integers(5))
        if change == 0:
            travel[start : start + length, corner] = np.nan
        elif change == 1:
            travel[start : start + 2, corner] += 25.0
        elif change == 2:
            travel[start : start + length, corner] = 100.0
        elif change == 3:
            travel[start:, corner] += 12.0
        else:
            travel[start:, corner] = travel[start, corner]
    return travel


@given(data=st.data(), rows=st.sampled_from([1, 9, 60, 400, 900]), seed=st.integers(0, 100_000))
@settings(max_examples=60, deadline=None)
def test_any_cutting_gives_the_same_everything(data: Any, rows: int, seed: int) -> None:
    travel = spoiled(rows, seed)
    gaps = {
        row: data.draw(st.sampled_from([-1, 1, 40, 3000]))
        for row in data.draw(st.sets(st.integers(1, rows), max_size=3))
        if row < rows
    }
    side = sides(rows, seed) if rows > 1 else {"speed": np.array([30.0])}
    whole = stream(travel, RATE_HZ, first_sample=11, gaps=gaps, side=side)
    one, other = run(CAR, whole), run(CAR, cut(whole, data.draw(places_of(rows))))
    expected, found = one.exact(), other.exact()
    for part in expected:
        assert found[part] == expected[part], part
    for mine, its in zip(one.share.tally.moments, other.share.tally.moments, strict=True):
        np.testing.assert_allclose([mine.mean, mine.squares], [its.mean, its.squares], rtol=1e-9, atol=1e-9)


def test_a_stream_longer_than_a_block_in_any_large_chunks() -> None:
    rows = 20_000
    whole = stream(spoiled(rows, 5), RATE_HZ, gaps={9000: 12}, side=sides(rows, 5))
    one = run(CAR, whole).exact()
    for places in ([8192], [8191, 8193, 16384], list(range(0, rows, 997)), list(range(0, rows, 64))):
        other = run(CAR, cut(whole, places)).exact()
        assert all(other[part] == one[part] for part in one)


@pytest.mark.parametrize("seed", range(4))
def test_every_sample_comes_out_once_and_every_one_is_accounted_for(seed: int) -> None:
    rows = 5000
    found = run(CAR, stream(spoiled(rows, seed), RATE_HZ, gaps={700: 5, 3000: 100}, side=sides(rows, seed)))
    assert numbers(found.blocks).tolist() == [*range(700), *range(705, 3005), *range(3105, 5105)]
    velocity = stacked([block.velocity_mm_s for block in found.blocks], 4)
    speed = np.concatenate([block.side["speed"] for block in found.blocks])
    idle = speed < 8.0
    assert found.share.received == rows
    assert found.share.idle == np.count_nonzero(idle)
    for corner in range(4):
        unknown = np.count_nonzero(np.isnan(velocity[~idle, corner]))
        used = found.share.tally.used(corner)
        assert used > 0
        assert found.share.received == found.share.idle + used + unknown


def test_the_stint_is_the_sum_of_its_laps() -> None:
    rows = 6000
    found = run(CAR, stream(driven(rows, 8), RATE_HZ, gaps={3000: 100}, side=sides(rows, 8)))
    assert len(found.laps) == 4
    for part in ("velocity", "travel"):
        laps = np.sum([getattr(lap.share.tally, part) for lap in found.laps], axis=0)
        assert laps.tolist() == getattr(found.share.tally, part).tolist()
    for part in ("counts", "below"):
        laps = np.sum([getattr(lap.share.heights, part) for lap in found.laps], axis=0)
        assert laps.tolist() == getattr(found.share.heights, part).tolist()
    for corner in range(4):
        assert sum(lap.share.stops[corner].count for lap in found.laps) == found.share.stops[corner].count
        assert sum(lap.share.stops[corner].samples for lap in found.laps) == found.share.stops[corner].samples
        assert found.share.stops[corner].count == sum(c.corner == corner for c in found.contacts)
        assert (
            sum(lap.share.tally.moments[corner].count for lap in found.laps) == found.share.tally.moments[corner].count
        )
    assert sum(lap.share.received for lap in found.laps) == rows
    lowest = min((lap.share.heights for lap in found.laps), key=lambda heights: float(heights.lowest_mm[0]))
    assert found.share.heights.lowest_mm[0] == lowest.lowest_mm[0]
    assert found.share.heights.lowest_at[0] == lowest.lowest_at[0]


def test_the_chain_equals_its_steps_done_one_by_one() -> None:
    # One stretch, sound sensors: scipy for velocity, numpy for everything counted.
    rows = 8000
    travel = driven(rows, 21)
    side = sides(rows, 21)
    found = run(CAR, cut(stream(travel, RATE_HZ, side=side), range(0, rows, 333)))
    half = found.pipeline.filter.half_width
    velocity = np.full((rows, 4), np.nan)
    velocity[half:-half] = savgol_filter(travel, 2 * half + 1, 3, deriv=1, delta=1 / RATE_HZ, axis=0)[half:-half]
    np.testing.assert_allclose(stacked([b.velocity_mm_s for b in found.blocks], 4), velocity, atol=1e-8)
    moving = ~(side["speed"] < 8.0)
    first_lap = side["lap_number"] == 0.0
    edges = np.concatenate(([-np.inf], np.arange(-1500.0, 1501.0), [np.inf]))
    for corner in range(4):
        kept = velocity[moving & first_lap, corner]
        # A value may lie within rounding of an edge: then it is in one of two neighbouring bins.
        counts = np.histogram(kept[~np.isnan(kept)], edges)[0]
        assert np.abs(counts - found.laps[0].share.tally.velocity[corner]).sum() <= 2
        assert found.share.tally.highest_mm[corner] == travel[moving, corner].max()
    # Heights by the plane through the wheels, by least squares.
    wheel = np.column_stack([np.interp(travel[:, c], *table()) if c > 1 else travel[:, c] / 0.8 for c in range(4)])
    places = np.array([[1.0, 0.0, 800.0], [1.0, 0.0, -800.0], [1.0, -2600.0, 790.0], [1.0, -2600.0, -790.0]])
    plane = np.linalg.lstsq(places, wheel.T, rcond=None)[0].T
    assert found.rows.tolist() == list(range(0, rows, 2))
    np.testing.assert_allclose(found.heights[:, 0], 50.0 - plane[::2] @ [1.0, 900.0, 0.0], atol=2e-3)
    np.testing.assert_allclose(found.heights[:, 1], 60.0 - plane[::2] @ [1.0, -1300.0, 750.0], atol=2e-3)
    counted = found.heights[moving[::2], 0]
    assert found.share.heights.lowest_mm[0] == counted.min()
    assert found.share.heights.below[0] == np.count_nonzero(counted < 30.0)


def table() -> tuple[Floats, Floats]:
    """Return damper and wheel travel of the rear linkage, by summing its ratio in small steps."""
    wheel = np.arange(-60_000, 60_001) / 1000.0
    ratio = np.interp(wheel, [-60.0, 0.0, 60.0], [0.7, 0.8, 0.95])
    damper = np.concatenate(([0.0], np.cumsum((ratio[1:] + ratio[:-1]) / 2.0))) / 1000.0
    return damper - damper[60_000], wheel


def test_a_standing_car_counts_for_nothing_but_its_stops_and_its_time() -> None:
    rows = 4000
    travel = driven(rows, 4)
    found = run(CAR, stream(travel, RATE_HZ, speed=np.full(rows, 7.9)))
    assert (found.share.received, found.share.idle) == (rows, rows)
    assert found.share.tally.velocity.sum() == found.share.tally.travel.sum() == found.share.heights.counts.sum() == 0
    assert run(CAR, stream(travel, RATE_HZ, speed=np.full(rows, 8.0))).share.idle == 0
    assert run(CAR, stream(travel, RATE_HZ)).share.idle == 0


def test_a_dead_speed_channel_silences_nothing() -> None:
    unknown = run(CAR, stream(driven(4000, 4), RATE_HZ, speed=np.full(4000, np.nan)))
    assert unknown.share.idle == 0
    assert unknown.share.tally.used(0) > 3900


def line_at(row: int, rows: int) -> Floats:
    return (np.arange(rows) >= row).astype(float)


@pytest.mark.parametrize(
    ("start", "stop", "lap"),
    [(450, 480, 0), (450, 500, 0), (450, 501, 1), (480, 560, 1), (500, 560, 1)],
)
@pytest.mark.parametrize("places", [[], [500], [495, 505], [560], list(range(1000))])
def test_a_contact_belongs_to_the_lap_in_which_it_ends(start: int, stop: int, lap: int, places: list[int]) -> None:
    # A slope of 0.5 mm a sample up to the stop and off it: no jump.
    away = np.minimum(np.abs(np.arange(1000) - start + 0.0), np.abs(np.arange(1000) - stop + 1.0))
    inside = (np.arange(1000) >= start) & (np.arange(1000) < stop)
    travel = np.zeros((1000, 4), order="F")
    travel[:, 0] = np.maximum(0.0, np.where(inside, 15.0, 15.0 - 0.5 * away))
    found = run(CAR, cut(stream(travel, RATE_HZ, lap_number=line_at(500, 1000)), places))
    (contact,) = found.contacts
    assert (contact.start_sample, contact.end_sample) == (start, stop)
    assert [one.share.stops[0].count for one in found.laps] == [int(lap == n) for n in range(2)]
    assert [one.share.stops[0].samples for one in found.laps] == [(stop - start) * (lap == n) for n in range(2)]


def test_a_contact_cut_off_by_a_gap_over_the_line_belongs_to_the_lap_before() -> None:
    travel = same_on_all(np.concatenate((np.linspace(0.0, 20.0, 500), np.zeros(500))))
    found = run(CAR, stream(travel, RATE_HZ, gaps={500: 30}, lap_number=line_at(500, 1000)))
    assert [one.share.stops[0].count for one in found.laps] == [1, 0]
    assert {(c.end_sample, c.cut_off) for c in found.contacts} == {(500, True)}


def test_a_contact_that_is_going_on_at_the_end_is_counted_and_cut_off() -> None:
    travel = same_on_all(np.linspace(0.0, 20.0, 500))
    found = run(CAR, stream(travel, RATE_HZ))
    assert {(c.corner, c.end_sample, c.cut_off) for c in found.contacts} == {(n, 500, True) for n in range(4)}
    assert [tally.count for tally in found.share.stops] == [1] * 4
    assert found.frames[-1].last
    assert len(found.frames[-1].block) == 0
    assert found.frames[-1].open_contacts == []
    assert [frame.last for frame in found.frames].count(True) == 1


def test_after_a_step_velocity_goes_on_and_position_does_not() -> None:
    rows = 3000
    travel = driven(rows, 15) * 0.5
    travel[1000:, 1] += 12.0
    found = run(CAR, stream(travel, RATE_HZ))
    (step,) = found.changes
    assert (step.fault, step.sample) == ("step", 1005)
    assert np.isnan(found.trusted[1005:, 1]).all()
    assert np.isfinite(found.trusted[:1000, 1]).all()
    assert np.isfinite(found.trusted[1005:, [0, 2, 3]]).all()
    assert np.isnan(found.heights[found.rows >= 1005]).all()
    velocity = stacked([b.velocity_mm_s for b in found.blocks], 4)
    assert np.isfinite(velocity[1030:-30, 1]).all()
    assert found.share.tally.travel[1].sum() == 1000
    assert found.share.tally.highest_mm[1] == travel[:1000, 1].max()


def test_the_rolling_picture_is_that_of_the_last_seconds() -> None:
    rows = 6000
    travel = driven(rows, 30)
    found = run(CAR, cut(stream(travel, RATE_HZ), range(0, rows, 77)))
    velocity = stacked([b.velocity_mm_s for b in found.blocks], 4)
    # 2 s in ten steps of 100 samples; the last one is the one under way.
    first = (rows - 1) // 100 * 100 - 9 * 100
    assert found.pipeline.counting.rolling().tolist() == VELOCITY_BINS.count_values(velocity[first:]).tolist()


def test_standing_still_does_not_push_the_running_out_of_the_rolling_picture() -> None:
    rows = 6000
    speed = np.where(np.arange(rows) < 3000, 40.0, 0.0)
    found = run(CAR, stream(driven(rows, 31), RATE_HZ, speed=speed))
    assert found.pipeline.counting.rolling().sum(axis=1).tolist() == [10 * 100] * 4


def test_gaps_losses_and_restarts_are_counted() -> None:
    found = run(CAR, stream(driven(900, 2), RATE_HZ, gaps={100: 7, 300: 1, 500: -1}))
    assert (found.pipeline.gaps, found.pipeline.lost_samples, found.pipeline.restarts) == (3, 8, 1)


def test_so_far_is_the_stint_with_the_lap_under_way() -> None:
    rows = 3000
    chunks = stream(driven(rows, 6), RATE_HZ, lap_number=line_at(1500, rows))
    pipeline = Pipeline(CAR, RATE_HZ, ("lap_number",))
    pipeline.process(chunks[0])
    so_far = pipeline.so_far()
    assert so_far.received == rows - pipeline.filter.half_width - pipeline.car.stride
    assert pipeline.stint.received == 1500
    assert (
        so_far.tally.velocity.tolist()
        == (pipeline.stint.tally.velocity + pipeline.counting.lap.tally.velocity).tolist()
    )
    pipeline.finish()
    assert pipeline.stint.received == rows
    assert pipeline.counting.lap.received == 0


def test_fault_changes_are_handed_over_once() -> None:
    travel = driven(600, 9)
    travel[100:102, 0] += 25.0
    pipeline = Pipeline(CAR, RATE_HZ, ())
    pipeline.process(stream(travel, RATE_HZ)[0])
    assert [c.fault for c in pipeline.take_fault_changes()] == ["spike"]
    assert pipeline.take_fault_changes() == []


def test_an_empty_stream_ends_in_one_empty_frame() -> None:
    pipeline = Pipeline(CAR, RATE_HZ, ("speed",))
    (frame,) = pipeline.finish()
    assert frame.last
    assert (len(frame.block), frame.laps, frame.contacts) == (0, [], [])
    empty = Pipeline(CAR, RATE_HZ, ("speed",))
    assert empty.process(Chunk(0, RATE_HZ, np.empty((0, 4)), {"speed": np.empty(0)})) == []


def held_bytes(thing: object) -> int:
    """Return the size of everything a pipeline holds on to, shared modules and types left out."""
    seen: set[int] = set()
    waiting: list[object] = [thing]
    total = 0
    while waiting:
        one = waiting.pop()
        if id(one) in seen or isinstance(one, type(sys) | type | Sheet) or callable(one):
            continue
        seen.add(id(one))
        total += sys.getsizeof(one)
        waiting += gc.get_referents(one)
    return total


def test_what_is_held_does_not_grow_with_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in ("axle_delay", "spectra"):
        monkeypatch.setattr(f"dsp.{module}._GROUPS_KEPT", 2)  # full before the first look
    rows = 2000
    travel = spoiled(rows, 3)
    travel[:, 0] = driven(rows, 4)[:, 0] * 1.5
    pipeline = Pipeline(CAR, RATE_HZ, ("lap_number", "speed"))
    sizes = []
    for lap in range(60):
        first = lap * (rows + 20)
        side = {"lap_number": np.full(rows, float(lap)), "speed": np.full(rows, 40.0)}
        for part in cut([Chunk(first, RATE_HZ, travel, side, gap_before=20 * bool(lap))], range(0, rows, 500)):
            pipeline.process(part)
        pipeline.take_fault_changes()
        sizes.append(held_bytes(pipeline))
    assert max(sizes[30:]) <= max(sizes[10:30]) + 2000
    assert sizes[-1] > 100_000  # the measure sees the histograms


def test_side_channels_keep_beside_their_travel_through_the_chain() -> None:
    rows = 1000
    count = np.arange(float(rows))
    travel = columns(*[0.02 * count] * 4)
    found = run(CAR, cut(stream(travel, RATE_HZ, gaps={400: 9}, speed=count), range(0, rows, 7)))
    for frame in found.frames:
        np.testing.assert_allclose(frame.block.travel_mm[:, 2], 0.02 * frame.block.side["speed"], atol=1e-12)


def test_the_same_stream_twice_gives_the_same_and_leaves_its_input_alone() -> None:
    travel = spoiled(3000, 44)
    before = travel.copy()
    chunks = stream(travel, RATE_HZ, gaps={1000: 3})
    first, second = run(CAR, chunks), run(CAR, chunks)
    assert first.exact() == second.exact()
    np.testing.assert_array_equal(travel, before)
