"""The logs in the folder agree with their truth files and the car sheet, and hold what they are named for."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from ingest.sheet import Sheet, load_sheet
from replay_logs.simulate import HERE, SHEET, main
from replay_logs.stints import SHIPPED
from replay_logs.vehicle import spring_slack_m

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
    assert expected("damper_fades") == {("asymmetry", "rear"), ("drift", "RR")}
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
            assert point["min_mm"] > 10.0
        if lap["kind"] == "timed":
            for axle in lap["left_against_right_percent"].values():
                assert all(abs(value) < 9.0 for value in axle.values())


@pytest.mark.parametrize("name", NAMES)
def test_heights_are_clearly_on_one_side_of_their_limits(name: str, sheet: Sheet) -> None:
    """What a point keeps for the alert's delay is 2 mm or more away from its limit, in every lap of every log."""
    tripped: dict[str, set[int]] = {}
    for lap in truth(name)["laps"]:
        for point, known in lap["platform"].items():
            spare = known["lowest_held_mm"] - sheet.platform[point].lowest_mm
            assert abs(spare) >= 2.0, (lap["lap"], point)
            if spare < 0.0:
                tripped.setdefault(point, set()).add(lap["lap"])
    timed = {lap["lap"] for lap in truth(name)["laps"] if lap["kind"] == "timed"}
    assert tripped == (dict.fromkeys(sheet.platform, timed) if name == "too_low" else {})


@pytest.mark.parametrize("name", NAMES)
def test_no_spring_comes_loose_and_nothing_tops_out(name: str, sheet: Sheet) -> None:
    known = truth(name)
    assert known["top_outs"] == []
    for corner, (lowest, highest) in known["travel_range_mm"].items():
        part = sheet.suspension(corner)
        loose = known["platform_lowered_mm"][corner] - 1e3 * spring_slack_m(sheet, corner)
        assert lowest > loose + 3.0
        assert -part.travel_to_full_droop_mm < lowest < highest < part.travel_to_full_bump_mm
        if name != "sensor_faults":
            log = pq.read_table(HERE / f"{name}.parquet", columns=[sheet.log.columns.damper(corner).column])
            counts = log.column(0).to_numpy()
            read = sorted(travel_by_hand(sheet, corner, float(one)) for one in (counts.min(), counts.max()))
            assert read == pytest.approx([lowest, highest], abs=0.2)


def test_shipped_sheet_is_that_of_the_shipped_truth(sheet: Sheet) -> None:
    for name in NAMES:
        known = truth(name)
        assert known["air_density_kg_m3"] == sheet.air.density_kg_m3
        for stretch in known["below_limit"]:
            assert stretch["min_mm"] <= sheet.platform[stretch["point"]].lowest_mm


def test_keys_behind_a_comment_are_ones_the_sheet_takes(sheet: Sheet, tmp_path: Path) -> None:
    """Taken out of their comments, with the weights of the other corners and without the air's density."""
    text = SHEET.read_text(encoding="utf-8")
    opened = re.sub(r"^# (?=\[?[\w.]+\]?( = .*)?$)", "", text, flags=re.MULTILINE)
    opened = opened.replace("density_kg_m3 = 1.225", "")
    for corner, weight in (("FR", 311.0), ("RL", 344.0), ("RR", 344.0)):
        opened += f"\n[corner.{corner}]\ncorner_weight_kg = {weight}\n"
    path = tmp_path / "car.toml"
    path.write_text(opened, encoding="utf-8")
    full = load_sheet(path)
    assert full.axle.front.droop_stop is not None
    assert full.axle.front.bump_stop is not None
    assert full.axle.front.bump_stop.hysteresis == 0.2
    assert full.axle.rear.anti_squat_percent == 25.0
    assert full.air.temperature_c == 15.0
    assert full.suspension("FL").tyre_growth_mm_at_100_m_s == 3.0
    assert full.static_load_n("FL") == pytest.approx(sheet.static_load_n("FL"), rel=0.01)


def test_small_enough_to_ship() -> None:
    assert sum((HERE / f"{name}.parquet").stat().st_size for name in NAMES) < 11_000_000


def test_unusable_folder_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    assert main(["--out", str(blocked), "--only", "healthy"]) == 1
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
