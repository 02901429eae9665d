"""The debrief's page: sections of text, tables and figures as one HTML file that needs nothing else.

In: one `Stint`, or two to set side by side. Out: HTML as a string, the same for the same input. Everything that came
from a file is escaped by the template; only the figures' SVG, which is made here and holds no script, is not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from console.debrief_compare import differences, doubts
from console.debrief_drawing import Plot, as_svg
from console.debrief_places import along_lap, downforce
from console.debrief_pyramid import pyramid
from console.debrief_stint import Stint
from console.debrief_story import story
from console.debrief_tables import (
    Table,
    asymmetry_table,
    corner_table,
    downforce_table,
    lap_table,
    link_table,
    noise_table,
    origin_table,
    people_table,
    platform_table,
    sensor_table,
    standing_table,
    told_table,
)
from console.debrief_timeline import budget, timeline
from console.debrief_trends import platform_trend, share_trend, shares, stop_trend, velocity_trend

# Written into every page and figure; a file with it may be replaced by a newer debrief.
MARK = "damperwatch debrief"
THIS, OTHER = "This stint", "The other stint"


@dataclass
class Panel:
    """One figure as the page shows it, or the reason why there is none."""

    plot: Plot
    svg: Markup
    whose: str = ""


@dataclass
class Section:
    """A heading with its figures, grouped by what they show, and tables with whose they are."""

    id: str
    title: str
    lead: str = ""
    panels: list[list[Panel]] = field(default_factory=list)
    tables: list[tuple[str, Table]] = field(default_factory=list)


@dataclass(frozen=True)
class _Topic:
    id: str
    title: str
    figures: tuple[Callable[[Stint, str], Plot], ...] = ()
    tables: tuple[Callable[[Stint], Table], ...] = ()
    lead: str = ""


_TOPICS = (
    _Topic("alerts", "Alerts", (timeline,), (told_table, standing_table, people_table)),
    _Topic("budget", "What the alerts asked of people", (budget,), (noise_table,)),
    _Topic("velocity", "Damper velocity", (), (corner_table, asymmetry_table)),
    _Topic("laps", "From lap to lap", (velocity_trend, share_trend, platform_trend, stop_trend), (lap_table,)),
    _Topic("platform", "Platform and bump stops", (along_lap,), (platform_table,)),
    _Topic("downforce", "Downforce", (downforce,), (downforce_table,)),
    _Topic("sensors", "Sensors and link", (), (sensor_table, link_table)),
    _Topic("origin", "Origin", (), (origin_table,)),
)


@dataclass(frozen=True)
class Sketch:
    """A figure that is still to be drawn, and where it belongs. `group` counts the figures of a section."""

    section: str
    group: int
    plot: Plot
    whose: str


def sketches(this: Stint, other: Stint | None, reference: Stint | None, reference_name: str) -> list[Sketch]:
    """Every figure of the page, in its order; `reference` gives the pyramids' ticks where there is no `other`."""
    found = []
    stints = [(this, "", other or reference, reference_name if other is None else OTHER.lower())]
    if other is not None:
        stints.append((other, "other-", this, THIS.lower()))
    for topic in _TOPICS:
        if topic.id == "velocity":
            for axle, name in enumerate(("pyramid-front", "pyramid-rear")):
                for place, (stint, prefix, against, against_name) in enumerate(stints):
                    plot = pyramid(stint, axle, prefix + name, against, against_name)
                    found.append(Sketch(topic.id, axle, plot, _whose(place, other)))
            for place, (stint, prefix, _, _) in enumerate(stints):
                found.append(Sketch(topic.id, 2, shares(stint, f"{prefix}time-shares"), _whose(place, other)))
        for group, figure in enumerate(topic.figures):
            for place, (stint, prefix, _, _) in enumerate(stints):
                plot = figure(stint, prefix + figure.__name__.replace("_", "-"))
                found.append(Sketch(topic.id, group, plot, _whose(place, other)))
    return found


def _whose(place: int, other: Stint | None) -> str:
    return "" if other is None else (THIS, OTHER)[place]


def page(
    this: Stint,
    other: Stint | None,
    reference_note: str,
    drawn: list[Sketch],
    version: str,
    each: Callable[[], None] = lambda: None,
) -> str:
    """The whole page; `each` is called before every figure."""
    stints = [this] if other is None else [this, other]
    sections = []
    for topic in _TOPICS:
        section = Section(topic.id, topic.title, topic.lead)
        if topic.id == "velocity":
            section.lead = reference_note
        for sketch in drawn:
            if sketch.section != topic.id:
                continue
            while len(section.panels) <= sketch.group:
                section.panels.append([])
            each()
            # The SVG is this program's own, with every string in it escaped as XML.
            svg = Markup("") if sketch.plot.missing else Markup(as_svg(sketch.plot))
            section.panels[sketch.group].append(Panel(sketch.plot, svg, sketch.whose))
        for make in topic.tables:
            for place, stint in enumerate(stints):
                section.tables.append((_whose(place, other), make(stint)))
        sections.append(section)
    environment = Environment(
        loader=PackageLoader("console", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template("debrief.html").render(
        mark=MARK,
        stints=[(_whose(place, other), stint, story(stint)) for place, stint in enumerate(stints)],
        both=None if other is None else differences(this, other),
        doubts=[] if other is None else doubts(this, other),
        sections=sections,
        version=version,
    )
