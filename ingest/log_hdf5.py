"""An HDF5 log as batches of `Rows`: only the columns in use, in constant memory. Needs h5py, an optional extra.

In: a path and the sheet's `log`. Channels are one-dimensional datasets of equal length in one group, or the members
of one dataset of records. Out: `Rows` in the order of the file; NaN counts as an empty cell, since HDF5 has no other
way to leave one. Raises `LogError` for a file that can't be opened or whose columns are missing or no numbers; damage
in mid-file, or a file that is cut off, raises it after all before it was given.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from ingest.chunk import Floats
from ingest.errors import LogError
from ingest.hdf5_columns import DamagedError
from ingest.hdf5_file import Hdf5File, Table
from ingest.log_cells import CellReader
from ingest.log_columns import WantedColumns, find_columns, wanted_columns
from ingest.log_counts import LogCounts
from ingest.rows import Rows
from ingest.sheet_log import LogLayout
from ingest.text import clean

# One channel of a batch is 256 kB, which stays in a core's cache while it is converted.
_BATCH_ROWS = 32_768
_TABLES_SHOWN = 6


class Hdf5Rows:
    """The rows of an HDF5 log.

    Parameters
    ----------
    path : str
        The file.
    layout : LogLayout
        The sheet's `log`. A column's name is a dataset's or a record member's; where several groups would do, it is
        given with its group, as in "stint_2/damper_fl".
    counts : LogCounts
        Bad cells are added here.
    """

    def __init__(self, path: str, layout: LogLayout, counts: LogCounts) -> None:
        self._place = clean(path, 200)
        self._wanted = wanted_columns(layout)
        self._cells = CellReader(counts, self._place, bounded=self._wanted.readings)
        self._read = 0
        self._file = Hdf5File(path)
        try:
            table, prefix = _choose(self._file.tables(), self._wanted, self._place)
            names = [prefix + name for name in table.names]
            _check_links(table, prefix, self._wanted, self._place)
            found = find_columns(self._wanted, names, self._place)
            self._column_of = {name: table.names[index] for name, index in found.items()}
            self._columns = self._file.columns(table, self._column_of.values())
            self._check_rows()
        except LogError:
            self.close()
            raise

    def __iter__(self) -> Iterator[Rows]:
        """Batches in the order of the file; what can't be read raises `LogError` after all before it was given."""
        columns = self._columns
        while self._read < columns.stored:
            stop = min(columns.stored, self._read + _BATCH_ROWS)
            try:
                values = columns.read(self._read, stop)
            except DamagedError as error:
                if error.row > self._read:
                    yield self._rows(columns.read(self._read, error.row), error.row)
                raise self._lost(f"is damaged after row {self._read} of {columns.rows} ({error})") from None
            yield self._rows(values, stop)
        if columns.stored < columns.rows:
            why = self._file.cut or "its shape says more than is stored"
            raise self._lost(f"{self._read} of {columns.rows} rows are there: {why}")

    def progress(self) -> float:
        """Share of the rows that has been read, 0 to 1."""
        return self._read / self._columns.stored if self._columns.stored else 1.0

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _check_rows(self) -> None:
        if not self._columns.rows:
            raise LogError(f"{self._place}: holds columns but no rows")

    def _lost(self, what: str) -> LogError:
        return LogError(f"{self._place}: {what}; what comes after it is lost. Export it again")

    def _rows(self, values: dict[str, Floats], stop: int) -> Rows:
        checked: dict[str, Floats] = {}
        start, self._read = self._read, stop

        def values_of(name: str) -> Floats:
            if name not in checked:
                column = pa.array(values[self._column_of[name]], from_pandas=True)
                checked[name] = self._cells.from_numbers(name, column, lambda rows: rows + start + 1)
            return checked[name]

        if self._wanted.axis is None:
            axis = np.arange(start, stop, dtype=np.float64)
        else:
            axis = values_of(self._wanted.axis.name)
        sensors, side = self._wanted.collect(values_of, stop - start)
        return Rows(axis=axis, sensors=sensors, side=side, first_line=start + 1)


def hdf5_column_names(path: str) -> list[str]:
    """Names of the columns in a file, those of its largest table; raises `LogError` as a log does."""
    file = Hdf5File(path)
    try:
        tables = file.tables()
    finally:
        file.close()
    return max((table.names for table in tables), key=len, default=[])


def _choose(tables: list[Table], wanted: WantedColumns, place: str) -> tuple[Table, str]:
    """The table that holds the wanted columns, and what stands before its columns' names in the sheet."""
    names = wanted.names
    choices: list[tuple[int, Table, str]] = []
    for table in tables:
        for prefix in ("", f"{table.path}/") if table.path else ("",):
            held = {(prefix + name).strip() for name in (*table.names, *table.refused)}
            choices.append((sum(name in held for name in names), table, prefix))
    if not choices:
        raise LogError(f"{place}: holds no datasets")
    most = max(count for count, _, _ in choices)
    best = [(table, prefix) for count, table, prefix in choices if count == most]
    if most == len(names) and len(best) > 1:
        shown = ", ".join(clean(table.path or "/", 40) for table, _ in best[:_TABLES_SHOWN])
        first = clean(next(table.path for table, _ in best if table.path), 40)
        raise LogError(
            f"{place}: these groups all hold the columns: {shown}. Name the columns in the sheet's log with the group, "
            f'as in "{first}/{clean(names[-1], 40)}"'
        )
    # Without a fit: the one with most columns says best what is there.
    return max(best, key=lambda choice: (len(choice[0].names), not choice[1]))


def _check_links(table: Table, prefix: str, wanted: WantedColumns, place: str) -> None:
    refused = {(prefix + name).strip(): why for name, why in table.refused.items()}
    for column in wanted.all:
        if column.name in refused:
            raise LogError(
                f"{place}: {column.key}: {clean(column.name, 60)} {refused[column.name]}, which is not followed; "
                "export the log into one file"
            )
