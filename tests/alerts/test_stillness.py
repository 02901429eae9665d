"""Corners in doubt: against a plain loop, at the limits and one sample short of them, for any split and any asking."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from alerts.stillness import Stillness
from ingest.chunk import Floats, Ints

RATE = 250.0
AFTER = 10  # samples in 40 ms
STUCK_FOR_S = 1.0
ANYWHERE = (np.full(4, -np.inf), np.full(4, np.inf))  # no end of a stroke
JUDGED = 300  # a second, and two tenths


def by_loop(travel: Floats) -> Ints:
    """How long each corner in doubt has been still, sample by sample."""
    still = np.zeros(4, dtype=int)
    found = np.zeros(travel.shape, dtype=int)
    for row in range(len(travel)):
        for corner in range(4):
            same = row > 0 and travel[row, corner] == travel[row - 1, corner]
            still[corner] = still[corner] + 1 if same else 0
        for corner in range(4):
            others = [
                other
                for other in range(4)
                if other != corner and still[other] < AFTER and not np.isnan(travel[row, other])
            ]
            if AFTER <= still[corner] < JUDGED and others:
                found[row, corner] = still[corner]
    return found


def moving(samples: int) -> Floats:
    """Four corners that change at every sample."""
    return np.asfortranarray(np.arange(4.0 * samples).reshape(samples, 4))


def doubted(travel: Floats, cuts: list[int], asks: set[int] | None = None) -> Ints:
    """The answer in pieces; pieces that are not asked for stay -1."""
    watch = Stillness(RATE, STUCK_FOR_S, ANYWHERE)
    found = np.full(travel.shape, -1, dtype=int)
    for number, (start, stop) in enumerate(pairwise([0, *cuts, len(travel)])):
        watch.take(travel[start:stop])
        if asks is None or number in asks:
            answer = told(watch, stop - start)
            assert np.array_equal(told(watch, stop - start), answer)
            found[start:stop] = answer
    return found


def told(watch: Stillness, samples: int) -> Ints:
    """The answer for a block of so many samples, with zeros for none."""
    answer = watch.doubted()
    if answer is None:
        return np.zeros((samples, 4), dtype=int)
    assert answer.shape == (samples, 4)
    return answer


@pytest.mark.parametrize(("steps", "seen"), [(AFTER - 1, 0), (AFTER, 1), (AFTER + 5, 6)])
def test_in_doubt_from_the_sample_that_completes_the_time(steps: int, seen: int) -> None:
    travel = moving(100)
    travel[20 : 20 + steps + 1, 2] = 7.5
    found = doubted(travel, [])
    assert np.count_nonzero(found) == seen
    assert found[20 + AFTER : 20 + AFTER + seen, 2].tolist() == list(range(AFTER, AFTER + seen))


def test_believed_again_once_a_verdict_would_have_come() -> None:
    travel = moving(1000)
    travel[20:820, 1] = 7.5
    (places,) = np.nonzero(doubted(travel, [])[:, 1])
    assert (places.min(), places.max()) == (20 + AFTER, 20 + JUDGED - 1)


def test_no_doubt_when_nothing_moves() -> None:
    assert not doubted(np.zeros((500, 4)), []).any()


def test_the_witness_must_be_known_and_have_moved_of_late() -> None:
    travel = np.zeros((100, 4), order="F")
    travel[40:, 3] = 1.0  # one step: a witness for as long as it takes to come into doubt itself
    found = doubted(travel, [])
    assert np.flatnonzero(found[:, 0]).tolist() == list(range(40, 40 + AFTER))
    assert not found[:, 3].any()
    travel[40:, 3] = np.nan
    assert not doubted(travel, []).any()


def test_an_unknown_sample_begins_the_time_anew() -> None:
    travel = moving(100)
    travel[20:60, 2] = 7.5
    travel[35, 2] = np.nan
    assert np.flatnonzero(doubted(travel, [])[:, 2]).tolist() == [*range(30, 35), *range(46, 60)]


def test_a_new_stretch_begins_the_time_anew() -> None:
    travel = moving(AFTER)
    travel[:, 0] = 7.5
    watch = Stillness(RATE, STUCK_FOR_S, ANYWHERE)
    for _ in range(3):
        watch.take(travel)
        watch.reset()
    watch.take(travel)
    assert watch.doubted() is None
    watch.take(travel)
    assert told(watch, AFTER)[:, 0].tolist() == list(range(AFTER, 2 * AFTER))


@pytest.mark.parametrize("late", range(AFTER + 2))
@pytest.mark.parametrize("steps", [AFTER - 1, AFTER, AFTER + 3])
def test_long_blocks_go_on_from_the_one_before(late: int, steps: int) -> None:
    travel = moving(400)
    for corner in range(4):
        start = 200 - late + corner
        travel[start : start + steps + 1, corner] = 7.5
    assert np.array_equal(doubted(travel, [200]), by_loop(travel))


@pytest.mark.parametrize("length", [1, 3, 11, 100, 400])
@pytest.mark.parametrize("seed", range(4))
def test_little_is_kept_for_those_who_ask_throughout(length: int, seed: int) -> None:
    """From a change of corner 0 on; the others have been still for any time."""
    rng = np.random.default_rng(seed)
    travel = np.zeros((1000, 4), order="F")
    for corner, place in enumerate([500, *rng.integers(460, 540, 3).tolist()]):
        travel[place:, corner] += 1.0
    watch = Stillness(RATE, STUCK_FOR_S, ANYWHERE, asked_throughout=True)
    found = np.zeros(len(travel), dtype=int)
    for start in range(0, len(travel), length):
        watch.take(travel[start : start + length])
        assert sum(map(len, watch._blocks)) < AFTER + 2 * length
        if start + length > 500:
            found[start : start + length] = told(watch, min(length, len(travel) - start))[:, 0]
    assert np.array_equal(found[500:], by_loop(travel)[500:, 0])
    assert found[500:].any()


@pytest.mark.parametrize("seed", range(24))
def test_any_split_and_any_asking_agree_with_a_loop(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = 2500
    travel = np.empty((count, 4), order="F")
    for corner in range(4):
        # Values that stay for a while, now and then for longer than a verdict takes; in every second case very seldom.
        shares = [0.25] * 4 if seed % 2 else [0.987, 0.005, 0.005, 0.003]
        lengths = np.maximum(1, rng.exponential(rng.choice([1.0, 8.0, 30.0, 300.0], count, p=shares)).astype(int))
        travel[:, corner] = np.repeat(rng.integers(0, 50, count), lengths)[:count]
    travel[rng.integers(0, count, 20), rng.integers(0, 4, 20)] = np.nan
    expected = by_loop(travel)
    assert 0 < np.count_nonzero(expected) < expected.size
    assert np.array_equal(doubted(travel, []), expected)
    cuts = np.sort(rng.integers(0, count, int(rng.choice([5, 12, 60, 1500])))).tolist()
    asks = set(np.flatnonzero(rng.random(len(cuts) + 1) < rng.choice([0.02, 0.3, 1.0])).tolist()) | {len(cuts)}
    found = doubted(travel, cuts, asks)
    assert np.array_equal(np.where(found < 0, expected, found), expected)
    assert found[-1].min() >= 0


def test_what_is_kept_is_bounded() -> None:
    watch = Stillness(RATE, STUCK_FOR_S, ANYWHERE)
    travel = moving(50)
    for _ in range(500):
        watch.take(travel)
    assert sum(map(len, watch._blocks)) < JUDGED + 2 * 50
