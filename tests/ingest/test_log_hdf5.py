"""HDF5 logs: the same answers as from Parquet; whatever a damaged or hostile file holds, no more than is there."""

from __future__ import annotations

import builtins
import tracemalloc
import zlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import h5py  # type: ignore[import-untyped,unused-ignore]
import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import ingest.hdf5_file
import ingest.log_hdf5
from ingest.chunk import Chunk, Floats
from ingest.errors import LogError
from ingest.log import open_log
from ingest.log_hdf5 import hdf5_column_names
from ingest.sheet import load_sheet
from tests.ingest.logs import check_contract, numbered, numbers_in, read, samples_in, write
from tests.sheets import make_sheet

ROOT = Path(__file__).parents[2]
PACKED: dict[str, Any] = {"compression": "gzip", "compression_opts": 1, "shuffle": True, "fletcher32": True}


def write_h5(path: Path, columns: dict[str, Any], group: str = "/", **how: Any) -> Path:
    """One dataset a column, in a group."""
    with h5py.File(path, "a") as file:
        place = file.require_group(group)
        for name, values in columns.items():
            place.create_dataset(name, data=values, **how)
    return path


def records(columns: dict[str, Any]) -> Any:
    table = np.empty(len(next(iter(columns.values()))), [(name, np.asarray(v).dtype) for name, v in columns.items()])
    for name, values in columns.items():
        table[name] = values
    return table


def fault(path: Path, **changes: Any) -> tuple[str, list[Chunk]]:
    """What a log that breaks off says, and the chunks before that."""
    seen: list[Chunk] = []
    with pytest.raises(LogError) as caught, open_log(path, make_sheet(changes or None)) as log:
        seen.extend(log)
    assert str(caught.value).isprintable()
    return str(caught.value), seen


def joined(chunks: list[Chunk]) -> Floats:
    """All channels of all chunks, one a column."""
    parts = [np.column_stack([chunk.sensors, *chunk.side.values()]) for chunk in chunks]
    whole: Floats = np.concatenate(parts)
    return whole


# ---------------------------------------------------------------- what a sound file gives


@pytest.mark.parametrize("layout", ["contiguous", "packed", "records", "packed records"])
@pytest.mark.parametrize("name", ["sensor_faults", "rebound_misset"])
def test_the_same_log_as_parquet_and_as_hdf5(tmp_path: Path, name: str, layout: str) -> None:
    shipped, sheet = ROOT / f"replay_logs/{name}.parquet", load_sheet(ROOT / "replay_logs/car.toml")
    table = pq.read_table(shipped)  # type: ignore[no-untyped-call,unused-ignore]
    columns = {column: table[column].to_numpy() for column in table.column_names}
    how = PACKED if layout.startswith("packed") else {}
    path = write_h5(tmp_path / "a.h5", {"run": records(columns)} if "records" in layout else columns, **how)
    (first, expected), (log, chunks) = read(shipped, sheet), read(path, sheet)
    check_contract(chunks)
    assert (log.rate_hz, log.roles, log.counts) == (first.rate_hz, first.roles, first.counts)
    assert numbers_in(chunks) == numbers_in(expected)
    np.testing.assert_array_equal(joined(chunks), joined(expected))
    assert log.progress() == 1.0


IRREGULAR = [*range(100), *range(105, 300), 299, 250, *range(300, 400)]


@pytest.mark.parametrize("size", [1, 7, 64, 100_000])
@pytest.mark.parametrize("how", [{}, PACKED | {"chunks": (33,)}])
def test_the_size_of_batches_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int, how: dict[str, Any]
) -> None:
    columns = numbered(IRREGULAR)
    columns["FR"][[3, 50]] = np.nan, np.inf
    path = write_h5(tmp_path / "a.h5", columns, **how)
    monkeypatch.setattr(ingest.log_hdf5, "_BATCH_ROWS", size)
    log, chunks = read(path, make_sheet())
    check_contract(chunks)
    assert samples_in(chunks) == numbers_in(chunks) == [*range(100), *range(105, 400)]
    assert log.counts.places == {
        "gaps": [101],
        "repeated_rows": [296],
        "late_rows": [297],
        ("FR", "empty"): [4],
        ("FR", "infinite"): [51],
    }


def test_nan_is_an_empty_cell_as_null_is_in_parquet(tmp_path: Path) -> None:
    import pyarrow as pa

    columns = numbered(range(60))
    columns["RL"][[5, 6, 30]] = np.nan
    nulls = columns | {"RL": pa.array(columns["RL"], from_pandas=True)}
    first, _ = read(write(tmp_path / "a.parquet", nulls), make_sheet())
    log, _ = read(write_h5(tmp_path / "a.h5", columns), make_sheet())
    assert log.counts == first.counts
    assert log.counts.empty_cells == 3


@pytest.mark.parametrize("kind", ["i1", "u1", "<i2", ">i2", "<u4", ">i8", "<u8", "<f2", ">f4", "<f8", "f16"])
@pytest.mark.parametrize("as_records", [False, True])
def test_numbers_of_every_type(tmp_path: Path, kind: str, as_records: bool) -> None:
    columns = numbered(range(30)) | {"FL": np.arange(30).astype(kind), "mark": np.arange(30) % 7 == 0}
    content = {"all": records(columns)} if as_records else columns
    log, chunks = read(write_h5(tmp_path / "a.h5", content), make_sheet({"log.columns.lap_marker": "mark"}))
    assert samples_in(chunks) == list(range(30))
    assert np.flatnonzero(np.concatenate([chunk.side["lap_marker"] for chunk in chunks])).tolist() == [0, 7, 14, 21, 28]
    assert log.counts.cells == {}


def test_the_contents_decide_not_the_name(tmp_path: Path) -> None:
    _, chunks = read(write_h5(tmp_path / "a.csv", numbered(range(30))), make_sheet())
    assert samples_in(chunks) == list(range(30))
    with pytest.raises(LogError, match="named like HDF5"):
        open_log(write(tmp_path / "b.h5", "time,FL,FR,RL,RR\n0,1,2,3,4\n"), make_sheet())


def test_a_block_of_the_users_own_may_stand_before_it(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w", userblock_size=1024) as file:
        for name, values in numbered(range(30)).items():
            file.create_dataset(name, data=values, chunks=(7,), compression="gzip")
    assert samples_in(read(tmp_path / "a.h5", make_sheet())[1]) == list(range(30))


def test_without_time_or_counter_every_row_is_a_sample(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ingest.log_hdf5, "_BATCH_ROWS", 11)
    path = write_h5(tmp_path / "a.h5", numbered(range(50)))
    log, chunks = read(path, make_sheet({"log.rate_hz": 400.0}, remove=("log.time",)))
    assert numbers_in(chunks) == list(range(50))
    assert (log.rate_hz, log.counts.gaps) == (400.0, 0)


# ---------------------------------------------------------------- where the columns are


def test_the_group_is_found_by_its_columns(tmp_path: Path) -> None:
    path = write_h5(tmp_path / "a.h5", numbered(range(30)), "car/stint 2", **PACKED)
    write_h5(path, {"FL": np.zeros((4, 4)), "note": b"text"}, "other")
    assert samples_in(read(path, make_sheet())[1]) == list(range(30))
    assert sorted(hdf5_column_names(str(path))) == ["FL", "FR", "RL", "RR", "time"]


def test_several_groups_are_told_apart_in_the_sheet(tmp_path: Path) -> None:
    path = write_h5(tmp_path / "a.h5", numbered(range(30)), "out")
    write_h5(path, numbered(range(100, 150)), "back")
    said, _ = fault(path)
    assert "back" in said
    assert "out" in said
    names = {f"log.columns.damper_{corner}": f"back/{corner}" for corner in ("FL", "FR", "RL", "RR")}
    _, chunks = read(path, make_sheet(names | {"log.time": {"column": "back/time", "unit": "s"}}))
    assert samples_in(chunks) == list(range(100, 150))


def test_missing_columns_are_named(tmp_path: Path) -> None:
    columns = numbered(range(30))
    said, _ = fault(write_h5(tmp_path / "a.h5", columns | {"RR ": columns["RR"]}))
    assert "2 columns are named RR" in said
    columns["F R"] = columns.pop("FR")
    said, _ = fault(write_h5(tmp_path / "b.h5", columns))
    assert "log.columns.damper_FR: no column FR (did you mean F R" in said


@pytest.mark.parametrize(
    ("values", "says"),
    [
        (np.zeros((30, 2)), "2 dimensions"),
        (np.zeros((30, 1)), "2 dimensions"),
        (3.0, "0 dimensions"),
        (np.array([b"1"] * 30), "does not hold numbers"),
        (["1"] * 30, "does not hold numbers"),
        (np.zeros(30, [("re", "f8"), ("im", "f8")]), "does not hold numbers"),
        (np.zeros(29), "differ in length"),
    ],
)
def test_what_is_no_channel_is_refused(tmp_path: Path, values: Any, says: str) -> None:
    said, _ = fault(write_h5(tmp_path / "a.h5", numbered(range(30)) | {"RR": values}))
    assert says in said


@pytest.mark.parametrize("content", [{}, numbered([])])
def test_nothing_in_it(tmp_path: Path, content: dict[str, Any]) -> None:
    said, _ = fault(write_h5(tmp_path / "a.h5", content))
    assert "no datasets" in said or "no rows" in said


def test_hostile_names_are_made_safe(tmp_path: Path) -> None:
    columns = numbered(range(30))
    hostile = {f"x\x1b[2J{number}\n" + "y" * 900: columns["FL"] for number in range(20)}
    said, _ = fault(write_h5(tmp_path / "a.h5", hostile | {"\x07FR": columns["FR"]}, "\x1b]0;x\x07"))
    assert "\x1b" not in said
    assert len(said) < 2000


# ---------------------------------------------------------------- what leads out of the file


def _linked(path: Path, make: Callable[[Any], None]) -> Path:
    columns = numbered(range(30))
    columns.pop("RR")
    write_h5(path, columns)
    with h5py.File(path, "a") as file:
        make(file)
    return path


def test_links_to_other_files_are_refused_unopened(tmp_path: Path) -> None:
    import os

    # Whoever opened this for reading would wait for ever.
    os.mkfifo(tmp_path / "pipe")
    write_h5(tmp_path / "other.h5", {"RR": np.arange(30.0)})

    def external(target: str) -> Callable[[Any], None]:
        return lambda file: file.__setitem__("RR", h5py.ExternalLink(target, "/RR"))

    def through(file: Any) -> None:
        file["away"] = h5py.ExternalLink(str(tmp_path / "other.h5"), "/")
        file["RR"] = h5py.SoftLink("/away/RR")

    makers = [external(str(tmp_path / "other.h5")), external(str(tmp_path / "pipe")), external("/dev/zero"), through]
    for number, make in enumerate(makers):
        said, _ = fault(_linked(tmp_path / f"{number}.h5", make))
        assert "RR is a link to another file" in said


def test_links_within_the_file_are_followed_and_circles_are_not(tmp_path: Path) -> None:
    def within(file: Any) -> None:
        file.create_dataset("deep/er/data", data=np.arange(30.0))
        file["alias"] = h5py.SoftLink("deep/./er")
        file["RR"] = h5py.SoftLink("/alias/data")
        file["deep/self"] = file["/"]

    assert samples_in(read(_linked(tmp_path / "a.h5", within), make_sheet())[1]) == list(range(30))

    def circle(file: Any) -> None:
        file["RR"] = h5py.SoftLink("/R2")
        file["R2"] = h5py.SoftLink("/RR")

    assert "circles" in fault(_linked(tmp_path / "b.h5", circle))[0]
    nowhere = _linked(tmp_path / "c.h5", lambda file: file.__setitem__("RR", h5py.SoftLink("../../etc/passwd")))
    assert "nowhere" in fault(nowhere)[0]


def test_links_that_multiply_end_soon(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each of these names the next one eight times: to the twelfth power it would take for ever."""

    def multiply(file: Any) -> None:
        for level in range(14):
            file[f"g{level}"] = h5py.SoftLink("/".join([f"g{level + 1}"] * 8))
        file["g14"] = file["/"]
        file["RR"] = h5py.SoftLink("/g0/FL")

    path = _linked(tmp_path / "a.h5", multiply)
    taken = 0
    real = ingest.hdf5_file.Hdf5File._target

    def counted(self: ingest.hdf5_file.Hdf5File, *rest: Any) -> Any:
        nonlocal taken
        taken += 1
        return real(self, *rest)

    monkeypatch.setattr(ingest.hdf5_file.Hdf5File, "_target", counted)
    assert "too many others" in fault(path)[0]
    assert taken < 70_000


def test_data_stored_in_other_files_is_refused(tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(bytes(240))

    def outside(file: Any) -> None:
        file.create_dataset("RR", (30,), "f8", external=[(str(tmp_path / "secret"), 0, 240)])

    assert "another file" in fault(_linked(tmp_path / "a.h5", outside))[0]
    write_h5(tmp_path / "other.h5", {"x": np.arange(30.0)})

    def virtual(file: Any) -> None:
        layout = h5py.VirtualLayout((30,), "f8")
        layout[:] = h5py.VirtualSource(str(tmp_path / "other.h5"), "x", (30,))
        file.create_virtual_dataset("RR", layout)

    assert "other datasets" in fault(_linked(tmp_path / "b.h5", virtual))[0]


# ---------------------------------------------------------------- what promises more than is there


def test_a_shape_that_is_not_filled_gives_only_what_is_stored(tmp_path: Path) -> None:
    """Rows that were never written would come out as zeros, for ever."""
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        for name, values in numbered(range(100)).items():
            dataset = file.create_dataset(name, (100,), "f8", maxshape=(None,), chunks=(20,))
            dataset[:] = values
            dataset.resize((2**60,))
    said, seen = fault(path)
    assert f"100 of {2**60} rows are there: its shape says more than is stored" in said
    assert samples_in(seen) == list(range(100))


def test_a_contiguous_shape_without_data(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        for name in numbered([]):
            file.create_dataset(name, (2**50,), "f8")
    said, seen = fault(path)
    assert f"0 of {2**50} rows" in said
    assert seen == []


def test_a_chunk_that_was_never_written_ends_the_log(tmp_path: Path) -> None:
    path = write_h5(tmp_path / "a.h5", numbered(range(100)), chunks=(20,))
    with h5py.File(path, "a") as file:
        del file["RL"]
        dataset = file.create_dataset("RL", (100,), "f8", chunks=(20,))
        dataset[:40] = -np.arange(40.0)
        dataset[60:] = 1.0
    said, seen = fault(path)
    assert "40 of 100 rows" in said
    assert samples_in(seen) == list(range(40))


def _bomb(path: Path, megabytes: int) -> Path:
    """The third chunk of RR inflates to far more than its rows."""
    write_h5(path, numbered(range(100)), chunks=(20,), compression="gzip")
    with h5py.File(path, "a") as file:
        deflater = zlib.compressobj(9)
        packed = deflater.compress(bytes(megabytes << 20)) + deflater.flush()
        file["RR"].id.write_direct_chunk((40,), packed)
    return path


@pytest.mark.parametrize("megabytes", [1, 256])
def test_compressed_bombs_are_not_inflated(tmp_path: Path, megabytes: int) -> None:
    import resource

    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    said, seen = fault(_bomb(tmp_path / "a.h5", megabytes))
    assert samples_in(seen) == list(range(40))
    assert "after row 40 of 100" in said or "40 of 100 rows" in said
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 150_000


def test_a_chunk_that_inflates_to_too_little_is_damage(tmp_path: Path) -> None:
    path = write_h5(tmp_path / "a.h5", numbered(range(100)), chunks=(20,), compression="gzip")
    with h5py.File(path, "a") as file:
        file["FL"].id.write_direct_chunk((60,), zlib.compress(bytes(80)))
    said, seen = fault(path)
    assert "after row 60 of 100" in said
    assert samples_in(seen) == list(range(60))


def test_chunks_stored_as_they_are_in_a_packed_dataset(tmp_path: Path) -> None:
    path = write_h5(tmp_path / "a.h5", numbered(range(100)), chunks=(20,), compression="gzip")
    with h5py.File(path, "a") as file:
        file["FL"].id.write_direct_chunk((60,), np.arange(60.0, 80.0).tobytes(), filter_mask=1)
    assert samples_in(read(path, make_sheet())[1]) == list(range(100))
    with h5py.File(path, "a") as file:
        file["FL"].id.write_direct_chunk((60,), np.arange(60.0, 75.0).tobytes(), filter_mask=1)
    assert samples_in(fault(path)[1]) == list(range(60))


def test_what_would_need_much_memory_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        for name in numbered([]):
            file.create_dataset(name, (2**40,), "f8", chunks=(2**28,), compression="gzip")
    assert "smaller chunks" in fault(path)[0]
    small = write_h5(tmp_path / "b.h5", numbered(range(100)), chunks=(20,))
    monkeypatch.setattr(ingest.hdf5_file, "_LARGEST_CHUNKS_BYTES", 5 * 160 - 1)
    assert "together" in fault(small)[0]


@pytest.mark.parametrize("how", [{"compression": "lzf"}, {"scaleoffset": 3}])
def test_filters_without_a_bound_are_refused(tmp_path: Path, how: dict[str, Any]) -> None:
    path = write_h5(tmp_path / "a.h5", numbered(range(100)), **how)
    assert "export it with gzip" in fault(path)[0]


def test_memory_does_not_grow_with_the_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ingest.log_hdf5, "_BATCH_ROWS", 1000)

    def peak(rows: int) -> int:
        path = write_h5(tmp_path / f"{rows}.h5", numbered(range(rows)), chunks=(500,), **PACKED)
        tracemalloc.start()
        try:
            with open_log(path, make_sheet()) as log:
                assert sum(len(chunk) for chunk in log) == rows
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    assert peak(80_000) < 1.5 * peak(20_000)


# ---------------------------------------------------------------- damage


def _appended(path: Path, rows: int, **how: Any) -> Path:
    """Written as a logger does: all columns grow together."""
    columns = numbered(range(rows))
    with h5py.File(path, "w") as file:
        for name in columns:
            file.create_dataset(name, (0,), "f8", maxshape=(None,), chunks=(100,), **how)
        for start in range(0, rows, 100):
            for name, values in columns.items():
                file[name].resize((start + 100,))
                file[name][start:] = values[start : start + 100]
    return path


@pytest.mark.parametrize("how", [{}, PACKED])
# The list of chunks moves on when it has outgrown its first place: what is cut off before that is lost whole.
@pytest.mark.parametrize("kept", [0.45, 0.6, 0.99])
def test_a_file_cut_off_gives_what_is_left_of_it(tmp_path: Path, how: dict[str, Any], kept: float) -> None:
    content = _appended(tmp_path / "a.h5", 20_000, **how).read_bytes()
    path = write(tmp_path / "b.h5", content[: int(kept * len(content))])
    said, seen = fault(path)
    assert f"cut off at {int(kept * len(content))} of {len(content)} bytes" in said
    found = samples_in(seen)
    assert found == list(range(len(found)))
    # Not all channels of a batch are there at the cut, and the lists of chunks take some room.
    assert len(found) >= (kept - 0.15) * 20_000


def test_a_contiguous_file_cut_off(tmp_path: Path) -> None:
    content = write_h5(tmp_path / "a.h5", records_in_one(20_000)).read_bytes()
    said, seen = fault(write(tmp_path / "b.h5", content[: len(content) // 2]))
    assert "cut off" in said
    found = samples_in(seen)
    assert found == list(range(len(found)))
    assert 9_000 < len(found) < 10_000 + 1


def records_in_one(rows: int) -> dict[str, Any]:
    return {"run": records(numbered(range(rows)))}


@pytest.mark.parametrize("kept", [8, 20, 60, 100, 600])
def test_little_of_a_file_is_one_clear_error(tmp_path: Path, kept: int) -> None:
    content = _appended(tmp_path / "a.h5", 1000).read_bytes()
    said, seen = fault(write(tmp_path / "b.h5", content[:kept]))
    assert seen == []
    assert "export it again" in said


@pytest.mark.parametrize("size", [30, 64, 1000, 32_768])
def test_damage_in_mid_file_comes_after_all_that_is_before_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    monkeypatch.setattr(ingest.log_hdf5, "_BATCH_ROWS", size)
    path = write_h5(tmp_path / "a.h5", numbered(range(1000)), chunks=(100,), fletcher32=True)
    with h5py.File(path, "r") as file:
        offset = file["FR"].id.get_chunk_info(6).byte_offset
    content = bytearray(path.read_bytes())
    content[offset + 50] ^= 1
    said, seen = fault(write(tmp_path / "b.h5", bytes(content)))
    assert "is damaged after row 600 of 1000" in said
    assert samples_in(seen) == list(range(600))


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, Floats]:
    folder = tmp_path_factory.mktemp("sound")
    return _appended(folder / "a.h5", 400, **PACKED).read_bytes(), numbered(range(400))["FL"]


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_damage_ends_in_a_log_or_in_one_error(
    tmp_path: Path, sound: tuple[bytes, Floats], data: st.DataObject
) -> None:
    content = bytearray(sound[0])
    for _ in range(data.draw(st.integers(1, 4))):
        # Most of what can be hit with effect stands at the start.
        at = data.draw(st.integers(0, 3000) | st.integers(0, len(content) - 1))
        content[at : at + 1] = data.draw(st.binary(min_size=1, max_size=1))
    seen: list[Chunk] = []
    with suppress(LogError), open_log(write(tmp_path / "b.h5", bytes(content)), make_sheet()) as log:
        seen.extend(log)
    check_contract(seen)


def test_without_h5py_the_extra_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_h5(tmp_path / "a.h5", numbered(range(30)))
    real = builtins.__import__

    def absent(name: str, *rest: Any, **more: Any) -> Any:
        if name.split(".")[0] == "h5py":
            raise ModuleNotFoundError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", absent)
    with pytest.raises(LogError, match=r"pip install \"damperwatch\[hdf5\]\""):
        open_log(path, make_sheet())
