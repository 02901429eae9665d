"""The logs in the folder agree with their truth files and the car sheet, and hold what they are named for."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from ingest.sheet import Sheet
from replay_logs.simulate import HERE, main
from replay_logs.stints import SHIPPED

from .test_sensors import travel_by_hand

NAMES = [one.name for one in SHIPPED]
CORNERS = ("FL", "FR", "RL", "RR")


def truth(name: str) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((HERE / f"{name}.truth.json").read_text(encoding="utf-8"))
    return loaded


def expected(name: str) -> set[tuple[str, str]]:
    return {(alert["kind"], alert["where"]) for alert in truth(name)["expected_alerts"]}


@pytest.mark.parametrize("name", NAMES)
def test_log_agrees_with_its_truth(name: str, sheet: Sheet) -> None:
    table = pq.read_table(HERE / f"{name}.parquet")
    known = truth(name)
    columns = sheet.log.columns
    named = {columns.damper(corner).column for corner in CORNERS}
    named |= {side.column for role in ("speed", "lap_number", "lap_distance") if (side := columns.side(role))}
    assert named <= set(table.column_names)
    assert table.num_rows == known["rows"]
    time = table["time_ms"].to_numpy()
    step = 1000 // known["log_rate_hz"]
    assert time[0] == 0
    assert time[-1] == (known["samples"] - 1) * step
    lap = table["lap"].to_numpy()
    for one in known["laps"]:
        rows = np.flatnonzero(lap == one["lap"])
        assert time[rows[0]] == one["start_sample"] * step
        assert time[rows[-1]] == (one["end_sample"] - 1) * step
    for corner in CORNERS:
        counts = table[columns.damper(corner).column][: 2 * known["log_rate_hz"]].to_numpy()
        rest = travel_by_hand(sheet, corner, float(np.mean(counts)))
        assert rest == pytest.approx(known["travel_at_rest_mm"][corner], abs=0.02)


def test_peak_of_the_longest_contact_is_in_the_log(sheet: Sheet) -> None:
    contact = max(truth("too_low")["bump_stop_contacts"], key=lambda one: float(one["duration_s"]))
    column = sheet.log.columns.damper(contact["corner"]).column
    rows = pq.read_table(HERE / "too_low.parquet", columns=[column])[column].to_numpy()
    part = rows[contact["start_sample"] : contact["start_sample"] + round(contact["duration_s"] * 500)]
    peak = max(travel_by_hand(sheet, contact["corner"], float(count)) for count in part)
    assert peak == pytest.approx(contact["peak_travel_mm"], abs=0.15)


def test_each_log_holds_what_it_is_named_for() -> None:
    assert expected("healthy") == set()
    assert expected("rebound_misset") == {("asymmetry", "front")}
    assert expected("damper_fades") == {("asymmetry", "rear")}
    assert expected("too_low") >= {
        ("bump_stop", "FL"),
        ("bump_stop", "FR"),
        ("platform_low", "splitter_left"),
        ("platform_low", "splitter_right"),
    }
    assert {kind for kind, _ in expected("too_low")} == {"bump_stop", "platform_low"}
    assert expected("sensor_faults") == {("sensor", corner) for corner in CORNERS} | {("link", "stream")}


def test_healthy_log_is_far_from_every_limit(sheet: Sheet) -> None:
    for lap in truth("healthy")["laps"]:
        for stop in lap["bump_stop"].values():
            assert stop["longest_s"] < 0.8 * sheet.alerts.bump_stop.longest_contact_s
            assert stop["total_s"] < 0.5 * sheet.alerts.bump_stop.trip_time_per_lap_s
        for point in lap["platform"].values():
            assert point["longest_below_s"] < 0.05
            assert point["min_with_tyres_mm"] > 0.0
        if lap["kind"] == "timed":
            for axle in lap["left_against_right_percent"].values():
                assert all(abs(value) < 9.0 for value in axle.values())


def test_small_enough_to_ship() -> None:
    assert sum((HERE / f"{name}.parquet").stat().st_size for name in NAMES) < 11_000_000


def test_unusable_folder_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    assert main(["--out", str(blocked), "--only", "healthy"]) == 1
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
