"""Blocks into chunks: every sample is in a chunk or in a count, once, whatever the link did to the frames."""

from __future__ import annotations

import itertools
import random
from collections import Counter
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ingest.assembler import Assembler
from ingest.chunk import Chunk
from ingest.framing import make_decoder
from ingest.link_block import LinkCounts, SampleBlock
from ingest.sheet import Sheet
from ingest.sheet_link import DAMPER_ROLES
from tests.ingest.frames import RATE_HZ, ROLES, block, blocks, encoded, layout
from tests.ingest.logs import check_contract, numbers_in, samples_in
from tests.sheets import make_sheet

WINDOW = 50  # samples: 0.1 s at 500 Hz
SIZE = 10


def sheet(**changes: Any) -> Sheet:
    keys = {"link": {"serial": {"port": "port"}}, "log.columns.speed": {"column": "v", "unit": "km/h"}}
    return make_sheet(keys | changes)


def assembled(
    arrivals: list[SampleBlock], cuts: list[int] | None = None, on: Sheet | None = None
) -> tuple[list[Chunk], LinkCounts]:
    """Chunks and counts of blocks handed over in batches; checks the account."""
    counts = LinkCounts(frames=len(arrivals), samples=sum(len(one.values) for one in arrivals))
    assembler = Assembler(on or sheet(), counts)
    chunks: list[Chunk] = []
    for start, stop in itertools.pairwise([0, *sorted(cuts or range(1, len(arrivals))), len(arrivals)]):
        chunks += assembler.take(arrivals[start:stop])
    chunks += assembler.finish()
    check_contract(chunks)
    given = sum(map(len, chunks))
    assert counts.samples == given + counts.duplicate_samples + counts.late_samples
    assert counts.missing_samples == sum(chunk.gap_before for chunk in chunks)
    assert counts.gaps == sum(chunk.gap_before > 0 for chunk in chunks)
    assert counts.restarts == sum(chunk.restart for chunk in chunks)
    return chunks, counts


def anomalies(counts: LinkCounts) -> dict[str, int]:
    names = ("reordered_frames", "duplicate_samples", "late_samples", "missing_samples", "gaps", "restarts")
    return {name: getattr(counts, name) for name in (*names, "bad_headers") if getattr(counts, name)}


def frames(numbers: Any, size: int = SIZE) -> list[SampleBlock]:
    """Frames by their place in the stream."""
    return [block(number * size, size) for number in numbers]


def test_with_no_anomaly_every_block_comes_out_at_once() -> None:
    assembler = Assembler(sheet(), LinkCounts())
    for one in blocks(50):
        chunks = assembler.take([one])
        assert [(chunk.first_sample, len(chunk)) for chunk in chunks] == [(one.counter, SIZE)]
    assert assembler.finish() == []


def test_values_are_as_a_log_would_give_them() -> None:
    changes = {
        "log.columns.damper_FR": {"column": "FR", "scale": 2.0, "offset": 1.0},
        "log.columns.speed": {"column": "v", "unit": "km/h", "scale": 0.5, "offset": 3.6},
    }
    chunks, _ = assembled(blocks(3), on=sheet(**changes))
    number = np.arange(30.0)
    sensors = np.concatenate([chunk.sensors for chunk in chunks])
    np.testing.assert_allclose(sensors, np.stack([number, 1 - 2 * number, number % 7, number % 11], axis=1))
    np.testing.assert_allclose(
        np.concatenate([chunk.side["speed"] for chunk in chunks]), (0.5 * number * 0.5 + 3.6) / 3.6
    )


def test_rate_and_roles_are_those_of_the_first_block() -> None:
    counts = LinkCounts(frames=1, samples=10)
    assembler = Assembler(sheet(), counts)
    assert (assembler.rate_hz, assembler.roles) == (None, None)
    roles = ("lap_number", "speed", *DAMPER_ROLES)
    chunks = assembler.take([block(0, SIZE, roles)])
    assert (assembler.rate_hz, assembler.roles) == (RATE_HZ, ("speed",))
    assert list(chunks[0].side) == ["speed"]
    assert list(counts.notes) == ["lap_number"]
    assert "log.columns" in counts.notes["lap_number"]


def test_roles_of_the_log_that_the_link_lacks_are_absent() -> None:
    chunks, _ = assembled([block(0, SIZE, DAMPER_ROLES)])
    assert chunks[0].side == {}


def test_a_link_without_all_dampers_is_refused() -> None:
    counts = LinkCounts(frames=2, samples=20)
    assembler = Assembler(sheet(), counts)
    assert assembler.take([block(0, SIZE, DAMPER_ROLES[:3])]) == []
    assert (counts.frames, counts.samples, counts.bad_headers) == (1, 10, 1)
    assert "damper_RR" in counts.notes["bad_headers"]
    assert len(assembler.take([block(10, SIZE)])) == 1
    assert Assembler(sheet(), LinkCounts()).finish() == []


@pytest.mark.parametrize("other", [{"rate_hz": 250.0}, {"roles": DAMPER_ROLES}, {"wraps_at": 100_000}])
def test_blocks_unlike_the_first_are_refused(other: dict[str, Any]) -> None:
    chunks, counts = assembled([block(0), block(10, **other), block(10)])
    assert samples_in(chunks) == list(range(20))
    assert anomalies(counts) == {"bad_headers": 1}
    assert (counts.frames, counts.samples) == (2, 20)


# ---------------------------------------------------------------- one anomaly at a time


@settings(max_examples=60, deadline=None)
@given(lost=st.sets(st.integers(1, 58), max_size=40), cuts=st.lists(st.integers(0, 59), max_size=9))
def test_lost_frames_are_missing(lost: set[int], cuts: list[int]) -> None:
    kept = [number for number in range(60) if number not in lost]
    arrivals = frames(kept)
    chunks, counts = assembled(arrivals, [min(place, len(arrivals)) for place in cuts])
    assert samples_in(chunks) == [10 * number + row for number in kept for row in range(10)]
    assert numbers_in(chunks) == samples_in(chunks)
    gaps = sum(after - before > 1 for before, after in itertools.pairwise(kept))
    expected = {"missing_samples": 10 * len(lost), "gaps": gaps} if lost else {}
    assert anomalies(counts) == expected


@settings(max_examples=60, deadline=None)
@given(repeats=st.lists(st.tuples(st.integers(0, 199), st.integers(1, 150)), max_size=30))
def test_repeated_frames_are_duplicates_however_late(repeats: list[tuple[int, int]]) -> None:
    # Sorted by when each arrives; a repeat comes `after` frames behind its first.
    arrivals = sorted([(number, 0, number) for number in range(200)] + [(at + after, 1, at) for at, after in repeats])
    chunks, counts = assembled(frames([number for _, _, number in arrivals]))
    assert samples_in(chunks) == list(range(2000))
    assert anomalies(counts) == ({"duplicate_samples": 10 * len(repeats)} if repeats else {})


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), size=st.integers(1, 20))
def test_frames_within_the_window_are_put_in_order(seed: int, size: int) -> None:
    # Each arrives at most as many places late as the window is frames long; the first comes first.
    reach = max(1, WINDOW // size - 1)
    chance = random.Random(seed)
    order = [0, *sorted(range(1, 80), key=lambda number: number + chance.uniform(0, reach))]
    chunks, counts = assembled(frames(order, size))
    assert samples_in(chunks) == numbers_in(chunks) == list(range(80 * size))
    assert not any(chunk.breaks for chunk in chunks)
    late = sum(number < max(order[: place + 1]) for place, number in enumerate(order))
    assert anomalies(counts) == ({"reordered_frames": late} if late else {})


@pytest.mark.parametrize(("after", "late"), [(1, False), (4, False), (5, True), (30, True)])
def test_a_frame_beyond_the_window_is_late(after: int, late: bool) -> None:
    order = [number for number in range(60) if number != 9]
    order.insert(9 + after, 9)
    chunks, counts = assembled(frames(order))
    if late:
        assert anomalies(counts) == {"late_samples": 10, "missing_samples": 10, "gaps": 1}
        assert samples_in(chunks) == [number for number in range(600) if not 90 <= number < 100]
    else:
        assert anomalies(counts) == {"reordered_frames": 1}
        assert samples_in(chunks) == list(range(600))


def test_what_is_held_comes_out_when_the_window_has_passed() -> None:
    assembler = Assembler(sheet(), LinkCounts())
    got = [len(samples_in(assembler.take([one]))) for one in frames([0, 1, 3, 4, 5, 6, 7, 8, 9])]
    # The newest of the fifth frame held is 60 samples ahead of the missing one, the window is 50.
    assert got == [10, 10, 0, 0, 0, 0, 50, 10, 10]


def test_without_a_window_a_gap_waits_for_one_more_frame_only() -> None:
    link = {"serial": {"port": "port"}, "reorder_s": 0.0}
    assembler = Assembler(sheet(link=link), LinkCounts())
    assert [len(samples_in(assembler.take([one]))) for one in frames([0, 2, 3, 4])] == [10, 0, 20, 10]


def test_frames_that_overlap_are_cut() -> None:
    arrivals = [block(0, 10), block(5, 10), block(12, 10), block(40, 10), block(15, 30), block(50, 3)]
    chunks, counts = assembled(arrivals)
    assert samples_in(chunks) == list(range(53))
    assert anomalies(counts) == {"duplicate_samples": 5 + 3 + 7 + 5, "reordered_frames": 1}


def test_a_block_before_the_first_is_late() -> None:
    _, counts = assembled(frames([3, 2, 4]))
    assert anomalies(counts) == {"late_samples": 10}


@pytest.mark.parametrize("stray", [500_000, 61, 40])
@pytest.mark.parametrize("size", [1, 10])
def test_one_damaged_counter_does_not_move_the_axis(stray: int, size: int) -> None:
    arrivals = [block(number * size, size) for number in range(300)]
    arrivals[20] = block(20 * size + stray * size + 1, size)
    chunks, counts = assembled(arrivals)
    missing = set(range(20 * size, 21 * size))
    assert [number for number in numbers_in(chunks) if number in missing] == []
    assert len(numbers_in(chunks)) == 299 * size
    assert counts.late_samples + counts.duplicate_samples == size
    assert (counts.missing_samples, counts.gaps, counts.restarts) == (size, 1, 0)


def test_a_damaged_counter_that_comes_twice_does_not_move_the_axis_either() -> None:
    stray = block(500_000, 10)
    chunks, counts = assembled([*frames(range(20)), stray, stray, *frames(range(20, 40))])
    assert samples_in(chunks) == list(range(400))
    assert anomalies(counts) == {"duplicate_samples": 10, "late_samples": 10}


# ---------------------------------------------------------------- wraps and restarts


@pytest.mark.parametrize("wraps_at", [2**32, 65_536, 4096])
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_everything_works_across_a_wrap(wraps_at: int, seed: int) -> None:
    first = wraps_at - 300
    arrivals = disturbed(frames(range(80)), random.Random(seed))
    plain, counts = assembled(arrivals)
    moved = [SampleBlock((one.counter + first) % wraps_at, wraps_at, RATE_HZ, ROLES, one.values) for one in arrivals]
    chunks, again = assembled(moved)
    assert samples_in(chunks) == samples_in(plain)
    assert [number - first for number in numbers_in(chunks)] == numbers_in(plain)
    assert again == counts


@pytest.mark.parametrize("size", [1, 10, 400])
@pytest.mark.parametrize("wraps_at", [None, 2**32])
def test_a_restart_is_found_and_costs_nothing(size: int, wraps_at: int | None) -> None:
    def numbered(start: int) -> list[SampleBlock]:
        keys: dict[str, Any] = {"wraps_at": wraps_at}
        return [
            block(place * size, size, **keys | {"values": block(start + place * size, size).values})
            for place in range(2000 // size)
        ]

    chunks, counts = assembled([*numbered(0), *numbered(10_000)])
    assert samples_in(chunks) == [*range(2000), *range(10_000, 12_000)]
    assert anomalies(counts) == {"restarts": 1}
    assert [chunk.restart for chunk in chunks].count(True) == 1


def test_a_restart_back_to_its_own_beginning_is_found_though_frames_were_lost() -> None:
    second = [block(place * 10, 10, values=block(10_000 + place * 10, 10).values) for place in range(200)]
    del second[7], second[120]
    second[20], second[21] = second[21], second[20]
    chunks, counts = assembled([*frames(range(199)), *frames([200, 201]), *second])
    assert anomalies(counts) == {"restarts": 1, "missing_samples": 30, "gaps": 3, "reordered_frames": 1}
    assert counts.samples == len(samples_in(chunks))


def test_a_few_old_frames_are_no_restart() -> None:
    other = [block(place * 10, 10, values=block(5000, 10).values) for place in range(20)]
    chunks, counts = assembled([*frames(range(200)), *other, *frames(range(200, 300))])
    assert samples_in(chunks) == list(range(3000))
    assert anomalies(counts) == {"late_samples": 200}


def test_two_jumps_back_are_one_restart_from_the_second() -> None:
    first = [block(500 + place * 10, 10, values=block(5000, 10).values) for place in range(10)]
    second = [block(-2000 + place * 10, 10, values=block(6000 + place * 10, 10).values) for place in range(150)]
    chunks, counts = assembled([*frames(range(200)), *first, *second])
    assert anomalies(counts) == {"late_samples": 100, "restarts": 1}
    assert samples_in(chunks)[2000:] == list(range(6000, 7500))


def test_seconds_of_frames_sent_again_are_no_restart() -> None:
    chunks, counts = assembled([*frames(range(400)), *frames(range(100, 390)), *frames(range(400, 500))])
    assert samples_in(chunks) == list(range(5000))
    assert anomalies(counts) == {"duplicate_samples": 2900}


# ---------------------------------------------------------------- everything at once


def disturbed(sent: list[SampleBlock], chance: random.Random) -> list[SampleBlock]:
    """Frames as a bad link gives them: lost, repeated, displaced; the first one comes first."""
    arrivals: list[tuple[float, int, SampleBlock]] = []
    for place, one in enumerate(sent[1:]):
        for _ in range(chance.choices((0, 1, 2, 3), (8, 80, 8, 4))[0]):
            late = chance.choices((0.0, 3.0, 9.0), (80, 15, 5))[0]
            arrivals.append((place + chance.uniform(0, late), len(arrivals), one))
    return [sent[0], *(one for _, _, one in sorted(arrivals, key=lambda arrival: arrival[:2]))]


@settings(max_examples=100, deadline=None)
@given(seed=st.integers(0, 100_000), size=st.integers(1, 15), cuts=st.lists(st.integers(0, 200), max_size=20))
def test_the_account_is_exact(seed: int, size: int, cuts: list[int]) -> None:
    arrivals = disturbed(frames(range(150), size), random.Random(seed))
    # Whether a frame far ahead of all others was damaged is told later, and its own test's matter.
    newest = itertools.accumulate((one.counter + size for one in arrivals), max)
    assume(all(after.counter <= before + WINDOW for before, after in zip(newest, arrivals[1:], strict=False)))
    chunks, counts = assembled(arrivals)
    given = samples_in(chunks)
    # A sample carries its own number: none is given twice, none under another's number, none out of order.
    assert given == numbers_in(chunks) == sorted(set(given))
    arrived = Counter(one.counter + row for one in arrivals for row in range(size))
    assert counts.duplicate_samples == sum(arrived[int(number)] - 1 for number in given)
    assert counts.late_samples == sum(times for number, times in arrived.items() if number not in set(given))
    assert counts.missing_samples == given[-1] + 1 - len(given)
    batches = assembled(arrivals, [min(place, len(arrivals)) for place in cuts])
    assert samples_in(batches[0]) == given
    assert batches[1] == counts


@settings(max_examples=100, deadline=None)
@given(seed=st.integers(0, 100_000), wraps_at=st.sampled_from([None, 2**32, 5000, 100, 2]))
def test_counters_that_jump_anywhere_are_accounted_for(seed: int, wraps_at: int | None) -> None:
    chance = random.Random(seed)
    arrivals, at = [], 2000
    for number in range(chance.randrange(1, 150)):
        far = chance.choice((20, 600, 3000, 2**31, 2**52))
        at = max(0, at + chance.randrange(-far, far)) if chance.random() < 0.15 else at
        size = chance.choice((1, 1, 10, 700))
        values = block(number * 1000, size).values
        at = min(at, 2**53 - 1)
        arrivals.append(block(at if wraps_at is None else at % wraps_at, size, wraps_at=wraps_at, values=values))
        at += size
    chunks, counts = assembled(arrivals)
    given = samples_in(chunks)
    assert len(given) == len(set(given))  # each carries a number of its own
    cuts = sorted(chance.randrange(len(arrivals) + 1) for _ in range(5))
    batches, again = assembled(arrivals, cuts)
    assert (samples_in(batches), numbers_in(batches), again) == (given, numbers_in(chunks), counts)


@pytest.mark.parametrize("name", ["packed", "text with checksum", "record with checksum"])
def test_from_damaged_bytes_to_chunks_no_sample_is_wrong(name: str) -> None:
    chance = random.Random(f"chunks {name}")
    link = layout(name)
    pieces = encoded(link, blocks(3000))
    for place in range(1, len(pieces) - 20, 7):
        damage = bytearray(pieces[place])
        for _ in range(chance.randrange(1, 4)):
            damage[chance.randrange(len(damage))] ^= chance.randrange(1, 256)
        pieces[place] = bytes(damage)
    counts = LinkCounts()
    decoder, assembler = make_decoder(link, counts), Assembler(sheet(), counts)
    chunks = [chunk for piece in pieces for chunk in assembler.take(decoder.feed(piece))]
    chunks += assembler.take(decoder.finish()) + assembler.finish()
    check_contract(chunks)
    assert samples_in(chunks) == numbers_in(chunks)
    assert len(numbers_in(chunks)) == counts.samples == 30_000 - counts.missing_samples
    assert counts.refused > 400


def test_memory_is_bounded_whatever_is_held() -> None:
    assembler = Assembler(sheet(), LinkCounts())
    assembler.take([block(0)])
    for place in range(20_000):
        assembler.take([block(10 + place % 45 + 1, 1 + place % 3)])
        assembler.take([block(place * 1000 + 10**6, 1)])
        order = assembler._main
        assert order is not None
        assert len(order._held) <= WINDOW + 2
        assert len(order._seen) <= 4096
        assert len(order._given_up) <= RATE_HZ + 2
