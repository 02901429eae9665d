"""The view of the platform: how low each point came, where and doing what, what is left to its limit, and rake.

In: a `BoardView` and a size. Out: the answer in words, and lines of text. As room shrinks these go, in this order:
where on the lap points were below their limits, time below by what the car did, rake, and points farther from their
limits (counted); of the table's columns the bar, times below, place, time to the limit. Never raises on unknown
values.
"""

from __future__ import annotations

import math

from rich.style import Style
from rich.text import Text

from console.board_table import Column, stacked, table
from console.paint import BEYOND, LIMIT, LOW_SPEED, Glyphs, number, pieces, safe, title
from console.panels import limit_decimals, lowest_shown, margin_mm
from console.view import BoardView, PointView
from dsp.frame import REGIMES

_LEAST_BAR = 14
_SOON_S = 0.5  # bodies move so much that a longer time says nothing
_MOST_STRETCHES = 12


def answer(view: BoardView, glyphs: Glyphs) -> tuple[str, bool]:
    """What was lowest for its limit, in words, and whether that calls for a look."""
    known = [point for point in view.points if math.isfinite(margin_mm(point))]
    if not view.points:
        return "platform: the car sheet names no points", False
    if not known:
        return "platform: no height known yet", False
    point = min(known, key=margin_mm)
    low = point.stint_lowest_mm < point.limit_mm
    limit = f"{point.limit_mm:.{limit_decimals([point])}f}"
    lap = f"lap {safe(point.stint_lap, glyphs)}" if point.stint_lap else ""
    doing = "" if point.stint_regime == "unknown" else point.stint_regime
    when = " ".join(part for part in (lap, doing) if part)
    head = "BELOW LIMIT" if low else "lowest"
    words = f"{head}: {safe(point.name, glyphs)} {_mm(point)} mm, limit {limit}"
    return (f"{words}, {when}" if when else words), low


def body(view: BoardView, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The view below its answer, at most `height` lines of `width` cells."""
    rigid = "with tyres" if view.car_now.with_tyres else "tyres taken as rigid"
    head = title("HEIGHT", width, glyphs, f"mm above the road, {rigid}")
    spaced = height >= 26
    rake = [_rake(view, width, glyphs)]
    room = height - 2 - (2 if height > 8 else 0)
    points, left_out = _chosen(view, max(1, room))
    if not points:
        return [head, pieces("no points: add [platform.NAME] to the car sheet")][:height]
    rows = [head, *_table(view, points, width, glyphs)]
    if left_out:
        rows.append(pieces(f"and {left_out} points farther from their limits"))
    return stacked(
        [rows, rake, _regimes(points, width, glyphs), _stretches(view, width, glyphs)], height, spaced=spaced
    )


def _mm(point: PointView) -> str:
    return f"{lowest_shown(point.stint_lowest_mm, point.limit_mm):.1f}"


def _chosen(view: BoardView, room: int) -> tuple[list[PointView], int]:
    """The points nearest to their limits, in the sheet's order, and how many have no room."""
    if len(view.points) <= room:
        return list(view.points), 0
    near = sorted(range(len(view.points)), key=lambda place: margin_mm(view.points[place]))[: max(1, room - 1)]
    return [view.points[place] for place in sorted(near)], len(view.points) - len(near)


def _table(view: BoardView, points: list[PointView], width: int, glyphs: Glyphs) -> list[Text]:
    decimals = limit_decimals(points)
    tallest = max((p.static_mm for p in view.points if math.isfinite(p.static_mm)), default=1.0) * 1.25
    full = 10.0 * math.ceil(tallest / 10.0)

    def low(height_mm: float, limit_mm: float) -> tuple[str, Style]:
        shown = number(lowest_shown(height_mm, limit_mm), 5, 1, glyphs)
        return (f"LOW {shown}", BEYOND) if height_mm < limit_mm else (f"    {shown}", Style())

    columns = [
        Column("point", [safe(p.name, glyphs) for p in points], 20, left=True),
        Column("now", [number(p.height_mm, 5, 1, glyphs) for p in points], 9),
        Column("lap", [low(p.lap_lowest_mm, p.limit_mm) for p in points], 4),
        Column("stint low", [low(p.stint_lowest_mm, p.limit_mm) for p in points], 11),
        Column("limit", [number(p.limit_mm, 5, decimals, glyphs) for p in points], 10),
        Column("lowest in", [_when(p, glyphs) for p in points], 7, 21, left=True),
        Column("to limit", [_soon(p, glyphs) for p in points], 6, 8),
        Column("lap below s", [number(p.lap_below_s, 5, 1, glyphs) for p in points], 2, 11),
        Column("below s", [number(p.stint_below_s, 5, 1, glyphs) for p in points], 5, 7),
        Column(
            "",
            keep=0,
            width=_LEAST_BAR,
            paint=lambda row, cells: _bar(points[row], full, cells, glyphs),
            heading=lambda cells: _scale(full, cells, glyphs),
        ),
    ]
    return table(columns, len(points), width, glyphs)


def _when(point: PointView, glyphs: Glyphs) -> str:
    """Lap, what the car did, and how far into the lap; each as far as it is known."""
    lap = f"lap {safe(point.stint_lap, glyphs, 6)}" if point.stint_lap else ""
    doing = "" if point.stint_regime == "unknown" else point.stint_regime
    place = "" if math.isnan(point.stint_place_m) else f"{point.stint_place_m:.0f} m"
    return " ".join(part for part in (lap, doing, place) if part) or glyphs.dash


def _soon(point: PointView, glyphs: Glyphs) -> str:
    return f"{max(0.1, point.to_limit_s):.1f} s" if point.to_limit_s < _SOON_S else glyphs.dash


def _seconds(value: float, glyphs: Glyphs) -> str:
    return number(value, 6, 2, glyphs) + (" s" if math.isfinite(value) else "  ")


def _scale(full: float, cells: int, glyphs: Glyphs) -> str:
    """What the bar's ends are."""
    end = f"{full:.0f} mm"
    words = f"now, {glyphs.tick} limit"
    gap = cells - 2 - len(end)
    if len(words) + 2 <= gap:
        return "0 " + words.center(gap) + " " * (cells - 2 - gap - len(end)) + end
    return "0" + end.rjust(cells - 1)


def _bar(point: PointView, full: float, cells: int, glyphs: Glyphs) -> Text:
    def place(height_mm: float) -> int:
        return max(0, min(cells, round(cells * height_mm / full)))

    length = place(point.height_mm) if math.isfinite(point.height_mm) else 0
    marks = [(glyphs.heavy, LOW_SPEED)] * length + [(" ", Style())] * (cells - length)
    if math.isfinite(point.limit_mm):
        marks[min(cells - 1, place(point.limit_mm))] = (glyphs.tick, LIMIT)
    return pieces(*marks)


def _rake(view: BoardView, width: int, glyphs: Glyphs) -> Text:
    now = view.car_now
    words = f"rake now {number(now.rake_deg, 6, 2, glyphs, sign=True)} deg"
    more = f"  {number(now.rake_mm, 6, 1, glyphs, sign=True)} mm over the wheelbase, positive with the rear higher"
    return pieces(words + (more if len(words + more) <= width else ""))


def _regimes(points: list[PointView], width: int, glyphs: Glyphs) -> list[Text]:
    """Time below the limit in the stint by what the car did, of the points that were."""
    low = [p for p in points if p.below_in_s and sum(p.below_in_s) > 0.0]
    if not low:
        return []
    order = [*range(1, len(REGIMES)), 0]
    columns = [Column("point", [safe(p.name, glyphs) for p in low], 20, left=True)]
    columns += [
        Column(REGIMES[one], [_seconds(p.below_in_s[one], glyphs) for p in low], 9 - place, 9)
        for place, one in enumerate(order)
    ]
    return [title("BELOW THE LIMIT", width, glyphs, "time in the stint"), *table(columns, len(low), width, glyphs)]


def _stretches(view: BoardView, width: int, glyphs: Glyphs) -> list[Text]:
    """Where on the lap points were below their limits, the longest times first."""
    found = [(one, p) for p in view.points for one in p.stretches]
    found.sort(key=lambda entry: -entry[0][2])
    shown = found[:_MOST_STRETCHES]
    if not shown:
        return []
    columns = [
        Column("point", [safe(p.name, glyphs) for _, p in shown], 20, left=True),
        Column("from", [f"{one[0]:6.0f} m" for one, _ in shown], 9),
        Column("to", [f"{one[1]:6.0f} m" for one, _ in shown], 8),
        Column("time", [_seconds(one[2], glyphs) for one, _ in shown], 7),
        Column("lowest", [number(lowest_shown(one[3], p.limit_mm), 6, 1, glyphs) for one, p in shown], 6),
    ]
    more = len(found) - len(shown)
    told = f"distance into the lap, stint{f'; and {more} shorter' if more else ''}"
    return [title("WHERE BELOW", width, glyphs, told), *table(columns, len(shown), width, glyphs)]
