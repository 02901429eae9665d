"""The dampers' speeds by stretch of the lap, kept beside a run's summary for later stints to be held against.

In: a results directory and the car sheet. Out: a file, and from it a reference or a note on why it does not fit: of
another car, circuit or set-up. Raises ResultsError when the file can't be used at all.
"""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path
from typing import Any

from alerts.drift_reference import DriftReference
from ingest.errors import ResultsError
from ingest.sheet import Sheet
from ingest.text import clean

DRIFT_REFERENCE = "drift_reference.json"
_FORMAT, _FORMAT_VERSION = "damperwatch drift reference", 2
_LARGEST_BYTES = 50_000_000  # the longest circuit has some 200 kB
# The limits of the charts are calibrated for a frozen reference of at least so many laps.
_FEWEST_LAPS = 4
_OWN = "so drift is held against this stint's own first laps"


def save_drift_reference(directory: Path, reference: DriftReference, sheet: Sheet) -> bool:
    """Write what a later stint can be held against; False, and no file, if it has too few laps for that.

    Raises
    ------
    ResultsError
        The directory can't be written.
    """
    file = directory / DRIFT_REFERENCE
    temporary = directory / (DRIFT_REFERENCE + ".part")
    content = {"format": _FORMAT, "format_version": _FORMAT_VERSION, **_stint(sheet), "reference": reference.to_plain()}
    try:
        if reference.laps < _FEWEST_LAPS:
            file.unlink(missing_ok=True)
            return False
        temporary.write_text(json.dumps(content, allow_nan=False, ensure_ascii=False) + "\n", encoding="utf-8")
        temporary.replace(file)
    except OSError as error:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise ResultsError(f"{clean(file, 200)}: can't be written: {clean(error.strerror or error)}") from None
    return True


def load_drift_reference(directory: Path, sheet: Sheet) -> tuple[DriftReference | None, tuple[str, ...]]:
    """Speeds by stretch, or notes on why this stint has to make its own.

    Raises
    ------
    ResultsError
        There is a file that can't be read or is damaged.
    """
    file = directory / DRIFT_REFERENCE
    shown = clean(file, 200)
    try:
        if file.stat().st_size > _LARGEST_BYTES:
            raise ResultsError(f"{shown}: too large to be a reference")
        content = json.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None, ()  # the statement of what drift is held against says so
    except OSError as error:
        raise ResultsError(f"{shown}: the reference can't be read: {clean(error.strerror or error)}") from None
    except (ValueError, RecursionError):
        raise ResultsError(f"{shown}: is not a reference of an earlier run") from None
    if not isinstance(content, dict) or content.get("format") != _FORMAT:
        raise ResultsError(f"{shown}: is not a reference of an earlier run")
    if content.get("format_version") != _FORMAT_VERSION:
        return None, (f"reference {shown}: was written by another version of the program, {_OWN}",)
    for name, mine in _stint(sheet).items():
        if content.get(name) != mine:
            return None, (f"reference {shown}: {_other(name, content.get(name), mine)}, {_OWN}",)
    try:
        found = DriftReference.from_plain(content.get("reference"))
    except ResultsError as error:
        raise ResultsError(f"{shown}: {error}") from None
    if found.laps < _FEWEST_LAPS:
        raise ResultsError(f"{shown}: holds fewer than {_FEWEST_LAPS} laps")
    return found, ()


def _stint(sheet: Sheet) -> dict[str, str]:
    """What two stints must have in common."""
    return {
        "car": sheet.car.name,
        "circuit": sheet.stint.circuit,
        "set_up": sheet.stint.set_up,
        "set_up_sha256": sheet.set_up_digest,
    }


def _other(name: str, theirs: Any, mine: str) -> str:
    if name == "set_up_sha256":
        return "car, axles, corners or velocity differ in its car sheet"
    return f"{name.replace('_', '-')} is {clean(theirs, 80)!r}, here {clean(mine, 80)!r}"
