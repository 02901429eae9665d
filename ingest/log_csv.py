"""A CSV log as batches of `Rows`: read as a stream, in constant memory.

In: a path and the sheet's `log`. Out: `Rows` in the order of the file, each with its line number. Cells are read
as texts and converted batch by batch, so that one bad cell costs that cell and not the log. Rows with the wrong
number of cells are counted and left out; their place on the axis of a log without time or counter stays empty.
Raises `LogError` for a file that is no such CSV or does not hold what the sheet names.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO, Literal

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

from ingest.chunk import Floats, Ints
from ingest.errors import LogError
from ingest.log_cells import CellReader
from ingest.log_columns import find_columns, wanted_columns
from ingest.log_counts import LogCounts
from ingest.rows import Rows
from ingest.sheet_log import LogLayout
from ingest.text import clean

# About 20,000 rows of ten columns: enough to keep the cost per batch small, few enough to stay in the cache.
_BLOCK_BYTES = 2 << 20
# A line of names longer than this belongs to some other kind of file.
_LONGEST_LINE = 1 << 20
# Ragged rows in a row, with no good one between: their numbers are held until the next batch arrives.
_MOST_RAGGED_IN_A_ROW = 200_000
_DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", " ": "blank"}
_TO_ASCII = bytes(range(128)) + b"?" * 128


@dataclass(frozen=True)
class _Head:
    """What stands before the data: column names, number of lines, bytes, and the first data line."""

    names: list[str]
    lines: int
    size: int
    first_line: str


class CsvRows:
    """The data rows of a CSV log.

    Parameters
    ----------
    path : str
        The file.
    layout : LogLayout
        The sheet's `log`.
    counts : LogCounts
        Bad cells and ragged rows are added here.
    """

    def __init__(self, path: str, layout: LogLayout, counts: LogCounts) -> None:
        self._place = clean(path, 200)
        self._layout = layout
        self._counts = counts
        self._wanted = wanted_columns(layout)
        self._cells = CellReader(counts, self._place, layout.decimal, self._wanted.readings)
        self._size = os.path.getsize(path)
        with open(path, "rb") as file:
            head = _read_head(file, layout, self._place)
        if self._size <= head.size:
            raise LogError(f"{self._place}: holds column names but no rows")
        columns = self._find(head)
        # Numbered names, because those in the file may be doubled.
        numbered = [f"{index}" for index in range(len(head.names))]
        self._column_of = {name: numbered[index] for name, index in columns.items()}
        self._head_lines = head.lines
        self._ragged: list[int] = []
        self._ragged_example: tuple[int, int, int] | None = None
        self._file = _AsciiFile(path, head.size)
        used = list(self._column_of.values())
        self._options: dict[str, Any] = {
            # Row numbers of ragged rows are told only without threads.
            "read_options": pa_csv.ReadOptions(use_threads=False, block_size=_BLOCK_BYTES, column_names=numbered),
            "parse_options": pa_csv.ParseOptions(
                delimiter=layout.delimiter, invalid_row_handler=self._on_ragged, ignore_empty_lines=True
            ),
            "convert_options": pa_csv.ConvertOptions(
                include_columns=used,
                column_types={name: pa.string() for name in used},
                strings_can_be_null=True,
                null_values=[""],
            ),
        }

    def __iter__(self) -> Iterator[Rows]:
        """Batches in the order of the file; a fault in mid-file raises `LogError` after all before it was given."""
        row = 1  # physical number of the next data row, ragged ones included, as pyarrow counts
        first = True
        try:
            stream: Any = pa.PythonFile(self._file, "r")
            for batch in pa_csv.open_csv(stream, **self._options):
                if batch.num_rows or self._ragged:
                    numbers = self._numbers(row, batch.num_rows)
                    if first:
                        self._check_raggedness(batch.num_rows)
                    row = int(numbers[-1]) + 1 if len(numbers) else row
                    if len(numbers):
                        yield self._rows(batch, numbers, first)
                        first = False
        except (pa.ArrowException, OSError) as error:
            if first:
                self._check_raggedness(0)
            line = self._head_lines + row
            raise LogError(f"{self._place}: can't be read as CSV after line {line - 1}: {clean(error, 200)}") from None
        if first:
            self._check_raggedness(0)

    def progress(self) -> float:
        """Share of the file that has been read, 0 to 1."""
        return min(1.0, self._file.position / max(1, self._size))

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _find(self, head: _Head) -> dict[str, int]:
        try:
            columns = find_columns(self._wanted, head.names, self._place)
        except LogError:
            better = _better_delimiter(head, self._layout, self._wanted.names)
            if better is None:
                raise
            shown = "\\t" if better == "\t" else better
            number = head.lines - self._layout.lines_after_names
            raise LogError(
                f"{self._place}: line {number}: the columns are not separated by a "
                f'{_DELIMITERS[self._layout.delimiter]} but by a {_DELIMITERS[better]}; set log.delimiter = "{shown}"'
            ) from None
        # Many loggers end each data line, but not that of the names, with a delimiter.
        cells = _cells(head.first_line, self._layout.delimiter)
        if len(cells) == len(head.names) + 1 and not cells[-1].strip():
            head.names.append("")
        return columns

    def _rows(self, batch: Any, numbers: Ints, first: bool) -> Rows:
        read: dict[str, Floats] = {}
        lines = numbers + self._head_lines

        def values_of(name: str) -> Floats:
            if name not in read:
                texts = batch.column(self._column_of[name])
                key = self._wanted.key_of(name)
                read[name] = self._cells.from_texts(name, key, texts, lambda rows: lines[rows], first=first)
            return read[name]

        axis = (numbers - 1).astype(np.float64) if self._wanted.axis is None else values_of(self._wanted.axis.name)
        sensors, side = self._wanted.collect(values_of, len(numbers))
        return Rows(axis=axis, sensors=sensors, side=side, lines=lines)

    def _on_ragged(self, row: Any) -> Literal["error", "skip"]:
        number = int(row.number)
        if self._ragged_example is None:
            self._ragged_example = (number, row.actual_columns, row.expected_columns)
        self._ragged.append(number)
        self._counts.note("ragged_rows", self._head_lines + number)
        return "error" if len(self._ragged) > _MOST_RAGGED_IN_A_ROW else "skip"

    def _numbers(self, row: int, count: int) -> Ints:
        """Physical numbers of the `count` rows from `row` on, those of ragged rows left out and forgotten."""
        ragged = 0
        while ragged < len(self._ragged) and self._ragged[ragged] < row + count + ragged:
            ragged += 1
        numbers = np.arange(row, row + count + ragged)
        if ragged:
            numbers = np.delete(numbers, np.array(self._ragged[:ragged]) - row)
            del self._ragged[:ragged]
        return numbers

    def _check_raggedness(self, good: int) -> None:
        """Refuse a log whose first block has more ragged rows than good ones."""
        if self._ragged_example is None or self._counts.ragged_rows <= good:
            return
        number, actual, expected = self._ragged_example
        hint = "Check log.delimiter, log.skip_lines and log.lines_after_names"
        if self._layout.delimiter == "," and actual > expected:
            hint = "If numbers have a decimal comma, save it with another delimiter; else check log.skip_lines"
        raise LogError(
            f"{self._place}: line {self._head_lines + number} has {actual} cells, but there are {expected} column "
            f"names, and most rows are like it. {hint}"
        )


class _AsciiFile(io.RawIOBase):
    """A file whose bytes beyond ASCII are read as "?".

    Numbers are ASCII in every encoding that a log may have, the names have been read before, and pyarrow stumbles
    over texts that are not UTF-8.
    """

    def __init__(self, path: str, start: int) -> None:
        super().__init__()
        self._file = open(path, "rb", buffering=0)  # noqa: SIM115  closed in close()
        self.position = self._file.seek(start)

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1, /) -> bytes:
        data = self._file.read(size) or b""
        self.position += len(data)
        return data if data.isascii() else data.translate(_TO_ASCII)

    def close(self) -> None:
        self._file.close()
        super().close()


def _read_head(file: BinaryIO, layout: LogLayout, place: str) -> _Head:
    """Read up to the first data line; the names are UTF-8, or else Latin-1."""
    start = file.read(4096)
    if not start.strip():
        raise LogError(f"{place}: is empty")
    if start.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise LogError(f"{place}: is UTF-16 text; save it as UTF-8")
    if b"\0" in start or start.startswith((b"PK\3\4", b"\x1f\x8b")):
        raise LogError(f"{place}: is not text, so not a CSV log (and not Parquet either); unpack or export it first")
    file.seek(0)
    for _ in range(layout.skip_lines):
        file.readline(_LONGEST_LINE)
    names = file.readline(_LONGEST_LINE)
    for _ in range(layout.lines_after_names):
        file.readline(_LONGEST_LINE)
    size = file.tell()
    if not names.strip():
        skipped = f" after the {layout.skip_lines} skipped" if layout.skip_lines else ""
        raise LogError(f"{place}: line {layout.skip_lines + 1}{skipped} holds no column names; check log.skip_lines")
    if len(names) >= _LONGEST_LINE or b"\r" in names.rstrip(b"\r\n"):
        raise LogError(f"{place}: the line of column names has no proper end; save it with LF or CRLF line ends")
    cells = _cells(_decoded(names), layout.delimiter)
    lines = layout.skip_lines + 1 + layout.lines_after_names
    return _Head(cells, lines, size, _decoded(file.readline(_LONGEST_LINE)))


def _decoded(line: bytes) -> str:
    try:
        return line.decode("utf-8-sig").rstrip("\r\n")
    except UnicodeDecodeError:
        return line.decode("latin-1").rstrip("\r\n")


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader(io.StringIO(line), delimiter=delimiter), [])
    except csv.Error:
        return line.split(delimiter)


def _better_delimiter(head: _Head, layout: LogLayout, wanted: list[str]) -> str | None:
    """Return the delimiter that finds all wanted names, or else one that splits a single name into several."""
    line = layout.delimiter.join(head.names)  # as it was, quotes left out
    split = {
        other: [name.strip() for name in _cells(line, other)] for other in _DELIMITERS if other != layout.delimiter
    }
    for other, names in split.items():
        if set(wanted) <= set(names):
            return other
    if len(head.names) > 1:
        return None
    most = max(split, key=lambda other: len(split[other]))
    return most if len(split[most]) > len(wanted) / 2 and len(split[most]) > 1 and most != " " else None
