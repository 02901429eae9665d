"""A chunk's parts carry its numbers, and its gap with the first sample only."""

from __future__ import annotations

import numpy as np

from ingest.chunk import Chunk


def chunk(**keys: int | bool) -> Chunk:
    sensors = np.asfortranarray(np.arange(20.0).reshape(5, 4))
    return Chunk(first_sample=100, rate_hz=500.0, sensors=sensors, side={"speed": np.arange(5.0)}, **keys)  # type: ignore[arg-type]


def test_a_part_has_its_own_samples_and_number() -> None:
    part = chunk(gap_before=3).part(2, 4)
    assert (part.first_sample, len(part), part.gap_before, part.rate_hz) == (102, 2, 0, 500.0)
    np.testing.assert_array_equal(part.sensors, [[8, 9, 10, 11], [12, 13, 14, 15]])
    np.testing.assert_array_equal(part.side["speed"], [2.0, 3.0])
    assert part.sensors[:, 0].flags.c_contiguous


def test_the_gap_goes_with_the_first_sample() -> None:
    whole = chunk(gap_before=3, restart=True)
    assert [whole.part(a, b).breaks for a, b in [(0, 0), (0, 1), (1, 5), (5, 5)]] == [False, True, False, False]
    assert (whole.part(0, 1).gap_before, whole.part(0, 1).restart) == (3, True)


def test_an_empty_chunk_keeps_its_gap() -> None:
    empty = Chunk(first_sample=7, rate_hz=500.0, sensors=np.empty((0, 4)), gap_before=2)
    assert len(empty) == 0
    assert empty.part(0, 0).gap_before == 2


def test_a_chunk_breaks_after_a_gap_or_a_restart() -> None:
    assert not chunk().breaks
    assert chunk(gap_before=1).breaks
    assert chunk(restart=True).breaks
