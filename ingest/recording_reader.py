"""Reads a recording, whole or damaged: every block that is whole, in order, and an account of what is not.

In: a file. Out: `Entry`s whose two checksums fit and whose sequence rises; after damage anywhere the next whole block
is found by its marker. What is no recording raises `LogError` on opening; nothing raises after that. Lengths are
checked before anything is read, memory is a few MB, and the time is in proportion to the file's size, whatever is in
it. The file is never changed.
"""

from __future__ import annotations

import os
import stat
import zlib
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from ingest.errors import LogError
from ingest.recording_block import (
    CLOSED,
    FORMAT,
    FORMAT_VERSION,
    HEAD_BYTES,
    LONGEST_PAYLOAD,
    MARKER,
    PART_SUFFIX,
    SUFFIX,
    Head,
    Kind,
    unpack_head,
    unpack_json,
)
from ingest.text import clean

_READ_BYTES = 1024 * 1024
_SECTOR_BYTES = 4096  # what a disk that can't be read loses at a time
_RANGES_KEPT = 20  # of missing blocks; the count says how many there are in all
_SALTS_KEPT = 1000  # one is usual
# Payloads checked in vain may be looked through again for blocks inside. A file made to exploit that, of heads that
# overlap, gets this much work for its size and is then passed over block by block.
_VAIN_WORK_FACTOR = 16


@dataclass(frozen=True)
class Entry:
    """One whole block: times as in `ingest.inbox.Received`, the payload exactly as it was recorded."""

    kind: Kind
    sequence: int
    monotonic_ns: int
    wall_ns: int
    payload: bytes


@dataclass
class Damage:
    """What is wrong with a recording, as far as it has been read.

    Attributes
    ----------
    bad_places, bad_bytes : int
        Stretches of bytes before the last whole block that belong to no whole block, and their total length.
    first_bad_offset : int or None
        Where in the file the first such stretch or the torn tail begins.
    missing_blocks : int
        Sequence numbers that were never met, before the last whole block.
    missing : list of (int, int)
        The first few ranges of them, both ends included.
    repeated_blocks : int
        Whole blocks whose number had been passed already; not given out.
    torn_tail_bytes : int
        Bytes after the last whole block, known at the end: a write that was cut short, or damage.
    unreadable_bytes : int
        Bytes that the disk refused to give.
    header_lost : bool
        True when the first block, which describes the run, is not whole.
    end_lost : bool
        True when the file's name says that it was closed, and its last block is not there.
    """

    bad_places: int = 0
    bad_bytes: int = 0
    first_bad_offset: int | None = None
    missing_blocks: int = 0
    missing: list[tuple[int, int]] = field(default_factory=list)
    repeated_blocks: int = 0
    torn_tail_bytes: int = 0
    unreadable_bytes: int = 0
    header_lost: bool = False
    end_lost: bool = False

    def __bool__(self) -> bool:
        """Whether anything at all is wrong."""
        return self != Damage()

    def note_bad(self, start: int) -> None:
        """Keep where the first damage begins."""
        if self.first_bad_offset is None:
            self.first_bad_offset = start

    def note_missing(self, first: int, last: int) -> None:
        """Count blocks `first` to `last` as missing."""
        self.missing_blocks += last - first + 1
        if len(self.missing) < _RANGES_KEPT:
            self.missing.append((first, last))


class _Window:
    """The part of a file that is being looked at; unreadable sectors read as zeros, which are no block."""

    def __init__(self, file: BinaryIO, size: int, damage: Damage) -> None:
        self._file = file
        self._damage = damage
        self._start = 0
        self._data = b""
        self.size = size

    def view(self, position: int, count: int) -> bytes:
        """`count` bytes from `position` on, fewer at the end of the file."""
        offset = position - self._start
        if offset < 0 or offset + count > len(self._data):
            self._fill(position, count)
            offset = 0
        return self._data[offset : offset + count]

    def find_marker(self, position: int) -> int:
        """The next place at or after `position` where a block may begin, or the file's size."""
        while position < self.size:
            self.view(position, len(MARKER))
            offset = self._data.find(MARKER, position - self._start)
            if offset >= 0:
                return self._start + offset
            # A marker may begin in the last three bytes.
            position = max(position + 1, self._start + len(self._data) - len(MARKER) + 1)
        return self.size

    def _fill(self, position: int, count: int) -> None:
        kept = self._data[position - self._start :] if self._start <= position else b""
        wanted = min(max(count, _READ_BYTES), self.size - position) - len(kept)
        self._data = kept + self._read(position + len(kept), wanted)
        self._start = position

    def _read(self, position: int, count: int) -> bytes:
        parts = []
        end = position + max(0, count)
        while position < end:
            try:
                self._file.seek(position)
                part = self._file.read(end - position)
            except OSError:
                part = self._sector(position, end)
            if not part:  # the file has become shorter
                self.size = position
                break
            parts.append(part)
            position += len(part)
        return b"".join(parts)

    def _sector(self, position: int, end: int) -> bytes:
        count = min(end, (position // _SECTOR_BYTES + 1) * _SECTOR_BYTES) - position
        try:
            self._file.seek(position)
            return self._file.read(count)
        except OSError:
            self._damage.unreadable_bytes += count
            self._damage.note_bad(position)
            return bytes(count)


class Recording:
    """An open recording. Iterating over it, once, yields its whole blocks, the header's excepted.

    Attributes
    ----------
    path : str
        The file.
    size_bytes : int
        Its size when it was opened; what is written after that is not read.
    header : dict of str to object
        What the first block says of the run; empty when that block is lost.
    damage : Damage
        What is wrong so far; complete after the last block.
    closed : bool
        Whether the recorder closed the file; known after the last block.
    """

    def __init__(self, path: str, file: BinaryIO, size: int) -> None:
        self.path = path
        self.size_bytes = size
        self.header: dict[str, object] = {}
        self.damage = Damage()
        self.closed = False
        self.position = 0
        self._file = file
        self._window = _Window(file, size, self.damage)
        self._entries = self._read()
        self._first: Entry | None = next(self._entries, None)
        if self._first is None:
            why = "it does not hold one whole block" if size else "it is empty; nothing was recorded before it was left"
            raise LogError(f"{clean(path, 200)}: is no recording: {why}")
        if self._first.kind == "header" and self._first.sequence == 0:
            self.header = unpack_json(self._first.payload) or {}
            self._first = None
        self.damage.header_lost = not self.header
        _check_format(self.header, clean(path, 200))

    def __iter__(self) -> Iterator[Entry]:
        """Blocks in order; the file can be read once."""
        if self._first is not None:
            first, self._first = self._first, None
            yield first
        yield from self._entries

    def __enter__(self) -> Self:
        """Return the recording."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Close the file."""
        self.close()

    def progress(self) -> float:
        """Share of the file that has been read, 0 to 1."""
        return min(1.0, self.position / self.size_bytes) if self.size_bytes else 1.0

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        with suppress(OSError):
            self._file.close()

    def _read(self) -> Iterator[Entry]:
        window, damage = self._window, self.damage
        first = unpack_head(window.view(0, HEAD_BYTES))
        whole = first is not None and _payload_at(window, 0, first) is not None
        salt = first.salt if first is not None and whole else _most_common_salt(window)
        good_end = position = 0  # end of the last whole block; where we look
        next_sequence = 0
        last: Entry | None = None
        vain = _VAIN_WORK_FACTOR * (self.size_bytes + LONGEST_PAYLOAD)
        while position < window.size:
            head = unpack_head(window.view(position, HEAD_BYTES))
            if head is None or head.salt != salt:
                position = window.find_marker(position + 1)
                continue
            payload = _payload_at(window, position, head)
            if payload is None:
                vain -= head.length
                # What should be its payload may hold whole blocks, if bytes were cut out of the file.
                position = window.find_marker(position + (1 if vain > 0 else HEAD_BYTES + head.length))
                continue
            if position > good_end:
                damage.bad_places += 1
                damage.bad_bytes += position - good_end
                damage.note_bad(good_end)
            good_end = position = position + HEAD_BYTES + head.length
            self.position = position
            if head.sequence < next_sequence:
                damage.repeated_blocks += 1
                damage.note_bad(position - HEAD_BYTES - head.length)
                continue
            if head.sequence > next_sequence:
                damage.note_missing(next_sequence, head.sequence - 1)
            next_sequence = head.sequence + 1
            last = Entry(head.kind, head.sequence, head.monotonic_ns, head.wall_ns, payload)
            yield last
        self.position = self.size_bytes
        damage.torn_tail_bytes = max(0, window.size - good_end)
        if damage.torn_tail_bytes:
            damage.note_bad(good_end)
        self.closed = last is not None and _is_end(last)
        damage.end_lost = not self.closed and not self.path.lower().endswith(PART_SUFFIX)


def open_recording(path: str | Path) -> Recording:
    """Open a recording.

    Raises
    ------
    LogError
        It can't be read, is no recording, or was written by a newer program.
    """
    shown = clean(path, 200)
    try:
        file = _open_file(path)
    except FileNotFoundError:
        raise LogError(f"{shown}: there is no such file") from None
    except (OSError, ValueError) as error:
        raise LogError(f"{shown}: can't be read: {clean(getattr(error, 'strerror', None) or error)}") from None
    try:
        return _opened(path, file)
    except OSError as error:
        file.close()
        raise LogError(f"{shown}: can't be read: {clean(error.strerror or error)}") from None
    except LogError:
        file.close()
        raise


def is_recording(path: str | Path) -> bool:
    """Whether a file begins like a recording, or is named like one (its first bytes may be damaged).

    Raises
    ------
    OSError
        The file can't be read.
    """
    if not Path(path).is_file():
        return False
    with open(path, "rb") as file:
        return _may_be_recording(path, file)


def _opened(path: str | Path, file: BinaryIO) -> Recording:
    information = os.fstat(file.fileno())
    if not stat.S_ISREG(information.st_mode):
        raise LogError(f"{clean(path, 200)}: is no file that could hold a recording")
    if not _may_be_recording(path, file):
        raise LogError(f"{clean(path, 200)}: is no recording: it does not begin like one")
    return Recording(str(path), file, information.st_size)


def _may_be_recording(path: str | Path, file: BinaryIO) -> bool:
    return str(path).lower().endswith((SUFFIX, PART_SUFFIX)) or file.read(len(MARKER)) == MARKER


def _open_file(path: str | Path) -> BinaryIO:
    # A pipe without a writer would hold us up at opening; files know no such flag.
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0)
    return open(os.open(path, flags), "rb", buffering=0)


def _most_common_salt(window: _Window) -> bytes | None:
    """The salt of most heads: with the start of the file damaged, a payload may hold blocks of another recording."""
    seen: Counter[bytes] = Counter()
    position = window.find_marker(0)
    while position < window.size:
        head = unpack_head(window.view(position, HEAD_BYTES))
        if head is not None and (head.salt in seen or len(seen) < _SALTS_KEPT):
            seen[head.salt] += 1
        position = window.find_marker(position + 1)
    return max(seen, key=lambda salt: seen[salt]) if seen else None


def _payload_at(window: _Window, position: int, head: Head) -> bytes | None:
    if position + HEAD_BYTES + head.length > window.size:
        return None
    payload = window.view(position, HEAD_BYTES + head.length)[HEAD_BYTES:]
    return payload if len(payload) == head.length and zlib.crc32(payload) == head.payload_crc else None


def _is_end(entry: Entry) -> bool:
    return entry.kind == "event" and (unpack_json(entry.payload) or {}).get("name") == CLOSED


def _check_format(header: dict[str, object], shown: str) -> None:
    if not header:
        return
    version = header.get("format_version")
    if header.get("format") != FORMAT or not isinstance(version, int):
        raise LogError(f"{shown}: is no recording of this program: its header says something else")
    if version > FORMAT_VERSION:
        raise LogError(
            f"{shown}: is a recording of version {version}; this program reads up to {FORMAT_VERSION}. Update it"
        )
