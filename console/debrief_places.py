"""Heights and bump-stop contacts over lap distance, and downforce against dynamic pressure: figures.

In: a `Stint`. Out: figures. Heights come from the stint's profile along the lap where the results have one; where not,
from the stretches in which a point was below its limit. Contacts are the hardest of each lap, as the results hold them.
"""

from __future__ import annotations

import itertools
import math

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from console.debrief_drawing import (
    BLACK,
    BLUE,
    CORNER_LOOKS,
    POINT_LOOKS,
    VERMILLION,
    Plot,
    blank,
    named,
    quiet_grid,
)
from console.debrief_laps import StopContact
from console.debrief_stint import Estimate, Stint
from console.debrief_values import known, numbers
from dsp.heights import PLACE_BINS
from ingest.chunk import CORNERS

# The hardest of them are what anyone looks for; each is a mark of a hundred bytes.
_MOST_CONTACTS = 1500
_NAME_SHOWN = 26
# Half of a 95 % interval in standard errors, for the few windows of one band.
_HALF_INTERVAL = 1.96


def along_lap(stint: Stint, name: str) -> Plot:
    """Lowest height of each point along the lap, and where bump stops were touched."""
    starts, profile = _profile(stint)
    stretched = {point: one.stretches for point, one in stint.points.items() if one.stretches}
    contacts = [one for lap in stint.laps for one in lap.contacts if math.isfinite(one.place_m)]
    contacts = sorted(contacts, key=_softness)[:_MOST_CONTACTS]
    if profile:
        heights = (
            "Lowest height of each point in each stretch of the lap, over the whole stint, mm above the road; the "
            "dashed line is its limit, and where it was broken the field below the line is hatched"
        )
    else:
        heights = (
            "Bars: stretches of the lap in which a point was below its limit in any lap; the number is the lowest "
            "height there, mm"
        )
    caption = (
        f"{heights}. Below: where each corner touched its bump stop (the hardest contacts of each lap), peak force of "
        "the stop in N; without a known force at 0."
    )
    missing = ""
    if not (profile or stretched or contacts):
        missing = "no point below its limit and no contact with a bump stop at a known distance"
    return Plot(
        name,
        "Heights and bump stops along the lap",
        caption,
        lambda: _draw(stint, starts, profile, stretched, contacts),
        missing,
    )


def _profile(stint: Stint) -> tuple[list[float], dict[str, list[float]]]:
    """Where stretches of the lap begin, m, and lowest heights there; nothing where these do not belong together."""
    starts = numbers(stint.along_lap, "from_m")
    rising = all(before < after for before, after in itertools.pairwise(starts))  # false where one is unknown
    if len(starts) < 2 or len(starts) > PLACE_BINS or not rising:
        return [], {}
    found = {point: numbers(stint.along_lap, "lowest_mm", point) for point in stint.points}
    return starts, {point: values for point, values in found.items() if known(values) and len(values) == len(starts)}


def _softness(contact: StopContact) -> tuple[float, float]:
    force = contact.peak_force_n if math.isfinite(contact.peak_force_n) else 0.0
    return -force, -contact.duration_s if math.isfinite(contact.duration_s) else 0.0


def _draw(
    stint: Stint,
    starts: list[float],
    profile: dict[str, list[float]],
    stretched: dict[str, tuple[tuple[float, float, float], ...]],
    contacts: list[StopContact],
) -> Figure:
    upper = [0.75] * len(profile) if profile else [0.35 + 0.3 * max(1, len(stretched))]
    ratios = [*upper, 1.3]
    figure = blank(0.8 + sum(ratios))
    panels: list[Axes] = list(figure.subplots(len(ratios), 1, sharex=True, height_ratios=ratios))
    if profile:
        for axes, (point, values) in zip(panels, profile.items(), strict=False):
            _height(axes, point, stint.points[point].limit_mm, starts, values)
    else:
        _stretches(panels[0], stretched)
    _contacts(panels[-1], contacts)
    ends = [*starts, *(one.place_m for one in contacts), *(to for found in stretched.values() for _, to, _ in found)]
    panels[-1].set_xlim(0.0, max([*known(ends), 1.0]) * 1.01)
    panels[-1].set_xlabel("distance from the lap's start, m")
    for axes in panels[:-1]:
        axes.tick_params(labelbottom=False)
    return figure


def _height(axes: Axes, point: str, limit_mm: float, starts: list[float], values: list[float]) -> None:
    edges = [*starts, 2.0 * starts[-1] - starts[-2]]
    axes.stairs(values, edges, baseline=None, color=BLUE, linewidth=0.9)
    top = max([*known(values), limit_mm if math.isfinite(limit_mm) else -math.inf])
    if math.isfinite(limit_mm):
        axes.axhline(limit_mm, color=BLACK, linestyle="--", linewidth=0.8)
        below = [value if value < limit_mm else limit_mm for value in values]  # an unknown height is not below
        axes.fill_between(
            edges,
            [*below, below[-1]],
            limit_mm,
            step="post",
            facecolor=VERMILLION,
            hatch="////",
            edgecolor="white",
            linewidth=0.0,
        )
    bottom = min([*known(values), limit_mm if math.isfinite(limit_mm) else math.inf])
    room = max(top - bottom, 1.0)
    axes.set_ylim(bottom - 0.08 * room, top + 0.5 * room)  # the name stands above the line
    axes.yaxis.set_major_locator(MaxNLocator(3))
    words = f"{named(point, _NAME_SHOWN)}, mm" + (f" (limit {limit_mm:g})" if math.isfinite(limit_mm) else "")
    axes.text(0.01, 0.98, words, transform=axes.transAxes, va="top", size=7)
    quiet_grid(axes, "x")


def _stretches(axes: Axes, stretched: dict[str, tuple[tuple[float, float, float], ...]]) -> None:
    if not stretched:
        axes.text(0.5, 0.5, "no point below its limit", ha="center", va="center", transform=axes.transAxes)
    for row, ((point, found), (colour, _, _)) in enumerate(zip(stretched.items(), POINT_LOOKS, strict=False)):
        for start, stop, lowest in found[:200]:
            axes.barh(
                row + 0.2, stop - start, 0.36, start, color=colour, hatch="////", edgecolor="white", linewidth=0.0
            )
            axes.text((start + stop) / 2.0, row + 0.2, f"{lowest:.1f}", ha="center", va="center", size=6.5)
        axes.text(0.01, row - 0.2, named(point, _NAME_SHOWN), transform=axes.get_yaxis_transform(), va="center", size=7)
    axes.set_ylim(max(1, len(stretched)) - 0.5, -0.5)
    axes.set_yticks([])
    quiet_grid(axes, "x")


def _contacts(axes: Axes, contacts: list[StopContact]) -> None:
    for place, (corner, (colour, marker, _)) in enumerate(zip(CORNERS, CORNER_LOOKS, strict=True)):
        mine = [one for one in contacts if one.corner == place]
        axes.plot(
            [one.place_m for one in mine],
            [one.peak_force_n if math.isfinite(one.peak_force_n) else 0.0 for one in mine],
            color=colour,
            marker=marker,
            markersize=3.2,
            linestyle="none",
            markerfacecolor="none",
            label=corner,
        )
    if not contacts:
        axes.text(0.5, 0.5, "no contact with a bump stop", ha="center", va="center", transform=axes.transAxes)
    forces = known(one.peak_force_n for one in contacts)
    axes.set_ylim(-0.04 * max([*forces, 1.0]), 1.35 * max([*forces, 1.0]))
    axes.set_ylabel("bump stop, N")
    axes.yaxis.set_major_locator(MaxNLocator(4))
    axes.legend(loc="upper right", ncols=4, handletextpad=0.1, columnspacing=0.8, borderpad=0.1)
    quiet_grid(axes, "x")


def downforce(stint: Stint, name: str) -> Plot:
    """Load of each axle beyond its static one, against dynamic pressure."""
    air = stint.air
    rows = [band for band in air.bands if math.isfinite(band[0]) and known((band[1], band[3]))]
    missing = "" if rows else air.reason or "no steady stretch of running"
    caption = (
        "Load of each axle beyond its static one in steady running, by bands of speed; bars are 95 % intervals of a "
        "band, lines the fit over all of them. Its slope is C_z A; where it meets no pressure it should be near 0 N, "
        "or a zero or the car's mass in the sheet is wrong."
    )

    def draw() -> Figure:
        figure = blank(2.6)
        axes = figure.add_subplot()
        furthest = max(band[0] for band in rows)
        fits = ((air.front_m2, air.standstill_n[0]), (air.rear_m2, air.standstill_n[1]))
        for axle, (words, colour, marker, line) in enumerate(
            (("front", BLUE, "o", "-"), ("rear", VERMILLION, "s", "--"))
        ):
            values = [band[1 + 2 * axle] for band in rows]
            errors = [_HALF_INTERVAL * band[2 + 2 * axle] for band in rows]
            errors = [error if error > 0.0 else 0.0 for error in errors]
            axes.errorbar(
                [band[0] for band in rows],
                values,
                yerr=errors,
                color=colour,
                marker=marker,
                linestyle="none",
                capsize=2.0,
                elinewidth=0.8,
                label=f"{words}, by speed",
            )
            _fit(axes, *fits[axle], furthest, colour, line, words)
        axes.axhline(0.0, color=BLACK, linewidth=0.5)
        if stint.beside is not None:
            loads = known(load for band in stint.beside.air.bands for load in (band[1], band[3]))
            axes.update_datalim([(0.0, load) for load in loads])
            axes.autoscale_view(scalex=False)
        axes.set_xlim(0.0, 1.05 * max(furthest, 1.0))
        axes.set_xlabel("dynamic pressure, Pa")
        axes.set_ylabel("load beyond static, N")
        quiet_grid(axes)
        figure.legend(loc="outside lower center", ncols=2)
        return figure

    return Plot(name, "Downforce", caption, draw, missing)


def _fit(axes: Axes, area: Estimate, offset: Estimate, furthest: float, colour: str, line: str, words: str) -> None:
    if math.isfinite(area.value) and math.isfinite(offset.value):
        ends = [0.0, furthest]
        axes.plot(
            ends,
            [offset.value + area.value * end for end in ends],
            color=colour,
            linestyle=line,
            label=f"{words}: {area.value:.2f} m²",
        )
