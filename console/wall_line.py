"""The pit wall's own connection to the broker: what is heard of each car, and commands on their way out.

In: commands as bytes. Out: messages by car, bounded: of each topic only the newest waits (of answers some), so that a
car that sends without end pushes nobody else's out; topics of cars not known yet share a bounded place, and what does
not fit is counted. A command is sent now or not at all: none waits for a broker that comes back later, when the alarm
may have become another. Never raises after `open`; whether a command was obeyed only the monitor's answer says.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import Self

from alerts.payload import Command, command_payload
from console.wall_topics import HEARD, WallTopics
from ingest.backoff import Backoff
from ingest.mqtt_client import (
    Access,
    Connection,
    ConnectionFault,
    LoopThread,
    Message,
    SubscriptionFault,
    connect,
    prepare,
)
from ingest.mqtt_link import unique_identifier
from ingest.sheet_broker import BrokerAccess

MOST_STRANGERS = 1200  # topics that wait of cars not known yet: those of more cars than are shown
MOST_ANSWERS = 64  # of one car: twice as many as one wall waits for
# One more than is ever read: what is cut becomes no message at all.
_MOST_BYTES = {"state": 100_001, "heartbeat": 4001, "online": 4001}
_MOST_ANSWER_BYTES = 4001

Event = tuple[str, str, bytes]  # the car's prefix, what of it, and the payload


@dataclass(frozen=True)
class Heard:
    """What came since the last look; `there` says whether the broker came or went, None when neither."""

    events: tuple[Event, ...] = ()
    there: bool | None = None


class WallLine:
    """One connection, made again whenever it breaks.

    Parameters
    ----------
    broker : BrokerAccess
        Where, as whom.
    topics : WallTopics
        Which cars.
    level : str or None
        The level of the topic that commands go out on; None listens only.
    """

    def __init__(self, broker: BrokerAccess, topics: WallTopics, level: str | None) -> None:
        self.crowded = 0
        self.refused: dict[str, str] = {}  # by prefix: what the broker does not let this user read
        self._broker = broker
        self._topics = topics
        self._level = level
        self._known = set(topics.names)
        self._lock = threading.Condition()
        self._waiting: dict[tuple[str, str], bytes] = {}
        self._answers: dict[str, deque[bytes]] = {}
        self._strangers: dict[tuple[str, str], bytes] = {}
        self._there: bool | None = None
        self._connection: Connection | None = None
        self._thread: LoopThread | None = None

    def open(self) -> Self:
        """Begin to connect.

        Raises
        ------
        LinkError
            The password can't be read.
        """
        access = prepare(self._broker, "--")
        self._thread = LoopThread("pit-wall")
        self._thread.begin(self._keep(access))
        return self

    def close(self) -> None:
        """Leave the broker; closing twice does no harm."""
        if self._thread is not None:
            self._thread.close(2.0)
            self._thread = None

    def know(self, prefix: str) -> None:
        """Give a car a place of its own from now on."""
        with self._lock:
            self._known.add(prefix)

    def take(self, wait_s: float) -> Heard:
        """What came since the last call; waits up to `wait_s` for the first."""
        with self._lock:
            self._lock.wait_for(self._has_news, wait_s)
            answers = [(prefix, "answers", payload) for prefix, kept in self._answers.items() for payload in kept]
            others = [(*key, payload) for kept in (self._waiting, self._strangers) for key, payload in kept.items()]
            there, self._there = self._there, None
            self._waiting, self._strangers, self._answers = {}, {}, {}
        return Heard((*answers, *others), there)

    def send(self, prefix: str, command: Command) -> None:
        """Send a command to a car's monitor if the broker is there."""
        if self._thread is not None:
            self._thread.begin(self._send(f"{prefix}/commands/{self._level}", command_payload(command)))

    def hear(self, message: Message) -> None:
        """Take a message, in the connection's thread."""
        found = self._topics.split(message.topic, self._level)
        if found is None:
            return
        prefix, name = found
        with self._lock:
            if name not in HEARD:
                if prefix in self._known:
                    kept = self._answers.setdefault(prefix, deque(maxlen=MOST_ANSWERS))
                    kept.append(message.payload[:_MOST_ANSWER_BYTES])
            elif prefix in self._known:
                _newest(self._waiting, found, message.payload[: _MOST_BYTES[name]])
            elif found in self._strangers or len(self._strangers) < MOST_STRANGERS:
                _newest(self._strangers, found, message.payload[: _MOST_BYTES[name]])
            else:
                self.crowded += 1
            self._lock.notify()

    def _has_news(self) -> bool:
        return bool(self._waiting or self._strangers or self._answers or self._there is not None)

    async def _send(self, topic: str, payload: bytes) -> None:
        if self._connection is not None:
            with contextlib.suppress(ConnectionFault):
                await self._connection.publish(topic, payload)

    async def _keep(self, access: Access) -> None:
        backoff = Backoff()
        while True:
            opened_s = None
            try:
                async with connect(access, unique_identifier(), on_message=self.hear) as connection:
                    await self._subscribe(connection)
                    opened_s = time.monotonic()
                    self._connection = connection
                    self._tell(there=True)
                    await connection.until_lost()
            except ConnectionFault:
                self._tell(there=False)
                if opened_s is not None:
                    backoff.worked_for(time.monotonic() - opened_s)
            except Exception:
                # A fault of this program's own: what the screens know is old from here on, and it is tried again.
                self._tell(there=False)
            finally:
                self._connection = None
            await asyncio.sleep(backoff.pause_s())

    async def _subscribe(self, connection: Connection) -> None:
        """Ask for every car; of several, one that this user may not read costs the others nothing."""
        refused: dict[str, str] = {}
        for prefix in self._topics.prefixes:
            answers = [] if self._level is None else [f"answers/{self._level}"]
            for name in (*answers, *HEARD):
                try:
                    await connection.subscribe(f"{prefix}/{name}")
                except SubscriptionFault as fault:
                    if self._topics.one is not None:
                        raise
                    refused[prefix] = str(fault)
        self.refused = refused

    def _tell(self, *, there: bool) -> None:
        with self._lock:
            self._there = there
            self._lock.notify()


def _newest(kept: dict[tuple[str, str], bytes], key: tuple[str, str], payload: bytes) -> None:
    """Keep the newest of a topic, last in order: a stop that came before a beat is read before it."""
    kept.pop(key, None)
    kept[key] = payload
