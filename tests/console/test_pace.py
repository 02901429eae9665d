"""Pacing on a clock made by hand: absolute deadlines, and words on the command line."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.pace import Clock, Pacer, parse_pace


class HandClock:
    """Time that passes only while waiting, or when told to."""

    def __init__(self, late_s: float = 0.0) -> None:
        self.time_s = 100.0
        self.late_s = late_s
        self.waits: list[float] = []

    @property
    def clock(self) -> Clock:
        return Clock(now=lambda: self.time_s, wait=self.wait)

    def wait(self, seconds: float) -> None:
        assert seconds > 0
        self.waits.append(seconds)
        self.time_s += seconds + self.late_s


@pytest.mark.parametrize("pace", [0.5, 1.0, 20.0])
def test_samples_come_at_their_time(pace: float) -> None:
    hand = HandClock()
    pacer = Pacer(pace, hand.clock)
    for sample_time_s in (0.05, 0.1, 7.0, 7.05):
        pacer.until(sample_time_s)
        assert hand.time_s == pytest.approx(100.0 + sample_time_s / pace)


def test_small_delays_never_add_up() -> None:
    hand = HandClock(late_s=0.003)
    pacer = Pacer(1.0, hand.clock)
    for step in range(1, 1001):
        pacer.until(step * 0.05)
    assert hand.time_s == pytest.approx(150.0, abs=0.0031)


def test_what_is_late_already_is_not_waited_for() -> None:
    hand = HandClock()
    pacer = Pacer(1.0, hand.clock)
    hand.time_s += 10.0
    pacer.until(5.0)
    assert hand.waits == []


def test_as_fast_as_possible_never_waits() -> None:
    hand = HandClock()
    Pacer(None, hand.clock).until(1e9)
    assert hand.waits == []


def test_a_long_gap_is_waited_for_in_pieces_so_that_a_signal_is_seen() -> None:
    hand = HandClock()
    stopped = iter([False, False, False, True, True])
    Pacer(1.0, hand.clock).until(3600.0, stopped=lambda: next(stopped))
    assert sum(hand.waits) <= 5.0


@pytest.mark.parametrize(("text", "pace"), [("1", 1.0), ("0.5", 0.5), ("20", 20.0), ("max", None), (" MAX ", None)])
def test_paces_from_the_command_line(text: str, pace: float | None) -> None:
    assert parse_pace(text) == pace


@pytest.mark.parametrize("text", ["", "0", "-1", "nan", "inf", "-inf", "fast", "1x", "10001", "1e400", "max max"])
def test_other_words_are_refused(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011
        parse_pace(text)


@given(st.text(max_size=10))
def test_any_text_is_a_pace_or_refused(text: str) -> None:
    try:
        pace = parse_pace(text)
    except ValueError:
        return
    assert pace is None or 0.0 < pace <= 10_000.0
