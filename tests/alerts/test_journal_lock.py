"""One journal has one monitor: a second is refused while the first lives, and let in the moment it is gone."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from alerts.journal import Journal
from ingest.errors import JournalError
from tests.alerts.test_journal import ALARM, CAR, low, monitor, noted
from tests.monitored import chunk

ROOT = Path(__file__).parents[2]
HOLDER = """
import sys
from pathlib import Path
from alerts.journal import Journal

journal = Journal.open(Path(sys.argv[1]), sys.argv[2])
print("open", flush=True)
sys.stdin.read()
"""


@contextmanager
def another_process(path: Path) -> Iterator[subprocess.Popen[str]]:
    """A process that has the journal open, until the end of its input or its own."""
    command = [sys.executable, "-c", HOLDER, str(path), CAR]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "open\n"
        try:
            yield process
        finally:
            process.kill()


@pytest.mark.parametrize("end", ["kill -9", "its end"])
def test_a_second_process_is_refused_until_the_first_is_gone(tmp_path: Path, end: str) -> None:
    path = tmp_path / "a.journal"
    with another_process(path) as first:
        before = path.read_bytes()
        for _ in range(2):
            with pytest.raises(JournalError, match=r"a\.journal: is in use by another damperwatch; stop that one, or"):
                Journal.open(path, CAR)
        assert path.read_bytes() == before
        if end == "kill -9":
            first.kill()
        else:
            assert first.stdin is not None
            first.stdin.close()
        first.wait(20.0)
        Journal.open(path, CAR).close()


def test_in_one_process_too_and_closed_it_is_free(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    first = Journal.open(path, CAR)
    with pytest.raises(JournalError, match="in use"):
        Journal.open(path, CAR)
    first.close()
    first.close()
    second = Journal.open(path, CAR)
    with pytest.raises(JournalError, match="in use"):
        Journal.open(path, CAR)
    second.close()


def test_the_lock_lives_through_a_file_that_is_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("alerts.journal._LONGEST_BYTES", 1)
    path = tmp_path / "a.journal"
    journal, watched = Journal.open(path, CAR), monitor()
    noted(journal, watched, watched.process(chunk(low(1000, (500, 900)))))
    noted(journal, watched, watched.act(ALARM, "acknowledge", "Kim"))
    assert len(path.read_bytes().splitlines()) == 2  # a whole new file
    with pytest.raises(JournalError, match="in use"):
        Journal.open(path, CAR)
    journal.close()


def test_what_was_closed_writes_no_more(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    journal, watched = Journal.open(path, CAR), monitor()
    journal.close()
    before = path.read_bytes()
    noted(journal, watched, watched.process(chunk(low(1000, (500, 900)))))
    assert path.read_bytes() == before


def test_a_refusal_for_another_reason_holds_nothing(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    Journal.open(path, CAR).close()
    with pytest.raises(JournalError, match="is the journal of Test mule"):
        Journal.open(path, "Lapwing")
    Journal.open(path, CAR).close()


@pytest.mark.skipif(sys.platform == "win32", reason="links need a privilege there")
def test_a_link_to_a_journal_is_the_same_journal_and_stays_a_link(tmp_path: Path) -> None:
    path, link = tmp_path / "a.journal", tmp_path / "link"
    link.symlink_to(path)
    first = Journal.open(link, CAR)
    with pytest.raises(JournalError, match="in use"):
        Journal.open(path, CAR)
    first.close()
    assert link.is_symlink()
    assert path.read_bytes()
