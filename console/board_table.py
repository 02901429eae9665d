"""Tables whose columns keep their places: whole columns go where the width is short, never a part of a word.

In: columns of fixed width, each with how long it is kept. Out: lines of text, a heading and one a row. Cells come as
they are to be shown; names are shortened in their middle with a mark, nothing else is. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text

from console.paint import PLAIN, STRONG, Glyphs, fit_name, padded, pieces, wrap

Cell = str | tuple[str, Style]
_GAP = 2
_LEAST_NAME = 16


@dataclass(frozen=True)
class Column:
    """One column; the larger `keep`, the longer it stays. `width` 0 takes that of the widest cell.

    A column with `paint` has no cells: it takes the width that is left, when that is at least `width`, and is painted
    for it: `paint(row, width)` gives the row's cell, `heading(width)` what stands above.
    """

    head: str
    cells: Sequence[Cell] = ()
    keep: int = 0
    width: int = 0
    left: bool = False
    paint: Callable[[int, int], Text] | None = None
    heading: Callable[[int], str] | None = None


def table(columns: Sequence[Column], rows: int, width: int, glyphs: Glyphs) -> list[Text]:
    """A heading and `rows` lines of at most `width` cells; the first column holds names and always stays."""
    fixed = [one for one in columns if one.paint is None]
    sizes = {id(one): _size(one) for one in fixed}
    name = fixed[0]
    least = min(sizes[id(name)], _LEAST_NAME)
    kept = list(fixed)
    while len(kept) > 1 and least + sum(sizes[id(one)] + _GAP for one in kept[1:]) > width:
        kept.remove(min(kept[1:], key=lambda one: one.keep))
    others = sum(sizes[id(one)] + _GAP for one in kept[1:])
    sizes[id(name)] = max(1, min(sizes[id(name)], width - others))
    left = width - sizes[id(name)] - others
    shown: list[Column] = []
    for one in columns:
        if one.paint is not None and left - _GAP >= one.width:
            sizes[id(one)], left = left - _GAP, 0
            shown.append(one)
        elif one in kept:
            shown.append(one)
    lines = [_line([_heading(one, sizes[id(one)], glyphs, first=one is name) for one in shown])]
    lines += [
        _line([_cell(one, row, sizes[id(one)], glyphs, first=one is name) for one in shown]) for row in range(rows)
    ]
    return lines


def facts(entries: Sequence[tuple[str, str, Style]], width: int, glyphs: Glyphs) -> list[Text]:
    """Names and what is said of them, one below the other, the words wrapped beside their names."""
    column = min(max((cell_len(name) for name, _, _ in entries), default=0) + _GAP, max(1, width // 2))
    lines = []
    for name, words, style in entries:
        room = max(8, width - column)
        for n, part in enumerate([words] if cell_len(words) <= room else wrap(words, room, glyphs)):
            lines.append(pieces(fit_name("" if n else name, column, glyphs), (part, style)))
    return lines


def _size(column: Column) -> int:
    longest = max((cell_len(one if isinstance(one, str) else one[0]) for one in column.cells), default=0)
    return max(column.width, longest, cell_len(column.head))


def _heading(column: Column, size: int, glyphs: Glyphs, *, first: bool) -> Text:
    words = column.head if column.heading is None else column.heading(size)
    shown = fit_name(words, size, glyphs) if first else words
    return padded(
        pieces((shown.ljust(size) if column.left or first or column.paint else shown.rjust(size), STRONG)), size
    )


def _cell(column: Column, row: int, size: int, glyphs: Glyphs, *, first: bool) -> Text:
    if column.paint is not None:
        return padded(column.paint(row, size), size)
    cell = column.cells[row]
    words, style = cell if isinstance(cell, tuple) else (cell, PLAIN)
    if first:
        return pieces((fit_name(words, size, glyphs), style))
    gap = " " * (size - cell_len(words))
    return pieces((words, style), gap) if column.left else pieces(gap, (words, style))


def _line(cells: list[Text]) -> Text:
    line = pieces()
    for place, cell in enumerate(cells):
        if place:
            line.append(" " * _GAP)
        line.append_text(cell)
    return line


def stacked(groups: Sequence[Sequence[Text]], height: int, *, spaced: bool) -> list[Text]:
    """Groups of lines one below the other, as many whole ones as fit, the first at least in part."""
    lines: list[Text] = []
    for group in groups:
        if not group:
            continue
        between = 1 if spaced and lines else 0
        if lines and len(lines) + between + len(group) > height:
            continue
        lines += [pieces()] * between
        lines += group
    return lines[:height]
