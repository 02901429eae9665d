"""A cell for each car of several: its name, what alarms stand, how old its data is, and its link.

In: monitors, and what each run says of itself. Out: lines of text of a given width. Every car is in them: where there
is no room for all, the most urgent come first and the others are counted together, their alarms too. Pure but for
reading the monitor.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from rich.text import Text

from alerts.lifecycle import State
from alerts.monitor import Monitor
from console.paint import DOUBT, REVERSE, STRONG, Glyphs, fit, fit_name, pieces, safe
from console.view import STALE_AFTER_S
from ingest.rehearsal_mark import MARK

PRIORITIES = ("high", "medium", "low")
_CELL = 40  # two in 80 columns, three in 120
_NAME = 12
_SHARE = 6  # of the terminal's height: what the cars' cells may take
_UNACKNOWLEDGED = {State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED}


@dataclass(frozen=True)
class Tile:
    """How one car is.

    Attributes
    ----------
    name : str
        The car's.
    standing, waiting : tuple of int
        Alarms that stand and nothing silences, and those of them that nobody has acknowledged, by PRIORITIES.
    age_s : float
        Of the newest sample; NaN before the first.
    link : str
        "open", or one word and why.
    dropped : int
        Messages dropped because the chain had fallen behind.
    fault : str
        Why the car is no longer watched; empty while it is.
    """

    name: str
    standing: tuple[int, ...] = (0, 0, 0)
    waiting: tuple[int, ...] = (0, 0, 0)
    age_s: float = math.nan
    link: str = "open"
    dropped: int = 0
    fault: str = ""

    @property
    def silent(self) -> bool:
        """Whether what the alarms say may be old."""
        return not self.age_s <= STALE_AFTER_S

    @property
    def rehearsal(self) -> bool:
        """Whether it is of a rehearsal, and not of the car."""
        return self.name.startswith(MARK)

    @property
    def urgency(self) -> tuple[int, ...]:
        """Greater is more urgent: unwatched, then alarms not acknowledged, then silence, then alarms that stand."""
        return (int(bool(self.fault)), *self.waiting, int(self.silent), *self.standing)


AnyTile = TypeVar("AnyTile", bound=Tile)
Draw = Callable[[AnyTile, bool, int, Glyphs], Text]  # a cell: the tile, whether it is chosen, the width


def alarm_counts(monitor: Monitor | None) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Alarms that stand and are not silenced, and those nobody has acknowledged, each by PRIORITIES."""
    standing, waiting = [0, 0, 0], [0, 0, 0]
    for alarm in () if monitor is None else monitor.standings:
        if alarm.state is not State.NORMAL and not alarm.life.silent:
            place = PRIORITIES.index(alarm.definition.priority)
            standing[place] += 1
            waiting[place] += alarm.state in _UNACKNOWLEDGED
    return tuple(standing), tuple(waiting)


def alarm_words(standing: Sequence[int], waiting: Sequence[int]) -> str:
    """Alarms by priority, "!" where somebody has yet to acknowledge one.

    Examples
    --------
    >>> alarm_words((2, 0, 1), (1, 0, 0)), alarm_words((0, 0, 0), (0, 0, 0))
    ('2 high! 1 low', 'no alarm')
    """
    words = [
        f"{count} {priority}{'!' if unseen else ''}"
        for priority, count, unseen in zip(PRIORITIES, standing, waiting, strict=True)
        if count
    ]
    return " ".join(words) or "no alarm"


def most_urgent(tiles: Sequence[Tile]) -> int:
    """The place of the car that needs a person first; of equals the first one."""
    return max(range(len(tiles)), key=lambda place: (tiles[place].urgency, -place))


def tile_lines(tiles: Sequence[Tile], shown: int, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The cells in lines of `width`, at most a sixth of a terminal's `height` of them and at least one."""
    return cell_lines(tiles, shown, width, max(1, height // _SHARE), glyphs, _cell, _CELL)


def cell_lines(
    tiles: Sequence[AnyTile],
    shown: int,
    width: int,
    rows: int,
    glyphs: Glyphs,
    draw: Draw[AnyTile],
    narrowest: int,
) -> list[Text]:
    """Cells of at least `narrowest` side by side, in at most `rows` lines of `width`, each drawn by `draw`."""
    across = max(1, width // narrowest)
    places = list(range(len(tiles)))
    left: list[int] = []
    if len(tiles) > rows * across:
        # The one on the board stands below: its cell can go, another car's alarm can't.
        places.sort(key=lambda place: (tuple(-part for part in tiles[place].urgency), place))
        places, left = places[: rows * across - 1], places[rows * across - 1 :]
    cells = [draw(tiles[place], place == shown, width // across, glyphs) for place in places]
    if left:
        cells.append(_others([tiles[place] for place in left], width // across, glyphs))
    lines = []
    for first in range(0, len(cells), across):
        line = Text()
        for cell in cells[first : first + across]:
            line.append_text(cell)
        line.truncate(width, pad=True)
        lines.append(line)
    return lines


def _cell(tile: Tile, shown: bool, width: int, glyphs: Glyphs) -> Text:
    # The mark by itself, or all cars of a rehearsal would have one name in so little room.
    name = fit_name(safe(tile.name.removeprefix(MARK), glyphs), _NAME, glyphs)
    mark = MARK if tile.rehearsal else ""
    age = "no samples" if math.isnan(tile.age_s) else f"{tile.age_s:.1f} s"
    link = "" if tile.link == "open" else f" {tile.link.split(':', 1)[0]}"
    behind = " BEHIND" if tile.dropped else ""
    words = alarm_words(tile.standing, tile.waiting)
    state = f"{mark}NOT WATCHED {words}" if tile.fault else f"{mark}{words} {age}{link}{behind}"
    style = DOUBT if tile.fault or tile.silent else REVERSE if any(tile.waiting) else None
    body = fit(safe(state, glyphs), max(1, width - _NAME - 3), glyphs)
    room = max(1, width - _NAME - 3)
    return pieces(
        (">" if shown else " ", STRONG),
        (f"{name:<{_NAME}} ", STRONG),
        (f"{body:<{room}}", style) if style is not None else f"{body:<{room}}",
        " ",
    )


def _others(tiles: Sequence[Tile], width: int, glyphs: Glyphs) -> Text:
    standing = [sum(tile.standing[place] for tile in tiles) for place in range(len(PRIORITIES))]
    waiting = [sum(tile.waiting[place] for tile in tiles) for place in range(len(PRIORITIES))]
    silent = sum(tile.silent for tile in tiles)
    marked = sum(tile.rehearsal for tile in tiles)
    words = f" {len(tiles)} more cars: {f'{marked} REHEARSAL, ' if marked else ''}{alarm_words(standing, waiting)}"
    words += f"{'' if any(standing) else ' known'}, {silent} silent" if silent else ""
    line = f"{fit(safe(words, glyphs), max(1, width - 1), glyphs):<{max(1, width - 1)}} "
    return pieces((line, REVERSE)) if any(waiting) or silent else pieces(line)
