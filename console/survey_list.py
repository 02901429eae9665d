"""Which logs a survey takes: those named, and those of a list, each with its own car sheet, circuit and set-up if told.

In: paths, a CSV file with the columns `log` and, as wanted, `sheet`, `circuit`, `set_up`, `when`. Out: jobs in that
order. Paths in the list are relative to it. Raises SheetError for a sheet, ListError for a list that can't be used.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from console.survey_job import Job
from ingest.errors import LogError
from ingest.sheet import Sheet, load_sheet
from ingest.text import clean

_COLUMNS: Final = ("log", "sheet", "circuit", "set_up", "when")
_LARGEST_BYTES: Final = 10_000_000  # a hundred bytes for each of a hundred thousand logs
_LONGEST_WHEN: Final = 80


class ListError(LogError):
    """A list of logs can't be used."""


def jobs_of(logs: Sequence[Path], list_path: Path | None, sheet: Sheet | None, version: str) -> list[Job]:
    """Jobs of the logs named, then of those in the list.

    Parameters
    ----------
    logs : sequence of Path
        Logs of the car that `sheet` describes.
    list_path : Path or None
        The list.
    sheet : Sheet or None
        The sheet of every log for which the list names none.
    version : str
        Of the program.
    """
    jobs: list[Job] = []
    for log in logs:
        jobs.append(Job(len(jobs), log, _needed(sheet, clean(log, 200)), version))
    if list_path is not None:
        jobs += _listed(list_path, sheet, version, len(jobs))
    return jobs


def _needed(sheet: Sheet | None, shown: str) -> Sheet:
    if sheet is None:
        raise ListError(f"{shown}: has no car sheet; name one with --car, or in the list's column sheet")
    return sheet


def _listed(path: Path, given: Sheet | None, version: str, first: int) -> list[Job]:
    shown = clean(path, 200)
    sheets: dict[str, Sheet] = {}
    jobs: list[Job] = []
    for line, row in _rows(path, shown):
        place = f"{shown}: line {line}"
        if not row.get("log"):
            raise ListError(f"{place}: names no log")
        named = row.get("sheet", "")
        if named and named not in sheets:
            sheets[named] = load_sheet(path.parent / named)
        sheet = _told(sheets[named] if named else _needed(given, place), row, place)
        when = clean(row.get("when", ""), _LONGEST_WHEN)
        jobs.append(Job(first + len(jobs), path.parent / row["log"], sheet, version, when))
    if not jobs:
        raise ListError(f"{shown}: names no log")
    return jobs


def _rows(path: Path, shown: str) -> list[tuple[int, dict[str, str]]]:
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise ListError(f"{shown}: too large to be a list of logs")
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            names = [name.strip() for name in next(reader, [])]
            if "log" not in names or len(set(names)) < len(names) or not set(names) <= set(_COLUMNS):
                raise ListError(
                    f"{shown}: its first line must name the columns: log, and any of {', '.join(_COLUMNS[1:])}"
                )
            found = []
            for cells in reader:
                if not any(cells):
                    continue
                if len(cells) != len(names):
                    raise ListError(f"{shown}: line {reader.line_num}: has {len(cells)} cells, not {len(names)}")
                found.append((reader.line_num, dict(zip(names, (cell.strip() for cell in cells), strict=True))))
            return found
    except OSError as error:
        raise ListError(f"{shown}: can't be read: {clean(error.strerror or error)}") from None
    except (UnicodeDecodeError, csv.Error):
        raise ListError(f"{shown}: is no CSV text in UTF-8") from None
    except ValueError:
        raise ListError(f"{shown}: no file can have such a name") from None


def _told(sheet: Sheet, row: dict[str, str], place: str) -> Sheet:
    """The sheet with the circuit and set-up that its row tells."""
    told = {name: row[name] for name in ("circuit", "set_up") if row.get(name)}
    if not told:
        return sheet
    try:
        stint = type(sheet.stint).model_validate(sheet.stint.model_dump() | told)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        raise ListError(f"{place}: {clean(first['loc'][0], 20)}: {clean(first['msg'], 120)}") from None
    return sheet.model_copy(update={"stint": stint})
