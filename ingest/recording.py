"""Records all that a link receives, as it came, before anything is decoded. `ingest.recording_block` has the layout.

In: payloads (`write`, from the link's thread) and events (`event`, from any thread). Out: files "....dwrec.part" in a
directory, one for each hour, which lose the ".part" when closed. Each block is with the operating system before
`write` returns, so a killed process loses nothing; a thread of its own syncs once a second, so a power loss costs
about a second. Nothing here raises: on the first error a file is given up for good (a failed sync is never tried
again) and recording goes on in a new file, next to it or else in the system's temporary directory. What could not be
recorded is counted, and `status().fault` says what is wrong.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from ingest.inbox import Received
from ingest.recording_block import (
    CLOSED,
    FORMAT,
    FORMAT_VERSION,
    LONGEST_PAYLOAD,
    MOST_BLOCKS,
    PART_SUFFIX,
    SUFFIX,
    Kind,
    pack_block,
    pack_json,
)
from ingest.recording_file import AppendFile, DiskFile, NewFile, give_final_name
from ingest.recording_header import without_secrets
from ingest.text import clean

_SECOND_NS = 1_000_000_000
# A directory that failed twice within this time is left alone for as long: trying costs the link's thread time, and a
# disk that fails now and then would be littered with files.
_REST_NS = 5 * _SECOND_NS
# A disk that hangs must not keep the program from ending.
_PATIENCE_AT_END_S = 5.0


@dataclass(frozen=True)
class Clock:
    """Where times come from."""

    monotonic_ns: Callable[[], int] = time.monotonic_ns
    wall_ns: Callable[[], int] = time.time_ns


@dataclass(frozen=True)
class RecorderStatus:
    """How the recording stands.

    `path` is the file in use (after `close` the finished one), None while there is none; `bytes` and `blocks` count the
    whole run, headers and events too; `since_sync_s` is how long ago everything written was last known to be on the
    disk; `fault` says what is wrong or was; `lost_payloads` were received and not recorded; `free_bytes` are left on
    the disk.
    """

    path: Path | None
    bytes: int
    blocks: int
    since_sync_s: float
    fault: str | None
    lost_payloads: int
    free_bytes: int | None


class _Open:
    """One file in use and what is known of it."""

    def __init__(self, path: Path, file: AppendFile, salt: bytes, opened_ns: int) -> None:
        self.path = path
        self.file = file
        self.salt = salt
        self.opened_ns = opened_ns
        self.blocks = 0
        self.synced_blocks = 0
        self.failed = False

    def append(self, kind: Kind, received: Received) -> int:
        """Write one block; returns its bytes. Raises OSError."""
        block = pack_block(self.salt, kind, self.blocks, received)
        self.file.write(block)
        self.blocks += 1
        return len(block)


class Recorder:
    """Records one run.

    Parameters
    ----------
    directory : Path
        Where files are made; made itself when it does not exist.
    header : dict of str to object
        What the first block of each file says of the run, as from `ingest.recording_header.describe_run`.
    clock : Clock
        Times of events and of files.
    new_file : function from Path to AppendFile
        Makes a file; raises OSError when it exists.
    fallback : Path or None
        Where files are made when `directory` fails; the system's temporary directory unless given.
    sync_every_s, new_file_every_s : float
        How often to sync, and how long a file may get, in seconds.
    """

    def __init__(
        self,
        directory: Path,
        header: dict[str, object],
        clock: Clock | None = None,
        *,
        new_file: NewFile = DiskFile,
        fallback: Path | None = None,
        sync_every_s: float = 1.0,
        new_file_every_s: float = 3600.0,
    ) -> None:
        self._clock = clock or Clock()
        self._directories = [directory, fallback or Path(tempfile.gettempdir())]
        self._header: dict[str, object] = without_secrets(header)
        self._new_file = new_file
        self._new_file_every_ns = round(new_file_every_s * _SECOND_NS)
        self._sync_every_s = sync_every_s
        self._run = os.urandom(8).hex()
        self._files = 0
        self._bytes = 0
        self._blocks = 0
        self._lost = 0
        self._told_lost = 0
        self._fault: str | None = None
        self._free_bytes: int | None = None
        self._failed_ns: dict[Path, int] = {}
        self._resting_until_ns: dict[Path, int] = {}
        self._synced_ns = self._clock.monotonic_ns()
        self._closing = False
        self._sync_wanted = False
        self._retired: list[_Open] = []
        self._open: _Open | None = None
        self._finished: Path | None = None
        self._changed = threading.Condition()
        with self._changed:
            self._start_file(None)
        self._syncer = threading.Thread(target=self._keep_synced, name="recorder-sync", daemon=True)
        self._syncer.start()

    def write(self, received: Received) -> None:
        """Record one payload as it came. Never raises, never waits for a sync."""
        with self._changed:
            if len(received.payload) > LONGEST_PAYLOAD:
                self._lost += 1
                self._told_lost += 1
                self._fault = f"a payload of {len(received.payload)} bytes is too long to record"
                self._append("event", self._event("payload_too_long", {"bytes": len(received.payload)}))
            elif not self._append("data", received):
                self._lost += 1

    def event(self, name: str, values: dict[str, object]) -> None:
        """Record that something happened (link lost, alert shown, setting changed) and sync soon."""
        with self._changed:
            self._append("event", self._event(name, values))
            self._sync_wanted = True
            self._changed.notify()

    def status(self) -> RecorderStatus:
        """How the recording stands now."""
        with self._changed:
            return RecorderStatus(
                path=self._finished if self._open is None and self._closing else self._path(),
                bytes=self._bytes,
                blocks=self._blocks,
                since_sync_s=max(0.0, (self._clock.monotonic_ns() - self._synced_ns) / _SECOND_NS),
                fault=self._fault_now(),
                lost_payloads=self._lost,
                free_bytes=self._free_bytes,
            )

    def close(self) -> None:
        """Sync, close and name the file; closing twice does no harm."""
        with self._changed:
            if not self._closing:
                self._retire(self._clock.monotonic_ns())
            self._closing = True
            self._changed.notify()
        self._syncer.join(_PATIENCE_AT_END_S)
        if self._syncer.is_alive():
            with self._changed:
                self._fault = f"the disk has not answered for {_PATIENCE_AT_END_S:g} s; the end may not be on it"

    def _path(self) -> Path | None:
        return None if self._open is None else self._open.path

    def _fault_now(self) -> str | None:
        if self._fault is None:
            return None
        lost = f"; {self._lost} payloads were not recorded" if self._lost else ""
        if self._closing:
            return self._fault + lost
        now = "NOTHING IS RECORDED" if self._open is None else f"recording goes on in {clean(self._open.path, 200)}"
        return f"{self._fault}; {now}{lost}"

    # ---------------------------------------------------------------- writing, with the lock held

    def _append(self, kind: Kind, received: Received) -> bool:
        """Write a block, in a new file if need be; False when it could not be written anywhere."""
        if self._closing:
            return False
        file = self._open
        if file is not None and (
            received.monotonic_ns - file.opened_ns >= self._new_file_every_ns or file.blocks >= MOST_BLOCKS - 1
        ):
            self._retire(received.monotonic_ns)
            file = None
        if file is not None:
            try:
                self._count(file.append(kind, received))
            except OSError as error:
                self._give_up(file, "written", error)
            else:
                return True
        return self._start_file((kind, received))

    def _start_file(self, first: tuple[Kind, Received] | None) -> bool:
        """Open a file in the first directory that takes it, with its header and `first` in it."""
        now = self._clock.monotonic_ns()
        for directory in dict.fromkeys(self._directories):
            if now < self._resting_until_ns.get(directory, now):
                continue
            path: Path | None = None
            file: AppendFile | None = None
            try:
                directory.mkdir(parents=True, exist_ok=True)
                salt = os.urandom(4)
                path = directory / self._file_name(salt)
                file = self._new_file(path)
                begun = _Open(path, file, salt, now)
                written = [begun.append("header", self._header_of_file(path))]
                if self._lost > self._told_lost:
                    lost = self._lost - self._told_lost
                    written.append(begun.append("event", self._event("payloads_lost", {"payloads": lost})))
                if first is not None:
                    written.append(begun.append(*first))
            except (OSError, ValueError) as error:  # ValueError: a name that no file can have
                self._fault = self._in_words(directory, "written", error)
                self._resting_until_ns[directory] = now + _REST_NS
                self._discard(path, file)
            else:
                self._open = begun
                self._files += 1
                self._told_lost = self._lost
                for size in written:
                    self._count(size)
                return True
        return False

    def _discard(self, path: Path | None, file: AppendFile | None) -> None:
        """Take away a file that could not even be begun."""
        if file is not None and path is not None:
            with suppress(OSError):
                file.close()
            with suppress(OSError):
                path.unlink()

    def _count(self, size: int) -> None:
        self._bytes += size
        self._blocks += 1

    def _file_name(self, salt: bytes) -> str:
        """The time in UTC, and a random part: clocks jump, and two recorders may share a directory."""
        wall_s = self._clock.wall_ns() / _SECOND_NS
        return f"{datetime.fromtimestamp(wall_s, UTC):%Y%m%d-%H%M%S}-{salt.hex()}{PART_SUFFIX}"

    def _header_of_file(self, path: Path) -> Received:
        monotonic_ns, wall_ns = self._clock.monotonic_ns(), self._clock.wall_ns()
        values = self._header | {
            "format": FORMAT,
            "format_version": FORMAT_VERSION,
            "run": self._run,
            "file": self._files + 1,
            "name": path.name.removesuffix(PART_SUFFIX) + SUFFIX,
            "started_utc": datetime.fromtimestamp(wall_ns / _SECOND_NS, UTC).isoformat(timespec="milliseconds"),
            "started_wall_ns": wall_ns,
            "started_monotonic_ns": monotonic_ns,
        }
        payload = pack_json(values)
        if len(payload) > LONGEST_PAYLOAD:  # whoever made that header, the samples matter more
            payload = pack_json({"format": FORMAT, "format_version": FORMAT_VERSION, "run": self._run})
        return Received(payload, monotonic_ns, wall_ns)

    def _event(self, name: str, values: dict[str, object]) -> Received:
        payload = pack_json({"name": name, "values": values})
        if len(payload) > LONGEST_PAYLOAD:
            payload = pack_json({"name": clean(name), "values": {"too_long_bytes": len(payload)}})
        return Received(payload, self._clock.monotonic_ns(), self._clock.wall_ns())

    def _retire(self, now_ns: int) -> None:
        """End the file in use; the other thread syncs, closes and names it."""
        file, self._open = self._open, None
        if file is None:
            return
        try:
            self._count(file.append("event", self._event(CLOSED, {"blocks": file.blocks + 1})))
        except OSError as error:
            self._give_up(file, "written", error, now_ns)
            return
        self._retired.append(file)
        self._changed.notify()

    def _give_up(self, file: _Open, done: str, error: OSError, now_ns: int | None = None) -> None:
        """Never touch a file again; the other thread closes it, and it keeps its ".part"."""
        now = self._clock.monotonic_ns() if now_ns is None else now_ns
        directory = file.path.parent
        if now - self._failed_ns.get(directory, now - _REST_NS) < _REST_NS:
            self._resting_until_ns[directory] = now + _REST_NS
        self._failed_ns[directory] = now
        self._fault = self._in_words(file.path, done, error)
        if file.blocks > file.synced_blocks:
            self._fault += f"; its last {file.blocks - file.synced_blocks} blocks may not be on the disk"
        file.failed = True
        if self._open is file:
            self._open = None
        if file not in self._retired:
            self._retired.append(file)
        self._changed.notify()

    @staticmethod
    def _in_words(path: Path, done: str, error: OSError | ValueError) -> str:
        return f"{clean(path, 200)} can't be {done}: {clean(getattr(error, 'strerror', None) or error)}"

    # ---------------------------------------------------------------- syncing, in a thread of its own

    def _keep_synced(self) -> None:
        self._look_at_space()
        while True:
            with self._changed:
                self._changed.wait_for(
                    lambda: self._sync_wanted or self._closing or self._retired, timeout=self._sync_every_s
                )
                self._sync_wanted = False
                closing = self._closing
                retired, self._retired = self._retired, []
                current = self._open
                started_ns = self._clock.monotonic_ns()
            done = [self._finish(file) for file in retired]
            if current is not None:
                done.append(self._sync(current))
            if done and all(done):
                with self._changed:
                    self._synced_ns = started_ns
            self._look_at_space()
            with self._changed:
                if closing and not self._retired:
                    return

    def _sync(self, file: _Open) -> bool:
        """Sync a file if it has grown; on an error it is given up, since a second try would only seem to succeed."""
        blocks = file.blocks
        if file.failed or blocks == file.synced_blocks:
            return not file.failed
        try:
            file.file.sync()
        except OSError as error:
            with self._changed:
                self._give_up(file, "synced", error)
                if self._open is None and not self._closing:
                    self._start_file(None)
            return False
        file.synced_blocks = blocks
        return True

    def _finish(self, file: _Open) -> bool:
        whole = self._sync(file)
        try:
            file.file.close()
            final = give_final_name(file.path) if whole else file.path
            with self._changed:
                self._finished = final
        except OSError as error:
            with self._changed:
                self._fault = self._in_words(file.path, "closed", error)
                self._finished = file.path
            return False
        finally:
            with self._changed:
                self._retired = [other for other in self._retired if other is not file]
        return whole

    def _look_at_space(self) -> None:
        with self._changed:
            directory = self._directories[0] if self._open is None else self._open.path.parent
        free_bytes: int | None = None
        with suppress(OSError, ValueError):
            free_bytes = shutil.disk_usage(directory).free
        with self._changed:
            self._free_bytes = free_bytes
