"""The live link over MQTT: connects to a broker, subscribes, and does both again after every loss.

Works in a thread of its own, or in a loop that it shares with other cars' links. In: the broker of a car sheet. Out:
each message's payload, stamped as it was received, to the tap and then to the inbox; an empty payload where the
connection broke. `start` raises LinkError when the password or the TLS authority can't be read or the topic can't be
subscribed to; after that whatever goes wrong is in `state`.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import contextlib
import hashlib
import socket
import time
import uuid
from collections.abc import Callable
from typing import Self

from ingest.backoff import Backoff
from ingest.errors import LinkError
from ingest.inbox import Inbox, LinkState, Received
from ingest.link_loop import LinkLoop
from ingest.link_status import LinkStatus
from ingest.mqtt_client import Access, Connection, ConnectionFault, LoopThread, Message, connect, prepare
from ingest.sheet_link import Broker
from ingest.text import clean

ONLINE = b"online"
OFFLINE = b"offline"
_ANSWER_S = 5.0  # a radio link that takes longer for one answer is of no use for live data
_FAREWELL_S = 1.0  # for saying "offline" and leaving the broker in order
_STOP_S = 4.0  # a host name that can't be looked up can hang longer: the thread is then left behind


class MqttLink:
    """A topic of an MQTT broker as a `ingest.inbox.Link`.

    With a `client_id` in the car sheet the broker keeps messages while the connection is away, and delivers them
    after; what it kept from before this run is thrown away. Without one, the identifier is made anew for each run
    and the broker forgets it at once. Messages that the broker has retained are no live data: `retained_ignored`
    counts them. A message may come twice; the sample counter shows it.

    Parameters
    ----------
    broker : Broker
        Where, as whom, which topic.
    tap : callable
        Gets every payload first, in the link's thread: the recorder. Must not raise.
    inbox : Inbox
        Gets every payload after it.
    status_topic : str or None
        Where to publish, retained, "online" while this link is open and "offline" when it is not, whatever ends it.
    backoff : Backoff or None
        Pauses between attempts to connect.
    answer_timeout_s : float
        Longest wait for each answer of the broker.
    loop : LinkLoop or None
        Whose turns this link works in; its owner also waits for the end. None makes a thread.
    """

    def __init__(
        self,
        broker: Broker,
        tap: Callable[[Received], None],
        inbox: Inbox,
        status_topic: str | None = None,
        backoff: Backoff | None = None,
        answer_timeout_s: float = _ANSWER_S,
        loop: LinkLoop | None = None,
    ) -> None:
        self._broker = broker
        self._tap = tap
        self._inbox = inbox
        self._status_topic = status_topic
        self._backoff = backoff or Backoff()
        self._answer_timeout_s = answer_timeout_s
        self._identifier = broker.client_id or unique_identifier()
        self._keeps_session = broker.client_id is not None
        self._thread: LoopThread | None = None
        self._loop = loop
        self._work: concurrent.futures.Future[None] | asyncio.Task[None] | None = None
        self.retained_ignored = 0
        self.status = LinkStatus(f"connecting to {broker.host}:{broker.port}")

    @property
    def state(self) -> LinkState:
        """How the link stands now."""
        return self.status.state

    @property
    def reconnects(self) -> int:
        """How often the link has been open again after a loss."""
        return self.status.reconnects

    def start(self) -> Self:
        """Begin to connect.

        Raises
        ------
        LinkError
            Password or TLS authority can't be read, or the topic can't be subscribed to.
        """
        check_filter(self._broker.topic)
        if self._status_topic is not None:
            check_topic(self._status_topic)
        access = prepare(self._broker)
        if self._loop is not None:
            self._work = self._loop.begin(self._run(access))
            return self
        self._thread = LoopThread("mqtt-link")
        self._work = self._thread.begin(self._run(access))
        return self

    def stop(self) -> None:
        """Leave the broker and wait for the thread, at most a few seconds; who shares a loop leaves in its turns."""
        if self._thread is not None and self._work is not None:
            self._thread.close(_STOP_S)
        elif isinstance(self._work, asyncio.Task):
            self._work.cancel()
            self._work = None  # a second time would cut the farewell short
        self.status.closed(f"{self._broker.host}:{self._broker.port} closed")

    async def _run(self, access: Access) -> None:
        try:
            if self._keeps_session:
                await self._forget_old_session(access)
            while True:
                await self._one_connection(access)
                await asyncio.sleep(self._backoff.pause_s())
        except Exception as error:  # a link that dies in silence would leave old numbers on the board
            self.status.closed(f"the link to {access.where} ended by a fault of this program ({error!r})")
            raise

    async def _forget_old_session(self, access: Access) -> None:
        while True:
            try:
                async with connect(access, self._identifier, answer_timeout_s=self._answer_timeout_s):
                    return
            except ConnectionFault as fault:
                self.status.failed(str(fault))
            await asyncio.sleep(self._backoff.pause_s())

    async def _one_connection(self, access: Access) -> None:
        opened_s = None
        try:
            async with connect(
                access,
                self._identifier,
                fresh_session=not self._keeps_session,
                answer_timeout_s=self._answer_timeout_s,
                on_message=self._deliver_message,
                will=(self._status_topic, OFFLINE) if self._status_topic else None,
            ) as connection:
                try:
                    await connection.subscribe(self._broker.topic)
                    if self._status_topic:
                        await connection.publish(self._status_topic, ONLINE, retain=True)
                    opened_s = time.monotonic()
                    self.status.opened(f"{access.where}, topic {self._broker.topic}")
                    await connection.until_lost()
                except asyncio.CancelledError:
                    await self._farewell(connection)
                    raise
        except ConnectionFault as fault:
            if opened_s is not None:
                self._backoff.worked_for(time.monotonic() - opened_s)
                self._deliver(b"")
            self.status.failed(str(fault))

    async def _farewell(self, connection: Connection) -> None:
        with contextlib.suppress(ConnectionFault, TimeoutError):
            async with asyncio.timeout(_FAREWELL_S):
                if self._keeps_session:
                    await connection.unsubscribe(self._broker.topic)
                if self._status_topic:
                    await connection.publish(self._status_topic, OFFLINE, retain=True)

    def _deliver_message(self, message: Message) -> None:
        if message.retained:
            self.retained_ignored += 1
        elif message.payload:
            self._deliver(message.payload)

    def _deliver(self, payload: bytes) -> None:
        received = Received(payload, time.monotonic_ns(), time.time_ns())
        self._tap(received)
        self._inbox.put(received)


def unique_identifier() -> str:
    """Return a client identifier that no other run has, of the 23 letters and digits every broker must accept.

    Six of them stay the same on one computer (MQTT 3.1.1, section 3.1.3.1, gives length and letters).
    """
    computer = hashlib.sha256(socket.gethostname().encode("utf-8", "replace")).hexdigest()
    return f"damperwatch{computer[:6]}{uuid.uuid4().hex[:6]}"


def check_topic(topic: str) -> None:
    """Raise LinkError when nothing can be published to `topic`."""
    if not topic or "\0" in topic or "+" in topic or "#" in topic:
        raise LinkError(f"can't publish to topic {clean(topic)!r}: it must not be empty or hold + or #")


def check_filter(topic: str) -> None:
    """Raise LinkError when `topic` can't be subscribed to (MQTT 3.1.1, section 4.7.1)."""
    levels = topic.split("/")
    alone = all(level in {"+", "#"} or ("+" not in level and "#" not in level) for level in levels)
    if not topic or "\0" in topic or not alone or "#" in levels[:-1]:
        raise LinkError(
            f"can't subscribe to topic {clean(topic)!r}: + and # must stand alone between slashes, # only at the end"
        )
