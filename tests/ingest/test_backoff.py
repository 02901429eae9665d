from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from ingest.backoff import Backoff


def test_pauses_double_up_to_the_cap() -> None:
    backoff = Backoff(first_s=0.2, most_s=5.0, chance=lambda: 0.0)
    assert [backoff.pause_s() for _ in range(7)] == [0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0]


def test_chance_only_shortens_a_pause_and_does_not_add_up() -> None:
    backoff = Backoff(first_s=1.0, most_s=4.0, jitter=0.5, chance=lambda: 0.5)
    assert [backoff.pause_s() for _ in range(4)] == [0.75, 1.5, 3.0, 3.0]


def test_a_connection_that_lasted_starts_the_pauses_anew() -> None:
    backoff = Backoff(first_s=1.0, most_s=8.0, steady_s=5.0, chance=lambda: 0.0)
    assert [backoff.pause_s() for _ in range(3)] == [1.0, 2.0, 4.0]
    backoff.worked_for(5.0)
    assert backoff.pause_s() == 1.0


def test_a_connection_that_broke_at_once_does_not() -> None:
    # Two clients with one identifier throw each other out as fast as they connect.
    backoff = Backoff(first_s=1.0, most_s=8.0, steady_s=5.0, chance=lambda: 0.0)
    backoff.pause_s()
    backoff.worked_for(4.9)
    assert backoff.pause_s() == 2.0


@given(st.lists(st.one_of(st.none(), st.floats(0, 100)), max_size=60), st.integers(0, 2**32))
def test_every_pause_stays_within_its_limits(lasted: list[float | None], seed: int) -> None:
    chances = itertools.cycle([seed / 2**32, 0.0, 0.999])
    backoff = Backoff(first_s=0.2, most_s=5.0, jitter=0.2, chance=lambda: next(chances))
    for seconds in lasted:
        if seconds is not None:
            backoff.worked_for(seconds)
        assert 0.2 * 0.8 <= backoff.pause_s() <= 5.0
