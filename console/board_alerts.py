"""The alerts panel: who speaks, why, since when, what to look at first, and what is being kept quiet.

In: the alerts of a `BoardView` and the room there is. Out: lines of text that always fit: with little room the last
alerts lose their detail first, then are counted. Priority is a word and a symbol; an alert that nobody has
acknowledged is in reverse video. A selected alert has a mark, and is always among those shown.
"""

from __future__ import annotations

from rich.style import Style
from rich.text import Text

from console.paint import PRIORITY, REVERSE, STRONG, Glyphs, clock, pieces, safe, title, wrap
from console.view import AlertView, BoardView

_SYMBOLS = {"high": "!!!", "medium": "!! ", "low": "!  "}
CAUTION = "CAUTION: support the car before anyone reaches under it."
_FULL, _WITHOUT_CHECK, _HEAD = 2, 1, 0


def alerts(view: BoardView, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The panel in at most `height` lines of `width` cells."""
    waiting = sum(alert.unacknowledged for alert in view.alerts)
    words = f"ALERTS {len(view.alerts)}" if view.alerts else "ALERTS"
    lines = [title(words, width, glyphs, f"{waiting} not acknowledged" if waiting else "")]
    caution = any(alert.caution for alert in view.alerts)
    ends = [pieces((line, STRONG)) for line in wrap(CAUTION, width, glyphs)] if caution else []
    ends += _named("suppressed, its sensor is in doubt", "suppressed", view.suppressed, width, glyphs)
    ends += _named("put aside", "put aside", view.put_aside, width, glyphs)
    room = height - 1 - len(ends)
    if not view.alerts:
        return [*lines, pieces("none"), *ends][:height]
    return [*lines, *_with_selected(view, width, max(1, room), glyphs), *ends][:height]


def _with_selected(view: BoardView, width: int, room: int, glyphs: Glyphs) -> list[Text]:
    """The alerts from the first one on, or from as far down as the selected one needs to be seen."""
    found, chosen = view.alerts, view.selected
    place = next((n for n, alert in enumerate(found) if chosen is not None and alert.key == chosen), 0)
    for start in range(place + 1):
        before = [pieces((f"{start} before", STRONG))] if start and room > 1 else []
        body, shown = _body(found[start:], width, room - len(before), glyphs, chosen)
        if start + shown > place:
            return [*before, *body]
    return _entry(found[place], _HEAD, width, glyphs, chosen)[:room]


def _named(title: str, short: str, which: tuple[str, ...], width: int, glyphs: Glyphs) -> list[Text]:
    """One or two lines of alarms that are kept quiet: the cause is known, so names are enough, then a count."""
    if not which:
        return []
    names = [safe(name, glyphs) for name in which]
    for kept in range(len(names), -1, -1):
        more = len(names) - kept
        listed = ", ".join(names[:kept]) + (f" and {more} more" if more and kept else "")
        lines = wrap(f"{title}: {listed}" if kept else f"{short}: {more} alerts", width, glyphs, indent=2)
        if len(lines) <= 2 or not kept:
            return [pieces(line) for line in lines]
    return []


def _body(
    found: tuple[AlertView, ...], width: int, room: int, glyphs: Glyphs, chosen: tuple[str, str] | None = None
) -> tuple[list[Text], int]:
    """As much of every alert as fits: all in full, or detail taken away from the last one forwards; and how many."""
    details = [_FULL] * len(found)
    for detail in (_WITHOUT_CHECK, _HEAD):
        for place in range(len(found) - 1, -1, -1):
            if _length(found, details, width, glyphs) <= room:
                break
            details[place] = detail
    lines: list[Text] = []
    for number, (alert, detail) in enumerate(zip(found, details, strict=True)):
        more = len(found) - number
        entry = _entry(alert, detail, width, glyphs, chosen)
        left = room - len(lines) - (1 if more > 1 else 0)
        if len(entry) > left:
            entry = _entry(alert, _HEAD, width, glyphs, chosen)
        if len(entry) > left:
            if lines or more > 1:
                return [*lines, pieces((f"and {more} more", STRONG))][:room], number
            return entry[:room], number + 1
        lines += entry
    return lines, len(found)


def _length(found: tuple[AlertView, ...], details: list[int], width: int, glyphs: Glyphs) -> int:
    return sum(len(_entry(alert, detail, width, glyphs)) for alert, detail in zip(found, details, strict=True))


def _entry(
    alert: AlertView, detail: int, width: int, glyphs: Glyphs, chosen: tuple[str, str] | None = None
) -> list[Text]:
    style: Style = PRIORITY[alert.priority] + (REVERSE if alert.unacknowledged else Style())
    selected = chosen is not None and alert.key == chosen
    mark = "> " if selected else ""
    tag = f"{_SYMBOLS[alert.priority]} {alert.priority.upper():<6}"
    state = _state(alert)
    place = f"{safe(alert.kind, glyphs)} {safe(alert.where, glyphs)}"
    since = _since(alert, glyphs)
    head = len(mark) + len(tag) + 1
    names = wrap(place, width - head, glyphs) or [""]
    strong = STRONG + Style(underline=True) if selected else STRONG
    lines = [
        pieces((mark, STRONG), (tag, style), " ", (name, strong)) if not n else pieces(" " * head, (name, strong))
        for n, name in enumerate(names)
    ]
    for words in (state, since):
        if words and lines[-1].cell_len + 2 + len(words) <= width:
            lines[-1].append(f"  {words}")
        elif words and detail > _HEAD:
            lines.append(pieces(f"  {words}"))
    if detail > _HEAD and alert.sentence:
        lines += [pieces(line) for line in wrap(safe(alert.sentence, glyphs), width, glyphs, 2, 2)]
    if detail == _FULL and alert.check_first:
        check = f"check first: {safe(alert.check_first, glyphs)}"
        lines += [pieces(line) for line in wrap(check, width, glyphs, 2, 4)]
    return lines


def _state(alert: AlertView) -> str:
    """What the priority's video does not say."""
    words = []
    if not alert.unacknowledged:
        words.append("acknowledged")
    if alert.held:
        words.append("ended")
    if alert.unknown:
        words.append("now unknown")
    return ", ".join(words)


def _since(alert: AlertView, glyphs: Glyphs) -> str:
    if alert.since_s is None:
        return ""
    if alert.since_s < 0.0:  # a journal brought it over from the run before
        return "since before this run"
    lap = f"lap {safe(alert.since_lap, glyphs)}, " if alert.since_lap else ""
    return f"since {lap}{clock(alert.since_s, glyphs)}"
