"""The journal of the alarms: what stands, who acknowledged it, and what delays and shelves have left, kept on disk.

In: the engine's changes, step by step. Out: a file of lines, each a CRC-32 and a JSON value, and from it at the next
start everything that must outlive the program. A line is on the disk before its step is shown to anybody. A torn or
damaged line ends what is believed; nothing is appended to such a file, a whole new one takes its place. A disk that
fails stops nothing: `fault` says so, and the next note tries again. Sample time only: clocks play no part. A journal
has one writer: a second monitor is refused for as long as the first one lives, and not a moment longer.
"""

from __future__ import annotations

import json
import math
import os
import zlib
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import IO, Any, Self

from alerts.alert import Evidence, Memory, Remembered
from alerts.journal_lock import InUse, JournalLock
from alerts.lifecycle import Input, Life, State
from alerts.monitor import Monitor, Step
from ingest.errors import JournalError
from ingest.text import clean

FORMAT = "damperwatch journal"
FORMAT_VERSION = 1
# Some thousand changes; beyond, a snapshot of what stands (a few kB) takes the file's place.
_LONGEST_BYTES = 1_000_000
_LARGEST_READ = 64_000_000  # no journal of ours grows so large
_NO_SAMPLE = 2**53  # samples stay exact when they are scaled to another rate
_SLOWEST_HZ, _FASTEST_HZ = 1e-3, 1e7
_LONGEST_TEXT = 1000
# What a delay may hold back, and whether it needs evidence.
_DELAYED = {Input.OCCURS: True, Input.WORSENS: True, Input.RETURNS: False}
_MARK_EVERY_S = 1.0  # while a delay or a shelf runs, its time left is known to this


class Journal:
    """One car's journal, open for writing.

    Use `Journal.open`; then `restore_into` before the monitor's first sample, `note` after every step.
    """

    def __init__(
        self, path: Path, car: str, memory: Memory | None, opened: Callable[[Path], IO[bytes]], lock: JournalLock
    ) -> None:
        self._path = path
        self._car = car
        self._memory = memory
        self._open = opened
        self._lock: JournalLock | None = lock
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
            The file is no journal, is another car's, is in use, or can't be read or written.
        """
        shown, car = clean(path, 200), clean(car, 80)
        # The file itself is replaced, so a link to it would be; and two names of one journal need one lock.
        path = Path(os.path.realpath(path))
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            lock = JournalLock(path)
        except InUse:
            raise JournalError(
                f"{shown}: is in use by another damperwatch; stop that one, or name another file with --journal"
            ) from None
        except OSError as error:
            raise JournalError(f"{shown}: can't be written: {clean(error.strerror or error)}") from None
        try:
            memory = _read(_content(path, shown), car, shown)
            journal = cls(path, car, memory, opened or _opened, lock)
            try:
                journal._rewrite(memory)
            except OSError as error:
                journal._leave()
                raise JournalError(f"{shown}: can't be written: {clean(error.strerror or error)}") from None
        except BaseException:
            lock.release()
            raise
        return journal

    def restore_into(self, monitor: Monitor) -> list[tuple[str, str]]:
        """Give a monitor, before its first sample, what was left; returns the keys that its sheet has no alarm for."""
        if self._memory is None:
            return []
        return monitor.restore(self._memory)

    def note(self, step: Step, monitor: Monitor) -> None:  # noqa: ARG002
        """Put on the disk what a step changed; does nothing for a step that changed nothing, or when closed.

        Never raises.
        """
        if self._lock is None:
            return  # the file may be another's by now
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
            self._leave()
            self.fault = f"alarms are not kept over a restart: {clean(error.strerror or error, 80)}"

    def close(self) -> None:
        """Close the file and let another have it; closing twice does no harm."""
        self._leave()
        if self._lock is not None:
            self._lock.release()
            self._lock = None

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
        self._leave()
        content = _line({"format": FORMAT, "format_version": FORMAT_VERSION, "car": self._car})
        if memory is not None:
            content += _line(_plain(memory))
        with self._open(temporary) as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(self._path)  # closed before, because not every system renames what is open
        _sync_directory(self._path.parent)
        self._file, self._bytes = self._path.open("ab"), len(content)

    def _leave(self) -> None:
        """Leave the file as it is: the next note writes a whole new one."""
        if self._file is not None:
            with suppress(OSError):
                self._file.close()
            self._file = None


def _content(path: Path, shown: str) -> bytes:
    try:
        content = path.read_bytes() if path.exists() else b""
    except OSError as error:
        raise JournalError(f"{shown}: can't be read: {clean(error.strerror or error)}") from None
    if len(content) > _LARGEST_READ:
        raise JournalError(f"{shown}: is no journal of alarms; name another file with --journal")
    return content


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
    text = json.dumps(record, ensure_ascii=True, separators=(",", ":"), default=_native).encode()
    return b"%08x %s\n" % (zlib.crc32(text), text)


def _native(value: Any) -> object:
    """A number of numpy's, should a rule have put one into its evidence, as a plain one."""
    return value.item()


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
        except (KeyError, TypeError, ValueError, AttributeError):
            break  # whole, but not of this version's making
        alarms |= {alarm.key: alarm for alarm in newest.alarms}
        memory = newest
    if memory is None:
        return None
    return Memory(memory.now, memory.rate_hz, memory.sequence, tuple(alarms.values()))


def _plain(memory: Memory) -> dict[str, Any]:
    return asdict(memory)


def _memory(record: dict[str, Any]) -> Memory:
    """A line's memory; ValueError, TypeError, KeyError or AttributeError when nobody can have written it."""
    rate_hz = _number(record["rate_hz"])
    if not _SLOWEST_HZ <= rate_hz <= _FASTEST_HZ:
        raise ValueError("no rate")
    alarms = tuple(_remembered(alarm) for alarm in record["alarms"])
    return Memory(_whole(record["now"]), rate_hz, _whole(record["sequence"]), alarms)


def _remembered(record: dict[str, Any]) -> Remembered:
    kind, where = record["key"]
    life = record["life"]
    due, pending_evidence = _sample(record["due"]), _evidence(record["pending_evidence"])
    pending = None if record["pending"] is None else Input(record["pending"])
    if (due is None) != (pending is None):
        raise ValueError("half a delay")
    if pending is not None and _DELAYED[pending] and pending_evidence is None:  # KeyError: nothing that could wait
        raise ValueError("a delay without its evidence")
    return Remembered(
        key=(_text(kind, 80), _text(where, 80)),
        life=Life(State(life["state"]), *(_bit(life[axis]) for axis in ("shelved", "suppressed", "out_of_service"))),
        evidence=_evidence(record["evidence"]),
        since_sample=_sample(record["since_sample"]),
        last_change_sample=_sample(record["last_change_sample"]),
        occurrences=_whole(record["occurrences"]),
        shelved_until_sample=_sample(record["shelved_until_sample"]),
        who=_text(record["who"], 40),
        told=tuple(told for each in record["told"] if (told := _evidence(each)) is not None),
        told_abnormal=_bit(record["told_abnormal"]),
        due=due,
        pending=pending,
        pending_evidence=pending_evidence,
    )


def _evidence(record: dict[str, Any] | None) -> Evidence | None:
    if record is None:
        return None
    return Evidence(
        measured=_number(record["measured"]),
        limit=_number(record["limit"]),
        unit=_text(record["unit"], _LONGEST_TEXT),
        since_sample=_whole(record["since_sample"]),
        sentence=_text(record["sentence"], _LONGEST_TEXT),
        check_first=_text(record["check_first"], _LONGEST_TEXT),
        cause=_text(record["cause"], _LONGEST_TEXT),
        severity=_number(record["severity"]),
        worse_by=_number(record["worse_by"]),
    )


def _sample(value: object) -> int | None:
    return None if value is None else _whole(value)


def _whole(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or abs(value) >= _NO_SAMPLE:
        raise ValueError("no whole number")
    return value


def _number(value: object) -> float:
    if not isinstance(value, float | int) or isinstance(value, bool) or _NO_SAMPLE <= abs(value) < math.inf:
        raise ValueError("no number")
    return float(value)


def _bit(value: object) -> bool:
    if not isinstance(value, bool):
        raise TypeError("neither true nor false")
    return value


def _text(value: object, longest: int) -> str:
    if not isinstance(value, str):
        raise TypeError("no text")
    return clean(value, longest)
