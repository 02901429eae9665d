"""A survey's part files: what one log gave, kept so that it need not be computed again.

A part is one file, named by the hash of what it follows from: log, car sheet, circuit, set-up, program version. It is
a line of text with the SHA-256 of the rest, a line of JSON (the gist), and compressed sections behind it, each of which
can be read alone. It is written beside its name and renamed, so it is whole or absent; one that is damaged all the same
counts as absent. Raises ResultsError when the directory can't be used.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from sys import intern
from typing import Any, Final, Self

import numpy as np
import pyarrow as pa

from dsp.position_scales import Stretch
from ingest.chunk import Ints
from ingest.errors import ResultsError
from ingest.sheet import Sheet
from ingest.text import clean

PARTS: Final = "parts"
LAPS, ALERTS = "laps", "alerts"
_FORMAT_VERSION: Final = 2
_MAGIC: Final = b"damperwatch survey part 2 "
_NUMBERS: Final = 26  # of a stretch
_RATE_PARTS = 1_000_000  # a rate of rows in whole millionths of a hertz
_ENDING: Final = ".part"
WRITING: Final = ".writing"
# A stint of a day has some 10 MB; what inflates beyond this is no part of ours.
_LARGEST_BYTES: Final = 500_000_000
# The fastest level: sections are small, and are read more often than the disk is full.
_LEVEL: Final = 1


@dataclass(frozen=True)
class Gist:
    """What a survey keeps of each log in memory; some kB.

    Attributes
    ----------
    car : str
        Its name, in a rehearsal the marked one.
    rehearsal : bool
        Whether it is one.
    laps, alerts : int
        Rows of the tables.
    lap_columns, alert_columns : tuple of str
        Names of their columns.
    unclean : str
        Why it can't be a reference; empty when it can.
    own : dict
        Scatter of its clean laps, each against those before it, as plain numbers; empty when it has none.
    asymmetry : dict
        Left against right, as in the summary.
    """

    car: str
    rehearsal: bool
    laps: int
    alerts: int
    lap_columns: tuple[str, ...]
    alert_columns: tuple[str, ...]
    unclean: str
    own: dict[str, Any]
    asymmetry: dict[str, dict[str, Any]]

    @classmethod
    def read(cls, plain: dict[str, Any]) -> Self:
        """From what the file holds; names that all logs have are held once."""
        names = {key: tuple(map(intern, plain[key])) for key in ("lap_columns", "alert_columns")}
        return cls(**(plain | names))


class Part:
    """What one log gave.

    Parameters
    ----------
    gist : Gist
        What to keep in memory.
    sections : dict of str to (int, bytes)
        The rest, compressed, with the size that it inflates to.
    """

    def __init__(self, gist: Gist, sections: dict[str, tuple[int, bytes]]) -> None:
        self.gist = gist
        self._sections = sections

    @classmethod
    def made(cls, gist: Gist, laps: pa.Table, alerts: pa.Table, summary: bytes, stretches: Iterable[Stretch]) -> Self:
        """A new part.

        Parameters
        ----------
        gist : Gist
            What to keep in memory.
        laps, alerts : Table
            Rows as they stand in the survey's tables, without where they come from.
        summary : bytes
            The stint's record as JSON.
        stretches : iterable of Stretch
            Of the clean laps.
        """
        rows = np.array([row_of(one) for one in stretches], dtype="<i8").reshape(-1, _NUMBERS)
        content = {LAPS: _to_ipc(laps), ALERTS: _to_ipc(alerts), "summary": summary, "stretches": rows.tobytes()}
        codec = pa.Codec("zstd", _LEVEL)
        return cls(gist, {name: (len(one), codec.compress(one, asbytes=True)) for name, one in content.items()})

    def table(self, name: str) -> pa.Table:
        """Rows of laps or alerts."""
        return pa.ipc.open_stream(self._inflated(name)).read_all()

    @property
    def summary(self) -> dict[str, Any]:
        """The stint's record."""
        found: dict[str, Any] = json.loads(self._inflated("summary"))
        return found

    def laps_of_stretches(self) -> Iterator[list[Stretch]]:
        """The stretches of each clean lap, in order."""
        rows: Ints = np.frombuffer(self._inflated("stretches"), dtype="<i8").reshape(-1, _NUMBERS)
        begin, laps = 0, rows[:, 0]
        for end in [*(np.flatnonzero(np.diff(laps)) + 1).tolist(), len(laps)] if len(laps) else ():
            yield _stretches(rows[begin:end])
            begin = end

    def packed(self) -> bytes:
        """The bytes of its file; the same part gives the same bytes."""
        sizes = {name: [size, len(one)] for name, (size, one) in self._sections.items()}
        head = json.dumps({"gist": asdict(self.gist), "sections": sizes}, allow_nan=False).encode("ascii")
        rest = b"\n".join([head, b"".join(one for _, one in self._sections.values())])
        return b"".join([_MAGIC, hashlib.sha256(rest).hexdigest().encode("ascii"), b"\n", rest])

    @classmethod
    def unpacked(cls, content: bytes) -> Self | None:
        """A part from its file's content; None when it is damaged or something else."""
        first, _, rest = content.partition(b"\n")
        if first != _MAGIC + hashlib.sha256(rest).hexdigest().encode("ascii"):
            return None
        try:
            head, _, packed = rest.partition(b"\n")
            found = json.loads(head)
            sections, begin = {}, 0
            for name, (size, length) in found["sections"].items():
                sections[name] = size, packed[begin : begin + length]
                begin += length
            if begin != len(packed) or sum(size for size, _ in sections.values()) > _LARGEST_BYTES:
                return None
            return cls(Gist.read(found["gist"]), sections)
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return None

    def _inflated(self, name: str) -> bytes:
        try:
            size, packed = self._sections[name]
            inflated: bytes = pa.Codec("zstd").decompress(packed, size, asbytes=True)
        except (KeyError, OSError, ValueError):  # a checksum that fits what nobody wrote
            raise ResultsError(f"a survey's part holds no {name}: take its directory {PARTS} away") from None
        return inflated


def _to_ipc(table: pa.Table) -> bytes:
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    content: bytes = sink.getvalue().to_pybytes()
    return content


def row_of(one: Stretch) -> list[int]:
    """A stretch as whole numbers."""
    arrays = (one.moved, one.squares.ravel(), one.placed, one.travel)
    rate = round(one.row_rate_hz * _RATE_PARTS)
    return [one.lap, one.number, one.first_sample, one.end_sample, one.rows, rate, *np.concatenate(arrays).tolist()]


def _stretches(rows: Ints) -> list[Stretch]:
    found = []
    arrays = (rows[:, 6:10], rows[:, 10:18].reshape(-1, 2, 4), rows[:, 18:22], rows[:, 22:])
    for whole, moved, squares, placed, travel in zip(rows[:, :6].tolist(), *arrays, strict=True):
        lap, number, first, end, count, rate = whole
        found.append(Stretch(lap, number, first, end, count, moved, squares, placed, travel, rate / _RATE_PARTS))
    return found


def key_of(log_sha256: str, sheet: Sheet, version: str) -> str:
    """Name of the part that follows from these."""
    made_of = [log_sha256, sheet.digest, sheet.stint.circuit, sheet.stint.set_up, version, _FORMAT_VERSION]
    return hashlib.sha256(json.dumps(made_of).encode()).hexdigest()


class Parts:
    """The parts of one survey.

    Parameters
    ----------
    directory : Path
        Of the survey; the parts are in a directory of their own in it.
    """

    def __init__(self, directory: Path) -> None:
        self._directory = directory / PARTS

    def make(self) -> None:
        """Make the directory, and clear away what a killed run left half written."""
        try:
            self._directory.mkdir(parents=True, exist_ok=True)
            for torn in self._directory.glob("*" + WRITING):
                torn.unlink(missing_ok=True)
        except OSError as error:
            raise self._failed(error) from None

    def read(self, key: str) -> Part | None:
        """A part; None when it is absent or damaged."""
        try:
            with (self._directory / (key + _ENDING)).open("rb") as file:
                content = file.read(_LARGEST_BYTES)
        except OSError:
            return None
        return Part.unpacked(content)

    def there(self, key: str) -> Part:
        """A part that was there before.

        Raises
        ------
        ResultsError
            It has gone or was damaged.
        """
        part = self.read(key)
        if part is None:
            raise ResultsError(f"{clean(self._directory / key, 300)}{_ENDING}: has gone; run the survey again")
        return part

    def write(self, key: str, content: bytes) -> None:
        """Write a part, whole or not at all."""
        write_whole(self._directory / (key + _ENDING), content)

    def _failed(self, error: OSError) -> ResultsError:
        return ResultsError(f"{clean(self._directory, 200)}: can't be written: {clean(error.strerror or error)}")


def write_whole(file: Path, content: bytes | str) -> None:
    """Write a file beside its name, to the disk, and rename it.

    Raises
    ------
    ResultsError
        It can't be written.
    """
    data = content.encode("utf-8", "replace") if isinstance(content, str) else content
    temporary = file.with_name(f"{file.name}.{os.getpid()}{WRITING}")
    try:
        with temporary.open("wb") as opened:
            opened.write(data)
            opened.flush()
            os.fsync(opened.fileno())
        temporary.replace(file)
    except OSError as error:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise ResultsError(f"{clean(file, 200)}: can't be written: {clean(error.strerror or error)}") from None
