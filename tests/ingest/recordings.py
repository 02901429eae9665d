"""Makes recordings whose blocks are known, and disks that fail."""

from __future__ import annotations

import errno
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from ingest.inbox import Received
from ingest.recording import Clock, Recorder
from ingest.recording_block import HEAD_BYTES, unpack_head
from ingest.recording_file import DiskFile
from ingest.recording_reader import Entry, open_recording

WALL_NS = 1_741_943_700 * 10**9
HEADER: dict[str, object] = {"car": "Test mule", "sheet_sha256": "0" * 64}


@dataclass
class ManualClock:
    """Time that passes when it is told to."""

    now_ns: int = 1_000_000_000

    def clock(self) -> Clock:
        return Clock(lambda: self.now_ns, lambda: WALL_NS + self.now_ns)


def received(payload: bytes, at_ns: int = 1_000_000_000) -> Received:
    return Received(payload, at_ns, WALL_NS + at_ns)


def numbered(number: int, length: int = 300) -> bytes:
    """A payload that tells its number and is different all along."""
    text = b"%08d." % number
    return (text * (length // len(text) + 1))[:length]


def record(directory: Path, payloads: list[bytes], *, close: bool = True) -> Path:
    """Record payloads, one a millisecond; returns the file."""
    recorder = Recorder(directory, HEADER, ManualClock().clock(), sync_every_s=60.0)
    for number, payload in enumerate(payloads):
        recorder.write(received(payload, 1_000_000_000 + number * 1_000_000))
    if not close:
        path = recorder.status().path
        assert path is not None
        copy = path.with_name("copy-" + path.name)
        copy.write_bytes(path.read_bytes())
        recorder.close()
        return copy
    recorder.close()
    path = recorder.status().path
    assert path is not None
    return path


def entries(path: Path) -> list[Entry]:
    with open_recording(path) as recording:
        return list(recording)


def payloads_in(path: Path) -> list[bytes]:
    return [entry.payload for entry in entries(path) if entry.kind == "data"]


def all_payloads(*directories: Path) -> list[bytes]:
    """Over all files of a run."""
    paths = [path for directory in directories for path in directory.glob("*.dwrec*") if path.stat().st_size]
    found = []
    for path in paths:
        with open_recording(path) as recording:
            found.append((recording.header["file"], [e.payload for e in recording if e.kind == "data"]))
    return [payload for _, payloads in sorted(found, key=lambda pair: str(pair[0]).zfill(6)) for payload in payloads]


def block_spans(content: bytes) -> list[tuple[int, int]]:
    """Where each block of an undamaged recording begins and ends."""
    spans = []
    position = 0
    while position < len(content):
        head = unpack_head(content[position : position + HEAD_BYTES])
        assert head is not None
        end = position + HEAD_BYTES + head.length
        spans.append((position, end))
        position = end
    return spans


@dataclass
class BadDisk:
    """Makes files that fail as told: `fails(path, what, nth)` gives an errno or 0, for "open", "write", "sync"."""

    fails: Callable[[Path, str, int], int]
    opened: list[Path] = field(default_factory=list)
    calls: list[tuple[str, str]] = field(default_factory=list)

    def __call__(self, path: Path) -> _BadFile:
        self.opened.append(path)
        self.check(path, "open", 0)
        return _BadFile(path, self)

    def check(self, path: Path, what: str, nth: int) -> None:
        self.calls.append((path.name, what))
        number = self.fails(path, what, nth)
        if number:
            raise OSError(number, errno.errorcode[number])


class _BadFile:
    def __init__(self, path: Path, disk: BadDisk) -> None:
        self._path, self._disk = path, disk
        self._file = DiskFile(path)
        self._writes = self._syncs = 0

    def write(self, data: bytes) -> None:
        self._writes += 1
        try:
            self._disk.check(self._path, "write", self._writes)
        except OSError:
            self._file.write(data[: len(data) // 2])  # a full disk takes part of it
            raise
        self._file.write(data)

    def sync(self) -> None:
        self._syncs += 1
        self._disk.check(self._path, "sync", self._syncs)
        self._file.sync()

    def close(self) -> None:
        self._disk.check(self._path, "close", 1)
        self._file.close()
