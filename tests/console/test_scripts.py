"""What scripts and shells ask for: `sheet --json`, completions, and a bar for what lasts."""

from __future__ import annotations

import json
import math
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from console.progress import progress_bar
from console.sheet_figures import corner_figures
from console.sheet_report import sheet_lines
from ingest.sheet import load_sheet
from tests.console.logs import CAR, sheet_file, strict
from tests.console.test_cli import COMMAND, HOSTILE, PATIENCE_S, Run, check_refused, environment, run

__all__ = ["run"]

ROOT = Path(__file__).parents[2]
SHIPPED = ROOT / "replay_logs/car.toml"


def leaves(record: Any, path: str = "") -> dict[str, Any]:
    if not isinstance(record, dict):
        return {path: record}
    return {key: value for name, inner in record.items() for key, value in leaves(inner, f"{path}.{name}").items()}


def test_a_sheet_as_json_holds_the_numbers_of_the_report(run: Run) -> None:
    done = run("sheet", SHIPPED, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    record = strict(done.stdout)
    sheet = load_sheet(SHIPPED)
    for corner in ("FL", "RR"):
        figures = corner_figures(sheet, corner)
        for name, value in vars(figures).items():
            assert record["corners"][corner][name] == (value if math.isfinite(value) else None), name
    # Every number that people are shown is there, to the digits shown.
    numbers = [value for value in leaves(record).values() if isinstance(value, float | int)]
    lines = list(sheet_lines(sheet))
    for line in lines[8:]:
        for shown in re.findall(r"(?<![\w.])\d+\.\d+(?![\w.])", line):
            places = len(shown.split(".")[1])
            assert any(
                math.isclose(scale * abs(value), float(shown), abs_tol=0.51 * 10**-places)
                for value in numbers
                for scale in (1, 100, 1000)
            ), (shown, line)


def test_a_sheet_that_says_little_gives_nulls(run: Run, tmp_path: Path) -> None:
    record = strict(run("sheet", sheet_file(tmp_path), "--json").stdout)
    assert record["corners"]["FL"]["wheel_hop_hz"] is None
    assert record["whole_car"]["rake_deg"] is None
    assert record["platform"]["nose"] == {"static_height_mm": 50.0, "limit_mm": 30.0, "in_hand_mm": 20.0}


def test_a_bad_sheet_gives_no_json(run: Run, tmp_path: Path) -> None:
    check_refused(run("sheet", sheet_file(tmp_path, CAR.replace("900.0", "-1")), "--json"))


def test_the_name_of_a_car_stays_as_it_is(run: Run, tmp_path: Path) -> None:
    done = run("sheet", sheet_file(tmp_path, CAR.replace("Test mule", "[red]Mule \\u00e9 {x}")), "--json")
    assert json.loads(done.stdout)["car"] == "[red]Mule \u00e9 {x}"


# ---------------------------------------------------------------- completions


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completions_name_this_program(run: Run, shell: str) -> None:
    done = run("completion", shell)
    assert (done.returncode, done.stderr) == (0, "")
    assert "_DAMPERWATCH_COMPLETE" in done.stdout
    assert "damperwatch" in done.stdout


@pytest.mark.parametrize("shell", ["tcsh", "", HOSTILE])
def test_other_shells_are_refused(run: Run, shell: str) -> None:
    check_refused(run("completion", shell))


@pytest.mark.skipif(shutil.which("bash") is None, reason="needs bash")
def test_bash_completes_with_what_is_printed(tmp_path: Path) -> None:
    """A script named damperwatch, the printed lines, and what the Tab key calls."""
    program = tmp_path / "damperwatch"
    program.write_text("#!/bin/sh\nexec " + " ".join(f"'{word}'" for word in COMMAND) + ' "$@"\n')
    program.write_text(program.read_text().replace("main()'", 'import sys; sys.argv[0] = "damperwatch"; main()\''))
    program.chmod(0o755)
    script = (
        'eval "$(damperwatch completion bash)"\n'
        "function=$(complete -p damperwatch | sed 's/.*-F \\([^ ]*\\).*/\\1/')\n"
        "COMP_WORDS=(damperwatch re) COMP_CWORD=1\n"
        '$function damperwatch re damperwatch; echo "${COMPREPLY[*]}"\n'
        "COMPREPLY=() COMP_WORDS=(damperwatch replay --pa) COMP_CWORD=2\n"
        '$function damperwatch --pa replay; echo "${COMPREPLY[*]}"\n'
    )
    done = subprocess.run(
        ["bash", "-c", script],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
        env={**environment(), "PATH": f"{tmp_path}{os.pathsep}{os.environ['PATH']}"},
    )
    assert done.stderr == ""
    first, second = done.stdout.splitlines()
    assert "replay" in first.split()
    assert second.split() == ["--pace"]


# ---------------------------------------------------------------- bars


def test_a_bar_appears_only_when_it_takes_long(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")  # as a terminal would
    monkeypatch.setenv("TERM", "xterm")
    now = [0.0]
    with progress_bar(shown=True, label="export", after_s=2.0, clock=lambda: now[0]) as report:
        assert report is not None
        report(0.1)
        now[0] = 1.9
        report(0.5)
        assert capsys.readouterr().err == ""
        now[0] = 2.1
        report(0.6)
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "export" in captured.err
    with progress_bar(shown=False) as nothing:
        assert nothing is None


# ---------------------------------------------------------------- start-up


@pytest.mark.parametrize("words", [["--help"], ["replay", "--help"], ["completion", "bash"]])
def test_what_needs_no_library_loads_none(words: list[str]) -> None:
    """Help and the Tab key must answer at once: numpy alone takes longer than all of it."""
    heavy = ("numpy", "scipy", "pyarrow", "pydantic", "rich", "h5py", "matplotlib", "prompt_toolkit", "aiomqtt")
    script = (
        "import sys\nfrom console.cli import cli\n"
        f"cli.main({words!r}, standalone_mode=False)\n"
        f"print(sorted(set({heavy!r}) & set(sys.modules)), file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
        env=environment(),
    )
    assert done.stderr == "[]\n"


def test_a_board_waits_for_no_library_that_it_can_do_without() -> None:
    """Neither before its first frame nor, which a live run would have to wait for, with the first samples."""
    heavy = ("scipy", "aiomqtt", "pyarrow.csv", "h5py", "matplotlib", "dask", "ingest.plan", "ingest.recording_log")
    script = (
        "import sys\n"
        "import console.board_outlet, console.hands, console.keys, console.replay\n"
        "from alerts.monitor import Monitor\n"
        "from ingest.log import open_log\n"
        "from ingest.sheet import load_sheet\n"
        f"sheet = load_sheet({str(SHIPPED)!r})\n"
        f"with open_log({str(SHIPPED.with_name('healthy.parquet'))!r}, sheet) as log:\n"
        "    monitor = Monitor(sheet, log.rate_hz, log.roles)\n"
        "    monitor.process(next(iter(log)))\n"
        f"print(sorted(set({heavy!r}) & set(sys.modules)), file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
        env=environment(),
    )
    assert done.stderr == "[]\n"
