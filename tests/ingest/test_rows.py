"""Rows onto the time axis: each rule by itself, and any split of the rows against the whole."""

from __future__ import annotations

import dataclasses
import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.chunk import Chunk, Floats
from ingest.log_counts import LogCounts
from ingest.rows import RowFramer, Rows
from ingest.sheet_log import LogLayout
from tests.ingest.logs import check_contract, numbers_in, samples_in
from tests.sheets import minimal_sheet

RATE_HZ = 100.0


def layout(axis: str = "time", **keys: Any) -> LogLayout:
    columns = minimal_sheet()["log"]["columns"]
    raw: dict[str, Any] = {"columns": columns, "rate_hz": RATE_HZ} | keys
    if axis == "time":
        raw.setdefault("time", {"column": "time"})
    elif axis == "counter":
        raw.setdefault("counter", {"column": "counter"})
    return LogLayout.model_validate(raw)


def rows_of(axis: Any, first_line: int = 1) -> Rows:
    """Rows whose left front damper and speed carry their place in the log."""
    values = np.asarray(axis, dtype=np.float64)
    sensors = np.zeros((len(values), 4), order="F")
    sensors[:, 0] = np.arange(len(values)) + first_line - 1
    return Rows(axis=values, sensors=sensors, side={"speed": sensors[:, 0] * 2.0}, first_line=first_line)


def framed(axis: Any, log: LogLayout, cuts: list[int] | None = None) -> tuple[list[Chunk], LogCounts]:
    """Chunks and counts of a log whose rows have these times (or numbers), cut into batches at `cuts`."""
    values = np.asarray(axis, dtype=np.float64)
    counts = LogCounts()
    framer = RowFramer(log, counts)
    chunks: list[Chunk] = []
    whole = rows_of(values)
    for start, stop in itertools.pairwise([0, *sorted(cuts or []), len(values)]):
        part = Rows(
            axis=whole.axis[start:stop],
            sensors=whole.sensors[start:stop],
            side={role: channel[start:stop] for role, channel in whole.side.items()},
            first_line=start + 1,
        )
        chunks += framer.push(part)
    chunks += framer.finish()
    check_contract(chunks)
    for chunk in chunks:
        np.testing.assert_array_equal(chunk.side["speed"], 2.0 * chunk.sensors[:, 0])
    assert counts.samples == sum(map(len, chunks))
    assert counts.missing_samples == sum(chunk.gap_before for chunk in chunks)
    assert counts.gaps == sum(chunk.gap_before > 0 for chunk in chunks)
    assert counts.restarts == sum(chunk.restart for chunk in chunks)
    dropped = counts.repeated_rows + counts.late_rows + counts.unplaced_rows
    assert counts.rows_read == len(values) == counts.samples + dropped
    return chunks, counts


def at(*numbers: float) -> Floats:
    """Times in s of sample numbers."""
    return np.array(numbers) / RATE_HZ


def test_steady_rows_are_one_chunk_from_sample_0() -> None:
    chunks, counts = framed(at(*range(300)) + 17.3, layout())
    assert [(chunk.first_sample, len(chunk), chunk.breaks) for chunk in chunks] == [(0, 300, False)]
    assert (counts.samples, counts.gaps) == (300, 0)
    assert chunks[0].rate_hz == RATE_HZ


def test_a_gap_splits_and_is_measured_in_samples() -> None:
    chunks, counts = framed(at(0, 1, 2, 10, 11, 12), layout())
    assert [(chunk.first_sample, len(chunk), chunk.gap_before) for chunk in chunks] == [(0, 3, 0), (10, 3, 7)]
    assert counts.places["gaps"] == [4]


def test_gaps_one_after_another_each_count() -> None:
    chunks, counts = framed(at(0, 2, 4, 7, 8), layout())
    assert numbers_in(chunks) == [0, 2, 4, 7, 8]
    assert (counts.gaps, counts.missing_samples) == (3, 4)


def test_a_gap_before_the_last_row_counts() -> None:
    chunks, counts = framed(at(0, 1, 5), layout())
    assert numbers_in(chunks) == [0, 1, 5]
    assert counts.missing_samples == 3


def test_a_repeated_row_is_dropped_and_leaves_no_gap() -> None:
    chunks, counts = framed(at(0, 1, 1, 2, 3), layout())
    assert samples_in(chunks) == [0, 1, 3, 4]
    assert numbers_in(chunks) == [0, 1, 2, 3]
    assert (counts.repeated_rows, counts.gaps, counts.places["repeated_rows"]) == (1, 0, [3])


def test_a_late_row_is_dropped() -> None:
    chunks, counts = framed(at(0, 1, 2, 3, 1, 4, 5), layout())
    assert samples_in(chunks) == [0, 1, 2, 3, 5, 6]
    assert (counts.late_rows, counts.gaps) == (1, 0)


def test_two_swapped_rows_cost_one_sample() -> None:
    chunks, counts = framed(at(0, 1, 3, 2, 4, 5), layout())
    assert numbers_in(chunks) == [0, 1, 2, 4, 5]
    assert samples_in(chunks) == [0, 1, 3, 4, 5]
    assert (counts.late_rows, counts.missing_samples) == (1, 1)


@pytest.mark.parametrize("stray", [20.0, 5000.0, 1e12])
def test_a_lone_stray_row_ahead_is_dropped(stray: float) -> None:
    chunks, counts = framed(at(0, 1, 2, stray, 3, 4), layout())
    assert samples_in(chunks) == [0, 1, 2, 4, 5]
    assert (counts.late_rows, counts.gaps, counts.restarts, counts.places["late_rows"]) == (1, 0, 0, [4])


def test_a_stray_row_followed_by_a_repeat_is_dropped() -> None:
    chunks, counts = framed(at(0, 1, 2, 500, 2, 1, 3, 4), layout())
    assert samples_in(chunks) == [0, 1, 2, 6, 7]
    assert (counts.late_rows, counts.repeated_rows, counts.gaps) == (2, 1, 0)


def test_a_lone_row_far_back_is_dropped() -> None:
    chunks, counts = framed(at(*range(500, 520), 3, *range(520, 540)), layout())
    assert len(samples_in(chunks)) == 40
    assert (counts.late_rows, counts.restarts) == (1, 0)


def test_a_clock_set_back_for_good_is_a_restart_numbered_on() -> None:
    chunks, counts = framed(at(*range(1000, 1050), *range(200)), layout())
    assert numbers_in(chunks) == list(range(250))
    assert samples_in(chunks) == list(range(250))
    assert [chunk.first_sample for chunk in chunks if chunk.restart] == [50]
    assert (counts.restarts, counts.gaps, counts.late_rows, counts.places["restarts"]) == (1, 0, 0, [51])


def test_a_gap_after_a_restart_counts() -> None:
    chunks, counts = framed(at(*range(1000, 1050), *range(60), *range(70, 300)), layout())
    assert numbers_in(chunks) == [*range(110), *range(120, 350)]
    assert (counts.restarts, counts.missing_samples) == (1, 10)


def test_a_restart_near_the_end_needs_ten_rows() -> None:
    _, counts = framed(at(*range(1000, 1050), *range(9)), layout())
    assert (counts.restarts, counts.late_rows) == (0, 9)
    chunks, counts = framed(at(*range(1000, 1050), *range(10)), layout())
    assert (counts.restarts, counts.late_rows) == (1, 0)
    assert numbers_in(chunks) == list(range(60))


def test_rows_far_back_that_return_before_1_s_are_late() -> None:
    chunks, counts = framed(at(*range(1000, 1050), *range(60), *range(1050, 1100)), layout())
    assert numbers_in(chunks) == list(range(100))
    assert (counts.restarts, counts.late_rows) == (0, 60)


def test_a_clock_set_back_within_1_s_drops_rows_until_it_has_caught_up() -> None:
    chunks, counts = framed(at(*range(200), *range(150, 300)), layout())
    assert numbers_in(chunks) == list(range(300))
    assert (counts.late_rows + counts.repeated_rows, counts.restarts, counts.gaps) == (50, 0, 0)


def test_two_restarts() -> None:
    _, counts = framed(at(*range(1000, 1200), *range(500, 700), *range(200)), layout())
    assert (counts.restarts, counts.samples) == (2, 600)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 1e300])
def test_a_row_without_a_usable_time_is_a_missing_sample(bad: float) -> None:
    times = at(*range(20))
    times[5] = bad
    chunks, counts = framed(times, layout())
    assert samples_in(chunks) == [*range(5), *range(6, 20)]
    assert (counts.unplaced_rows, counts.missing_samples, counts.places["unplaced_rows"]) == (1, 1, [6])


def test_bad_times_at_the_start_do_not_matter() -> None:
    chunks, _ = framed([math.nan, math.nan, *at(5, 6, 7)], layout())
    assert numbers_in(chunks) == [0, 1, 2]


def test_a_slow_clock_makes_no_gaps() -> None:
    # 0.1 % slow for 50,000 rows: 50 samples of drift.
    _, counts = framed(np.arange(50_000) / RATE_HZ * 1.001, layout())
    assert (counts.gaps, counts.samples) == (0, 50_000)


def test_jitter_below_half_a_sample_makes_no_gaps() -> None:
    jitter = np.random.default_rng(1).uniform(-0.24, 0.24, 5000)
    _, counts = framed((np.arange(5000) + jitter) / RATE_HZ, layout())
    assert (counts.gaps, counts.samples) == (0, 5000)


def test_a_counter_numbers_the_samples_itself() -> None:
    chunks, counts = framed([41, 42, 43, 47, 48], layout("counter"))
    assert numbers_in(chunks) == [41, 42, 43, 47, 48]
    assert counts.missing_samples == 3


def test_a_counter_wraps_and_gaps_across_the_wrap_count() -> None:
    wraps = layout("counter", counter={"column": "counter", "wraps_at": 256})
    chunks, counts = framed([253, 254, 255, 0, 1], wraps)
    assert numbers_in(chunks) == [253, 254, 255, 256, 257]
    chunks, counts = framed([253, 254, 2, 3], wraps)
    assert numbers_in(chunks) == [253, 254, 258, 259]
    assert counts.missing_samples == 3
    _, counts = framed([253, 254, 250, 255, 0], wraps)
    assert (counts.late_rows, counts.samples) == (1, 4)


def test_a_counter_that_wraps_many_times_counts_on() -> None:
    wraps = layout("counter", counter={"column": "counter", "wraps_at": 256})
    chunks, counts = framed(np.arange(10, 5000) % 256, wraps, [1000, 1001, 3000])
    assert numbers_in(chunks) == list(range(10, 5000))
    assert counts.gaps == 0


def test_a_counter_set_back_is_a_restart() -> None:
    _, counts = framed([*range(1000, 1050), *range(150)], layout("counter"))
    assert (counts.restarts, counts.samples) == (1, 200)


def test_a_counter_that_is_no_whole_number_is_dropped() -> None:
    chunks, counts = framed([1, 2, 3.5, 4.5, 5, 6], layout("counter"))
    assert numbers_in(chunks) == [1, 2, 5, 6]
    assert (counts.unplaced_rows, counts.missing_samples) == (2, 2)


def test_without_time_or_counter_every_row_is_a_sample() -> None:
    chunks, counts = framed(np.arange(100), layout("rows"))
    assert numbers_in(chunks) == list(range(100))
    assert counts.gaps == 0


def test_no_rows_give_no_chunks() -> None:
    assert framed([], layout())[0] == []


def test_empty_batches_change_nothing() -> None:
    chunks, _ = framed(at(0, 1, 2), layout(), [0, 0, 2, 2, 3])
    assert numbers_in(chunks) == [0, 1, 2]


def test_rows_held_back_are_bounded() -> None:
    framer = RowFramer(layout("counter"), LogCounts())
    framer.push(rows_of(np.arange(100_000, 100_010)))
    held = 0
    for start in range(0, 5000, 10):
        framer.push(rows_of(np.arange(start, start + 10), first_line=start + 1))
        held = max(held, len(framer._behind))
    assert held <= RATE_HZ


EVENTS = st.lists(
    st.one_of(
        st.tuples(st.just("run"), st.integers(1, 160)),
        st.tuples(st.just("gap"), st.integers(1, 400)),
        st.tuples(st.just("repeat"), st.integers(1, 3)),
        st.tuples(st.just("stray"), st.integers(-400, 400)),
        st.tuples(st.just("bad"), st.integers(1, 2)),
        st.tuples(st.just("back"), st.integers(1, 2000)),
    ),
    max_size=14,
)


def numbers_after(events: list[tuple[str, int]]) -> list[float]:
    numbers, now = [3000.0], 3000
    for kind, size in events:
        if kind == "run":
            numbers += [float(now + k + 1) for k in range(size)]
            now += size
        elif kind == "gap":
            now += size
        elif kind == "repeat":
            numbers += [float(now)] * size
        elif kind == "stray":
            numbers.append(float(now + size))
        elif kind == "bad":
            numbers += [math.nan] * size
            now += size
        else:
            now -= size
    return numbers


def content(chunks: list[Chunk]) -> list[tuple[int, bytes, int, bool]]:
    """All samples, singly, with what leads to each."""
    return [
        (part.first_sample, part.sensors.tobytes() + part.side["speed"].tobytes(), part.gap_before, part.restart)
        for chunk in chunks
        for part in (chunk.part(k, k + 1) for k in range(len(chunk)))
    ]


@pytest.mark.parametrize("axis", ["time", "counter", "wrapping"])
@settings(max_examples=80, deadline=None)
@given(events=EVENTS, cuts=st.lists(st.integers(0, 2500), max_size=25))
def test_any_split_of_the_rows_gives_the_same_samples(
    axis: str, events: list[tuple[str, int]], cuts: list[int]
) -> None:
    numbers = np.array(numbers_after(events))
    if axis == "time":
        log, numbers = layout(), numbers / RATE_HZ
    elif axis == "counter":
        log = layout("counter")
    else:
        log, numbers = layout("counter", counter={"column": "counter", "wraps_at": 1024}), numbers % 1024
    # The sheet's rate is enough here; whether the times fit it is judged elsewhere.
    cuts = [min(cut, len(numbers)) for cut in cuts]
    framer_settles = pytest.MonkeyPatch()
    with framer_settles.context() as patch:
        patch.setattr("ingest.rows.settle_rate", lambda *_: RATE_HZ)
        whole, whole_counts = framed(numbers, log)
        split, split_counts = framed(numbers, log, cuts)
        single, single_counts = framed(numbers, log, list(range(len(numbers))))
    assert content(split) == content(whole) == content(single)
    as_dict = dataclasses.asdict(whole_counts)
    assert dataclasses.asdict(split_counts) == dataclasses.asdict(single_counts) == as_dict
