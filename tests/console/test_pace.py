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


# ---------------------------------------------------------------- what a person asks


def advance(pacer: Pacer, hand: HandClock, sample_time_s: float, most_s: float) -> bool:
    """Whether the sample time comes within so many seconds."""
    until_s = hand.time_s + most_s
    pacer.until(sample_time_s, stopped=lambda: hand.time_s > until_s)
    return hand.time_s <= until_s


@pytest.mark.parametrize("pace", [0.001, 0.5, 1.0, 20.0])
def test_whoever_is_to_be_looked_after_is_called_four_times_a_second(pace: float) -> None:
    hand = HandClock()
    looks: list[float] = []
    pacer = Pacer(pace, hand.clock)
    pacer.until(10.0 * pace, look=lambda: looks.append(hand.time_s))
    gaps = [after - before for before, after in zip([100.0, *looks], looks, strict=False)]
    assert max(gaps) <= 0.25
    assert hand.time_s == pytest.approx(110.0)


def test_a_pause_holds_and_what_it_took_is_not_caught_up() -> None:
    hand = HandClock()
    pacer = Pacer(1.0, hand.clock)
    pacer.until(5.0)
    pacer.pause()
    assert not advance(pacer, hand, 5.05, 60.0)
    pacer.pause()
    at = hand.time_s
    pacer.until(6.05)
    assert hand.time_s - at == pytest.approx(1.0, abs=0.051)


@pytest.mark.parametrize("pace", [0.1, 1.0, 20.0, 500.0, None])
def test_a_step_is_one_second_of_samples_and_then_a_pause(pace: float | None) -> None:
    hand = HandClock()
    pacer = Pacer(pace, hand.clock)
    pacer.until(3.0)
    pacer.step()
    assert pacer.paused
    at, passed = hand.time_s, 3.0
    piece_s = pacer.piece_s
    assert piece_s is not None
    while advance(pacer, hand, passed + piece_s, 0.5):
        passed += piece_s
    assert passed == pytest.approx(4.0)
    assert hand.time_s - at < 0.6
    pacer.step()
    pacer.step()
    while advance(pacer, hand, passed + piece_s, 0.5):
        passed += piece_s
    assert passed == pytest.approx(6.0)


def test_steps_that_were_asked_and_not_taken_are_forgotten_by_going_on() -> None:
    hand = HandClock()
    pacer = Pacer(1.0, hand.clock)
    for _ in range(9):
        pacer.step()
    pacer.pause()
    pacer.pause()
    assert not advance(pacer, hand, 0.05, 60.0)


def test_another_pace_counts_from_where_the_replay_is() -> None:
    hand = HandClock()
    pacer = Pacer(1.0, hand.clock)
    pacer.until(10.0)
    pacer.faster()
    assert pacer.pace == 2.0
    pacer.until(20.0)
    assert hand.time_s == pytest.approx(115.0)
    pacer.slower()
    pacer.slower()
    assert pacer.pace == 0.5
    pacer.until(21.0)
    assert hand.time_s == pytest.approx(117.0)


def test_paces_have_ends() -> None:
    pacer = Pacer(3.7, HandClock().clock)
    seen = []
    for _ in range(20):
        pacer.faster()
        seen.append(pacer.pace)
    assert seen[:2] == [5.0, 10.0]
    assert seen[-1] is None
    pacer.slower()
    assert pacer.pace == 500.0
    for _ in range(30):
        pacer.slower()
    assert pacer.pace == 0.1


def test_a_wait_ends_when_a_look_says_so() -> None:
    """A pause, another pace or an end asked for while waiting take effect at once."""
    hand = HandClock()
    pacer = Pacer(0.001, hand.clock)
    pacer.until(1.0, look=pacer.faster)
    assert hand.time_s < 102.0
