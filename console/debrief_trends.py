"""What changed from lap to lap, and how each damper's time divides: figures.

In: a `Stint`. Out: figures of velocity RMS, high-speed shares, the platform's margin and time on bump stops per lap,
and the stint's time shares. A lap whose number is not known leaves a gap in its line; laps that are not timed have
hollow markers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator

from console.debrief_drawing import (
    BLACK,
    BLUISH_GREEN,
    CORNER_LOOKS,
    POINT_LOOKS,
    SKY_BLUE,
    Plot,
    blank,
    named,
    quiet_grid,
)
from console.debrief_laps import Lap
from console.debrief_stint import Stint
from console.debrief_values import DASH, known
from dsp.statistics import SHARE_NAMES
from ingest.chunk import CORNERS

# With more laps markers run into each other.
_MOST_MARKERS = 60
_HOLLOW = "Hollow markers: laps that are not timed (out, in, cut short)."
_NO_LAPS = "no lap was finished"
_REBOUND_HIGH, _REBOUND_LOW, _COMPRESSION_LOW, _COMPRESSION_HIGH = range(len(SHARE_NAMES))
_SHARE_LOOKS = ((BLUISH_GREEN, "////"), (SKY_BLUE, ""), ("#BFE0F5", ""), ("#7FCEB9", "\\\\\\\\"))
_SHARE_WORDS = ("rebound high-speed", "rebound low-speed", "compression low-speed", "compression high-speed")


def velocity_trend(stint: Stint, name: str) -> Plot:
    """Velocity RMS of each corner per lap."""
    series, scale = _both(stint, lambda lap, place: lap.corners[place].rms_mm_s)
    caption = f"RMS of damper velocity of each corner in each lap, mm/s. {_HOLLOW}"
    return Plot(
        name,
        "Velocity RMS per lap",
        caption,
        lambda: _corner_trend(stint.laps, series, scale, "velocity RMS, mm/s"),
        _missing(stint, series),
    )


def share_trend(stint: Stint, name: str) -> Plot:
    """Share of the time at high speed, per lap."""
    kinds = (("compression", _COMPRESSION_HIGH), ("rebound", _REBOUND_HIGH))
    series = {way: _both(stint, partial(_share, kind=kind)) for way, kind in kinds}
    caption = f"Share of the time that each damper spends at high speed, in each direction, %. {_HOLLOW}"

    def draw() -> Figure:
        figure = blank(3.2)
        upper = figure.add_subplot(2, 1, 1)
        lower = figure.add_subplot(2, 1, 2, sharex=upper)
        for axes, (way, (found, scale)) in zip((upper, lower), series.items(), strict=True):
            _corner_lines(axes, stint.laps, found, scale)
            axes.set_ylabel(f"{way}, %")
        _lap_axis(lower, stint.laps)
        upper.tick_params(labelbottom=False)
        _legend_below(figure, upper)
        return figure

    every = [one for found, _ in series.values() for one in found]
    return Plot(name, "High-speed share of the time per lap", caption, draw, _missing(stint, every))


def platform_trend(stint: Stint, name: str) -> Plot:
    """How far each point of the platform stayed above its limit, per lap."""
    points = list(stint.points)
    series = _margins(stint, points)
    scale = known(value for one in _margins(stint.beside, points) for value in one)
    caption = (
        f"Lowest height of each point in each lap less the point's limit, mm: below the thick line the limit was "
        f"broken. {_HOLLOW}"
    )

    def draw() -> Figure:
        rows = math.ceil(len(points) / 2)
        figure = blank(2.2 + 0.15 * rows)
        axes = figure.add_subplot()
        axes.axhline(0.0, color=BLACK, linewidth=1.4)
        for (colour, marker, line), point, values in zip(POINT_LOOKS, points, series, strict=False):
            _line(axes, stint.laps, values, colour, marker, line, named(point, 24))
        _reach(axes, scale)
        _lap_axis(axes, stint.laps)
        axes.set_ylabel("lowest less limit, mm")
        quiet_grid(axes, "y")
        figure.legend(loc="outside lower center", ncols=2)
        return figure

    missing = _missing(stint, series)
    if not points:
        missing = "the car sheet names no point of the platform"
    return Plot(name, "Platform minimum per lap", caption, draw, missing)


def stop_trend(stint: Stint, name: str) -> Plot:
    """Time on the bump stops, per lap."""
    series, scale = _both(stint, lambda lap, place: lap.corners[place].contact_s)
    caption = f"Time that each corner spent on its bump stop in each lap, s. {_HOLLOW}"
    return Plot(
        name,
        "Time on bump stops per lap",
        caption,
        lambda: _corner_trend(stint.laps, series, [*scale, 0.0, 0.1], "time on bump stop, s"),
        _missing(stint, series),
    )


def shares(stint: Stint, name: str) -> Plot:
    """How each damper's time divides over the stint."""
    found = [stint.corners[corner].shares for corner in CORNERS]
    missing = "" if any(known(one) for one in found) else "no time shares in these results"
    caption = (
        "How the time of each damper divides, in % of its running time: from the left high-speed rebound, low-speed "
        "rebound, low-speed compression, high-speed compression; the black line is where rebound ends."
    )

    def draw() -> Figure:
        figure = blank(2.0)
        axes = figure.add_subplot()
        for row, (corner, values) in enumerate(zip(CORNERS, found, strict=True)):
            if len(known(values)) < len(values):
                axes.text(1.0, row, f"{DASH} {corner}: not known", va="center")
                continue
            left = 0.0
            for value, (colour, hatch) in zip(values, _SHARE_LOOKS, strict=True):
                width = 100.0 * value
                axes.barh(
                    row,
                    width,
                    0.7,
                    left,
                    color=colour,
                    hatch=hatch,
                    edgecolor="white",
                    linewidth=0.0,
                )
                # Narrower fields have no room for a number; the table beside has them all.
                if width >= (9.0 if hatch else 4.0):
                    box = {"facecolor": "white", "edgecolor": "none", "pad": 0.8} if hatch else None
                    axes.text(left + width / 2.0, row, f"{width:.1f}", ha="center", va="center", size=7, bbox=box)
                left += width
            ends = 100.0 * sum(values[:2])
            axes.plot([ends, ends], [row - 0.35, row + 0.35], color=BLACK, linewidth=1.4)
        axes.set_ylim(len(CORNERS) - 0.5, -0.5)
        axes.set_xlim(0.0, 100.0)
        axes.set_yticks(range(len(CORNERS)), CORNERS)
        axes.set_xlabel("share of the time, %")
        keys = [
            Patch(facecolor=colour, hatch=hatch, edgecolor="white", label=words)
            for (colour, hatch), words in zip(_SHARE_LOOKS, _SHARE_WORDS, strict=True)
        ]
        figure.legend(handles=keys, loc="outside lower center", ncols=2)
        return figure

    return Plot(name, "Time shares", caption, draw, missing)


def _missing(stint: Stint, series: Sequence[Sequence[float]]) -> str:
    if not stint.laps:
        return _NO_LAPS
    return "" if any(known(one) for one in series) else "not known in any finished lap"


def _both(stint: Stint, take: Callable[[Lap, int], float]) -> tuple[list[list[float]], list[float]]:
    """A number of each lap for each corner; and those of the stint beside this one, which the scale must hold too."""
    series = [[take(lap, place) for lap in stint.laps] for place in range(len(CORNERS))]
    laps = [] if stint.beside is None else stint.beside.laps
    return series, known(take(lap, place) for lap in laps for place in range(len(CORNERS)))


def _share(lap: Lap, place: int, kind: int) -> float:
    return 100.0 * lap.corners[place].shares[kind]


def _margins(stint: Stint | None, points: list[str]) -> list[list[float]]:
    """Lowest height less the limit of each point, mm, in each lap; NaN where it is not known."""
    laps = [] if stint is None else stint.laps
    return [
        [lap.points[point].lowest_mm - lap.points[point].limit_mm if point in lap.points else math.nan for lap in laps]
        for point in points
    ]


def _reach(axes: Axes, values: Sequence[float]) -> None:
    """Make the scale hold these values, without drawing them."""
    if values:
        axes.update_datalim([(0.0, min(values)), (0.0, max(values))])
        axes.autoscale_view(scalex=False)


def _corner_trend(laps: list[Lap], series: list[list[float]], scale: list[float], label: str) -> Figure:
    figure = blank(2.3)
    axes = figure.add_subplot()
    _corner_lines(axes, laps, series, scale)
    _lap_axis(axes, laps)
    axes.set_ylabel(label)
    _legend_below(figure, axes)
    return figure


def _legend_below(figure: Figure, axes: Axes) -> None:
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=4)


def _corner_lines(axes: Axes, laps: list[Lap], series: Sequence[Sequence[float]], scale: Sequence[float]) -> None:
    for (colour, marker, line), corner, values in zip(CORNER_LOOKS, CORNERS, series, strict=True):
        _line(axes, laps, values, colour, marker, line, corner)
    _reach(axes, scale)
    quiet_grid(axes, "y")


def _line(
    axes: Axes, laps: list[Lap], values: Sequence[float], colour: str, marker: str, line: str, label: str
) -> None:
    every = max(1, math.ceil(len(laps) / _MOST_MARKERS))
    axes.plot(range(len(laps)), values, color=colour, linestyle=line, marker=marker, markevery=every, label=label)
    hollow = [place for place, lap in enumerate(laps) if lap.kind != "timed" and place % every == 0]
    if marker != "x":
        axes.plot(
            hollow,
            [values[place] for place in hollow],
            color=colour,
            linestyle="none",
            marker=marker,
            markerfacecolor="white",
        )


def _lap_axis(axes: Axes, laps: list[Lap]) -> None:
    axes.set_xlim(-0.4, len(laps) - 0.6)
    axes.xaxis.set_major_locator(MaxNLocator(10, integer=True))
    names = [named(lap.name, 5) for lap in laps]
    axes.xaxis.set_major_formatter(
        FuncFormatter(lambda value, _: names[round(value)] if 0 <= round(value) < len(names) else "")
    )
    axes.set_xlabel("lap")
