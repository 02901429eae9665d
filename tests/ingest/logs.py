"""Writes small logs whose left front damper carries the row's own sample number."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.chunk import Chunk, Floats
from ingest.log import Log, open_log
from ingest.sheet import Sheet

NAMES = ("time", "FL", "FR", "RL", "RR")


def numbered(numbers: Any, rate_hz: float = 100.0) -> dict[str, Floats]:
    """Columns of a log with a row for each of the given sample numbers."""
    number = np.asarray(numbers, dtype=np.float64)
    return {"time": number / rate_hz, "FL": number, "FR": number + 0.25, "RL": -number, "RR": np.zeros(len(number))}


def csv_text(columns: dict[str, Floats], delimiter: str = ",", end: str = "\n") -> str:
    """The columns as CSV, names first."""
    lines = [delimiter.join(columns)]
    lines += [delimiter.join(f"{float(value)!r}" for value in row) for row in zip(*columns.values(), strict=True)]
    return end.join(lines) + end


def write(path: Path, content: str | bytes | dict[str, Any]) -> Path:
    """A text as UTF-8, bytes as they are, columns as Parquet."""
    if isinstance(content, dict):
        pq.write_table(pa.table(content), path)  # type: ignore[no-untyped-call,unused-ignore]
    else:
        path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def read(path: Path, sheet: Sheet) -> tuple[Log, list[Chunk]]:
    """Read a log to its end."""
    with open_log(path, sheet) as log:
        return log, list(log)


def samples_in(chunks: list[Chunk]) -> list[float]:
    """What the left front damper carries, over all chunks."""
    return [value for chunk in chunks for value in chunk.sensors[:, 0].tolist()]


def numbers_in(chunks: list[Chunk]) -> list[int]:
    """The number that each sample was given."""
    return [chunk.first_sample + k for chunk in chunks for k in range(len(chunk))]


def check_contract(chunks: list[Chunk]) -> None:
    """Whatever the log held: chunks are column-major, their numbers rise, and gaps are what the numbers say."""
    after: int | None = None
    for chunk in chunks:
        assert chunk.sensors.shape == (len(chunk), 4)
        assert chunk.sensors.dtype == np.float64
        assert all(chunk.sensors[:, corner].flags.c_contiguous for corner in range(4))
        assert all(values.shape == (len(chunk),) for values in chunk.side.values())
        assert not np.isinf(chunk.sensors).any()
        assert chunk.gap_before == (0 if after is None else chunk.first_sample - after)
        assert chunk.gap_before >= 0
        after = chunk.first_sample + len(chunk)
