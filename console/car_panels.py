"""The panel of the whole car: wheel loads as seen from above, load share, rake, aero balance and downforce.

In: a `BoardView` and a panel's width. Out: lines of text, at most as many as asked for; the first ones matter most.
Unknown values are dashes, and where there is no downforce yet the reason stands in words; numbers keep their columns.
"""

from __future__ import annotations

import math

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text

from console.paint import LIMIT, LOW_SPEED, STRONG, Glyphs, number, pieces, safe, title, wrap
from console.view import BoardView
from dsp.downforce import Downforce, Estimate

LEAST_ROWS = 3  # the heading and the two axles
MOST_ROWS = 6
_WIDE = 58  # cells that both axles' C_z A need in one line, in ASCII too
_NUMBER = 4
# Braking, cornering and the air together bring a wheel to some two and a half times its static load.
_SCALE = 2.5
_HEAVY_N = 1000.0  # a static load from which tenths of a kN tell enough


def car(view: BoardView, width: int, glyphs: Glyphs, most: int) -> list[Text]:
    """The panel in at most `most` rows, nothing when not even the loads fit."""
    if most < LEAST_ROWS:
        return []
    lines = [*_loads(view, width, glyphs), _attitude(view, width, glyphs)]
    air = _air(view.car_now.downforce, width, glyphs, min(most, MOST_ROWS) - len(lines))
    return [*lines, *air][:most]


def car_line(view: BoardView, glyphs: Glyphs) -> Text:
    """The two front shares in one line of 38 cells at most, for where the panel has no room."""
    found = view.car_now.downforce
    share = Estimate() if found is None else found.front_share
    aero = number(100.0 * share.value, 3, 0, glyphs)
    load = number(100.0 * view.car_now.front_share, 3, 0, glyphs)
    error = f" {half_width(share, 100.0, 0, glyphs)}" if math.isfinite(share.value) else ""
    return pieces(("front share", STRONG), f" load {load} %  aero {aero}{error} %")


def _loads(view: BoardView, width: int, glyphs: Glyphs) -> list[Text]:
    """The four wheels where they are on the car: bars grow outwards from the middle, a tick at the static load."""
    loads, static = view.car_now.load_n, view.car_now.static_n
    heaviest = max((value for value in static if math.isfinite(value)), default=math.nan)
    unit, per, decimals = ("kN", 1000.0, 1) if not heaviest < _HEAVY_N else ("N", 1.0, 0)
    step_n = 1000.0 if unit == "kN" else 100.0
    full_n = step_n * math.ceil(_SCALE * heaviest / step_n) if math.isfinite(heaviest) else math.nan
    scale = "" if math.isnan(full_n) else f", full bar {full_n / per:g}"
    words = "wheel load" if width >= _WIDE else "load"
    lines = [title("CAR", width, glyphs, f"{words} {unit}, {glyphs.tick} static{scale}")]
    names = [safe(corner.name) for corner in view.corners]
    cells = (width - 2 * (_NUMBER + 4) - 1) // 2
    for left, right in ((0, 1), (2, 3)):
        line = pieces((names[left], STRONG), f" {number(loads[left] / per, _NUMBER, decimals, glyphs)} ")
        inwards = _bar(loads[left], static[left], full_n, cells, glyphs)
        line.append_text(pieces(*reversed(inwards)))
        line.append(" " * (width - 2 * (_NUMBER + 4) - 2 * cells))
        line.append_text(pieces(*_bar(loads[right], static[right], full_n, cells, glyphs)))
        line.append(f" {number(loads[right] / per, _NUMBER, decimals, glyphs)} ")
        line.append(names[right], STRONG)
        lines.append(line)
    return lines


def _bar(load_n: float, static_n: float, full_n: float, cells: int, glyphs: Glyphs) -> list[tuple[str, Style]]:
    """A bar from the middle of the car outwards."""

    def place(value_n: float) -> int:
        share = value_n / full_n
        return max(0, min(cells, round(cells * share))) if math.isfinite(share) else 0

    length = place(load_n)
    marks = [(glyphs.heavy, LOW_SPEED)] * length + [(" ", Style())] * (cells - length)
    if math.isfinite(static_n) and cells:
        marks[min(cells - 1, place(static_n))] = (glyphs.tick, LIMIT)
    return marks


def _attitude(view: BoardView, width: int, glyphs: Glyphs) -> Text:
    """Front share of the load and rake, now."""
    now = view.car_now
    rake = f"rake {number(now.rake_deg, 5, 2, glyphs, sign=True)} deg"
    if width >= _WIDE:
        rake += f" {number(now.rake_mm, 5, 0, glyphs, sign=True)} mm"
    load = f"load {number(100.0 * now.front_share, 5, 1, glyphs)} % front"
    return pieces(load, rake.rjust(width - cell_len(load)))


def _air(found: Downforce | None, width: int, glyphs: Glyphs, rows: int) -> list[Text]:
    """Aero balance and the axles' C_z A, each with half of its 95 % interval, or the reason for their lack."""
    if rows <= 0:
        return []
    if found is None or found.reason:
        reason = "nothing has been driven" if found is None else found.reason
        words = _within(f"no downforce yet: {safe(reason, glyphs)}", width, rows, glyphs)
        return [pieces(line) for line in words]
    share, front, rear = found.front_share, found.front_m2, found.rear_m2
    balance = f"aero {number(100.0 * share.value, 5, 1, glyphs)} {half_width(share, 100.0, 1, glyphs)} % front"
    if rows == 1:
        return [pieces(balance)]
    gap = 1
    areas = [f"{number(one.value, 5, 2, glyphs)} {half_width(one, 1.0, 2, glyphs)}" for one in (front, rear)]
    if width >= _WIDE:
        head, gap = "C_z A ", 2
    else:
        head, balance = "", f"{balance}; C_z A:"
    return [pieces(balance), pieces(f"{head}front {areas[0]}{' ' * gap}rear {areas[1]} m2")]


def half_width(estimate: Estimate, scale: float, decimals: int, glyphs: Glyphs) -> str:
    """Half of the 95 % interval, with its sign."""
    half = scale * (estimate.high - estimate.low) / 2.0
    return glyphs.plus_minus + (f"{half:.{decimals}f}" if math.isfinite(half) else glyphs.dash)


def _within(text: str, width: int, rows: int, glyphs: Glyphs) -> list[str]:
    """Whole words in at most `rows` lines: what follows the last semicolon goes first, then words, and a mark says so.

    Examples
    --------
    >>> from console.paint import BLOCKS
    >>> _within("only 3 windows; most of them too slow", 20, 1, BLOCKS)
    ['only 3 windows']
    >>> _within("nothing to be seen here", 12, 1, BLOCKS)
    ['nothing to…']
    """
    lines = wrap(text, width, glyphs)
    while len(lines) > rows and ";" in text:
        text = text.rpartition(";")[0]
        lines = wrap(text, width, glyphs)
    if len(lines) <= rows:
        return lines
    lines = lines[:rows]
    while cell_len(lines[-1]) >= width and " " in lines[-1]:
        lines[-1] = lines[-1].rpartition(" ")[0]
    lines[-1] += glyphs.cut
    return lines
