"""A survey against replays of the same logs; what it keeps, what it leaves out, and how it ends."""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from console import survey_job
from console.cli import cli
from console.outlet import PlainOutlet
from console.pace import Clock
from console.replay import ReplayOptions, program_version, replay
from console.results import ALERTS, LAPS, SUMMARY
from console.survey import LAPS as LAP_TABLE
from console.survey import LOGS, Voice, survey
from console.survey_job import Job, survey_log
from console.survey_list import jobs_of
from console.survey_part import Parts
from console.survey_pool import Here, Pool, SurveyError, WorkerLostError, default_workers, open_pool
from console.survey_table import PROVENANCE, flat, table_of, type_of, write_table
from ingest.errors import DamperwatchError, ResultsError, SheetError
from ingest.sheet import Sheet, load_sheet
from tests.console.logs import CAR, EVENTFUL, eventful_log, log_file, read_lines, rows, sheet_file

HOSTILE = "x\x1b[2J\x07.csv"


@dataclass
class Heard:
    """What a survey said."""

    said: list[str] = field(default_factory=list)
    results: list[str] = field(default_factory=list)
    shares: list[float] = field(default_factory=list)

    def voice(self, *, each: bool = True) -> Voice:
        return Voice(self.said.append, self.results.append, self.shares.append, each)


@dataclass
class Scripted:
    """A pool that computes here, in reverse, and does something before each result."""

    before: Callable[[Any], None] = lambda _: None
    computed: list[str] = field(default_factory=list)
    lost: bool = False

    def run(self, function: Callable[[Any], Any], given: Sequence[Any]) -> Iterator[tuple[int, Any] | None]:
        for number, one in reversed(list(enumerate(given))):
            yield None
            if function is survey_log:
                self.before(one)
                self.computed.append(one.job.path.name)
            yield number, WorkerLostError() if self.lost and function is survey_log else function(one)


def run(jobs: list[Job], out: Path, pool: Pool | None = None, heard: Heard | None = None) -> int:
    return survey(jobs, out, pool or Here(), (heard or Heard()).voice())


def jobs(sheet: Sheet, *logs: Path, version: str = "1") -> list[Job]:
    return jobs_of(logs, None, sheet, version)


def table(file: Path) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = pq.read_table(file).to_pylist()  # type: ignore[no-untyped-call,unused-ignore]
    return found


def states(out: Path) -> list[str]:
    return [str(line["state"]) for line in read_lines(out / LOGS)]


@pytest.fixture
def sheet(tmp_path: Path) -> Sheet:
    return load_sheet(sheet_file(tmp_path))


@pytest.fixture
def three(tmp_path: Path) -> list[Path]:
    """Logs of 6, 4 and 3 laps."""
    return [log_file(tmp_path, samples, f"{samples}.csv") for samples in (6000, 4000, 3000)]


def replayed(log: Path, folder: Path) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """What a replay writes of laps and alerts."""
    replay(log, EVENTFUL, PlainOutlet(lambda _: None), ReplayOptions(results=folder), Clock())
    return read_lines(folder / LAPS), read_lines(folder / ALERTS)


# ---------------------------------------------------------------- the same as a replay


@pytest.mark.parametrize("seed", [1, 2])
def test_rows_are_the_records_of_a_replay(tmp_path: Path, seed: int) -> None:
    log = eventful_log(tmp_path, seed)
    both = replayed(log, tmp_path / "replayed")
    assert run(jobs(EVENTFUL, log), tmp_path / "out") == 0
    for name, records in zip(("laps.parquet", "alerts.parquet"), both, strict=True):
        found = table(tmp_path / "out" / name)
        assert records
        assert len(found) == len(records)
        for row, record in zip(found, records, strict=True):
            assert {key: value for key, value in row.items() if key not in PROVENANCE} == flat(record)


def test_columns_are_paths_of_the_record(tmp_path: Path) -> None:
    log = eventful_log(tmp_path)
    run(jobs(EVENTFUL, log), tmp_path / "out")
    row, record = table(tmp_path / "out" / LAP_TABLE)[1], replayed(log, tmp_path / "replayed")[0][1]
    corner = record["corners"]["RR"]
    expected = {
        "lap": record["lap"],
        "kind": record["kind"],
        "duration_s": record["duration_s"],
        "RR_velocity_rms_mm_s": corner["velocity_rms_mm_s"],
        "RR_time_share_high_speed_rebound": corner["time_share"]["high_speed_rebound"],
        "RR_bump_stop_contacts": corner["bump_stop"]["contacts"],
        "RR_wheel_load_mean_n": corner["wheel_load"]["mean_n"],
        "platform_tail_lowest_mm": record["platform"]["tail"]["lowest_mm"],
        "asymmetry_rear_rebound_distance": record["asymmetry"]["rear rebound"]["distance"],
        "body_roll_deg_p99": record["body"]["roll_deg"]["p99"],
        "load_balance_front_share": record["load_balance"]["front_share"],
    }
    assert {name: row[name] for name in expected} == expected


def test_what_a_row_comes_from(tmp_path: Path, sheet: Sheet) -> None:
    import hashlib

    log = log_file(tmp_path)
    run([replace(jobs(sheet, log)[0], when="Friday")], tmp_path / "out")
    row = table(tmp_path / "out" / LAP_TABLE)[0]
    assert {name: row[name] for name in PROVENANCE} == {
        "log": str(log),
        "log_sha256": hashlib.sha256(log.read_bytes()).hexdigest(),
        "sheet_sha256": hashlib.sha256(CAR.encode()).hexdigest(),
        "program_version": "1",
        "car": "Test mule",
        "circuit": "",
        "set_up": "",
        "when": "Friday",
        "rehearsal": False,
    }


def test_types_follow_from_names_and_hold_every_value(tmp_path: Path) -> None:
    log = eventful_log(tmp_path)
    run(jobs(EVENTFUL, log), tmp_path / "out")
    schema = pq.read_schema(tmp_path / "out" / LAP_TABLE)  # type: ignore[no-untyped-call,unused-ignore]
    assert all(one.type == type_of(one.name) for one in schema)
    wanted = {pa.int64(): int, pa.float64(): float, pa.string(): str, pa.bool_(): bool}
    for records in replayed(log, tmp_path / "replayed"):
        for record in records:
            for name, value in flat(record).items():
                assert value is None or isinstance(value, wanted[type_of(name)] | int), name
                assert type_of(name) != pa.int64() or not isinstance(value, float), name
    assert {"FL_velocity_rms_mm_s", "RR_bump_stop_contacts", "platform_nose_lowest_mm"} <= set(schema.names)


def test_a_summary_of_a_part_is_that_of_a_replay(tmp_path: Path) -> None:
    log = eventful_log(tmp_path)
    replayed(log, tmp_path / "replayed")
    run(jobs(EVENTFUL, log), tmp_path / "out")
    theirs = json.loads((tmp_path / "replayed" / SUMMARY).read_text())
    del theirs["along_lap"]
    (file,) = (tmp_path / "out/parts").iterdir()
    mine = Parts(tmp_path / "out").there(file.stem).summary
    named = {"source", "program_version"}
    assert {key: value for key, value in mine.items() if key not in named} == {
        key: value for key, value in theirs.items() if key not in named
    }
    assert None in walked(mine)  # what is unknown is told as it is in a replay's


def walked(value: Any) -> Iterator[Any]:
    if isinstance(value, dict | list):
        for inner in value.values() if isinstance(value, dict) else value:
            yield from walked(inner)
    else:
        yield value


def test_what_is_not_finite_is_unknown_in_a_row() -> None:
    record = {"a b": np.float64("nan"), "c": {"d": float("inf"), "e": np.int64(3), "f": np.arange(2)}, "g": (1, 2)}
    found = flat(record)
    assert found == {"a_b": None, "c_d": None, "c_e": 3}
    assert type(found["c_e"]) is int


def test_rows_of_logs_with_other_columns_stand_in_one_table(tmp_path: Path) -> None:
    """Also where what is written together ends between two logs."""
    logs: list[tuple[dict[str, Any], list[dict[str, Any]]]] = [
        ({"log": "a", "rehearsal": False}, [{"lap": str(n), "duration_s": 1.0 + n} for n in range(600)]),
        ({"log": "b", "rehearsal": True}, [{"lap": "0", "FL_bump_stop_contacts": 2}] * 500),
        ({"log": "c", "rehearsal": False}, []),
        ({"log": "d", "rehearsal": False}, [{"lap": "x"}]),
    ]
    columns = ["log", "rehearsal", "lap", "duration_s", "FL_bump_stop_contacts", "when"]
    given = ((before, table_of(rows)) for before, rows in logs)
    assert write_table(tmp_path / "t.parquet", given, columns) == 1101
    expected = [dict.fromkeys(columns) | before | row for before, rows in logs for row in rows]
    assert table(tmp_path / "t.parquet") == expected
    assert pq.read_schema(tmp_path / "t.parquet").names == columns  # type: ignore[no-untyped-call,unused-ignore]


# ---------------------------------------------------------------- order, and going on


def test_the_tables_are_the_same_whatever_comes_first(tmp_path: Path, sheet: Sheet, three: list[Path]) -> None:
    run(jobs(sheet, *three), tmp_path / "a")
    run(jobs(sheet, *three), tmp_path / "b", Scripted())
    names = [path.name for path in (tmp_path / "a").rglob("*") if path.is_file()]
    assert {LAP_TABLE, "alerts.parquet", LOGS, "scatter.json"} <= set(names)
    for file in (tmp_path / "a").rglob("*"):
        if file.is_file():
            assert file.read_bytes() == (tmp_path / "b" / file.relative_to(tmp_path / "a")).read_bytes(), file.name
    assert [row["log"] for row in table(tmp_path / "a" / LAP_TABLE)] == [
        str(log) for log, laps in zip(three, (6, 4, 3), strict=True) for _ in range(laps)
    ]


def test_only_what_is_new_is_computed(tmp_path: Path, sheet: Sheet, three: list[Path]) -> None:
    out = tmp_path / "out"
    run(jobs(sheet, *three[:2]), out)
    before = {path.name: path.stat().st_mtime_ns for path in (out / "parts").iterdir()}

    def computed(given: list[Job]) -> list[str]:
        pool = Scripted()
        assert run(given, out, pool) == 0
        return pool.computed

    assert computed(jobs(sheet, *three)) == ["3000.csv"]
    assert computed(jobs(sheet, *three)) == []
    assert {name: (out / "parts" / name).stat().st_mtime_ns for name in before} == before
    three[1].write_text("\n".join(rows(5000)) + "\n")
    assert computed(jobs(sheet, *three)) == ["4000.csv"]
    assert len(table(out / LAP_TABLE)) == 6 + 5 + 3
    assert computed(jobs(sheet, *three, version="2")) == ["3000.csv", "4000.csv", "6000.csv"]
    other = load_sheet(sheet_file(tmp_path, CAR + '\n[stint]\ncircuit = "Ring"\n', "other.toml"))
    assert computed(jobs(other, three[2])) == ["3000.csv"]


@pytest.mark.parametrize(
    "harm",
    [
        lambda data: data[:-20],
        lambda _: b"",
        lambda data: data + b"x",
        *(lambda data, at=at: data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :] for at in (3, 40, 99, 2000, -1)),
    ],
)
def test_a_damaged_part_is_computed_again(
    tmp_path: Path, sheet: Sheet, three: list[Path], harm: Callable[[bytes], bytes]
) -> None:
    out = tmp_path / "out"
    run(jobs(sheet, *three[1:]), out)
    whole = (out / LAP_TABLE).read_bytes()
    part = next((out / "parts").iterdir())
    part.write_bytes(harm(part.read_bytes()))
    pool = Scripted()
    assert run(jobs(sheet, *three[1:]), out, pool) == 0
    assert len(pool.computed) == 1
    assert (out / LAP_TABLE).read_bytes() == whole


def test_what_a_killed_run_left_half_written_goes(tmp_path: Path, sheet: Sheet, three: list[Path]) -> None:
    out = tmp_path / "out"
    torn = [
        out / "parts/aa.part.1.writing",
        out / "laps.parquet.1.writing",
        out / "references/x/summary.json.1.writing",
    ]
    for file in torn:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(b"half")
    assert run(jobs(sheet, three[2]), out) == 0
    assert not any(file.exists() for file in torn)


def test_ctrl_c_keeps_what_is_done(tmp_path: Path, sheet: Sheet, three: list[Path]) -> None:
    out, heard = tmp_path / "out", Heard()
    pool = Scripted(lambda task: signal.raise_signal(signal.SIGINT) if task.job.number == 1 else None)
    assert run(jobs(sheet, *three), out, pool, heard) == 130
    # That of the third and second: the one under way comes to its end here.
    assert states(out) == ["not reached", "done", "done"]
    assert len(table(out / LAP_TABLE)) == 4 + 3
    assert heard.said[-1].startswith("interrupted: 2 of 3 logs are done")
    assert not (out / "scatter.json").exists()
    again = Scripted()
    assert run(jobs(sheet, *three), out, again) == 0
    assert again.computed == ["6000.csv"]


def test_ctrl_c_before_anything_leaves_earlier_tables(tmp_path: Path, sheet: Sheet, three: list[Path]) -> None:
    out = tmp_path / "out"
    run(jobs(sheet, *three[1:]), out)
    before = (out / LAP_TABLE).read_bytes()

    class Early(Here):
        def run(self, function: Any, given: Any) -> Any:
            signal.raise_signal(signal.SIGTERM)
            yield from super().run(function, given)

    assert run(jobs(sheet, *three), out, Early()) == 143
    assert (out / LAP_TABLE).read_bytes() == before


def test_a_log_under_way_is_ended_by_ctrl_c(
    tmp_path: Path, sheet: Sheet, three: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(survey_job, "replay", lambda *_: 130)
    assert run(jobs(sheet, *three), tmp_path / "out") == 130
    assert states(tmp_path / "out") == ["not reached"] * 3


# ---------------------------------------------------------------- bad logs


def invoke(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, ["survey", *map(str, arguments)])


def test_a_bad_log_is_told_and_left_out(tmp_path: Path, three: list[Path]) -> None:
    car = sheet_file(tmp_path)
    empty, cut, pipe = tmp_path / "empty.csv", tmp_path / "cut.parquet", tmp_path / "pipe"
    empty.touch()
    cut.write_bytes(b"PAR1 and no more")
    os.mkfifo(pipe)
    bad = [tmp_path / HOSTILE, tmp_path, empty, cut, car, pipe, Path("/dev/zero")]
    done = invoke(
        bad[0], three[0], *bad[1:], three[0], three[2], "--car", car, "--out", tmp_path / "out", "--workers", "0"
    )
    assert done.exit_code == 1, done.output
    told = done.stderr.splitlines()[:10]
    assert [line.split("  ")[0] for line in told] == [f"{n}/10" for n in range(1, 11)]
    for path, words in zip(
        bad, ("no such file", "is a directory", "", "", "", "is no file", "is no file"), strict=True
    ):
        name = "x\ufffd[2J" if path is bad[0] else str(path)
        assert any(name in line and words in line for line in told), path
    assert not set(done.output) & {"\x1b", "\x07"}
    assert max(map(len, told)) < 700
    assert [row["log"] for row in table(tmp_path / "out" / LAP_TABLE)] == [str(three[0])] * 6 + [str(three[2])] * 3
    lines = read_lines(tmp_path / "out" / LOGS)
    assert [line["state"] for line in lines] == [
        "fault", "done", *["fault"] * 6, "double", "done",
    ]  # fmt: skip
    assert all(bool(line["fault"]) == (line["state"] == "fault") for line in lines)
    assert f"2 of 10 logs in {tmp_path / 'out'}" in done.stdout


def test_thousands_of_missing_logs_and_not_one_there(tmp_path: Path) -> None:
    names = [tmp_path / f"{n}.csv" for n in range(3000)]
    done = invoke(*names, "--car", sheet_file(tmp_path), "--out", tmp_path / "out", "--workers", "0")
    assert done.exit_code == 2
    assert len(done.stderr.splitlines()) == 3000
    assert table(tmp_path / "out" / LAP_TABLE) == []


def test_a_log_that_breaks_off_has_no_rows(tmp_path: Path, sheet: Sheet, three: list[Path]) -> None:
    broken = tmp_path / "broken.parquet"
    whole = pa_csv.read_csv(three[0])
    pq.write_table(whole, broken, row_group_size=1000)  # type: ignore[no-untyped-call,unused-ignore]
    data = bytearray(broken.read_bytes())
    middle = len(data) * 6 // 10
    data[middle : middle + 3000] = bytes(3000)
    broken.write_bytes(data)
    heard = Heard()
    assert run(jobs(sheet, broken, three[1]), tmp_path / "out", heard=heard) == 1
    assert {row["log"] for row in table(tmp_path / "out" / LAP_TABLE)} == {str(three[1])}
    assert heard.said[0].startswith(f"1/2  {broken}: ")


def test_a_double_counts_where_the_first_could_not_be_read(tmp_path: Path, sheet: Sheet, three: list[Path]) -> None:
    """One content under three names, the first of which says Parquet; and an empty one under two."""
    names = [tmp_path / name for name in ("a.parquet", "b.csv", "c.csv", "d.csv", "e.csv")]
    for path in names[:3]:
        path.write_bytes(three[2].read_bytes())
    for path in names[3:]:
        path.touch()
    heard = Heard()
    assert run(jobs(sheet, *names), tmp_path / "out", heard=heard) == 1
    assert states(tmp_path / "out") == ["fault", "done", "double", "fault", "fault"]
    assert {row["log"] for row in table(tmp_path / "out" / LAP_TABLE)} == {str(names[1])}
    assert any(f"{names[2]}: the same log as {names[1]}" in line for line in heard.said)
    assert heard.shares[-1] == 1.0
    assert len(heard.shares) == 5


def test_a_log_that_changes_meanwhile_is_left_out(tmp_path: Path, sheet: Sheet, three: list[Path]) -> None:
    def grow(task: Any) -> None:
        with task.job.path.open("a") as file:
            file.write("99,1,1,1,1,9\n")

    heard = Heard()
    assert run(jobs(sheet, three[2]), tmp_path / "out", Scripted(grow), heard) == 2
    assert heard.said == [f"1/1  {three[2]}: was changed while it was read; run the survey again when it is whole"]
    assert list((tmp_path / "out/parts").iterdir()) == []


def test_a_bug_or_a_dead_worker_costs_one_log(
    tmp_path: Path, sheet: Sheet, three: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(path: Path, *given: Any) -> int:
        if path == three[0]:
            raise ZeroDivisionError
        return replay(path, *given)

    monkeypatch.setattr(survey_job, "replay", broken)
    heard = Heard()
    assert run(jobs(sheet, *three), tmp_path / "out", heard=heard) == 1
    assert heard.said[0] == f"1/3  {three[0]}: can't be surveyed (ZeroDivisionError); replay tells more"
    lost = Heard()
    assert run(jobs(sheet, three[0]), tmp_path / "other", Scripted(lost=True), lost) == 2
    assert lost.said == [f"1/1  {three[0]}: the worker that computed it died, twice"]


def test_beside_a_bar_only_faults_are_said(tmp_path: Path, sheet: Sheet, three: list[Path]) -> None:
    heard = Heard()
    survey(jobs(sheet, tmp_path / "no.csv", *three), tmp_path / "out", Here(), heard.voice(each=False))
    assert [line for line in heard.said if line[0].isdigit()] == [f"1/4  {tmp_path / 'no.csv'}: there is no such file"]
    assert heard.shares == [0.25, 0.5, 0.75, 1.0]


# ---------------------------------------------------------------- where it goes, where it is computed


def test_a_directory_with_other_things_is_refused(tmp_path: Path, sheet: Sheet, three: list[Path]) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine/notes.txt").write_text("keep")
    for place in (tmp_path / "mine", three[0], tmp_path / "no\0name"):
        with pytest.raises(ResultsError):
            run(jobs(sheet, three[2]), place)
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["notes.txt"]


def test_without_dask_it_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(SurveyError, match=r"damperwatch\[survey\].*--workers 0"), open_pool(2, None):
        pass
    with open_pool(0, None) as pool:
        assert isinstance(pool, Here)


@pytest.mark.parametrize("address", ["", "nowhere", "x\x1b[2J:1", "tcp://a b:8786", "tcp://127.0.0.1"])
def test_what_is_no_address_is_refused_at_once(tmp_path: Path, address: str) -> None:
    done = invoke(log_file(tmp_path), "--car", sheet_file(tmp_path), "--out", tmp_path / "o", "--scheduler", address)
    assert done.exit_code == 1
    assert isinstance(done.exception, DamperwatchError)
    assert "is no address" in str(done.exception)
    assert "\x1b" not in str(done.exception)
    assert not (tmp_path / "o").exists()


def test_no_more_workers_than_logs() -> None:
    assert default_workers(1) == 1
    assert 1 <= default_workers(10_000) <= 10_000


@pytest.mark.parametrize(
    "arguments",
    [[], ["log.csv"], ["log.csv", "--out", "o", "--workers", "1", "--scheduler", "tcp://a:1"], ["--out", "o"]],
)
def test_wrong_usage(arguments: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert invoke(*arguments).exit_code == 2


# ---------------------------------------------------------------- the list


def test_a_list_tells_sheet_circuit_set_up_and_when(tmp_path: Path, three: list[Path]) -> None:
    folder = tmp_path / "lists"
    folder.mkdir()
    sheet_file(folder, name="soft.toml")
    car = sheet_file(tmp_path)
    text = "\ufeff" + "log, sheet ,circuit,set_up,when\n" + f"{three[0]},soft.toml,Ring,soft,2025-03-14\n\n"
    text += "../4000.csv,,Ring,,\n../3000.csv,,,,Sunday\n"
    (folder / "season.csv").write_text(text, encoding="utf-8")
    done = invoke("--list", folder / "season.csv", "--car", car, "--out", tmp_path / "out", "--workers", "0")
    assert done.exit_code == 0, done.output
    found = {tuple(row[key] for key in ("circuit", "set_up", "when")) for row in table(tmp_path / "out" / LAP_TABLE)}
    assert found == {("Ring", "soft", "2025-03-14"), ("Ring", "", ""), ("", "", "Sunday")}
    groups = json.loads((tmp_path / "out/scatter.json").read_text())["groups"]
    assert [(one["circuit"], one["set_up"]) for one in groups] == [("Ring", "soft"), ("Ring", ""), ("", "")]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "first line"),
        ("path\na.csv\n", "first line"),
        ("log,log\na,b\n", "first line"),
        ("log,mood\na,b\n", "first line"),
        ("log\n", "names no log"),
        ("log,when\n,now\n", "line 2: names no log"),
        ("log,when\na.csv\n", "line 2: has 1 cells, not 2"),
        ("log,circuit\na.csv," + "x" * 81 + "\n", "line 2: circuit"),
        ('log\n"a', "no CSV"),
        (b"log\n\xff\n", "UTF-8"),
    ],
)
def test_a_list_that_can_not_be_used(tmp_path: Path, sheet: Sheet, content: str | bytes, says: str) -> None:
    path = tmp_path / "list.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(DamperwatchError, match=says):
        jobs_of([], path, sheet, "1")


def test_one_log_on_two_circuits_is_two_stints(tmp_path: Path, sheet: Sheet) -> None:
    log_file(tmp_path, 3000, "3000.csv")
    path = tmp_path / "list.csv"
    path.write_text("log,circuit,set_up\n3000.csv,Ring,\n3000.csv,Hill,\n3000.csv,Hill,soft\n3000.csv,Hill,soft\n")
    assert run(jobs_of([], path, sheet, "1"), tmp_path / "out") == 0
    assert states(tmp_path / "out") == ["done", "done", "done", "double"]
    assert len(table(tmp_path / "out" / LAP_TABLE)) == 9


def test_a_list_without_sheets_needs_one(tmp_path: Path, sheet: Sheet) -> None:
    path = tmp_path / "list.csv"
    path.write_text("log\na.csv\n")
    with pytest.raises(DamperwatchError, match="line 2: has no car sheet"):
        jobs_of([], path, None, "1")
    with pytest.raises(DamperwatchError, match="can't be read"):
        jobs_of([], tmp_path / "none.csv", sheet, "1")
    path.write_text("log,sheet\na.csv,none.toml\n")
    with pytest.raises(SheetError):
        jobs_of([], path, sheet, "1")


def test_the_version_is_the_program_s(tmp_path: Path) -> None:
    invoke(log_file(tmp_path, 3000), "--car", sheet_file(tmp_path), "--out", tmp_path / "out", "--workers", "0")
    assert {row["program_version"] for row in table(tmp_path / "out" / LAP_TABLE)} == {program_version()}
