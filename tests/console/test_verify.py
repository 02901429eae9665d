"""`damperwatch verify`: the verdict, what is wrong and where, exit codes, and the same as JSON."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.recording_block import HEAD_BYTES
from tests.console.logs import log_file, strict
from tests.console.test_cli import Run, check_refused, run
from tests.ingest.recordings import block_spans, numbered, record

__all__ = ["run"]


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    return record(tmp_path, [numbered(n) for n in range(50)])


def test_a_clean_recording(run: Run, recording: Path) -> None:
    before = recording.read_bytes()
    done = run("verify", recording)
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert lines[0] == f"{recording}: clean"
    assert lines[1].startswith("  50 payloads (15000 bytes), 1 events, 1 header; file of ")
    assert lines[2] == "  from 2025-03-14T09:15:01.000+00:00 to 2025-03-14T09:15:01.049+00:00, longest silence 0.001 s"
    assert "car Test mule" in lines[3]
    assert len(lines) == 4
    assert recording.read_bytes() == before


def test_a_damaged_recording(run: Run, recording: Path) -> None:
    content = bytearray(recording.read_bytes())
    spans = block_spans(bytes(content))
    content[spans[10][0] + HEAD_BYTES] ^= 1
    content[spans[11][0]] ^= 1
    recording.write_bytes(content[:-5])
    done = run("verify", recording)
    assert (done.returncode, done.stderr) == (1, "")
    assert done.stdout.splitlines()[0] == f"{recording}: damaged"
    for line in (
        f"  first bad byte at offset {spans[10][0]}",
        f"  {spans[11][1] - spans[10][0]} bytes in 1 place are no whole block and were passed over",
        "  2 blocks are missing: sequence 10 to 11",
        f"  torn tail: the last {spans[-1][1] - spans[-1][0] - 5} bytes are no whole block",
        "  the end is missing: the file was cut, or renamed before it was closed",
    ):
        assert line in done.stdout.splitlines()


def test_as_json(run: Run, recording: Path) -> None:
    done = run("verify", recording, "--json")
    assert done.returncode == 0
    record_ = strict(done.stdout)
    assert (record_["verdict"], record_["closed"], record_["damage"]["first_bad_offset"]) == ("clean", True, None)
    assert record_["blocks"] == {"header": 1, "data": 50, "event": 1}
    recording.write_bytes(recording.read_bytes()[:5000])
    done = run("verify", recording, "--json")
    assert done.returncode == 1
    damage = strict(done.stdout)["damage"]
    assert damage["torn_tail_bytes"] > 0
    assert damage["first_bad_offset"] + damage["torn_tail_bytes"] == 5000
    assert damage["end_lost"] is True


def test_a_recording_that_was_not_closed_is_clean(run: Run, tmp_path: Path) -> None:
    path = record(tmp_path, [numbered(0)], close=False)
    done = run("verify", path)
    assert done.returncode == 0
    assert done.stdout.splitlines()[0] == f"{path}: clean, not closed (its run was killed, or still goes on)"


def test_hostile_headers_are_shown_safely(run: Run, recording: Path) -> None:
    from ingest.recording import Recorder

    recorder = Recorder(recording.parent / "hostile", {"car": "x\x1b[2J\x07[bold]"})
    recorder.close()
    path = recorder.status().path
    assert path is not None
    done = run("verify", path)
    assert done.returncode == 0
    assert all(line.isprintable() for line in done.stdout.splitlines())
    assert run("verify", path, "--json").stdout.replace("\n", "").isprintable()


@pytest.mark.parametrize("what", ["log", "absent", "directory", "empty"])
def test_what_is_no_recording(run: Run, tmp_path: Path, what: str) -> None:
    path = tmp_path / "run.dwrec"
    if what == "log":
        path = log_file(tmp_path, 10)
    elif what == "directory":
        path.mkdir()
    elif what == "empty":
        path.touch()
    check_refused(run("verify", path))
