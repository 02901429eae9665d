"""One person's action on one alarm, from a shell.

In: broker, prefix, who, which alarm, what to do. Out: the monitor's answer in words. Waits a bounded time for the
monitor's state and for its answer; what never came is said, and the action may then have been carried out or not.
Raises ActError for everything that went wrong.
"""

from __future__ import annotations

import asyncio
import json

from alerts.payload import command_payload
from console.command import ActError, Wish, build_command, topic_level
from ingest.mqtt_client import Access, ConnectionFault, LoopThread, Message, connect, prepare
from ingest.mqtt_link import unique_identifier
from ingest.sheet_wall import PitWall
from ingest.text import clean

_WAIT_S = 5.0
_LARGEST_BYTES = 100_000  # a state has at most 64 kB


def act(place: PitWall, wish: Wish, *, wait_s: float = _WAIT_S) -> str:
    """Ask the monitor and return its answer in words.

    Raises
    ------
    ActError
        No broker, no monitor, a refusal, or no answer in time.
    LinkError
        The password can't be read.
    """
    access = prepare(place, "--")
    if (wish.action == "shelve") != (wish.shelve_s is not None):
        raise ActError("a shelf needs an end: give --shelve-s with shelve, and with nothing else")
    level = topic_level(place, wish.who)
    thread = LoopThread("act")
    try:
        return thread.begin(_ask(access, place.topic, level, wish, wait_s)).result()
    finally:
        thread.close(2.0)


async def _ask(access: Access, prefix: str, level: str, wish: Wish, wait_s: float) -> str:
    heard: asyncio.Queue[Message] = asyncio.Queue(1000)

    def hear(message: Message) -> None:
        if len(message.payload) <= _LARGEST_BYTES and not heard.full():
            heard.put_nowait(message)

    try:
        async with connect(access, unique_identifier(), on_message=hear, answer_timeout_s=wait_s) as connection:
            await connection.subscribe(f"{prefix}/answers/{level}")
            await connection.subscribe(f"{prefix}/state")
            run = await _until(heard, f"{prefix}/state", "run", "", wait_s)
            if run is None:
                raise ActError(f"no monitor has published anything below {prefix}; is --topic right?")
            command = build_command(wish, str(run["run"]))
            await connection.publish(f"{prefix}/commands/{level}", command_payload(command))
            answer = await _until(heard, f"{prefix}/answers/{level}", "id", command.id, wait_s)
    except ConnectionFault as fault:
        raise ActError(clean(fault, 200)) from None
    if answer is None:
        raise ActError("the monitor did not answer; it may have stopped, or this user may not act (the broker's rules)")
    words = clean(answer.get("words", ""), 200)
    if answer.get("accepted") is not True:
        raise ActError(f"refused: {words}")
    return words


async def _until(
    heard: asyncio.Queue[Message], topic: str, field: str, wanted: str, wait_s: float
) -> dict[str, object] | None:
    """The next message on a topic whose field is as wanted (any when empty); None when it does not come."""
    try:
        async with asyncio.timeout(wait_s):
            while True:
                message = await heard.get()
                if message.topic != topic:
                    continue
                try:
                    record = json.loads(message.payload)
                except (ValueError, RecursionError):
                    continue
                if isinstance(record, dict) and field in record and (not wanted or record[field] == wanted):
                    return record
    except TimeoutError:
        return None
