"""What walls of one car and of several draw alike: alerts in words, the window on a list of them, large letters.

In: alarms as `console.wall_book` made them safe, the room there is. Out: lines that fit; whatever has no room in a
window is counted in it. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rich.style import Style
from rich.text import Text

from console.big_letters import ROWS, big_lines
from console.board_alerts import CAUTION
from console.paint import PRIORITY, REVERSE, STRONG, Glyphs, clock, pieces, safe, wrap
from console.wall_book import WallAlarm, WallHidden

_LARGE_HEIGHT = 30  # below, lines of plain letters say more
_UNDERLINED = STRONG + Style(underline=True)

Lines = Callable[[int], list[Text]]  # of the entry with this number


def heading(alarm: WallAlarm, selected: bool, width: int, glyphs: Glyphs, car: str = "", doubt: str = "") -> list[Text]:
    """An alert's head: priority, name, whether anybody has seen it, since when.

    Parameters
    ----------
    car : str
        Whose it is, where there are several.
    doubt : str
        Why it may not be so any more.
    """
    style = PRIORITY.get(alarm.priority, STRONG) + (STRONG if alarm.acknowledged else REVERSE)
    told = "NOT ACKNOWLEDGED"
    if alarm.acknowledged:
        told = f"acknowledged by {alarm.who}" if alarm.who else "acknowledged"
    elif alarm.state.startswith(("returned", "latched")):
        told = "ENDED, NOT ACKNOWLEDGED"
    lap = f"lap {alarm.since_lap}, " if alarm.since_lap else ""
    since = f" since {lap}{clock(alarm.since_s, glyphs)}" if alarm.since_s is not None else ""
    if alarm.since_s is not None and alarm.since_s < 0.0:  # a journal brought it over from the run before
        since = " since before this run"
    whose = f"{car}: " if car else ""
    doubted = f" ({doubt})" if doubt else ""
    head = safe(f"{alarm.priority.upper()} {whose}{alarm.name}: {told}{since}{doubted}", glyphs, 400 if car else 200)
    mark = "> " if selected else ""
    lines = wrap(head, width - len(mark), glyphs)
    return [pieces(((mark if not n else " " * len(mark)), STRONG), (line, style)) for n, line in enumerate(lines)]


def entry(alarm: WallAlarm, selected: bool, width: int, glyphs: Glyphs, car: str = "", doubt: str = "") -> list[Text]:
    """An alert in full: its head, what was measured, what to check first."""
    words = f"{alarm.sentence}. Check first: {alarm.check_first}" if alarm.check_first else alarm.sentence
    said = wrap(safe(words, glyphs, 800), width, glyphs, 2, 2)
    return [*heading(alarm, selected, width, glyphs, car, doubt), *(pieces(line) for line in said), pieces()]


def window(
    count: int, place: int, full: Lines, head: Lines, room: int, more: Callable[[Sequence[int]], str] | None = None
) -> list[Text]:
    """Entries from the first one on, or from as far down as the one at `place` needs to be seen.

    Parameters
    ----------
    full, head : callable
        Lines of an entry; its head alone where it would be the first without room.
    more : callable or None
        More to say of entries that have no room, by their numbers.
    """
    # No higher than has room at the very most; from there down until the entry at `place` is seen.
    start, left = place, room - len(head(place))
    while start and (above := len(head(start - 1))) <= left:
        left -= above
        start -= 1
    while start <= place:
        before = [_counted(f"{start} before", more, range(start))] if start and room > 1 else []
        body, shown = _entries(start, count, full, head, room - len(before), more)
        if start + shown > place:
            return [*before, *body]
        start += 1
    if more is not None and room > 1 and count > 1:
        others = [*range(place), *range(place + 1, count)]
        return [*head(place)[: room - 1], _counted(f"and {len(others)} more", more, others)]
    return full(place)[:room]


def _entries(
    start: int, count: int, full: Lines, head: Lines, room: int, more: Callable[[Sequence[int]], str] | None
) -> tuple[list[Text], int]:
    """As many entries as fit, with a count of the rest; and how many."""
    body: list[Text] = []
    for number in range(start, count):
        lines = full(number)
        left = count - number
        if len(body) + len(lines) > room - (left > 1):
            lines = head(number)
        if len(body) + len(lines) > room - (left > 1):
            if body or left > 1:
                return [*body, _counted(f"and {left} more", more, range(number, count))], number - start
            return lines[:room], number + 1 - start
        body += lines
    return body, count - start


def _counted(words: str, more: Callable[[Sequence[int]], str] | None, numbers: Sequence[int]) -> Text:
    return pieces((words + (more(numbers) if more is not None else ""), STRONG))


def large(tries: Sequence[str], priority: str, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The first of these words that fit in large letters, as large as there is room; nothing where none do."""
    if height < _LARGE_HEIGHT:
        return []
    style = PRIORITY.get(priority, STRONG)
    for words in tries:
        for scale in (3, 2, 1):
            drawn = big_lines(words, width, glyphs.full, scale)
            if drawn and len(drawn) * (ROWS * scale + 1) <= height // 3:
                return [line for rows in drawn for line in (*(pieces((row, style)) for row in rows), pieces())]
    return []


def caution(width: int, glyphs: Glyphs) -> list[Text]:
    """The usual caution."""
    return [pieces((line, REVERSE)) for line in wrap(CAUTION, width, glyphs)]


def hidden(others: Sequence[Callable[[], str]], selected: str, width: int, glyphs: Glyphs, most: int = 2) -> list[Text]:
    """What is kept quiet: the selected one in full, the others in `most` lines, then counted.

    Parameters
    ----------
    others : sequence of callable
        Each gives its words; only those that may have room are asked for.
    selected : str
        Words of the selected one; empty for none.
    """
    lines = [pieces((line, _UNDERLINED)) for line in wrap(f"> {selected}", width, glyphs, 0, 2)] if selected else []
    return [*lines, *_listed(others, width, glyphs, most)]


def hidden_words(one: WallHidden, glyphs: Glyphs, car: str = "") -> str:
    """An alarm that is kept quiet, why, until when and by whom."""
    until = "" if one.until_s is None else f" until {clock(one.until_s, glyphs)}"
    by = f" by {one.who}" if one.who else ""
    return safe(f"{f'{car}: ' if car else ''}{one.name} ({one.why}{until}{by})", glyphs, 400 if car else 200)


def _listed(others: Sequence[Callable[[], str]], width: int, glyphs: Glyphs, most: int) -> list[Text]:
    """As many as have room in `most` lines, then counted."""
    words = [one() for one in others[: max(1, width) if most else 0]]  # each takes more than a cell
    for kept in range(len(words), -1, -1):
        more = len(others) - kept
        tail = f" and {more} more" if more and kept else ""
        line = f"hidden: {', '.join(words[:kept])}{tail}" if kept else f"hidden: {more} alarms"
        lines = wrap(line, width, glyphs)
        if others and (len(lines) <= most or not kept):
            return [pieces(one) for one in lines]
    return []
