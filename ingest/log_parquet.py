"""A Parquet log as batches of `Rows`: only the columns in use, in constant memory.

In: a path and the sheet's `log`. Out: `Rows` in the order of the file; a time column may hold timestamps. Raises
`LogError` for a file that can't be opened or whose columns are missing or no numbers; damage in mid-file raises it
after all before it was given.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from ingest.chunk import Floats
from ingest.errors import LogError
from ingest.log_cells import CellReader
from ingest.log_columns import WantedColumns, find_columns, wanted_columns
from ingest.log_counts import LogCounts
from ingest.rows import Rows
from ingest.sheet_log import LogLayout
from ingest.text import clean
from ingest.units import TIME_TO_S

# As many as the chain takes at once: with fewer, every batch has a cost of its own that shows.
_BATCH_ROWS = 65_536
# What pyarrow raises on damaged files, depending on where the damage is.
_DAMAGE = (pa.ArrowException, OSError, UnicodeDecodeError)


class ParquetRows:
    """The rows of a Parquet log.

    Parameters
    ----------
    path : str
        The file.
    layout : LogLayout
        The sheet's `log`.
    counts : LogCounts
        Bad cells are added here.
    """

    def __init__(self, path: str, layout: LogLayout, counts: LogCounts) -> None:
        self._place = clean(path, 200)
        self._wanted = wanted_columns(layout)
        self._cells = CellReader(counts, self._place, bounded=self._wanted.readings)
        self._read = 0
        self._time = layout.time
        self._first_tick: int | None = None
        try:
            self._file = pq.ParquetFile(path, page_checksum_verification=True)
            schema = self._file.schema_arrow
            names = schema.names
            self._total = self._file.metadata.num_rows
        except _DAMAGE as error:
            raise LogError(
                f"{self._place}: is damaged or not complete ({clean(error, 120)}). A Parquet file that was not closed "
                "has no table of contents: export it again"
            ) from None
        try:
            columns = find_columns(self._wanted, names, self._place)
            self._column_of = {name: names[index] for name, index in columns.items()}
            _check_types(self._place, {name: schema.field(index).type for name, index in columns.items()}, self._wanted)
            self._check_rows()
        except LogError:
            self.close()
            raise

    def __iter__(self) -> Iterator[Rows]:
        """Batches in the order of the file; damage in mid-file raises `LogError` after all before it was given."""
        names = list(self._column_of.values())
        try:
            # Group by group: a batch across two of them would be lost whole with a damaged second one.
            for group in range(self._file.num_row_groups):
                batches = self._file.iter_batches(
                    _BATCH_ROWS, row_groups=[group], columns=names, use_threads=pa.cpu_count() > 1
                )
                while (batch := next(batches, None)) is not None:
                    rows = self._rows(batch)
                    self._read += batch.num_rows
                    yield rows
        except _DAMAGE as error:
            raise LogError(
                f"{self._place}: is damaged after row {self._read} of {self._total} ({clean(error, 120)}); "
                "what comes after it is lost. Export it again"
            ) from None

    def progress(self) -> float:
        """Share of the rows that has been read, 0 to 1."""
        return self._read / self._total if self._total else 1.0

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _rows(self, batch: Any) -> Rows:
        read: dict[str, Floats] = {}
        first_row = self._read + 1

        def values_of(name: str) -> Floats:
            if name not in read:
                column = batch.column(batch.schema.get_field_index(self._column_of[name]))
                if pa.types.is_timestamp(column.type):
                    column = self._since_first(column)
                read[name] = self._cells.from_numbers(name, column, lambda rows: rows + first_row)
            return read[name]

        count = batch.num_rows
        if self._wanted.axis is None:
            axis = np.arange(self._read, self._read + count, dtype=np.float64)
        else:
            axis = values_of(self._wanted.axis.name)
        sensors, side = self._wanted.collect(values_of, count)
        return Rows(axis=axis, sensors=sensors, side=side, first_line=first_row)

    def _since_first(self, instants: Any) -> Any:
        """Instants as seconds since the log's first, in the unit that the sheet gives the time column."""
        assert self._time is not None
        ticks = instants.cast(pa.int64())
        if self._first_tick is None:
            self._first_tick = next((tick.as_py() for tick in ticks if tick.is_valid), None)
        # Only the difference fits a double: ticks since 1970 in ns do not.
        passed = pc.subtract(ticks, pa.scalar(self._first_tick, pa.int64()))
        return pc.multiply(passed.cast(pa.float64(), safe=False), TIME_TO_S[instants.type.unit] / self._time.to_s)

    def _check_rows(self) -> None:
        if not self._total:
            raise LogError(f"{self._place}: holds columns but no rows")


def _check_types(place: str, types: dict[str, Any], wanted: WantedColumns) -> None:
    for name, held in types.items():
        is_time = [column.key for column in wanted.all if column.name == name] == ["log.time"]
        if not _is_number(held) and not (is_time and pa.types.is_timestamp(held)):
            raise LogError(
                f"{place}: column {clean(name, 60)} ({wanted.key_of(name)}) holds {clean(held, 60)}, "
                "not numbers; export it as numbers"
            )


def _is_number(held: Any) -> bool:
    types = pa.types
    return any(check(held) for check in (types.is_integer, types.is_floating, types.is_boolean, types.is_decimal))
