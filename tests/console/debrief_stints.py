"""Results directories for tests of the debrief: one of a shipped log, made once, and one written by hand."""

from __future__ import annotations

import atexit
import json
import shutil
import tempfile
import traceback
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from console.cli import cli

ROOT = Path(__file__).parent.parent.parent
_KEPT = Path(tempfile.mkdtemp(prefix="debrief"))
atexit.register(shutil.rmtree, _KEPT, ignore_errors=True)
SECTIONS = ("story", "alerts", "budget", "velocity", "laps", "platform", "downforce", "sensors", "origin")


def run(*arguments: object) -> Result:
    """The command line, in this process."""
    return CliRunner().invoke(cli, [str(one) for one in arguments])


def shipped(name: str = "too_low") -> Path:
    """Results of a shipped log; not to be written into."""
    return _replayed(name)


@cache
def _replayed(name: str) -> Path:
    out = _KEPT / name
    log, sheet = ROOT / f"replay_logs/{name}.parquet", ROOT / "replay_logs/car.toml"
    result = run("replay", log, "--car", sheet, "--out", out, "--plain")
    assert result.exit_code == 0, result.output
    return out


def copied(folder: Path, name: str = "too_low") -> Path:
    """The same in a directory of one's own."""
    return Path(shutil.copytree(shipped(name), folder / name))


def summary_of(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    return found


def lines_of(folder: Path, name: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (folder / name).read_text(encoding="utf-8").splitlines()]


def rewrite(folder: Path, **changes: Any) -> None:
    """Change top-level fields of summary.json."""
    (folder / "summary.json").write_text(json.dumps(summary_of(folder) | changes), encoding="utf-8")


def bare(folder: Path) -> Path:
    """Results of which only the head is there: nothing to draw, so quickly made."""
    folder.mkdir()
    (folder / "summary.json").write_text('{"format": "damperwatch summary", "format_version": 1}', encoding="utf-8")
    return folder


def change(time_s: float, what: str, **fields: Any) -> dict[str, Any]:
    """One line of alerts.jsonl."""
    return {
        "sequence": 1,
        "sample": round(time_s * 500),
        "time_s": time_s,
        "lap": "2",
        "kind": "bump_stop",
        "where": "FL",
        "change": what,
        "state": "unacknowledged",
        "priority": "medium",
        "announced": what == "occurs",
        "suppressed": False,
        "shelved": False,
        "out_of_service": False,
        "who": "",
        "occurrences": 1,
        "since_s": time_s,
        "measured": 0.3,
        "limit": 0.25,
        "unit": "s",
        "sentence": "still on the bump stop",
        "check_first": "ride height",
        "caution": "",
    } | fields


def write_changes(folder: Path, changes: list[dict[str, Any]]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "alerts.jsonl").write_text("".join(json.dumps(one) + "\n" for one in changes), encoding="utf-8")


class Page(HTMLParser):
    """What a page says: tables by caption, headings, ids, tags, and all text outside figures."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tables: dict[str, list[list[str]]] = {}
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.ids: list[str] = []
        self.text = ""
        self.figures: dict[str, list[str]] = {}
        self._open: list[str] = []
        self._rows: list[list[str]] = []
        self._caption = ""
        self._figure = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        self.ids += [value or "" for key, value in attrs if key == "id"]
        if tag not in {"meta", "br", "path", "rect", "use", "link"}:
            self._open.append(tag)
        if tag == "table":
            self._rows, self._caption = [], ""
        elif tag == "tr":
            self._rows.append([])
        elif tag in {"td", "th"}:
            self._rows[-1].append("")
        elif tag == "figure":
            self._figure = ""

    def handle_endtag(self, tag: str) -> None:
        if tag in self._open:
            while self._open.pop() != tag:
                pass
        if tag == "table":
            self.tables[self._caption.strip()] = self._rows

    def handle_data(self, data: str) -> None:
        if "style" in self._open:
            return
        if "svg" in self._open:
            self.figures.setdefault(self._figure, []).append(data)
            return
        self.text += data
        if "caption" in self._open:
            self._caption += data
        elif self._open and self._open[-1] in {"td", "th"} and self._rows:
            self._rows[-1][-1] += data
        elif "figure" in self._open and "h3" in self._open:
            self._figure += data

    def cells(self, caption: str, row: str) -> list[str]:
        """Cells of one row of one table, without its header."""
        return next(cells[1:] for cells in self.tables[caption] if cells[0] == row)


@cache
def shipped_page() -> Page:
    """The debrief of `shipped()` as it is."""
    return page_of(shipped())


def page_of(folder: Path, *options: object) -> Page:
    """The debrief of a directory, written beside it."""
    output = folder.parent / f"{folder.name}-page.html"
    result = run("debrief", folder, "--output", output, *options)
    assert result.exit_code == 0, (result.output, result.exc_info and traceback.format_exception(*result.exc_info)[-3:])
    return Page(output.read_text(encoding="utf-8"))
