"""A cell for each car on a wall of several: its name, whether its monitor is there, and what stands.

In: what the wall knows of the cars. Out: tiles as `console.fleet_tiles` arranges them, and lines of text. Pure.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text

from console.fleet_tiles import PRIORITIES, Tile, alarm_words, cell_lines
from console.paint import DOUBT, REVERSE, STRONG, Glyphs, fit, fit_name, pieces, safe
from console.wall_cars import NAME_CELLS, WallCars, age_words, rank
from ingest.rehearsal_mark import MARK

_AGE = re.compile(r" \d+ (s|min|h)$")
_CELL = 60  # one in 80 columns, two in 120: state and alarms of a car in words
_SHARE = 3  # of the terminal's height: what the cells may take; the alarms below matter as much
_LONGEST_NAME = 30
_STATE = 42  # cells that a doubt, a count of alarms and the mark of a rehearsal take together


@dataclass(frozen=True)
class WallTile(Tile):
    """How one car is, as its monitor tells.

    Attributes
    ----------
    doubt : str
        Why what is shown of it may not be so; empty when it can be believed.
    reason : str
        More of that, where there is room.
    heard : str
        When its monitor was heard, and how old its newest sample is.
    left_out : int
        Alarms that are in no list.
    """

    doubt: str = ""
    reason: str = ""
    heard: str = ""
    left_out: int = 0

    @property
    def doubt_alone(self) -> str:
        """The doubt without its age, for lines that need not change every second."""
        return _AGE.sub("", self.doubt)

    @property
    def silent(self) -> bool:
        """Whether what the alarms say may be old."""
        return bool(self.doubt)

    @property
    def urgency(self) -> tuple[int, ...]:
        """Greater is more urgent: alarms not acknowledged, then doubt, then alarms that stand.

        A garage of monitors that were stopped before this wall began takes no place from a car whose alarm nobody has
        seen.
        """
        believed = (0,) * len(self.waiting) if self.doubt and not self.heard else self.waiting
        return (*believed, int(self.silent), *self.standing)


def wall_tiles(cars: WallCars, now: float) -> list[WallTile]:
    """One for each car, in the order in which they became known."""
    labels = cars.labels()
    tiles = []
    for prefix, book in cars.books.items():
        standing, waiting = [0] * len(PRIORITIES), [0] * len(PRIORITIES)
        for alarm in book.alarms:
            standing[rank(alarm)] += 1
            waiting[rank(alarm)] += not alarm.acknowledged
        heard_s, sample_s = book.heard_s(now), book.sample_age_s(now)
        heard = "" if heard_s is None else f"heard {age_words(heard_s)} ago"
        heard += "" if sample_s is None else f", sample {sample_s:.1f} s"
        tiles.append(
            WallTile(
                labels[prefix],
                tuple(standing),
                tuple(waiting),
                doubt=cars.trouble(prefix, now),
                reason=book.stopped or cars.not_let.get(prefix, ""),
                heard=heard,
                left_out=book.left_out,
            )
        )
    return tiles


def wall_tile_lines(tiles: Sequence[WallTile], shown: int, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The cells in lines of `width`, at most a third of a terminal's `height` of them and at least one.

    Parameters
    ----------
    shown : int
        Place of the car whose alarm is selected; -1 for none.
    """
    across = max(1, width // _CELL)
    longest = max((cell_len(_bare(tile, glyphs)) for tile in tiles), default=0)
    room = max(NAME_CELLS, min(_LONGEST_NAME, width // across - _STATE - 3))
    name = max(4, min(longest, room, width // 3))

    def draw(tile: WallTile, chosen: bool, cell_width: int, glyphs: Glyphs) -> Text:
        return _cell(tile, chosen, cell_width, name, glyphs)

    return cell_lines(tiles, shown, width, max(1, height // _SHARE), glyphs, draw, _CELL)


def _cell(tile: WallTile, chosen: bool, width: int, name_width: int, glyphs: Glyphs) -> Text:
    mark = MARK.strip() if tile.rehearsal else ""
    room = max(1, width - name_width - 3 - (len(mark) + 1 if mark else 0))
    style = DOUBT if tile.doubt else REVERSE if any(tile.waiting) else None
    state = f"{fit(_state(tile, room, glyphs), room, glyphs)}"
    head = (">" if chosen else " ", STRONG), (f"{fit_name(_bare(tile, glyphs), name_width, glyphs)} ", STRONG)
    marked: list[str | tuple[str, Style]] = [(mark, DOUBT), " "] if mark else []
    return pieces(*head, *marked, (state, style) if style is not None else state, " ")


def _state(tile: WallTile, room: int, glyphs: Glyphs) -> str:
    """As many words as have room: a doubt always first, then the alarms, then what else is known."""
    count, waits = sum(tile.standing), sum(tile.waiting)
    words = alarm_words(tile.standing, tile.waiting)
    short = f"{count} alarm{'s' if count > 1 else ''}{'!' if waits else ''}"
    if tile.left_out:
        words, short = (f"{said} +{tile.left_out}" for said in (words, short))
    if tile.doubt:
        # No alarm that is known is not the same as no alarm.
        known = [f"{tile.doubt} {words}", f"{tile.doubt} {short}"] if count or tile.left_out else [tile.doubt]
        more = f" ({tile.reason})" if tile.reason else ""
        best = next((one for one in known if cell_len(one) <= room), known[-1])
        return safe(f"{best}{more}" if more and cell_len(best) + len(more) // 2 <= room else best, glyphs, 400)
    beat = tile.heard.split(",")[0]
    tries = [f"{words}  {tile.heard}", f"{words}  {beat}", f"{words} {beat.removeprefix('heard ')}", f"{short} {beat}"]
    return safe(next((one for one in tries if cell_len(one) <= room), words if count else tries[-1]), glyphs, 400)


def _bare(tile: WallTile, glyphs: Glyphs) -> str:
    """The name without the mark, which has a place of its own."""
    return safe(tile.name.removeprefix(MARK), glyphs)
