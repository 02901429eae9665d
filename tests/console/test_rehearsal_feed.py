"""A rehearsal over a link: the receiver meets the faults as from sensors; what none touches keeps its bits."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from console.cli import main
from console.feed_link import feed_layout
from console.mischief import Plan as Mischief
from console.rehearsal import prepare
from console.rehearsal_feed import FedRehearsal
from console.results import REHEARSAL
from ingest.errors import ResultsError
from ingest.injection import Injector
from ingest.plan import Plan, parse_plan
from ingest.sheet import Sheet
from tests.console.logs import CAR, sheet_file, strict
from tests.console.test_feed import BROKER, PORT, Wire, fed, linked, log_of, logged, received, table

FAULTS: list[dict[str, Any]] = [
    {"kind": "stuck", "corner": "FL", "time_s": 1.0, "for_s": 0.5},
    {"kind": "unplugged", "corner": "FR", "time_s": 2.0, "for_s": 1.0, "reading": -77.0},
    {"kind": "unplugged", "corner": "FR", "time_s": 4.0, "for_s": 0.3, "reads": "nothing"},
    {"kind": "zero_slips", "corner": "RR", "lap": 1, "share": 0.5, "by_mm": 9.0},
]


def plan_of(*faults: dict[str, Any]) -> Plan:
    return parse_plan({"fault": list(faults)}, "plan.toml")


def rehearsed(log: Path, sheet: Sheet, *faults: dict[str, Any]) -> FedRehearsal:
    return FedRehearsal(prepare(plan_of(*faults), log, sheet), sheet)


def test_the_receiver_meets_what_a_replay_would(tmp_path: Path) -> None:
    sheet, log, wire = linked(), log_of(tmp_path), Wire()
    code, _ = fed(log, sheet, wire, rehearsal=rehearsed(log, sheet, *FAULTS), target=BROKER, form="json")
    assert code == 0
    got, values = table(received(sheet, feed_layout(sheet, BROKER, "json", 500.0), wire.payloads)[0])
    untouched = logged(log, sheet)
    injector = Injector(sheet, 500.0, prepare(plan_of(*FAULTS), log, sheet).placed)
    wanted, wanted_values = table([given for chunk in untouched for given in injector.process(chunk)])
    plain = table(untouched)[1]["sensors"]
    assert got == wanted
    sensors, wanted_sensors = values["sensors"], wanted_values["sensors"]
    np.testing.assert_allclose(sensors, wanted_sensors, rtol=0.0, atol=1e-9)
    same = (wanted_sensors == plain) | (np.isnan(wanted_sensors) & np.isnan(plain))
    assert 800 < np.count_nonzero(~same) < 4000
    assert np.array_equal(sensors[same], plain[same], equal_nan=True)
    assert np.isnan(sensors[2000:2150, 1]).all()
    assert set(sensors[1000:1500, 1][~np.isnan(plain[1000:1500, 1])].round(9)) == {-77.0}


def test_a_lost_link_is_a_pulled_cable(tmp_path: Path) -> None:
    sheet, log, wire = linked(), log_of(tmp_path), Wire()
    one = rehearsed(log, sheet, {"kind": "link_lost", "time_s": 2.0, "for_s": 1.0})
    _, said = fed(log, sheet, wire, rehearsal=one, plan=one.pulled(Mischief(pulls=((5.0, 0.5),))), form="packed")
    got, _ = table(received(sheet, feed_layout(sheet, PORT, "packed", 500.0), wire.payloads)[0])
    lost = sorted(set(range(3000)) - set(got))
    assert len(lost) == 750
    assert (lost[0], lost[499], lost[500]) == (990, 1489, 2490)  # a frame leaves when its last sample is due
    assert not any("rehearsal" in line for line in said)


def test_the_account_uses_what_the_receiver_wrote(tmp_path: Path) -> None:
    sheet, log = linked(), log_of(tmp_path)
    one = rehearsed(log, sheet, *FAULTS)
    fed(log, sheet, Wire(), rehearsal=one)
    heard = {
        "kind": "sensor",
        "where": "FL",
        "change": "occurs",
        "announced": True,
        "sample": 600,
        "who": "",
        "sentence": None,
    }
    answer = {**heard, "change": "acknowledge", "announced": False, "sample": 700, "who": "Kim"}
    (tmp_path / "alerts.jsonl").write_text("".join(json.dumps(record) + "\n" for record in (heard, answer)))
    lines = list(one.settle(tmp_path, tmp_path / "account", "log.csv", complete=True))
    assert "acknowledged by Kim after 0.2 s" in "\n".join(lines)
    record = strict((tmp_path / "account" / REHEARSAL).read_text(encoding="utf-8"))
    assert [found["verdict"] for found in record["injected"]] == ["announced", "missed", "missed", "missed"]
    assert record["own"] is None
    for bad in ("[", "[]\n", '{"kind": 1}\n', "\udcff"):
        (tmp_path / "alerts.jsonl").write_text(bad, errors="surrogateescape")
        with pytest.raises(ResultsError, match="does not hold the alerts"):
            list(one.settle(tmp_path, None, "log.csv", complete=True))
    with pytest.raises(ResultsError, match="can't be read"):
        list(one.settle(tmp_path / "none", None, "log.csv", complete=True))


def test_without_the_receivers_results_it_says_only_what_was_put_in(tmp_path: Path) -> None:
    sheet, log = linked(), log_of(tmp_path)
    one = rehearsed(log, sheet, *FAULTS)
    fed(log, sheet, Wire(stops_at=150), rehearsal=one)
    lines = list(one.settle(None, tmp_path, "log.csv", complete=False))
    assert lines[0] == "rehearsal: 4 faults put in"
    assert len(lines) == 5
    record = strict((tmp_path / REHEARSAL).read_text(encoding="utf-8"))
    assert record["complete"] is False
    assert "verdict" not in record["injected"][0]


def test_options_of_the_account_need_a_plan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["feed", "log.csv", "--car", str(sheet_file(tmp_path, CAR)), "--to", "serial:/dev/null", "--heard", "x"]
    monkeypatch.setattr(sys, "argv", ["damperwatch", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    assert "belong to --rehearse" in capsys.readouterr().err
