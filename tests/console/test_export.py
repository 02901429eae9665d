"""`damperwatch export`: the table holds what was recorded, appears whole or not at all, replaces nothing unasked."""

from __future__ import annotations

import signal
import sys
from pathlib import Path
from typing import Any

import h5py  # type: ignore[import-untyped,unused-ignore]
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from console import export_file, export_hdf5
from console.export import ExportOptions, export
from ingest.calibration import Calibration
from ingest.framing import make_encoder
from ingest.link_block import SampleBlock
from ingest.log import open_log
from ingest.recording import Recorder
from ingest.recording_header import describe_run
from ingest.recording_log import SILENCE
from ingest.sheet import load_sheet
from ingest.sheet_link import DAMPER_ROLES
from tests.console.logs import CAR, log_file, sheet_file
from tests.console.test_cli import Run, check_refused, run
from tests.ingest.recordings import received

__all__ = ["run"]

ROLES = (*DAMPER_ROLES, "speed", "lap_number")
LINK_CAR = (
    CAR.replace('RR.sensor.unit = "mm"', 'RR.sensor = { unit = "V", points = [[0.5, -50], [4.5, 50]], zero_mm = 2.0 }')
    .replace('damper_RR = "RR"', 'damper_RR = { column = "RR", scale = 0.001 }')
    .replace('lap_number = "lap"', 'lap_number = "lap"\nspeed = { column = "v", unit = "km/h" }')
    + '\n[link]\nserial = { port = "/dev/ttyX" }\n'
)
SAMPLES = 1200


def values(number: Any) -> Any:
    n = np.asarray(number, dtype=np.float64)
    return np.column_stack([n / 8, np.where(n % 7 == 3, np.nan, -n / 8), n * 0, 2500 + n, n * 0 + 36.0, n // 500])


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """Twelve hundred samples from 5000 on; twenty of them, from 5600 on, are lost on the link."""
    sheet_path = sheet_file(tmp_path, LINK_CAR)
    sheet = load_sheet(sheet_path)
    assert sheet.link is not None
    encoder = make_encoder(sheet.link, ROLES, 500.0)
    recorder = Recorder(tmp_path / "run", describe_run(sheet, LINK_CAR, "1"), sync_every_s=60.0)
    for start in range(0, SAMPLES, 20):
        block = SampleBlock(5000 + start, 2**32, 500.0, ROLES, values(np.arange(start, start + 20)), 1_000_000 + start)
        if start == 400:
            recorder.event(SILENCE, {})
        if start != 600:
            recorder.write(received(encoder.encode(block), start * 2_000_000))
    recorder.close()
    path = recorder.status().path
    assert path is not None
    return path


def table_of(path: Path) -> dict[str, list[Any]]:
    if path.suffix == ".parquet":
        columns: dict[str, list[Any]] = pq.read_table(path).to_pydict()  # type: ignore[no-untyped-call,unused-ignore]
        return columns
    if path.suffix == ".h5":
        with h5py.File(path) as file:
            held = {name: dataset[:] for name, dataset in file.items()}
        return {name: [None if value != value else value for value in column.tolist()] for name, column in held.items()}
    lines = path.read_text().splitlines()
    cells = [[float(cell) if cell else None for cell in line.split(",")] for line in lines[1:]]
    return {name: list(column) for name, column in zip(lines[0].split(","), zip(*cells, strict=True), strict=True)}


NUMBERS = np.array([n for n in range(SAMPLES) if not 600 <= n < 620])


def as_floats(column: list[Any]) -> list[float]:
    return [float("nan") if value is None else float(value) for value in column]


@pytest.mark.parametrize("name", ["run.csv", "run.parquet", "run.h5"])
def test_calibrated(run: Run, recording: Path, tmp_path: Path, name: str) -> None:
    to = tmp_path / name
    done = run("export", recording, "--to", to)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines() == [
        f"{to}: 1180 samples at 500 Hz",
        "  20 samples are missing, in 1 gaps; they have no rows",
    ]
    table = table_of(to)
    dampers = [f"damper_{corner}_mm" for corner in ("FL", "FR", "RL", "RR")]
    assert sorted(table) == sorted(["sample", "time_s", *dampers, "speed_m_s", "lap_number"])
    assert table["sample"] == (5000 + NUMBERS).tolist()
    assert table["time_s"] == pytest.approx(NUMBERS / 500.0)
    sent = values(NUMBERS)
    assert as_floats(table["damper_FL_mm"]) == pytest.approx(sent[:, 0], abs=1e-6)
    assert as_floats(table["damper_FR_mm"]) == pytest.approx(sent[:, 1], abs=1e-6, nan_ok=True)
    assert table["damper_FR_mm"][3] is None
    # 2.5 V is the middle of the sensor's stroke, and 25 mm a volt; its zero is 2 mm.
    assert as_floats(table["damper_RR_mm"]) == pytest.approx(NUMBERS * 0.025 - 2.0, abs=1e-4)
    assert as_floats(table["speed_m_s"]) == pytest.approx(np.full(1180, 10.0))
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(["car.toml", "run", name])


@pytest.mark.parametrize("name", ["run.csv", "run.parquet", "run.h5"])
def test_raw(run: Run, recording: Path, tmp_path: Path, name: str) -> None:
    to = tmp_path / name
    done = run("export", recording, "--to", to, "--raw")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"{to}: 1180 samples as received\n"
    table = table_of(to)
    assert sorted(table) == sorted(["counter", "arrival_s", "device_time_us", *ROLES])
    assert table["counter"] == (5000 + NUMBERS).tolist()
    assert as_floats(table["arrival_s"]) == pytest.approx(NUMBERS // 20 * 20 * 0.002)
    assert table["device_time_us"][0] == 1_000_000
    assert table["device_time_us"][1:20] == [None] * 19
    assert table["device_time_us"][20] == 1_000_020
    assert as_floats(table["damper_RR"]) == pytest.approx(2500.0 + NUMBERS)
    assert as_floats(table["damper_FR"]) == pytest.approx(values(NUMBERS)[:, 1], nan_ok=True)


def test_a_table_is_what_a_replay_sees(recording: Path, tmp_path: Path) -> None:
    to = tmp_path / "run.parquet"
    export(recording, ExportOptions(to, raw=False))
    sheet = load_sheet(tmp_path / "car.toml")
    with open_log(recording, sheet) as log:
        travel = np.concatenate([Calibration(sheet).process(chunk.sensors) for chunk in log])
    table = table_of(to)
    for index, corner in enumerate(("FL", "FR", "RL", "RR")):
        np.testing.assert_array_equal(as_floats(table[f"damper_{corner}_mm"]), travel[:, index])


def test_columns_keep_their_order_in_csv_and_parquet(recording: Path, tmp_path: Path) -> None:
    for name in ("run.csv", "run.parquet"):
        export(recording, ExportOptions(tmp_path / name))
        assert list(table_of(tmp_path / name))[:3] == ["sample", "time_s", "damper_FL_mm"]


TABLE_CAR = CAR.replace('time = { column = "time", unit = "s" }', 'time = { column = "time_s", unit = "s" }')
for _corner in ("FL", "FR", "RL", "RR"):
    TABLE_CAR = TABLE_CAR.replace(f'damper_{_corner} = "{_corner}"', f'damper_{_corner} = "damper_{_corner}_mm"')
TABLE_CAR = TABLE_CAR.replace(
    'lap_number = "lap"', 'lap_number = "lap_number"\nspeed = { column = "speed_m_s", unit = "m/s" }'
)


def test_a_table_is_a_log_again_the_same_from_hdf5_as_from_parquet(run: Run, recording: Path, tmp_path: Path) -> None:
    sheet = sheet_file(tmp_path, TABLE_CAR, "table.toml")
    said, results = [], []
    for name in ("run.parquet", "run.h5"):
        export(recording, ExportOptions(tmp_path / name))
        done = run("replay", tmp_path / name, "--car", sheet, "--out", tmp_path / f"{name} out")
        assert (done.returncode, done.stderr) == (0, "")
        said.append(done.stdout.replace(name, "run"))
        written = {path.name: path.read_text().replace(name, "run") for path in (tmp_path / f"{name} out").iterdir()}
        results.append(written)
    assert said[0] == said[1]
    assert results[0] == results[1]
    assert '"empty"' in results[0]["summary.json"]


def test_hdf5_says_its_units_and_needs_its_extra(
    recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    export(recording, ExportOptions(tmp_path / "run.h5"))
    with h5py.File(tmp_path / "run.h5") as file:
        units = {name: dataset.attrs["unit"] for name, dataset in file.items()}
    assert units["damper_FL_mm"] == "mm"
    assert (units["time_s"], units["speed_m_s"], units["sample"]) == ("s", "m/s", "")
    monkeypatch.setitem(sys.modules, "h5py", None)
    said = check_refused(run("export", recording, "--to", tmp_path / "other.h5"), code=1)
    assert 'pip install "damperwatch[hdf5]"' in said
    assert not list(tmp_path.glob("*other*"))


def test_another_sheet_may_be_named(run: Run, recording: Path, tmp_path: Path) -> None:
    other = sheet_file(tmp_path, LINK_CAR.replace("zero_mm = 2.0", "zero_mm = 5.0"), "other.toml")
    to = tmp_path / "run.csv"
    assert run("export", recording, "--to", to, "--car", other).returncode == 0
    assert table_of(to)["damper_RR_mm"][0] == pytest.approx(-5.0)


def test_damage_is_told_and_the_rest_exported(run: Run, recording: Path, tmp_path: Path) -> None:
    content = bytearray(recording.read_bytes())
    content[len(content) // 2 : len(content) // 2 + 10] = bytes(10)
    recording.write_bytes(content)
    done = run("export", recording, "--to", tmp_path / "run.csv")
    assert done.returncode == 0
    assert "blocks are missing" in done.stdout or "were passed over" in done.stdout
    assert len(table_of(tmp_path / "run.csv")["sample"]) == 1160


def test_nothing_is_replaced_unasked(run: Run, recording: Path, tmp_path: Path) -> None:
    to = tmp_path / "run.csv"
    to.write_text("precious")
    said = check_refused(run("export", recording, "--to", to), code=1)
    assert "exists already" in said
    assert to.read_text() == "precious"
    assert run("export", recording, "--to", to, "--overwrite").returncode == 0
    assert len(table_of(to)["sample"]) == 1180


@pytest.mark.parametrize("name", ["run.xlsx", "absent/run.csv", "folder.csv"])
def test_what_can_not_be_written(run: Run, recording: Path, tmp_path: Path, name: str) -> None:
    (tmp_path / "folder.csv").mkdir()
    before = sorted(tmp_path.rglob("*"))
    check_refused(run("export", recording, "--to", f"{tmp_path}/{name}"), code=1)
    assert sorted(tmp_path.rglob("*")) == before


def test_what_can_not_be_read(run: Run, recording: Path, tmp_path: Path) -> None:
    to = tmp_path / "run.csv"
    check_refused(run("export", log_file(tmp_path, 10), "--to", to))
    check_refused(run("export", tmp_path / "absent.dwrec", "--to", to))
    said = check_refused(run("export", recording, "--to", to, "--car", sheet_file(tmp_path, CAR, "b.toml")))
    assert "no [link]" in said
    content = recording.read_bytes()
    recording.write_bytes(bytes(60) + content[60:])
    assert "--car" in check_refused(run("export", recording, "--to", to))
    assert run("export", recording, "--to", to, "--car", tmp_path / "car.toml").returncode == 0


def test_a_fault_or_a_signal_leaves_nothing_behind(
    recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    before = sorted(tmp_path.rglob("*"))
    real = export_file._Arrow.write

    def interrupted(self: export_file._Arrow, columns: export_file.Columns) -> None:
        real(self, columns)
        signal.raise_signal(signal.SIGTERM)

    monkeypatch.setattr(export_file._Arrow, "write", interrupted)
    assert export(recording, ExportOptions(tmp_path / "run.csv")) == ([], 128 + signal.SIGTERM)
    assert sorted(tmp_path.rglob("*")) == before

    def full(self: Any, columns: Any) -> None:  # noqa: ARG001
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(export_hdf5.Hdf5Table, "_hand_over", full)
    assert "No space left" in check_refused(run("export", recording, "--to", tmp_path / "run.h5"), code=1)
    assert sorted(tmp_path.rglob("*")) == before
    monkeypatch.setattr(export_file._Arrow, "write", full)
    assert "No space left" in check_refused(run("export", recording, "--to", tmp_path / "run.parquet"), code=1)
    assert sorted(tmp_path.rglob("*")) == before


def test_tables_go_out_in_parts_of_bounded_size(tmp_path: Path) -> None:
    to = tmp_path / "long.parquet"
    with export_file.new_table(to, overwrite=False) as table:
        for start in range(0, 300_000, 1000):
            table.write({"sample": np.arange(start, start + 1000), "odd": pa.array([None] * 1000, pa.int64())})
    file = pq.ParquetFile(to)  # type: ignore[no-untyped-call,unused-ignore]
    sizes = [file.metadata.row_group(n).num_rows for n in range(file.metadata.num_row_groups)]
    assert sum(sizes) == 300_000
    assert max(sizes) <= 70_000
