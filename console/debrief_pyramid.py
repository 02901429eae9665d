"""One axle as a mirrored pyramid: velocity bands down the middle, the left corner to the left, the right to the right.

In: two corners' velocity histograms, and another stint's where there is one. Out: a figure. A bar is the movement done
in a band, mm of damper travel for each second of running, as on the board; the black tick is the other stint's. Equal
corners give mirror images. A corner without counts has no bars and says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure

from console.debrief_drawing import BLACK, BLUISH_GREEN, SKY_BLUE, Plot, blank
from console.debrief_stint import Corner, Stint
from console.debrief_values import known
from ingest.chunk import CORNERS

# Limits of bands as multiples of the low-speed limit, and that limit where the results do not tell it.
_MULTIPLES = (0.5, 1.0, 2.0, 4.0)
_USUAL_LIMIT_MM_S = 50.0
_HIGH, _LOW = (BLUISH_GREEN, "////"), (SKY_BLUE, "")
_MIDDLE = 0.24  # of the scale: room for the bands' names on each side of the centre


@dataclass(frozen=True)
class Band:
    """Speeds from `low` to `high` mm/s, the outermost without end; `is_high_speed` beyond the sheet's limit."""

    low: float
    high: float
    compression: bool
    is_high_speed: bool

    @property
    def label(self) -> str:
        """Its limits in mm/s."""
        return f"> {self.low:g}" if math.isinf(self.high) else f"{self.low:g}–{self.high:g}"

    def movement(self, corner: Corner) -> float:
        """Travel in the band, mm for each second that counted; NaN when nothing was counted."""
        counts, edges = corner.counts, corner.edges_mm_s
        every = float(counts.sum()) + sum(corner.beyond)
        if every <= 0.0:
            return math.nan
        centres = (edges[1:] + edges[:-1]) / 2.0
        speeds = centres if self.compression else -centres
        inside = (speeds > self.low) & (speeds < self.high)
        moved = float(np.sum(counts[inside] * speeds[inside]))
        if math.isinf(self.high):  # what lay outside the histogram moved at least as fast as its edge
            below, above = corner.beyond
            moved += above * max(0.0, float(edges[-1])) if self.compression else below * max(0.0, -float(edges[0]))
        return moved / every


def bands(limit_mm_s: float, bin_mm_s: float, *, compression: bool) -> list[Band]:
    """Bands of one direction, slowest first; their limits lie on edges of the histogram.

    Examples
    --------
    >>> [band.label for band in bands(50.0, 10.0, compression=True)]
    ['0–20', '20–50', '50–100', '100–200', '> 200']
    """
    told = limit_mm_s if math.isfinite(limit_mm_s) and limit_mm_s > 0.0 else _USUAL_LIMIT_MM_S
    steps = {round(told * multiple / bin_mm_s) for multiple in _MULTIPLES}
    lows = [0.0, *(step * bin_mm_s for step in sorted(steps) if step > 0)]
    highs = [*lows[1:], math.inf]
    # The sheet's limit need not be an edge; a band is high-speed when most of its speeds are.
    edge = round(told / bin_mm_s) * bin_mm_s
    return [Band(low, high, compression, low >= edge) for low, high in zip(lows, highs, strict=True)]


def rows_of(stint: Stint, corners: tuple[Corner, Corner]) -> list[Band]:
    """Bands from the top: the fastest rebound first, the fastest compression last; empty without a histogram."""
    edges = next((one.edges_mm_s for one in corners if len(one.edges_mm_s)), None)
    if edges is None:
        return []
    width = float(edges[1] - edges[0])
    rebound, compression = (
        bands(limit, width, compression=way) for limit, way in zip(stint.limits_mm_s, (False, True), strict=True)
    )
    return [*reversed(rebound), *compression]


def pyramid(stint: Stint, axle: int, name: str, other: Stint | None, other_name: str) -> Plot:
    """The pyramid of axle 0 (front) or 1 (rear)."""
    pair = CORNERS[2 * axle : 2 * axle + 2]
    corners = stint.corners[pair[0]], stint.corners[pair[1]]
    others = None if other is None else (other.corners[pair[0]], other.corners[pair[1]])
    rows = rows_of(stint, corners)
    limits = " and ".join(
        f"{limit:g} mm/s ({way})"
        for limit, way in zip(stint.limits_mm_s, ("rebound", "compression"), strict=True)
        if math.isfinite(limit)
    )
    divided = (
        f"Hatched green bands are high-speed, beyond {limits}, plain blue ones low-speed"
        if limits
        else "These results do not tell where low speed ends: the division at 50 mm/s is this figure's own"
    )
    caption = (
        f"{pair[0]} to the left, {pair[1]} to the right; velocity bands in mm/s down the middle, rebound above, "
        f"compression below. A bar is the movement in its band: mm of damper travel for each second of running. "
        f"{divided}."
    )
    if others is not None:
        caption += f" Black ticks: {other_name}."
    missing = "" if any(one.counts.sum() > 0 for one in corners) else "no velocity histogram in these results"
    title = f"Velocity pyramid, {'front' if axle == 0 else 'rear'} axle"
    return Plot(name, title, caption, lambda: _draw(rows, pair, corners, others), missing)


def _draw(
    rows: list[Band], pair: tuple[str, ...], corners: tuple[Corner, Corner], others: tuple[Corner, Corner] | None
) -> Figure:
    figure = blank(0.8 + 0.25 * len(rows))
    axes = figure.add_subplot()
    values = [[band.movement(corner) for band in rows] for corner in corners]
    marks = [] if others is None else [[band.movement(corner) for band in rows] for corner in others]
    scale = max([*known(value for side in (*values, *marks) for value in side), 0.1])
    gap = _MIDDLE * scale
    for side, (sign, found) in enumerate(zip((-1.0, 1.0), values, strict=True)):
        for row, (band, value) in enumerate(zip(rows, found, strict=True)):
            colour, hatch = _HIGH if band.is_high_speed else _LOW
            if math.isfinite(value):
                left = gap if sign > 0 else -gap - value
                axes.barh(row, value, 0.78, left, color=colour, hatch=hatch, edgecolor="white", linewidth=0.0)
            reference = marks[side][row] if marks else math.nan
            if math.isfinite(reference):
                place = sign * (gap + reference)
                axes.plot([place, place], [row - 0.44, row + 0.44], color=BLACK, linewidth=1.8, solid_capstyle="butt")
            # A mark beyond the bar's end has its number beyond it too.
            end = max(known((value, reference)), default=0.0)
            words = f"{value:.1f}" if math.isfinite(value) else "–"
            axes.text(
                sign * (gap + end + 0.03 * scale), row, words, va="center", ha="left" if sign > 0 else "right", size=7
            )
        if not known(found):
            axes.text(sign * (gap + scale / 2.0), len(rows) / 2.0 - 0.5, "no counts", ha="center", va="center")
    for row, band in enumerate(rows):
        axes.text(0.0, row, band.label, va="center", ha="center", size=7)
    middle = len([band for band in rows if not band.compression]) - 0.5
    axes.axhline(middle, color=BLACK, linewidth=0.6)
    reach = gap + 1.22 * scale
    axes.set_xlim(-reach, reach)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    for place, align, corner in ((-reach, "left", pair[0]), (reach, "right", pair[1])):
        axes.text(place, -0.35, corner, ha=align, va="center", size=11, weight="bold")
    for height, words in ((0.55, "rebound"), (len(rows) - 0.75, "compression")):
        axes.text(-reach, height, words, ha="left", va="center", size=7, style="italic")
    axes.set_yticks([])
    step = _step(scale)
    ticks = [step * number for number in range(int(scale / step) + 1)]
    axes.set_xticks([*(-gap - tick for tick in reversed(ticks)), *(gap + tick for tick in ticks)])
    axes.set_xticklabels([f"{tick:g}" for tick in (*reversed(ticks), *ticks)])
    axes.set_xlabel("movement, mm of travel per second")
    axes.spines["left"].set_visible(False)
    return figure


def _step(scale: float) -> float:
    """A round step that gives two to five ticks."""
    power = 10.0 ** math.floor(math.log10(scale))
    return next(power * part for part in (0.2, 0.5, 1.0, 2.0, 5.0) if scale / (power * part) < 4.0)
