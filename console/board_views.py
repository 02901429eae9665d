"""The views of the board: which there are, the answer that each gives first, and the lines below it.

In: a `BoardView`, the scene and a size. Out: the answer as one line or two, and a body of at most the room there is.
The answer comes first and goes last. A link that has gone silent dims a body and says how old it is. Pure; never
raises.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text

from console import board_forces, board_link, board_platform, board_trends
from console.controls import Scene
from console.paint import BEYOND, DOUBT, PRIORITY, STRONG, Glyphs, fit_name, pieces, safe, title, wrap
from console.view import BoardView
from dsp.asymmetry import PLACES

# In the order in which the key goes through them; their numbers are keys too.
ORDER = tuple(Scene)
NAMES = {
    Scene.BOARD: "axles",
    Scene.PLATFORM: "platform",
    Scene.FORCES: "forces",
    Scene.TRENDS: "trends",
    Scene.LIST: "alarms",
    Scene.LINK: "link",
}
_DIM = Style(dim=True)

_ANSWERS: dict[Scene, Callable[[BoardView, Glyphs], tuple[str, bool]]] = {
    Scene.PLATFORM: board_platform.answer,
    Scene.FORCES: board_forces.answer,
    Scene.TRENDS: board_trends.answer,
    Scene.LINK: board_link.answer,
}
_BODIES: dict[Scene, Callable[[BoardView, int, int, Glyphs], list[Text]]] = {
    Scene.PLATFORM: board_platform.body,
    Scene.FORCES: board_forces.body,
    Scene.TRENDS: board_trends.body,
    Scene.LINK: board_link.body,
}


def answer_lines(view: BoardView, scene: Scene, width: int, most: int, glyphs: Glyphs) -> list[Text]:
    """The scene's answer in at most `most` lines; words that have no room are left out whole, with a mark."""
    words, calls = _answer(view, scene, glyphs)
    place = f"{ORDER.index(scene) + 1} {NAMES[scene]}"
    style = BEYOND if calls else STRONG
    if cell_len(words) + cell_len(place) + 2 <= width:
        gap = " " * (width - cell_len(words) - cell_len(place))
        return [pieces((words, style), gap, place)]
    lines = wrap(words, width, glyphs)
    if len(lines) > most:
        lines = lines[:most]
        while cell_len(lines[-1]) >= width and " " in lines[-1]:
            lines[-1] = lines[-1].rpartition(" ")[0]
        lines[-1] += glyphs.cut if cell_len(lines[-1]) < width else ""
    return [pieces((line, style)) for line in lines]


def body_lines(view: BoardView, scene: Scene, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The scene below its answer, at most `height` lines; old values are dimmed below a line that says how old."""
    if height <= 0:
        return []
    if not view.status.stale or scene is Scene.LINK:
        return _BODIES[scene](view, width, height, glyphs)
    age = view.status.sample_age_s or 0.0
    shown = f"{min(age, 99_999.0):.0f} s old" if math.isfinite(age) else "without a sample yet"
    told = next((w for w in (f"all below is {shown}", shown) if cell_len(w) <= width), "")
    lines = _BODIES[scene](view, width, height - 1, glyphs)
    for line in lines:
        line.stylize(_DIM)
    return [pieces((told, DOUBT)), *lines]


def alarms_line(view: BoardView, width: int, glyphs: Glyphs) -> Text:
    """How many alerts stand, with the name of the first: what a view must show beside its own matter."""
    if not view.alerts:
        return title("no alerts", width, glyphs)
    first = view.alerts[0]
    waiting = sum(alert.unacknowledged for alert in view.alerts)
    head = f"ALERTS {len(view.alerts)}: {first.priority.upper()} "
    name = f"{safe(first.kind, glyphs)} {safe(first.where, glyphs)}"
    tail = f"{waiting} not acknowledged" if waiting else "all acknowledged"
    if len(head) >= width:
        return pieces((f"ALERTS {len(view.alerts)}"[:width] if width >= 9 else "", PRIORITY[first.priority]))
    line = pieces((head + fit_name(name, min(cell_len(name), width - len(head)), glyphs), PRIORITY[first.priority]))
    if line.cell_len + len(tail) + 2 <= width:
        line.append(" " * (width - line.cell_len - len(tail)) + tail)
    return line


def _answer(view: BoardView, scene: Scene, glyphs: Glyphs) -> tuple[str, bool]:
    if scene is Scene.BOARD:
        return _axles(view, glyphs)
    if scene is Scene.LIST:
        return _alarms(view, glyphs)
    return _ANSWERS[scene](view, glyphs)


def _axles(view: BoardView, glyphs: Glyphs) -> tuple[str, bool]:
    """Whether one side of an axle moves faster than its partner."""
    found = view.asymmetry
    basis = safe(found.basis, glyphs)
    beyond = [place for place in PLACES if place in found.beyond]
    if beyond:
        place = max(beyond, key=lambda one: abs(found.percent.get(one, 0.0)))
        faster = found.beyond[place]
        more = f", and {len(beyond) - 1} more" if len(beyond) > 1 else ""
        size = abs(found.percent.get(place, math.nan))
        if not faster or math.isnan(size):
            return f"left and right unlike: {place}, {basis}{more}", True
        return f"{faster} {size:.0f} % faster in {place.split()[1]} than its partner, {basis}{more}", True
    known = {place: one for place, one in found.percent.items() if math.isfinite(one)}
    if not known:
        return "left and right: nothing to compare yet", False
    place = max(known, key=lambda one: abs(known[one]))
    most = f"{place} {known[place]:+.0f} % at most"
    if not found.judged:
        return f"left and right not judged yet; {most}, {basis}", False
    return f"left and right alike: {most}, limit {found.limit_percent:g}, {basis}", False


def _alarms(view: BoardView, glyphs: Glyphs) -> tuple[str, bool]:
    """What stands that matters most."""
    if not view.alerts:
        quiet = len(view.suppressed) + len(view.put_aside)
        return f"no alarm speaks{f', {quiet} kept quiet' if quiet else ''}", False
    first = view.alerts[0]
    words = f"first: {first.priority} {safe(first.kind, glyphs)} {safe(first.where, glyphs)}"
    waiting = sum(alert.unacknowledged for alert in view.alerts)
    told = f"{len(view.alerts)} stand, {waiting} not acknowledged"
    return f"{words}; {told}", first.priority == "high" and first.unacknowledged
