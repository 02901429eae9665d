"""A results directory, read back for the debrief: summary.json, laps.jsonl, alerts.jsonl, whole or not.

In: a directory that a run wrote, or that anybody else did. Out: `Results`: records as they stand, and in words what is
missing or damaged; a torn line costs that line. Files and lines are read up to a bound, and only regular files.
Raises NotResultsError when nothing in it can be used.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from stat import S_ISREG
from typing import Any, TypeVar

from console.debrief_laps import Lap, lap_of
from console.debrief_values import number, plural, text
from console.describe import FORMAT_VERSION
from console.results import ALERTS, LAPS, REHEARSAL, SUMMARY
from ingest.errors import ResultsError
from ingest.text import clean

_LARGEST_SUMMARY = 50_000_000  # bytes; a summary has some 200 kB
_LONGEST_LINE = 2_000_000  # characters; a lap has some 20 kB
# A day of laps of a minute each has 1440, and a stint with more changes of alarms than this no story.
_MOST_LAPS, _MOST_CHANGES = 5_000, 50_000
_Read = TypeVar("_Read")


class NotResultsError(ResultsError):
    """What was named is no results directory: the person's choice to mend."""


@dataclass
class Results:
    """What a run left.

    Attributes
    ----------
    shown : str
        The directory, safe to show.
    summary : dict
        Content of summary.json; empty when the run was interrupted before it wrote one.
    laps : list of Lap
        Finished laps, in their order.
    changes : list of dict
        Transitions of alarms, in their order; each has `time_s`, `kind`, `where` and `change`.
    rehearsal : bool
        Whether the run was a rehearsal, with faults put into its samples.
    gaps : list of str
        What is missing or damaged, in sentences.
    """

    shown: str
    summary: dict[str, Any] = field(default_factory=dict)
    laps: list[Lap] = field(default_factory=list)
    changes: list[dict[str, Any]] = field(default_factory=list)
    rehearsal: bool = False
    gaps: list[str] = field(default_factory=list)


def read_results(directory: Path) -> Results:
    """Read what a run left in a directory.

    Raises
    ------
    NotResultsError
        There is no such directory, or nothing in it that a run wrote.
    """
    shown = clean(directory, 200)
    try:
        is_directory = directory.is_dir()
    except (OSError, ValueError):
        is_directory = False
    if not is_directory:
        raise NotResultsError(f"{shown}: is no directory; name the one that a run was given with --out")
    results = Results(shown)
    results.summary = _summary(directory / SUMMARY, results.gaps)
    results.laps = _lines(directory / LAPS, lap_of, _MOST_LAPS, results.gaps)
    results.changes = _lines(directory / ALERTS, _change_of, _MOST_CHANGES, results.gaps)
    if not (results.summary or results.laps or results.changes):
        damage = [gap.rstrip(".") for gap in results.gaps if not gap.startswith("There is no")]
        reason = f" ({damage[0]})" if damage else ""
        raise NotResultsError(
            f"{shown}: holds no results that can be used{reason}; name the directory that a run was given with --out"
        )
    results.rehearsal = results.summary.get("rehearsal") is True or _stands(directory / REHEARSAL)
    return results


def _stands(file: Path) -> bool:
    try:
        return file.exists()
    except OSError:
        return False


def _regular(file: Path) -> int | None:
    """Size of a regular file in bytes, None when there is none of that name; anything else is an OSError."""
    try:
        status = file.stat()
    except FileNotFoundError:
        return None
    if not S_ISREG(status.st_mode):
        raise OSError("is no regular file")
    return status.st_size


def _summary(file: Path, gaps: list[str]) -> dict[str, Any]:
    shown = clean(file, 200)
    try:
        size = _regular(file)
        if size is None:
            gaps.append(
                f"There is no {SUMMARY}: the run was interrupted, or goes on. What follows rests on the finished laps "
                "and on the alerts so far."
            )
            return {}
        if size > _LARGEST_SUMMARY:
            raise NotResultsError(f"{shown}: too large to be a summary")
        content = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        gaps.append(f"{SUMMARY} can't be read ({clean(error.strerror or error)}); it is left out.")
        return {}
    except (ValueError, RecursionError):  # not text, not JSON, or numbers and nesting beyond measure
        gaps.append(f"{SUMMARY} is damaged and left out: what follows rests on the finished laps and on the alerts.")
        return {}
    if not isinstance(content, dict) or content.get("format") != "damperwatch summary":
        raise NotResultsError(f"{shown}: is not a summary of a run of this program")
    if content.get("format_version") != FORMAT_VERSION:
        raise NotResultsError(f"{shown}: was written by another version of the program; replay that stint again")
    if content.get("complete") is not True:
        gaps.append("The run was interrupted, or its log broke off: these are the results up to there.")
    return content


def _lines(file: Path, take: Callable[[Any], _Read | None], most: int, gaps: list[str]) -> list[_Read]:
    """Records of a file of one JSON record a line, those that `take` can use; the rest is counted into `gaps`."""
    found: list[_Read] = []
    damaged, first = 0, 0
    try:
        if _regular(file) is None:
            gaps.append(f"There is no {file.name}; what it would tell is left out.")
            return found
        with file.open(encoding="utf-8", errors="replace") as lines:
            for place in range(1, 2 * most + 1):
                line = lines.readline(_LONGEST_LINE)
                if not line:
                    break
                if len(found) == most:
                    gaps.append(f"{file.name}: only the first {most} lines are used.")
                    break
                record = take(_parsed(line)) if line.strip() else None
                if record is not None:
                    found.append(record)
                elif line.strip():
                    damaged, first = damaged + 1, first or place
    except OSError as error:
        gaps.append(f"{file.name} can't be read to its end ({clean(error.strerror or error)}).")
    if damaged:
        them = "it is" if damaged == 1 else "they are"
        verb = plural(damaged, "line is", "lines are")
        gaps.append(f"{file.name}: {verb} damaged (the first is line {first}); {them} left out.")
    return found


def _parsed(line: str) -> Any:
    try:
        return json.loads(line)
    except (ValueError, RecursionError):
        return None


def _change_of(record: Any) -> dict[str, Any] | None:
    """A transition of an alarm, or None for what is none."""
    named = all(text(record, key) for key in ("kind", "where", "change"))
    return record if named and number(record, "time_s") == number(record, "time_s") else None
