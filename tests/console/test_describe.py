"""The records scripts read: field names, units and times, against numbers worked out by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from alerts.monitor import Monitor
from console.describe import Context, describe_lap, describe_stint, describe_transition
from ingest.chunk import CORNERS, Chunk, Floats
from ingest.log_counts import CellCounts, LogCounts
from tests.eventful import eventful_sheet, eventful_stint, records
from tests.monitored import RATE, chunk, easy_sheet, flat, steps, stretches

ALERT_FIELDS = {
    "sequence",
    "sample",
    "time_s",
    "lap",
    "kind",
    "where",
    "change",
    "state",
    "priority",
    "announced",
    "who",
    "suppressed",
    "shelved",
    "out_of_service",
    "occurrences",
    "since_s",
    "measured",
    "limit",
    "unit",
    "sentence",
    "check_first",
    "caution",
}
CORNER_FIELDS = {
    "samples_used",
    "samples_unknown",
    "velocity_rms_mm_s",
    "velocity_rms_compression_mm_s",
    "velocity_rms_rebound_mm_s",
    "velocity_skewness",
    "velocity_percentiles_mm_s",
    "compression_to_rebound",
    "time_share",
    "travel_lowest_mm",
    "travel_highest_mm",
    "stroke_used",
    "bump_stop",
    "top_out",
    "wheel_load",
    "damper",
}


def triangle(samples: int, up: int, down: int, height_mm: float) -> Floats:
    """Constant speeds: up in `up` samples, down in `down`, over and over, on all corners."""
    period = np.interp(np.arange(up + down), [0, up, up + down], [0.0, height_mm, 0.0])
    wave = np.resize(period, samples)
    return np.repeat(wave[:, np.newaxis], 4, axis=1)


def stint_of(*chunks: Chunk, sheet: Any = None, counts: LogCounts | None = None) -> dict[str, Any]:
    monitor = Monitor(sheet or easy_sheet(), chunks[0].rate_hz, tuple(chunks[0].side))
    for _ in steps(monitor, chunks):
        pass
    return describe_stint(monitor, counts, source="log", complete=True, version="0", reference=None)


def test_velocity_of_constant_speeds() -> None:
    # 10 mm in 40 samples (125 mm/s) up, in 160 samples (31.25 mm/s) down; the corners are smoothed over 11 samples.
    corner = stint_of(chunk(triangle(40_000, 40, 160, 10.0)))["corners"]["RL"]
    assert corner["velocity_rms_compression_mm_s"] == pytest.approx(125.0, rel=0.06)
    assert corner["velocity_rms_rebound_mm_s"] == pytest.approx(31.25, rel=0.03)
    assert corner["velocity_rms_mm_s"] == pytest.approx(math.sqrt(0.2 * 125**2 + 0.8 * 31.25**2), rel=0.06)
    share = corner["time_share"]
    assert share["high_speed_compression"] == pytest.approx(0.2, abs=0.02)
    assert share["low_speed_rebound"] == pytest.approx(0.8, abs=0.02)
    assert share["high_speed_rebound"] == 0.0
    assert sum(share.values()) == pytest.approx(1.0)
    assert corner["velocity_percentiles_mm_s"]["p50"] == pytest.approx(-31.25, abs=1.0)
    assert corner["velocity_percentiles_mm_s"]["p95"] == pytest.approx(125.0, abs=1.0)
    assert (corner["travel_lowest_mm"], corner["travel_highest_mm"]) == (0.0, 10.0)
    # 99 % of 10 mm, of a stroke of 45 + 40 mm.
    assert corner["stroke_used"] == pytest.approx(9.9 / 85.0, rel=0.06)
    assert corner["compression_to_rebound"] == pytest.approx(4.0, rel=0.12)


@pytest.mark.parametrize("missing", [1, 3, 500])
def test_there_is_no_velocity_across_a_gap(missing: int) -> None:
    corner = stint_of(*stretches(flat(500), flat(500, 9.0), gap=missing))["corners"]["FL"]
    assert corner["velocity_rms_mm_s"] == 0.0
    # Half a window of eleven is unknown on both sides of the gap, and at both ends.
    assert (corner["samples_used"], corner["samples_unknown"]) == (980, 20)


def test_histograms_hold_every_sample_once() -> None:
    summary = stint_of(chunk(triangle(10_000, 40, 160, 10.0)))
    for corner in summary["corners"].values():
        for name, edges in (("velocity_histogram", "edges_mm_s"), ("travel_histogram", "edges_mm")):
            histogram = corner[name]
            assert len(histogram[edges]) == len(histogram["counts"]) + 1
            total = int(histogram["counts"].sum()) + histogram["below"] + histogram["above"]
            assert total == (corner["samples_used"] if edges == "edges_mm_s" else 10_000)
        assert 0.0 in list(corner["velocity_histogram"]["edges_mm_s"])
        counts = corner["velocity_histogram"]["counts"]
        middle = list(corner["velocity_histogram"]["edges_mm_s"]).index(0.0)
        assert counts[middle:].sum() / counts.sum() == pytest.approx(0.2, abs=0.02)


def test_bump_stops_and_platform_in_seconds_mm_and_n() -> None:
    travel = flat(5000)
    travel[1000:1250] = 22.5  # half-way to the first knot of the stop's table: 250 N
    travel[1100] = 25.0
    travel[2000:2050] = 21.0
    summary = stint_of(chunk(travel, first_sample=9000))
    stop = summary["corners"]["FL"]["bump_stop"]
    assert {
        name: stop[name] for name in ("contacts", "total_time_s", "longest_s", "peak_travel_mm", "peak_force_n")
    } == {
        "contacts": 2,
        "total_time_s": 300 / RATE,
        "longest_s": 250 / RATE,
        "peak_travel_mm": 25.0,
        "peak_force_n": 500.0,
    }
    # 249 samples of 250 N and one of 500, then 50 of 100.
    assert stop["largest_impulse_n_s"] == pytest.approx((249 * 250.0 + 500.0) / RATE)
    assert stop["impulse_n_s"] == pytest.approx((249 * 250.0 + 500.0 + 50 * 100.0) / RATE)
    nose = summary["platform"]["nose"]
    assert nose["limit_mm"] == 30.0
    assert nose["lowest_mm"] == pytest.approx(25.0)
    assert nose["lowest_at_s"] == 1100 / RATE
    assert nose["median_mm"] == pytest.approx(50.0, abs=0.5)
    assert nose["time_below_limit_s"] == 300 / RATE
    assert nose["time_known_s"] == 5000 / RATE


def test_a_height_is_known_for_as_long_as_all_its_sensors_are() -> None:
    travel = flat(5000)
    travel[1000:1500, 0] = math.nan
    assert stint_of(chunk(travel))["platform"]["nose"]["time_known_s"] == 4500 / RATE


def test_without_a_contact_peaks_are_unknown() -> None:
    stop = stint_of(chunk(flat(100)))["corners"]["FL"]["bump_stop"]
    assert (stop["contacts"], stop["total_time_s"]) == (0, 0.0)
    assert math.isnan(stop["peak_travel_mm"])
    assert math.isnan(stop["peak_force_n"])


def test_asymmetry_is_signed_towards_the_left_and_of_timed_laps_only() -> None:
    wave = 8.0 * np.sin(2.0 * np.pi * 5.0 * np.arange(4000) / RATE)
    travel = np.stack([wave * 1.2, wave, wave, wave * 1.1], axis=1)
    travel[:1000, 0] *= 3.0
    record = stint_of(chunk(travel, lap_number=np.arange(4000) // 1000 * 1.0))
    assert record["laps_timed"] == 2
    for direction in ("compression", "rebound"):
        found = record["asymmetry"]
        assert found[f"front {direction}"]["left_faster_percent"] == pytest.approx(100 * math.log(1.2), abs=1.0)
        assert found[f"rear {direction}"]["left_faster_percent"] == pytest.approx(-100 * math.log(1.1), abs=1.0)


@pytest.mark.parametrize("first_sample", [0, 1, 10**12])
def test_times_count_from_the_first_sample(first_sample: int) -> None:
    travel = flat(3000)
    travel[500:1500] = 25.0
    record = records(
        easy_sheet({"alerts.bump_stop.enabled": False}),
        [chunk(travel, first_sample, lap_number=np.arange(3000) // 1000 * 1.0)],
        ("lap_number",),
        RATE,
    )
    assert [lap["start_s"] for lap in record["laps"]] == [0.0, 2.0, 4.0]
    assert [lap["duration_s"] for lap in record["laps"]] == [2.0] * 3
    # Heights are looked at on the car's grid, every second sample of the device's counter.
    row = 2 / RATE
    assert [alert["change"] for alert in record["alerts"]] == ["occurs", "returns"]
    assert [alert["time_s"] for alert in record["alerts"]] == pytest.approx([538 / RATE, 1750 / RATE], abs=row)
    assert [alert["since_s"] for alert in record["alerts"]] == pytest.approx([1.0, 1.0], abs=row)


def test_field_names() -> None:
    record = records(eventful_sheet(), eventful_stint(1))
    assert all(set(alert) == ALERT_FIELDS for alert in record["alerts"])
    for lap in record["laps"]:
        assert list(lap["corners"]) == list(CORNERS)
        assert all(set(corner) == CORNER_FIELDS for corner in lap["corners"].values())
    stint = record["summary"]
    assert {"samples_rejected", "samples_without_reading", "velocity_histogram"} <= set(stint["corners"]["FL"])
    assert stint["format"] == "damperwatch summary"
    assert set(stint["alerts"]) == {"announced", "occurrences", "noise", "standing"}
    numbers = {name for corner in stint["corners"].values() for name in corner}
    known = ("_mm", "_mm_s", "_s", "_n", "samples_", "share", "skewness", "histogram", "rebound", "stroke", "bump_stop")
    parts = (*known, "top_out", "wheel_load", "damper", "spectrum")
    assert all(any(part in name for part in parts) for name in numbers)


def test_a_lost_position_has_a_time() -> None:
    wave = 8.0 * np.sin(2.0 * np.pi * np.arange(6000) / RATE)
    travel = np.repeat(wave[:, np.newaxis], 4, axis=1)
    travel[3000:, 2] += 9.0
    record = stint_of(chunk(travel), sheet=easy_sheet(remove=("alerts.sensor.smallest_jump_mm",)))
    assert record["corners"]["RL"]["position_lost_at_s"] == pytest.approx(3000 / RATE, abs=0.02)
    assert record["corners"]["RR"]["position_lost_at_s"] is None
    # Velocity goes on being used, position does not.
    assert record["corners"]["RL"]["samples_used"] > 5900
    assert record["corners"]["RL"]["travel_histogram"]["counts"].sum() < 3010


def test_what_the_log_lost_is_told_with_clean_names() -> None:
    counts = LogCounts(rows_read=5)
    counts.cells["da\x1b[31mmper"] = CellCounts(empty=2)
    counts.places["da\x1b[31mmper", "empty"] = [3, 4]
    counts.places["gaps"] = [9]
    log = stint_of(chunk(flat(10)), counts=counts)["log"]
    assert log["rows_read"] == 5
    assert "\x1b" not in str(log)
    assert list(log["places"].values()) == [[3, 4], [9]]


def test_transition_without_evidence() -> None:
    monitor = Monitor(easy_sheet(), RATE, ())
    travel = flat(1000)
    travel[100:] = 25.0
    transition = monitor.process(chunk(travel)).transitions[0]
    record = describe_transition(transition)
    assert record["caution"].startswith("Support the car")
    assert {record[name] is None for name in ("measured", "limit", "unit", "sentence", "check_first")} == {False}


def test_a_stint_without_any_sample_is_a_summary_too() -> None:
    monitor = Monitor(easy_sheet(), RATE, ())
    monitor.finish()
    record = describe_stint(monitor, None, source="x", complete=False, version="0", reference="r")
    assert (record["laps"], record["samples_received"], record["duration_s"], record["log"]) == (0, 0, 0.0, None)
    assert (record["complete"], record["reference"]) == (False, "r")
    assert math.isnan(record["corners"]["FL"]["velocity_rms_mm_s"])


def test_laps_describe_themselves() -> None:
    monitor = Monitor(eventful_sheet(), 250.0, ("speed", "lap_number", "lap_distance"))
    laps = [lap for one in eventful_stint(1) for lap in monitor.process(one).laps]
    context = Context.of(monitor)
    for lap in laps:
        record = describe_lap(lap, context)
        assert record["duration_s"] == (record["end_sample"] - record["first_sample"]) / 250.0
        assert record["samples_idle"] <= record["samples_received"]
        used, unknown = record["corners"]["FL"]["samples_used"], record["corners"]["FL"]["samples_unknown"]
        assert used + unknown == record["samples_received"] - record["samples_idle"]
