"""A reference stint, read back from the results directory of an earlier run.

In: a results directory (or its summary.json) and the car sheet. Out: left/right asymmetry at each place, the dampers'
speeds by stretch of the lap where that run kept some that fit, and notes on how well it fits. Raises ResultsError when
it is not one, or is of another car.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from alerts.drift_reference import DriftReference
from console.describe import FORMAT_VERSION
from console.drift_file import load_drift_reference
from console.results import SUMMARY
from dsp.asymmetry import PLACES, Asymmetry
from ingest.errors import ResultsError
from ingest.sheet import Sheet
from ingest.text import clean

_LARGEST_BYTES = 50_000_000  # a summary is some 100 kB
_EACH_SIDE = ("left_mm_s", "right_mm_s", "left_travel_mm", "right_travel_mm")


@dataclass(frozen=True)
class Reference:
    """A reference stint: asymmetry at each of `dsp.asymmetry.PLACES`, and what a person should know of it, in lines.

    `drift` holds the dampers' speeds by stretch of the lap, where there are any that fit.
    """

    asymmetry: dict[str, Asymmetry]
    notes: tuple[str, ...] = ()
    drift: DriftReference | None = None


def load_reference(path: Path, sheet: Sheet) -> Reference:
    """Read a reference stint of the car that the sheet describes.

    Raises
    ------
    ResultsError
        The file is absent, not a summary, of another format version or another car, or has no timed laps.
    """
    shown = clean(path, 200)
    try:
        file = path / SUMMARY if path.is_dir() else path
        shown = clean(file, 200)
        if file.stat().st_size > _LARGEST_BYTES:
            raise ResultsError(f"{shown}: too large to be a summary")
        content = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise ResultsError(f"{shown}: the reference can't be read: {clean(error.strerror or error)}") from None
    except (ValueError, RecursionError):  # not text, not JSON, or numbers and nesting beyond measure
        if "\0" in str(path):
            raise ResultsError(f"{shown}: the reference can't be read: no file can have such a name") from None
        raise ResultsError(f"{shown}: is not a summary of an earlier run") from None
    if not isinstance(content, dict) or content.get("format") != "damperwatch summary":
        raise ResultsError(f"{shown}: is not a summary of an earlier run")
    if content.get("format_version") != FORMAT_VERSION:
        raise ResultsError(f"{shown}: was written by another version of the program; replay that stint again")
    if content.get("car") != sheet.car.name:
        raise ResultsError(
            f"{shown}: is a stint of the car {clean(content.get('car'), 80)}, but the sheet is of {sheet.car.name}; "
            "name a stint of the same car"
        )
    if not content.get("laps_timed"):
        raise ResultsError(f"{shown}: holds no timed lap, so it can't be a reference")
    try:
        entries = {place: content["asymmetry"][place] for place in PLACES}
        reference = {
            place: Asymmetry(
                float(entry["left_faster_percent"]) / 100.0,
                float(entry["distance"]),
                *(_above_zero(entry.get(name)) for name in _EACH_SIDE),
            )
            for place, entry in entries.items()
        }
    except (KeyError, TypeError, ValueError, OverflowError):
        raise ResultsError(f"{shown}: lacks the asymmetry of an axle, so it can't be a reference") from None
    if not all(math.isfinite(entry.log_ratio) and math.isfinite(entry.distance) for entry in reference.values()):
        raise ResultsError(f"{shown}: the asymmetry of an axle is not a number")
    drift, note = load_drift_reference(file.parent, sheet)
    return Reference(reference, (*_notes(content, sheet, shown), *note), drift)


def _above_zero(value: Any) -> float:
    """A speed or a range of travel; NaN where an earlier program's results have none."""
    number = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9
    return float(value) if number and value > 0.0 else math.nan


def _notes(content: dict[str, Any], sheet: Sheet, shown: str) -> Iterator[str]:
    if sheet.digest and content.get("sheet_sha256") != sheet.digest:
        yield f"reference {shown}: made with another version of the car sheet; what changed there counts as asymmetry"
    if content.get("complete") is not True:
        yield f"reference {shown}: an interrupted run, with {clean(content['laps_timed'], 12)} timed laps"
