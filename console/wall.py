"""The pit-wall screen: alerts alone, most urgent first, and in words whenever they can't be believed.

In: a broker and a prefix. Out: a screen in a terminal, plain lines elsewhere, until a signal comes. "No alerts" is
said only of a monitor that was heard just now. Raises LinkError when the password can't be read.
"""

from __future__ import annotations

import asyncio
import contextlib
import queue
import time
from collections.abc import Callable
from functools import partial

from rich.text import Text

from console.board import Board
from console.lines import kind_name
from console.paint import DOUBT, PRIORITY, REVERSE, STRONG, Glyphs, block, clock, glyphs_for, pieces, safe, wrap
from console.screen import BoardScreen
from console.stopping import Stopping
from console.wall_book import WallAlarm, WallBook
from ingest.backoff import Backoff
from ingest.mqtt_client import Access, ConnectionFault, LoopThread, Message, connect, prepare
from ingest.mqtt_link import unique_identifier
from ingest.sheet_wall import PitWall

_MOST_WAITING = 1000  # messages; the newest state comes again within seconds
_LOOK_S = 0.1
_CAUTION = "CAUTION: support the car before anyone reaches under it."

_Event = tuple[str, bytes]  # topic below the prefix and payload; "+" and "-" for the broker itself


def wall(place: PitWall, write: Callable[[str], None], *, with_screen: bool, no_color: bool = False) -> int:
    """Show until a signal comes; returns 0, or 128 plus the signal's number."""
    events: queue.Queue[_Event] = queue.Queue(_MOST_WAITING)
    access = prepare(place, "--")
    thread = LoopThread("pit-wall")
    thread.begin(_listen(access, place.topic, events))
    book = WallBook(time.monotonic())
    screen = BoardScreen(no_color=no_color, catch_signals=False) if with_screen else None
    said = ""
    try:
        with Stopping() as stopping, screen or contextlib.nullcontext():
            while stopping.signal is None:
                _take(events, book)
                now = time.monotonic()
                if screen is None:
                    words = plain_words(book, now)
                    if _steady(words) != _steady(said):
                        said = words
                        write(words)
                elif screen.due():
                    glyphs = glyphs_for(screen.console.encoding)
                    screen.show_board(partial(wall_board, book, now, glyphs=glyphs))
    finally:
        thread.close(2.0)
    return stopping.exit_code


def plain_words(book: WallBook, now: float) -> str:
    """All that stands, in one line."""
    trouble = book.trouble(now)
    standing = "; ".join(
        f"{a.priority} {kind_name(a.kind)} {a.where} {'acknowledged' if a.acknowledged else 'NOT acknowledged'}"
        for a in book.alarms
    )
    return " | ".join(part for part in (trouble, standing or _nothing(book, trouble)) if part)


def wall_board(book: WallBook, now: float, width: int, height: int, glyphs: Glyphs) -> Board:
    """The screen at a size in cells."""
    trouble = book.trouble(now)
    lines = [pieces((f"{safe(book.car, glyphs)}  {len(book.alarms)} alerts" if book.car else "pit wall", STRONG))]
    if trouble:
        lines += [pieces((line.ljust(width), DOUBT)) for line in wrap(safe(trouble, glyphs), width, glyphs)]
    lines.append(pieces())
    caution = any(alarm.caution for alarm in book.alarms)
    ends = [pieces((line, REVERSE)) for line in wrap(_CAUTION, width, glyphs)] if caution else []
    if book.hidden:
        ends += [pieces(line) for line in wrap(f"hidden: {', '.join(book.hidden)}", width, glyphs)][:2]
    if book.left_out:
        ends.append(pieces((f"and {book.left_out} more that were left out", STRONG)))
    room = max(1, height - len(lines) - len(ends))
    body: list[Text] = []
    for number, alarm in enumerate(book.alarms):
        entry = _entry(alarm, width, glyphs)
        left = len(book.alarms) - number
        if len(body) + len(entry) > room - (left > 1):
            entry = entry[:1]
        if len(body) + 1 > room - (left > 1):
            body.append(pieces((f"and {left} more", STRONG)))
            break
        body += entry
    if not book.alarms:
        body = [pieces((_nothing(book, trouble), STRONG))]
    return Board(block([*lines, *block(body, width, room), *ends], width, height))


def _nothing(book: WallBook, trouble: str) -> str:
    """What to say when no alarm is known."""
    if trouble or not book.quiet:
        return "it is not known what stands"
    return f"no alerts; {book.learning} still learning" if book.learning else "no alerts"


def _entry(alarm: WallAlarm, width: int, glyphs: Glyphs) -> list[Text]:
    style = PRIORITY.get(alarm.priority, STRONG) + (STRONG if alarm.acknowledged else REVERSE)
    told = "NOT ACKNOWLEDGED"
    if alarm.acknowledged:
        told = f"acknowledged by {alarm.who}" if alarm.who else "acknowledged"
    lap = f"lap {alarm.since_lap}, " if alarm.since_lap else ""
    since = f"  since {lap}{clock(alarm.since_s, glyphs)}" if alarm.since_s is not None else ""
    if alarm.since_s is not None and alarm.since_s < 0.0:  # a journal brought it over from the run before
        since = "  since before this run"
    head = f"{alarm.priority.upper()}  {kind_name(alarm.kind)} {alarm.where}  {told}{since}"
    lines = [pieces((line, style)) for line in wrap(safe(head, glyphs), width, glyphs)]
    words = f"{alarm.sentence}. Check first: {alarm.check_first}" if alarm.check_first else alarm.sentence
    return [*lines, *(pieces(line) for line in wrap(safe(words, glyphs), width, glyphs, 2, 2)), pieces()]


def _steady(words: str) -> str:
    """The words without their numbers: a growing age is no news."""
    return "".join(character for character in words if not character.isdigit())


def _take(events: queue.Queue[_Event], book: WallBook) -> None:
    with contextlib.suppress(queue.Empty):
        name, payload = events.get(timeout=_LOOK_S)
        for _ in range(_MOST_WAITING):
            if name in {"+", "-"}:
                book.broker(there=name == "+", now=time.monotonic())
            else:
                book.hear(name, payload, time.monotonic())
            name, payload = events.get_nowait()


async def _listen(access: Access, prefix: str, events: queue.Queue[_Event]) -> None:
    backoff = Backoff()

    def put(name: str, payload: bytes = b"") -> None:
        with contextlib.suppress(queue.Full):
            events.put_nowait((name, payload))

    def hear(message: Message) -> None:
        put(message.topic.removeprefix(f"{prefix}/"), message.payload)

    while True:
        opened_s = None
        try:
            async with connect(access, unique_identifier(), on_message=hear) as connection:
                for name in ("online", "state", "heartbeat"):
                    await connection.subscribe(f"{prefix}/{name}")
                opened_s = time.monotonic()
                put("+")
                await connection.until_lost()
        except ConnectionFault:
            put("-")
            if opened_s is not None:
                backoff.worked_for(time.monotonic() - opened_s)
        await asyncio.sleep(backoff.pause_s())
