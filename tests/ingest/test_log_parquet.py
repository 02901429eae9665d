"""Parquet logs: types, nulls, damage."""

from __future__ import annotations

import math
import os
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import ingest.log_parquet
from ingest.chunk import Chunk
from ingest.errors import LogError
from ingest.log import open_log
from tests.ingest.logs import check_contract, csv_text, numbered, numbers_in, read, samples_in, write
from tests.sheets import make_sheet


def test_a_plain_log_is_read_as_it_is(tmp_path: Path) -> None:
    columns = numbered(range(250)) | {"v": np.full(250, 36.0)}
    path = write(tmp_path / "a.parquet", columns)
    log, chunks = read(path, make_sheet({"log.columns.speed": {"column": "v", "unit": "km/h"}}))
    check_contract(chunks)
    assert samples_in(chunks) == numbers_in(chunks) == list(range(250))
    np.testing.assert_array_equal(chunks[0].sensors[3], [3.0, 3.25, -3.0, 0.0])
    np.testing.assert_allclose(chunks[0].side["speed"], 10.0, rtol=1e-15)
    assert (log.rate_hz, log.roles, log.counts.cells, log.progress()) == (100.0, ("speed",), {}, 1.0)


@pytest.mark.parametrize("size", [1, 7, 1000])
def test_the_size_of_batches_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    monkeypatch.setattr(ingest.log_parquet, "_BATCH_ROWS", size)
    path = write(tmp_path / "a.parquet", numbered([*range(100), *range(105, 300), 299, *range(300, 400)]))
    log, chunks = read(path, make_sheet())
    check_contract(chunks)
    assert samples_in(chunks) == numbers_in(chunks) == [*range(100), *range(105, 400)]
    assert log.counts.places == {"gaps": [101], "repeated_rows": [296]}


def test_the_contents_decide_not_the_name(tmp_path: Path) -> None:
    _, chunks = read(write(tmp_path / "a.csv", numbered(range(30))), make_sheet())
    assert samples_in(chunks) == list(range(30))
    with pytest.raises(LogError, match="named like Parquet"):
        open_log(write(tmp_path / "b.parquet", "time,FL,FR,RL,RR\n0,1,2,3,4\n"), make_sheet())


@pytest.mark.parametrize(
    "kind",
    [
        *(pa.int8(), pa.uint8(), pa.int16(), pa.uint16(), pa.int32(), pa.uint32(), pa.int64(), pa.uint64()),
        *(pa.float16(), pa.float32(), pa.float64(), pa.decimal128(9, 2)),
    ],
    ids=str,
)
@pytest.mark.parametrize("nulls", [False, True])
def test_numbers_of_every_type(tmp_path: Path, kind: Any, nulls: bool) -> None:
    values: list[Any] = [Decimal(k) if pa.types.is_decimal(kind) else k for k in range(30)]
    if pa.types.is_float16(kind):
        values = [np.float16(k) for k in range(30)]
    if nulls:
        values[4] = None
    path = write(tmp_path / "a.parquet", numbered(range(30)) | {"FL": pa.array(values, kind)})
    log, chunks = read(path, make_sheet())
    check_contract(chunks)
    expected = [math.nan if value is None else float(value) for value in values]
    np.testing.assert_array_equal(samples_in(chunks), expected)
    assert log.counts.empty_cells == nulls
    assert log.counts.places == ({("FL", "empty"): [5]} if nulls else {})


def test_truths_are_0_and_1(tmp_path: Path) -> None:
    marks = pa.array([k == 7 if k != 9 else None for k in range(30)], pa.bool_())
    path = write(tmp_path / "a.parquet", numbered(range(30)) | {"mark": marks})
    _, chunks = read(path, make_sheet({"log.columns.lap_marker": "mark"}))
    expected = np.zeros(30)
    expected[[7, 9]] = 1.0, math.nan
    np.testing.assert_array_equal(np.concatenate([chunk.side["lap_marker"] for chunk in chunks]), expected)


def test_nan_and_infinite_cells_are_kept_apart_from_nulls(tmp_path: Path) -> None:
    values = pa.array([math.nan, None, math.inf, -math.inf, None, *range(5, 30)], pa.float64())
    log, chunks = read(write(tmp_path / "a.parquet", numbered(range(30)) | {"FR": values}), make_sheet())
    check_contract(chunks)
    assert np.isnan(chunks[0].sensors[:, 1]).sum() == 5
    assert (log.counts.not_a_number_cells, log.counts.empty_cells, log.counts.infinite_cells) == (1, 2, 2)


@pytest.mark.parametrize(
    "values", [pa.array(["1"] * 30), pa.array([None] * 30), pa.array([[1.0]] * 30), pa.array([b"1"] * 30)], ids=str
)
def test_what_is_no_number_is_refused(tmp_path: Path, values: Any) -> None:
    path = write(tmp_path / "a.parquet", numbered(range(30)) | {"RR": values})
    with pytest.raises(LogError, match=r"column RR \(log\.columns\.damper_RR\) holds .*, not numbers"):
        open_log(path, make_sheet())


def test_names_with_dots_and_blanks(tmp_path: Path) -> None:
    columns = numbered(range(30))
    renamed = {
        "time": columns["time"],
        "d": columns["RR"],
        "d.FL": columns["FL"],
        " FR ": columns["FR"],
        "RL": columns["RL"],
    }
    sheet = make_sheet(
        {"log.columns.damper_FL": "d.FL", "log.columns.damper_RR": "d", "log.columns.damper_FR": "FR"},
    )
    _, chunks = read(write(tmp_path / "a.parquet", renamed), sheet)
    assert samples_in(chunks) == list(range(30))
    np.testing.assert_array_equal(chunks[0].sensors[:, 1], np.arange(30) + 0.25)
    np.testing.assert_array_equal(chunks[0].sensors[:, 3], 0.0)


def test_missing_and_doubled_columns_are_refused(tmp_path: Path) -> None:
    columns = numbered(range(30))
    table = pa.table(list(columns.values()), names=["time", "FL", "FL", "RL", "R R"])
    path = tmp_path / "a.parquet"
    pq.write_table(table, path)
    with pytest.raises(LogError) as caught:
        open_log(path, make_sheet())
    assert "2 columns are named FL" in str(caught.value)
    assert "log.columns.damper_FR: no column FR" in str(caught.value)
    assert "did you mean R R?" in str(caught.value)


def test_no_rows_are_refused(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="no rows"):
        open_log(write(tmp_path / "a.parquet", numbered([])), make_sheet())


@pytest.mark.parametrize("kept", [4, 8, 0.3, 0.99])
def test_a_file_cut_short_is_refused_with_advice(tmp_path: Path, kept: float) -> None:
    content = write(tmp_path / "a.parquet", numbered(range(3000))).read_bytes()
    size = kept if isinstance(kept, int) else int(kept * len(content))
    with pytest.raises(LogError, match="export it again") as caught:
        open_log(write(tmp_path / "b.parquet", content[:size]), make_sheet())
    assert str(caught.value).isprintable()


def test_damage_in_mid_file_comes_after_all_that_is_before_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ingest.log_parquet, "_BATCH_ROWS", 1000)
    path = tmp_path / "a.parquet"
    table = pa.table(numbered(range(20_000)))
    # Without compression only the checksum tells that a number has changed.
    pq.write_table(table, path, row_group_size=8000, write_page_checksum=True, use_dictionary=False, compression="none")
    start = pq.ParquetFile(path).metadata.row_group(1).column(1).data_page_offset
    content = bytearray(path.read_bytes())
    content[start + 2000] ^= 1
    with open_log(write(tmp_path / "b.parquet", bytes(content)), make_sheet()) as log:
        seen: list[Chunk] = []
        with pytest.raises(LogError, match=r"is damaged after row 8000 of 20000"):
            seen.extend(log)
    assert samples_in(seen) == list(range(8000))


def test_only_columns_in_use_are_read(tmp_path: Path) -> None:
    columns: dict[str, Any] = numbered(range(30))
    path = write(tmp_path / "a.parquet", columns | {"note": pa.array(["x"] * 30), "list": pa.array([[1]] * 30)})
    _, chunks = read(path, make_sheet())
    assert samples_in(chunks) == list(range(30))


def test_without_time_or_counter_every_row_is_a_sample(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ingest.log_parquet, "_BATCH_ROWS", 11)
    path = write(tmp_path / "a.parquet", numbered(range(50)))
    log, chunks = read(path, make_sheet({"log.rate_hz": 400.0}, remove=("log.time",)))
    assert numbers_in(chunks) == list(range(50))
    assert (log.rate_hz, log.counts.gaps) == (400.0, 0)


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="needs a list of the open files")
def test_a_log_is_closed_when_left(tmp_path: Path) -> None:
    path = write(tmp_path / "a.parquet", numbered(range(30)))

    def held() -> int:
        links = [os.path.realpath(f"/proc/self/fd/{number}") for number in os.listdir("/proc/self/fd")]
        return links.count(str(path.resolve()))

    with open_log(path, make_sheet()) as log:
        assert held() >= 1
    assert held() == 0
    log.close()


@pytest.mark.parametrize("size", [3000, 5000, 32_768])
def test_damage_costs_only_the_row_group_it_is_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    monkeypatch.setattr(ingest.log_parquet, "_BATCH_ROWS", size)
    path = tmp_path / "a.parquet"
    table = pa.table(numbered(range(20_000)))
    pq.write_table(table, path, row_group_size=8000, write_page_checksum=True, use_dictionary=False, compression="none")
    start = pq.ParquetFile(path).metadata.row_group(1).column(1).data_page_offset
    content = bytearray(path.read_bytes())
    content[start + 2000] ^= 1
    with open_log(write(tmp_path / "b.parquet", bytes(content)), make_sheet()) as log:
        seen: list[Chunk] = []
        with pytest.raises(LogError, match=r"is damaged after row 8000 of 20000"):
            seen.extend(log)
    assert samples_in(seen) == list(range(8000))


@pytest.mark.parametrize("tick", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize("unit", ["s", "ms"])
@pytest.mark.parametrize("zone", [None, "UTC"])
def test_a_time_column_may_hold_timestamps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, tick: Any, unit: str, zone: str | None
) -> None:
    """Ticks since 1970 in ns do not fit a double: what counts is the time since the log's first row."""
    monkeypatch.setattr(ingest.log_parquet, "_BATCH_ROWS", 70)
    per_second = {"s": 1, "ms": 1000, "us": 10**6, "ns": 10**9}[tick]
    rate_hz = 1000.0 if tick != "s" else 1.0
    numbers = [*range(100), *range(105, 250)]
    first = 1_764_000_000 * per_second
    ticks: list[int | None] = [first + round(n / rate_hz * per_second) for n in numbers]
    ticks[50] = None
    times = pa.array(ticks, pa.timestamp(tick, zone))
    path = write(tmp_path / "a.parquet", numbered(numbers) | {"time": times})
    sheet = make_sheet({"log.time": {"column": "time", "unit": unit}})
    if tick == "s":
        with pytest.raises(LogError, match="run at 1 Hz"):
            open_log(path, sheet)
        return
    log, chunks = read(path, sheet)
    check_contract(chunks)
    assert log.rate_hz == 1000.0
    assert samples_in(chunks) == numbers_in(chunks) == [n for n in numbers if n != 50]
    assert log.counts.empty_cells == 1
    assert log.counts.places["time", "empty"] == [51]


def test_timestamps_are_no_readings(tmp_path: Path) -> None:
    stamps = pa.array(range(30), pa.timestamp("ms"))
    path = write(tmp_path / "a.parquet", numbered(range(30)) | {"RR": stamps})
    with pytest.raises(LogError, match=r"column RR \(log\.columns\.damper_RR\) holds timestamp"):
        open_log(path, make_sheet())


@pytest.mark.parametrize("kind", ["csv", "parquet"])
@pytest.mark.parametrize("word", [False, True])
def test_readings_beyond_all_measure_count_as_infinite(tmp_path: Path, kind: str, word: bool) -> None:
    columns = numbered(range(30))
    columns["FR"][[3, 7]] = 1e304, -2e9
    columns["FR"][9] = 1e9
    content: Any = columns if kind == "parquet" else csv_text(columns)
    slow = word and kind == "csv"
    if slow:
        # One cell that is no number makes the whole batch take the slow way.
        content = content.replace(",20.25,", ",x,")
    log, chunks = read(write(tmp_path / f"a.{kind}", content), make_sheet())
    check_contract(chunks)
    found = np.concatenate([chunk.sensors[:, 1] for chunk in chunks])
    assert np.flatnonzero(np.isnan(found)).tolist() == ([3, 7, 20] if slow else [3, 7])
    assert found[9] == 1e9
    assert log.counts.infinite_cells == 2
