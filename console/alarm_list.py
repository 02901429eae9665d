"""The list of all alarms: each with its state, and the selected one with its evidence, check, caution and who acted.

In: rows, the selected one, the room there is. Out: lines that fit; the selected row is always among them, and what has
no room is counted. Words are wrapped, never cut.
"""

from __future__ import annotations

from rich.style import Style
from rich.text import Text

from alerts.lifecycle import State
from console.alarm_view import AlarmRow
from console.paint import PRIORITY, REVERSE, STRONG, Glyphs, clock, pieces, safe, title, wrap

_SYMBOLS = {"high": "!!!", "medium": "!! ", "low": "!  "}
_LEAST_ROWS = 3  # of the list, before the selected alarm's detail gives way
_WITH_PRIORITY = 40  # cells from which the priority is a word too, beside its symbol
_LONGEST = 400  # characters of a sentence, as over the wire
_SELECTED = STRONG + Style(underline=True)


def alarm_list(
    rows: tuple[AlarmRow, ...], selected: tuple[str, str] | None, width: int, height: int, glyphs: Glyphs
) -> list[Text]:
    """The list in at most `height` lines of `width` cells."""
    if height <= 0:
        return []
    waiting = sum(row.unacknowledged for row in rows)
    standing = sum(row.state is not State.NORMAL for row in rows)
    lines = [title(f"ALARMS {len(rows)}", width, glyphs, f"{standing} stand, {waiting} not acknowledged")]
    place = next((n for n, row in enumerate(rows) if row.key == selected), None)
    detail = [] if place is None else _detail(rows[place], width, glyphs)
    room = height - len(lines)
    detail = detail[: max(0, room - _LEAST_ROWS)]
    return [*lines, *_window(rows, place or 0, selected, width, room - len(detail), glyphs), *detail][:height]


def _window(
    rows: tuple[AlarmRow, ...],
    place: int,
    selected: tuple[str, str] | None,
    width: int,
    room: int,
    glyphs: Glyphs,
) -> list[Text]:
    """The rows around the selected one that fit, with counts of those before and after."""
    entries = [_entry(row, row.key == selected, width, glyphs) for row in rows]
    if sum(map(len, entries)) <= room:
        return [line for entry in entries for line in entry]
    start = 0
    while start < place and sum(map(len, entries[start : place + 1])) > room - 2:
        start += 1
    end, used = start, 1 if start else 0
    while end < len(entries) and used + len(entries[end]) <= room - (end + 1 < len(entries)):
        used += len(entries[end])
        end += 1
    if end == start:  # not even the selected one has room in full
        return entries[place][: max(0, room)]
    lines = [pieces((f"{start} before", STRONG))] if start else []
    lines += [line for entry in entries[start:end] for line in entry]
    return [*lines, pieces((f"and {len(rows) - end} more", STRONG))] if end < len(rows) else lines


def _entry(row: AlarmRow, chosen: bool, width: int, glyphs: Glyphs) -> list[Text]:
    style: Style = PRIORITY[row.priority] if row.speaks else Style()
    if row.unacknowledged and row.speaks:
        style = style + REVERSE
    tag = _SYMBOLS[row.priority] if row.speaks else "   "
    if width >= _WITH_PRIORITY:
        tag += f" {row.priority.upper() if row.speaks else '':<6}"
    head = 2 + len(tag) + 1
    words = f"{safe(row.name, glyphs)}: {_state(row, glyphs)}"
    wrapped = wrap(words, max(1, width - head), glyphs, 0, 2) or [""]
    mark = "> " if chosen else "  "
    lines = [pieces((mark, STRONG), (tag, style), " ", (wrapped[0], _SELECTED if chosen else Style()))]
    return [*lines, *(pieces(" " * head + line) for line in wrapped[1:])]


def _state(row: AlarmRow, glyphs: Glyphs) -> str:
    """State and silence in words, with their times."""
    state = row.state.value if row.state is not State.NORMAL or not row.quiet else ""
    quiet = row.quiet
    if row.shelf_ends_s is not None:
        quiet = quiet.replace("shelved", f"shelved until {clock(row.shelf_ends_s, glyphs)}")
    words = [part for part in (quiet, state) if part]
    # Some rules speak of changes only: until the first one "unknown" says nothing of a normal alarm.
    if row.doubt == "learning" or (row.doubt and row.state is not State.NORMAL):
        words.append(f"now {row.doubt}")
    if row.since_s is not None:
        lap = f"lap {safe(row.since_lap, glyphs)}, " if row.since_lap else ""
        words.append("since before this run" if row.since_s < 0.0 else f"since {lap}{clock(row.since_s, glyphs)}")
    return ", ".join(words)


def _detail(row: AlarmRow, width: int, glyphs: Glyphs) -> list[Text]:
    """The selected alarm in full; what matters least is last, since it goes first."""
    lines = [title(safe(row.name, glyphs).upper(), width, glyphs, f"occurred {row.occurrences}x")]
    if row.sentence:
        lines += [pieces((line, STRONG)) for line in wrap(safe(row.sentence, glyphs, _LONGEST), width, glyphs, 1, 1)]
    else:
        lines.append(pieces(" nothing has been wrong" if not row.occurrences else " nothing is wrong now"))
    if row.caution:
        lines += [pieces(line) for line in wrap(f"CAUTION: {safe(row.caution, glyphs, _LONGEST)}", width, glyphs, 1, 3)]
    if row.check_first:
        check = f"check first: {safe(row.check_first, glyphs, _LONGEST)}"
        lines += [pieces(line) for line in wrap(check, width, glyphs, 1, 3)]
    if row.who:
        lines += [pieces(line) for line in wrap(f"last acted on by {safe(row.who, glyphs)}", width, glyphs, 1, 3)]
    return lines
