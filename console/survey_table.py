"""The tables of a survey: one row a lap, or one an alert transition, columns flat, with where each row comes from.

In: records as in laps.jsonl and alerts.jsonl, in order, and what their log comes from. Out: an Arrow table a log, which
any process can make, and of those a Parquet file, whole or absent. A column's name is its path in the record, joined by
"_" (a corner's without "corners"); lists have no column. Memory is bounded by some logs' rows. Raises ResultsError when
the file can't be written.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from functools import cache
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

    What is not finite is None, as in the results of a replay.

    Examples
    --------
    >>> flat({"lap": "3", "corners": {"FL": {"damper": None, "bump_stop": {"contacts": 2}}}, "hardest_contacts": [1]})
    {'lap': '3', 'FL_bump_stop_contacts': 2}
    """
    found: Row = {}
    _flatten(record, "", found)
    return found


def _flatten(record: Row, before: str, found: Row) -> None:
    for key, value in record.items():
        name = before + str(key).replace(" ", "_")
        if isinstance(value, dict):
            _flatten(value, "" if name == _LEFT_OUT_OF_NAMES else name + "_", found)
            continue
        one = value.tolist() if hasattr(value, "tolist") else value
        if isinstance(one, float):
            found[name] = one if math.isfinite(one) else None
        elif not isinstance(one, list | tuple) and key != "damper":
            found[name] = one


@cache
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


def table_of(rows: list[Row]) -> pa.Table:
    """Rows of one log; columns in the order in which they first appear.

    Examples
    --------
    >>> table_of([{"lap": "1"}, {"lap": "2", "duration_s": 81.5}]).to_pydict()
    {'lap': ['1', '2'], 'duration_s': [None, 81.5]}
    """
    columns: dict[str, None] = {}
    for row in rows:
        columns.update(dict.fromkeys(row))
    return pa.table({name: pa.array([row.get(name) for row in rows], type_of(name)) for name in columns})


def write_table(file: Path, logs: Iterable[tuple[Row, pa.Table]], columns: Iterable[str]) -> int:
    """Write rows of one log after another; return how many.

    Parameters
    ----------
    file : Path
        Takes the place of an earlier one.
    logs : iterable of (dict, Table)
        For each log where it comes from, and its rows; taken one by one.
    columns : iterable of str
        Names of all columns, in order; one that a log does not have is unknown there.
    """
    schema = pa.schema([(name, type_of(name)) for name in columns])
    temporary = file.with_name(f"{file.name}.{os.getpid()}.writing")
    count = 0
    try:
        with pq.ParquetWriter(temporary, schema, compression="zstd") as writer:  # type: ignore[no-untyped-call,unused-ignore]
            for rows in _batches(logs, schema):
                writer.write_table(rows)  # type: ignore[no-untyped-call,unused-ignore]
                count += len(rows)
        temporary.replace(file)
    except OSError as error:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise ResultsError(f"{clean(file, 200)}: can't be written: {clean(error.strerror or error)}") from None
    return count


def _batches(logs: Iterable[tuple[Row, pa.Table]], schema: pa.Schema) -> Iterator[pa.Table]:
    held: list[tuple[Row, pa.Table]] = []
    count = 0
    for before, rows in logs:
        if len(rows):
            held.append((before, rows))
            count += len(rows)
        if count >= _ROWS_TOGETHER:
            yield _joined(held, schema)
            held, count = [], 0
    if held:
        yield _joined(held, schema)


def _joined(held: list[tuple[Row, pa.Table]], schema: pa.Schema) -> pa.Table:
    """Rows of several logs, one piece a column, so that the file does not depend on how many logs they come from."""
    columns = []
    places = [{name: place for place, name in enumerate(rows.column_names)} for _, rows in held]
    for one in schema:
        pieces = []
        for (before, rows), place in zip(held, places, strict=True):
            if one.name in place:
                pieces += rows.column(place[one.name]).chunks
            else:
                pieces.append(pa.repeat(pa.scalar(before.get(one.name), one.type), len(rows)))
        columns.append(pa.concat_arrays(pieces))
    return pa.Table.from_arrays(columns, schema=schema)
