"""Where laps begin and which of them count, from each of the three sources, through the whole chain."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.summary import LapSummary
from ingest.chunk import Floats
from tests.dsp.helpers import Findings, cut, places_of, run, same_on_all, stream
from tests.sheets import make_sheet

RATE_HZ = 100.0
LAP = 2000  # 20 s
SHEET = make_sheet()


def laps_of(rows: int, gaps: dict[int, int] | None = None, cuts: list[int] | None = None, **side: Floats) -> Findings:
    """Return what the chain says of a moving signal with side channels; `gaps` and `cuts` as in the helpers."""
    travel = same_on_all(5.0 * np.sin(np.arange(rows) / 9.0))
    return run(SHEET, cut(stream(travel, RATE_HZ, gaps=gaps, side=side), cuts or []))


def places(found: Findings) -> list[tuple[str, int, int, str]]:
    return [(lap.name, lap.first_sample, lap.end_sample, lap.verdict.kind) for lap in found.laps]


def kinds(found: Findings) -> list[str]:
    return [lap.verdict.kind for lap in found.laps]


def numbered(*lengths: int, first: int = 0) -> Floats:
    """Return a lap number that rises by one after each length."""
    return np.repeat(np.arange(first, first + len(lengths), dtype=float), lengths)


def fast(rows: int) -> Floats:
    return np.full(rows, 50.0)


# Sources.


def test_a_lap_number_that_changes_begins_a_lap_of_that_name() -> None:
    found = laps_of(5500, lap_number=numbered(500, LAP, LAP, 1000, first=3))
    assert places(found) == [
        ("3", 0, 500, "out"),
        ("4", 500, 2500, "timed"),
        ("5", 2500, 4500, "timed"),
        ("6", 4500, 5500, "unfinished"),
    ]
    assert [lap.index for lap in found.laps] == [0, 1, 2, 3]
    assert found.lap_starts == [(0, "3"), (500, "4"), (2500, "5"), (4500, "6")]
    assert [lap.duration_s for lap in found.laps] == [5.0, 20.0, 20.0, 10.0]


def test_a_lap_number_that_falls_begins_a_lap_too() -> None:
    found = laps_of(4500, lap_number=np.repeat([7.0, 1.0, 2.0], [500, LAP, LAP]))
    # Any number but the next one must hold for half a second, so that lap begins so much later.
    assert places(found) == [("7", 0, 550, "out"), ("1", 550, 2500, "timed"), ("2", 2500, 4500, "unfinished")]


@pytest.mark.parametrize("torn", [99.0, 0.0, 1.0, -5.0])
@pytest.mark.parametrize("length", [1, 20, 49])
def test_a_torn_lap_number_begins_no_lap(torn: float, length: int) -> None:
    number = numbered(500, LAP, LAP, 1000)
    sound = places(laps_of(len(number), lap_number=number))
    number[3000 : 3000 + length] = torn
    assert places(laps_of(len(number), lap_number=number)) == sound


def test_a_fragment_of_a_lap_spoils_one_lap_and_not_the_stint() -> None:
    lengths = (500, 1600, LAP, LAP, LAP, 1600, LAP, 100)
    found = laps_of(sum(lengths), lap_number=numbered(*lengths))
    assert kinds(found) == ["out", "timed", "invalid", "timed", "timed", "invalid", "timed", "unfinished"]
    assert "20 % shorter than the usual lap" in found.laps[5].verdict.reason


def test_one_slow_first_lap_does_not_make_the_others_too_short() -> None:
    lengths = (500, 3000, LAP, LAP, 100)
    found = laps_of(sum(lengths), lap_number=numbered(*lengths))
    assert kinds(found) == ["out", "timed", "timed", "timed", "unfinished"]


def test_unknown_lap_numbers_begin_no_lap() -> None:
    number = numbered(500, LAP, LAP)
    number[480:510] = np.nan
    number[1000:1100] = np.nan
    number[-1] = np.nan
    found = laps_of(len(number), lap_number=number)
    assert [(name, first) for name, first, _, _ in places(found)] == [("0", 0), ("1", 510), ("2", 2500)]


def test_a_lap_is_named_by_the_first_number_that_is_known() -> None:
    number = numbered(500, LAP, 300, first=6)
    number[:40] = np.nan
    found = laps_of(len(number), lap_number=number)
    assert [name for name, *_ in places(found)] == ["6", "7", "8"]


def test_a_lap_number_that_was_interpolated_begins_one_lap_and_not_several() -> None:
    # A logger that resamples all channels draws a slope from one number to the next.
    number = numbered(500, LAP, LAP, first=1)
    number[498:502] = [1.2, 1.4, 1.6, 1.8]
    number = np.where(number == 3.0, 2.9999999, number)
    assert places(laps_of(len(number), lap_number=number)) == [
        ("1", 0, 500, "out"),
        ("2", 500, 2500, "timed"),
        ("3", 2500, 4500, "unfinished"),
    ]


def test_a_marker_that_rises_begins_a_lap_and_its_length_does_not_matter() -> None:
    marker = np.zeros(5500)
    marker[500:503] = 1.0
    marker[2500] = 1.0
    marker[4500:5300] = 1.0
    found = laps_of(5500, lap_marker=marker)
    assert places(found) == [
        ("0", 0, 500, "out"),
        ("1", 500, 2500, "timed"),
        ("2", 2500, 4500, "timed"),
        ("3", 4500, 5500, "unfinished"),
    ]


def test_a_marker_seen_twice_is_one() -> None:
    marker = np.zeros(5000)
    marker[[500, 510, 1999, 2500, 2503]] = 1.0
    found = laps_of(5000, lap_marker=marker)
    assert [first for _, first, _, _ in places(found)] == [0, 500, 2500]
    assert found.pipeline.laps.ignored_markers == 3


def test_a_marker_that_is_high_from_the_start_has_not_risen() -> None:
    marker = np.ones(3000)
    marker[100:2000] = 0.0
    assert [first for _, first, _, _ in places(laps_of(3000, lap_marker=marker))] == [0, 2000]


def test_unknown_values_between_low_and_high_do_not_hide_a_marker() -> None:
    marker = np.zeros(3000)
    marker[500:520] = np.nan
    marker[520:525] = 1.0
    marker[1000:1010] = np.nan
    assert [first for _, first, _, _ in places(laps_of(3000, lap_marker=marker))] == [0, 520]


def test_a_distance_that_starts_again_begins_a_lap() -> None:
    distance = np.concatenate(
        (1200.0 + np.arange(500) * 1.0, np.arange(LAP) * 0.9, np.arange(LAP) * 0.9, np.arange(100))
    )
    distance[700] = np.nan
    distance[1500] -= 30.0
    found = laps_of(len(distance), lap_distance=distance)
    assert places(found) == [
        ("0", 0, 500, "out"),
        ("1", 500, 2500, "timed"),
        ("2", 2500, 4500, "timed"),
        ("3", 4500, 4600, "unfinished"),
    ]
    assert [lap.distance_m for lap in found.laps] == [1699.0, 0.9 * 1999, 0.9 * 1999, 99.0]


def test_the_number_is_preferred_to_the_marker_and_that_to_the_distance() -> None:
    rows = 4500
    marker = np.zeros(rows)
    marker[700] = 1.0
    distance = np.concatenate((np.arange(900.0), np.arange(rows - 900.0)))
    number = numbered(500, LAP, LAP)
    both = laps_of(rows, lap_distance=distance, lap_marker=marker)
    assert both.pipeline.laps.source == "lap_marker"
    assert [first for _, first, _, _ in places(both)] == [0, 700]
    every = laps_of(rows, lap_distance=distance, lap_marker=marker, lap_number=number)
    assert [first for _, first, _, _ in places(every)] == [0, 500, 2500]


def test_without_a_source_the_stint_is_one_whole_lap() -> None:
    found = laps_of(3000, gaps={1000: 300}, speed=fast(3000))
    assert places(found) == [("0", 0, 3300, "whole")]
    assert found.laps[0].timed
    assert found.pipeline.timed_laps == 1
    assert "no lap number" in found.laps[0].verdict.reason


# Verdicts.


def standing(rows: int, *stops: tuple[int, int]) -> Floats:
    speed = fast(rows)
    for start, stop in stops:
        speed[start:stop] = 0.0
    return speed


def test_a_lap_with_a_stop_at_its_start_is_an_out_lap_and_with_one_later_an_in_lap() -> None:
    number = numbered(500, LAP, LAP, LAP, LAP)
    speed = standing(len(number), (0, 300), (2500, 2800), (6000, 6250), (8300, 8500))
    found = laps_of(len(number), lap_number=number, speed=speed)
    assert kinds(found) == ["out", "timed", "out", "in", "in"]
    assert "standstill" in found.laps[0].verdict.reason
    assert not found.laps[2].timed


def test_a_stop_shorter_than_the_limit_does_not_spoil_a_lap() -> None:
    number = numbered(500, LAP, LAP)
    for length, kind in ((199, "timed"), (200, "in")):
        assert (
            kinds(laps_of(len(number), lap_number=number, speed=standing(len(number), (1500, 1500 + length))))[1]
            == kind
        )


def test_unknown_speed_is_neither_standing_nor_moving() -> None:
    number = numbered(500, LAP, LAP)
    speed = standing(len(number), (1000, 1250))
    speed[1100:1103] = np.nan
    assert kinds(laps_of(len(number), lap_number=number, speed=speed))[1] == "in"
    # A stop from the start of a lap, the first sample of which is unknown, is still one from standstill.
    speed = standing(len(number), (500, 900))
    speed[500:503] = np.nan
    assert kinds(laps_of(len(number), lap_number=number, speed=speed))[1] == "out"
    speed = fast(len(number))
    speed[1000:1500] = np.nan
    assert kinds(laps_of(len(number), lap_number=number, speed=speed))[1] == "timed"


def test_a_lap_with_too_many_samples_missing_is_invalid() -> None:
    number = numbered(500, LAP, LAP, LAP)
    for missing, kind in ((50, "timed"), (51, "invalid")):
        found = laps_of(len(number), gaps={1000: missing}, lap_number=number)
        assert kinds(found) == ["out", kind, "timed", "unfinished"]
        assert found.laps[1].missing_samples == missing
        assert found.laps[1].duration_s == pytest.approx((LAP + missing) / RATE_HZ)
    assert "0.5 s of samples missing" in found.laps[1].verdict.reason


def test_gaps_of_one_lap_add_up() -> None:
    number = numbered(500, LAP, LAP)
    # No gap is too long by itself, but more than a twentieth of the lap is missing.
    few = laps_of(len(number), gaps={1000: 40, 1300: 40, 1600: 20}, lap_number=number)
    assert (few.laps[1].missing_samples, kinds(few)[1]) == (100, "timed")
    many = laps_of(len(number), gaps={1000: 40, 1300: 40, 1600: 30}, lap_number=number)
    assert (many.laps[1].missing_samples, kinds(many)[1]) == (110, "invalid")


def test_a_gap_across_the_line_counts_against_both_laps() -> None:
    number = numbered(500, LAP, LAP, LAP)
    found = laps_of(len(number), gaps={2500: 80}, lap_number=number)
    assert kinds(found) == ["out", "invalid", "invalid", "unfinished"]
    assert [lap.missing_samples for lap in found.laps] == [0, 80, 80, 0]
    assert [(lap.first_sample, lap.end_sample) for lap in found.laps[1:3]] == [(500, 2580), (2580, 4580)]
    assert found.pipeline.lost_samples == 80


def test_a_lap_during_which_the_clock_was_set_back_has_no_known_length() -> None:
    number = numbered(500, LAP, LAP, LAP)
    found = laps_of(len(number), gaps={1000: -1}, lap_number=number)
    assert kinds(found) == ["out", "invalid", "timed", "unfinished"]
    assert "clock" in found.laps[1].verdict.reason
    on_the_line = laps_of(len(number), gaps={2500: -1}, lap_number=number)
    assert kinds(on_the_line) == ["out", "invalid", "invalid", "unfinished"]


def test_a_lap_shorter_than_any_lap_is_invalid() -> None:
    found = laps_of(500 + 1499 + 1500 + 100, lap_number=numbered(500, 1499, 1500, 100))
    assert kinds(found) == ["out", "invalid", "timed", "unfinished"]


def test_a_lap_much_slower_than_the_usual_one_is_invalid() -> None:
    lengths = (500, 2000, 2000, 2000, 2240, 2241, 100)
    found = laps_of(sum(lengths), lap_number=numbered(*lengths))
    assert kinds(found) == ["out", "timed", "timed", "timed", "timed", "invalid", "unfinished"]
    assert "12 % slower" in found.laps[5].verdict.reason
    assert found.pipeline.timed_laps == 4
    assert found.pipeline.laps.best_s == 20.0


def test_the_stints_end_after_a_stop_is_an_in_lap_and_otherwise_unfinished() -> None:
    number = numbered(500, LAP, 1000)
    assert kinds(laps_of(len(number), lap_number=number, speed=standing(len(number), (3200, 3500))))[-1] == "in"
    assert kinds(laps_of(len(number), lap_number=number, speed=fast(len(number))))[-1] == "unfinished"


def test_a_stint_that_never_reaches_the_line_is_unfinished() -> None:
    assert places(laps_of(900, lap_marker=np.zeros(900))) == [("0", 0, 900, "unfinished")]


def test_a_line_at_the_first_sample_of_a_chunk_or_of_a_block_is_where_it_was() -> None:
    number = numbered(500, LAP, LAP)
    whole = laps_of(len(number), lap_number=number)
    for places_cut in ([500], [499, 500, 501], [500, 500], [2500, 504], [496, 508]):
        assert places(laps_of(len(number), cuts=places_cut, lap_number=number)) == places(whole)


def test_timed_laps_alone_make_up_the_comparable_part() -> None:
    number = numbered(500, LAP, LAP, LAP)
    found = laps_of(len(number), gaps={3000: 100}, lap_number=number)
    assert kinds(found) == ["out", "timed", "invalid", "unfinished"]
    assert found.pipeline.timed_laps == 1
    assert found.pipeline.timed.received == LAP
    assert found.pipeline.timed.tally.velocity.tolist() == found.laps[1].share.tally.velocity.tolist()


@st.composite
def sides(draw: Any, rows: int) -> dict[str, Floats]:
    generator = np.random.default_rng(draw(st.integers(0, 10_000)))
    source = draw(st.sampled_from(["lap_number", "lap_marker", "lap_distance"]))
    lines = np.sort(generator.integers(1, rows, size=generator.integers(0, 5)))
    lap = np.searchsorted(lines, np.arange(rows), side="right").astype(float)
    values = {
        "lap_number": lap,
        "lap_marker": np.isin(np.arange(rows), lines).astype(float),
        "lap_distance": (np.arange(rows) - np.concatenate(([0], lines))[lap.astype(int)]) * 2.0,
    }[source]
    speed = np.where(generator.random(rows // 20 + 1).repeat(20)[:rows] < 0.3, 0.0, 50.0)
    for channel in (values, speed):
        channel[generator.random(rows) < 0.02] = np.nan
    return {source: values, "speed": speed}


@given(data=st.data(), rows=st.integers(20, 400))
@settings(max_examples=100, deadline=None)
def test_any_cutting_gives_the_same_laps(data: Any, rows: int) -> None:
    side = data.draw(sides(rows))
    gaps = {
        row: data.draw(st.sampled_from([-1, 2, 60])) for row in data.draw(st.sets(st.integers(1, rows - 1), max_size=2))
    }
    sheet = make_sheet({"laps": {"shortest_lap_s": 0.5, "stopped_for_s": 0.3, "longest_gap_s": 0.1}})
    travel = same_on_all(5.0 * np.sin(np.arange(rows) / 9.0))
    whole = stream(travel, RATE_HZ, gaps=gaps, side=side)
    one, other = run(sheet, whole), run(sheet, cut(whole, data.draw(places_of(rows))))
    assert describe(one.laps) == describe(other.laps)
    assert one.lap_starts == other.lap_starts
    assert one.pipeline.laps.ignored_markers == other.pipeline.laps.ignored_markers
    # Laps follow on from each other and leave nothing out.
    for before, after in itertools.pairwise(one.laps):
        assert before.end_sample == after.first_sample
    assert sum(lap.share.received for lap in one.laps) == rows


def describe(laps: list[LapSummary]) -> list[tuple[Any, ...]]:
    return [
        (
            lap.index,
            lap.name,
            lap.verdict,
            lap.first_sample,
            lap.end_sample,
            lap.missing_samples,
            None if math.isnan(lap.distance_m) else lap.distance_m,
            lap.share.received,
            lap.share.idle,
        )
        for lap in laps
    ]
