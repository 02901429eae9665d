"""Values from files that anybody may have written, made safe: numbers that are numbers, short clean strings.

In: parsed JSON of any shape. Out: floats (NaN where there is none), cleaned strings, dicts and lists of dicts. Unknown
is shown as a dash and the reason in a word or two, never as 0. Nothing here raises, whatever the value.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from ingest.text import clean

DASH = "–"
# No length, time, force or count of a stint comes near; beyond it lie torn files, and axes that can't be drawn.
_LARGEST = 1e12
# A longer list in a results file is no longer a list of laps, points or contacts.
_MOST_PARTS = 10_000


def value_at(record: Any, *path: str) -> Any:
    """What stands at a path of keys; None where the path breaks off."""
    for key in path:
        if not isinstance(record, dict):
            return None
        record = record.get(key)
    return record


def number(record: Any, *path: str) -> float:
    """A finite number, or NaN.

    Examples
    --------
    >>> number({"a": {"b": 3}}, "a", "b"), number({"a": "3"}, "a"), number({"a": True}, "a"), number([], "a")
    (3.0, nan, nan, nan)
    """
    found = value_at(record, *path)
    if isinstance(found, bool) or not isinstance(found, int | float):
        return math.nan
    return float(found) if -_LARGEST < found < _LARGEST else math.nan  # false for NaN and infinities


def text(record: Any, *path: str, most: int = 120) -> str:
    """A string as one clean line of at most `most` characters; empty where there is none.

    Examples
    --------
    >>> text({"a": "b" * 9}, "a", most=4), text({"a": None}, "a"), text({"a": 7}, "a")
    ('bbb…', '', '7')
    """
    found = value_at(record, *path)
    if isinstance(found, bool) or not isinstance(found, str | int | float):
        return ""
    return clean(found if isinstance(found, str) else f"{found:.12g}" if abs(found) < _LARGEST else DASH, most)


def part(record: Any, *path: str) -> dict[str, Any]:
    """A nested record; empty where there is none."""
    found = value_at(record, *path)
    return found if isinstance(found, dict) else {}


def parts(record: Any, *path: str) -> list[dict[str, Any]]:
    """A list of records; whatever else stands in the list is left out."""
    found = value_at(record, *path)
    return [one for one in found[:_MOST_PARTS] if isinstance(one, dict)] if isinstance(found, list) else []


def numbers(record: Any, *path: str) -> list[float]:
    """A list of numbers, NaN for each entry that is none."""
    found = value_at(record, *path)
    return [number({"": one}, "") for one in found[:_MOST_PARTS]] if isinstance(found, list) else []


def shown(value: float, form: str = ".1f", unit: str = "", why: str = "not known") -> str:
    """A number with its unit, or a dash and why there is none.

    Examples
    --------
    >>> shown(3.14159, ".2f", "mm"), shown(float("nan"), why="no contact")
    ('3.14 mm', '– (no contact)')
    """
    if not math.isfinite(value):
        return f"{DASH} ({why})"
    written = format(value, form)
    if float(written) == 0.0:
        written = written.lstrip("-")
    return f"{written} {unit}".strip()


def count(value: float, why: str = "not known") -> str:
    """A whole number with thin groups of three.

    Examples
    --------
    >>> count(1234567.0), count(float("nan"))
    ('1 234 567', '– (not known)')
    """
    return f"{DASH} ({why})" if not math.isfinite(value) else f"{round(value):,}".replace(",", " ")


def stamp(time_s: float) -> str:
    """Sample time as minutes and seconds.

    Examples
    --------
    >>> stamp(83.456), stamp(float("nan"))
    ('01:23.5', '–')
    """
    if not math.isfinite(time_s):
        return DASH
    tenths = round(abs(time_s) * 10)
    return f"{'-' if time_s < 0 and tenths else ''}{tenths // 600:02d}:{tenths % 600 / 10:04.1f}"


def known(values: Iterable[float]) -> list[float]:
    """Those of some numbers that are known."""
    return [value for value in values if math.isfinite(value)]


def total(values: Iterable[float]) -> float:
    """Sum of the known numbers; NaN when none is."""
    found = known(values)
    return sum(found) if found else math.nan


def smallest(values: Iterable[float]) -> float:
    """The smallest known number; NaN when none is."""
    return min(known(values), default=math.nan)


def largest(values: Iterable[float]) -> float:
    """The largest known number; NaN when none is."""
    return max(known(values), default=math.nan)


def plural(number_of: float, one: str, many: str = "") -> str:
    """A count and its noun.

    Examples
    --------
    >>> plural(1, "lap"), plural(2, "lap"), plural(float("nan"), "lap")
    ('1 lap', '2 laps', 'an unknown number of laps')
    """
    if not math.isfinite(number_of):
        return f"an unknown number of {many or one + 's'}"
    return f"{count(number_of)} {one if round(number_of) == 1 else many or one + 's'}"
