"""The tables of a survey: one row a lap, or one an alert transition, columns flat, with where each row comes from.

In: records as in laps.jsonl and alerts.jsonl, in order. Out: a Parquet file, whole or absent. A column's name is its
path in the record, joined by "_" (a corner's without "corners"); lists have no column. Memory is bounded by some
logs' rows. Raises ResultsError when the file can't be written.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from ingest.errors import ResultsError
from ingest.text import clean

Row = dict[str, Any]

# What a row comes from; in front of what it holds.
PROVENANCE: Final = (
    "log",
    "log_sha256",
    "sheet_sha256",
    "program_version",
    "car",
    "circuit",
    "set_up",
    "when",
    "rehearsal",
)
_WHOLE: Final = re.compile(r"^(index|first_sample|end_sample|sample|sequence|occurrences|.*samples_\w+|.*_contacts)$")
_YES_OR_NO: Final = {"rehearsal", "announced", "suppressed", "shelved", "out_of_service"}
_TEXT: Final = {
    *PROVENANCE,
    *("lap", "kind", "reason", "where", "change", "state", "priority", "who", "unit"),
    *("sentence", "check_first", "caution"),
} - _YES_OR_NO
# A row group each: some 20 MB while it is written, and its fixed cost for each column hardly counts.
_ROWS_TOGETHER: Final = 1000
# Each in the record of one lap only under this key, so that a column's name tells the corner first.
_LEFT_OUT_OF_NAMES: Final = "corners"


def flat(record: Row) -> Row:
    """A record's numbers and words by their paths; lists, and what the car sheet gives no numbers for, are left out.

    Examples
    --------
    >>> flat({"lap": "3", "corners": {"FL": {"damper": None, "bump_stop": {"contacts": 2}}}, "hardest_contacts": [1]})
    {'lap': '3', 'FL_bump_stop_contacts': 2}
    """
    return dict(_flat(record, ""))


def _flat(record: Row, before: str) -> Iterator[tuple[str, Any]]:
    for key, value in record.items():
        name = before + key.replace(" ", "_")
        if isinstance(value, dict):
            yield from _flat(value, "" if name == _LEFT_OUT_OF_NAMES else name + "_")
        elif not isinstance(value, list) and key != "damper":
            yield name, value


def type_of(column: str) -> pa.DataType:
    """A column's type, from its name alone: the same in every survey, whatever is unknown in it.

    Examples
    --------
    >>> str(type_of("FL_bump_stop_contacts")), str(type_of("duration_s")), str(type_of("platform_nose_lowest_regime"))
    ('int64', 'double', 'string')
    """
    if column in _YES_OR_NO:
        return pa.bool_()
    if column in _TEXT or column.endswith("_regime"):
        return pa.string()
    return pa.int64() if _WHOLE.match(column) else pa.float64()


def write_table(file: Path, logs: Callable[[], Iterable[list[Row]]], always: tuple[str, ...]) -> int:
    """Write rows of one log after another; return how many.

    Parameters
    ----------
    file : Path
        Takes the place of an earlier one.
    logs : callable
        Gives the rows, a list for each log; called twice, first for the names of columns.
    always : tuple of str
        Columns that are there even without rows.
    """
    columns = dict.fromkeys(always)
    for rows in logs():
        for row in rows:
            columns.update(dict.fromkeys(row))
    schema = pa.schema([(name, type_of(name)) for name in columns])
    temporary = file.with_name(f"{file.name}.{os.getpid()}.writing")
    count = 0
    try:
        with pq.ParquetWriter(temporary, schema, compression="zstd") as writer:  # type: ignore[no-untyped-call,unused-ignore]
            for rows in _batches(logs()):
                writer.write_table(_table(rows, schema))  # type: ignore[no-untyped-call,unused-ignore]
                count += len(rows)
        temporary.replace(file)
    except OSError as error:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise ResultsError(f"{clean(file, 200)}: can't be written: {clean(error.strerror or error)}") from None
    return count


def _batches(logs: Iterable[list[Row]]) -> Iterator[list[Row]]:
    held: list[Row] = []
    for rows in logs:
        held += rows
        if len(held) >= _ROWS_TOGETHER:
            yield held
            held = []
    if held:
        yield held


def _table(rows: list[Row], schema: pa.Schema) -> pa.Table:
    return pa.table({one.name: pa.array([row.get(one.name) for row in rows], one.type) for one in schema}, schema)
