"""The keys in words: one line of them for the foot of a screen, and the page that lists them all.

In: what can be done at the screen. Out: lines of text. The list here is what `console.controls` obeys; a test holds
one against the other.
"""

from __future__ import annotations

from dataclasses import dataclass

from rich.cells import cell_len
from rich.text import Text

from console.controls import SHELVES, Duties, Scene
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
_VIEW = Key(
    "v",
    ("v", "V", "left", "right", *(str(number) for number in range(1, len(Scene) + 1))),
    "view",
    "next view (V: back), 1 to 6: by number",
)
_LIST = Key("l", ("l", "enter"), "list", "list of all alarms, and back (also Enter, Esc)")
_PICTURE = Key("p", ("p",), "picture", "picture of this screen, a file of its own (SVG)")
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
_CARS = (
    Key("c C", ("c", "C"), "car", "the next car, the one before"),
    Key("w", ("w",), "urgent car", "the car that needs somebody first: alarms not acknowledged, silence"),
)
# What goes first as a terminal shrinks; each view's own order stands in its module.
SHRINKING = (
    "Views: 1 axles, 2 platform, 3 forces, 4 trends, 5 alarms, 6 link. "
    "In a small terminal, lap times and details go first, then trends, the car, bump stops and heights; pyramids and "
    "the strip stay. Other views lose whole columns, then whole panels from below."
)
_HELP = Key("?", ("?", "h"), "keys", "this page (also h and F1); any key leaves it")
_QUIT = Key("q", ("q",), "quit", "quit")


def keys_for(duties: Duties) -> list[Key]:
    """All keys that do something at a screen."""
    found = [*([_VIEW] if duties.has_list else []), _SELECT, *([_LIST] if duties.has_list else []), *_ACTS]
    found += [_OUT] if duties.can_take_out else []
    found += [_FREEZE] if duties.can_freeze else []
    found += [_PICTURE] if duties.has_list else []
    found += _REPLAY if duties.replay else ()
    found += _CARS if duties.several else ()
    return [*found, _HELP, _QUIT]


# What is left out of the line first when it is too long; help and quit stay.
_ON_BOARD: tuple[str, ...] = (
    "picture",
    "urgent car",
    "pace",
    "step",
    "out of service",
    "unshelve",
    "shelve",
    "reset",
    "pause",
    "freeze",
    "select",
)
_ON_BOARD += ("list", "car")
_IN_LIST: tuple[str, ...] = (
    "picture",
    "urgent car",
    "pace",
    "step",
    "pause",
    "freeze",
    "out of service",
    "unshelve",
    "list",
    "select",
    "shelve",
)
_IN_LIST += ("reset", "car")


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
    if duties.has_list:
        more = [pieces(line) for line in wrap(SHRINKING, width, glyphs, 1, 1)]
        ends = [*ends, *more] if len(lines) + len(ends) + len(more) + 1 <= height else ends
    if len(lines) + len(ends) + 1 <= height:
        return [*lines, pieces(), *ends]
    if len(lines) <= height:
        return lines
    short = "; ".join(f"{key.written}: {key.short}" for key in keys_for(duties))
    return [*lines[:1], *(pieces(line) for line in wrap(short, width, glyphs))][:height]
