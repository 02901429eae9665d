"""Tables as CSV, Parquet or HDF5 files that appear under their name only when they are whole.

In: batches of columns. Out: a file, written under a temporary name in the same directory, synced, then renamed.
Constant memory. Raises ResultsError when the file can't be written or exists already.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, Protocol

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from ingest.chunk import Floats, Ints
from ingest.errors import ResultsError
from ingest.recording_file import sync_directory
from ingest.text import clean

SUFFIXES = (".csv", ".parquet", ".h5")
_ROWS_AT_ONCE = 65_536  # 8 MB of sixteen columns; Parquet wants row groups of some size

Columns = Mapping[str, Floats | Ints | pa.Int64Array]


class TableWriter(Protocol):
    """Takes batches of columns, all of the same names and types."""

    def write(self, columns: Columns) -> None:
        """Append rows: columns of one length by name. NaN and null become an empty cell, a null, or in HDF5 NaN."""
        ...


class _File(TableWriter, Protocol):
    """A table on its way to a file."""

    def finish(self) -> None:
        """Write what is held, and close."""
        ...

    def abandon(self) -> None:
        """Let go of the file while it is open; never raises."""
        ...


class _Arrow:
    """Collects batches to a good size and hands them to pyarrow."""

    def __init__(self, file: IO[bytes], suffix: str) -> None:
        self._file = file
        self._csv = suffix == ".csv"
        self._writer: Any = None
        self._waiting: list[pa.Table] = []
        self._rows = 0

    def write(self, columns: Columns) -> None:
        table = pa.table({name: _as_arrow(values) for name, values in columns.items()})
        if self._writer is None:
            self._begin(table)
        self._waiting.append(table)
        self._rows += len(table)
        if self._rows >= _ROWS_AT_ONCE:
            self._hand_over()

    def finish(self) -> None:
        self._hand_over()
        if self._writer is not None:
            self._writer.close()

    def abandon(self) -> None:
        """Let go of the writer while its file is open: later it would complain that it is not."""
        if self._writer is not None:
            with suppress(OSError, ValueError, pa.ArrowException):
                self._writer.close()

    def _begin(self, table: pa.Table) -> None:
        if self._csv:
            # Names without quotes, as everything else in the file.
            self._file.write((",".join(table.column_names) + "\n").encode())
            options = pa.csv.WriteOptions(include_header=False)
            self._writer = pa.csv.CSVWriter(self._file, table.schema, write_options=options)
        else:
            self._writer = pa.parquet.ParquetWriter(self._file, table.schema)

    def _hand_over(self) -> None:
        if self._waiting:
            self._writer.write_table(pa.concat_tables(self._waiting).combine_chunks())
        self._waiting, self._rows = [], 0


@contextmanager
def new_table(path: Path, *, overwrite: bool) -> Iterator[TableWriter]:
    """A table file to write; it appears at `path` when the block ends well, and leaves nothing behind when not.

    Raises
    ------
    ResultsError
        `path` is of another kind, exists and `overwrite` was not given, or can't be written.
    """
    shown = clean(path, 200)
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise ResultsError(f"{shown}: name a file that ends in {' or '.join(SUFFIXES)}")
    temporary = path.with_name(f".{path.name}.{os.urandom(4).hex()}.part")
    try:
        _refuse_existing(path, shown, overwrite=overwrite)
        try:
            with temporary.open("xb") as file:
                table = _new_file(file, temporary, suffix)
                try:
                    yield table
                    table.finish()
                except BaseException:
                    table.abandon()
                    raise
                file.flush()
                os.fsync(file.fileno())
            _refuse_existing(path, shown, overwrite=overwrite)
            temporary.replace(path)
        finally:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
        sync_directory(path.parent)
    except (OSError, RuntimeError, pa.ArrowException) as error:
        reason = getattr(error, "strerror", None) or error
        raise ResultsError(f"{shown}: can't be written: {clean(reason)}") from None


def _new_file(file: IO[bytes], path: Path, suffix: str) -> _File:
    if suffix != ".h5":
        return _Arrow(file, suffix)
    from console.export_hdf5 import Hdf5Table  # needs a library that not everybody has

    return Hdf5Table(path)


def _as_arrow(values: Any) -> Any:
    return values if isinstance(values, pa.Array) else pa.array(values, from_pandas=True)


def _refuse_existing(path: Path, shown: str, *, overwrite: bool) -> None:
    if path.is_dir():
        raise ResultsError(f"{shown}: is a directory; name a file in it")
    if path.exists() and not overwrite:
        raise ResultsError(f"{shown}: exists already; name another file or add --overwrite")
