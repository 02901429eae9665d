"""Top-out: long ones to the sample, counts and times per lap, cars that stand, and what clears.

What it shares with bump-stop contact is tried in full there.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from alerts.alert import Transition
from console.lines import KIND_NAMES
from ingest.chunk import Chunk, Floats
from ingest.errors import SheetError
from ingest.sheet import Sheet
from ingest.sheet_limits import TopOutAlert
from tests.monitored import RATE, brief, changes, chunk, cut, easy_sheet, flat, watch

KIND = "top_out"
LONG = round(1.0 * RATE)
DOWN = -39.8  # full droop is at -40 mm, contact from -39.5 mm on
LAP = 1500  # samples
BASE: dict[str, Any] = {
    "alerts.platform_low.enabled": False,
    "log.columns.lap_number": {"column": "lap"},
    "alerts.top_out.trip_time_per_lap_s": 0.4,
    "alerts.top_out.clear_time_per_lap_s": 0.2,
    "alerts.top_out.trip_contacts_per_lap": 4,
    "alerts.top_out.clear_contacts_per_lap": 2,
}
LAPS = easy_sheet(BASE)
NO_LAPS = easy_sheet({"alerts.platform_low.enabled": False, "alerts.top_out.clear_without_laps_s": 2.0})
QUIET = round(2.0 * RATE)


def hanging(samples: int, *spans: tuple[int, int], corner: int = 0, depth: float = DOWN) -> Floats:
    """At full droop at one corner between the given places."""
    # Everything moves a little, so that none of the sensors seems to have stopped.
    travel = flat(samples) + 3.0 * np.sin(np.arange(samples) / 40.0)[:, np.newaxis]
    for start, stop in spans:
        travel[start:stop, corner] = depth + 0.15 * np.sin(np.arange(stop - start))
    return travel


def in_laps(travel: Floats, **side: Any) -> Chunk:
    return chunk(travel, lap_number=np.arange(len(travel)) // LAP * 1.0, **side)


def run(travel: Floats, sheet: Sheet = LAPS, **side: Any) -> list[Transition]:
    return watch(sheet, in_laps(travel, **side))


@pytest.mark.parametrize(("length", "trips"), [(LONG, False), (LONG + 1, True)])
@pytest.mark.parametrize("corner", range(4))
def test_a_wheel_that_hangs_too_long_trips(length: int, trips: bool, corner: int) -> None:
    found = watch(NO_LAPS, chunk(hanging(1400, (300, 300 + length), corner=corner)))
    where = ("FL", "FR", "RL", "RR")[corner]
    assert changes(found, KIND, where) == ([(300 + LONG, "occurs")] if trips else [])
    assert len(found) == trips


def test_says_where_and_what_to_check_and_the_force_only_if_it_is_known() -> None:
    (only,) = watch(NO_LAPS, chunk(hanging(1000, (300, 900))))
    assert only.evidence is not None
    assert only.evidence.sentence.startswith("still at full droop after 1 s, at -39.")
    assert only.evidence.sentence.endswith(" mm")
    for word in ("droop limiter", "rebound damping", "jacks", "preload"):
        assert word in only.evidence.check_first
    assert "Support the car" in only.definition.caution
    assert (only.definition.priority, only.announced) == ("low", True)
    assert KIND in KIND_NAMES
    stop = {"gap_mm": 30.0, "force": [[0.0, 0.0], [10.0, 1000.0]]}
    sheet = easy_sheet({"alerts.platform_low.enabled": False, "corner.FL.droop_stop": stop})
    travel = hanging(1000, (300, 900), depth=-34.0)
    travel[300 + LONG, 0] = -34.0
    (only,) = watch(sheet, chunk(travel))
    assert only.evidence is not None
    assert only.evidence.sentence == "still at full droop after 1 s, at -34.0 mm and 400 N"


def test_bump_stops_and_top_outs_are_told_apart() -> None:
    travel = hanging(2400, (300, 1000))
    travel[1300:2000, 1] = hanging(700, (0, 700), depth=22.0)[:, 0]
    assert [(kind, where) for _, kind, where, change in brief(watch(NO_LAPS, chunk(travel))) if change == "occurs"] == [
        (KIND, "FL"),
        ("bump_stop", "FR"),
    ]


@pytest.mark.parametrize(("speed", "trips"), [(0.0, False), (2.9, False), (3.0, True), (np.nan, True)])
def test_a_car_on_stands_trips_nothing(speed: float, trips: bool) -> None:
    side = np.full(4 * LAP, 50.0)
    side[LAP + 100 : LAP + 1400] = speed
    found = run(hanging(4 * LAP, (LAP + 200, LAP + 1300)), speed=side)
    assert changes(found, KIND, "FL")[:1] == ([(LAP + 200 + LONG, "occurs")] if trips else [])


@pytest.mark.parametrize("lengths", [[], [1] * 4500, [300, 900, 7]])
def test_a_wheel_that_still_hangs_once_the_car_drives_trips(lengths: list[int]) -> None:
    side = np.full(4500, 50.0)
    side[:2000] = 0.0
    found = watch(NO_LAPS, *cut(chunk(hanging(4500, (100, 4400)), speed=side), lengths))
    assert changes(found, KIND, "FL") == [(2000 + LONG, "occurs"), (2000 + 4 * LONG, "worsens")]


def test_without_speed_a_stop_in_the_pits_is_no_lap_to_judge() -> None:
    """The lap is twice as long as the others, and 0.9 s of it on stands: too much for a lap, too little by itself."""
    travel = hanging(6 * LAP, (2 * LAP + 300, 2 * LAP + 750))
    number = np.array([0.0, 1.0, 2.0, 2.0, 3.0, 4.0]).repeat(LAP)
    sheet = easy_sheet(BASE | {"alerts.bump_stop.enabled": False})
    assert watch(sheet, chunk(travel, lap_number=number)) == []
    found = watch(sheet, chunk(travel, lap_number=np.arange(6.0).repeat(LAP)))
    assert changes(found, KIND, "FL") == [(3 * LAP, "occurs"), (4 * LAP, "returns")]


@pytest.mark.parametrize(("count", "trips"), [(4, False), (5, True)])
def test_more_of_them_than_the_limit_trip_at_the_end_of_the_lap(count: int, trips: bool) -> None:
    found = run(hanging(4 * LAP, *[(LAP + 100 + 50 * n, LAP + 110 + 50 * n) for n in range(count)], corner=1))
    assert changes(found, KIND, "FR") == ([(2 * LAP, "occurs"), (3 * LAP, "returns")] if trips else [])
    if trips:
        assert found[0].evidence is not None
        assert found[0].evidence.sentence == "5 top-outs in lap 1"


@pytest.mark.parametrize(("extra", "trips"), [(0, False), (1, True)])
def test_more_time_than_the_limit_trips_at_the_end_of_the_lap(extra: int, trips: bool) -> None:
    found = run(hanging(4 * LAP, (LAP + 100, LAP + 200), (LAP + 300, LAP + 400 + extra), corner=2))
    assert changes(found, KIND, "RL") == ([(2 * LAP, "occurs"), (3 * LAP, "returns")] if trips else [])
    if trips:
        assert found[0].evidence is not None
        assert found[0].evidence.sentence == "0.4 s at full droop in lap 1"


def test_a_lap_within_the_deadband_clears_nothing() -> None:
    spans = [(LAP + 100, LAP + 350), *[(2 * LAP + 100 + 50 * n, 2 * LAP + 105 + 50 * n) for n in range(3)]]
    assert changes(run(hanging(5 * LAP, *spans)), KIND, "FL") == [(2 * LAP, "occurs"), (4 * LAP, "returns")]


@pytest.mark.parametrize("lengths", [[1] * 6000, [400 + QUIET - 1], [7] * 900])
def test_without_laps_a_quiet_time_clears_whatever_the_split(lengths: list[int]) -> None:
    whole = chunk(hanging(3000, (100, 800)))
    expected = [(100 + LONG, "occurs"), (800 + QUIET, "returns")]
    assert changes(watch(NO_LAPS, whole), KIND, "FL") == expected
    assert changes(watch(NO_LAPS, *cut(whole, lengths)), KIND, "FL") == expected


def test_noise_at_the_end_of_the_stroke_is_one_top_out() -> None:
    travel = hanging(1000)
    travel[300:900, 0] = -39.5 + np.where(np.arange(600) % 2, 0.19, 0.0)
    (only,) = watch(NO_LAPS, chunk(travel))
    assert only.sample == 300 + LONG


def test_disabled_it_is_silent() -> None:
    sheet = easy_sheet({"alerts.platform_low.enabled": False, "alerts.top_out.enabled": False})
    assert watch(sheet, chunk(hanging(1400, (100, 1300)))) == []


@pytest.mark.parametrize(
    ("key", "value"), [("clear_contacts_per_lap", 30), ("clear_time_per_lap_s", 1.5), ("within_mm", 2.0)]
)
def test_limits_that_make_no_sense_are_refused(key: str, value: float) -> None:
    with pytest.raises(SheetError, match=key):
        easy_sheet({f"alerts.top_out.{key}": value})
    limits = TopOutAlert()
    assert (limits.longest_contact_s, limits.trip_time_per_lap_s, limits.trip_contacts_per_lap) == (1.0, 1.5, 30)
