"""The results directory: whole lines, null for what is not known, nothing overwritten unasked, errors in one line."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.monitor import Monitor
from console.describe import Context
from console.results import ALERTS, LAPS, SUMMARY, ResultsWriter, dump
from ingest.errors import ResultsError
from ingest.log_counts import LogCounts
from tests.console.logs import read_lines, strict
from tests.eventful import EVENTFUL_RATE, ROLES, eventful_sheet, eventful_stint


def write_stint(folder: Path, *, overwrite: bool = False) -> Monitor:
    monitor = Monitor(eventful_sheet(), EVENTFUL_RATE, ROLES)
    writer = ResultsWriter(folder, overwrite=overwrite)
    for one in [*eventful_stint(1), None]:
        step = monitor.finish() if one is None else monitor.process(one)
        for transition in step.transitions:
            writer.transition(transition)
        for lap in step.laps:
            writer.lap(lap, Context.of(monitor))
    write_summary(writer, monitor)
    writer.close()
    return monitor


def write_summary(writer: ResultsWriter, monitor: Monitor) -> None:
    writer.summary(monitor, LogCounts(), source="a", complete=True, version="1", reference=None)


def test_files_are_valid_and_agree(tmp_path: Path) -> None:
    monitor = write_stint(tmp_path / "deep" / "results")
    folder = tmp_path / "deep" / "results"
    assert sorted(path.name for path in folder.iterdir()) == sorted([ALERTS, LAPS, SUMMARY])
    alerts, laps = read_lines(folder / ALERTS), read_lines(folder / LAPS)
    summary = strict((folder / SUMMARY).read_text(encoding="utf-8"))
    assert [alert["sequence"] for alert in alerts] == list(range(1, len(alerts) + 1))
    assert sum(alert["announced"] for alert in alerts) == summary["alerts"]["announced"] == monitor.announced
    assert [lap["index"] for lap in laps] == list(range(summary["laps"]))
    assert summary["format_version"] == 1
    assert summary["complete"] is True


def test_a_line_is_on_disk_as_soon_as_it_is_written(tmp_path: Path) -> None:
    monitor = Monitor(eventful_sheet(), EVENTFUL_RATE, ROLES)
    writer = ResultsWriter(tmp_path)
    written = 0
    for one in eventful_stint(1):
        for transition in monitor.process(one).transitions:
            writer.transition(transition)
            written += 1
            assert len(read_lines(tmp_path / ALERTS)) == written
    assert written > 5
    writer.close()
    writer.close()


@pytest.mark.parametrize("name", [ALERTS, LAPS, SUMMARY])
def test_earlier_results_are_refused_and_left_alone(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("earlier")
    with pytest.raises(ResultsError, match=f"already holds {name}.*--overwrite"):
        ResultsWriter(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "earlier"


def test_overwrite_replaces_all_of_them_and_nothing_else(tmp_path: Path) -> None:
    for name in (ALERTS, LAPS, SUMMARY, "notes.txt"):
        (tmp_path / name).write_text("earlier")
    ResultsWriter(tmp_path, overwrite=True).close()
    # An earlier summary must not stand beside a new run that has none yet.
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([ALERTS, LAPS, "notes.txt"])
    assert (tmp_path / "notes.txt").read_text() == "earlier"
    assert (tmp_path / ALERTS).read_text() == ""


def unusable(tmp_path: Path, case: str) -> Path:
    (tmp_path / "file").write_text("")
    return {
        "a file": tmp_path / "file",
        "inside a file": tmp_path / "file" / "results",
        "too long": tmp_path / ("x" * 300),
        "no such root": Path("/proc/nowhere/results"),
        "a directory in the place of a file": tmp_path / "taken",
    }[case]


@pytest.mark.parametrize(
    "case", ["a file", "inside a file", "too long", "no such root", "a directory in the place of a file"]
)
def test_a_directory_that_cannot_be_used_is_one_line(tmp_path: Path, case: str) -> None:
    if case.startswith("a directory"):
        (tmp_path / "taken" / ALERTS).mkdir(parents=True)
    with pytest.raises(ResultsError) as caught:
        ResultsWriter(unusable(tmp_path, case), overwrite=True)
    message = str(caught.value)
    assert "results can't be written: " in message
    assert "\n" not in message


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_directory_without_permission_is_one_line(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(ResultsError, match="results can't be written"):
        ResultsWriter(tmp_path / "results")


class FullDisk:
    """A file on a disk that is full: whatever is buffered can be neither flushed nor dropped by closing."""

    def __init__(self, *, when: str) -> None:
        self.when = when

    def write(self, text: str) -> int:
        if self.when == "write":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return len(text)

    def flush(self) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def close(self) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def fileno(self) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def __enter__(self) -> FullDisk:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@pytest.mark.parametrize("when", ["write", "flush"])
def test_a_full_disk_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, when: str) -> None:
    monitor = Monitor(eventful_sheet(), EVENTFUL_RATE, ROLES)
    step = monitor.process(eventful_stint(1)[0])
    monkeypatch.setattr(Path, "open", lambda *_, **__: FullDisk(when=when))
    writer = ResultsWriter(tmp_path)
    with pytest.raises(ResultsError, match="No space left on device"):
        writer.transition(step.transitions[0])
    with pytest.raises(ResultsError, match="No space left on device"):
        writer.lap(step.laps[0], Context.of(monitor))
    with pytest.raises(ResultsError, match="No space left on device"):
        write_summary(writer, monitor)
    writer.close()


def test_a_summary_that_fails_leaves_no_summary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monitor = Monitor(eventful_sheet(), EVENTFUL_RATE, ROLES)
    monitor.process(eventful_stint(1)[0])
    writer = ResultsWriter(tmp_path)

    def refuse(_: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(ResultsError):
        write_summary(writer, monitor)
    writer.close()
    assert sorted(path.name for path in tmp_path.iterdir()) == [ALERTS, LAPS]


# ---------------------------------------------------------------- JSON


def test_what_is_not_known_is_null() -> None:
    record = {
        "a": float("nan"),
        "b": [float("inf"), -float("inf"), 1.5],
        "c": np.array([np.nan, 2.0]),
        "d": np.int64(3),
        "e": np.float64(np.nan),
        "f": {"g": (None, True, "x")},
        "h": np.array([4, 5]),
        "i": np.bool_(True),
    }
    assert strict(dump(record)) == {
        "a": None,
        "b": [None, None, 1.5],
        "c": [None, 2.0],
        "d": 3,
        "e": None,
        "f": {"g": [None, True, "x"]},
        "h": [4, 5],
        "i": True,
    }


Values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=12,
)


@given(Values)
def test_every_record_is_one_line_of_valid_json(record: Any) -> None:
    text = dump(record)
    assert "\n" not in text
    strict(text)


def test_numbers_come_back_as_they_were() -> None:
    value = 0.1 + 0.2
    assert json.loads(dump({"a": value}))["a"] == value
