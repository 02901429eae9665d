"""All that one terminal shows of a run: one of the views, and what a person at the keys must see.

In: a view, the alarms' rows, the state of the keys. Out: a picture of exactly the terminal's size. On top, while the
picture is frozen, a bar that says so and what has come up since; then the view's answer in words; at the foot a
question, a reply or the line of keys. The line of keys goes first when the terminal is small, the board's answer next.
Pure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from rich.cells import cell_len
from rich.text import Text

from console.alarm_list import alarm_list
from console.alarm_view import AlarmRow
from console.board import SMALLEST_HEIGHT, SMALLEST_WIDTH, Board, BoardOptions, render
from console.board_strip import strip
from console.board_views import alarms_line, answer_lines, body_lines
from console.controls import Controls, Scene
from console.key_help import help_page, hint
from console.paint import DOUBT, REVERSE, STRONG, Glyphs, block, padded, pieces, safe, title, wrap
from console.view import BoardView
from ingest.rehearsal_mark import MARK

HINT_WIDTH, HINT_HEIGHT = 60, 24  # from here on the line of keys is shown
_ROOMY_HEIGHT = 30
_MOST_NAMED = 12


@dataclass(frozen=True)
class Picture:
    """What is shown, taken at one moment; `news` names what was announced since the picture was frozen."""

    view: BoardView
    rows: tuple[AlarmRow, ...]
    news: tuple[str, ...] = ()
    news_count: int = 0


def page(picture: Picture, controls: Controls, width: int, height: int, glyphs: Glyphs) -> Board:
    """The whole screen at a size in cells."""
    width, height = max(1, width), max(1, height)
    top = [] if controls.frozen_s is None else frozen_bar(controls.frozen_s, picture, width, height, glyphs)
    foot = foot_lines(controls, width, height, glyphs)[: max(0, height - len(top) - 1)]
    room = max(1, height - len(top) - len(foot))
    return Board(block([*top, *_middle(picture, controls, width, room, glyphs), *foot], width, height))


def _middle(picture: Picture, controls: Controls, width: int, room: int, glyphs: Glyphs) -> list[Text]:
    view, scene = picture.view, controls.scene
    chosen = None if controls.selected is None else controls.selected.key
    if controls.helping:
        return block(_help(view, controls, width, room, glyphs), width, room)
    answered = width >= SMALLEST_WIDTH and room > SMALLEST_HEIGHT
    if scene is Scene.BOARD:
        top = answer_lines(view, scene, width, 1, glyphs) if answered else []
        return [*top, *render(replace(view, selected=chosen), width, room - len(top), BoardOptions(glyphs)).lines]
    if scene is Scene.LIST:
        top = answer_lines(view, scene, width, 1, glyphs) if answered else []
        lines = [*top, *strip(view, width, _strip_rows(view, room), glyphs)]
        return block([*lines, *alarm_list(picture.rows, chosen, width, room - len(lines), glyphs)], width, room)
    return block(_view(view, scene, width, room, glyphs), width, room)


def _strip_rows(view: BoardView, room: int) -> int:
    """Rows for the strip over a list; whatever else has no room, nobody may take a rehearsal for the car."""
    return min(2, max(int(view.car.startswith(MARK)), room - 1))


def _view(view: BoardView, scene: Scene, width: int, room: int, glyphs: Glyphs) -> list[Text]:
    """The answer, whether to believe it, how many alarms stand, and the view itself."""
    # Whatever else has no room: nobody may take a rehearsal for the car.
    marked = view.car.startswith(MARK)
    first = strip(view, width, 1, glyphs) if marked and room < 4 else []
    most = 2 if room >= 12 else 1
    lines = [*first, *answer_lines(view, scene, width, most, glyphs)]
    if not first:
        lines += strip(view, width, min(2 if room >= 10 else 1, max(0, room - len(lines))), glyphs)
    if room >= 8:
        lines.append(alarms_line(view, width, glyphs))
    return [*lines, *body_lines(view, scene, width, room - len(lines), glyphs)]


def _help(view: BoardView, controls: Controls, width: int, room: int, glyphs: Glyphs) -> list[Text]:
    lines = strip(view, width, _strip_rows(view, room), glyphs)
    waiting = sum(alert.unacknowledged for alert in view.alerts)
    told = f"{waiting} not acknowledged" if waiting else ""
    lines.append(title(f"ALERTS {len(view.alerts)}" if view.alerts else "no alerts", width, glyphs, told))
    return [*lines, *help_page(controls.duties, controls.who, width, room - len(lines), glyphs)]


def frozen_bar(age_s: float, picture: Picture, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The bar over a frozen picture: its age, and the alerts announced since, as many names as fit."""
    head = f"FROZEN {age_s:.0f} s: this picture is old, f goes on."
    short = f"FROZEN {age_s:.0f} s"
    most = 3 if height >= _ROOMY_HEIGHT else 2 if height > 2 else 1
    words = [head, short]
    if picture.news_count:
        names = [safe(name, glyphs) for name in picture.news[:_MOST_NAMED]]
        said = f"{picture.news_count} NEW ALERT{'S' if picture.news_count > 1 else ''}"
        words = []
        for start in (head, short):
            for kept in range(len(names), -1, -1):
                more = picture.news_count - kept
                end = f": {', '.join(names[:kept])}{f' and {more} more' if more else ''}" if kept else ""
                words.append(f"{start} {said}{end}")
    for each in words:
        lines = wrap(each, width, glyphs)
        if len(lines) <= most:
            break
    return [padded(pieces((line.ljust(width), DOUBT)), width) for line in lines[:most]]


def foot_lines(controls: Controls, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """A question, an answer, or the keys; empty when there is nothing to say or no room for the keys."""
    if controls.asking:
        return [pieces((line.ljust(width), REVERSE)) for line in wrap(safe(controls.asking, glyphs), width, glyphs)]
    lines = [pieces((line, STRONG)) for line in wrap(safe(controls.said, glyphs), width, glyphs)]
    notice = safe(controls.notice, glyphs)
    if lines and not notice:
        return lines
    room = width - cell_len(notice) - 2 if notice else width
    small = width < HINT_WIDTH or height < HINT_HEIGHT
    keys = "" if small else hint(controls.duties, room, in_list=controls.scene is Scene.LIST)
    if notice and cell_len(notice) > width:
        return [*lines, *(pieces((line, STRONG)) for line in wrap(notice, width, glyphs))]
    last = [pieces((notice, STRONG), "  " if notice and keys else "", keys)] if notice or keys else []
    return [*lines, *last]
