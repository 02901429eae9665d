"""Writes a new car sheet to start from; with a log, its columns are listed in it and roles proposed.

In: where to write, and a log if there is one. Out: a file, which appears whole and replaces none unasked. Raises
LogError for a log whose columns can't be told, ResultsError when the sheet can't be written.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from console.new_sheet_guess import guesses
from console.new_sheet_text import COLUMNS_MARK, TEMPLATE
from ingest.errors import LogError, ResultsError
from ingest.text import clean

_LONGEST_NAME = 200  # as in the car sheet
_MOST_NAMES = 500
_HEAD_BYTES = 1 << 20  # names that are not in the first megabyte are no names
_HEAD_LINES = 50
_DELIMITERS = (",", ";", "\t", "|")
_LINE_WIDTH = 110


@dataclass(frozen=True)
class LogHead:
    """A log's columns; for a CSV file how it is laid out, as in the sheet's `[log]`."""

    names: list[str]
    delimiter: str = ","
    skip_lines: int = 0
    lines_after_names: int = 0
    decimal: str = "."


def new_sheet(path: Path, log: Path | None, *, overwrite: bool) -> list[str]:
    """Write the sheet; returns lines to print.

    Raises
    ------
    LogError, ResultsError
        The log's columns can't be told, or the sheet can't be written; nothing is left then.
    """
    text = TEMPLATE
    found: dict[str, str] = {}
    if log is not None:
        head = head_of(log)
        found = guesses(head.names)
        text = new_sheet_text(log.name, head)
    _write(path, text, overwrite=overwrite)
    shown = clean(path, 200)
    lines = [f"{shown}: a sheet with the values of an example car; put in your own"]
    if log is not None:
        lines.append(
            f"  {len(found)} of the columns of {clean(log.name, 80)} are proposed under [log.columns]: check them"
        )
    return [*lines, f"  then: damperwatch sheet {shown}"]


def new_sheet_text(log: str, head: LogHead) -> str:
    """The template with a log's columns listed under `[log.columns]`, and roles proposed, behind marks.

    Parameters
    ----------
    log : str
        The log's name.
    head : LogHead
        Its columns, of which those that no sheet could name are left out, and its layout.
    """
    usable = [name for name in head.names[:_MOST_NAMES] if 0 < len(name.strip()) <= _LONGEST_NAME]
    lines = [f"# The columns of {clean(log, 80)}:"]
    lines += _wrapped([toml_text(name) for name in usable])
    proposals = list(_proposals(guesses(usable), head))
    if proposals:
        lines += ['# Guesses from their names: check each, units too, then take its "# " away and drop the example.']
        lines += proposals
    return TEMPLATE.replace(COLUMNS_MARK, COLUMNS_MARK + "\n".join(lines) + "\n\n", 1)


def columns_of(path: Path) -> list[str]:
    """Names of a log's columns; raises LogError as `head_of` does."""
    return head_of(path).names


def head_of(path: Path) -> LogHead:
    """The columns of a CSV, Parquet or HDF5 log.

    Raises
    ------
    LogError
        It can't be read, is a recording, or tells no columns.
    """
    shown = clean(path, 200)
    try:
        with path.open("rb") as file:
            start = file.read(_HEAD_BYTES)
    except (OSError, ValueError) as error:
        raise LogError(f"{shown}: can't be read: {clean(getattr(error, 'strerror', None) or error)}") from None
    from ingest.hdf5_file import is_hdf5
    from ingest.recording_reader import is_recording

    if is_recording(path):
        raise LogError(f"{shown}: is a recording of a link; its channels have the sheet's own names")
    if start.startswith(b"PAR1"):
        head = LogHead(_parquet_names(path, shown))
    elif is_hdf5(str(path)):
        from ingest.log_hdf5 import hdf5_column_names

        head = LogHead(hdf5_column_names(str(path)))
    else:
        head = _csv_head(start, shown)
    if not head.names:
        raise LogError(f"{shown}: no columns are found in it")
    return head


def toml_text(text: str) -> str:
    r"""A text in quotes, as TOML has it; what is not printable is escaped.

    Examples
    --------
    >>> print(toml_text('a "b"\x1b'))
    "a \"b\"\u001b"
    """
    return '"' + "".join(_escaped(letter) for letter in text) + '"'


def _escaped(letter: str) -> str:
    if letter in '"\\':
        return "\\" + letter
    if letter.isprintable():
        return letter
    if 0xD800 <= ord(letter) <= 0xDFFF:  # half a character, which TOML can't hold
        return "\\ufffd"
    return f"\\u{ord(letter):04x}" if ord(letter) < 0x10000 else f"\\U{ord(letter):08x}"


def _wrapped(items: list[str]) -> Iterator[str]:
    line = "#  "
    for item in items:
        if len(line) + len(item) + 2 > _LINE_WIDTH and line != "#  ":
            yield line
            line = "#  "
        line += f" {item},"
    yield line.rstrip(",")


def _proposals(found: dict[str, str], head: LogHead) -> Iterator[str]:
    for role in (*(f"damper_{corner}" for corner in ("FL", "FR", "RL", "RR")), "lap_number", "lap_marker"):
        if role in found:
            yield f"# {role} = {toml_text(found[role])}"
    for role, unit in (
        ("speed", _speed_unit),
        ("acceleration_longitudinal", _acceleration_unit),
        ("acceleration_lateral", _acceleration_unit),
        ("acceleration_vertical", _acceleration_unit),
        ("lap_distance", _distance_unit),
    ):
        if role in found:
            yield f'# {role} = {{ column = {toml_text(found[role])}, unit = "{unit(found[role])}" }}'
    layout = []
    if "time" in found:
        layout.append(f'time = {{ column = {toml_text(found["time"])}, unit = "{_time_unit(found["time"])}" }}')
    elif "counter" in found:
        layout.append(f"counter = {{ column = {toml_text(found['counter'])} }}")
    if head.delimiter != ",":
        layout.append(f"delimiter = {toml_text(head.delimiter)}")
    if head.decimal != ".":
        layout.append(f"decimal = {toml_text(head.decimal)}")
    if head.skip_lines:
        layout.append(f"skip_lines = {head.skip_lines}")
    if head.lines_after_names:
        layout.append(f"lines_after_names = {head.lines_after_names}")
    if layout:
        yield "# And under [log] above:"
        yield from (f"# {line}" for line in layout)


def _plain(name: str) -> str:
    return name.lower().replace(" ", "").replace("_", "")


def _speed_unit(name: str) -> str:
    plain = _plain(name)
    if "mph" in plain:
        return "mph"
    return "m/s" if "m/s" in plain or plain.endswith("ms") else "km/h"


def _acceleration_unit(name: str) -> str:
    plain = _plain(name)
    return "m/s2" if "m/s" in plain or plain.endswith("ms2") else "g"


def _distance_unit(name: str) -> str:
    plain = _plain(name)
    return next((unit for unit in ("km", "mm", "ft") if plain.endswith((unit, f"[{unit}]", f"({unit})"))), "m")


def _time_unit(name: str) -> str:
    plain = _plain(name)
    return next((unit for unit in ("ms", "us", "ns") if plain.endswith((unit, f"[{unit}]", f"({unit})"))), "s")


def _parquet_names(path: Path, shown: str) -> list[str]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return list(pq.read_schema(path).names)  # type: ignore[no-untyped-call,unused-ignore]
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise LogError(f"{shown}: is damaged or not complete ({clean(error, 120)}); export it again") from None


def _csv_head(start: bytes, shown: str) -> LogHead:
    """The line of names: of the first ones the one with most cells, most of which are no numbers."""
    if b"\0" in start:
        raise LogError(f"{shown}: is no CSV, Parquet or HDF5 file")
    lines = start.decode("utf-8-sig", "replace").splitlines()
    if len(start) == _HEAD_BYTES:
        lines = lines[:-1]  # which is cut
    best = LogHead([])
    for number, line in enumerate(lines[:_HEAD_LINES]):
        for delimiter in _DELIMITERS:
            try:
                cells = [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
            except csv.Error:
                continue
            named = sum(bool(cell) and not _is_number(cell) for cell in cells)
            if named > len(cells) / 2 and len(cells) > len(best.names):
                best = LogHead(cells, delimiter, number)
    return replace(best, **_below(best, lines[best.skip_lines + 1 :]))


def _below(head: LogHead, lines: list[str]) -> dict[str, Any]:
    """How many lines of units follow the names, and the sign of decimals; nothing where no line of numbers is seen."""
    for number, line in enumerate(lines[:_HEAD_LINES]):
        try:
            cells = [cell.strip() for cell in next(csv.reader([line], delimiter=head.delimiter), [])]
        except csv.Error:
            break
        if sum(map(_is_number, cells)) > len(head.names) / 2:
            comma = head.delimiter != "," and any("," in cell for cell in cells if _is_number(cell))
            return {"lines_after_names": number, "decimal": "," if comma else "."}
    return {}


def _is_number(cell: str) -> bool:
    try:
        float(cell.replace(",", "."))
    except ValueError:
        return False
    return True


def _write(path: Path, text: str, *, overwrite: bool) -> None:
    shown = clean(path, 200)
    temporary = path.with_name(f".{path.name}.{os.urandom(4).hex()}.part")
    try:
        if path.is_dir():
            raise ResultsError(f"{shown}: is a directory; name a file in it")
        if path.exists() and not overwrite:
            raise ResultsError(f"{shown}: exists already; name another file or add --overwrite")
        try:
            with temporary.open("x", encoding="utf-8") as file:
                file.write(text)
            temporary.replace(path)
        finally:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
    except (OSError, ValueError) as error:
        raise ResultsError(f"{shown}: can't be written: {clean(getattr(error, 'strerror', None) or error)}") from None
