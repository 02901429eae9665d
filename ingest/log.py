"""A log file as chunks: opened by `open_log`, read once from start to end in constant memory.

In: a CSV, Parquet or HDF5 file and the car sheet that maps its columns. Out: `Chunk`s of readings, in order, with gaps
found. What is wrong with single rows and cells is counted in `LogCounts`; a file that can't be read, or does not
hold what the sheet says, raises `LogError`: on opening where possible, else after all before the fault was given.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from ingest.chunk import Chunk
from ingest.errors import LogError
from ingest.hdf5_file import is_hdf5
from ingest.log_columns import wanted_columns
from ingest.log_counts import LogCounts
from ingest.recording_reader import is_recording
from ingest.rows import RowFramer
from ingest.sheet import Sheet
from ingest.sheet_log import LogLayout
from ingest.text import clean

if TYPE_CHECKING:
    from ingest.log_csv import CsvRows
    from ingest.log_hdf5 import Hdf5Rows
    from ingest.log_parquet import ParquetRows

_PARQUET_MAGIC = b"PAR1"
_PARQUET_SUFFIXES = {".parquet", ".pq"}
_HDF5_SUFFIXES = {".h5", ".hdf5"}


class Log:
    """An open log. Iterating over it, once, yields its chunks; it is a context manager that closes the file.

    Attributes
    ----------
    path : str
        The file.
    size_bytes : int
        Its size.
    rate_hz : float
        Sample rate, from the sheet or measured from the log's first rows.
    roles : tuple of str
        Side roles (see `ingest.chunk.SIDE_ROLES`) that the chunks hold.
    counts : LogCounts
        What was read, dropped and found missing so far; complete after the last chunk.
    notes : tuple of str
        What a person should know of the log before it is played.
    is_recording : bool
        Whether it is a recording of a link (then it is an `ingest.recording_log.RecordingLog`).
    """

    notes: tuple[str, ...] = ()
    is_recording = False

    def __init__(self, path: str, layout: LogLayout) -> None:
        self.path = path
        self.size_bytes = os.path.getsize(path)
        self.counts = LogCounts()
        self.roles = tuple(wanted_columns(layout).side)
        self._place = clean(path, 200)
        self._source = _rows_of(path)(path, layout, self.counts)
        self._framer = RowFramer(layout, self.counts, self._place)
        self._chunks = self._framed()
        # The first chunk is read at once, because only then are the rate and most mistakes known.
        try:
            self._first: Chunk | None = next(self._chunks)
        except StopIteration:
            self.close()
            raise LogError(
                f"{self._place}: none of its {self.counts.rows_read} rows can be used; check log.time or log.counter"
            ) from None
        except LogError:
            self.close()
            raise
        self.rate_hz = self._first.rate_hz

    def __iter__(self) -> Iterator[Chunk]:
        """Chunks in order; the log can be read once."""
        if self._first is not None:
            first, self._first = self._first, None
            yield first
        yield from self._chunks

    def __enter__(self) -> Self:
        """Return the log."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Close the file."""
        self.close()

    def progress(self) -> float:
        """Share of the log that has been read, 0 to 1; it runs a little ahead of the chunks."""
        return self._source.progress()

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        self._source.close()

    def _framed(self) -> Iterator[Chunk]:
        rows_of = iter(self._source)
        while True:
            try:
                rows = next(rows_of, None)
            except LogError:
                # After a fault in mid-file, too, all that was read before it is given first.
                yield from self._rest_after_fault()
                raise
            if rows is None:
                break
            yield from self._framer.push(rows)
        yield from self._framer.finish()

    def _rest_after_fault(self) -> list[Chunk]:
        try:
            return self._framer.finish()
        except LogError:  # too few rows to tell the rate; the fault in the file is the one to report
            return []


def open_log(path: str | Path, sheet: Sheet) -> Log:
    """Open a CSV, Parquet or HDF5 log, or a recording of a link (then it is an `ingest.recording_log.RecordingLog`).

    Parameters
    ----------
    path : str or Path
        The file. One that starts like a recording, like Parquet or like HDF5 is read as such whatever its name; any
        other as CSV.
    sheet : Sheet
        Its `log` part maps columns to roles, its `link` part says how a recording's bytes are laid out.

    Raises
    ------
    LogError
        The file can't be read, or does not hold what the sheet says.
    """
    shown = clean(path, 200)
    if "\0" in str(path):
        raise LogError(f"{shown}: no file can have such a name")
    try:
        if is_recording(path):
            from ingest.recording_log import RecordingLog  # which is itself a log

            return RecordingLog(str(path), sheet)
        return Log(str(path), sheet.log)
    except IsADirectoryError:
        raise LogError(f"{shown}: is a directory; name the log file in it") from None
    except FileNotFoundError:
        raise LogError(f"{shown}: there is no such file") from None
    except OSError as error:
        raise LogError(f"{shown}: can't be read: {clean(error.strerror or error)}") from None


def _rows_of(path: str) -> type[CsvRows] | type[ParquetRows] | type[Hdf5Rows]:
    """The reader for a file; each is loaded only when a file needs it."""
    with open(path, "rb") as file:
        start = file.read(len(_PARQUET_MAGIC))
    if start == _PARQUET_MAGIC:
        from ingest.log_parquet import ParquetRows

        return ParquetRows
    if is_hdf5(path):
        from ingest.log_hdf5 import Hdf5Rows

        return Hdf5Rows
    suffix = Path(path).suffix.lower()
    for kind, suffixes in (("Parquet", _PARQUET_SUFFIXES), ("HDF5", _HDF5_SUFFIXES)):
        if suffix in suffixes:
            raise LogError(f"{clean(path, 200)}: is named like {kind} but does not start like it; export it again")
    from ingest.log_csv import CsvRows

    return CsvRows
