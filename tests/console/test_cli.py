"""The command as people run it: answers, errors in a line or two, exit codes, signals and pipes; never a traceback."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import pytest

from console.cli import main
from console.results import ALERTS, LAPS, SUMMARY
from tests.console.logs import CAR, log_file, read_lines, rows, sheet_file, strict

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-c", "from console.cli import main; main()"]
HOSTILE = "x\x1b[2J\x07[bold]"
# Nothing here takes seconds; a hang must not hold up the suite.
PATIENCE_S = 60


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "NO_COLOR": "1", "PYTHONUNBUFFERED": ""}


@dataclass(frozen=True)
class Done:
    """How a run ended."""

    returncode: int
    stdout: str
    stderr: str


class Run(Protocol):
    """Runs the command with arguments."""

    def __call__(self, *arguments: str | Path) -> Done: ...


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """The command within this process: a new interpreter for each of a hundred mistakes takes a minute."""

    def call(*arguments: str | Path) -> Done:
        monkeypatch.setattr(sys, "argv", ["damperwatch", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        captured = capsys.readouterr()
        assert isinstance(ended.value.code, int)
        return Done(ended.value.code, captured.out, captured.err)

    return call


def check_refused(done: Done, *, code: int = 2, lines: int = 2) -> str:
    """Exit code, a bounded number of lines on standard error only, and nothing a terminal would obey."""
    assert done.returncode == code, done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert 1 <= len(done.stderr.splitlines()) <= lines, done.stderr
    assert all(line.isprintable() for line in done.stderr.splitlines()), repr(done.stderr)
    assert done.stderr.startswith("damperwatch: ")
    return done.stderr


# ---------------------------------------------------------------- answers


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--help"], "damperwatch sheet car.toml"),
        (["-h"], "Commands:"),
        (["replay", "--help"], "--pace"),
        (["sheet", "--help"], "Check a car sheet"),
        (["--version"], "version"),
    ],
)
def test_help(run: Run, arguments: list[str], says: str) -> None:
    done = run(*arguments)
    assert (done.returncode, done.stderr) == (0, "")
    assert says in done.stdout


def test_alone_it_shows_its_help(run: Run) -> None:
    done = run()
    assert done.returncode == 2
    assert "Usage:" in done.stdout
    assert "Traceback" not in done.stderr


def test_sheet_on_a_valid_sheet(run: Run, tmp_path: Path) -> None:
    done = run("sheet", sheet_file(tmp_path))
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Test mule: the sheet is valid\n")
    assert "wheel rate, N/mm" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_replay_writes_lines_and_results(run: Run, tmp_path: Path) -> None:
    done = run("replay", log_file(tmp_path), "--car", sheet_file(tmp_path), "--out", tmp_path / "out")
    assert (done.returncode, done.stderr) == (0, "")
    assert "ALERT medium  bump stop FL: still on the bump stop after 0.25 s" in done.stdout
    assert done.stdout.splitlines()[-1] == "The program advises; it does not certify that a car is safe to run."
    assert "\x1b" not in done.stdout
    assert strict((tmp_path / "out" / SUMMARY).read_text())["complete"] is True


def test_earlier_results_are_kept_unless_told_otherwise(run: Run, tmp_path: Path) -> None:
    arguments: list[str | Path] = ["replay", log_file(tmp_path), "--car", sheet_file(tmp_path)]
    arguments += ["--out", tmp_path / "out"]
    assert run(*arguments).returncode == 0
    before = (tmp_path / "out" / SUMMARY).read_bytes()
    assert "--overwrite" in check_refused(run(*arguments), code=1)
    assert (tmp_path / "out" / SUMMARY).read_bytes() == before
    assert run(*arguments, "--overwrite").returncode == 0


# ---------------------------------------------------------------- wrong usage


@pytest.mark.parametrize(
    "arguments",
    [
        ["frobnicate"],
        ["--frobnicate"],
        ["replay"],
        ["replay", "log.csv"],
        ["replay", "--car"],
        ["replay", "a", "b", "--car", "c"],
        ["replay", "a", f"b{HOSTILE}\nc", "--car", "c"],
        ["sheet"],
        ["sheet", "a", "b"],
        [f"fro{HOSTILE}\nb"],
        [f"--fro{HOSTILE}"],
        *[["replay", "a", "--car", "c", "--pace", pace] for pace in ("0", "-1", "nan", "inf", "fast", HOSTILE, "")],
    ],
)
def test_wrong_usage(run: Run, arguments: list[str]) -> None:
    check_refused(run(*arguments))


# ---------------------------------------------------------------- bad sheets


@pytest.mark.parametrize("command", ["sheet", "replay"])
def test_every_mistake_in_a_sheet_is_one_line(run: Run, tmp_path: Path, command: str) -> None:
    text = CAR.replace("mass_kg = 900.0", 'mass_kg = "heavy"').replace("front_share = 0.45", "front_share = 45")
    text = text.replace("wheelbase_mm = 2600.0", "wheel_base_mm = 2600.0")
    sheet = sheet_file(tmp_path, text)
    done = run("sheet", sheet) if command == "sheet" else run("replay", log_file(tmp_path), "--car", sheet)
    message = check_refused(done, lines=5)
    assert "4 mistakes in the car sheet" in message
    assert all(f"car.{key}" in message for key in ("mass_kg", "front_share", "wheelbase_mm", "wheel_base_mm"))


@pytest.mark.parametrize(
    "text",
    ["", "not toml", "[car\n", "x = " + "[" * 5000, f'[car]\nname = "{HOSTILE}"'.replace("\x1b", "\\u001b")],
)
def test_what_is_no_sheet(run: Run, tmp_path: Path, text: str) -> None:
    check_refused(run("sheet", sheet_file(tmp_path, text.replace("\x07", "\\u0007"))), lines=12)


def test_sheets_that_cannot_be_read(run: Run, tmp_path: Path) -> None:
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00\x01" * 10)
    for path in (tmp_path, tmp_path / "absent.toml", tmp_path / "binary.toml", tmp_path / ("x" * 300)):
        check_refused(run("sheet", path))


# ---------------------------------------------------------------- bad logs


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\n\n\n",
        b"time,FL,FR,RL,RR,lap\n",
        b"time,FL,FR,RL\n0,1,2,3\n",
        b"time;FL;FR;RL;RR;lap\n0;1;2;3;4;5\n",
        b"PAR1 and then nothing",
        b"\x00\x01\x02\x03" * 100,
        b"time,FL,FR,RL,RR,lap\n" + b"0,0,0,0,0,0\n" * 50,
        b"time,FL,FR,RL,RR,lap\nx,y,z,x,y,z\n",
        f"ti{HOSTILE}me,FL,FR,RL,RR,lap\n0,1,2,3,4,5\n".encode(),
    ],
)
def test_logs_that_cannot_be_used(run: Run, tmp_path: Path, content: bytes) -> None:
    log = tmp_path / "log.csv"
    log.write_bytes(content)
    check_refused(run("replay", log, "--car", sheet_file(tmp_path), "--out", tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_logs_that_are_not_there(run: Run, tmp_path: Path) -> None:
    sheet = sheet_file(tmp_path)
    hostile = tmp_path / f"{HOSTILE}\n.csv"
    hostile.mkdir()
    for path in (tmp_path / "absent.csv", tmp_path, hostile, tmp_path / f"absent{HOSTILE}\n", tmp_path / ("x" * 300)):
        check_refused(run("replay", path, "--car", sheet))


def test_a_log_that_turns_bad_ends_with_an_error_after_all_before_it(run: Run, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_bytes(("\n".join(rows(3000)) + "\n").encode() + b'"' + b"x" * 9_000_000)
    done = run("replay", log, "--car", sheet_file(tmp_path), "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) <= 2
    assert "after line 3001" in done.stderr
    assert "(interrupted)" in done.stdout
    assert strict((tmp_path / "out" / SUMMARY).read_text())["samples_received"] == 3000
    assert len(read_lines(tmp_path / "out" / ALERTS)) >= 1


@pytest.mark.parametrize("value", ["1e304", "-1e300", "1.7e308", "2e9", "1e999"])
def test_readings_beyond_all_measure_are_counted_and_warn_nobody(run: Run, tmp_path: Path, value: str) -> None:
    log = log_file(tmp_path, 2000)
    lines = log.read_text().splitlines()
    for place in (700, 701, 900):
        cells = lines[place].split(",")
        lines[place] = ",".join([*cells[:2], value, *cells[3:]])
    log.write_text("\n".join(lines) + "\n")
    done = run("replay", log, "--car", sheet_file(tmp_path))
    assert (done.returncode, done.stderr) == (0, "")
    assert "column FR: 3 cells infinite (first at line 701)" in done.stdout


# ---------------------------------------------------------------- results and reference that can't be used


@pytest.mark.parametrize("option", ["--out", "--reference"])
def test_directories_that_cannot_be_used(run: Run, tmp_path: Path, option: str) -> None:
    (tmp_path / "file").write_text("")
    for path in (tmp_path / "file" / "inside", tmp_path / ("x" * 300), tmp_path / "file" / f"{HOSTILE}\n"):
        check_refused(run("replay", log_file(tmp_path), "--car", sheet_file(tmp_path), option, path), code=1)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("command", ["sheet", "replay", "help", ""])
def test_output_to_a_full_disk(tmp_path: Path, command: str) -> None:
    commands: dict[str, list[str | Path]] = {
        "sheet": ["sheet", sheet_file(tmp_path)],
        "replay": ["replay", log_file(tmp_path), "--car", sheet_file(tmp_path)],
        "help": ["--help"],
        "": [],
    }
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [*COMMAND, *map(str, commands[command])],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=PATIENCE_S,
            check=False,
            env=environment(),
        )
    assert done.returncode == 1
    assert done.stderr == "damperwatch: output can't be written: No space left on device\n"


# ---------------------------------------------------------------- strings of others


def test_hostile_names_do_not_reach_the_terminal(run: Run, tmp_path: Path) -> None:
    log = log_file(tmp_path, 600, name=f"{HOSTILE}\n.csv")
    text = log.read_text().replace("time,FL", f'time,"FL{HOSTILE}"', 1)
    log.write_text(text.replace("0.0020,", "0.0020,?", 1))
    name = f'"FL{HOSTILE}"'.replace("\x1b", "\\u001b").replace("\x07", "\\u0007")
    sheet = sheet_file(tmp_path, CAR.replace('damper_FL = "FL"', f"damper_FL = {name}"))
    done = run("replay", log, "--car", sheet)
    assert done.returncode == 0, done.stderr
    assert "column FLx" in done.stdout
    assert all(line.isprintable() for line in [*done.stdout.splitlines(), *done.stderr.splitlines()])
    # Markup of a screen library must come out as it stands.
    assert "[bold]" in done.stdout


def test_a_name_for_the_car_is_shown_as_it_stands(run: Run, tmp_path: Path) -> None:
    sheet = sheet_file(tmp_path, CAR.replace("Test mule", "[red]Mule[/red] {x} %s"))
    assert run("sheet", sheet).stdout.startswith("[red]Mule[/red] {x} %s: the sheet is valid")
    assert "[red]Mule[/red] {x} %s" in run("replay", log_file(tmp_path, 600), "--car", sheet).stdout


def test_output_that_takes_no_more_than_ascii(tmp_path: Path) -> None:
    sheet = sheet_file(tmp_path, CAR.replace("Test mule", "Mule é 漢"))
    done = subprocess.run(
        [*COMMAND, "sheet", str(sheet)],
        capture_output=True,
        timeout=PATIENCE_S,
        check=False,
        env={**environment(), "PYTHONIOENCODING": "ascii"},
    )
    assert done.returncode == 0, done.stderr
    assert b": the sheet is valid" in done.stdout


# ---------------------------------------------------------------- signals and pipes


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_signal_leaves_whole_files(tmp_path: Path, number: signal.Signals, code: int) -> None:
    out = tmp_path / "out"
    arguments = ["replay", log_file(tmp_path), "--car", sheet_file(tmp_path), "--pace", "1", "--plain", "--out", out]
    with subprocess.Popen(
        [*COMMAND, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(),
    ) as process:
        assert process.stdout is not None
        assert "replay of log.csv" in process.stdout.readline()
        process.send_signal(number)
        rest, errors = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == code
    assert errors == ""
    assert "(interrupted)" in rest
    assert sorted(path.name for path in out.iterdir()) == sorted([ALERTS, LAPS, SUMMARY])
    read_lines(out / ALERTS)
    summary = strict((out / SUMMARY).read_text())
    assert summary["complete"] is False
    assert summary["samples_received"] < 6000


@pytest.mark.parametrize("command", ["sheet", "replay"])
def test_a_reader_that_leaves_is_no_fault(tmp_path: Path, command: str) -> None:
    """As with "| head -1": the reader takes one line and goes."""
    arguments = [command, str(sheet_file(tmp_path))]
    if command == "replay":
        log, sheet, out = log_file(tmp_path, 60_000), sheet_file(tmp_path), tmp_path / "out"
        arguments = [command, str(log), "--car", str(sheet), "--out", str(out), "--pace", "100"]
    with subprocess.Popen(
        [*COMMAND, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment()
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline()
        process.stdout.close()
        errors = process.stderr.read()
        process.wait(timeout=PATIENCE_S)
    assert errors == ""
    assert process.returncode == 0
    if command == "replay":
        assert strict((tmp_path / "out" / SUMMARY).read_text())["complete"] is False


# ---------------------------------------------------------------- the journal of a watch


def live_sheet(folder: Path, name: str = "Test mule") -> Path:
    link = '\n[link]\nrate_hz = 500\nserial = { port = "/dev/no-such-port", baud = 115200 }\n'
    return sheet_file(folder, CAR.replace("Test mule", name) + link, f"{name}.toml")


def watched(run: Run, folder: Path, *more: str | Path, name: str = "Test mule") -> Done:
    return run("watch", "--car", live_sheet(folder, name), "--recordings", folder / "rec", "--seconds", "0.1", *more)


def test_a_watch_keeps_its_alarms_beside_the_recording(run: Run, tmp_path: Path) -> None:
    assert watched(run, tmp_path).returncode == 0
    assert (tmp_path / "rec" / "alarms.journal").is_file()


@pytest.mark.parametrize("more", [["--journal", "none"], ["--no-recording"]])
def test_a_watch_without_a_journal(run: Run, tmp_path: Path, more: list[str]) -> None:
    assert watched(run, tmp_path, *more).returncode == 0
    assert not (tmp_path / "rec" / "alarms.journal").exists()


def test_a_watch_keeps_its_alarms_where_it_is_told(run: Run, tmp_path: Path) -> None:
    assert watched(run, tmp_path, "--journal", tmp_path / "kept").returncode == 0
    assert (tmp_path / "kept").is_file()
    assert not (tmp_path / "rec" / "alarms.journal").exists()


def test_another_cars_journal_is_refused_in_words(run: Run, tmp_path: Path) -> None:
    assert watched(run, tmp_path).returncode == 0
    said = check_refused(watched(run, tmp_path, name="Other mule"), code=1)
    assert "is the journal of Test mule" in said
