"""The board: chooses the panels that the terminal has room for, and puts them together.

In: a `BoardView` and a size in cells. Out: a rich renderable of exactly that size. Pure: the same view and size give
the same picture. As the terminal shrinks these are left out, in this order: the list of lap times, rows of detail and
blank lines between panels, RMS velocity by lap, left/right by lap, the car (row by row down to one line of shares), the
bump-stop table (this lap's contacts move to the travel panel), heights; below 60 x 18 also pyramids and travel, so that
the strip and the top alerts remain. What is kept stays where it was.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rich.console import Console, ConsoleOptions, RenderResult
from rich.segment import Segment
from rich.text import Text

from console import panels
from console.board_alerts import alerts
from console.board_strip import strip
from console.car_panels import car, car_line
from console.paint import BLOCKS, Glyphs, beside, block
from console.pyramid import pyramid
from console.view import BoardView

SMALLEST_WIDTH, SMALLEST_HEIGHT = 60, 18
_ROOMY_HEIGHT = 30  # from here on: a third line in the strip, and blank lines between panels
_THREE_COLUMNS = 160
_MIDDLE_WIDTH = 60  # what the widest panel uses; more would only move numbers from their labels
_PYRAMID_WIDTH = 59  # below which its table of shares loses a column's end
_NARROWEST_HEIGHTS = 34  # a short name and four numbers
_NARROWEST_CAR = 39  # the car's longest line, half of 80 columns
_GAP = 2
_MOST_POINTS = 8
_LEAST_ALERT_ROWS = 10  # a high alert in full on a narrow panel, the caution, and a second alert's first line

# Places of the panels, top to bottom.
_TRAVEL, _STOPS, _HEIGHTS, _CAR, _LAPS, _SPEEDS, _LAP_TIMES = range(7)

_Maker = Callable[[int], list[Text]]  # takes the rows that are left


@dataclass(frozen=True)
class BoardOptions:
    """How to draw: `glyphs` for shapes (see `console.paint.glyphs_for`)."""

    glyphs: Glyphs = BLOCKS


class Board:
    """Lines ready for a console; each has the board's width."""

    def __init__(self, lines: list[Text]) -> None:
        self.lines = lines

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield the lines' segments as they are, neither wrapped nor cut."""
        for place, line in enumerate(self.lines):
            if place:
                yield Segment.line()
            yield from line.render(console)


def render(view: BoardView, width: int, height: int, options: BoardOptions | None = None) -> Board:
    """Lay the board out on `width` x `height` cells; a terminal of any size gets a picture."""
    glyphs = (options or BoardOptions()).glyphs
    width, height = max(1, width), max(1, height)
    if width < SMALLEST_WIDTH or height < SMALLEST_HEIGHT:
        return Board(_essentials(view, width, height, glyphs))
    top = strip(view, width, 3 if height >= _ROOMY_HEIGHT else 2, glyphs)
    rows = height - len(top)
    if width >= _THREE_COLUMNS:
        left = max(_PYRAMID_WIDTH, (width - _MIDDLE_WIDTH) * 4 // 7)
        right = width - left - _MIDDLE_WIDTH - 2 * _GAP
        columns = [
            _pyramids(view, left, rows, glyphs),
            block(_numbers(view, _MIDDLE_WIDTH, rows, glyphs, alone=True), _MIDDLE_WIDTH, rows),
            block(alerts(view, right, rows, glyphs), right, rows),
        ]
        return Board(block([*top, *beside(columns, _GAP)], width, height))
    left = (width - _GAP + 1) // 2
    right = width - _GAP - left
    numbers = _numbers(view, right, rows, glyphs, alone=False)
    below = alerts(view, right, rows - len(numbers), glyphs)
    columns = [_pyramids(view, left, rows, glyphs), block([*numbers, *below], right, rows)]
    return Board(block([*top, *beside(columns, _GAP)], width, height))


def _essentials(view: BoardView, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    top = strip(view, width, min(2, height), glyphs)
    rest = height - len(top)
    return block([*top, *(alerts(view, width, rest, glyphs) if rest else [])], width, height)


def _pyramids(view: BoardView, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    """Front above rear, as on the car."""
    half = rows // 2
    front = block(pyramid(view, "front", width, half, glyphs), width, rows - half)
    return front + block(pyramid(view, "rear", width, half, glyphs), width, half)


def _numbers(view: BoardView, width: int, rows: int, glyphs: Glyphs, *, alone: bool) -> list[Text]:
    """The panels beside the pyramids, those that fit while the alerts keep their share; `alone` needs none."""
    room = rows if alone else rows - max(_LEAST_ALERT_ROWS, rows * 3 // 10)
    chosen = _chosen(view, width, room, glyphs, alone=alone)
    left = room - sum(len(panel) for panel in chosen.values())
    spaced = 1 if rows >= _ROOMY_HEIGHT - 3 and left >= len(chosen) else 0
    left -= spaced * len(chosen)
    for place, line in _details(view, width, glyphs):
        if place in chosen and left > 0:
            chosen[place].append(line)
            left -= 1
    if alone and left >= 4 and view.laps:
        chosen[_LAP_TIMES] = panels.lap_list(view, width, glyphs, left - 1)
    lines: list[Text] = []
    for _, panel in sorted(chosen.items()):
        lines += panel
        lines += [Text(end="")] * spaced
    return lines


def _chosen(view: BoardView, width: int, room: int, glyphs: Glyphs, *, alone: bool) -> dict[int, list[Text]]:
    """Panels in the order of what matters, as many as fit without blank lines between them, by their places."""
    most = max(2, min(_MOST_POINTS, room - 5 - 1)) if not alone else len(view.points)
    makers: list[tuple[int, _Maker]] = [(_TRAVEL, lambda _: panels.travel(view, width, glyphs))]
    if view.points and width >= _NARROWEST_HEIGHTS:
        makers.append((_HEIGHTS, lambda _: panels.heights(view, width, glyphs, most)))
    if width >= panels.WIDE:
        makers.append((_STOPS, lambda _: panels.stops(view, width, glyphs)))
    if width >= _NARROWEST_CAR:
        makers.append((_CAR, lambda left: car(view, width, glyphs, left) or [car_line(view, glyphs)]))
    if width >= panels.WIDE:
        makers.append((_LAPS, lambda _: panels.laps(view, width, glyphs)))
        makers.append((_SPEEDS, lambda _: panels.speeds(view, width, glyphs)))
    chosen: dict[int, list[Text]] = {}
    for place, make in makers:
        panel = make(room)
        if len(panel) > room:
            break
        chosen[place] = panel
        room -= len(panel)
    return chosen


def _details(view: BoardView, width: int, glyphs: Glyphs) -> list[tuple[int, Text]]:
    """Rows that join a panel where there is room, most wanted first, each with its panel's place."""
    if width < panels.WIDE:
        return []
    top_outs, shares = panels.stop_extras(view, width, glyphs)
    lowest = panels.lowest_line(view, width, glyphs)
    wanted = [] if lowest is None else [(_HEIGHTS, lowest)]
    if any(corner.top_outs for corner in view.corners):
        return [(_STOPS, top_outs), *wanted, (_STOPS, shares)]
    return [*wanted, (_STOPS, shares), (_STOPS, top_outs)]
