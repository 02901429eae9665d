"""Replaying: the same findings at any pace, everything before a fault, and an end in order when it is interrupted."""

from __future__ import annotations

import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest

from alerts.journal import Journal
from alerts.monitor import Monitor, Step
from console.board_outlet import PictureOutlet
from console.outlet import Place, PlainOutlet
from console.pace import Clock
from console.replay import ReplayOptions, replay
from console.results import ALERTS, LAPS, SUMMARY
from ingest.errors import JournalError, LogError, ResultsError
from ingest.log_counts import LogCounts
from ingest.sheet import load_sheet
from tests.console.logs import CAR, EVENTFUL, eventful_log, log_file, read_lines, rows, sheet_file, strict
from tests.eventful import eventful_stint, records


class HandClock:
    """Waiting costs nothing and is counted; `at` is called with the time before every wait."""

    def __init__(self, at: Callable[[float], None] = lambda _: None) -> None:
        self.time_s = 0.0
        self.at = at

    @property
    def clock(self) -> Clock:
        return Clock(now=lambda: self.time_s, wait=self.wait)

    def wait(self, seconds: float) -> None:
        self.at(self.time_s)
        self.time_s += seconds


class Recorder:
    """An outlet that notes what it is shown; `failing_at` makes that step a broken pipe."""

    def __init__(self, failing_at: int | None = None) -> None:
        self.failing_at = failing_at
        self.places: list[Place] = []
        self.ended: list[bool] = []

    def begin(self, monitor: Monitor, place: Place) -> None:  # noqa: ARG002
        self.places.append(place)

    def step(self, monitor: Monitor, step: Step, place: Place) -> None:  # noqa: ARG002
        self.places.append(place)
        if self.failing_at is not None and len(self.places) > self.failing_at:
            raise BrokenPipeError

    def end(self, monitor: Monitor, counts: LogCounts, *, complete: bool) -> None:  # noqa: ARG002
        self.ended.append(complete)

    def close(self) -> None:
        """Nothing was taken."""


def results(folder: Path) -> dict[str, Any]:
    summary = strict((folder / SUMMARY).read_text(encoding="utf-8"))
    return {"alerts": read_lines(folder / ALERTS), "laps": read_lines(folder / LAPS), "summary": summary}


def run(log: Path, out: Path, pace: float | None = None, **rest: Any) -> dict[str, Any]:
    code = replay(log, EVENTFUL, Recorder(), ReplayOptions(pace, out, **rest), HandClock().clock)
    assert code == 0
    return results(out)


def test_the_same_at_any_pace(tmp_path: Path) -> None:
    log = eventful_log(tmp_path)
    as_fast_as_possible = run(log, tmp_path / "max")
    assert len(as_fast_as_possible["alerts"]) > 20
    for pace in (0.5, 1.0, 20.0, 333.0):
        paced = run(log, tmp_path / str(pace), pace)
        assert paced["alerts"] == as_fast_as_possible["alerts"]
        assert len(paced["laps"]) == len(as_fast_as_possible["laps"])
        for mine, its in zip(paced["laps"], as_fast_as_possible["laps"], strict=True):
            assert mine["corners"]["FL"]["bump_stop"] == its["corners"]["FL"]["bump_stop"]
            assert mine["platform"] == its["platform"]
        assert paced["summary"]["samples_received"] == as_fast_as_possible["summary"]["samples_received"]


def test_a_log_gives_what_its_stream_gives(tmp_path: Path) -> None:
    """Through a file and the command's loop nothing is lost: the alerts are those of the stream itself."""
    found = run(eventful_log(tmp_path), tmp_path / "out")
    stream = records(EVENTFUL, eventful_stint(1))
    offset = stream["laps"][0]["first_sample"] - found["laps"][0]["first_sample"]
    names = ("time_s", "kind", "where", "change", "state", "announced", "lap", "occurrences")
    assert [[a[n] for n in names] for a in found["alerts"]] == [[a[n] for n in names] for a in stream["alerts"]]
    assert [a["sample"] + offset for a in found["alerts"]] == [a["sample"] for a in stream["alerts"]]
    assert [lap["kind"] for lap in found["laps"]] == [lap["kind"] for lap in stream["laps"]]


@pytest.mark.parametrize("pace", [1.0, 20.0])
def test_a_pace_takes_its_time(tmp_path: Path, pace: float) -> None:
    hand = HandClock()
    recorder = Recorder()
    replay(log_file(tmp_path), load_sheet(sheet_file(tmp_path)), recorder, ReplayOptions(pace), hand.clock)
    assert hand.time_s == pytest.approx(12.0 / pace)
    assert recorder.places[-1].time_s == pytest.approx(12.0)
    steps = [after.time_s - before.time_s for before, after in zip(recorder.places, recorder.places[1:], strict=False)]
    assert max(steps) <= pace / 20 + 0.0021
    assert recorder.ended == [True]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_the_run_in_order(tmp_path: Path, number: signal.Signals) -> None:
    def at(time_s: float) -> None:
        if time_s > 4.9:
            signal.raise_signal(number)

    recorder = Recorder()
    options = ReplayOptions(1.0, tmp_path / "out")
    before = signal.getsignal(number)
    sheet = load_sheet(sheet_file(tmp_path))
    code = replay(log_file(tmp_path), sheet, recorder, options, HandClock(at).clock)
    assert code == 128 + number
    assert signal.getsignal(number) == before
    found = results(tmp_path / "out")
    assert found["summary"]["complete"] is False
    assert 4.8 < found["summary"]["duration_s"] < 5.1
    assert [lap["kind"] for lap in found["laps"]] == ["out", "timed", "unfinished"]
    assert [alert["change"] for alert in found["alerts"]][:1] == ["occurs"]
    assert recorder.ended == [False]


def test_a_signal_in_a_long_gap_is_seen_soon(tmp_path: Path) -> None:
    lines = rows(1000)
    later = [f"{float(line.split(',')[0]) + 3600.0:.4f},{line.split(',', 1)[1]}" for line in lines[1:]]
    log = tmp_path / "log.csv"
    log.write_text("\n".join([*lines, *later]) + "\n")
    hand = HandClock(lambda time_s: signal.raise_signal(signal.SIGTERM) if time_s > 30.0 else None)
    assert replay(log, load_sheet(sheet_file(tmp_path)), Recorder(), ReplayOptions(1.0), hand.clock) == 143
    assert hand.time_s < 40.0


def test_a_second_interrupt_does_not_wait(tmp_path: Path) -> None:
    def at(time_s: float) -> None:
        if time_s > 1.0:
            signal.raise_signal(signal.SIGINT)
            signal.raise_signal(signal.SIGINT)

    with pytest.raises(KeyboardInterrupt):
        replay(
            log_file(tmp_path), load_sheet(sheet_file(tmp_path)), Recorder(), ReplayOptions(1.0), HandClock(at).clock
        )


@pytest.mark.parametrize("failing_at", [1, 5, 10_000])
def test_when_nobody_looks_any_more_results_are_whole(tmp_path: Path, failing_at: int) -> None:
    recorder = Recorder(failing_at)
    sheet = load_sheet(sheet_file(tmp_path))
    options = ReplayOptions(20.0, tmp_path / "out")
    if failing_at < 100:
        with pytest.raises(BrokenPipeError):
            replay(log_file(tmp_path), sheet, recorder, options, HandClock().clock)
        assert len(recorder.places) == failing_at + 1
    else:
        assert replay(log_file(tmp_path), sheet, recorder, options, HandClock().clock) == 0
    assert results(tmp_path / "out")["summary"]["complete"] is (failing_at > 100)


# ---------------------------------------------------------------- faults in the log


def test_a_csv_that_turns_bad_gives_all_before_it(tmp_path: Path) -> None:
    lines = rows(5000)
    good = tmp_path / "good.csv"
    good.write_text("\n".join(lines[:3001]) + "\n")
    bad = tmp_path / "bad.csv"
    bad.write_bytes(("\n".join(lines[:3001]) + "\n").encode() + b'"' + b"x" * 9_000_000)
    sheet = load_sheet(sheet_file(tmp_path))
    assert replay(good, sheet, Recorder(), ReplayOptions(None, tmp_path / "a"), HandClock().clock) == 0
    recorder = Recorder()
    with pytest.raises(LogError):
        replay(bad, sheet, recorder, ReplayOptions(None, tmp_path / "b"), HandClock().clock)
    expected, found = results(tmp_path / "a"), results(tmp_path / "b")
    assert found["alerts"] == expected["alerts"] != []
    assert found["laps"] == expected["laps"]
    assert (expected["summary"]["complete"], found["summary"]["complete"]) == (True, False)
    assert recorder.ended == [False]


def test_a_parquet_that_is_corrupt_in_the_middle_gives_all_before_it(tmp_path: Path) -> None:
    csv = log_file(tmp_path, 70_000)
    table = pyarrow.csv.read_csv(csv)
    whole = tmp_path / "log.parquet"
    pq.write_table(table, whole, row_group_size=32_768, compression="zstd")
    group = pq.ParquetFile(whole).metadata.row_group(1)
    content = bytearray(whole.read_bytes())
    start = min(group.column(n).dictionary_page_offset or group.column(n).data_page_offset for n in range(6))
    content[start : start + 4000] = b"\xff" * 4000
    bad = tmp_path / "bad.parquet"
    bad.write_bytes(content)
    with pytest.raises(LogError):
        replay(bad, load_sheet(sheet_file(tmp_path)), Recorder(), ReplayOptions(None, tmp_path / "b"), Clock())
    found = results(tmp_path / "b")
    assert found["summary"]["complete"] is False
    assert found["summary"]["samples_received"] == 32_768
    assert [alert["change"] for alert in found["alerts"]][:1] == ["occurs"]


def test_a_truncated_parquet_is_refused_and_makes_no_results(tmp_path: Path) -> None:
    pq.write_table(pa.table({"time": [0.0]}), tmp_path / "log.parquet")
    content = (tmp_path / "log.parquet").read_bytes()
    (tmp_path / "log.parquet").write_bytes(content[: len(content) // 2])
    with pytest.raises(LogError):
        replay(
            tmp_path / "log.parquet",
            load_sheet(sheet_file(tmp_path)),
            Recorder(),
            ReplayOptions(None, tmp_path / "b"),
            Clock(),
        )
    assert not (tmp_path / "b").exists()


# ---------------------------------------------------------------- results and reference


def test_a_reference_that_cannot_be_used_stops_before_anything_is_written(tmp_path: Path) -> None:
    options = ReplayOptions(None, tmp_path / "out", reference=tmp_path / "absent")
    with pytest.raises(ResultsError):
        replay(log_file(tmp_path), load_sheet(sheet_file(tmp_path)), Recorder(), options, Clock())
    assert not (tmp_path / "out").exists()


def test_a_stint_is_its_own_reference(tmp_path: Path) -> None:
    """Taken out of itself, a stint's asymmetry is gone."""
    log = eventful_log(tmp_path)
    first = run(log, tmp_path / "first")
    again = run(log, tmp_path / "again", reference=tmp_path / "first")
    assert again["summary"]["reference"] == str(tmp_path / "first")
    assert again["summary"]["asymmetry"] == first["summary"]["asymmetry"]
    for alert in again["alerts"]:
        if alert["kind"] == "asymmetry" and alert["change"] == "occurs":
            assert "beyond the reference" in alert["sentence"]


def test_a_reference_whose_name_is_no_text_is_noted_all_the_same(tmp_path: Path) -> None:
    log = eventful_log(tmp_path)
    run(log, tmp_path / "first")
    strange = Path(str(tmp_path / "first") + "-\udcff")
    (tmp_path / "first").rename(strange)
    again = run(log, tmp_path / "again", reference=strange)
    assert "\udcff" not in again["summary"]["reference"]


def test_a_reference_reaches_board_and_lines(tmp_path: Path) -> None:
    """Both say from the first on what left and right are held against, and that the sheet has changed since."""
    log, sheet = log_file(tmp_path), load_sheet(sheet_file(tmp_path))
    assert replay(log, sheet, Recorder(), ReplayOptions(None, tmp_path / "ref"), HandClock().clock) == 0
    changed = load_sheet(sheet_file(tmp_path, CAR + "# changed\n", "changed.toml"))
    options = ReplayOptions(reference=tmp_path / "ref")
    for one, notes in ((sheet, 0), (changed, 1)):
        written: list[str] = []
        picture = tmp_path / f"{notes}.svg"
        outlet = PictureOutlet(PlainOutlet(written.append), picture, None)
        assert replay(log, one, outlet, options, HandClock().clock) == 0
        assert "less the reference, limit 8 %" in written[0]
        assert sum("another version of the car sheet" in line for line in written) == notes
        assert "less&#160;reference,&#160;limit&#160;±8&#160;%" in picture.read_text(encoding="utf-8")


def test_a_reference_of_another_car_is_refused(tmp_path: Path) -> None:
    log, sheet = log_file(tmp_path), load_sheet(sheet_file(tmp_path))
    replay(log, sheet, Recorder(), ReplayOptions(None, tmp_path / "ref"), HandClock().clock)
    other = load_sheet(sheet_file(tmp_path, CAR.replace("Test mule", "Other mule"), "other.toml"))
    with pytest.raises(ResultsError, match="of the car Test mule, but the sheet is of Other mule"):
        replay(log, other, Recorder(), ReplayOptions(reference=tmp_path / "ref"), HandClock().clock)


def test_a_journal_lets_the_next_run_go_on_where_this_one_stood(tmp_path: Path) -> None:
    log = eventful_log(tmp_path)
    kept = tmp_path / "alarms.journal"
    first, second = Recorder(), Recorder()
    replay(log, EVENTFUL, first, ReplayOptions(None, tmp_path / "one", journal=kept), HandClock().clock)
    stood = strict((tmp_path / "one" / SUMMARY).read_text())["alerts"]["standing"]
    assert stood
    replay(log, EVENTFUL, second, ReplayOptions(None, tmp_path / "two", journal=kept), HandClock().clock)
    assert any("of the run before stand again" in note for note in second.places[0].notes)
    assert not any("stand again" in note for note in first.places[0].notes)
    again = strict((tmp_path / "two" / SUMMARY).read_text())["alerts"]["standing"]
    occurrences = {(one["kind"], one["where"]): one["occurrences"] for one in stood}
    more = [one["occurrences"] - occurrences.get((one["kind"], one["where"]), 0) for one in again]
    assert min(more) >= 0  # what never cleared did not occur again
    assert max(more) > 0


def test_another_cars_journal_stops_the_run_before_it_begins(tmp_path: Path) -> None:
    Journal.open(tmp_path / "other.journal", "Another car").close()
    options = ReplayOptions(journal=tmp_path / "other.journal")
    with pytest.raises(JournalError, match="is the journal of Another car"):
        replay(eventful_log(tmp_path), EVENTFUL, Recorder(), options, HandClock().clock)
