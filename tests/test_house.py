"""Which package may import which, read from the sources: dependencies point one way only."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
# What comes in knows nothing of what it means; what it means knows nothing of alerts; and so on up to the people.
MAY_IMPORT = {
    "ingest": set(),
    "dsp": {"ingest"},
    "alerts": {"dsp", "ingest"},
    "console": {"alerts", "dsp", "ingest"},
    "replay_logs": {"ingest"},
}
OURS = {*MAY_IMPORT, "benchmarks", "tests"}


def imported(source: str) -> Iterator[tuple[int, str]]:
    """Yield the line and the top-level package of every import, those inside functions too."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name.split(".")[0]
        elif isinstance(node, ast.ImportFrom):
            yield node.lineno, "." if node.level else (node.module or "").split(".")[0]
        elif isinstance(node, ast.Call) and ast.unparse(node.func) in {"__import__", "importlib.import_module"}:
            first = node.args[0] if node.args else None
            yield node.lineno, str(first.value).split(".")[0] if isinstance(first, ast.Constant) else "?"


def wrong_imports(package: str, source: str, name: str = "source") -> list[str]:
    allowed = MAY_IMPORT[package] | {package}
    return [
        f"{name}:{line} imports {target}"
        for line, target in imported(source)
        if (target in OURS and target not in allowed) or target in {".", "?"}
    ]


@pytest.mark.parametrize("package", MAY_IMPORT)
def test_imports_point_one_way_only(package: str) -> None:
    files = sorted((ROOT / package).rglob("*.py"))
    assert files
    wrong = [
        line
        for path in files
        for line in wrong_imports(package, path.read_text(encoding="utf-8"), str(path.relative_to(ROOT)))
    ]
    assert wrong == []


@pytest.mark.parametrize(
    ("package", "source"),
    [
        ("ingest", "from dsp.velocity import VelocityFilter"),
        ("dsp", "import alerts.engine"),
        ("dsp", "def late():\n    from console import cli"),
        ("alerts", "import json, console"),
        ("replay_logs", "from dsp import laps"),
        ("console", "from replay_logs.simulate import main"),
        ("ingest", "from tests.sheets import make_sheet"),
        ("dsp", "from . import frame"),
        ("dsp", "import importlib\nimportlib.import_module('alerts.rule')"),
    ],
)
def test_an_import_the_wrong_way_is_found(package: str, source: str) -> None:
    assert len(wrong_imports(package, source)) == 1


def test_imports_the_right_way_are_let_through() -> None:
    assert (
        wrong_imports("console", "import numpy\nfrom alerts.alert import Alert\nfrom console.lines import number") == []
    )
    assert wrong_imports("ingest", "from ingest.chunk import Chunk\nimport pyarrow.csv") == []
