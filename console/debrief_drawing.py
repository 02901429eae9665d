"""How the debrief's figures look, and how one becomes inline SVG or a PNG file.

In: functions that draw on a matplotlib figure. Out: SVG as a string fit to stand inside HTML (no script, no link, no
document type, ids of its own), or PNG bytes; the same input gives the same output. Strings in figures are never read
as mathematics. Colours are Okabe and Ito's, and whatever has a colour has a marker, a hatch or a label too.
"""

from __future__ import annotations

import io
import re
import warnings
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

# Okabe and Ito, "Color Universal Design" (2008; values from memory). Yellow is left out: it vanishes on white paper.
BLUE, VERMILLION, SKY_BLUE, ORANGE, BLUISH_GREEN, REDDISH_PURPLE, BLACK = (
    "#0072B2",
    "#D55E00",
    "#56B4E9",
    "#E69F00",
    "#009E73",
    "#CC79A7",
    "#000000",
)
# A corner's colour, marker and line; the order is FL FR RL RR.
CORNER_LOOKS = (
    (BLUE, "o", "-"),
    (VERMILLION, "s", "--"),
    (SKY_BLUE, "^", "-."),
    (ORANGE, "D", ":"),
)
# Those of the platform's points, for as many as are shown.
POINT_LOOKS = tuple(
    (colour, marker, line)
    for line in ("-", "--")
    for colour, marker in (
        (BLUE, "o"),
        (VERMILLION, "s"),
        (BLUISH_GREEN, "^"),
        (REDDISH_PURPLE, "D"),
        (ORANGE, "v"),
        (BLACK, "x"),
    )
)
PRIORITY_LOOKS = {"high": (VERMILLION, "////"), "medium": (ORANGE, "\\\\\\\\"), "low": (SKY_BLUE, "....")}
# Narrow enough for a phone without shrinking, and for two side by side on A4.
WIDTH_IN = 4.2
_PNG_DPI = 200
_PNG_TITLE = "damperwatch debrief"
_SVG = "http://www.w3.org/2000/svg"
_LINK = "{http://www.w3.org/1999/xlink}href"
_SETTINGS: Any = {
    "font.family": ["DejaVu Sans"],
    "font.size": 8.0,
    "axes.titlesize": 8.5,
    "axes.labelsize": 8.0,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "legend.fontsize": 7.5,
    "legend.frameon": False,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.grid": False,
    "axes.formatter.useoffset": False,
    "axes.linewidth": 0.6,
    "grid.linewidth": 0.4,
    "grid.color": "#d0d0d0",
    "lines.linewidth": 1.1,
    "lines.markersize": 4.0,
    "hatch.linewidth": 0.6,
    "svg.fonttype": "none",  # text stays text: smaller, and it can be searched and read aloud
    "text.parse_math": False,  # names come from files
    "text.usetex": False,
    "path.simplify": True,
    "savefig.facecolor": "white",
}


@dataclass(frozen=True)
class Plot:
    """One figure: `name` for files, what it is called, what it shows, and how it is drawn.

    A `missing` reason stands in its place when there is nothing to draw.
    """

    name: str
    title: str
    caption: str
    draw: Callable[[], Figure]
    missing: str = ""


def blank(height_in: float) -> Figure:
    """An empty figure of the usual width whose parts make room for each other."""
    return Figure(figsize=(WIDTH_IN, height_in), layout="constrained")


def quiet_grid(axes: Axes, axis: Literal["both", "x", "y"] = "both") -> None:
    """A faint grid along `axis`: x, y or both."""
    axes.grid(visible=True, axis=axis)


def named(text: str, most: int) -> str:
    """A name cut for a figure, where there is little room."""
    return text if len(text) <= most else text[: most - 1] + "…"


@contextmanager
def drawing() -> Iterator[None]:
    """The figures' settings, for as long as something is drawn or written; the caller's come back after it."""
    with mpl.rc_context(_SETTINGS), warnings.catch_warnings():
        # A letter that the measuring font lacks is drawn by the reader's.
        warnings.filterwarnings("ignore", message=r"Glyph \d+")
        # Names so long or axes so odd that the layout gives up are drawn as they are.
        warnings.filterwarnings("ignore", message="constrained_layout not applied")
        yield


def as_svg(plot: Plot) -> str:
    """A figure as an `svg` element; its title is for those who can't see it."""
    held = io.BytesIO()
    with drawing(), mpl.rc_context({"svg.hashsalt": plot.name}):
        figure = plot.draw()
        FigureCanvasSVG(figure)
        figure.savefig(held, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return _inline(held.getvalue(), plot)


def as_png(plot: Plot) -> bytes:
    """A figure as the content of a PNG file."""
    held = io.BytesIO()
    with drawing():
        figure = plot.draw()
        FigureCanvasAgg(figure)
        figure.savefig(held, format="png", dpi=_PNG_DPI, metadata={"Software": None, "Title": _PNG_TITLE})
    return held.getvalue()


def _inline(document: bytes, plot: Plot) -> str:
    root = ET.fromstring(document)  # comments and the document type stay behind
    for parent in root.iter():
        for child in list(parent):
            if child.tag == f"{{{_SVG}}}metadata":
                parent.remove(child)
    used = {match for one in root.iter() for match in _references(one)}
    for one in root.iter():
        _tidy(one, plot.name, used)
    for size in ("width", "height"):
        root.attrib.pop(size, None)
    label = f"{plot.name}-title"
    root.attrib |= {"role": "img", "aria-labelledby": label, "preserveAspectRatio": "xMidYMid meet"}
    title = ET.Element(f"{{{_SVG}}}title", {"id": label})
    title.text = f"{plot.title}. {plot.caption}"
    root.insert(0, title)
    ET.register_namespace("", _SVG)
    return ET.tostring(root, encoding="unicode")


def _references(element: ET.Element) -> Iterator[str]:
    if _LINK in element.attrib:
        yield element.attrib[_LINK].removeprefix("#")
    for value in element.attrib.values():
        yield from re.findall(r"url\(#([^)]+)\)", value)


def _tidy(element: ET.Element, prefix: str, used: set[str]) -> None:
    """Ids of the figure's own, only where something refers to them; coordinates to a hundredth of a point."""
    attributes = element.attrib
    if "id" in attributes:
        if attributes["id"] in used:
            attributes["id"] = f"{prefix}-{attributes['id']}"
        else:
            del attributes["id"]
    if _LINK in attributes:
        attributes["href"] = f"#{prefix}-{attributes.pop(_LINK).removeprefix('#')}"
    for key, value in list(attributes.items()):
        changed = re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}-\1)", value)
        if key in {"d", "x", "y", "width", "height", "transform"}:
            changed = re.sub(r"-?\d+\.\d{3,}", _hundredths, changed)
        if key == "d":
            changed = re.sub(r"\s+", " ", changed).strip()
        if key == "style":
            # The page says which font; here only how large.
            changed = re.sub(r"font: ([^;]*?)([\d.]+)px [^;]*", _font, changed)
        attributes[key] = changed
    if element.tag != f"{{{_SVG}}}text" and element.text is not None and not element.text.strip():
        element.text = None
    if element.tail is not None and not element.tail.strip():
        element.tail = "\n"


def _hundredths(match: re.Match[str]) -> str:
    return f"{float(match.group()):.2f}".rstrip("0").rstrip(".")


def _font(match: re.Match[str]) -> str:
    weight = "font-weight: bold; " if any(word in match.group(1) for word in ("bold", "700")) else ""
    return f"{weight}font-size: {match.group(2)}px"
