"""A rehearsal: faults go in unseen, an account comes out, and nobody can take it for the car."""

from __future__ import annotations

import json
import signal
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alerts.journal import Journal
from alerts.monitor import Monitor, Step
from console.board_outlet import link_status
from console.board_strip import strip
from console.cli import main
from console.outlet import Place, PlainOutlet
from console.paint import glyphs_for
from console.reference import load_reference
from console.rehearsal import of_a_rehearsal, prepare
from console.rehearsal_account import Account, Heard, expected_of
from console.rehearsal_places import LapFinder, LapTable, place
from console.replay import ReplayOptions, replay
from console.results import REHEARSAL, SUMMARY
from console.take_view import take_view
from console.trends import Trends
from dsp.laps import SOURCES
from ingest.chunk import Chunk
from ingest.errors import JournalError, PlanError, ResultsError
from ingest.injection import Placed
from ingest.plan import Plan, parse_plan
from ingest.rehearsal_mark import MARK, marked
from tests.console.logs import EVENTFUL, eventful_log, read_lines, strict
from tests.console.test_replay import HandClock, Recorder
from tests.eventful import EVENTFUL_RATE, eventful_stint, only, records

LAP_S = 4.0
LAPS = 7


def plan_of(*faults: dict[str, Any]) -> Plan:
    return parse_plan({"fault": list(faults)}, "plan.toml", "0" * 64)


PLAN = plan_of(
    {"kind": "unplugged", "corner": "RR", "lap": 1, "share": 0.2, "for_s": 1.2},
    {"kind": "link_lost", "lap": 2, "share": 0.3, "for_s": 0.8},
    {"kind": "damper", "corner": "FL", "lap": 3, "force_left": 0.25},
    {"kind": "lowered", "axle": "rear", "lap": 5, "share": 0.5, "by_mm": 20.0},
)


def clean_log(folder: Path) -> Path:
    """Seven laps of four seconds on which nothing happens and no two corners are quite alike."""
    count = round(LAPS * LAP_S * EVENTFUL_RATE)
    time = np.arange(count) / EVENTFUL_RATE
    chance = np.random.default_rng(4)
    road = np.array([3.5, 2.0, 1.2, 0.6]) * np.sin(2 * np.pi * np.outer(time % LAP_S, (1.25, 2.5, 6.25, 12.0)))
    lines = ["time,FL,FR,RL,RR,speed,lap,distance"]
    for n, wave in enumerate(road.sum(axis=1).tolist()):
        travel = ",".join(f"{wave + noise:.3f}" for noise in chance.normal(0.0, 0.03, 4))
        lap, at = divmod(n / EVENTFUL_RATE, LAP_S)
        lines.append(f"{n / EVENTFUL_RATE:.3f},{travel},40.0,{int(lap)},{40.0 * at:.1f}")
    path = folder / "quiet.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def run(log: Path, out: Path | None, plan: Plan | None = PLAN, **rest: Any) -> list[str]:
    told: list[str] = []
    options = ReplayOptions(**{"results": out, "plan": plan, "tell": told.append, **rest})
    assert replay(log, EVENTFUL, Recorder(), options, HandClock().clock) == 0
    return told


def account_in(out: Path) -> dict[str, Any]:
    record = strict((out / REHEARSAL).read_text(encoding="utf-8"))
    assert isinstance(record, dict)
    return record


# ---------------------------------------------------------------- the account


def test_what_was_put_in_is_announced_and_nothing_else(tmp_path: Path) -> None:
    told = run(clean_log(tmp_path), tmp_path / "out")
    record = account_in(tmp_path / "out")
    assert [one["verdict"] for one in record["injected"]] == ["announced"] * 4
    assert [one["announced_by"]["kind"] for one in record["injected"]] == [
        "sensor",
        "link",
        "asymmetry",
        "platform_low",
    ]
    assert record["false"] == []
    assert [one["kind"] for one in record["own"]] == ["sample_rate"]
    assert record["complete"] is True
    unplugged, link, damper, lowered = record["injected"]
    assert unplugged["start_s"] == pytest.approx(LAP_S * 1.2)
    assert unplugged["announced_after_s"] == pytest.approx(0.2, abs=0.02)
    assert link["announced_after_s"] == pytest.approx(0.3, abs=0.02)
    assert 1.0 < damper["announced_after_laps"] <= 3.0
    assert lowered["end_sample"] is None
    assert told[0] == "rehearsal: 4 faults put in: 4 announced; 0 false"
    assert any("nobody acknowledged it" in line for line in told)


def test_the_same_account_at_any_pace(tmp_path: Path) -> None:
    log = clean_log(tmp_path)
    fast, slow = run(log, tmp_path / "fast"), run(log, tmp_path / "slow", pace=7.0)
    assert fast == slow
    assert account_in(tmp_path / "fast") == account_in(tmp_path / "slow")
    assert read_lines(tmp_path / "fast/alerts.jsonl") == read_lines(tmp_path / "slow/alerts.jsonl")


def test_a_fault_that_nobody_was_told_of_is_missed(tmp_path: Path) -> None:
    told = run(
        clean_log(tmp_path),
        tmp_path / "out",
        plan_of(
            {"kind": "damper", "corner": "FL", "lap": 3, "force_left": 0.97},
            {"kind": "stuck", "corner": "RL", "time_s": 9.0, "for_s": 0.1},
        ),
    )
    assert [one["verdict"] for one in account_in(tmp_path / "out")["injected"]] == ["missed", "missed"]
    assert sum("MISSED" in line for line in told) == 2
    assert "looked for: damper drift, left/right" in told[2]


def test_the_logs_own_alarms_are_not_called_false(tmp_path: Path) -> None:
    log = eventful_log(tmp_path)
    told = run(
        log, tmp_path / "out", plan_of({"kind": "unplugged", "corner": "RL", "lap": 2, "share": 0.4, "for_s": 1})
    )
    record = account_in(tmp_path / "out")
    assert record["counts"]["false"] == 0, record["false"]
    assert record["counts"]["own"] > 3
    assert record["injected"][0]["verdict"] == "announced"
    assert told[-1].startswith("the log's own, with or without the plan: ")


def test_an_interrupted_rehearsal_says_what_was_not_reached(tmp_path: Path) -> None:
    log, out = clean_log(tmp_path), tmp_path / "out"
    told: list[str] = []

    class Ending(Recorder):
        def step(self, monitor: Monitor, step: Step, place: Place) -> None:  # noqa: ARG002
            if place.time_s > 2.5 * LAP_S and self.failing_at is None:
                self.failing_at = 0
                signal.raise_signal(signal.SIGINT)

    options = ReplayOptions(pace=20.0, results=out, plan=PLAN, tell=told.append)
    assert replay(log, EVENTFUL, Ending(), options, HandClock().clock) == 130
    record = account_in(out)
    assert record["complete"] is False
    assert [one["verdict"] for one in record["injected"]][2:] == ["not reached", "not reached"]


def heard(kind: str, where: str, sample: int, change: str = "occurs", who: str = "") -> Heard:
    return Heard(kind, where, change, change == "occurs", sample, who)


TABLE = LapTable(100.0, "lap_number", 0, 10_000, list(range(0, 10_000, 1000)), list(range(10)))


def account_of(*placed: Placed, own: tuple[Heard, ...] = (), told: tuple[Heard, ...] = ()) -> dict[str, Any]:
    account = Account(placed, TABLE, None, ["nose"])
    account.end_sample = 10_000
    account.take_own(own)
    account.take(told)
    return account.record()


def fault(start: int, end: int | None = None, **what: Any) -> Placed:
    passing = {"for_s": 1.0} if what["kind"] == "link_lost" else {}
    return Placed(plan_of({"time_s": 0.0, **passing, **what}).faults[0], start, start, end)


STUCK = fault(2000, 2500, kind="stuck", corner="FL")


def test_who_acknowledged_and_after_how_long() -> None:
    record = account_of(
        STUCK,
        told=(
            heard("sensor", "FL", 2050, "acknowledge", "Ash"),
            heard("sensor", "FL", 2100),
            heard("sensor", "FR", 2150, "acknowledge", "Ash"),
            heard("sensor", "FL", 2350, "acknowledge", "Kim"),
            heard("sensor", "FL", 2400, "acknowledge", "Ash"),
        ),
    )
    (one,) = record["injected"]
    assert (one["announced_after_s"], one["announced_after_laps"]) == (1.0, pytest.approx(0.1))
    assert (one["answer"], one["answered_by"], one["answered_after_s"]) == ("acknowledge", "Kim", 2.5)


@pytest.mark.parametrize("told", [heard("sensor", "FR", 2100), heard("sensor", "FL", 1999), heard("drift", "FR", 2600)])
def test_an_announcement_that_fits_no_fault_is_false(told: Heard) -> None:
    record = account_of(STUCK, told=(told,))
    assert [one["sample"] for one in record["false"]] == [told.sample]
    assert record["injected"][0]["verdict"] == "missed"


def test_a_fault_that_has_passed_may_be_told_for_a_while() -> None:
    for sample, verdict in ((8400, "announced"), (8600, "missed")):
        laps = LapTable(100.0, "lap_number", 0, 20_000, list(range(0, 20_000, 500)), list(range(40)))
        account = Account((STUCK,), laps, None, [])
        account.end_sample = 20_000
        account.take([heard("sensor", "FL", sample)])
        assert account.record()["injected"][0]["verdict"] == verdict


def test_the_same_alarm_without_the_faults_is_the_logs_own() -> None:
    told = heard("sensor", "FL", 2100)
    record = account_of(STUCK, told=(told,), own=(heard("sensor", "FL", 2150),))
    assert (record["counts"]["own"], record["injected"][0]["verdict"]) == (1, "missed")
    # Elsewhere in the log it does not take the fault's announcement away, but it excuses one of no fault.
    record = account_of(STUCK, told=(told,), own=(heard("sensor", "FL", 6000),))
    assert (record["counts"]["own"], record["injected"][0]["verdict"]) == (0, "announced")
    record = account_of(STUCK, told=(heard("sensor", "RR", 2100),), own=(heard("sensor", "RR", 6000),))
    assert (record["counts"]["own"], record["counts"]["false"]) == (1, 0)


def test_one_announcement_tells_of_one_fault_the_newest_untold() -> None:
    early, late = (
        fault(1000, kind="damper", corner="FL", force_left=0.5),
        fault(3000, kind="gain", corner="FL", factor=2),
    )
    first, second = heard("drift", "FL", 2000), heard("asymmetry", "front rebound", 4000)
    verdicts = [one["announced_after_s"] for one in account_of(early, late, told=(first, second))["injected"]]
    assert verdicts == [10.0, 10.0]
    third = heard("asymmetry", "front compression", 5000)
    verdicts = [one["announced_after_s"] for one in account_of(early, late, told=(second, third))["injected"]]
    assert verdicts == [40.0, 10.0]
    one, other = account_of(early, late, told=(second,))["injected"]
    assert (one["verdict"], other["verdict"]) == ("missed", "announced")


def test_another_alarm_may_tell_of_a_fault() -> None:
    (one,) = account_of(fault(1000, kind="lowered", corner="FL", by_mm=9), told=(heard("bump_stop", "FL", 1500),))[
        "injected"
    ]
    assert (one["verdict"], one["announced_by"]["kind"]) == ("told by another alarm", "bump_stop")


def test_without_an_alarm_for_it_a_fault_is_not_called_missed() -> None:
    account = Account((fault(1000, kind="link_lost", end=1200),), TABLE, set(), [])
    account.end_sample = 10_000
    assert account.record()["injected"][0]["verdict"] == "no alarm watches for it"


def test_every_kind_expects_alarms_that_there_are() -> None:
    keys = {one.definition.key for one in Monitor(EVENTFUL, EVENTFUL_RATE, ("lap_number",)).standings}
    for one in (
        *PLAN.faults,
        STUCK.fault,
        plan_of({"kind": "zero_slips", "corner": "FL", "by_mm": 3, "time_s": 0}).faults[0],
    ):
        expected, also = expected_of(one, EVENTFUL.platform)
        assert expected
        assert expected <= keys
        assert also <= keys
        assert not expected & also


# ---------------------------------------------------------------- nothing is given away, and nothing is mistaken


def test_until_the_end_nothing_tells_of_the_plan(tmp_path: Path) -> None:
    log, out = clean_log(tmp_path), tmp_path / "out"
    shown: list[str] = []
    seen: list[str] = []

    class Looking(PlainOutlet):
        def step(self, monitor: Monitor, step: Step, place: Place) -> None:
            super().step(monitor, step, place)
            assert place.source == "quiet.csv"
            if place.time_s > 6.5 * LAP_S:
                seen.append((out / REHEARSAL).read_text(encoding="utf-8"))

    told: list[str] = []
    options = ReplayOptions(pace=20.0, results=out, plan=PLAN, tell=told.append)
    assert replay(log, EVENTFUL, Looking(shown.append), options, HandClock().clock) == 0
    assert json.loads(seen[-1]) == {"format": "damperwatch rehearsal", "format_version": 1, "complete": False}
    text = "\n".join(shown)
    for words in [*(one.words for one in PLAN.faults), "plan.toml", "unplugged", "keeps", "put in"]:
        assert words not in text.replace("faults were put into these samples", "")
    assert "REHEARSAL: faults were put into these samples on purpose" in shown[1]
    assert any(line.startswith(f"{MARK}Test mule:") for line in shown)


def test_results_of_a_rehearsal_say_so(tmp_path: Path) -> None:
    log, out = clean_log(tmp_path), tmp_path / "out"
    run(log, out)
    summary = strict((out / SUMMARY).read_text())
    assert summary["rehearsal"] is True
    assert summary["car"] == f"{MARK}Test mule"
    # A run of the log itself in the same directory leaves nothing of the rehearsal.
    run(log, out, None, overwrite=True)
    summary = strict((out / SUMMARY).read_text())
    assert summary["rehearsal"] is False
    assert summary["car"] == "Test mule"
    assert not (out / REHEARSAL).exists()


def test_a_rehearsal_is_no_reference_and_its_journal_not_the_cars(tmp_path: Path) -> None:
    log, out, journal = clean_log(tmp_path), tmp_path / "out", tmp_path / "alarms.journal"
    run(log, out, journal=journal)
    with pytest.raises(ResultsError, match="REHEARSAL"):
        load_reference(out, EVENTFUL)
    with pytest.raises(JournalError):
        Journal.open(journal, EVENTFUL.car.name)
    run(log, tmp_path / "car", None)
    run(log, tmp_path / "again", reference=tmp_path / "car")  # but it may be held against the car's


@pytest.mark.parametrize("width", [40, 80, 160])
def test_the_board_says_so_whatever_the_width(width: int) -> None:
    for sheet, says in ((marked(EVENTFUL), True), (EVENTFUL, False)):
        monitor = Monitor(sheet, EVENTFUL_RATE, ("speed", "lap_number", "lap_distance"))
        for chunk in eventful_stint():
            monitor.process(chunk)
        view = take_view(monitor, Trends(), link_status(monitor, Place("log", 1.0, 0.5, 1.0, EVENTFUL_RATE)))
        glyphs = glyphs_for("utf-8")
        lines = [line.plain for line in strip(view, width, 1, glyphs)]
        assert ("REHEARSAL" in lines[0]) is says


def test_a_recording_of_a_rehearsal_is_known() -> None:
    from ingest.recording_log import RecordingLog

    log = RecordingLog.__new__(RecordingLog)
    for header, so in (({"car": f"{MARK}mule"}, True), ({"car": "mule"}, False), ({}, False)):
        log.header = dict(header)
        assert of_a_rehearsal(log) is so


# ---------------------------------------------------------------- places


@pytest.mark.parametrize("source", SOURCES[::2])
def test_laps_are_those_that_the_monitor_counts(source: str) -> None:
    roles = ("speed", source)
    chunks = only(roles, eventful_stint())
    laps = records(EVENTFUL, chunks, roles)["laps"]
    finder = LapFinder(EVENTFUL, EVENTFUL_RATE, roles)
    for chunk in chunks:
        for start in range(0, len(chunk), 37):
            finder.take(chunk.part(start, min(start + 37, len(chunk))))
    table = finder.table
    assert table.starts == [lap["first_sample"] for lap in laps]
    assert [str(name) for name in table.names] == [lap["lap"] for lap in laps]
    assert table.end_sample == laps[-1]["end_sample"]
    for number, lap in enumerate(laps):
        assert table.sample_of(number) == lap["first_sample"]
        assert table.index_of(lap["first_sample"]) == number
        assert table.name_of(lap["first_sample"]) == lap["lap"]


def test_the_first_lap_has_the_first_number_that_is_known() -> None:
    numbers = np.array([np.nan] * 30 + [5.0] * 970 + [6.0] * 1000)
    chunk = Chunk(0, 250.0, np.zeros((2000, 4)), {"lap_number": numbers})
    for size in (7, 1000, 2000):
        finder = LapFinder(EVENTFUL, 250.0, ("lap_number",))
        for start in range(0, 2000, size):
            finder.take(chunk.part(start, min(start + size, 2000)))
        assert (finder.table.names, finder.table.starts) == ([5, 6], [0, 1000])


def test_places_on_the_sample_axis() -> None:
    plan = plan_of(
        {"kind": "damper", "corner": "FL", "lap": 3, "share": 0.5, "over_laps": 2, "force_left": 0.5},
        {"kind": "stuck", "corner": "FL", "time_s": 12.5, "for_laps": 0.5},
        {"kind": "lowered", "corner": "FL", "by_mm": 3, "lap": 9, "over_laps": 3.5},
        {"kind": "zero_slips", "corner": "RL", "by_mm": 3, "lap": 0, "over_s": 7},
        {"kind": "stuck", "corner": "RL", "time_s": 0, "for_s": 1e-9},
    )
    found = [(one.start, one.full, one.end) for one in place(plan, TABLE, EVENTFUL)]
    assert found == [
        (3500, 5500, None),
        (1250, 1250, 1750),
        (9000, 12_500, None),
        (0, 700, None),
        (0, 0, 1),
    ]


def test_all_that_has_no_place_is_told_at_once(tmp_path: Path) -> None:
    plan = plan_of(
        {"kind": "stuck", "corner": "FL", "lap": 12},
        {"kind": "stuck", "corner": "FL", "time_s": 500.0},
        {"kind": "stuck", "corner": "FL", "lap": 1},
        {"kind": "lowered", "axle": "front", "by_mm": 100.0, "lap": 1},
    )
    with pytest.raises(PlanError) as caught:
        prepare(plan, clean_log(tmp_path), EVENTFUL)
    assert [line.split(": ")[0] for line in caught.value.problems] == [
        "fault 4.by_mm",
        "fault 4.by_mm",
        "fault 1.lap",
        "fault 2.time_s",
    ]
    assert "it has laps 0 to 6" in str(caught.value)
    assert "at 28.0 s" in str(caught.value)


def test_a_log_without_laps_asks_for_times() -> None:
    table = LapTable(100.0, None, 0, 1000)
    for given in ({"lap": 1}, {"time_s": 1.0, "for_laps": 2}):
        with pytest.raises(PlanError, match="no laps; give times"):
            place(plan_of({"kind": "stuck", "corner": "FL", **given}), table, EVENTFUL)
    (one,) = place(plan_of({"kind": "stuck", "corner": "FL", "time_s": 1.0}), table, EVENTFUL)
    assert (one.start, one.end) == (100, None)


def test_more_spikes_than_their_time_holds_are_refused() -> None:
    table = LapTable(100.0, None, 0, 1000)
    spikes = {"kind": "spikes", "corner": "FL", "time_s": 1.0, "for_s": 2.0}
    (one,) = place(plan_of({**spikes, "count": 100}), table, EVENTFUL)
    assert one.end == 300
    with pytest.raises(PlanError, match="101 spikes need 202 samples; there are 200"):
        place(plan_of({**spikes, "count": 101}), table, EVENTFUL)


# ---------------------------------------------------------------- the command


def test_a_mistaken_plan_is_two_lines_and_exit_code_2(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    root = Path(__file__).parents[2] / "replay_logs"
    file = tmp_path / "plan.toml"
    file.write_text('[[fault]]\nkind = "stuck"\ncorner = "FL"\nlap = 99\n', encoding="utf-8")
    words = ["damperwatch", "replay", str(root / "healthy.parquet"), "--car", str(root / "car.toml")]
    monkeypatch.setattr(sys, "argv", [*words, "--plain", "--rehearse", str(file)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert "1 mistake in the plan" in said
    assert "the log has no lap 99; it has laps 0 to 8" in said


def test_the_shipped_plan_fits_its_log() -> None:
    from ingest.plan import load_plan
    from ingest.sheet import load_sheet

    root = Path(__file__).parents[2] / "replay_logs"
    found = prepare(load_plan(root / "rehearsal.toml"), root / "healthy.parquet", load_sheet(root / "car.toml"))
    assert len(found.placed) == 4
