"""A survey's part files: what one log gave, kept so that it need not be computed again.

A part is one gzip-compressed file of JSON lines, named by the hash of what it follows from: log, car sheet, circuit,
set-up, program version. It is written beside its name and renamed, so it is whole or absent; one that is damaged all
the same counts as absent. Raises ResultsError when the directory can't be used.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import zlib
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Final, Self

import numpy as np

from dsp.position_scales import Stretch
from ingest.errors import ResultsError
from ingest.sheet import Sheet
from ingest.text import clean

PARTS: Final = "parts"
_FORMAT, _FORMAT_VERSION = "damperwatch survey part", 1
_NUMBERS: Final = 26  # of a stretch
_RATE_PARTS = 1_000_000  # a rate of rows in whole millionths of a hertz
_ENDING: Final = ".json.gz"
# A stint of a day has some 10 MB; what inflates beyond this is no part of ours.
_LARGEST_BYTES: Final = 500_000_000


class Part:
    """What one log gave: the records of laps.jsonl, alerts.jsonl and summary.json, and the stretches of its laps.

    Parameters
    ----------
    laps, alerts : list of dict, or bytes
        Records; as JSON they are read when they are asked for, and each time.
    summary : dict, or bytes
        Likewise.
    stretches : list of list of int, or bytes
        A row for each `Stretch`, as `row_of` makes it.
    """

    def __init__(
        self,
        laps: list[dict[str, Any]] | bytes,
        alerts: list[dict[str, Any]] | bytes,
        summary: dict[str, Any] | bytes,
        stretches: list[list[int]] | bytes,
    ) -> None:
        self._sections: dict[str, Any] = {"laps": laps, "alerts": alerts, "summary": summary, "stretches": stretches}

    @property
    def laps(self) -> list[dict[str, Any]]:
        """Records of laps."""
        return list(self._section("laps", list))

    @property
    def alerts(self) -> list[dict[str, Any]]:
        """Records of changes of alerts."""
        return list(self._section("alerts", list))

    @property
    def summary(self) -> dict[str, Any]:
        """The stint's record."""
        found: dict[str, Any] = self._section("summary", dict)
        return found

    def stretches(self) -> Iterator[Stretch]:
        """The stretches of all laps, in order."""
        rows = np.array(self._section("stretches", list), dtype=np.int64).reshape(-1, _NUMBERS)
        for (lap, number, first, end, count, rate), row in zip(rows[:, :6].tolist(), rows[:, 6:], strict=True):
            arrays = row[:4], row[4:12].reshape(2, 4), row[12:16], row[16:]
            yield Stretch(lap, number, first, end, count, *arrays, row_rate_hz=rate / _RATE_PARTS)

    def packed(self) -> bytes:
        """The bytes of its file; the same part gives the same bytes."""
        head = {"format": _FORMAT, "format_version": _FORMAT_VERSION}
        lines = [_dense(head)] + [one if isinstance(one, bytes) else _dense(one) for one in self._sections.values()]
        return gzip.compress(b"\n".join(lines), 4, mtime=0)

    @classmethod
    def unpacked(cls, content: bytes) -> Self | None:
        """A part from its file's inflated content; None when it is something else."""
        head, *sections = content.split(b"\n")
        if json.loads(head) != {"format": _FORMAT, "format_version": _FORMAT_VERSION} or len(sections) != 4:
            return None
        return cls(*sections)

    def _section(self, name: str, kind: type) -> Any:
        section = self._sections[name]
        if isinstance(section, bytes):
            try:
                section = json.loads(section)
            except (ValueError, RecursionError):
                section = None
        if not isinstance(section, kind):
            raise ResultsError(f"a survey's part holds no {name}: take its directory {PARTS} away and run it again")
        return section


def row_of(one: Stretch) -> list[int]:
    """A stretch as whole numbers."""
    arrays = (one.moved, one.squares.ravel(), one.placed, one.travel)
    rate = round(one.row_rate_hz * _RATE_PARTS)
    return [one.lap, one.number, one.first_sample, one.end_sample, one.rows, rate, *np.concatenate(arrays).tolist()]


def _dense(value: Any) -> bytes:
    return json.dumps(value, allow_nan=False, separators=(",", ":")).encode("ascii")


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
            for torn in self._directory.glob("*.writing"):
                torn.unlink(missing_ok=True)
        except OSError as error:
            raise self._failed(error) from None

    def has(self, key: str) -> bool:
        """Whether a whole part is there; reads it."""
        return self.read(key) is not None

    def read(self, key: str) -> Part | None:
        """A part; None when it is absent or damaged."""
        try:
            with gzip.open(self._directory / (key + _ENDING), "rb") as file:
                # Read to its end, where the checksum is.
                content = file.read(_LARGEST_BYTES)
            return Part.unpacked(content)
        except (OSError, EOFError, ValueError, RecursionError, zlib.error):
            return None

    def each(self, keys: Iterable[str]) -> Iterator[Part]:
        """Parts one by one, in order.

        Raises
        ------
        ResultsError
            One that was there has gone or was damaged.
        """
        for key in keys:
            part = self.read(key)
            if part is None:
                raise ResultsError(f"{clean(self._directory / key, 300)}{_ENDING}: has gone; run the survey again")
            yield part

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
    temporary = file.with_name(f"{file.name}.{os.getpid()}.writing")
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
