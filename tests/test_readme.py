"""The README against the program: every field of the results is documented, its first sheet is valid."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from console.cli import cli
from ingest.sheet import parse_sheet

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
