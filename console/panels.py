"""The panels beside the pyramids: travel in the stroke, bump stops, platform heights, laps.

In: a `BoardView` and a panel's width. Out: lines of text, as many as the panel needs. Unknown values are dashes;
numbers keep their columns whatever they are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text

from console.paint import BEYOND, LIMIT, LOW_SPEED, STRONG, Glyphs, fit, fit_name, lap_time, number, pieces, safe, title
from console.trends import LapPoint
from console.view import BoardView, CornerView, PointView, StopCount
from dsp.asymmetry import PLACES

WIDE = 50  # cells from which travel shows its extremes and heights a bar
# A car with nothing wrong is within 2 s of some limit for 60 % of its time, as bodies move; within this, for 20 %.
_SOON_S = 0.5
LEFT_CORNERS = ("FL", "RL")
_LATEST = 3  # laps whose numbers stand beside a trend


def travel(view: BoardView, width: int, glyphs: Glyphs) -> list[Text]:
    """Each corner's damper between full droop and full bump: now, extremes of the lap, and where the stop begins."""
    wide = width >= WIDE
    columns = "   now    low   high mm" if wide else " now mm  on stop"
    lines = [title("TRAVEL", width, glyphs, f"droop {glyphs.rule} bump{columns}" if wide else columns.strip())]
    for corner in view.corners:
        tail = pieces(" " + number(corner.travel_mm, 6, 1, glyphs, sign=True))
        if wide:
            tail.append(" " + number(corner.lap_lowest_mm, 6, 1, glyphs, sign=True))
            tail.append(" " + number(corner.lap_highest_mm, 6, 1, glyphs, sign=True))
        else:
            tail.append(" " + number(corner.lap_stops.count, 3, 0, glyphs) + glyphs.tick)
            tail.append(number(corner.lap_stops.time_s, 4, 1, glyphs) + "s")
        line = pieces((safe(corner.name), STRONG), " ")
        line.append_text(gauge(corner, width - line.cell_len - tail.cell_len, glyphs))
        line.append_text(tail)
        lines.append(line)
    return lines


def gauge(corner: CornerView, cells: int, glyphs: Glyphs) -> Text:
    """A stroke as a rail of `cells` cells: heavy where the lap has been, a mark now, shaded beyond the stop's gap."""

    def place(travel_mm: float) -> int:
        share = (travel_mm - corner.full_droop_mm) / (corner.full_bump_mm - corner.full_droop_mm)
        return max(0, min(cells - 1, int(share * cells)))

    marks: list[tuple[str, Style]] = [(glyphs.rule, Style())] * cells
    if math.isfinite(corner.stop_gap_mm):
        stop = place(corner.stop_gap_mm)
        marks[stop:] = [(glyphs.beyond_stop, Style())] * (cells - stop)
    if math.isfinite(corner.lap_lowest_mm) and math.isfinite(corner.lap_highest_mm):
        first, last = place(corner.lap_lowest_mm), place(corner.lap_highest_mm)
        marks[first : last + 1] = [(glyphs.heavy, LOW_SPEED)] * (last + 1 - first)
    if math.isfinite(corner.stop_gap_mm):
        marks[place(corner.stop_gap_mm)] = (glyphs.tick, LIMIT)
    if math.isfinite(corner.travel_mm):
        now = place(corner.travel_mm)
        on_stop = corner.travel_mm >= corner.stop_gap_mm
        marks[now] = (glyphs.now, BEYOND if on_stop else STRONG)
    return pieces(*marks)


def stops(view: BoardView, width: int, glyphs: Glyphs) -> list[Text]:
    """Bump-stop contacts of each corner: how many and how long, this lap and in the stint (see `stop_extras`)."""
    cell = (width - len("this lap ")) // 4
    label = width - 4 * cell

    def row(words: str, counts: Sequence[StopCount]) -> Text:
        line = pieces(f"{words:<{label}}")
        for corner, count in zip(view.corners, counts, strict=True):
            has_stop = math.isfinite(corner.stop_gap_mm)
            # Fewer decimals rather than no space between two corners.
            choices = [f"{count.count:d} {count.time_s:{form}}s" for form in ("6.2f", ".1f", ".0f")]
            shown = next((choice for choice in choices if len(choice) < cell), choices[-1])
            line.append((shown if has_stop else glyphs.dash).rjust(cell))
        return line

    heads = "".join(safe(corner.name).rjust(cell) for corner in view.corners)
    heading = title("BUMP STOP", width, glyphs, heads.lstrip())
    return [
        heading,
        row("this lap", [corner.lap_stops for corner in view.corners]),
        row("stint", [corner.stint_stops for corner in view.corners]),
    ]


def stop_extras(view: BoardView, width: int, glyphs: Glyphs) -> tuple[Text, Text]:
    """Two more rows of the stops' table, of the stint: top-outs, and how much of a wheel's load went through the stop.

    The share is the largest at any moment, and a dash for a stop never touched.
    """
    cell = (width - len("this lap ")) // 4
    label = width - 4 * cell
    top_outs, shares = pieces(f"{'top-outs':<{label}}"), pieces(f"{'load share':<{label}}")
    for corner in view.corners:
        top_outs.append(f"{corner.top_outs:d}".rjust(cell))
        percent = number(100.0 * corner.stop_peak_share, 3, 0, glyphs)
        known = math.isfinite(corner.stop_peak_share)
        shares.append((f"{'peak' if cell > 10 else ''} {percent} %" if known else percent).rjust(cell))
    return top_outs, shares


def heights(view: BoardView, width: int, glyphs: Glyphs, most: int) -> list[Text]:
    """Platform points against their limits, at most `most`: those nearest to their limit, in the sheet's order.

    A point about to come down to its limit says in what time, in words where its bar was.
    """
    points = list(view.points)
    left_out = 0
    if len(points) > most:
        left_out = len(points) - (most - 1)
        near = sorted(range(len(points)), key=lambda place: margin_mm(points[place]))[: most - 1]
        points = [points[place] for place in sorted(near)]
    wide = width >= WIDE
    columns = "now    low limit  below s" if wide else f"now  low {' ' * limit_decimals(points)}lim below s"
    if wide:
        heading = f"HEIGHT mm {'with tyres' if view.car_now.with_tyres else 'tyres rigid'}"
    else:
        heading = f"HEIGHT mm {'+tyres' if view.car_now.with_tyres else 'rigid'}"
        if len(heading) + len(columns) + 3 > width:
            heading = "HEIGHT mm"
    names = max((cell_len(safe(point.name, glyphs)) for point in points), default=0)
    decimals = limit_decimals(points)
    # Cells of: height now, lowest, limit, then the word and the time below.
    sizes = (5, 7, 6, 9) if wide else (4, 5, 4 + decimals, 8)
    numbers = sum(sizes)
    names = min(names, 24, width - numbers - 1)
    cells = width - names - numbers - 2 if wide else 0
    tallest = max((point.static_mm for point in view.points), default=1.0) * 1.25
    lines = [title(heading, width, glyphs, columns)]
    for point in points:
        line = pieces(fit_name(safe(point.name, glyphs), names, glyphs), " ")
        words = _time_left(point, cells)
        if words:
            line.append(words, STRONG)
        elif cells >= 6:
            line.append_text(_height_bar(point, tallest, cells, glyphs))
        line.append(" " * max(0, width - line.cell_len - numbers))
        low = point.lap_lowest_mm < point.limit_mm
        line.append(number(point.height_mm, sizes[0], 1, glyphs))
        line.append(" " * (sizes[1] - sizes[0]))
        line.append(number(lowest_shown(point.lap_lowest_mm, point.limit_mm), sizes[0], 1, glyphs), _mark(low=low))
        line.append(number(point.limit_mm, sizes[2], decimals, glyphs))
        line.append(" " + ("LOW" if low else "   ") + number(point.lap_below_s, sizes[3] - 4, 1, glyphs))
        lines.append(line)
    if left_out:
        choices = (f"and {left_out} points farther from their limits", f"and {left_out} farther from limits")
        lines.append(pieces(next((words for words in choices if len(words) <= width), f"and {left_out} more")))
    return lines


def limit_decimals(points: Sequence[PointView]) -> int:
    """Decimals that the limits need: none when all are whole millimetres, else one."""
    return 0 if all(math.isnan(one.limit_mm) or one.limit_mm == round(one.limit_mm) for one in points) else 1


def lowest_shown(height_mm: float, limit_mm: float) -> float:
    """A height to be shown with one decimal: what is below its limit is not rounded up to it."""
    if height_mm < limit_mm and round(height_mm, 1) >= limit_mm:
        return math.floor(height_mm * 10.0) / 10.0
    return height_mm


def _mark(*, low: bool) -> Style:
    return BEYOND if low else Style()


def lowest_line(view: BoardView, width: int, glyphs: Glyphs) -> Text | None:
    """The stint's lowest of the point that came nearest to its limit or farthest below it: where, and doing what."""
    if not view.points:
        return None
    point = min(view.points, key=margin_mm)
    if math.isnan(point.stint_lowest_mm):
        return None
    height = number(lowest_shown(point.stint_lowest_mm, point.limit_mm), 5, 1, glyphs).strip()
    doing = "" if point.stint_regime == "unknown" else f", {point.stint_regime}"
    place = "" if math.isnan(point.stint_place_m) else f", {point.stint_place_m:.0f} m"
    head = f"stint's lowest: {safe(point.name, glyphs)} {height} mm"
    endings = [f"{doing}{place} into the lap"] if place else []
    for ending in (*endings, doing + place, doing):
        if cell_len(head + ending) <= width:
            return pieces(head + ending)
    return None


def _time_left(point: PointView, cells: int) -> str:
    """How soon the point comes to its limit when that is soon, in the longest words that fit."""
    if not point.to_limit_s < _SOON_S:
        return ""
    # No point is said to be at its limit that is still above it.
    shown = f"{max(0.1, point.to_limit_s):.1f} s"
    return next((words for words in (f"{shown} to limit", f"limit {shown}") if len(words) <= cells), "")


def margin_mm(point: PointView) -> float:
    """How far above its limit the point was at its lowest in the stint; infinite when that is not known."""
    margin = point.stint_lowest_mm - point.limit_mm
    return margin if math.isfinite(margin) else math.inf


def _height_bar(point: PointView, tallest: float, cells: int, glyphs: Glyphs) -> Text:
    """Height now as a bar from the road up, the limit as a tick."""

    def place(height_mm: float) -> int:
        return max(0, min(cells, round(cells * height_mm / tallest)))

    length = place(point.height_mm) if math.isfinite(point.height_mm) else 0
    marks: list[tuple[str, Style]] = [(glyphs.heavy, LOW_SPEED)] * length + [(" ", Style())] * (cells - length)
    marks[min(cells - 1, place(point.limit_mm))] = (glyphs.tick, LIMIT)
    return pieces(*marks)


def laps(view: BoardView, width: int, glyphs: Glyphs) -> list[Text]:
    """Left against right over the last laps, for each axle and direction: a mark a lap, then the latest numbers.

    Numbers are the axle's own, less the circuit's or the reference's share. Marks rise when the left corner is the
    faster. Where the left/right rule finds too much the mark is the faster side's letter (X for neither), in reverse
    video; a lap that can't be compared (out, in, invalid) is a dot.
    """
    limit = view.asymmetry.limit_percent
    label, tail = 18, 7 * _LATEST
    room = max(4, width - label - tail - 1)
    shown = view.laps[-room:]
    less = "reference" if view.asymmetry.beyond_reference else "circuit"
    sides = f"left + L, right - R, less {less}"
    heading = f"{sides}, limit {glyphs.plus_minus}{limit:g} %"
    lines = [title("LAPS", width, glyphs, heading)]
    for place in PLACES:
        line = pieces(f"{place:<{label}}")
        for lap in shown:
            line.append(*lap_mark(lap, place, limit, glyphs))
        line.append(" " * (room - len(shown) + 1))
        latest = [lap for lap in view.laps if lap.compared][-_LATEST:]
        line.append("       " * (_LATEST - len(latest)))
        for lap in latest:
            percent = math.nan if lap.sides is None else lap.sides.percent.get(place, math.nan)
            style = BEYOND if lap.sides is not None and place in lap.sides.beyond else Style()
            line.append(" ")
            line.append(number(percent, 6, 1, glyphs, sign=True), style)
        lines.append(line)
    return lines


def lap_mark(lap: LapPoint, place: str, limit: float, glyphs: Glyphs) -> tuple[str, Style]:
    """One lap's mark at one place, and its style; see `laps`."""
    if not lap.compared or lap.sides is None or math.isnan(lap.sides.percent.get(place, math.nan)):
        return glyphs.blank_lap, Style()
    percent, faster = lap.sides.percent[place], lap.sides.beyond.get(place)
    if faster is not None:
        return "X" if not faster else "L" if faster in LEFT_CORNERS else "R", BEYOND
    return glyphs.levels[max(0, min(7, 4 + round(3.0 * percent / limit)))], LOW_SPEED


def speeds(view: BoardView, width: int, glyphs: Glyphs) -> list[Text]:
    """RMS velocity of each corner over the last laps, on one scale for all four."""
    tail = 6 * _LATEST
    room = max(4, width - 3 - tail - 1)
    shown = view.laps[-room:]
    values = [v for lap in shown if lap.compared for v in lap.rms_mm_s if math.isfinite(v)]
    lowest, highest = (min(values), max(values)) if values else (0.0, 0.0)
    # At least a fifth of the value from end to end, so that laps that agree look alike.
    spread = max(highest - lowest, 0.2 * highest, 1.0)
    lines = [title("RMS VELOCITY", width, glyphs, "mm/s, last laps")]
    for corner, view_of in enumerate(view.corners):
        line = pieces((f"{safe(view_of.name):<3}", STRONG))
        for lap in shown:
            value = lap.rms_mm_s[corner] if lap.compared else math.nan
            if math.isnan(value):
                line.append(glyphs.blank_lap)
            else:
                line.append(glyphs.levels[max(0, min(7, int(8 * (value - lowest) / spread)))], LOW_SPEED)
        line.append(" " * (room - len(shown) + 1))
        latest = [lap.rms_mm_s[corner] for lap in view.laps if lap.compared][-_LATEST:]
        line.append("      " * (_LATEST - len(latest)))
        for value in latest:
            line.append(number(value, 6, 0, glyphs))
        lines.append(line)
    return lines


def lap_list(view: BoardView, width: int, glyphs: Glyphs, most: int) -> list[Text]:
    """The last `most` laps, newest first: kind, time, and each corner's RMS velocity."""
    heads = "".join(f"{safe(corner.name):>6}" for corner in view.corners)
    lines = [title("LAP TIMES", width, glyphs, f"RMS velocity mm/s {heads.lstrip()}")]
    shown: list[LapPoint] = list(reversed(view.laps))[:most]
    for lap in shown:
        name = fit(safe(lap.name, glyphs), 6, glyphs)
        line = pieces(f"lap {name} {fit(safe(lap.kind, glyphs), 11, glyphs)} {lap_time(lap.duration_s, glyphs):>8}")
        numbers = "".join(number(value, 6, 0, glyphs) for value in lap.rms_mm_s)
        line.append(numbers.rjust(max(0, width - line.cell_len)))
        lines.append(line)
    return lines
