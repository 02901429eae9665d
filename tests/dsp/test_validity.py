"""Sensor checks: what each fault looks like is reported as that fault, sound sensors are left alone, any cutting."""

from __future__ import annotations

import math
from collections import Counter
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.faults import FAULTS, FaultChange
from dsp.jumps import JumpWatch
from dsp.validity import Validity
from ingest.calibration import Calibration
from ingest.chunk import Chunk, Floats
from ingest.sheet import Sheet
from ingest.sheet_limits import SensorAlert
from tests.dsp.helpers import cut, places_of, same_on_all, smooth_noise, stacked, stream
from tests.sheets import make_sheet

RATE_HZ = 500.0
# At 500 Hz 100 g is 3.92 mm in one sample, and the longest spike is 5 samples.
LONGEST = 5


class Watched:
    """What the checks made of a stream."""

    def __init__(self, chunks: list[Chunk], sheet: Sheet | None = None) -> None:
        sheet = sheet or make_sheet()
        self.validity = Validity(sheet, chunks[0].rate_hz)
        calibration = Calibration(sheet)
        parts = []
        self.changes: list[FaultChange] = []
        for chunk in chunks:
            travel = calibration.process(chunk.sensors)
            before = travel.copy()
            believed, changes = self.validity.process(chunk, travel)
            np.testing.assert_array_equal(travel, before)
            parts.append(believed)
            self.changes += changes
        self.believed = stacked(parts, 4)

    def of(self, corner: int) -> list[tuple[int, str, bool]]:
        return [(c.sample, c.fault, c.begins) for c in self.changes if c.corner == corner]

    def unknown(self, corner: int) -> list[int]:
        return [int(n) for n in np.flatnonzero(np.isnan(self.believed[:, corner]))]


def running(rows: int, seed: int = 1, rate_hz: float = RATE_HZ) -> Floats:
    """Return four corners of a car on a road: 6 mm of motion up to 15 Hz."""
    return 6.0 * smooth_noise(rows, rate_hz, 15.0, seed)


def test_a_running_car_raises_nothing_and_loses_nothing() -> None:
    travel = running(20_000)
    watched = Watched(stream(travel))
    assert watched.changes == []
    np.testing.assert_array_equal(watched.believed, travel)
    assert watched.validity.rejected.tolist() == watched.validity.missing.tolist() == [0] * 4
    assert watched.validity.position_lost_at == [None] * 4


@pytest.mark.parametrize("rate_hz", [500.0, 1000.0])
@pytest.mark.parametrize("speed_mm_s", [500.0, -500.0, 1000.0])
def test_a_kerb_strike_raises_nothing(rate_hz: float, speed_mm_s: float) -> None:
    # A half sine of 20 ms whose slope at its corners is the speed: a wheel thrown up from one sample to the next.
    time = np.arange(int(0.02 * rate_hz) + 1) / rate_hz
    strike = speed_mm_s * 0.02 / math.pi * np.sin(math.pi * time / 0.02)
    travel = running(int(4 * rate_hz), rate_hz=rate_hz)
    for start in range(100, len(travel) - 100, 137):
        travel[start : start + len(strike), 1] += strike
    watched = Watched(stream(travel, rate_hz=rate_hz))
    assert watched.changes == []
    assert watched.unknown(1) == []


@pytest.mark.parametrize("rate_hz", [250.0, 500.0, 1000.0])
def test_the_largest_jump_is_what_100_g_moves_in_a_sample_but_not_less_than_2_mm(rate_hz: float) -> None:
    expected = max(2.0, 100.0 * 9.80665 * 1000.0 / rate_hz**2)
    assert JumpWatch(SensorAlert(), rate_hz).jump_mm == pytest.approx(expected)


@pytest.mark.parametrize("length", range(1, LONGEST + 1))
@pytest.mark.parametrize("height", [25.0, -25.0])
def test_a_spike_is_rejected_for_as_long_as_it_lasts(length: int, height: float) -> None:
    travel = running(2000)
    travel[700 : 700 + length, 2] += height
    watched = Watched(stream(travel, first_sample=50))
    assert watched.of(2) == [(750 + length, "spike", True)]
    assert watched.unknown(2) == list(range(700, 700 + length))
    assert watched.validity.rejected.tolist() == [0, 0, length, 0]
    (change,) = watched.changes
    assert abs(change.measured) == pytest.approx(25.0, abs=2.0)
    assert math.copysign(1.0, change.measured) == math.copysign(1.0, height)
    assert watched.validity.position_lost_at == [None] * 4


def test_two_spikes_one_sample_apart_are_two() -> None:
    travel = np.zeros((100, 4), order="F")
    travel[[40, 42], 0] = 20.0
    watched = Watched(stream(travel))
    assert watched.of(0) == [(41, "spike", True), (43, "spike", True)]
    assert watched.unknown(0) == [40, 42]


def test_a_loose_contact_that_spikes_at_every_other_sample_is_not_a_step() -> None:
    travel = running(600)
    travel[200:260:2, 0] += 20.0
    watched = Watched(stream(travel))
    assert {fault for _, fault, _ in watched.of(0)} == {"spike"}
    assert watched.unknown(0) == list(range(200, 260, 2))
    assert watched.validity.position_lost_at == [None] * 4


def test_a_step_is_told_after_the_longest_spike_and_loses_the_position() -> None:
    travel = running(2000)
    travel[700:, 1] += 14.0
    watched = Watched(stream(travel, first_sample=50))
    assert watched.of(1) == [(750 + LONGEST, "step", True)]
    assert watched.unknown(1) == list(range(700, 700 + LONGEST))
    assert watched.validity.position_lost_at == [None, 750 + LONGEST, None, None]
    np.testing.assert_array_equal(watched.believed[705:, 1], travel[705:, 1])


@pytest.mark.parametrize("rows_before", [0, 1, 2, 3])
@pytest.mark.parametrize("in_a_long_chunk", [True, False])
def test_a_step_at_the_beginning_of_a_chunk_is_seen(rows_before: int, in_a_long_chunk: bool) -> None:
    travel = running(2000)
    travel[700:, 1] += 14.0
    begins = 700 - rows_before
    watched = Watched(cut(stream(travel), [begins] if in_a_long_chunk else [begins, begins + 20]))
    assert watched.of(1) == [(700 + LONGEST, "step", True)]


@pytest.mark.parametrize("rows_before", [0, 1, 2, 3])
def test_a_jump_just_before_readings_are_lost_is_rejected_wherever_a_chunk_begins(rows_before: int) -> None:
    travel = running(2000)
    travel[700, 1] += 14.0
    travel[701, 1] = np.nan
    assert Watched(cut(stream(travel), [700 - rows_before])).unknown(1) == [700, 701]


def test_a_second_step_that_undoes_the_first_gives_the_position_back() -> None:
    travel = running(3000)
    travel[700:1500, 1] += 14.0
    watched = Watched(stream(travel))
    assert watched.of(1) == [(705, "step", True), (1505, "step", False)]
    assert watched.validity.position_lost_at == [None] * 4


def test_a_second_step_further_away_leaves_the_position_lost_since_the_first() -> None:
    travel = running(3000)
    travel[700:, 1] += 14.0
    travel[1500:, 1] += 9.0
    watched = Watched(stream(travel))
    assert watched.of(1) == [(705, "step", True), (1505, "step", True)]
    assert watched.validity.position_lost_at[1] == 705


@pytest.mark.parametrize("held_s", [0.06, 0.3, 0.9])
def test_a_short_freeze_that_lets_go_with_a_jump_is_no_step(held_s: float) -> None:
    travel = running(3000)
    start = 700
    stop = start + round(held_s * 500)
    travel[start:stop, 1] = travel[stop, 1] + 14.0
    travel[start - 10 : start, 1] = np.linspace(travel[start - 10, 1], travel[start, 1], 10)
    watched = Watched(stream(travel))
    assert watched.of(1) == [(stop + LONGEST, "spike", True)]
    assert watched.validity.position_lost_at == [None] * 4


@pytest.mark.parametrize("length", [6, 8, 10, 50])
def test_a_bounce_longer_than_a_spike_gives_the_position_back(length: int) -> None:
    travel = running(2000)
    travel[700 : 700 + length, 1] += 14.0
    watched = Watched(stream(travel))
    assert [(fault, begins) for _, fault, begins in watched.of(1)] == [("step", True), ("step", False)]
    assert watched.validity.position_lost_at == [None] * 4


@pytest.mark.parametrize(("rate_hz", "length"), [(500.0, 4), (1000.0, 8)])
@pytest.mark.parametrize("velocity_mm_s", [300.0, -450.0])
def test_a_spike_during_a_fast_stroke_is_a_spike(rate_hz: float, length: int, velocity_mm_s: float) -> None:
    travel = np.zeros((400, 4), order="F")
    travel[:, 0] = np.clip((np.arange(400) - 200) * velocity_mm_s / rate_hz, -30.0, 30.0)
    travel[200 : 200 + length, 0] += 6.0
    watched = Watched(stream(travel, rate_hz))
    assert watched.of(0) == [(200 + length, "spike", True)]


def test_scattered_losses_do_not_hide_a_stuck_sensor() -> None:
    travel = stuck_from(4000, 1000, 4000)
    gaps = dict.fromkeys(range(60, 4000, 67), 1)
    watched = Watched(stream(travel, gaps=gaps))
    (change,) = watched.changes
    assert change.fault == "stuck"
    assert change.sample < 1000 + 60 + 560
    assert Watched(stream(running(4000), gaps=gaps)).changes == []


def test_bad_samples_just_after_lost_ones_are_no_step() -> None:
    travel = running(2000)
    travel[700:710, 1] = np.nan
    travel[710:713, 1] += 20.0
    watched = Watched(stream(travel))
    assert {fault for _, fault, _ in watched.of(1)} == {"no reading", "spike"}
    assert watched.validity.position_lost_at == [None] * 4


@pytest.mark.parametrize("end_mm", [-38.5, -40.5, 43.5])
def test_a_damper_that_rests_on_an_end_of_its_stroke_is_not_stuck(end_mm: float) -> None:
    travel = running(4000, seed=3)
    travel[1000:, 0] = end_mm
    travel[900:1000, 0] = np.linspace(travel[899, 0], end_mm, 100)
    assert Watched(stream(travel)).changes == []


def test_a_jump_that_is_not_decided_when_the_data_end_is_neither() -> None:
    travel = np.zeros((60, 4), order="F")
    travel[30:32, 0] = 20.0
    travel[32, 0] = np.nan
    watched = Watched(stream(travel))
    assert [fault for _, fault, _ in watched.of(0)] == ["no reading", "no reading"]
    step = np.zeros((60, 4), order="F")
    step[30:, 0] = 20.0
    gap = Watched(stream(step, gaps={32: 100}))
    assert gap.changes == []
    assert gap.unknown(0) == [30, 31]


def test_a_level_that_differs_after_a_gap_is_not_a_jump() -> None:
    travel = same_on_all(np.concatenate((np.zeros(50), np.full(50, 30.0))))
    for gap in (1, 500, -1):
        assert Watched(stream(travel, gaps={50: gap})).changes == []


def test_a_level_that_differs_after_an_unknown_sample_is_not_a_jump() -> None:
    travel = same_on_all(np.concatenate((np.zeros(50), [np.nan], np.full(50, 30.0))))
    assert {change.fault for change in Watched(stream(travel)).changes} == {"no reading"}


# Range faults.

ELECTRICAL = {
    "unit": "V",
    "points": [[0.5, -60.0], [4.5, 60.0]],
    "reading_range": [0.3, 4.7],
}


@pytest.mark.parametrize("open_reads", ["high", "low"])
@pytest.mark.parametrize(("volts", "high"), [(5.0, True), (0.0, False)])
def test_a_broken_or_shorted_wire_is_rejected_at_once(open_reads: str, volts: float, high: bool) -> None:
    sheet = make_sheet({"corner.FR.sensor": {**ELECTRICAL, "open_circuit_reads": open_reads}})
    readings = running(1000)
    readings[:, 1] = 2.5 + readings[:, 1] / 30.0
    readings[400:600, 1] = volts
    watched = Watched(stream(readings), sheet)
    name = "open circuit" if high == (open_reads == "high") else "short circuit"
    assert watched.of(1) == [(400, name, True), (600, name, False)]
    assert watched.unknown(1) == list(range(400, 600))
    assert watched.validity.rejected.tolist() == [0, 200, 0, 0]
    begin = watched.changes[0]
    assert (begin.measured, begin.limit, begin.unit) == (volts, 4.7 if high else 0.3, "V")
    assert watched.validity.position_lost_at == [None] * 4


@pytest.mark.parametrize(("volts", "name"), [(3.6, "short circuit"), (1.4, "open circuit")])
def test_a_reading_out_of_its_range_is_rejected_also_where_its_travel_is_within_the_stroke(
    volts: float, name: str
) -> None:
    sheet = make_sheet({"corner.FR.sensor": {**ELECTRICAL, "reading_range": [1.5, 3.5], "open_circuit_reads": "low"}})
    readings = running(1000)
    readings[:, 1] = 2.5 + readings[:, 1] / 30.0
    readings[400:600, 1] = volts  # 33 mm
    watched = Watched(stream(readings), sheet)
    assert watched.of(1) == [(400, name, True), (600, name, False)]
    assert watched.unknown(1) == list(range(400, 600))


def test_travel_beyond_the_stroke_and_its_margin_is_out_of_range() -> None:
    # Strokes of 45 mm up and 40 mm down, 3 mm of margin.
    ramp = np.concatenate((np.arange(0.0, 52.0, 0.5), np.arange(52.0, -48.0, -0.5), np.arange(-48.0, 0.0, 0.5)))
    watched = Watched(stream(same_on_all(ramp)))
    beyond = [n for n, x in enumerate(ramp) if x > 48.0 or x < -43.0]
    first_low = next(n for n in beyond if ramp[n] < 0)
    last_high = max(n for n in beyond if ramp[n] > 0)
    for corner in range(4):
        assert watched.unknown(corner) == beyond
        assert watched.of(corner) == [
            (beyond[0], "out of range", True),
            (last_high + 1, "out of range", False),
            (first_low, "out of range", True),
            (beyond[-1] + 1, "out of range", False),
        ]
    begins = [c for c in watched.changes if c.begins and c.corner == 0]
    assert [(c.measured, c.limit, c.unit) for c in begins] == [(48.5, 48.0, "mm"), (-43.5, -43.0, "mm")]


def test_missing_readings_are_reported_and_are_not_rejections() -> None:
    travel = running(1000)
    travel[300:310, 3] = np.nan
    travel[-1, 3] = np.nan
    watched = Watched(stream(travel))
    # They have come again once they have come for 40 ms.
    assert watched.of(3) == [(300, "no reading", True), (329, "no reading", False), (999, "no reading", True)]
    assert watched.validity.missing.tolist() == [0, 0, 0, 11]
    assert watched.validity.rejected.tolist() == [0] * 4


def test_a_missing_reading_neither_begins_nor_ends_a_range_fault() -> None:
    travel = np.zeros((100, 4), order="F")
    travel[20:60, 0] = 80.0
    travel[30:40, 0] = np.nan
    watched = Watched(stream(travel))
    outside = [entry for entry in watched.of(0) if entry[1] == "out of range"]
    assert outside == [(20, "out of range", True), (60, "out of range", False)]
    assert watched.validity.rejected.tolist() == [30, 0, 0, 0]
    assert watched.validity.missing.tolist() == [10, 0, 0, 0]


@pytest.mark.parametrize("every", [2, 5, 10])
def test_a_column_of_a_lower_rate_than_the_log_has_no_reading_throughout(every: int) -> None:
    travel = running(1000)
    kept = travel[::every, 3].copy()
    travel[:, 3] = np.nan
    travel[::every, 3] = kept
    assert Watched(stream(travel)).of(3) == [(1, "no reading", True)]


def test_a_standing_fault_stands_across_a_gap() -> None:
    travel = np.zeros((100, 4), order="F")
    travel[20:70, 0] = 80.0
    watched = Watched(stream(travel, gaps={50: 1000}))
    assert watched.of(0) == [(20, "out of range", True), (1070, "out of range", False)]


# Stuck sensors.


def stuck_from(rows: int, start: int, stop: int, corner: int = 0) -> Floats:
    travel = running(rows, seed=3)
    travel[start:stop, corner] = travel[start, corner]
    return travel


def test_a_sensor_that_holds_its_value_while_the_car_moves_is_stuck() -> None:
    watched = Watched(stream(stuck_from(4000, 1000, 4000)))
    (change,) = watched.changes
    assert (change.corner, change.fault, change.begins) == (0, "stuck", True)
    # One second of held value, found at the end of a tick of a tenth of a second.
    assert 1000 + 499 <= change.sample <= 1000 + 500 + 50
    assert watched.unknown(0) == list(range(change.sample + 1, 4000))
    assert watched.validity.rejected.tolist() == [3999 - change.sample, 0, 0, 0]
    assert watched.validity.position_lost_at == [None] * 4


def test_small_noise_on_a_held_value_is_stuck_too_and_real_motion_is_not() -> None:
    noise = np.random.default_rng(2).uniform(-0.07, 0.07, 4000)
    travel = stuck_from(4000, 1000, 4000)
    travel[1000:, 0] += noise[1000:]
    assert [c.fault for c in Watched(stream(travel)).changes] == ["stuck"]
    travel[1000:, 0] = 0.1 * np.sin(np.arange(3000) / 10.0)
    assert Watched(stream(travel)).changes == []


def test_a_car_that_stands_still_has_no_stuck_sensor() -> None:
    assert Watched(stream(np.full((5000, 4), 3.0, order="F"))).changes == []
    creeping = np.asfortranarray(running(5000) / 30.0)
    creeping[:, 0] = 0.0
    assert Watched(stream(creeping)).changes == []


def test_two_corners_that_move_are_needed_as_witnesses() -> None:
    travel = stuck_from(4000, 0, 4000)
    travel[:, 1:3] = np.nan
    assert {c.fault for c in Watched(stream(travel)).changes} == {"no reading"}


def test_a_stuck_sensor_that_lets_go_is_not_called_a_step() -> None:
    travel = stuck_from(6000, 1000, 3000)
    travel[1000:3000, 0] = 25.0
    travel[990:1000, 0] = np.linspace(travel[989, 0], 25.0, 10)
    watched = Watched(stream(travel))
    assert [(c.fault, c.begins) for c in watched.changes if c.corner == 0] == [("stuck", True), ("stuck", False)]
    assert watched.validity.position_lost_at == [None] * 4
    assert not np.isnan(watched.believed[3200:, 0]).any()
    # It was rejected from its verdict until a whole tick showed motion.
    assert np.isnan(watched.believed[2000:3000, 0]).all()


def test_a_stuck_sensor_stays_so_over_a_gap() -> None:
    watched = Watched(stream(stuck_from(6000, 1000, 4000), gaps={2500: 700}))
    assert [(c.fault, c.begins) for c in watched.changes] == [("stuck", True), ("stuck", False)]
    assert np.isnan(watched.believed[2000:4000, 0]).all()


# Any cutting.


def troubled(rows: int, seed: int) -> Floats:
    """Return a stream with every fault there is, at random."""
    generator = np.random.default_rng(seed)
    travel = running(rows, seed)
    for _ in range(int(generator.integers(0, 12))):
        corner, start = int(generator.integers(4)), int(generator.integers(rows))
        stop = start + int(generator.choice([1, 2, 4, 5, 6, 7, 60, 700]))
        kind = int(generator.integers(5))
        if kind == 0:
            travel[start:stop, corner] += generator.choice([-1, 1]) * generator.uniform(2.0, 25.0)
        elif kind == 1:
            travel[start:, corner] += generator.uniform(-15.0, 15.0)
        elif kind == 2:
            travel[start:stop, corner] = np.nan
        elif kind == 3:
            travel[start:stop, corner] = 90.0
        else:
            travel[start : start + 700, corner] = travel[start, corner]
    return travel


@given(seed=st.integers(0, 100_000), rows=st.sampled_from([30, 300, 1500]), data=st.data())
@settings(max_examples=80, deadline=None)
def test_any_cutting_gives_the_same_verdicts(seed: int, rows: int, data: Any) -> None:
    travel = troubled(rows, seed)
    gaps = {
        row: data.draw(st.sampled_from([-1, 3, 500]))
        for row in data.draw(st.sets(st.integers(1, rows - 1), max_size=2))
    }
    # A tenth of the usual times, so that stuck sensors turn up in a short stream.
    sheet = make_sheet({"alerts.sensor.stuck_for_s": 0.3})
    whole = stream(travel, gaps=gaps, first_sample=9)
    one, other = Watched(whole, sheet), Watched(cut(whole, data.draw(places_of(rows))), sheet)
    np.testing.assert_array_equal(one.believed, other.believed)
    assert [repr(c) for c in one.changes] == [repr(c) for c in other.changes]
    assert one.validity.position_lost_at == other.validity.position_lost_at
    for watched in (one, other):
        assert watched.validity.missing.tolist() == np.isnan(travel).sum(axis=0).tolist()
        total = np.isnan(watched.believed).sum(axis=0)
        assert watched.validity.rejected.tolist() == (total - np.isnan(travel).sum(axis=0)).tolist()
        kept = ~np.isnan(watched.believed)
        np.testing.assert_array_equal(watched.believed[kept], travel[kept])


@pytest.mark.parametrize("seed", range(3))
def test_single_samples_give_the_verdicts_of_the_whole(seed: int) -> None:
    whole = stream(troubled(3000, seed))
    one, other = Watched(whole), Watched(cut(whole, range(3000)))
    np.testing.assert_array_equal(one.believed, other.believed)
    assert [repr(c) for c in one.changes] == [repr(c) for c in other.changes]


def test_faults_begin_before_they_end_and_end_once() -> None:
    watched = Watched(stream(troubled(20_000, 77)))
    standing: Counter[tuple[int, str]] = Counter()
    for change in watched.changes:
        assert change.fault in FAULTS
        key = (change.corner, change.fault)
        if change.fault in {"spike", "step"}:
            assert change.begins
            continue
        standing[key] += 1 if change.begins else -1
        assert standing[key] in {0, 1}


@pytest.mark.parametrize("pattern", ["alternating", "random", "sawtooth"])
def test_a_hostile_stream_where_every_sample_jumps_is_lived_through(pattern: str) -> None:
    rows = 30_000
    generator = np.random.default_rng(5)
    signal = {
        "alternating": np.where(np.arange(rows) % 2, 30.0, -30.0),
        "random": generator.uniform(-35.0, 40.0, rows),
        "sawtooth": (np.arange(rows) % 7) * 6.0 - 20.0,
    }[pattern]
    watched = Watched(stream(same_on_all(signal)))
    assert watched.validity.rejected.min() > 0
    assert {c.fault for c in watched.changes} <= {"spike", "step"}
