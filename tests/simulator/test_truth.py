"""The truth's own arithmetic on cases that can be worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.sheet import Sheet
from replay_logs.runs import contact_runs, runs, surplus
from replay_logs.stint import Stint, stop_force_n
from replay_logs.truth import left_against_right, truth_of, velocity_rms
from replay_logs.underside import drop_at_mm


def test_contact_begins_at_the_gap_and_ends_beyond_the_release() -> None:
    travel = np.array([0.0, 9.9, 10.0, 9.9, 10.5, 9.75, 9.9, 10.0, 12.0])
    assert contact_runs(travel, 10.0, 0.2) == [(2, 5), (7, 9)]
    assert contact_runs(travel, 10.0, 0.3) == [(2, 9)]
    assert contact_runs(np.array([9.9, 9.9]), 10.0, 0.2) == []


def test_runs() -> None:
    assert runs(np.array([True, False, True, True])) == [(0, 1), (2, 4)]
    assert runs(np.zeros(0, dtype=np.bool_)) == []


def test_surplus_leaks_and_starts_again_after_the_unknown() -> None:
    on = np.array([True, True, False, True, False, False, False, True, True, True])
    known = np.ones(10, dtype=np.bool_)
    assert surplus(on, known).tolist() == [1, 2, 1, 2, 1, 0, 0, 1, 2, 3]
    known[8] = False
    assert surplus(on, known).tolist() == [1, 2, 1, 2, 1, 0, 0, 1, 0, 1]


def test_drop_ahead_of_the_front_axle(sheet: Sheet) -> None:
    # Front down 10, rear up 10: ahead of the axle the nose is lower by the lever.
    car = sheet.car
    drop = drop_at_mm(sheet, np.array([[10.0, 10.0, -10.0, -10.0]]), 820.0, 0.0)
    assert drop == pytest.approx([10.0 + 20.0 * 820.0 / car.wheelbase_mm])
    roll = drop_at_mm(sheet, np.array([[8.3, -8.3, 8.2, -8.2]]), -1000.0, 400.0)
    assert roll == pytest.approx([4.0])  # 1 mm in 100 mm across: both half tracks agree
    assert drop_at_mm(sheet, np.array([[5.0, 5.0, 5.0, 5.0]]), -900.0, 300.0) == pytest.approx([5.0])


def test_rms_and_sides() -> None:
    assert velocity_rms(np.array([3.0, 4.0, -6.0, 0.0])) == {"compression": 3.536, "rebound": 6.0}
    assert left_against_right(np.e, 1.0) == 100.0
    assert left_against_right(1.0, 1.1) == -left_against_right(1.1, 1.0)


def test_stop_force_follows_its_table_and_goes_on() -> None:
    table = [(0.0, 0.0), (2.0, 100.0), (4.0, 500.0)]
    assert stop_force_n(table, np.array([-1.0, 0.0, 1.0, 3.0, 5.0])) == pytest.approx([0.0, 0.0, 50.0, 300.0, 700.0])


def test_truth_of_a_stint_with_faults(sheet: Sheet, stints: tuple[Stint, Stint]) -> None:
    spoilt = stints[1]
    truth = truth_of(sheet, spoilt)
    assert truth["samples"] - truth["rows"] == 1500
    faults = {(alert["where"], alert["fault"]) for alert in truth["expected_alerts"] if alert["kind"] == "sensor"}
    assert faults == {
        ("FL", "open_circuit"),
        ("FR", "short_circuit"),
        ("RL", "stuck"),
        ("RR", "spikes"),
        ("FL", "step_offset"),
    }
    assert [lap["kind"] for lap in truth["laps"]] == ["out", "timed", "in"]
    assert truth["laps"][0]["end_sample"] == truth["laps"][1]["start_sample"]
    assert truth["laps"][-1]["end_sample"] == truth["samples"]
    for contact in truth["bump_stop_contacts"]:
        stop = sheet.suspension(contact["corner"]).bump_stop
        assert stop is not None
        assert contact["peak_travel_mm"] >= stop.gap_mm
    counted = sum(s["contacts"] for lap in truth["laps"] for s in lap["bump_stop"].values())
    assert counted == len(truth["bump_stop_contacts"]) > 0
    for shares in truth["velocity"].values():
        assert sum(shares["time_share"].values()) == pytest.approx(1.0, abs=1e-4)
