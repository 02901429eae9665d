"""The pit wall's picture: the most urgent alert in letters as large as the terminal allows, the others below it.

In: what the wall knows, the state of the keys, the room there is. Out: a picture of exactly that size, or one plain
line. "No alerts" is said only of a monitor that was heard just now. Pure.
"""

from __future__ import annotations

from functools import partial

from rich.cells import cell_len
from rich.text import Text

from console.board import Board
from console.board_page import HINT_HEIGHT, foot_lines
from console.controls import Controls, Item
from console.key_help import help_page
from console.lines import kind_name
from console.paint import DOUBT, STRONG, Glyphs, block, fit_name, pieces, safe, wrap
from console.wall_book import WallBook
from console.wall_pieces import caution, entry, heading, hidden, hidden_words, large, window


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
    if not book.alarms:
        return []
    alarm = next((one for one in book.alarms if not one.acknowledged), book.alarms[0])
    return large([alarm.name], alarm.priority, width, height, glyphs)


def _ends(book: WallBook, chosen: Item | None, width: int, glyphs: Glyphs) -> list[Text]:
    """The caution, what is kept quiet, and what was left out."""
    ends = caution(width, glyphs) if any(alarm.caution for alarm in book.alarms) else []
    key = None if chosen is None else chosen.key
    selected = next((hidden_words(one, glyphs) for one in book.hidden if (one.kind, one.where) == key), "")
    others = [partial(hidden_words, one, glyphs) for one in book.hidden if (one.kind, one.where) != key]
    ends += hidden(others, selected, width, glyphs)
    if book.left_out:
        ends.append(pieces((f"and {book.left_out} more that were left out", STRONG)))
    return ends


def _body(book: WallBook, chosen: Item | None, width: int, room: int, glyphs: Glyphs) -> list[Text]:
    """The alerts from the first one on, or from as far down as the selected one needs to be seen."""
    alarms = book.alarms
    place = next((n for n, a in enumerate(alarms) if chosen is not None and (a.kind, a.where) == chosen.key), -1)
    return window(
        len(alarms),
        max(0, place),
        lambda n: entry(alarms[n], n == place, width, glyphs),
        lambda n: heading(alarms[n], n == place, width, glyphs),
        room,
    )


def _nothing(book: WallBook, trouble: str) -> str:
    """What to say when no alarm is known."""
    if trouble or not book.quiet:
        return "it is not known what stands"
    return f"no alerts; {book.learning} still learning" if book.learning else "no alerts"
