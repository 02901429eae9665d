"""Cells of a CSV log: what they are worth, and how those that are no number are counted."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pyarrow as pa
from hypothesis import given
from hypothesis import strategies as st

from ingest.log_cells import CellReader
from ingest.log_counts import LogCounts
from tests.ingest.logs import check_contract, read, write
from tests.sheets import make_sheet


def test_bad_cells_become_nan_counted_by_kind_and_place(tmp_path: Path) -> None:
    cells = {
        3: "",
        5: "nan",
        6: "N/A",
        8: "inf",
        9: "-Infinity",
        11: "abc",
        12: "0x10",
        13: "1e999",
        14: "  ",
        15: "\xb5",
    }
    lines = ["time,FL,FR,RL,RR"] + [f"{k / 100},{k},{cells.get(k, k)},0,0" for k in range(100)]
    log, chunks = read(write(tmp_path / "a.csv", "\n".join(lines).encode("latin-1")), make_sheet())
    check_contract(chunks)
    second = np.concatenate([chunk.sensors[:, 1] for chunk in chunks])
    assert np.flatnonzero(np.isnan(second)).tolist() == sorted(cells)
    np.testing.assert_array_equal(second[~np.isnan(second)], [k for k in range(100) if k not in cells])
    counts = log.counts
    assert list(counts.cells) == ["FR"]
    assert (counts.empty_cells, counts.not_a_number_cells, counts.infinite_cells, counts.unparseable_cells) == (
        2,
        2,
        3,
        3,
    )
    assert counts.places["FR", "empty"] == [5, 16]
    assert counts.places["FR", "infinite"] == [10, 11, 15]
    assert counts.places["FR", "unparseable"] == [13, 14, 17]


NUMBERS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.integers(-(10**25), 10**25).map(str),
    st.from_regex(r"\A[+-]?([0-9]{1,20}\.?[0-9]{0,20}|\.[0-9]{1,9})([eE][+-]?[0-9]{1,4})?\Z", fullmatch=True),
)


@given(
    cells=st.lists(st.one_of(NUMBERS, st.text(max_size=6), st.none()), min_size=1, max_size=20), padded=st.booleans()
)
def test_each_cell_is_what_python_says_it_is(cells: list[str | None], padded: bool) -> None:
    """Whether one conversion does for a batch or its cells are sorted one by one, the values are the same."""
    cells = [None if cell is None else cell.encode("utf-8", "replace").decode() for cell in cells]
    texts = [f" {cell}" if padded and cell is not None else cell for cell in cells]
    array = pa.array([*texts, "1"], pa.string())
    counts = LogCounts()
    values = CellReader(counts, "log").from_texts("x", "key", array, lambda rows: rows, first=False)
    assert values[-1] == 1.0
    for cell, value in zip(cells, values, strict=False):
        plain = cell is not None and set(cell.strip(" \t\r\n\v\f")) <= set("0123456789+-.eE")
        try:
            expected = float(cell) if cell is not None and plain else math.nan
        except ValueError:
            expected = math.nan
        assert value == expected or (math.isnan(value) and not math.isfinite(expected))
    bad = counts.empty_cells + counts.not_a_number_cells + counts.infinite_cells + counts.unparseable_cells
    assert bad == np.isnan(values).sum()
