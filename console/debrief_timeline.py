"""The alerts on a time line, and the announcements of each ten minutes against their budget.

In: a `Stint`. Out: figures. A row an alarm, most urgent first: a bar while its condition held, hatched by priority;
marks where people were told and where somebody acknowledged. Time is sample time from the first sample.
"""

from __future__ import annotations

import math

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from console.debrief_alarms import BUDGET_IN_TEN_MINUTES, FLOOD_ABOVE, Alarm
from console.debrief_drawing import BLACK, PRIORITY_LOOKS, SKY_BLUE, VERMILLION, Plot, blank, named, quiet_grid
from console.debrief_stint import Stint
from console.debrief_values import known

# A row needs a fifth of an inch; with more of them the figure would not fit a page.
_MOST_ROWS = 30
_MOST_LAP_NAMES = 12
# More bars of one alarm than this can't be told apart on paper.
_MOST_BARS = 400
_MINUTE_S = 60.0
_OTHER = ("#999999", "xx")


def timeline(stint: Stint, name: str) -> Plot:
    """All alarms over the stint."""
    rows = stint.alarms[:_MOST_ROWS]
    caption = (
        "A bar while the condition held, dark marks where people were told (triangle) and where somebody acknowledged "
        "(circle); a thin grey line while the alarm was silenced. Most urgent first; grey fields are every second lap."
    )
    if len(stint.alarms) > len(rows):
        caption += f" {len(stint.alarms) - len(rows)} further alarms of lower rank are not drawn."
    missing = "" if rows else "no alarm changed its state in this stint"
    return Plot(name, "Alerts on a time line", caption, lambda: _draw(stint, rows), missing)


def _draw(stint: Stint, rows: list[Alarm]) -> Figure:
    figure = blank(1.25 + 0.34 * len(rows))
    axes = figure.add_subplot()
    times = known(
        [stint.duration_s, *(time for row in rows for span in (*row.held, *row.quiet) for time in span)]
        + [told.time_s for row in rows for told in row.told]
    )
    end_s = max([*times, 1.0])
    _laps(axes, stint)
    for place, alarm in enumerate(rows):
        colour, hatch = PRIORITY_LOOKS.get(alarm.priority, _OTHER)
        for start_s, stop_s in alarm.held[:_MOST_BARS]:
            stop = stop_s if math.isfinite(stop_s) else end_s
            axes.barh(
                place + 0.16,
                (stop - start_s) / _MINUTE_S,
                0.36,
                start_s / _MINUTE_S,
                color=colour,
                hatch=hatch,
                edgecolor="white",
                linewidth=0.0,
            )
            # A bar of a second would vanish: its beginning stays to be seen.
            axes.plot([start_s / _MINUTE_S] * 2, [place - 0.02, place + 0.34], color=colour, linewidth=1.0)
        for start_s, stop_s in alarm.quiet[:_MOST_BARS]:
            stop = stop_s if math.isfinite(stop_s) else end_s
            axes.plot([start_s / _MINUTE_S, stop / _MINUTE_S], [place + 0.42] * 2, color="#777777", linewidth=1.6)
        told = [one.time_s / _MINUTE_S for one in alarm.told]
        seen = known(one.acknowledged_s / _MINUTE_S for one in alarm.told)
        axes.plot(told, [place + 0.16] * len(told), "v", color=BLACK, markersize=4.5, linestyle="none")
        axes.plot(seen, [place + 0.16] * len(seen), "o", color="white", markeredgecolor=BLACK, linestyle="none")
        words = f"{named(alarm.name, 38)} ({alarm.priority or 'no priority'})"
        axes.text(0.006, place - 0.2, words, transform=axes.get_yaxis_transform(), va="center", size=7)
    axes.set_ylim(len(rows) - 0.45, -0.5)
    axes.set_xlim(0.0, 1.01 * end_s / _MINUTE_S)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_xlabel("minutes from the first sample")
    used = [key for key in PRIORITY_LOOKS if any(row.priority == key for row in rows)]
    keys: list[Patch | Line2D] = [
        Patch(facecolor=PRIORITY_LOOKS[key][0], hatch=PRIORITY_LOOKS[key][1], edgecolor="white", label=key)
        for key in used
    ]
    keys.append(Line2D([], [], color=BLACK, marker="v", linestyle="none", label="announced"))
    if any(math.isfinite(one.acknowledged_s) for row in rows for one in row.told):
        keys.append(
            Line2D([], [], color="white", marker="o", markeredgecolor=BLACK, linestyle="none", label="acknowledged")
        )
    if any(row.quiet for row in rows):
        keys.append(Line2D([], [], color="#777777", linewidth=1.6, label="silenced"))
    figure.legend(handles=keys, loc="outside lower center", ncols=3, handletextpad=0.5, columnspacing=1.2)
    return figure


def _laps(axes: Axes, stint: Stint) -> None:
    """Every second lap as a grey field; names of as many laps as have room."""
    laps = [lap for lap in stint.laps if math.isfinite(lap.duration_s) and lap.duration_s > 0.0]
    every = max(1, math.ceil(len(laps) / _MOST_LAP_NAMES))
    for place, lap in enumerate(laps[:_MOST_BARS]):
        start, stop = lap.start_s / _MINUTE_S, (lap.start_s + lap.duration_s) / _MINUTE_S
        if place % 2:
            axes.axvspan(start, stop, color="#efefef", linewidth=0.0, zorder=0)
        if place % every == 0:
            axes.text(
                (start + stop) / 2.0,
                1.0,
                named(lap.name, 5),
                transform=axes.get_xaxis_transform(),
                ha="center",
                va="bottom",
                size=6.5,
                color="#444444",
            )


def budget(stint: Stint, name: str) -> Plot:
    """Announcements of each ten minutes."""
    slots = stint.noise.slots
    caption = (
        f"Announcements in each ten minutes of the stint; the line is the budget, {BUDGET_IN_TEN_MINUTES:g} in ten "
        f"minutes on average, and more than {FLOOD_ABOVE} in ten minutes are a flood. The last field may be shorter."
    )
    missing = "" if slots else "the stint's length is not known"
    if not stint.noise.told:
        missing = "nothing was announced"
    return Plot(name, "Announcements against the budget", caption, lambda: _draw_budget(slots), missing)


def _draw_budget(slots: tuple[int, ...]) -> Figure:
    figure = blank(1.9)
    axes = figure.add_subplot()
    middles = [10.0 * place + 5.0 for place in range(len(slots))]
    flooded = [number > FLOOD_ABOVE for number in slots]
    for flood, colour, hatch in ((False, SKY_BLUE, ""), (True, VERMILLION, "////")):
        chosen = [place for place, is_flood in enumerate(flooded) if is_flood is flood]
        axes.bar(
            [middles[place] for place in chosen],
            [slots[place] for place in chosen],
            8.6,
            color=colour,
            hatch=hatch,
            edgecolor="white",
            linewidth=0.0,
        )
    if len(slots) <= _MOST_LAP_NAMES:
        for middle, number in zip(middles, slots, strict=True):
            axes.text(middle, number, f"{number}", ha="center", va="bottom", size=7)
    axes.axhline(BUDGET_IN_TEN_MINUTES, color=BLACK, linestyle="--", linewidth=0.9, label="budget")
    if max(slots) > FLOOD_ABOVE / 2:
        axes.axhline(FLOOD_ABOVE, color=VERMILLION, linestyle=":", linewidth=1.1, label="flood above")
    axes.set_ylim(0.0, 1.2 * max([*slots, 1.5]))
    axes.set_xlim(0.0, 10.0 * len(slots))
    axes.set_xlabel("minutes from the first sample")
    axes.set_ylabel("announcements")
    axes.yaxis.set_major_locator(MaxNLocator(4, integer=True))
    quiet_grid(axes, "y")
    figure.legend(loc="outside upper right", ncols=2)
    return figure
