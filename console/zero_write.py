"""Writes four zero offsets into a car sheet and leaves every other character of it as it was.

In: the sheet's path, its digest when it was read, the new offsets. Out: the same file with four values changed or
added, and the old one beside it under another name. The new sheet is written beside the old one, checked by reading
it, and put in its place in one step: whatever interrupts this, one of the two whole sheets is there. Raises
`ZeroError` when the sheet has changed meanwhile, or can't be written.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import itertools
import os
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from ingest.chunk import CORNERS
from ingest.errors import DamperwatchError, SheetError
from ingest.sheet import Sheet, load_sheet
from ingest.text import clean

BACKUP_SUFFIX = ".before-zero"
_BYTE_ORDER_MARK = "\ufeff"


class ZeroError(DamperwatchError):
    """The zeros can't be measured, or can't be written."""


def with_zeros(text: str, zeros_mm: dict[str, float]) -> str:
    """Return a sheet's text with each corner's `zero_mm` set; comments, order and spelling of all else are kept.

    Parameters
    ----------
    text : str
        A car sheet in TOML; tables, inline tables and dotted keys are all followed.
    zeros_mm : dict of corner to float, mm
        New offsets.

    Examples
    --------
    >>> print(with_zeros('corner.FL.sensor.zero_mm = 47.3  # on the flat patch', {"FL": 46.9}))
    corner.FL.sensor.zero_mm = 46.9  # on the flat patch
    """
    for corner, zero_mm in zeros_mm.items():
        document: Any = tomlkit.parse(text)
        sensor = document["corner"][corner]["sensor"]
        is_new = "zero_mm" not in sensor
        sensor["zero_mm"] = zero_mm
        edited: str = tomlkit.dumps(document)
        text = _moved_up(text, edited) if is_new else edited
    return text


def _moved_up(before: str, after: str) -> str:
    """Put a line that was added at the end of a table behind the table's last key.

    It came in behind the comments and blank lines there, and those belong to what follows them. An addition within a
    line stays as it is.
    """
    lines, edited = before.splitlines(keepends=True), after.splitlines(keepends=True)
    if lines and not lines[-1].endswith("\n"):
        lines[-1] += _line_end(before)
    place = next((n for n, (old, new) in enumerate(itertools.zip_longest(lines, edited)) if old != new), 0)
    if len(edited) == len(lines):
        return after
    added = edited[place].strip()
    while place and (not lines[place - 1].strip() or lines[place - 1].lstrip().startswith("#")):
        place -= 1
    lines.insert(place, added + _line_end(before))
    return "".join(lines)


def _line_end(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"


def write_zeros(path: Path, sheet: Sheet, zeros_mm: dict[str, float]) -> Path:
    """Put new offsets into a sheet; returns where the old one is kept.

    Parameters
    ----------
    path : Path
        The sheet's file. Where it is a link, the file it points to is replaced, not the link.
    sheet : Sheet
        As read from that file before the measurement.
    zeros_mm : dict of corner to float, mm
        New offsets.

    Raises
    ------
    ZeroError
        Nothing was changed, and why.
    """
    shown = clean(path, 200)
    try:
        place = path.resolve(strict=True)
        content = place.read_bytes()
        if hashlib.sha256(content).hexdigest() != sheet.digest:
            raise ZeroError(f"{shown}: was changed while the zeros were measured; nothing written. Measure again")
        if not os.access(place, os.W_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        new = _encoded(content, zeros_mm, shown)
        mode = stat.S_IMODE(place.stat().st_mode)
        with _beside(place, new, mode) as part:
            _check(part, sheet, zeros_mm, shown)
            backup = place.with_name(place.name + BACKUP_SUFFIX)
            with _beside(backup, content, mode) as old:
                old.replace(backup)
            part.replace(place)
        _sync_directory(place.parent)
    except OSError as error:
        reason = clean(error.strerror or error)
        raise ZeroError(f"{shown}: can't be written: {reason}; the sheet is as it was") from None
    return backup


def _encoded(content: bytes, zeros_mm: dict[str, float], shown: str) -> bytes:
    text = content.decode("utf-8")
    mark = _BYTE_ORDER_MARK if text.startswith(_BYTE_ORDER_MARK) else ""
    try:
        return (mark + with_zeros(text[len(mark) :], zeros_mm)).encode("utf-8")
    except (TOMLKitError, KeyError, TypeError, ValueError) as error:
        raise ZeroError(_by_hand(shown, zeros_mm, f"could not be edited ({clean(error)})")) from None


def _check(written: Path, before: Sheet, zeros_mm: dict[str, float], shown: str) -> None:
    """Read the new sheet and refuse it unless the offsets, and nothing else, are what they should be."""
    try:
        after = load_sheet(written)
    except SheetError as error:
        raise ZeroError(_by_hand(shown, zeros_mm, f"would be wrong ({clean(error.problems[0])})")) from None
    expected = before.model_dump()
    for corner, zero_mm in zeros_mm.items():
        expected["corner"][corner]["sensor"]["zero_mm"] = zero_mm
    if after.model_dump() != expected:
        raise ZeroError(_by_hand(shown, zeros_mm, "would be changed in more than its zeros"))


def _by_hand(shown: str, zeros_mm: dict[str, float], why: str) -> str:
    values = ", ".join(f"{corner} {zeros_mm[corner]:g}" for corner in CORNERS if corner in zeros_mm)
    return f"{shown}: {why}; nothing written. Write zero_mm of each corner's sensor by hand: {values}"


@contextlib.contextmanager
def _beside(place: Path, content: bytes, mode: int) -> Iterator[Path]:
    """Give a file of this content beside `place`, safe on the disk; it is removed unless it was put in a place."""
    number, name = tempfile.mkstemp(prefix=f".{place.name}.", suffix=".part", dir=place.parent)
    part = Path(name)
    try:
        with os.fdopen(number, "wb") as file:
            file.write(content)
            file.flush()
            with contextlib.suppress(AttributeError, PermissionError):  # systems without modes; file systems without
                os.fchmod(file.fileno(), mode)
            os.fsync(file.fileno())
        yield part
    finally:
        part.unlink(missing_ok=True)


def _sync_directory(folder: Path) -> None:
    """Make the new name last through a power cut, where the system can do so."""
    with contextlib.suppress(OSError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)
