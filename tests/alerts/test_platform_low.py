"""Platform low, on travel made by hand: delays to the row, deadband, kerbs, and what is not known.

At 250 Hz every sample is a row of the car's grid; what is special about wider rows is tried at higher rates.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from alerts.platform_low import PlatformLow
from dsp.frame import REGIMES, Aligned, CarBlock
from dsp.pipeline import Frame
from ingest.chunk import Chunk, Floats
from tests.car_rows import car_rows
from tests.monitored import changes, cut, easy_sheet, flat, watch
from tests.monitored import chunk as chunk_at

RATE = 250.0
KIND, NOSE = "platform_low", "nose"
WAIT = round(0.076 * RATE)  # 19 samples
OFF = round(0.5 * RATE)
LOW, BETWEEN, CLEAR = 21.0, 19.0, 17.9  # heights 29, 31 and 32.1 mm: limit 30, clear limit 32
EARLY = {"alerts.platform_low.on_delay_s": 0.076, "alerts.bump_stop.enabled": False}
SHEET = easy_sheet(EARLY)


def chunk(travel_mm: Floats, first_sample: int = 0, gap_before: int = 0, **side: Floats) -> Chunk:
    return chunk_at(travel_mm, first_sample, gap_before, RATE, **side)


def stretches(*travels: Floats, gap: int) -> list[Chunk]:
    """Chunks of travel with `gap` samples missing between each and the next."""
    firsts = np.cumsum([0, *(len(travel) + gap for travel in travels[:-1])]).tolist()
    return [chunk(travel, first, gap if first else 0) for first, travel in zip(firsts, travels, strict=True)]


def stream(*parts: tuple[float, int]) -> Floats:
    return np.concatenate([flat(samples, value) for value, samples in parts])


@pytest.mark.parametrize("extra", [0, 1, 200])
def test_trips_at_the_sample_that_completes_the_on_delay(extra: int) -> None:
    short = watch(SHEET, chunk(stream((0.0, 50), (LOW, WAIT), (0.0, 50))))
    assert short == []
    found = watch(SHEET, chunk(stream((0.0, 50), (LOW, WAIT + 1 + extra), (0.0, 20))))
    assert changes(found, KIND, NOSE) == [(50 + WAIT, "occurs")]


def test_the_last_sample_of_the_stream_can_trip() -> None:
    """The filter still holds it when the stream ends."""
    found = watch(SHEET, chunk(stream((0.0, 50), (LOW, WAIT + 1))))
    assert changes(found, KIND, NOSE) == [(50 + WAIT, "occurs")]


def test_evidence_names_the_lowest_height_while_it_waited() -> None:
    travel = stream((0.0, 50), (LOW, 400))
    travel[60] = 26.5  # lowest, before the trip
    travel[50 + WAIT + 20] = 29.0  # lower still, but later
    (only,) = watch(SHEET, chunk(travel))
    seen = only.evidence
    assert seen is not None
    assert (seen.measured, seen.limit, seen.unit, seen.since_sample) == (23.5, 30.0, "mm", 50)
    assert seen.sentence == "23.5 mm above the road, below 30 mm for 76 ms"
    assert "spring platforms" in seen.check_first
    assert "Support the car" in only.definition.caution
    assert (only.announced, only.since_s) == (True, 0.2)


def test_exactly_at_the_limit_is_not_below_it() -> None:
    assert watch(SHEET, chunk(flat(500, 20.0))) == []


def test_clears_after_the_off_delay_above_the_deadband() -> None:
    found = watch(SHEET, chunk(stream((LOW, 100), (CLEAR, OFF + 1), (LOW, 5))))
    assert changes(found, KIND, NOSE) == [(WAIT, "occurs"), (100 + OFF, "returns")]
    found = watch(SHEET, chunk(stream((LOW, 100), (CLEAR, OFF), (LOW, 5))))
    assert changes(found, KIND, NOSE) == [(WAIT, "occurs")]


@pytest.mark.parametrize("inside", [BETWEEN, LOW])
def test_the_clear_time_starts_again_after_a_dip(inside: float) -> None:
    found = watch(SHEET, chunk(stream((LOW, 100), (CLEAR, OFF - 1), (inside, 1), (CLEAR, OFF + 10))))
    assert changes(found, KIND, NOSE) == [(WAIT, "occurs"), (100 + OFF + OFF, "returns")]


def test_does_not_clear_inside_the_deadband() -> None:
    found = watch(SHEET, chunk(stream((LOW, 100), (BETWEEN, 5000))))
    assert changes(found, KIND, NOSE) == [(WAIT, "occurs")]


@pytest.mark.parametrize("high", [BETWEEN, CLEAR])
@pytest.mark.parametrize(("above", "takes"), [(1, 1), (5, 5), (WAIT - 1, WAIT - 1), (WAIT, WAIT), (WAIT + 30, WAIT)])
def test_each_sample_above_takes_one_below_off_the_wait(high: float, above: int, takes: int) -> None:
    again = WAIT + above
    assert watch(SHEET, chunk(stream((LOW, WAIT), (high, above), (LOW, takes)))) == []
    found = watch(SHEET, chunk(stream((LOW, WAIT), (high, above), (LOW, takes + 1))))
    assert changes(found, KIND, NOSE) == [(again + takes, "occurs")]
    assert found[0].evidence is not None
    # At zero the dip is over: what follows is another one.
    assert found[0].evidence.since_sample == (again if above >= WAIT else 0)


def test_wheel_hop_on_a_low_platform_trips() -> None:
    hop = stream(*[(LOW, 3), (BETWEEN, 2)] * 200)
    # One sample of surplus a hop; the last of three is the highest count so far.
    assert changes(watch(SHEET, chunk(hop)), KIND, NOSE) == [((WAIT - 2) * 5 + 2, "occurs")]
    assert watch(SHEET, chunk(stream(*[(LOW, 2), (BETWEEN, 2)] * 200))) == []


WORSE = 24.0 + 1e-9  # 26 mm: 3 mm below LOW


def test_much_lower_than_told_is_told_again_at_once() -> None:
    travel = stream((LOW, 100), (WORSE - 0.1, 50), (WORSE, 50), (WORSE + 2.9, 50), (WORSE + 3.0, 50))
    found = watch(SHEET, chunk(travel))
    assert [(t.sample, t.change, t.announced) for t in found] == [
        (WAIT, "occurs", True),
        (150, "worsens", True),
        (250, "worsens", True),
    ]
    assert found[1].evidence is not None
    assert found[1].evidence.sentence == "down to 26.0 mm above the road"
    assert found[1].evidence.severity == pytest.approx(4.0)
    assert found[1].evidence.worse_by == 3.0


def test_a_blow_while_the_count_is_not_full_waits_for_it() -> None:
    found = watch(SHEET, chunk(stream((LOW, 100), (BETWEEN, 10), (WORSE, 10), (BETWEEN, 5), (WORSE, 20))))
    assert changes(found, KIND, NOSE) == [(WAIT, "occurs"), (119, "worsens")]
    found = watch(SHEET, chunk(stream((LOW, 100), (BETWEEN, 10), (WORSE, 9), (BETWEEN, 20))))
    assert changes(found, KIND, NOSE) == [(WAIT, "occurs")]


@pytest.mark.parametrize(("second", "announced"), [(WORSE - 0.1, False), (WORSE, True)])
def test_a_later_dip_is_news_when_it_is_much_lower(second: float, announced: bool) -> None:
    found = watch(SHEET, chunk(stream((LOW, 100), (CLEAR, OFF + 50), (second, 100))))
    assert [(t.change, t.announced) for t in found] == [("occurs", True), ("returns", False), ("occurs", announced)]


@pytest.mark.parametrize("lengths", [[1] * 1000, [7] * 200, [0, 30, 3] * 50, [38, 1, 400]])
def test_any_split_gives_the_same_dips(lengths: list[int]) -> None:
    rng = np.random.default_rng(5)
    travel = np.repeat(rng.choice([LOW, BETWEEN, CLEAR, WORSE, 28.0], 250, p=[0.4, 0.2, 0.1, 0.2, 0.1]), 5)
    travel[:250] = np.minimum(travel[:250], LOW)
    travel[600:900] = CLEAR
    speed = np.where(np.arange(len(travel)) // 100 % 5 == 4, 0.0, 50.0)
    whole = chunk(np.tile(travel[:, np.newaxis], (1, 4)), speed=speed)
    found = watch(SHEET, whole)
    assert {t.change for t in found} == {"occurs", "returns", "worsens"}
    assert watch(SHEET, *cut(whole, lengths)) == found


@pytest.mark.parametrize(("speed", "trips"), [(0.0, False), (2.9, False), (3.0, True), (np.nan, True)])
def test_a_car_that_stands_is_not_low(speed: float, trips: bool) -> None:
    found = watch(SHEET, chunk(flat(500, LOW), speed=np.full(500, speed)))
    assert changes(found, KIND, NOSE) == ([(WAIT, "occurs")] if trips else [])


def test_standing_ends_the_wait_and_clears_nothing() -> None:
    speed = np.full(100 + 5 * OFF, 50.0)
    speed[WAIT - 1] = 0.0
    found = watch(SHEET, chunk(stream((LOW, 100), (CLEAR, 5 * OFF)), speed=speed))
    assert changes(found, KIND, NOSE) == [(2 * WAIT, "occurs"), (100 + OFF, "returns")]
    speed[101:] = 0.0
    found = watch(SHEET, chunk(stream((LOW, 100), (CLEAR, 5 * OFF)), speed=speed))
    assert changes(found, KIND, NOSE) == [(2 * WAIT, "occurs")]


def test_an_unknown_sample_restarts_the_on_delay() -> None:
    travel = stream((LOW, 2 * WAIT))
    travel[WAIT - 1, 3] = np.nan
    assert watch(SHEET, chunk(travel)) == []


def test_a_gap_restarts_the_on_delay() -> None:
    assert watch(SHEET, *stretches(flat(WAIT, LOW), flat(WAIT, LOW), gap=100)) == []
    found = watch(SHEET, *stretches(flat(WAIT, LOW), flat(WAIT + 1, LOW), gap=100))
    assert changes(found, KIND, NOSE) == [(WAIT + 100 + WAIT, "occurs")]


def test_missing_readings_do_not_clear() -> None:
    travel = stream((LOW, 100), (CLEAR, 50), (np.nan, 3000), (BETWEEN, 10))
    travel[150:3150, 1:] = CLEAR  # one corner alone is missing
    found = watch(easy_sheet(EARLY | {"alerts.sensor.enabled": False}), chunk(travel))
    assert changes(found, KIND, NOSE) == [(WAIT, "occurs")]


def test_time_without_samples_does_not_clear() -> None:
    found = watch(SHEET, *stretches(stream((LOW, 100), (CLEAR, 50)), stream((LOW, 20)), gap=10 * OFF))
    assert changes(found, KIND, NOSE) == [(WAIT, "occurs")]
    found = watch(SHEET, *stretches(stream((LOW, 100), (CLEAR, 50)), stream((CLEAR, OFF + 1)), gap=10 * OFF))
    assert changes(found, KIND, NOSE) == [(WAIT, "occurs"), (150 + 10 * OFF + OFF, "returns")]


@pytest.mark.parametrize(("warp_mm", "marked"), [(11.9, False), (12.1, True), (-12.1, True)])
def test_a_wheel_on_a_kerb_is_marked(warp_mm: float, marked: bool) -> None:
    sheet = easy_sheet({"car.track_front_mm": 1600.0, "car.track_rear_mm": 1600.0, "platform.nose.x_mm": -1300.0})
    travel = flat(200, LOW) + warp_mm * np.array([1.0, -1.0, -1.0, 1.0])
    found = [t for t in watch(sheet, chunk(travel)) if t.definition.kind == KIND]
    assert found[0].evidence is not None
    assert found[0].evidence.sentence.endswith("on a kerb") == marked


def test_each_point_speaks_for_itself() -> None:
    sheet = easy_sheet(EARLY | {"platform.tail": {"x_mm": -2600.0, "static_height_mm": 60.0, "lowest_mm": 30.0}})
    travel = flat(300)
    travel[50:150, :2] = LOW
    found = watch(sheet, chunk(travel))
    assert {t.definition.where for t in found if t.definition.kind == KIND} == {NOSE}
    travel = flat(300)
    travel[50:150, 2:] = 31.0
    assert {t.definition.where for t in watch(sheet, chunk(travel)) if t.definition.kind == KIND} == {"tail"}


# ---------------------------------------------------------------- the grid's rows


@pytest.mark.parametrize(("rate_hz", "stride"), [(500.0, 2), (1000.0, 4), (2000.0, 8)])
def test_delays_are_in_time_and_told_at_rows(rate_hz: float, stride: int) -> None:
    """From a sample between two rows on; the next row is the first that is seen."""
    travel = np.concatenate([flat(50 * stride + 1), flat((WAIT + 5) * stride, LOW)])
    for cut_at in ([], [1] * len(travel), [7] * len(travel)):
        found = watch(SHEET, *cut(chunk_at(travel, rate_hz=rate_hz), cut_at))
        assert changes(found, KIND, NOSE) == [((51 + WAIT) * stride, "occurs")]
        assert found[0].evidence is not None
        assert found[0].evidence.since_sample == 51 * stride
    short = np.concatenate([flat(50 * stride + 1), flat(WAIT * stride, LOW), flat(100)])
    assert watch(SHEET, chunk_at(short, rate_hz=rate_hz)) == []


@pytest.mark.parametrize(("delay_s", "rows"), [(0.0, 0), (0.0001, 1), (0.004, 1), (0.075, 19)])
def test_a_delay_is_a_whole_number_of_rows_and_at_least_one(delay_s: float, rows: int) -> None:
    sheet = easy_sheet(EARLY | {"alerts.platform_low.on_delay_s": delay_s})
    found = watch(sheet, chunk(stream((0.0, 50), (LOW, 100))))
    assert changes(found, KIND, NOSE) == [(50 + rows, "occurs")]


def car_block(heights: list[float], first_sample: int, *, starts: bool = False, **more: Any) -> CarBlock:
    """Rows at 250 Hz, 4 samples apart, of a car of which only heights (and `more`) are known."""
    column = np.reshape(heights, (len(heights), 1))
    return car_rows(len(heights), first_sample, starts=starts, heights_mm=column, **more)


def frame_of(car: CarBlock, samples: int, gap_before: int = 0) -> Frame:
    nothing = np.full((samples, 4), np.nan)
    first = car.first_sample - 3 if samples else car.first_sample
    starts = car.starts_stretch
    return Frame(Aligned(first, 1000.0, nothing, nothing, {}, gap_before, starts_stretch=starts), nothing, car)


@pytest.mark.parametrize(
    ("regime", "words"),
    [("unknown", ""), ("straight", " running straight"), ("braking", " under braking"), ("cornering", " in a corner")],
)
def test_evidence_says_what_the_car_was_doing_at_the_lowest_height(regime: str, words: str) -> None:
    codes = np.zeros(30)
    codes[10] = REGIMES.index(regime)
    heights = [29.0] * 30
    heights[10] = 25.0
    rule = PlatformLow(SHEET, 1000.0)
    (seen,) = rule.observe(frame_of(car_block(heights, 400, starts=True, regime=codes), 120), [])
    assert (seen.sample, seen.condition, seen.immediate) == (400 + 4 * WAIT, True, True)
    assert seen.evidence is not None
    assert seen.evidence.sentence == f"25.0 mm above the road{words}, below 30 mm for 76 ms"
    (worse,) = rule.observe(frame_of(car_block([22.0], 520, regime=2), 4), [])
    assert worse.evidence is not None
    assert worse.evidence.sentence == "down to 22.0 mm above the road under braking"


def test_the_kerb_is_that_of_the_lowest_row() -> None:
    heights, warp = [29.0] * 30, np.full(30, 20.0)
    heights[10], warp[10] = 25.0, 1.0
    (seen,) = PlatformLow(SHEET, 1000.0).observe(frame_of(car_block(heights, 0, starts=True, warp_mm=warp), 120), [])
    assert seen.evidence is not None
    assert "kerb" not in seen.evidence.sentence
    warp[10] = -12.5
    (seen,) = PlatformLow(SHEET, 1000.0).observe(frame_of(car_block(heights, 0, starts=True, warp_mm=warp), 120), [])
    assert seen.evidence is not None
    assert seen.evidence.sentence.endswith("ms, on a kerb")


def test_a_frame_without_rows_is_nothing_but_a_gap_in_it_is() -> None:
    rule = PlatformLow(SHEET, 1000.0)
    rule.observe(frame_of(car_block([29.0] * (WAIT + 1), 0, starts=True), 4 * WAIT + 4), [])
    assert rule.observe(frame_of(car_block([], 400), 0), []) == []
    (gap,) = rule.observe(frame_of(car_block([], 1000, starts=True), 2, gap_before=500), [])
    # Unknown from the first missing sample on.
    assert (gap.sample, gap.condition) == (1000 - 3 - 500, None)


def test_disabled_it_is_silent() -> None:
    assert watch(easy_sheet(EARLY | {"alerts.platform_low.enabled": False}), chunk(flat(500, LOW))) == []
