"""The picture of a wall of several cars: a cell for each, and the alarms of all in one list, most urgent first.

In: what the wall knows of the cars, the state of the keys, the room there is. Out: a picture of exactly that size, or
plain words. Whatever has no room is counted. "No alerts" is said only of cars whose monitors were heard just now. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from rich.cells import cell_len
from rich.text import Text

from console.board import Board
from console.board_page import HINT_HEIGHT, foot_lines
from console.controls import Controls
from console.key_help import help_page
from console.paint import DOUBT, STRONG, Glyphs, block, fit_name, pieces, safe, wrap
from console.wall_cars import MOST_COUNTED, MOST_FOUND, CarAlarm, WallCars
from console.wall_keys import CarControls, CarItem
from console.wall_pieces import caution, entry, heading, hidden, hidden_words, large, window
from console.wall_tiles import WallTile, wall_tile_lines, wall_tiles
from ingest.rehearsal_mark import MARK

_MOST_NAMED = 6  # cars by name in one line; the others are counted
_LEAST_LIST = 5  # lines of alarms, before what stands below them is told in numbers
_MOST_NOTICES = 3  # lines over the cells


def cars_items(cars: WallCars) -> list[CarItem]:
    """What can be selected, in the order shown: alarms, then what a person keeps quiet."""
    labels = cars.labels()
    items = [
        CarItem(one.alarm.kind, one.alarm.where, f"{labels[one.prefix]}: {one.alarm.name}", prefix=one.prefix)
        for one in cars.alarms()
    ]
    for prefix, kept in cars.hidden():
        if kept.why != "suppressed":
            name = f"{labels[prefix]}: {kept.name}"
            out = kept.why == "out of service"
            items.append(CarItem(kept.kind, kept.where, name, kept.why == "shelved", out, prefix))
    return items


def notices(cars: WallCars, now: float) -> list[str]:
    """What is wrong with the wall's own view, in words, most important first; empty when nothing is."""
    lost_s = cars.lost_s(now)
    said = [] if lost_s is None else [f"NO BROKER {lost_s:.0f} s"]
    patterns = " ".join(cars.topics.patterns)
    if cars.beyond:
        count = f"{MOST_COUNTED} OR MORE" if cars.beyond >= MOST_COUNTED else str(cars.beyond)
        told = "CARS HAVE" if cars.beyond > 1 else "CAR HAS"
        said.append(f"{count} MORE {told} NO PLACE HERE ({MOST_FOUND} found by {patterns}): name those that matter")
    said += [f"NOT LET READ {prefix}: {why}" for prefix, why in cars.not_let.items()]
    if not cars.books and lost_s is None:
        said.append(f"NO CAR FOUND by {patterns}")
    return said


def nothing(cars: WallCars, now: float) -> str:
    """What to say when no alarm is known."""
    labels = cars.labels()
    unknown = [prefix for prefix, book in cars.books.items() if cars.trouble(prefix, now) or not book.quiet]
    if len(unknown) == len(cars.books):
        return "it is not known what stands"
    if unknown:
        quiet = len(cars.books) - len(unknown)
        which = _named([labels[prefix] for prefix in unknown])
        return f"nothing stands at {quiet} car{'s' if quiet > 1 else ''}; it is not known what stands at {which}"
    learning = sum(book.learning for book in cars.books.values())
    return f"no alerts; {learning} still learning" if learning else "no alerts"


def cars_board(
    cars: WallCars,
    now: float,
    width: int,
    height: int,
    glyphs: Glyphs,
    controls: CarControls | None = None,
    chosen: str = "",
) -> Board:
    """The screen at a size in cells; `chosen` is the car that was chosen where no alarm is selected."""
    width, height = max(1, width), max(1, height)
    tiles = wall_tiles(cars, now)
    prefixes = list(cars.books)
    at = controls.prefix if controls is not None and controls.prefix else chosen
    shown = prefixes.index(at) if at in cars.books else -1
    lines = [_head(cars, tiles, width, glyphs), *_notices(cars, now, width, height, glyphs)]
    lines += wall_tile_lines(tiles, shown, width, height, glyphs) if tiles else []
    lines = lines[: max(1, height - 2)]
    foot = [] if controls is None else foot_lines(controls, width, height, glyphs)[: max(0, height - len(lines) - 1)]
    if controls is not None and controls.helping:
        room = height - len(lines) - len(foot)
        page = help_page(controls.duties, controls.who, width, room, glyphs)
        return Board(block([*lines, *block(page, width, room), *foot], width, height))
    ends = foot
    for shortness in range(3):
        ends = [*_ends(cars, controls, width, glyphs, shortness), *foot]
        if len(lines) + len(ends) + max(_LEAST_LIST, height // 3) <= height:
            break
    ends = ends[-(height - len(lines) - 1) :] if height - len(lines) > 1 else []
    big = _large(cars, width, height, glyphs)
    if len(lines) + len(big) + len(ends) + 6 > height:
        big = []
    lines += [pieces(), *big] if big or height >= HINT_HEIGHT else []
    room = max(1, height - len(lines) - len(ends))
    if cars.alarms():
        body = _list(cars, tiles, controls, width, room, glyphs)
    else:
        body = [pieces((line, STRONG)) for line in wrap(safe(nothing(cars, now), glyphs, 400), width, glyphs)]
    return Board(block([*lines, *block(body, width, room), *ends], width, height))


def _head(cars: WallCars, tiles: Sequence[WallTile], width: int, glyphs: Glyphs) -> Text:
    """How many cars, how many alerts, how many of both need somebody; what has no room is left out whole."""
    count = sum(sum(tile.standing) + tile.left_out for tile in tiles)
    waiting = sum(sum(tile.waiting) for tile in tiles)
    doubtful = sum(bool(tile.doubt) for tile in tiles)
    marked = sum(tile.rehearsal for tile in tiles)
    total = len(tiles) + cars.beyond
    parts = [f"{total} car{'' if total == 1 else 's'}"]
    parts += [f"{count} alert{'' if count == 1 else 's'}"] if count or not doubtful else []
    parts += [f"{waiting} not acknowledged"] if waiting else []
    # What follows stands in the cars' cells too.
    parts += [f"{doubtful} in doubt"] if doubtful else []
    parts += [f"{marked} {MARK.strip()}"] if marked else []
    while len(parts) > 1 and cell_len("  ".join(parts)) > width:
        parts.pop()
    if cell_len("  ".join(["pit wall", *parts])) <= width:
        parts = ["pit wall", *parts]
    words = safe("  ".join(parts), glyphs)
    return pieces((words if cell_len(words) <= width else fit_name(words, width, glyphs), STRONG))


def _notices(cars: WallCars, now: float, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    said = notices(cars, now)
    most = _MOST_NOTICES if height >= HINT_HEIGHT else 1
    lines: list[str] = []
    for words in said:
        lines += wrap(safe(words, glyphs), width, glyphs)
    if len(lines) > most:
        lines = [*lines[: most - 1], f"and {len(lines) - most + 1} more lines like this"] if most > 1 else lines[:1]
    found = [pieces((line.ljust(width), DOUBT)) for line in lines]
    if cars.refused + cars.crowded and height >= HINT_HEIGHT:
        words = f"{cars.refused} messages were of no monitor"
        words += f"; {cars.crowded} were not looked at, and some cars may be missing" if cars.crowded else ""
        found += [pieces(line) for line in wrap(words, width, glyphs)]
    return found


def _large(cars: WallCars, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The first alert and its car in large letters, unacknowledged ones before others; never without the car."""
    alarms = cars.alarms()
    if not alarms:
        return []
    first = next((one for one in alarms if not one.alarm.acknowledged), alarms[0])
    words = f"{cars.labels()[first.prefix]} {first.alarm.name}"
    return large([words], first.alarm.priority, width, height, glyphs)


def _list(
    cars: WallCars,
    tiles: Sequence[WallTile],
    controls: CarControls | None,
    width: int,
    room: int,
    glyphs: Glyphs,
) -> list[Text]:
    """The alarms: in full the selected one, or the first that nobody acknowledged, and more where there is room."""
    alarms = cars.alarms()
    of = dict(zip(cars.books, tiles, strict=True))
    key = None if controls is None or controls.selected is None else controls.selected.key
    place = next((n for n, one in enumerate(alarms) if one.key == key), -1)
    focus = place if place >= 0 else next((n for n, one in enumerate(alarms) if not one.alarm.acknowledged), 0)

    def head(n: int) -> list[Text]:
        tile = of[alarms[n].prefix]
        return heading(alarms[n].alarm, n == place, width, glyphs, tile.name, tile.doubt_alone)

    def full(n: int) -> list[Text]:
        tile = of[alarms[n].prefix]
        return entry(alarms[n].alarm, n == place, width, glyphs, tile.name, tile.doubt_alone)

    # The one that matters in full, then from the most urgent on as many as have room; the others' heads alone.
    in_full = {focus}
    left = room - sum(len(head(n)) for n in range(min(len(alarms), room + 1)))
    for n in (focus, *(n for n in range(len(alarms)) if n != focus)):
        left -= len(full(n)) - len(head(n))
        if left < 0:
            break
        in_full.add(n)

    return window(
        len(alarms),
        max(0, place),
        lambda n: full(n) if n in in_full else head(n),
        head,
        room,
        lambda numbers: _waiting(alarms, numbers),
    )


def _waiting(alarms: Sequence[CarAlarm], numbers: Sequence[int]) -> str:
    waiting = sum(not alarms[n].alarm.acknowledged for n in numbers)
    return f", {waiting} not acknowledged" if waiting else ""


def _ends(cars: WallCars, controls: Controls | None, width: int, glyphs: Glyphs, shortness: int) -> list[Text]:
    """The caution, what is kept quiet, and what was left out; with 1 most of it in numbers, with 2 no caution."""
    brief = shortness > 0
    cautious = shortness < 2 and any(one.alarm.caution for one in cars.alarms())
    ends = caution(width, glyphs) if cautious else []
    labels = cars.labels()
    key = None if controls is None or controls.selected is None else controls.selected.key
    kept = [(prefix, one, (f"{prefix}\n{one.kind}", one.where)) for prefix, one in cars.hidden()]
    selected = next((hidden_words(one, glyphs, labels[prefix]) for prefix, one, its in kept if its == key), "")
    others = [partial(hidden_words, one, glyphs, labels[prefix]) for prefix, one, its in kept if its != key]
    ends += hidden(others, selected, width, glyphs, 0 if brief else 2)
    out = {labels[prefix]: count for prefix in cars.books if (count := cars.left_out(prefix))}
    if out:
        said = f"and {sum(out.values())} more that were left out{'' if brief else f', of {_named(list(out))}'}"
        ends += [pieces((line, STRONG)) for line in wrap(safe(said, glyphs, 400), width, glyphs)]
    return ends


def _named(labels: list[str]) -> str:
    more = len(labels) - _MOST_NAMED
    return ", ".join(labels[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
