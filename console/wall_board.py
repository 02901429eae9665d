"""The pit wall's picture: the most urgent alert in letters as large as the terminal allows, the others below it.

In: what the wall knows, the state of the keys, the room there is. Out: a picture of exactly that size, or one plain
line. "No alerts" is said only of a monitor that was heard just now. Pure.
"""

from __future__ import annotations

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text

from console.big_letters import ROWS, big_lines
from console.board import Board
from console.board_alerts import CAUTION
from console.board_page import HINT_HEIGHT, foot_lines
from console.controls import Controls, Item
from console.key_help import help_page
from console.lines import kind_name
from console.paint import DOUBT, PRIORITY, REVERSE, STRONG, Glyphs, block, clock, fit_name, pieces, safe, wrap
from console.wall_book import WallAlarm, WallBook, WallHidden

_LARGE_HEIGHT = 30  # below, lines of plain letters say more
_UNDERLINED = STRONG + Style(underline=True)


def wall_items(book: WallBook) -> list[Item]:
    """What can be selected, in the order shown: alarms, then what a person keeps quiet."""
    kept = [one for one in book.hidden if one.why != "suppressed"]
    return [
        *(Item(alarm.kind, alarm.where, alarm.name) for alarm in book.alarms),
        *(Item(o.kind, o.where, o.name, o.why == "shelved", o.why == "out of service") for o in kept),
    ]


def plain_words(book: WallBook, now: float) -> str:
    """All that stands, in one line."""
    trouble = book.trouble(now)
    standing = "; ".join(
        f"{a.priority} {kind_name(a.kind)} {a.where} {'acknowledged' if a.acknowledged else 'NOT acknowledged'}"
        for a in book.alarms
    )
    return " | ".join(part for part in (trouble, standing or _nothing(book, trouble)) if part)


def wall_board(
    book: WallBook, now: float, width: int, height: int, glyphs: Glyphs, controls: Controls | None = None
) -> Board:
    """The screen at a size in cells."""
    trouble = book.trouble(now)
    lines = [_head(book, now, width, glyphs)]
    if trouble:
        lines += [pieces((line.ljust(width), DOUBT)) for line in wrap(safe(trouble, glyphs), width, glyphs)]
    foot = [] if controls is None else foot_lines(controls, width, height, glyphs)[: max(0, height - len(lines) - 1)]
    if controls is not None and controls.helping:
        body = help_page(controls.duties, controls.who, width, max(0, height - len(lines) - len(foot)), glyphs)
        return Board(block([*lines, *block(body, width, height - len(lines) - len(foot)), *foot], width, height))
    chosen = controls.selected if controls is not None else None
    ends = _ends(book, chosen, width, glyphs) + foot
    large = _large(book, width, height, glyphs)
    if len(lines) + len(large) + len(ends) + 6 > height:
        large = []
    lines += [pieces(), *large] if large or height >= HINT_HEIGHT else []
    room = max(1, height - len(lines) - len(ends))
    body = _body(book, chosen, width, room, glyphs) if book.alarms else [pieces((_nothing(book, trouble), STRONG))]
    return Board(block([*lines, *block(body, width, room), *ends], width, height))


def _head(book: WallBook, now: float, width: int, glyphs: Glyphs) -> Text:
    """Whose alarms, how many, and how old all this is; what has no room is left out whole."""
    waiting = sum(not alarm.acknowledged for alarm in book.alarms)
    count = f"{len(book.alarms)} alert{'' if len(book.alarms) == 1 else 's'}"
    known = book.alarms or not book.trouble(now)  # none is no count while nothing is known
    parts = [f"{safe(book.car, glyphs)}{f'  {count}' if known else ''}" if book.car else "pit wall"]
    parts += [f"{waiting} not acknowledged"] if waiting else []
    heard, sample = book.heard_s(now), book.sample_age_s(now)
    parts += ["monitor never heard" if heard is None else f"monitor heard {heard:.0f} s ago"]
    parts += [] if sample is None else [f"newest sample {sample:.1f} s old"]
    while len(parts) > 1 and cell_len("  ".join(parts)) > width:
        del parts[1 if len(parts) == 2 or not waiting else 2 if len(parts) > 2 else 1]
    words = "  ".join(parts)
    return pieces((words if cell_len(words) <= width else fit_name(words, width, glyphs), STRONG))


def _large(book: WallBook, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The first alert in large letters, unacknowledged ones before others; nothing where they have no room."""
    if height < _LARGE_HEIGHT or not book.alarms:
        return []
    alarm = next((one for one in book.alarms if not one.acknowledged), book.alarms[0])
    style = PRIORITY.get(alarm.priority, STRONG)
    for scale in (3, 2, 1):
        drawn = big_lines(alarm.name, width, glyphs.full, scale)
        if drawn and len(drawn) * (ROWS * scale + 1) <= height // 3:
            return [line for rows in drawn for line in (*(pieces((row, style)) for row in rows), pieces())]
    return []


def _ends(book: WallBook, chosen: Item | None, width: int, glyphs: Glyphs) -> list[Text]:
    """The caution, what is kept quiet, and what was left out."""
    ends = []
    if any(alarm.caution for alarm in book.alarms):
        ends += [pieces((line, REVERSE)) for line in wrap(CAUTION, width, glyphs)]
    kept = [one for one in book.hidden if chosen is None or (one.kind, one.where) != chosen.key]
    for one in book.hidden:
        if one not in kept:
            words = f"> {_hidden_words(one, glyphs)}"
            ends += [pieces((line, _UNDERLINED)) for line in wrap(words, width, glyphs, 0, 2)]
    ends += _listed(kept, width, glyphs)
    if book.left_out:
        ends.append(pieces((f"and {book.left_out} more that were left out", STRONG)))
    return ends


def _listed(which: list[WallHidden], width: int, glyphs: Glyphs) -> list[Text]:
    """What is kept quiet, in one or two lines, then counted."""
    words = [_hidden_words(one, glyphs) for one in which]
    for kept in range(len(words), -1, -1):
        more = len(words) - kept
        tail = f" and {more} more" if more and kept else ""
        line = f"hidden: {', '.join(words[:kept])}{tail}" if kept else f"hidden: {more} alarms"
        lines = wrap(line, width, glyphs)
        if words and (len(lines) <= 2 or not kept):
            return [pieces(one) for one in lines]
    return []


def _hidden_words(one: WallHidden, glyphs: Glyphs) -> str:
    until = "" if one.until_s is None else f" until {clock(one.until_s, glyphs)}"
    by = f" by {one.who}" if one.who else ""
    return safe(f"{one.name} ({one.why}{until}{by})", glyphs)


def _body(book: WallBook, chosen: Item | None, width: int, room: int, glyphs: Glyphs) -> list[Text]:
    """The alerts from the first one on, or from as far down as the selected one needs to be seen."""
    place = next((n for n, a in enumerate(book.alarms) if chosen is not None and (a.kind, a.where) == chosen.key), 0)
    for start in range(place + 1):
        before = [pieces((f"{start} before", STRONG))] if start and room > 1 else []
        body, shown = _entries(book.alarms[start:], chosen, width, room - len(before), glyphs)
        if start + shown > place:
            return [*before, *body]
    return _entry(book.alarms[place], chosen, width, glyphs)[:room]


def _entries(
    alarms: tuple[WallAlarm, ...], chosen: Item | None, width: int, room: int, glyphs: Glyphs
) -> tuple[list[Text], int]:
    """As many alerts as fit, with a count of the rest; and how many."""
    body: list[Text] = []
    for number, alarm in enumerate(alarms):
        entry = _entry(alarm, chosen, width, glyphs)
        left = len(alarms) - number
        if len(body) + len(entry) > room - (left > 1):
            entry = _heading(alarm, chosen, width, glyphs)
        if len(body) + len(entry) > room - (left > 1):
            if body or left > 1:
                return [*body, pieces((f"and {left} more", STRONG))], number
            return entry[:room], number + 1
        body += entry
    return body, len(alarms)


def _nothing(book: WallBook, trouble: str) -> str:
    """What to say when no alarm is known."""
    if trouble or not book.quiet:
        return "it is not known what stands"
    return f"no alerts; {book.learning} still learning" if book.learning else "no alerts"


def _heading(alarm: WallAlarm, chosen: Item | None, width: int, glyphs: Glyphs) -> list[Text]:
    selected = chosen is not None and chosen.key == (alarm.kind, alarm.where)
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
    head = safe(f"{alarm.priority.upper()} {alarm.name}: {told}{since}", glyphs)
    mark = "> " if selected else ""
    lines = wrap(head, width - len(mark), glyphs)
    return [pieces(((mark if not n else " " * len(mark)), STRONG), (line, style)) for n, line in enumerate(lines)]


def _entry(alarm: WallAlarm, chosen: Item | None, width: int, glyphs: Glyphs) -> list[Text]:
    words = f"{alarm.sentence}. Check first: {alarm.check_first}" if alarm.check_first else alarm.sentence
    said = wrap(safe(words, glyphs, 800), width, glyphs, 2, 2)
    return [*_heading(alarm, chosen, width, glyphs), *(pieces(line) for line in said), pieces()]
