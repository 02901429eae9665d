"""Alarms on the word of a sensor that sticks and is not yet known as stuck: held back, and for how long at most.

At 250 Hz every sample is a row of the car's grid. Corners tremble by some tenths of a millimetre, so that they move.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from alerts.alert import Transition
from ingest.chunk import Floats
from tests.monitored import changes, chunk, cut, easy_sheet, watch

RATE = 250.0
WAIT = round(0.076 * RATE)  # 19 samples, and the one that completes them
OFF = round(0.5 * RATE)
LONG = round(0.25 * RATE)
AFTER = 10  # samples still until a corner is in doubt
JUDGED = 300  # and until a verdict would have come
STAYS = 25  # and until an alarm may not clear on its word
LOW, BETWEEN, CLEAR = 21.5, 19.0, 17.0  # heights 28.5, 31 and 33 mm: limit 30, clear limit 32
SHEET = easy_sheet({"alerts.platform_low.on_delay_s": 0.076, "alerts.bump_stop.enabled": False})


def trembling(*parts: tuple[float, int]) -> Floats:
    """All four corners about these travels for so many samples; no value comes twice."""
    travel = np.concatenate([np.full((samples, 4), value) for value, samples in parts])
    return np.asfortranarray(travel + np.random.default_rng(3).uniform(-0.3, 0.3, travel.shape))


def seen(travel: Floats, sheet: Any = SHEET, lengths: tuple[int, ...] = ()) -> list[Transition]:
    return watch(sheet, *cut(chunk(travel, rate_hz=RATE), lengths))


def nose(travel: Floats) -> list[tuple[int, str]]:
    return changes(seen(travel), "platform_low", "nose")


def stick(travel: Floats, corner: int, start: int, stop: int) -> Floats:
    travel[start:stop, corner] = travel[start, corner]
    return travel


@pytest.mark.parametrize("corner", range(4))
def test_a_low_platform_trips_as_long_as_no_corner_is_in_doubt(corner: int) -> None:
    travel = trembling((0.0, 50), (LOW, 200))
    assert nose(travel) == [(50 + WAIT, "occurs")]
    # Its last sample before the doubt completes the delay.
    assert nose(stick(travel.copy(), corner, 60, 250)) == [(50 + WAIT, "occurs")]
    # One short of it.
    assert nose(stick(travel.copy(), corner, 59, 250)) == []


def test_rows_in_doubt_leave_the_wait_as_it_is() -> None:
    low = trembling((0.0, 50), (LOW, 200))
    assert nose(stick(low, 0, 55, 95)) == [(99, "occurs")]  # 50 to 64 counted, then five more
    # Nor do rows above the limit take anything off.
    mixed = trembling((0.0, 50), (LOW, 15), (BETWEEN, 30), (LOW, 100))
    assert nose(stick(mixed.copy(), 0, 55, 95)) == [(99, "occurs")]
    assert nose(mixed) == [(95 + WAIT, "occurs")]


def test_a_doubt_ends_when_a_verdict_would_have_come() -> None:
    """The most that a sensor can hold back which reads one and the same value while another moves."""
    travel = trembling((0.0, 50), (LOW, 1000))
    assert nose(stick(travel, 2, 50, 1050)) == [(50 + JUDGED + WAIT - AFTER, "occurs")]


def test_a_car_of_which_nothing_moves_is_in_no_doubt() -> None:
    travel = np.zeros((300, 4), order="F")
    travel[50:] = LOW
    assert nose(travel) == [(50 + WAIT, "occurs")]


def test_a_doubt_worsens_nothing() -> None:
    travel = trembling((0.0, 50), (LOW, 100), (LOW + 5.0, 50))
    assert [change for _, change in nose(travel)] == ["occurs", "worsens"]
    assert nose(stick(travel, 3, 140, 200)) == [(50 + WAIT, "occurs")]


@pytest.mark.parametrize(("samples", "returns"), [(STAYS, 150 + OFF), (STAYS + 1, 180 + STAYS + 1 + OFF)])
def test_a_doubt_that_lasts_ends_the_time_of_clearing(samples: int, returns: int) -> None:
    travel = trembling((LOW, 150), (CLEAR, 400))
    assert nose(stick(travel, 1, 180, 180 + samples)) == [(WAIT, "occurs"), (returns, "returns")]


def test_the_time_of_clearing_does_not_begin_in_doubt() -> None:
    travel = trembling((LOW, 150), (CLEAR, 400))
    assert nose(stick(travel, 1, 140, 160)) == [(WAIT, "occurs"), (160 + OFF, "returns")]


def test_at_the_last_sample_of_clearing_a_doubt_still_counts() -> None:
    travel = trembling((LOW, 150), (CLEAR, 400))
    end = 150 + OFF
    assert nose(stick(travel.copy(), 1, end - STAYS, 400)) == [(WAIT, "occurs"), (400 + OFF, "returns")]
    assert nose(stick(travel, 1, end - STAYS + 1, 400)) == [(WAIT, "occurs"), (end, "returns")]


@pytest.mark.parametrize("corner", range(4))
@pytest.mark.parametrize(("begins", "trips"), [(LONG + 1 - AFTER, True), (LONG - AFTER, False)])
def test_a_contact_grows_no_longer_in_doubt(corner: int, begins: int, trips: bool) -> None:
    sheet = easy_sheet({"alerts.platform_low.enabled": False})
    travel = trembling((0.0, 400))
    travel[100:300, corner] += 25.0
    where = ("FL", "FR", "RL", "RR")[corner]
    assert changes(seen(travel, sheet), "bump_stop", where) == [(100 + LONG, "occurs")]
    stick(travel, corner, 100 + begins, 300)
    assert changes(seen(travel, sheet), "bump_stop", where) == ([(100 + LONG, "occurs")] if trips else [])


def test_a_contact_in_doubt_goes_on_when_the_corner_moves_again() -> None:
    sheet = easy_sheet({"alerts.platform_low.enabled": False})
    travel = trembling((0.0, 400))
    travel[100:300, 1] += 25.0
    stick(travel, 1, 120, 200)
    # From 130 to 199 in doubt.
    assert changes(seen(travel, sheet), "bump_stop", "FR") == [(100 + LONG + 70, "occurs")]


@pytest.mark.parametrize("held", [130, 300, 600])
def test_a_damper_that_rests_on_an_end_of_its_stroke_is_in_no_doubt(held: int) -> None:
    """There a reading that does not move is as it should be; `dsp.stuck` never calls it stuck."""
    sheet = easy_sheet({"alerts.top_out.longest_contact_s": 0.25})
    part = sheet.suspension("RL")
    for rest_mm, kind, at in (
        (-part.travel_to_full_droop_mm - 0.3, "top_out", "RL"),
        (part.travel_to_full_bump_mm, "bump_stop", "RL"),
        (part.travel_to_full_bump_mm, "platform_low", "nose"),
    ):
        trembles = trembling((0.0, 1000))
        rests = trembles.copy(order="F")
        corners = [0, 1] if kind == "platform_low" else [2]
        rests[100 : 100 + held, corners] = rest_mm
        trembles[100 : 100 + held, corners] += rest_mm
        for travel in (rests, trembles):
            assert changes(seen(travel, sheet), kind, at)[:1], (kind, held)
        assert changes(seen(rests, sheet), kind, at)[0] == changes(seen(trembles, sheet), kind, at)[0]


def test_nothing_is_doubted_across_a_gap() -> None:
    quick = {"alerts.platform_low.on_delay_s": 0.02, "alerts.bump_stop.longest_contact_s": 0.02}
    travel = trembling((0.0, 50), (LOW, 40))
    travel[45:, 0] = 25.0  # on the stop for too short a time before the gap
    before, after = chunk(travel[:50], rate_hz=RATE), chunk(travel[50:], 150, 100, RATE)
    found = watch(easy_sheet(quick), before, after)
    assert changes(found, "platform_low", "nose") == [(155, "occurs")]
    assert changes(found, "bump_stop", "FL") == [(155, "occurs")]


@pytest.mark.parametrize("lengths", [(1,) * 3000, (7,) * 500, (0, 30, 3) * 100, (38, 1, 400, 900)])
@pytest.mark.parametrize("seed", range(3))
def test_any_split_gives_the_same_transitions(lengths: tuple[int, ...], seed: int) -> None:
    rng = np.random.default_rng(seed)
    sheet = easy_sheet({"alerts.platform_low.on_delay_s": 0.076, "alerts.platform_low.off_delay_s": 0.2})
    levels = rng.choice([LOW, BETWEEN, CLEAR, LOW + 5.0, 0.0], 100, p=[0.3, 0.1, 0.3, 0.1, 0.2])
    travel = trembling(
        *((level, int(samples)) for level, samples in zip(levels, rng.integers(5, 80, 100), strict=True))
    )
    for start in rng.integers(0, len(travel) - 400, 40).tolist():
        stick(travel, int(rng.integers(4)), start, start + int(rng.choice([12, 30, 60, 350])))
    found = seen(travel, sheet)
    assert {t.definition.kind for t in found} >= {"platform_low", "bump_stop"}
    assert {t.change for t in found} >= {"occurs", "returns"}
    assert seen(travel, sheet, lengths) == found
