"""One axle as a mirrored pyramid: velocity bands down the middle, left corner to the left, right to the right.

In: two corners' velocity counts over the last seconds and over the stint. Out: lines of text. Rebound stands above
0, compression below, the fastest bands outermost. A bar is the movement done in a band: mm of damper travel for
each second of known time, in the rolling window; its tick is the same over the stint. Time alone would leave fast
bands too short to compare; movement fills them, and a direction's bars add up to what the left/right alert
compares. Equal corners give mirror images. Never raises on missing counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from rich.style import Style
from rich.text import Text

from console.paint import (
    BEYOND,
    HIGH_SPEED,
    LIMIT,
    LOW_SPEED,
    STRONG,
    Glyphs,
    fit,
    number,
    padded,
    pieces,
    safe,
    title,
)
from console.view import BoardView, CornerView
from dsp.statistics import SHARE_NAMES, VELOCITY_BINS
from ingest.chunk import AXLE_CORNERS, Ints

_ZERO_BIN = 1 + round(-VELOCITY_BINS.lowest / VELOCITY_BINS.width)
_FASTEST_MM_S = -VELOCITY_BINS.lowest
# Limits of bands as multiples of the low-speed limit, for each number of bands in one direction. They widen
# outwards because fast motion is rare; 1 is always among them, so the low-speed limit is a band's edge.
_MULTIPLES = {2: (1.0,), 3: (1.0, 3.0), 4: (0.5, 1.0, 3.0), 5: (0.5, 1.0, 2.0, 4.0), 6: (0.5, 1.0, 2.0, 4.0, 6.0)}
# Ways to use the rows there are, best first: bands in one direction, rows a band, rules at the low-speed limits.
_FORMS = ((6, 2, True), (5, 2, True), (6, 1, True), (5, 1, True), (4, 1, True), (4, 1, False), (3, 1, False))
_SMALLEST_FORM = (2, 1, False)
_WIDE = 54  # cells from which there is room for whole sentences
_TABLE_WIDE, _WITH_RMS = 59, 69  # cells that the footer's table of shares needs, without and with its last column
# Ends of the scale, mm/s: few enough that the scale stays put.
_SCALES = (1, 2, 3, 4, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100, 150, 200, 300, 500, 1000, 1500)
# Speed of every counter: the bins' middles; under- and overflow stand at the outermost edges.
_SPEEDS = np.abs(np.concatenate(([VELOCITY_BINS.lowest], VELOCITY_BINS.centres, [-VELOCITY_BINS.lowest])))
_NUMBER_WIDTH = 4


@dataclass(frozen=True)
class Band:
    """Speeds from `low` to `high` mm/s (infinite for the outermost) in one direction."""

    low: int
    high: float
    compression: bool
    is_high_speed: bool

    @property
    def label(self) -> str:
        """Its limits, and HS or LS for high-speed or low-speed."""
        limits = f">{self.low}" if math.isinf(self.high) else f"{self.low}-{self.high:.0f}"
        return f"{'HS' if self.is_high_speed else 'LS'} {limits}"

    def movement(self, counts: Ints) -> float:
        """Damper travel in the band, mm for each second of known time; NaN when nothing was counted.

        Parameters
        ----------
        counts : array of shape (VELOCITY_BINS.size,)
            Velocity counts of one corner.
        """
        total = int(counts.sum())
        if total == 0:
            return math.nan
        high = VELOCITY_BINS.size if math.isinf(self.high) else int(self.high)
        if self.compression:
            part = slice(_ZERO_BIN + self.low, min(_ZERO_BIN + high, VELOCITY_BINS.size))
        else:
            part = slice(max(0, _ZERO_BIN - high), _ZERO_BIN - self.low)
        return float(np.dot(counts[part], _SPEEDS[part])) / total


def bands(limit_mm_s: int, wanted: int, *, compression: bool) -> list[Band]:
    """Up to `wanted` bands of one direction, slowest first.

    Examples
    --------
    >>> [band.label for band in bands(50, 5, compression=True)]
    ['LS 0-25', 'LS 25-50', 'HS 50-100', 'HS 100-200', 'HS >200']
    """
    inner = {round(limit_mm_s * multiple) for multiple in _MULTIPLES[wanted]}
    lows = [0, *sorted(edge for edge in inner if 0 < edge < _FASTEST_MM_S)]
    highs = [*(float(low) for low in lows[1:]), math.inf]
    return [Band(low, high, compression, low >= limit_mm_s) for low, high in zip(lows, highs, strict=True)]


def scale_mm_s(view: BoardView, wanted: int) -> int:
    """End of the bars' scale, the same for both axles: above the stint's largest movement in any band shown."""
    found = [band.movement(corner.stint_counts) for corner in view.corners for band in _both(view, wanted)]
    largest = max((value for value in found if not math.isnan(value)), default=0.0)
    # A quarter more, since the last seconds stray from the stint.
    return next((scale for scale in _SCALES if scale >= 1.25 * largest), _SCALES[-1])


def bar(value: float, tick: float, scale: int, cells: int, glyphs: Glyphs, *, leftward: bool, style: Style) -> Text:
    """One bar of `cells` cells that starts at the middle and grows outwards, with its tick; NaN draws nothing."""
    halves = 0 if math.isnan(value) else min(2 * cells, round(2 * cells * value / scale))
    if not glyphs.has_halves:
        halves = 2 * ((halves + 1) // 2)
    marks = [(glyphs.full, style)] * (halves // 2)
    if halves % 2:
        marks.append((glyphs.right_half if leftward else glyphs.left_half, style))
    marks += [(" ", Style())] * (cells - len(marks))
    if not math.isnan(tick):
        place = min(cells - 1, int(cells * tick / scale))
        inside = marks[place][0] == glyphs.full
        marks[place] = (glyphs.tick, style + Style(reverse=True) if inside else LIMIT)
    return pieces(*(reversed(marks) if leftward else marks))


def pyramid(view: BoardView, axle: str, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The panel of one axle ("front" or "rear"), at most `height` lines of `width` cells."""
    left, right = (view.corners[corner] for corner in AXLE_CORNERS[axle])
    footer = _footer(view, axle, left, right, width, glyphs)
    form = next((f for f in _FORMS if _rows(f) + 1 + len(footer) <= height), _SMALLEST_FORM)
    wanted, thickness, ruled = form
    rebound = bands(view.low_speed_rebound_mm_s, wanted, compression=False)
    compression = bands(view.low_speed_compression_mm_s, wanted, compression=True)
    label = max(len(band.label) for band in _both(view, wanted)) + 2
    cells = (width - label - 2 * (_NUMBER_WIDTH + 1)) // 2
    scale = scale_mm_s(view, wanted)
    lines = [_heading(view, axle, width, glyphs, scale)]
    for band in reversed(rebound):
        lines += _band(band, left, right, (cells, label), scale, thickness, glyphs)
        if ruled and band.low == view.low_speed_rebound_mm_s:
            lines.append(_limit_rule(band.low, width, glyphs))
    lines.append(_zero(left.name, right.name, width, glyphs))
    for band in compression:
        if ruled and band.low == view.low_speed_compression_mm_s:
            lines.append(_limit_rule(band.low, width, glyphs))
        lines += _band(band, left, right, (cells, label), scale, thickness, glyphs)
    return lines + footer


def _both(view: BoardView, wanted: int) -> list[Band]:
    return [
        *bands(view.low_speed_rebound_mm_s, wanted, compression=False),
        *bands(view.low_speed_compression_mm_s, wanted, compression=True),
    ]


def _rows(form: tuple[int, int, bool]) -> int:
    wanted, thickness, ruled = form
    return 2 * wanted * thickness + 1 + 2 * ruled


def _heading(view: BoardView, axle: str, width: int, glyphs: Glyphs, scale: int) -> Text:
    seconds = f"{view.window_s:.0f} s"
    basis = f"last {seconds}, {glyphs.tick} stint"
    words = axle.upper()
    choices = (
        f"mm moved/s: bar {basis}, full bar {scale}",
        f"mm moved/s: {basis}, full bar {scale}",
        f"mm moved/s, {basis}",
        "mm moved/s",
    )
    # A heading has two blanks and at least one cell of rule.
    chosen = next((choice for choice in choices if len(words) + len(choice) + 3 <= width), "")
    return title(words, width, glyphs, chosen)


def _band(
    band: Band, left: CornerView, right: CornerView, places: tuple[int, int], scale: int, rows: int, glyphs: Glyphs
) -> list[Text]:
    cells, label = places
    style = HIGH_SPEED if band.is_high_speed else LOW_SPEED
    recent = [band.movement(corner.recent_counts) for corner in (left, right)]
    ticks = [band.movement(corner.stint_counts) for corner in (left, right)]
    numbers = [number(value, _NUMBER_WIDTH, 1, glyphs) for value in recent]
    lines = []
    for row in range(rows):
        # A band two rows thick has its words in the row nearer to 0 for neither side: the first one.
        first = row == 0
        middle = band.label.center(label) if first else " " * label
        line = pieces(f"{numbers[0]} " if first else " " * (_NUMBER_WIDTH + 1))
        line.append_text(bar(recent[0], ticks[0], scale, cells, glyphs, leftward=True, style=style))
        line.append(middle)
        line.append_text(bar(recent[1], ticks[1], scale, cells, glyphs, leftward=False, style=style))
        line.append(f" {numbers[1]}" if first else "")
        lines.append(line)
    return lines


def _zero(left: str, right: str, width: int, glyphs: Glyphs) -> Text:
    """The line of standstill, with the corners' names and which way is which."""
    up, down = ("rebound above", "compression below") if width >= _WIDE else ("rebound", "compression")
    middle = f" {up} 0 {down} "
    # The 0 stands in the middle of the panel, whatever the words beside it.
    before = width // 2 - len(f" {up} ")
    line = pieces((left, STRONG), " " + glyphs.rule * (before - len(left) - 1), middle)
    rest = width - line.cell_len - len(right) - 1
    line.append(glyphs.rule * rest + " ")
    line.append(right, STRONG)
    return line


def _limit_rule(limit_mm_s: int, width: int, glyphs: Glyphs) -> Text:
    words = f" low-speed limit {limit_mm_s} mm/s "
    side = max(0, width - len(words))
    return pieces((glyphs.rule * (side // 2) + words + glyphs.rule * (side - side // 2), LIMIT))


def _footer(view: BoardView, axle: str, left: CornerView, right: CornerView, width: int, glyphs: Glyphs) -> list[Text]:
    if width < _TABLE_WIDE:
        sides = [f"{safe(c.name)} RMS {number(c.rms_mm_s, 4, 0, glyphs)} mm/s" for c in (left, right)]
        names = padded(pieces(sides[0] + " " * max(1, width - len(sides[0]) - len(sides[1])) + sides[1]), width)
        return [names, *_asymmetry(view, axle, width, glyphs)]
    heads = ("HS rebound", "LS rebound", "LS compression", "HS compression")
    with_rms = width >= _WITH_RMS
    head = "stint %" + "".join(f" {h:>{len(h)}}" for h in heads) + ("  RMS mm/s" if with_rms else "")
    lines = [pieces(head)]
    for corner in (left, right):
        line = pieces((f"{safe(corner.name):<7}", STRONG))
        for name, words in zip(SHARE_NAMES, heads, strict=True):
            line.append(" " + number(100.0 * corner.shares.get(name, math.nan), len(words), 1, glyphs))
        if with_rms:
            line.append(number(corner.rms_mm_s, 10, 0, glyphs))
        lines.append(line)
    return lines + _asymmetry(view, axle, width, glyphs)


def _asymmetry(view: BoardView, axle: str, width: int, glyphs: Glyphs) -> list[Text]:
    """Left against right, both directions, with the word and reverse video where the left/right rule finds too much."""
    found = view.asymmetry
    basis = safe(found.basis, glyphs) + (" less reference" if found.beyond_reference else "")
    numbers = pieces()
    faster = []
    for direction in ("compression", "rebound"):
        place = f"{axle} {direction}"
        percent = found.percent.get(place, math.nan)
        beyond = place in found.beyond
        numbers.append(f"{direction} ")
        numbers.append(number(percent, 4, 0, glyphs, sign=True) + " %", BEYOND if beyond else Style())
        numbers.append("  ")
        if beyond:
            faster.append(found.beyond[place])
    named = " ".join(dict.fromkeys(corner for corner in faster if corner))
    word = f"{named} FAST" if named else "UNLIKE" if faster else ""
    room = width - numbers.cell_len - len(word)
    # What both axles have alike is the circuit's: without these words the numbers would not be understood.
    heads = [f"left/right less circuit, {basis}: ", f"less circuit, {basis}: ", "less circuit: "]
    if found.beyond_reference or width < _WIDE:
        heads = []
    head = next((h for h in heads if len(h) <= room), None)
    if head is not None:
        line = pieces(head)
        line.append_text(numbers)
        line.append(word, BEYOND)
        return [line]
    limit = f"{glyphs.plus_minus}{found.limit_percent:g} %"
    room = width - len(word) - 1
    less = "" if found.beyond_reference else " less circuit"
    choices = [f"left/right{less}, {basis}, limit {limit}", f"{basis}{less}, limit {limit}"]
    # Numbers less a reference and their narrower limit would be misread without these words; the lap can do without.
    if found.beyond_reference:
        choices += [f"less reference, limit {limit}", f"less ref. {limit}"]
    else:
        choices += [f"{basis}{less}", less.strip()]
    words = next((c for c in choices if len(c) <= room), "left/right")
    return [pieces(fit(words, room, glyphs) + " ", (word, BEYOND)), numbers]
