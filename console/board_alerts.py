"""The alerts panel: who speaks, why, since when, what to look at first, and what is being kept quiet.

In: the alerts of a `BoardView` and the room there is. Out: lines of text that always fit: with little room the last
alerts lose their detail first, then are counted. Priority is a word and a symbol; an alert that nobody has
acknowledged is in reverse video.
"""

from __future__ import annotations

from rich.style import Style
from rich.text import Text

from console.paint import PRIORITY, REVERSE, STRONG, Glyphs, clock, pieces, safe, title, wrap
from console.view import AlertView, BoardView

_SYMBOLS = {"high": "!!!", "medium": "!! ", "low": "!  "}
_CAUTION = "CAUTION: support the car before anyone reaches under it."
_FULL, _WITHOUT_CHECK, _HEAD = 2, 1, 0


def alerts(view: BoardView, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The panel in at most `height` lines of `width` cells."""
    waiting = sum(alert.unacknowledged for alert in view.alerts)
    words = f"ALERTS {len(view.alerts)}" if view.alerts else "ALERTS"
    lines = [title(words, width, glyphs, f"{waiting} not acknowledged" if waiting else "")]
    caution = any(alert.caution for alert in view.alerts)
    ends = [pieces((line, STRONG)) for line in wrap(_CAUTION, width, glyphs)] if caution else []
    ends += _named("suppressed, its sensor is in doubt", "suppressed", view.suppressed, width, glyphs)
    ends += _named("put aside", "put aside", view.put_aside, width, glyphs)
    room = height - 1 - len(ends)
    if not view.alerts:
        return [*lines, pieces("none"), *ends][:height]
    body = _body(view.alerts, width, max(1, room), glyphs)
    return [*lines, *body, *ends][:height]


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


def _body(found: tuple[AlertView, ...], width: int, room: int, glyphs: Glyphs) -> list[Text]:
    """As much of every alert as fits: all in full, or detail taken away from the last one forwards."""
    details = [_FULL] * len(found)
    for detail in (_WITHOUT_CHECK, _HEAD):
        for place in range(len(found) - 1, -1, -1):
            if _length(found, details, width, glyphs) <= room:
                break
            details[place] = detail
    lines: list[Text] = []
    for number, (alert, detail) in enumerate(zip(found, details, strict=True)):
        more = len(found) - number
        entry = _entry(alert, detail, width, glyphs)
        left = room - len(lines) - (1 if more > 1 else 0)
        if len(entry) > left:
            entry = _entry(alert, _HEAD, width, glyphs)
        if len(entry) > left:
            return [*lines, pieces((f"and {more} more", STRONG))][:room] if lines or more > 1 else entry[:room]
        lines += entry
    return lines


def _length(found: tuple[AlertView, ...], details: list[int], width: int, glyphs: Glyphs) -> int:
    return sum(len(_entry(alert, detail, width, glyphs)) for alert, detail in zip(found, details, strict=True))


def _entry(alert: AlertView, detail: int, width: int, glyphs: Glyphs) -> list[Text]:
    style: Style = PRIORITY[alert.priority] + (REVERSE if alert.unacknowledged else Style())
    tag = f"{_SYMBOLS[alert.priority]} {alert.priority.upper():<6}"
    state = _state(alert)
    place = f"{safe(alert.kind, glyphs)} {safe(alert.where, glyphs)}"
    since = _since(alert, glyphs)
    names = wrap(place, width - len(tag) - 1, glyphs) or [""]
    lines = [
        pieces((tag, style), " ", (name, STRONG)) if not n else pieces(" " * (len(tag) + 1), (name, STRONG))
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
