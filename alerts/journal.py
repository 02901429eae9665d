"""The journal of the alarms: what stands, who acknowledged it, and what delays and shelves have left, kept on disk.

In: the engine's changes, step by step. Out: a file of lines, each a CRC-32 and a JSON value, and from it at the next
start everything that must outlive the program. A line is on the disk before its step is shown to anybody. A torn or
damaged line ends what is believed; nothing is appended to such a file, a whole new one takes its place. A disk that
fails stops nothing: `fault` says so, and the next note tries again. Sample time only: clocks play no part.
"""

from __future__ import annotations

import json
import os
import zlib
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import IO, Any, Self

from alerts.alert import Evidence, Memory, Remembered
from alerts.lifecycle import Input, Life, State
from alerts.monitor import Monitor, Step
from ingest.errors import JournalError
from ingest.text import clean

FORMAT = "damperwatch journal"
FORMAT_VERSION = 1
# Some thousand changes; beyond, a snapshot of what stands (a few kB) takes the file's place.
_LONGEST_BYTES = 1_000_000
_LARGEST_READ = 64_000_000  # no journal of ours grows so large
_MARK_EVERY_S = 1.0  # while a delay or a shelf runs, its time left is known to this


class Journal:
    """One car's journal, open for writing.

    Use `Journal.open`; then `restore_into` before the monitor's first sample, `note` after every step.
    """

    def __init__(self, path: Path, car: str, memory: Memory | None, opened: Callable[[Path], IO[bytes]]) -> None:
        self._path = path
        self._car = car
        self._memory = memory
        self._open = opened
        self._file: IO[bytes] | None = None
        self._marked = 0
        self._bytes = 0
        # What is wrong with the disk, in words; None while all is well.
        self.fault: str | None = None

    @classmethod
    def open(cls, path: Path, car: str, opened: Callable[[Path], IO[bytes]] | None = None) -> Self:
        """Read what a former run left at `path`, if anything, and get ready to go on from it.

        Raises
        ------
        JournalError
            The file is no journal, is another car's, or can't be read or written.
        """
        shown = clean(path, 200)
        try:
            content = path.read_bytes() if path.exists() else b""
        except OSError as error:
            raise JournalError(f"{shown}: can't be read: {clean(error.strerror or error)}") from None
        if len(content) > _LARGEST_READ:
            raise JournalError(f"{shown}: is no journal of alarms; name another file with --journal")
        memory = _read(content, clean(car, 80), shown)
        journal = cls(path, clean(car, 80), memory, opened or _opened)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            journal._rewrite(memory)
        except OSError as error:
            raise JournalError(f"{shown}: can't be written: {clean(error.strerror or error)}") from None
        return journal

    @property
    def holds_alarms(self) -> bool:
        """Whether a former run left anything."""
        return self._memory is not None and bool(self._memory.alarms)

    def restore_into(self, monitor: Monitor) -> list[tuple[str, str]]:
        """Give a monitor, before its first sample, what was left; returns the keys that its sheet has no alarm for."""
        if self._memory is None:
            return []
        return monitor.restore(self._memory)

    def note(self, step: Step, monitor: Monitor) -> None:  # noqa: ARG002
        """Put on the disk what a step changed; does nothing for a step that changed nothing. Never raises."""
        engine = monitor.engine
        changed = engine.take_changed()
        now = engine.newest_sample
        try:
            if self._file is None:
                self._rewrite(engine.remember())
            elif changed:
                self._append(engine.remember(changed), sync=True)
            elif engine.timers_run and now - self._marked >= _MARK_EVERY_S * monitor.pipeline.rate_hz:
                self._append(engine.remember([]), sync=False)
            else:
                return
            self._marked = now
            if self._bytes > _LONGEST_BYTES:
                self._rewrite(engine.remember())
            self.fault = None
        except OSError as error:
            self._give_up()
            self.fault = f"alarms are not kept over a restart: {clean(error.strerror or error, 80)}"

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        if self._file is not None:
            with suppress(OSError):
                self._file.close()
            self._file = None

    def _append(self, memory: Memory, *, sync: bool) -> None:
        assert self._file is not None
        line = _line(_plain(memory))
        self._file.write(line)
        self._file.flush()
        if sync:
            os.fsync(self._file.fileno())
        self._bytes += len(line)

    def _rewrite(self, memory: Memory | None) -> None:
        """Put a new file with all that stands in the old one's place, at once or not at all."""
        temporary = self._path.with_name(self._path.name + ".part")
        self.close()
        self._file = self._open(temporary)
        header = _line({"format": FORMAT, "format_version": FORMAT_VERSION, "car": self._car})
        self._file.write(header)
        self._bytes = len(header)
        if memory is None:
            self._file.flush()
            os.fsync(self._file.fileno())
        else:
            self._append(memory, sync=True)
        temporary.replace(self._path)
        _sync_directory(self._path.parent)

    def _give_up(self) -> None:
        """Leave a file that failed as it is: the next note writes a whole new one."""
        self.close()


def _opened(path: Path) -> IO[bytes]:
    return path.open("wb")


def _sync_directory(directory: Path) -> None:
    """Make a rename last; where directories can't be synced the system does it in its own time."""
    with suppress(OSError):
        descriptor = os.open(directory, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _line(record: dict[str, Any]) -> bytes:
    # An Infinity is no JSON elsewhere; this file has one reader.
    text = json.dumps(record, ensure_ascii=True, separators=(",", ":")).encode()
    return b"%08x %s\n" % (zlib.crc32(text), text)


def _records(content: bytes) -> list[dict[str, Any]]:
    """The lines that are whole, up to the first that is not."""
    found = []
    for line in content.split(b"\n")[:-1]:  # what follows the last line end is torn, or nothing
        head, _, text = line.partition(b" ")
        if head != b"%08x" % zlib.crc32(text):
            break
        try:
            record = json.loads(text)
        except (ValueError, RecursionError):
            break
        if not isinstance(record, dict):
            break
        found.append(record)
    return found


def _read(content: bytes, car: str, shown: str) -> Memory | None:
    records = _records(content)
    if not records:
        if b"\n" in content:
            raise JournalError(f"{shown}: is no journal of alarms; name another file with --journal")
        return None  # a file that was being begun when the power went
    header = records[0]
    if header.get("format") != FORMAT or header.get("format_version") != FORMAT_VERSION:
        raise JournalError(f"{shown}: is no journal that this version can read; name another file with --journal")
    if header.get("car") != car:
        other = clean(header.get("car", ""), 80)
        raise JournalError(f"{shown}: is the journal of {other}, not of {car}; name another file with --journal")
    memory: Memory | None = None
    alarms: dict[tuple[str, str], Remembered] = {}
    for record in records[1:]:
        try:
            newest = _memory(record)
        except (KeyError, TypeError, ValueError):
            break  # whole, but not of this version's making
        alarms |= {alarm.key: alarm for alarm in newest.alarms}
        memory = newest
    if memory is None:
        return None
    return Memory(memory.now, memory.rate_hz, memory.sequence, tuple(alarms.values()))


def _plain(memory: Memory) -> dict[str, Any]:
    return asdict(memory)


def _memory(record: dict[str, Any]) -> Memory:
    alarms = tuple(_remembered(alarm) for alarm in record["alarms"])
    rate_hz = float(record["rate_hz"])
    if not rate_hz > 0.0:
        raise ValueError("no rate")
    return Memory(int(record["now"]), rate_hz, int(record["sequence"]), alarms)


def _remembered(record: dict[str, Any]) -> Remembered:
    values = dict(record)
    kind, where = values["key"]
    values["key"] = (clean(kind, 80), clean(where, 80))
    values["life"] = Life(**(values["life"] | {"state": State(values["life"]["state"])}))
    values["evidence"] = _evidence(values["evidence"])
    values["told"] = tuple(Evidence(**told) for told in values["told"])
    values["pending"] = None if values["pending"] is None else Input(values["pending"])
    values["pending_evidence"] = _evidence(values["pending_evidence"])
    values["who"] = clean(values["who"], 40)
    return Remembered(**values)


def _evidence(record: dict[str, Any] | None) -> Evidence | None:
    return None if record is None else Evidence(**record)
