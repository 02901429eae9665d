"""The noise budget: worked by hand, against a count from the whole list, and the same whatever the steps."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.alert import Definition, Standing, Transition
from alerts.lifecycle import State
from alerts.monitor import Monitor
from alerts.noise_budget import NoiseBudget
from tests.monitored import RATE, chunk, easy_sheet, flat, steps

RATE_HZ = 100.0


def told(time_s: float, where: str = "FL", *, announced: bool = True) -> Transition:
    sample = round(time_s * RATE_HZ)
    definition = Definition("sensor", where, "high")
    return Transition(
        1, sample, time_s, "1", definition, "occurs", State.UNACKNOWLEDGED, False, announced, 1, None
    )  # fmt: skip


def budget(times: list[float], until_s: float, where: str = "FL") -> NoiseBudget:
    found = NoiseBudget(RATE_HZ)
    found.take([told(time, f"{where}{number}") for number, time in enumerate(times)], round(until_s * RATE_HZ))
    return found


def test_what_nobody_is_told_costs_nothing() -> None:
    found = NoiseBudget(RATE_HZ)
    found.take([told(1.0, announced=False)] * 50, 100_000)
    assert (found.announced, found.most_in_ten_minutes, found.flood_s) == (0, 0, 0.0)
    assert found.record()["chattering"] == []


def test_announcements_in_ten_minutes() -> None:
    found = budget([0.0, 10.0, 599.9, 600.0, 1300.0], 1800.0)
    assert found.announced == 5
    assert found.most_in_ten_minutes == 3  # the first is just ten minutes old when the fourth comes
    assert found.mean_in_ten_minutes == pytest.approx(5 / 3)


def test_a_short_run_is_not_blown_up_to_ten_minutes() -> None:
    assert budget([1.0, 2.0], 60.0).mean_in_ten_minutes == 2.0
    assert math.isnan(NoiseBudget(RATE_HZ).mean_in_ten_minutes)


def test_a_flood_begins_above_ten_and_ends_below_five() -> None:
    # Eleven in eleven seconds: a flood from the eleventh on, until only four are less than ten minutes old.
    found = budget([float(second) for second in range(11)], 2000.0)
    record = found.record()
    assert (record["floods"], record["most_in_ten_minutes"]) == (1, 11)
    assert record["time_in_flood_s"] == pytest.approx(600.0 + 6.0 - 10.0)
    assert budget([float(second) for second in range(10)], 2000.0).record()["floods"] == 0


def test_a_flood_that_goes_on_is_counted_up_to_now() -> None:
    assert budget([float(second) for second in range(11)], 40.0).flood_s == pytest.approx(30.0)


def test_an_alarm_that_comes_three_times_in_a_minute_chatters() -> None:
    found = NoiseBudget(RATE_HZ)
    found.take([told(time) for time in (0.0, 30.0, 60.0, 61.0, 62.0, 200.0)], 100_000)
    found.take([told(time, "RR") for time in (0.0, 30.0, 60.1)], 100_000)
    assert found.record()["chattering"] == [{"kind": "sensor", "where": "FL", "times": 1}]


def test_what_has_stood_for_a_day_is_stale() -> None:
    found = NoiseBudget(RATE_HZ, first_sample=500)
    standing = Standing(Definition("sensor", "FL", "high"), State.LATCHED_ACKNOWLEDGED, since_sample=500)
    fresh = Standing(Definition("sensor", "FR", "high"), State.UNACKNOWLEDGED, since_sample=501)
    normal = Standing(Definition("sensor", "RL", "high"), State.NORMAL, since_sample=500)
    found.take([], 500 + round(86_400 * RATE_HZ))
    record = found.record([standing, fresh, normal])
    assert record["standing"] == 2
    assert record["stale"] == [{"kind": "sensor", "where": "FL"}]


@settings(max_examples=60, deadline=None)
@given(
    times=st.lists(st.integers(0, 4000), max_size=60).map(sorted),
    cuts=st.lists(st.integers(0, 4200), max_size=8).map(sorted),
)
def test_any_steps_give_the_same_and_it_equals_a_count_of_the_whole_list(times: list[int], cuts: list[int]) -> None:
    whole = NoiseBudget(RATE_HZ)
    whole.take([told(float(time)) for time in times], 420_000)
    parts = NoiseBudget(RATE_HZ)
    before = 0
    for cut in [*cuts, 4200]:
        parts.take([told(float(time)) for time in times if before <= time < cut], round(cut * RATE_HZ))
        before = cut
    assert parts.record() == whole.record()
    most = max((sum(time - 600 < other <= time for other in times[: n + 1]) for n, time in enumerate(times)), default=0)
    assert whole.most_in_ten_minutes == most
    assert whole.announced == len(times)
    # Second by second: in flood from more than ten in the last ten minutes until fewer than five.
    flooded, seconds = False, 0
    for second in range(4200):
        count = sum(second - 600 < time <= second for time in times)
        flooded = count > 10 or (flooded and count >= 5)
        seconds += flooded
    assert whole.flood_s == pytest.approx(seconds, abs=1.0 + 0.01 * seconds)


@settings(max_examples=150, deadline=None)
@given(
    bursts=st.lists(
        st.tuples(
            st.sampled_from([0, 1, 60, 299, 590, 600]),
            st.integers(1, 12),
            st.sampled_from([0, 1, 20, 30, 31, 59, 60, 61]),
            st.integers(1, 4),
        ),
        max_size=5,
    ),
    rate_hz=st.sampled_from([1.0, 100.0, 333.0, 999.0]),
    first=st.integers(-1000, 10**9),
)
def test_announcements_floods_and_chatter_equal_a_count_over_all_pairs(
    bursts: list[tuple[int, int, int, int]], rate_hz: float, first: int
) -> None:
    """Bursts chosen so that much lies just at a limit; an independent count, from all announcements at once."""
    told_at: list[tuple[int, str]] = []
    second = 0
    for gap, count, step, alarms in bursts:
        second += gap
        for number in range(count):
            told_at.append((second, "abcd"[number % alarms]))
            second += step
    found = NoiseBudget(rate_hz, first)
    changes = [replace(told(0.0, where), sample=first + round(at * rate_hz), time_s=float(at)) for at, where in told_at]
    end = second + 700
    found.take(changes, first + round(end * rate_hz))
    record = found.record()
    times = [at for at, _ in told_at]
    assert record["announced"] == len(times)
    assert record["most_in_ten_minutes"] == max(
        (sum(at - 600 < other for other in times[: n + 1]) for n, at in enumerate(times)), default=0
    )
    # Bouts of chatter: the most triples of one alarm that share no announcement, each within a minute.
    expected = []
    for where in "abcd":
        own = [at for at, place in told_at if place == where]
        most = [0] * (len(own) + 1)
        for n in range(1, len(own) + 1):
            bout = 1 + most[n - 3] if n >= 3 and own[n - 1] - own[n - 3] <= 60 else 0
            most[n] = max(most[n - 1], bout)
        if most[-1]:
            expected.append({"kind": "sensor", "where": where, "times": most[-1]})
    assert record["chattering"] == expected
    # A flood, in steps of a second: it begins at an announcement, and ends when an old one is forgotten.
    flooded, seconds, floods = False, 0, 0
    for now in range(end):
        young = [at for at in times if now - 600 < at < now]
        flooded = flooded and len(young) >= 5
        young += [at for at in times if at == now]
        if not flooded and len(young) > 10:
            flooded, floods = True, floods + 1
        seconds += flooded
    assert (record["floods"], record["time_in_flood_s"]) == (floods, pytest.approx(seconds))


def test_a_monitor_keeps_its_own_budget() -> None:
    travel = flat(2000)
    travel[1000:1400] = 25.0
    monitor = Monitor(easy_sheet({"alerts.bump_stop.enabled": False}), RATE, ())
    transitions = [change for step in steps(monitor, [chunk(travel, 4000)]) for change in step.transitions]
    assert monitor.announced == sum(change.announced for change in transitions) == 1
    record = monitor.noise.record(monitor.standings)
    assert (record["announced"], record["most_in_ten_minutes"], record["floods"]) == (1, 1, 0)
    assert record["mean_in_ten_minutes"] == 1.0
    assert record["standing"] == 1  # returned to normal, and nobody has acknowledged it
