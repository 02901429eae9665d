"""The keys in words: one line of them for the foot of a screen, and the page that lists them all.

In: what can be done at the screen. Out: lines of text. The list here is what `console.controls` obeys; a test holds
one against the other.
"""

from __future__ import annotations

from dataclasses import dataclass

from rich.cells import cell_len
from rich.text import Text

from console.controls import SHELVES, Duties
from console.paint import STRONG, Glyphs, pieces, title, wrap


@dataclass(frozen=True)
class Key:
    """One key: how it is written, the keys it stands for, the short word for it, and the whole one."""

    written: str
    keys: tuple[str, ...]
    short: str
    words: str


_LENGTHS = ", ".join(words for _, _, words in SHELVES)
_SELECT = Key(
    "up down Tab",
    ("up", "down", "tab", "back tab", "home", "end", "page up", "page down"),
    "select",
    "select an alarm; Tab goes round",
)
_LIST = Key("l", ("l", "enter"), "list", "list of all alarms, and back to the board (also Enter, Esc)")
_ACTS = (
    Key("a", ("a",), "acknowledge", "acknowledge: you have seen it and look after it"),
    Key("r", ("r",), "reset", "reset a latched alarm whose cause is mended, once it is acknowledged"),
    Key("s", ("s",), "shelve", f"shelve: silent for a while, then it speaks again ({_LENGTHS})"),
    Key("u", ("u",), "unshelve", "unshelve: let it speak again now"),
)
_OUT = Key("o", ("o",), "out of service", "out of service: silent until o returns it to service; asks first")
_FREEZE = Key("f", ("f",), "freeze", "freeze the picture; samples, alarms and recording go on")
_REPLAY = (
    Key("Space", (" ",), "pause", "pause the replay, and go on"),
    Key("n", ("n",), "step", "step: pause, and play one second more"),
    Key("+ -", ("+", "=", "-"), "pace", "play faster, slower"),
)
_HELP = Key("?", ("?", "h"), "keys", "this page (also h and F1); any key leaves it")
_QUIT = Key("q", ("q",), "quit", "quit")


def keys_for(duties: Duties) -> list[Key]:
    """All keys that do something at a screen."""
    found = [_SELECT, *([_LIST] if duties.has_list else []), *_ACTS]
    found += [_OUT] if duties.can_take_out else []
    found += [_FREEZE] if duties.can_freeze else []
    found += _REPLAY if duties.replay else ()
    return [*found, _HELP, _QUIT]


# What is left out of the line first when it is too long; help and quit stay.
_ON_BOARD = ("pace", "step", "out of service", "unshelve", "shelve", "reset", "pause", "freeze", "select", "list")
_IN_LIST = ("pace", "step", "pause", "freeze", "out of service", "unshelve", "list", "select", "shelve", "reset")


def hint(duties: Duties, width: int, *, in_list: bool = False) -> str:
    """The keys in one line of at most `width` cells, as many as have room; empty when not even two have.

    Examples
    --------
    >>> hint(Duties(has_list=False, can_freeze=False, can_take_out=False), 34)
    'a acknowledge  ? keys  q quit'
    """
    shown = keys_for(duties)
    line = ""
    for dropped in ("", *(_IN_LIST if in_list else _ON_BOARD)):
        shown = [key for key in shown if key.short != dropped]
        line = "  ".join(f"{key.written} {key.short}" for key in shown)
        if cell_len(line) <= width:
            return line
    line = "? keys  q quit"
    return line if cell_len(line) <= width else ""


def help_page(duties: Duties, who: str, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The page that lists the keys, in at most `height` lines; with little room, keys and short words alone."""
    column = max(cell_len(key.written) for key in keys_for(duties)) + 2
    lines = [title("KEYS", width, glyphs, "any key goes back")]
    for key in keys_for(duties):
        for n, words in enumerate(wrap(key.words, max(8, width - column - 1), glyphs)):
            head = key.written if not n else ""
            lines.append(pieces((f" {head:<{column}}", STRONG), words))
    ends = [pieces(line) for line in wrap(f" Actions carry the name {who} (--name).", width, glyphs, 1, 1)]
    if len(lines) + len(ends) + 1 <= height:
        return [*lines, pieces(), *ends]
    if len(lines) <= height:
        return lines
    short = "; ".join(f"{key.written}: {key.short}" for key in keys_for(duties))
    return [*lines[:1], *(pieces(line) for line in wrap(short, width, glyphs))][:height]
