"""The view of trends: each corner, the platform and left against right over the laps, and what the drift watch found.

In: a `BoardView` and a size. Out: the answer in words, and lines of text. Each row has marks, one a lap on one scale
for its panel, and the numbers of the last laps, as many as have room. As room shrinks these go, in this order: left
against right, platform points farther from their limits, bump-stop time, high-speed shares. A lap that can't be
compared (out, in, invalid) is a dot and a dash. Never raises on unknown values.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text

from console.board_table import stacked
from console.paint import BEYOND, LOW_SPEED, STRONG, Glyphs, fit_name, number, pieces, safe, title, wrap
from console.panels import lap_mark, limit_decimals, lowest_shown, margin_mm
from console.trends import LapPoint
from console.view import BoardView
from dsp.asymmetry import PLACES

_NUMBER = 7
_LEAST_MARKS = 8
_MOST_NAME = 18
_MOST_NUMBERS = 12
_MOST_POINTS = 8


def answer(view: BoardView, glyphs: Glyphs) -> tuple[str, bool]:
    """Whether a damper drifts, or what could have been seen."""
    if view.drift.found:
        return f"drift: {'; '.join(safe(one, glyphs) for one in view.drift.found)}", True
    if not view.drift.statement:
        return "trends: drift is not watched in this run", False
    if view.drift.statement.startswith("learning"):
        return f"drift not judged yet, {safe(view.drift.statement, glyphs)}", False
    return f"no damper drifts: {safe(view.drift.statement, glyphs)}", False


def body(view: BoardView, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The view below its answer, at most `height` lines of `width` cells."""
    laps = view.laps
    if not laps:
        return [title("LAPS", width, glyphs), pieces("no lap is over yet")][:height]
    corners = [safe(corner.name) for corner in view.corners]
    decimals = limit_decimals(view.points)

    def of_corner(
        values: Callable[[LapPoint], Sequence[float]], scale: float = 1.0
    ) -> list[Callable[[LapPoint], float]]:
        return [lambda lap, n=n: scale * values(lap)[n] for n in range(len(corners))]  # type: ignore[misc]

    points = sorted(view.points, key=margin_mm)
    some = points[: max(1, min(_MOST_POINTS, height - 18))]
    groups = [
        _statement(view, width, glyphs),
        _panel("VELOCITY RMS mm/s", corners, of_corner(lambda lap: lap.rms_mm_s), laps, width, glyphs, 0, named=True),
        _panel(
            "HIGH-SPEED SHARE % of time", corners, of_corner(lambda lap: lap.high_speed, 100.0), laps, width, glyphs, 1
        ),
        _panel("ON BUMP STOP s", corners, of_corner(lambda lap: lap.stop_s), laps, width, glyphs, 2),
        _platform(view, some, laps, width, glyphs, decimals),
        _left_right(view, laps, width, glyphs),
    ]
    return stacked(groups, height, spaced=height >= 34)


def _statement(view: BoardView, width: int, glyphs: Glyphs) -> list[Text]:
    """What could be seen, below what was found."""
    if not (view.drift.found and view.drift.statement):
        return []
    return [pieces(line) for line in wrap(safe(view.drift.statement, glyphs), width, glyphs)]


def _room(width: int, names: int, count: int) -> tuple[int, int]:
    """How many laps have marks, and how many numbers: numbers first, up to what there is to tell."""
    left = width - names - 1
    marks = min(count, max(_LEAST_MARKS, left // 3))
    numbers = max(0, min(_MOST_NUMBERS, count, (left - marks - 1) // _NUMBER))
    return max(0, min(count, left - numbers * _NUMBER - 1)), numbers


def _panel(
    words: str,
    names: Sequence[str],
    values: Sequence[Callable[[LapPoint], float]],
    laps: Sequence[LapPoint],
    width: int,
    glyphs: Glyphs,
    decimals: int,
    *,
    named: bool = False,
    style_of: Callable[[int, LapPoint], Style] | None = None,
    label: int = 4,
) -> list[Text]:
    """Rows on one scale, with the laps' names above the numbers where `named`."""
    marks, numbers = _room(width, label, len(laps))
    shown, latest = laps[len(laps) - marks :], laps[len(laps) - numbers :] if numbers else []
    known = [one(lap) for one in values for lap in shown if lap.compared and math.isfinite(one(lap))]
    lowest, highest = (min(known), max(known)) if known else (math.nan, math.nan)
    # At least a fifth of the value from end to end, so that laps that agree look alike.
    spread = max(highest - lowest, 0.2 * abs(highest), 1e-6) if known else 1.0
    scale = f"marks {lowest:.{decimals}f} to {lowest + spread:.{decimals}f}" if known else ""
    lines = [title(words, width, glyphs, scale)]
    if latest and named:
        heads = "".join(_lap_name(lap, glyphs).rjust(_NUMBER) for lap in latest)
        lines.append(pieces(("lap".ljust(width - cell_len(heads)) if width > cell_len(heads) + 3 else "") + heads))
    for row, (name, one) in enumerate(zip(names, values, strict=True)):
        line = pieces((fit_name(name, label, glyphs), STRONG))
        for lap in shown:
            value = one(lap) if lap.compared else math.nan
            if math.isnan(value):
                line.append(glyphs.blank_lap)
            else:
                line.append(glyphs.levels[max(0, min(7, int(8 * (value - lowest) / spread)))], LOW_SPEED)
        line.append(" " * max(0, width - line.cell_len - numbers * _NUMBER))
        for lap in latest:
            text = number(one(lap) if lap.compared else math.nan, _NUMBER - 1, decimals, glyphs)
            style = Style() if style_of is None or not lap.compared else style_of(row, lap)
            line.append(" ")
            line.append(text, style)
        lines.append(line)
    return lines


def _lap_name(lap: LapPoint, glyphs: Glyphs) -> str:
    name = safe(lap.name, glyphs)
    return name if cell_len(name) < _NUMBER else fit_name(name, _NUMBER - 1, glyphs)


def _platform(
    view: BoardView, points: Sequence[object], laps: Sequence[LapPoint], width: int, glyphs: Glyphs, decimals: int
) -> list[Text]:
    """Lowest heights of the points nearest to their limits."""
    shown = [point for point in view.points if point in points]
    if not shown:
        return []
    limits = {point.name: point.limit_mm for point in shown}
    names = [f"{safe(p.name, glyphs)} {p.limit_mm:.{decimals}f}" for p in shown]
    keys = [p.name for p in shown]
    # A name is shortened, its limit is not.
    label = min(max(cell_len(name) for name in names) + 1, max(12, width // 4))
    limit_cells = max(cell_len(f" {p.limit_mm:.{decimals}f}") for p in shown)
    names = [
        fit_name(safe(p.name, glyphs), label - limit_cells - 1, glyphs)
        + f" {p.limit_mm:.{decimals}f}".rjust(limit_cells)
        for p in shown
    ]

    def value_of(key: str) -> Callable[[LapPoint], float]:
        return lambda lap: lowest_shown(lap.lowest_mm.get(key, math.nan), limits[key])

    def style_of(row: int, lap: LapPoint) -> Style:
        return BEYOND if lap.lowest_mm.get(keys[row], math.inf) < limits[keys[row]] else Style()

    low = any(lap.lowest_mm.get(key, math.inf) < limits[key] for key in keys for lap in laps)
    words = "LOWEST HEIGHT mm, by its limit" + (": BELOW in reverse" if low else "")
    values = [value_of(key) for key in keys]
    return _panel(words, names, values, laps, width, glyphs, 1, style_of=style_of, label=label)


def _left_right(view: BoardView, laps: Sequence[LapPoint], width: int, glyphs: Glyphs) -> list[Text]:
    """Each axle's own left against right; letters where the left/right rule found too much."""
    marks, numbers = _room(width, _MOST_NAME, len(laps))
    shown, latest = laps[len(laps) - marks :], laps[len(laps) - numbers :] if numbers else []
    less = "less reference" if view.asymmetry.beyond_reference else "less circuit"
    lines = [title("LEFT FASTER +, RIGHT -", width, glyphs, f"%, {less}, L R: too much")]
    for place in PLACES:
        line = pieces((place.ljust(_MOST_NAME), STRONG))
        for lap in shown:
            line.append(*lap_mark(lap, place, view.asymmetry.limit_percent, glyphs))
        line.append(" " * max(0, width - line.cell_len - numbers * _NUMBER))
        for lap in latest:
            known = lap.compared and lap.sides is not None
            value = lap.sides.percent.get(place, math.nan) if known and lap.sides is not None else math.nan
            beyond = lap.sides is not None and place in lap.sides.beyond
            line.append(" ")
            line.append(number(value, _NUMBER - 1, 1, glyphs, sign=True), BEYOND if beyond else Style())
        lines.append(line)
    return lines
