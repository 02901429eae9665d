"""The README against the program: results are documented, its sheet is valid, its commands run as they stand."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pyarrow.csv
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from console.cli import cli
from ingest.framing import make_encoder
from ingest.link_block import SampleBlock
from ingest.log import open_log
from ingest.recording import Recorder
from ingest.recording_header import describe_run
from ingest.sheet import load_sheet, parse_sheet
from ingest.sheet_link import DAMPER_ROLES
from tests.ingest.recordings import received

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
# Names that stand for themselves: corners, places, points and columns of a log.
_NAMES = re.compile(r"^(F[LR]|R[LR]|(front|rear) (compression|rebound)|splitter_.*|floor_.*|damper_.*)$")


def _keys(record: Any) -> set[str]:
    if isinstance(record, dict):
        return {key for key in record if not _NAMES.match(key)} | {k for inner in record.values() for k in _keys(inner)}
    if isinstance(record, list):
        return {key for inner in record for key in _keys(inner)}
    return set()


def test_every_field_of_the_results_is_documented(tmp_path: Path) -> None:
    log, sheet, out = ROOT / "replay_logs/sensor_faults.parquet", ROOT / "replay_logs/car.toml", tmp_path / "out"
    result = CliRunner().invoke(cli, ["replay", str(log), "--car", str(sheet), "--out", str(out), "--plain"])
    assert result.exit_code == 0, result.output
    written = json.loads((out / "summary.json").read_text())
    written["log"]["cells"] = list(written["log"]["cells"].values())
    written["log"]["places"] = list(written["log"]["places"].values())
    keys = _keys(written)
    for name in ("alerts.jsonl", "laps.jsonl"):
        lines = (out / name).read_text().splitlines()
        assert lines
        keys |= {key for line in lines for key in _keys(json.loads(line))}
    documented = set(re.findall(r"[a-z][a-z0-9_]*", " ".join(re.findall(r"`([^`\n]+)`", README))))
    assert sorted(keys - documented) == []


def test_every_part_of_a_sheet_as_json_is_documented() -> None:
    record = json.loads(CliRunner().invoke(cli, ["sheet", str(ROOT / "replay_logs/car.toml"), "--json"]).output)
    documented = set(re.findall(r"`([a-z0-9_]+)`", README))
    parts = {*record, *record["axles"]["front"], *record["platform"]["splitter_left"]}
    assert sorted(parts - documented) == []


def test_the_first_sheet_is_valid_as_it_stands() -> None:
    block = re.search(r"```toml\n(.*?)```", README, re.DOTALL)
    assert block is not None
    sheet = parse_sheet(tomllib.loads(block.group(1)))
    assert sheet.sensor("RR").compression == "decreases"


def test_every_command_and_option_named_exists() -> None:
    runner = CliRunner()
    named = set(re.findall(r"damperwatch ([a-z]+)", README)) - {"watches"}
    options = set(re.findall(r"`(--[a-z-]+)", README))
    assert named
    helps = ""
    for command in named:
        result = runner.invoke(cli, [command, "--help"])
        assert result.exit_code == 0, command
        helps += result.output
    assert sorted(option for option in options if option not in helps) == []


# ---------------------------------------------------------------- its commands

# What the README shows and can't run here, by how it begins, with the reason.
NOT_RUN = {
    "damperwatch watch": "needs samples over a link, for as long as somebody lets it",
    "damperwatch feed": "needs a serial port or a broker at the other end",
    "damperwatch zero --car car.toml --live": "needs a link",
    "damperwatch wall": "needs a broker",
    "damperwatch replay replay_logs/damper_fades.parquet": "publishes to a broker, for half a minute",
    "damperwatch act": "needs a broker and a monitor",
}
_FENCED = re.compile(r"^ *```(\w*)\n(.*?)^ *```$", re.MULTILINE | re.DOTALL)
_IN_LINE = re.compile(r"`(damperwatch [a-z]+ [^`]+)`")


def commands() -> list[str]:
    """Every command of the README that stands in a block, or in a line with all its arguments."""
    blocks = [block for language, block in _FENCED.findall(README) if not language]
    lines = [line for block in blocks for line in block.splitlines()]
    # In a line capitals stand for what the reader fills in.
    lines += [one for one in _IN_LINE.findall(_FENCED.sub("", README)) if not re.search(r"\b[A-Z]{3,}\b", one)]
    found = [re.search(r"damperwatch [^#|)>]*", line) for line in lines]
    return sorted({" ".join(one[0].split()) for one in found if one is not None})


def not_run(command: str) -> bool:
    return any(command.startswith(beginning) for beginning in NOT_RUN)


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A directory with stand-ins for all files that the README names."""
    folder = tmp_path_factory.mktemp("workshop")
    text = (ROOT / "replay_logs/car.toml").read_text(encoding="utf-8")
    (folder / "car.toml").write_text(text + '\n[link]\nserial = { port = "/dev/ttyX" }\n', encoding="utf-8")
    (folder / "plan.toml").write_text('[[fault]]\nkind = "stuck"\ncorner = "FL"\ntime_s = 60\nfor_s = 3\n')
    table = pq.read_table(ROOT / "replay_logs/rebound_misset.parquet").slice(0, 60_000)  # type: ignore[no-untyped-call,unused-ignore]
    pq.write_table(table, folder / "stint.parquet")  # type: ignore[no-untyped-call,unused-ignore]
    pyarrow.csv.write_csv(table, folder / "stint.csv")
    sheet = load_sheet(folder / "car.toml")
    assert sheet.link is not None
    encoder = make_encoder(sheet.link, DAMPER_ROLES, 500.0)
    recorder = Recorder(
        folder / "recorded",
        describe_run(sheet, (folder / "car.toml").read_text(encoding="utf-8"), "1"),
        sync_every_s=60.0,
    )
    with open_log(folder / "stint.parquet", sheet) as log:
        chunk = next(iter(log))
        for start in range(0, 2000, 20):
            block = SampleBlock(start, 2**32, 500.0, DAMPER_ROLES, chunk.sensors[start : start + 20], None)
            recorder.write(received(encoder.encode(block), start * 2_000_000))
    recorder.close()
    path = recorder.status().path
    assert path is not None
    path.rename(folder / "run.dwrec")
    for name in ("results", "yesterday"):
        arguments = ["replay", str(folder / "stint.csv"), "--car", str(folder / "car.toml"), "--plain"]
        result = CliRunner().invoke(cli, [*arguments, "--out", str(folder / name)])
        assert result.exit_code == 0, result.output
    return folder


@pytest.mark.parametrize("command", [command for command in commands() if not not_run(command)])
def test_its_commands_run_as_they_stand(
    command: str, workshop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "workshop"
    shutil.copytree(workshop, folder)
    words = shlex.split(command)[1:]
    if words[0] == "new":
        (folder / "car.toml").unlink()
    monkeypatch.chdir(folder)
    monkeypatch.delenv("DAMPERWATCH_CAR", raising=False)
    result = CliRunner().invoke(cli, words)
    assert result.exit_code == 0, result.output


def test_there_is_a_reason_for_each_command_that_is_not_run() -> None:
    ran = [command for command in commands() if not not_run(command)]
    assert {command.split()[1] for command in ran} >= {
        "new",
        "sheet",
        "replay",
        "verify",
        "export",
        "debrief",
        "completion",
    }
    for beginning in NOT_RUN:
        assert any(command.startswith(beginning) for command in commands()), beginning
