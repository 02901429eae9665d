"""CSV logs: what is read, what is counted, and what is refused with which advice."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import ingest.log_csv
from ingest.chunk import Chunk
from ingest.errors import LogError
from ingest.log import open_log
from tests.ingest.logs import check_contract, csv_text, numbered, numbers_in, read, samples_in, write
from tests.sheets import make_sheet

ROWS = {"log.rate_hz": 100.0}  # with log.time removed: every row is a sample


def lines_of(numbers: Any, **how: Any) -> list[str]:
    return csv_text(numbered(numbers), **how).splitlines()


def refused(path: Path, changes: dict[str, Any] | None = None, remove: tuple[str, ...] = ()) -> str:
    """What is said on opening the log; one line, nothing a terminal would obey."""
    with pytest.raises(LogError) as caught:
        open_log(path, make_sheet(changes, remove=remove))
    message = str(caught.value)
    assert message.isprintable()
    return message


def test_a_plain_log_is_read_as_it_is(tmp_path: Path) -> None:
    log, chunks = read(write(tmp_path / "a.csv", csv_text(numbered(range(250)))), make_sheet())
    check_contract(chunks)
    assert samples_in(chunks) == list(range(250))
    np.testing.assert_array_equal(chunks[0].sensors[3], [3.0, 3.25, -3.0, 0.0])
    assert (log.rate_hz, log.roles, log.counts.rows_read, log.counts.cells) == (100.0, (), 250, {})
    assert log.size_bytes == (tmp_path / "a.csv").stat().st_size


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_line_ends_byte_order_marks_and_delimiters(tmp_path: Path, end: str, mark: str, delimiter: str) -> None:
    path = write(tmp_path / "a.csv", mark + csv_text(numbered(range(30)), delimiter, end))
    log, chunks = read(path, make_sheet({"log.delimiter": delimiter}))
    assert samples_in(chunks) == list(range(30))
    assert log.counts.ragged_rows == 0


def test_the_last_line_may_lack_its_end(tmp_path: Path) -> None:
    _, chunks = read(write(tmp_path / "a.csv", csv_text(numbered(range(30))).rstrip()), make_sheet())
    assert samples_in(chunks) == list(range(30))


def test_a_decimal_comma(tmp_path: Path) -> None:
    text = csv_text(numbered(range(30)), ";").replace(".", ",")
    _, chunks = read(write(tmp_path / "a.csv", text), make_sheet({"log.delimiter": ";", "log.decimal": ","}))
    assert samples_in(chunks) == list(range(30))
    assert chunks[0].sensors[2, 1] == 2.25


def test_names_may_be_quoted_padded_latin_1_or_doubled_where_not_in_use(tmp_path: Path) -> None:
    text = '"time", FL ,FR,RL,RR,\u00d6ltemp \u00b0C,x,x\n' + "".join(
        f'"{k / 100}", {k} ,0,0,0,1,2,3\n' for k in range(30)
    )
    _, chunks = read(write(tmp_path / "a.csv", text.encode("latin-1")), make_sheet())
    assert samples_in(chunks) == list(range(30))


def test_lines_before_and_after_the_names_are_skipped(tmp_path: Path) -> None:
    names, *rest = lines_of(range(30))
    rest[4] = rest[4].replace("4.25", "x")
    rest[9] = "1,2"
    text = "\n".join(["Invented logger 3", "made up, as all of it", names, "s,mm,mm,mm,mm", *rest])
    log, chunks = read(write(tmp_path / "a.csv", text), make_sheet({"log.skip_lines": 2, "log.lines_after_names": 1}))
    assert samples_in(chunks) == [k for k in range(30) if k != 9]
    assert log.counts.places == {("FR", "unparseable"): [9], "ragged_rows": [14], "gaps": [15]}


def test_a_line_of_units_that_the_sheet_does_not_name_is_one_bad_row(tmp_path: Path) -> None:
    names, *rest = lines_of(range(30))
    log, chunks = read(write(tmp_path / "a.csv", "\n".join([names, "s,mm,mm,mm,mm", *rest])), make_sheet())
    assert samples_in(chunks) == list(range(30))
    assert (log.counts.unparseable_cells, log.counts.unplaced_rows) == (5, 1)
    assert log.counts.places["FL", "unparseable"] == [2]


@pytest.mark.parametrize("with_names", [True, False])
def test_a_delimiter_at_the_end_of_every_line(tmp_path: Path, with_names: bool) -> None:
    names, *rest = lines_of(range(30))
    text = "\n".join([names + ("," if with_names else ""), *(line + "," for line in rest)])
    log, chunks = read(write(tmp_path / "a.csv", text), make_sheet())
    assert samples_in(chunks) == list(range(30))
    assert log.counts.ragged_rows == 0


def test_scale_offset_and_units(tmp_path: Path) -> None:
    columns = numbered(range(30)) | {"v": np.full(30, 36.0), "a": np.full(30, 0.5), "lap": np.full(30, 3.0)}
    sheet = make_sheet(
        {
            "log.columns.damper_FL": {"column": "FL", "scale": 0.5, "offset": -1.0},
            "log.columns.speed": {"column": "v", "unit": "km/h", "scale": 2.0, "offset": 3.6},
            "log.columns.acceleration_lateral": {"column": "a", "unit": "g"},
            "log.columns.lap_number": "lap",
        }
    )
    log, chunks = read(write(tmp_path / "a.csv", csv_text(columns)), sheet)
    np.testing.assert_allclose(chunks[0].sensors[:, 0], np.arange(30) * 0.5 - 1.0)
    np.testing.assert_allclose(chunks[0].side["speed"], 21.0)  # (36 x 2 + 3.6) km/h
    np.testing.assert_allclose(chunks[0].side["acceleration_lateral"], 4.903325)
    np.testing.assert_array_equal(chunks[0].side["lap_number"], 3.0)
    assert log.roles == ("speed", "acceleration_lateral", "lap_number")


def test_an_offset_alone_and_a_scale_that_overflows(tmp_path: Path) -> None:
    sheet = make_sheet(
        {
            "log.columns.damper_FL": {"column": "FL", "offset": 2.5},
            "log.columns.damper_FR": {"column": "FR", "scale": 1e308},
        }
    )
    _, chunks = read(write(tmp_path / "a.csv", csv_text(numbered(range(30)))), sheet)
    check_contract(chunks)
    np.testing.assert_array_equal(chunks[0].sensors[:, 0], np.arange(30) + 2.5)
    assert np.isnan(chunks[0].sensors[2:, 1]).all()


def test_one_column_may_serve_two_roles_and_its_cells_count_once(tmp_path: Path) -> None:
    lines = lines_of(range(30))
    lines[5] = lines[5].replace("4.0,", ",", 1)
    sheet = make_sheet({"log.columns.lap_distance": {"column": "FL", "unit": "km"}})
    log, chunks = read(write(tmp_path / "a.csv", "\n".join(lines)), sheet)
    assert chunks[0].side["lap_distance"][3] == 3000.0
    assert log.counts.empty_cells == 1


@pytest.mark.parametrize("broken", ["0.05,5.0,0", "0.05,5,5,5,5,5", "x"])
def test_a_ragged_row_is_left_out_and_its_sample_missing(tmp_path: Path, broken: str) -> None:
    lines = lines_of(range(30))
    lines[6] = broken
    path = write(tmp_path / "a.csv", "\n".join(lines))
    for changes, remove in (({}, ()), (ROWS, ("log.time",))):
        log, chunks = read(path, make_sheet(changes, remove=remove))
        check_contract(chunks)
        assert samples_in(chunks) == numbers_in(chunks) == [*range(5), *range(6, 30)]
        assert (log.counts.ragged_rows, log.counts.missing_samples) == (1, 1)
        assert log.counts.places["ragged_rows"] == [7]


def test_ragged_rows_anywhere_keep_their_place_over_many_batches(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ingest.log_csv, "_BLOCK_BYTES", 600)
    lines = lines_of(range(2000))
    ragged = sorted({0, 1, 17, 18, 19, 500, 1998, *np.random.default_rng(2).integers(40, 1990, 80).tolist()})
    for number in ragged:
        lines[number + 1] = "1,2,3"
    log, chunks = read(write(tmp_path / "a.csv", "\n".join(lines)), make_sheet(ROWS, remove=("log.time",)))
    check_contract(chunks)
    assert samples_in(chunks) == numbers_in(chunks) == [k for k in range(2000) if k not in ragged]
    assert log.counts.ragged_rows == len(ragged)


def test_blank_lines_are_no_samples(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "\n\n".join(lines_of(range(30))) + "\n\n\n")
    log, chunks = read(path, make_sheet(ROWS, remove=("log.time",)))
    assert numbers_in(chunks) == list(range(30))
    assert log.counts.ragged_rows == 0


def test_gaps_and_stray_rows_tell_their_lines(tmp_path: Path) -> None:
    log, chunks = read(write(tmp_path / "a.csv", csv_text(numbered([*range(30), 29, *range(40, 60)]))), make_sheet())
    assert samples_in(chunks) == numbers_in(chunks) == [*range(30), *range(40, 60)]
    assert log.counts.places == {"repeated_rows": [32], "gaps": [33]}


@pytest.mark.parametrize("block", [700, 5000, 1 << 20])
def test_the_size_of_blocks_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, block: int) -> None:
    numbers = [*range(1000), *range(1010, 7000), 6999, *range(7000, 9000), *range(20, 2000)]
    path = write(tmp_path / "a.csv", csv_text(numbered(numbers)))
    monkeypatch.setattr(ingest.log_csv, "_BLOCK_BYTES", block)
    log, chunks = read(path, make_sheet())
    assert samples_in(chunks) == [*range(1000), *range(1010, 9000), *range(20, 2000)]
    assert (log.counts.gaps, log.counts.repeated_rows, log.counts.restarts) == (1, 1, 1)
    assert numbers_in(chunks) == [*range(1000), *range(1010, 9000 + 1980)]


def test_progress_rises_to_1(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ingest.log_csv, "_BLOCK_BYTES", 20_000)
    with open_log(write(tmp_path / "a.csv", csv_text(numbered(range(100_000)))), make_sheet()) as log:
        seen = [log.progress() for _ in log]
        assert seen == sorted(seen)
        assert 0.0 < seen[0] < 0.7
        assert log.progress() == 1.0


def test_a_missing_column_names_role_column_and_nearest(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", csv_text(numbered(range(30))).replace("FL", "Damper_fl"))
    said = refused(path, {"log.columns.damper_FL": "damper_FL", "log.columns.lap_number": "lap"})
    assert "log.columns.damper_FL: no column damper_FL (did you mean Damper_fl?)" in said
    assert "log.columns.lap_number: no column lap" in said
    assert "time, Damper_fl, FR, RL, RR" in said


def test_a_doubled_name_in_use_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", csv_text(numbered(range(30))).replace("RR", "FL", 1))
    said = refused(path)
    assert "log.columns.damper_FL: 2 columns are named FL" in said
    assert "log.columns.damper_RR: no column RR" in said


@pytest.mark.parametrize(("actual", "shown"), [(";", ";"), ("\t", r"\t"), ("|", "|"), (" ", " ")])
def test_another_delimiter_is_recognised(tmp_path: Path, actual: str, shown: str) -> None:
    said = refused(write(tmp_path / "a.csv", csv_text(numbered(range(30)), actual)))
    assert f'set log.delimiter = "{shown}"' in said
    assert "line 1" in said


def test_another_delimiter_is_recognised_with_other_names_too(tmp_path: Path) -> None:
    said = refused(write(tmp_path / "a.csv", csv_text(numbered(range(30)), ";").replace("RR", "RRR")))
    assert 'set log.delimiter = ";"' in said


def test_another_decimal_sign_is_recognised(tmp_path: Path) -> None:
    commas = write(tmp_path / "a.csv", csv_text(numbered(range(30)), ";").replace(".", ","))
    said = refused(commas, {"log.delimiter": ";"})
    assert 'line 2, column time: "0,0" is not a number' in said
    assert 'set log.decimal = ","' in said
    points = write(tmp_path / "b.csv", csv_text(numbered(range(30)), ";"))
    assert 'set log.decimal = "."' in refused(points, {"log.delimiter": ";", "log.decimal": ","})
    assert "decimal" in refused(write(tmp_path / "c.csv", csv_text(numbered(range(30))).replace(".", ",")))


def test_a_column_of_words_is_refused_with_its_first_cell(tmp_path: Path) -> None:
    lines = ["time,FL,FR,RL,RR"] + [f"{k / 100},{k},{k},o\x1b[2Jpen,0" for k in range(30)]
    said = refused(write(tmp_path / "a.csv", "\n".join(lines)))
    assert "line 2, column RL" in said
    assert "log.columns.damper_RL" in said


def test_mostly_ragged_rows_are_refused(tmp_path: Path) -> None:
    text = "time,FL,FR,RL,RR\n" + "0.01,1,2,3\n" * 20 + "0.02,1,2,3,4\n" * 10
    said = refused(write(tmp_path / "a.csv", text))
    assert "line 2 has 4 cells" in said
    assert "5 column names" in said


def test_ragged_rows_without_end_are_not_collected(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ingest.log_csv, "_MOST_RAGGED_IN_A_ROW", 500)
    monkeypatch.setattr(ingest.log_csv, "_BLOCK_BYTES", 2000)
    path = write(tmp_path / "a.csv", csv_text(numbered(range(300))) + "1,2,3\n" * 5000)
    with open_log(path, make_sheet()) as log:
        seen: list[Chunk] = []
        with pytest.raises(LogError, match="after line 301"):
            seen.extend(log)
    assert samples_in(seen) == list(range(300))
    assert log.counts.ragged_rows < 1000


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "is empty"),
        (b"\n\n  \n", "is empty"),
        (b"time,FL,FR,RL,RR\n", "no rows"),
        (b"time,FL,FR,RL,RR\n\n\n", "none of its 0 rows"),
        (b"time,FL,FR,RL,RR\n,1,2,3,4\n,1,2,3,4\n", "log.rate_hz"),
        ("time,FL,FR,RL,RR\n0,1,2,3,4\n".encode("utf-16"), "UTF-16"),
        (b"\x00\x01\x02\x03" * 50, "not text"),
        (b"PK\x03\x04 zipped", "not text"),
        (b"time,FL,FR,RL,RR\r0,1,2,3,4\r", "LF or CRLF"),
        (b"x" * 3_000_000, "no proper end"),
    ],
)
def test_what_is_no_log_is_refused(tmp_path: Path, content: bytes, expected: str) -> None:
    assert expected in refused(write(tmp_path / "a.csv", content))


def test_a_line_of_names_beyond_the_end_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", csv_text(numbered(range(30))))
    assert "check log.skip_lines" in refused(path, {"log.skip_lines": 500})


def test_rows_without_any_usable_counter_are_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "n,FL,FR,RL,RR\n" + "0.5,1,2,3,4\n" * 30)
    said = refused(path, {"log.counter": {"column": "n"}, "log.rate_hz": 100.0}, ("log.time",))
    assert "none of its 30 rows" in said


def test_files_that_are_not_there(tmp_path: Path) -> None:
    assert "is a directory" in refused(tmp_path)
    assert "no such file" in refused(tmp_path / "absent.csv")
    assert "no such file" in refused(tmp_path / "hostile\x1b[2J.csv")
    assert "no file can have" in refused(Path("a\0b.csv"))


def test_a_line_too_long_in_mid_file_ends_the_log_after_all_before_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ingest.log_csv, "_BLOCK_BYTES", 2000)
    path = write(tmp_path / "a.csv", csv_text(numbered(range(300))) + "9" * 50_000 + ",1,2,3,4\n")
    with open_log(path, make_sheet()) as log:
        seen: list[Chunk] = []
        with pytest.raises(LogError, match="after line"):
            seen.extend(log)
    assert samples_in(seen) == list(range(len(samples_in(seen))))
    assert len(samples_in(seen)) > 200


def test_memory_stays_far_below_the_size_of_the_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ingest.log_csv, "_BLOCK_BYTES", 1 << 18)
    path = tmp_path / "large.csv"
    line = ",".join(["1.2345678"] * 40)
    with path.open("w") as file:
        file.write("FL,FR,RL,RR," + ",".join(f"x{k}" for k in range(36)) + "\n")
        block = (line + "\n") * 1000
        for _ in range(75):
            file.write(block)
    size = path.stat().st_size
    assert size > 29e6
    before, peak = pa.total_allocated_bytes(), 0
    with open_log(path, make_sheet(ROWS, remove=("log.time",))) as log:
        for chunk in log:
            peak = max(peak, pa.total_allocated_bytes() - before)
            assert chunk.sensors.nbytes < size / 20
    assert log.counts.samples == 75_000
    assert 0 < peak < size / 6, (peak, size)


@settings(max_examples=60, deadline=None)
@given(content=st.binary(max_size=300), named=st.booleans())
def test_arbitrary_bytes_are_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, content: bytes, named: bool
) -> None:
    path = tmp_path_factory.mktemp("any") / "a.csv"
    write(path, (b"time,FL,FR,RL,RR\n" if named else b"") + content)
    try:
        log, chunks = read(path, make_sheet())
    except LogError:
        return
    check_contract(chunks)
    assert log.counts.samples == len(samples_in(chunks))
