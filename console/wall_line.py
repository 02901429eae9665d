"""The pit wall's own connection to the broker: what is heard, and commands on their way out.

In: commands as bytes. Out: events, oldest first, bounded (later ones are dropped; the newest state comes again within
seconds). A command is sent now or not at all: none waits for a broker that comes back later, when the alarm may have
become another. Never raises after `open`; whether a command was obeyed only the monitor's answer says.
"""

from __future__ import annotations

import asyncio
import contextlib
import queue
import time
from typing import Self

from alerts.payload import Command, command_payload
from ingest.backoff import Backoff
from ingest.mqtt_client import Access, Connection, ConnectionFault, LoopThread, Message, connect, prepare
from ingest.mqtt_link import unique_identifier
from ingest.sheet_wall import PitWall

_MOST_WAITING = 1000
THERE, GONE = "+", "-"  # names of events that are no topic: the broker itself

Event = tuple[str, bytes]  # topic below the prefix and payload


class WallLine:
    """One connection, made again whenever it breaks.

    Parameters
    ----------
    place : PitWall
        Broker and prefix.
    level : str or None
        The level of the topic that commands go out on; None listens only.
    """

    def __init__(self, place: PitWall, level: str | None) -> None:
        self._place = place
        self._level = level
        self._events: queue.Queue[Event] = queue.Queue(_MOST_WAITING)
        self._connection: Connection | None = None
        self._thread: LoopThread | None = None

    def open(self) -> Self:
        """Begin to connect.

        Raises
        ------
        LinkError
            The password can't be read.
        """
        access = prepare(self._place, "--")
        self._thread = LoopThread("pit-wall")
        self._thread.begin(self._keep(access))
        return self

    def close(self) -> None:
        """Leave the broker; closing twice does no harm."""
        if self._thread is not None:
            self._thread.close(2.0)
            self._thread = None

    def take(self, wait_s: float) -> list[Event]:
        """Events since the last call; waits up to `wait_s` for the first."""
        events: list[Event] = []
        with contextlib.suppress(queue.Empty):
            events.append(self._events.get(timeout=wait_s))
            while len(events) < _MOST_WAITING:
                events.append(self._events.get_nowait())
        return events

    def send(self, command: Command) -> None:
        """Send a command if the broker is there."""
        if self._thread is not None:
            self._thread.begin(self._send(command_payload(command)))

    async def _send(self, payload: bytes) -> None:
        if self._connection is not None:
            with contextlib.suppress(ConnectionFault):
                await self._connection.publish(f"{self._place.topic}/commands/{self._level}", payload)

    async def _keep(self, access: Access) -> None:
        backoff = Backoff()
        while True:
            opened_s = None
            try:
                async with connect(access, unique_identifier(), on_message=self._hear) as connection:
                    if self._level is not None:
                        await connection.subscribe(f"{self._place.topic}/answers/{self._level}")
                    for name in ("online", "state", "heartbeat"):
                        await connection.subscribe(f"{self._place.topic}/{name}")
                    opened_s = time.monotonic()
                    self._connection = connection
                    self._put(THERE)
                    await connection.until_lost()
            except ConnectionFault:
                self._put(GONE)
                if opened_s is not None:
                    backoff.worked_for(time.monotonic() - opened_s)
            finally:
                self._connection = None
            await asyncio.sleep(backoff.pause_s())

    def _hear(self, message: Message) -> None:
        self._put(message.topic.removeprefix(f"{self._place.topic}/"), message.payload)

    def _put(self, name: str, payload: bytes = b"") -> None:
        with contextlib.suppress(queue.Full):
            self._events.put_nowait((name, payload))
