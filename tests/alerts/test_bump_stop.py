"""Bump-stop contact: long contacts to the sample, counts and times per lap, and what clears."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from alerts.alert import Transition
from ingest.chunk import Chunk, Floats
from ingest.sheet import Sheet
from tests.monitored import RATE, changes, chunk, cut, easy_sheet, flat, laps_of, stretches, watch

KIND = "bump_stop"
LONG = round(0.25 * RATE)
ON = 22.0  # 2 mm into the stop: 200 N
LAP = 1000  # samples
BASE: dict[str, Any] = {
    "alerts.platform_low.enabled": False,
    "log.columns.lap_number": {"column": "lap"},
    "alerts.bump_stop.trip_time_per_lap_s": 0.4,
    "alerts.bump_stop.clear_time_per_lap_s": 0.2,
    "alerts.bump_stop.trip_contacts_per_lap": 4,
    "alerts.bump_stop.clear_contacts_per_lap": 2,
}
LAPS = easy_sheet(BASE)


def contacts(samples: int, *spans: tuple[int, int], corner: int = 0) -> Floats:
    """No contact but at one corner between the given places."""
    travel = flat(samples)
    for start, stop in spans:
        travel[start:stop, corner] = ON
    return travel


def in_laps(travel: Floats) -> Chunk:
    return chunk(travel, lap_number=np.arange(len(travel)) // LAP * 1.0)


def run(travel: Floats, sheet: Sheet = LAPS) -> list[Transition]:
    return watch(sheet, in_laps(travel))


# ---------------------------------------------------------------- one long contact


@pytest.mark.parametrize(("length", "trips"), [(LONG - 1, False), (LONG, False), (LONG + 1, True)])
def test_a_contact_trips_at_the_sample_that_makes_it_too_long(length: int, trips: bool) -> None:
    found = watch(easy_sheet({"alerts.platform_low.enabled": False}), chunk(contacts(900, (300, 300 + length))))
    assert changes(found, KIND, "FL") == ([(300 + LONG, "occurs")] if trips else [])


@pytest.mark.parametrize("corner", range(4))
def test_names_the_corner_and_says_how_hard(corner: int) -> None:
    (only,) = run(contacts(900, (300, 500), corner=corner))
    assert only.definition.where == ("FL", "FR", "RL", "RR")[corner]
    assert only.evidence is not None
    assert only.evidence.sentence == "still on the bump stop after 0.25 s, at 22.0 mm and 200 N"
    assert (only.evidence.unit, only.evidence.since_sample) == ("s", 300)
    assert (only.definition.priority, only.announced) == ("medium", True)


def test_one_contact_is_one_occurrence_however_it_is_cut() -> None:
    (only,) = watch(LAPS, *cut(in_laps(contacts(900, (300, 790))), [1] * 899))
    assert (only.sample, only.occurrences) == (300 + LONG, 1)


@pytest.mark.parametrize("lengths", [[], [1] * 5000, [300, 900, 7], [64] * 100])
def test_a_contact_is_told_again_at_4_and_16_times_the_limit(lengths: list[int]) -> None:
    sheet = easy_sheet({"alerts.platform_low.enabled": False})
    travel = contacts(5000, (300, 300 + 16 * LONG + 1))
    found = watch(sheet, *cut(chunk(travel), lengths))
    assert [(t.sample, t.change, t.announced) for t in found] == [
        (300 + LONG, "occurs", True),
        (300 + 4 * LONG, "worsens", True),
        (300 + 16 * LONG, "worsens", True),
    ]
    assert found[1].evidence is not None
    assert found[1].evidence.sentence.startswith(f"still on the bump stop after {4 * LONG / RATE:g} s")
    assert found[1].evidence.measured == 4 * LONG / RATE
    assert len(watch(sheet, chunk(travel[:-1]))) == 3
    travel[300 + 16 * LONG :] = 0.0
    assert len(watch(sheet, chunk(travel))) == 2


def test_a_later_contact_is_news_only_when_it_is_four_times_as_long() -> None:
    spans = [(100, 300), (QUIET + 1000, QUIET + 1200), (2 * QUIET + 2000, 2 * QUIET + 2000 + 4 * LONG + 1)]
    found = watch(NO_LAPS, chunk(contacts(4 * QUIET + 2000, *spans)))
    told = [(t.change, t.announced) for t in found if t.change != "returns"]
    assert told == [("occurs", True), ("occurs", False), ("occurs", False), ("worsens", True)]


def test_a_much_too_long_contact_is_news_after_a_lap_and_a_lap_is_none_after_a_contact() -> None:
    lap_first = contacts(3500, *[(1100 + 20 * n, 1105 + 20 * n) for n in range(5)], (2300, 2300 + 4 * LONG + 1))
    assert [(t.sample, t.change) for t in run(lap_first) if t.announced] == [
        (2 * LAP, "occurs"),
        (2300 + 4 * LONG, "worsens"),
    ]
    contact_first = contacts(3500, (1100, 1100 + LONG + 1), (1300, 1400))
    assert [(t.sample, t.change) for t in run(contact_first) if t.announced] == [(1100 + LONG, "occurs")]


@pytest.mark.parametrize(("speed", "trips"), [(0.0, False), (2.9, False), (3.0, True), (np.nan, True)])
def test_a_car_that_stands_trips_nothing(speed: float, trips: bool) -> None:
    side = np.full(900, speed)
    found = watch(easy_sheet({"alerts.platform_low.enabled": False}), chunk(contacts(900, (300, 500)), speed=side))
    assert changes(found, KIND, "FL") == ([(300 + LONG, "occurs")] if trips else [])


@pytest.mark.parametrize("lengths", [[], [1] * 900, [7] * 200, [350, 1, 40]])
def test_time_at_rest_makes_no_contact_long(lengths: list[int]) -> None:
    """A car that has stood on its stop and drives off on it is told once it has driven so long."""
    side = np.full(900, 50.0)
    side[310:350] = 0.0
    side[400:410] = 0.0
    sheet = easy_sheet({"alerts.platform_low.enabled": False})
    for length, trips in ((LONG + 50, False), (LONG + 51, True)):
        whole = chunk(contacts(900, (100, 200), (300, 300 + length), (600, 700)), speed=side)
        found = watch(sheet, *cut(whole, lengths))
        assert changes(found, KIND, "FL") == ([(300 + LONG + 50, "occurs")] if trips else [])


@pytest.mark.parametrize("missing", ["reading", "samples"])
def test_what_is_not_known_cuts_a_contact_in_two(missing: str) -> None:
    if missing == "reading":
        travel = contacts(900, (300, 500))
        travel[400, 0] = np.nan
        chunks = [chunk(travel)]
    else:
        chunks = stretches(contacts(400, (300, 400)), contacts(400, (0, 100)), gap=1)
    assert watch(easy_sheet({"alerts.platform_low.enabled": False}), *chunks) == []


# ---------------------------------------------------------------- per lap


@pytest.mark.parametrize(("count", "trips"), [(4, False), (5, True)])
def test_more_contacts_than_the_limit_trip_at_the_end_of_the_lap(count: int, trips: bool) -> None:
    spans = [(1100 + 20 * n, 1105 + 20 * n) for n in range(count)]
    found = run(contacts(2500, *spans, corner=1))
    assert changes(found, KIND, "FR") == ([(2 * LAP, "occurs")] if trips else [])
    if trips:
        assert found[0].evidence is not None
        assert found[0].evidence.sentence == "5 bump-stop contacts in lap 1"
        assert found[0].evidence.since_sample == LAP
        # Said at the first sample of the next lap, and so in it.
        assert found[0].lap == "2"


@pytest.mark.parametrize(("extra", "trips"), [(0, False), (1, True)])
def test_more_time_than_the_limit_trips_at_the_end_of_the_lap(extra: int, trips: bool) -> None:
    found = run(contacts(2500, (1100, 1200), (1300, 1400 + extra), corner=2))
    assert changes(found, KIND, "RL") == ([(2 * LAP, "occurs")] if trips else [])


@pytest.mark.parametrize(("end", "lap"), [(2 * LAP, 1), (2 * LAP + 1, 2)])
def test_a_contact_counts_to_the_lap_it_ends_in(end: int, lap: int) -> None:
    laps = laps_of(LAPS, in_laps(contacts(3500, (2 * LAP - 50, end))))
    assert [one.share.stops[0].count for one in laps] == [int(number == lap) for number in range(4)]


def test_counts_start_again_with_each_lap() -> None:
    spans = [(LAP * lap + 100 + 50 * n, LAP * lap + 110 + 50 * n) for lap in range(4) for n in range(4)]
    assert run(contacts(4500, *spans)) == []


def test_a_clean_timed_lap_clears_and_a_dirty_one_does_not() -> None:
    # Lap 0 is the out-lap; lap 1 trips, lap 2 is within the deadband, lap 3 is clean.
    travel = contacts(4500, (1100, 1300), (2100, 2120), (2200, 2220), (2300, 2320))
    assert changes(run(travel), KIND, "FL") == [(1100 + LONG, "occurs"), (4 * LAP, "returns")]


def test_an_out_lap_does_not_clear() -> None:
    assert changes(run(contacts(1500, (100, 300))), KIND, "FL") == [(100 + LONG, "occurs")]


def test_a_long_contact_in_the_lap_keeps_it_standing() -> None:
    travel = contacts(4500, (1100, 1300), (2100, 2100 + LONG))
    assert changes(run(travel), KIND, "FL") == [(1100 + LONG, "occurs"), (4 * LAP, "returns")]


def test_a_lap_that_ends_during_a_long_contact_does_not_clear_it() -> None:
    # The contact counts to the lap it ends in, so the lap before it looks clean.
    travel = contacts(4500, (2 * LAP - LONG - 50, 2 * LAP + 50))
    trip = 2 * LAP - 50
    assert changes(run(travel), KIND, "FL") == [(trip, "occurs"), (4 * LAP, "returns")]


@pytest.mark.parametrize("known", [0, 1, 100])
def test_a_lap_that_was_hardly_seen_does_not_clear(known: int) -> None:
    travel = contacts(4500, (1100, 1300))
    travel[2 * LAP + known : 3 * LAP, 0] = np.nan
    sheet = easy_sheet(BASE | {"alerts.sensor.enabled": False})
    assert changes(run(travel, sheet), KIND, "FL") == [(1100 + LONG, "occurs"), (4 * LAP, "returns")]


# ---------------------------------------------------------------- without laps

QUIET = round(2.0 * RATE)
NO_LAPS = easy_sheet({"alerts.platform_low.enabled": False, "alerts.bump_stop.clear_without_laps_s": 2.0})


def test_without_laps_a_quiet_time_clears() -> None:
    travel = contacts(400 + QUIET + 1, (100, 400))
    assert changes(watch(NO_LAPS, chunk(travel[:-1])), KIND, "FL") == [(100 + LONG, "occurs")]
    found = watch(NO_LAPS, chunk(travel))
    assert changes(found, KIND, "FL") == [(100 + LONG, "occurs"), (400 + QUIET, "returns")]


def test_without_laps_another_long_contact_starts_the_quiet_time_again() -> None:
    travel = contacts(5000, (100, 400), (900, 1200))
    assert changes(watch(NO_LAPS, chunk(travel)), KIND, "FL") == [(100 + LONG, "occurs"), (1200 + QUIET, "returns")]


@pytest.mark.parametrize("lengths", [[], [1] * 4000, [400 + QUIET - 1], [400 + QUIET + 5], [7] * 600])
def test_a_contact_during_the_moment_of_clearing_changes_nothing_whatever_the_split(lengths: list[int]) -> None:
    """A short contact on one corner and a long one on another are under way when the quiet time ends."""
    end = 400 + QUIET
    travel = contacts(4500, (100, 400), (end - 20, end + 20))
    travel[100:400, 1] = travel[end - 20 : end + 300, 1] = ON
    found = watch(NO_LAPS, *cut(chunk(travel), lengths))
    assert changes(found, KIND, "FL") == [(100 + LONG, "occurs"), (end + 20, "returns")]
    assert changes(found, KIND, "FR") == [(100 + LONG, "occurs"), (end + 300 + QUIET, "returns")]
    assert [t.sample for t in found] == sorted(t.sample for t in found)


@pytest.mark.parametrize("missing", ["reading", "samples"])
def test_without_laps_time_that_was_not_seen_does_not_clear(missing: str) -> None:
    sheet = easy_sheet(
        {
            "alerts.platform_low.enabled": False,
            "alerts.bump_stop.clear_without_laps_s": 2.0,
            "alerts.sensor.enabled": False,
        }
    )
    if missing == "reading":
        travel = contacts(3000 + QUIET + 1, (100, 400))
        travel[500:3100, 0] = np.nan
        chunks = [chunk(travel)]
    else:
        chunks = stretches(contacts(500, (100, 400)), flat(QUIET - 99), gap=2600)
    found = watch(sheet, *chunks)
    assert changes(found, KIND, "FL") == [(100 + LONG, "occurs"), (3000 + QUIET, "returns")]


def test_a_stint_without_laps_is_not_judged_as_one_lap() -> None:
    spans = [(100 + 20 * n, 110 + 20 * n) for n in range(60)]
    assert watch(easy_sheet({"alerts.platform_low.enabled": False}), chunk(contacts(3000, *spans))) == []


def test_disabled_it_is_silent() -> None:
    sheet = easy_sheet({"alerts.platform_low.enabled": False, "alerts.bump_stop.enabled": False})
    assert watch(sheet, chunk(contacts(900, (100, 800)))) == []
