"""What every panel paints with: colours, glyphs, numbers of fixed width, and text made safe and cut to fit.

In: numbers and strings. Out: `Text` lines of an exact width in terminal cells. Every string passes `safe`, so that
nothing from a file reaches the terminal as a control. Colour only adds: each meaning also has a word or a shape.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from rich.cells import cell_len, set_cell_size
from rich.style import Style
from rich.text import Text

from ingest.text import clean

# Okabe and Ito, "Color Universal Design" (2008; values from memory): told apart with any colour vision. Used on
# the default background, light or dark, and never for plain numbers. The set's black, blue and yellow are left
# out: each vanishes on one of the two backgrounds.
SKY_BLUE = "#56B4E9"  # bars of low-speed bands
BLUISH_GREEN = "#009E73"  # bars of high-speed bands
ORANGE = "#E69F00"  # medium priority, and values beyond a limit
VERMILLION = "#D55E00"  # high priority, and a stream that can't be believed
REDDISH_PURPLE = "#CC79A7"  # limits and stops

PLAIN = Style()
STRONG = Style(bold=True)
LOW_SPEED = Style(color=SKY_BLUE)
HIGH_SPEED = Style(color=BLUISH_GREEN)
LIMIT = Style(color=REDDISH_PURPLE, bold=True)
BEYOND = Style(color=ORANGE, bold=True, reverse=True)
DOUBT = Style(color=VERMILLION, bold=True, reverse=True)
PRIORITY = {
    "high": Style(color=VERMILLION, bold=True),
    "medium": Style(color=ORANGE, bold=True),
    "low": Style(bold=True),
}
REVERSE = Style(reverse=True)

# A board has some hundred words, and most are those of the frame before.
_REMEMBERED = 1024


@dataclass(frozen=True)
class Glyphs:
    """Characters for shapes. `levels` rise in eight steps; `blank_lap` is a lap not compared."""

    full: str = "█"
    left_half: str = "▌"
    right_half: str = "▐"
    tick: str = "│"
    rule: str = "─"
    heavy: str = "━"
    beyond_stop: str = "░"
    now: str = "◆"
    levels: str = "▁▂▃▄▅▆▇█"
    blank_lap: str = "·"
    dash: str = "–"
    plus_minus: str = "±"
    cut: str = "…"

    @property
    def has_halves(self) -> bool:
        """Whether half a cell can be drawn."""
        return self.left_half != ""


BLOCKS = Glyphs()
ASCII = Glyphs("#", "", "", "|", "-", "=", ":", "X", "12345678", ".", "-", "+-", "~")


def glyphs_for(encoding: str) -> Glyphs:
    """Block glyphs where the encoding has them all, otherwise ASCII.

    Examples
    --------
    >>> glyphs_for("utf-8") is BLOCKS, glyphs_for("ascii") is ASCII, glyphs_for("no-such") is ASCII
    (True, True, True)
    """
    try:
        "".join(str(value) for value in vars(BLOCKS).values()).encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return BLOCKS


def safe(text: object, glyphs: Glyphs = BLOCKS, length: int = 200) -> str:
    r"""A foreign string as one harmless line; in ASCII only where the terminal has no more.

    Examples
    --------
    >>> safe("a\x1b[2Jb", ASCII)
    'a?[2Jb'
    """
    return _safe(str(text)[: length + 1], length, glyphs is ASCII)


@lru_cache(_REMEMBERED)
def _safe(text: str, length: int, in_ascii: bool) -> str:
    shown = clean(text, length)
    return shown.replace("…", "~").encode("ascii", "replace").decode("ascii") if in_ascii else shown


def fit(text: str, width: int, glyphs: Glyphs = BLOCKS) -> str:
    """`text` at exactly `width` cells: padded, or a name too long ended by a mark that says so.

    Examples
    --------
    >>> fit("floor", 7), fit("splitter", 5)
    ('floor  ', 'spli…')
    """
    if width <= 0:
        return ""
    if cell_len(text) <= width:
        return set_cell_size(text, width)
    return set_cell_size(text, width - 1) + glyphs.cut


def fit_name(name: str, width: int, glyphs: Glyphs = BLOCKS) -> str:
    """A name at exactly `width` cells; a long one keeps both ends, since names that differ often end differently.

    Examples
    --------
    >>> fit_name("floor_edge_left", 11), fit_name("floor", 7)
    ('floor…_left', 'floor  ')
    """
    if cell_len(name) <= width or width < 4:
        return fit(name, width, glyphs)
    head, tail = width // 2, width - width // 2 - 1
    end = name
    while cell_len(end) > tail:
        end = end[1:]
    return set_cell_size(set_cell_size(name, head) + glyphs.cut + end, width)


def number(value: float, width: int, decimals: int, glyphs: Glyphs, *, sign: bool = False) -> str:
    """A number right-aligned in `width` cells; a dash when unknown, and marked when it can't fit.

    Examples
    --------
    >>> number(-3.26, 6, 1, BLOCKS), number(float("nan"), 4, 0, BLOCKS), number(12345.0, 4, 0, BLOCKS)
    ('  -3.3', '   –', '   +')
    """
    if not math.isfinite(value):
        return glyphs.dash.rjust(width)
    shown = f"{value:{'+' if sign else ''}.{decimals}f}"
    if float(shown) == 0.0:
        shown = f"{0.0:{'+' if sign else ''}.{decimals}f}"
    if len(shown) > width:
        shown = f"{value:{'+' if sign else ''}.0f}"
    if len(shown) > width:
        shown = "-" if value < 0 else "+"
    return shown.rjust(width)


def clock(seconds: float | None, glyphs: Glyphs) -> str:
    """Minutes and seconds, for a running time.

    Examples
    --------
    >>> clock(83.4, BLOCKS), clock(3723.0, BLOCKS), clock(None, BLOCKS)
    ('1:23', '62:03', '–')
    """
    if seconds is None or not math.isfinite(seconds):
        return glyphs.dash
    whole = int(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def lap_time(seconds: float | None, glyphs: Glyphs) -> str:
    """Minutes, seconds and hundredths, for a lap that is over.

    Examples
    --------
    >>> lap_time(56.866, BLOCKS), lap_time(119.996, BLOCKS), lap_time(None, BLOCKS)
    ('0:56.87', '2:00.00', '–')
    """
    if seconds is None or not math.isfinite(seconds):
        return glyphs.dash
    hundredths = round(seconds * 100)
    return f"{hundredths // 6000}:{hundredths % 6000 / 100:05.2f}"


def wrap(text: str, width: int, glyphs: Glyphs, first: int = 0, indent: int = 0) -> list[str]:
    """Break between words into lines of at most `width` cells; `first` and `indent` are the margins of the lines.

    Only a word longer than a whole line is cut, and marked.

    Examples
    --------
    >>> wrap("rear right falls behind", 11, BLOCKS, indent=1)
    ['rear right', ' falls', ' behind']
    """
    return list(_wrap(text, width, glyphs, first, indent))


@lru_cache(_REMEMBERED)
def _wrap(text: str, width: int, glyphs: Glyphs, first: int, indent: int) -> tuple[str, ...]:
    lines: list[str] = []
    current = ""
    for word in text.split():
        longer = f"{current} {word}" if current else " " * first + word
        if cell_len(longer) > width and current:
            lines.append(current)
            longer = " " * indent + word
        current = fit(longer, width, glyphs) if cell_len(longer) > width else longer
    return (*lines, current) if current else tuple(lines)


def pieces(*parts: str | tuple[str, Style]) -> Text:
    """A line from strings and styled strings; nothing in them is read as markup."""
    line = Text(no_wrap=True, end="")
    for part in parts:
        if isinstance(part, str):
            line.append(part)
        else:
            line.append(part[0], part[1])
    return line


def padded(line: Text, width: int) -> Text:
    """The line at exactly `width` cells."""
    length = line.cell_len
    if length < width:
        line.append(" " * (width - length))
    elif length > width:
        line.truncate(width, overflow="crop")
    return line


def title(words: str, width: int, glyphs: Glyphs, columns: str = "") -> Text:
    """A panel's heading: its name, a rule, and the column headings right-aligned."""
    rule = width - cell_len(words) - 1 - (cell_len(columns) + 1 if columns else 0)
    if rule < 1:
        columns, rule = "", max(0, width - cell_len(words) - 1)
    tail = f" {columns}" if columns else ""
    return padded(pieces((words, STRONG), " " + glyphs.rule * rule + tail), width)


def block(lines: Iterable[Text], width: int, height: int) -> list[Text]:
    """Exactly `height` lines of exactly `width` cells: blank lines added, those beyond left out."""
    kept = [padded(line, width) for line in lines][:height]
    return kept + [padded(pieces(), width) for _ in range(height - len(kept))]


def beside(columns: Sequence[Sequence[Text]], gap: int = 1) -> list[Text]:
    """Blocks of equal height side by side."""
    rows = []
    for parts in zip(*columns, strict=True):
        row = pieces()
        for place, part in enumerate(parts):
            if place:
                row.append(" " * gap)
            row.append_text(part)
        rows.append(row)
    return rows
