"""Alerts over MQTT: publishes them for the pit wall and takes commands from it, in a thread or in a shared loop.

In: transitions and states as bytes, and a call now and then that says the chain is alive. Out: messages below one
prefix, commands in a queue. Never holds up the caller and never raises after `start`; what is wrong is in `status`.
Bounded: the newest 10 000 transitions are held until the broker has acknowledged them (older ones are dropped and
counted), of the state only the newest, of commands 64 at a time (later ones are refused).
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import contextlib
import itertools
import threading
import time
import uuid
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Self

from alerts.payload import Command, answer_payload, heartbeat_payload, online_payload, read_command
from ingest.backoff import Backoff
from ingest.link_loop import LinkLoop
from ingest.link_status import LinkStatus
from ingest.mqtt_client import Access, Connection, ConnectionFault, LoopThread, Message, connect, prepare
from ingest.mqtt_link import unique_identifier
from ingest.sheet_wall import PitWall

MOST_UNSENT = 10_000
_MOST_COMMANDS = 64
_ANSWERS_KEPT = 1000  # so that a command that comes again, as messages may, is answered again and not obeyed again
_IN_FLIGHT = 16  # transitions sent before the first is acknowledged; paho itself keeps 20 in order
_BEAT_S = 1.0
# A broker that notices late that an earlier connection of ours is dead publishes its will after we are back.
_HERE_EVERY_BEATS = 10
# The chain looks in about twenty times a second. When it hangs nobody may be told that all is well.
_CHAIN_SILENT_S = 3.0
_ANSWER_S = 5.0
_FAREWELL_S = 1.0
_STOP_S = 4.0


@dataclass(frozen=True)
class Asked:
    """A command, with the level of the topic it came on: who may act there is up to the broker's access list."""

    command: Command
    level: str


@dataclass(frozen=True)
class Pulse:
    """What the chain last said of itself: newest sample time and its age then, s, and the link in words."""

    time_s: float = float("nan")
    sample_age_s: float | None = None
    link: str = ""
    sequence: int = 0


class Publisher:
    """Publishes one car's alerts.

    Parameters
    ----------
    wall : PitWall
        The broker and the prefix.
    car : str
        Whose alerts these are.
    run : str or None
        Tells this run of the monitor from others; made up when left out.
    backoff : Backoff or None
        Pauses between attempts to connect.
    beat_s : float
        Seconds between heartbeats.
    loop : LinkLoop or None
        Whose turns this publisher works in; all calls are then made from the thread that turns it, and its owner waits
        for the end. None makes a thread.
    """

    def __init__(
        self,
        wall: PitWall,
        car: str,
        run: str | None = None,
        backoff: Backoff | None = None,
        *,
        beat_s: float = _BEAT_S,
        answer_timeout_s: float = _ANSWER_S,
        clock: Callable[[], float] = time.monotonic,
        loop: LinkLoop | None = None,
    ) -> None:
        self.run = run or uuid.uuid4().hex[:12]
        self.status = LinkStatus(f"connecting to {wall.host}:{wall.port}")
        self.refused = 0
        self.dropped = 0
        self._wall = wall
        self._car = car
        self._backoff = backoff or Backoff()
        self._beat_s = beat_s
        self._answer_timeout_s = answer_timeout_s
        self._clock = clock
        self._identifier = unique_identifier()
        self._lock = threading.Lock()
        self._unsent: deque[tuple[int, bytes]] = deque()
        self._state: bytes | None = None
        self._state_sent: bytes | None = None
        self._pulse = Pulse()
        self._pulse_at = float("-inf")
        self._commands: deque[Asked] = deque()
        self._answers: deque[tuple[str, bytes]] = deque(maxlen=_ANSWERS_KEPT)
        self._known: OrderedDict[tuple[str, str], bytes | None] = OrderedDict()
        self._reason = "stopped"
        self._thread: LoopThread | None = None
        self._loop = loop
        self._work: concurrent.futures.Future[None] | asyncio.Task[None] | None = None
        self._wake: asyncio.Event | None = None

    def start(self) -> Self:
        """Begin to connect.

        Raises
        ------
        LinkError
            The password or the TLS authority can't be read.
        """
        access = prepare(self._wall, "pit_wall")
        if self._loop is not None:
            self._work = self._loop.begin(self._run(access))
            return self
        self._thread = LoopThread("pit-wall")
        self._work = self._thread.begin(self._run(access))
        return self

    def stop(self, reason: str = "stopped") -> None:
        """Send what is still waiting and say "offline", within a few seconds, and end the thread.

        Who shares a loop does it in the loop's turns; `LinkLoop.leave` waits for it.
        """
        if self._work is not None:
            self._reason = reason
        if self._thread is not None:
            self._thread.close(_STOP_S)
            self._thread = self._work = None
        elif isinstance(self._work, asyncio.Task):
            self._work.cancel()
            self._work = None  # a second time would cut the farewell short
        self.status.closed(f"{self._wall.host}:{self._wall.port} closed")

    def offer(self, transitions: list[tuple[int, bytes]], state: bytes | None = None) -> None:
        """Take transitions (sequence number and payload), in order, and the state after them."""
        with self._lock:
            self._unsent.extend(transitions)
            while len(self._unsent) > MOST_UNSENT:
                self._unsent.popleft()
                self.dropped += 1
            if state is not None:
                self._state = state
        self._call()

    def alive(self, pulse: Pulse) -> None:
        """The chain works, and this is where it stands; call often, it only takes a note."""
        self._pulse, self._pulse_at = pulse, self._clock()

    def take_commands(self) -> list[Asked]:
        """Commands that came since the last call; each is to be answered."""
        if not self._commands:
            return []
        with self._lock:
            taken = list(self._commands)
            self._commands.clear()
        return taken

    def answer(self, asked: Asked, *, accepted: bool, words: str) -> None:
        """Tell whoever asked what became of it."""
        payload = answer_payload(self.run, asked.command.id, accepted=accepted, words=words)
        with self._lock:
            self._known[asked.level, asked.command.id] = payload
            self._answers.append((asked.level, payload))
        self._call()

    @property
    def unsent(self) -> int:
        """Transitions that the broker has not acknowledged yet."""
        return len(self._unsent)

    def _call(self) -> None:
        if self._wake is None:
            return
        if self._thread is not None:
            self._thread.call(self._wake.set)
        elif self._loop is not None:
            self._wake.set()
            self._loop.hurry()

    def _topic(self, name: str) -> str:
        return f"{self._wall.topic}/{name}"

    async def _run(self, access: Access) -> None:
        self._wake = asyncio.Event()
        try:
            while True:
                await self._one_connection(access)
                await asyncio.sleep(self._backoff.pause_s())
        except Exception as error:  # a publisher that dies in silence would leave the wall to guess
            self.status.closed(f"publishing to {access.where} ended by a fault of this program ({error!r})")
            raise

    async def _one_connection(self, access: Access) -> None:
        opened_s = None
        will = online_payload(self.run, self._car, online=False, reason="the monitor's connection to the broker broke")
        try:
            async with connect(
                access,
                self._identifier,
                answer_timeout_s=self._answer_timeout_s,
                on_message=self._receive,
                will=(self._topic("online"), will),
            ) as connection:
                try:
                    await connection.subscribe(self._topic("commands/+"))
                    await self._say_here(connection)
                    self._state_sent = None
                    opened_s = time.monotonic()
                    self.status.opened(f"{access.where}, topics below {self._wall.topic}")
                    await self._serve(connection)
                except asyncio.CancelledError:
                    await self._farewell(connection)
                    raise
        except ConnectionFault as fault:
            if opened_s is not None:
                self._backoff.worked_for(time.monotonic() - opened_s)
            self.status.failed(str(fault))

    async def _serve(self, connection: Connection) -> None:
        """Send, beat and watch the connection, until one of them ends by a fault."""
        tasks = [
            asyncio.ensure_future(work)
            for work in (connection.until_lost(), self._send_all(connection), self._beat(connection))
        ]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _send_all(self, connection: Connection) -> None:
        assert self._wake is not None
        while True:
            self._wake.clear()
            await self._send_waiting(connection)
            await self._wake.wait()

    async def _send_waiting(self, connection: Connection) -> None:
        """Answers, then transitions in order, each until the broker has it; then the state."""
        while True:
            with self._lock:
                answers = [self._answers[place] for place in range(min(_MOST_COMMANDS, len(self._answers)))]
                batch = [self._unsent[place] for place in range(min(_IN_FLIGHT, len(self._unsent)))]
                state = self._state
            for answer in answers:
                level, payload = answer
                await connection.publish(self._topic(f"answers/{level}"), payload)
                with self._lock:  # only now: a connection that breaks here must not cost anybody an answer
                    if self._answers and self._answers[0] is answer:
                        self._answers.popleft()
            if batch:
                topic = self._topic("transitions")
                await asyncio.gather(*(connection.publish(topic, payload) for _, payload in batch))
                self._acknowledged(batch)
            elif state is not None and state is not self._state_sent:
                await connection.publish(self._topic("state"), state, retain=True)
                self._state_sent = state
            elif not answers:
                return

    def _acknowledged(self, batch: list[tuple[int, bytes]]) -> None:
        """Let go of what the broker has; a full buffer may have dropped some of it meanwhile."""
        with self._lock:
            sent = {id(entry) for entry in batch}
            while self._unsent and id(self._unsent[0]) in sent:
                self._unsent.popleft()

    async def _say_here(self, connection: Connection) -> None:
        await connection.publish(self._topic("online"), online_payload(self.run, self._car, online=True), retain=True)

    async def _beat(self, connection: Connection) -> None:
        for beat in itertools.count(1):
            now = self._clock()
            if now - self._pulse_at <= _CHAIN_SILENT_S:
                pulse = self._pulse
                age = None if pulse.sample_age_s is None else pulse.sample_age_s + now - self._pulse_at
                payload = heartbeat_payload(
                    self.run,
                    pulse.sequence,
                    time_s=pulse.time_s,
                    sample_age_s=age,
                    link=pulse.link,
                    refused=self.refused,
                    dropped=self.dropped,
                )
                await connection.publish(self._topic("heartbeat"), payload, qos=0)
            if beat % _HERE_EVERY_BEATS == 0:
                await self._say_here(connection)
            await asyncio.sleep(self._beat_s)

    async def _farewell(self, connection: Connection) -> None:
        with contextlib.suppress(ConnectionFault, TimeoutError):
            async with asyncio.timeout(_FAREWELL_S):
                await self._send_waiting(connection)
        with contextlib.suppress(ConnectionFault, TimeoutError):
            async with asyncio.timeout(_FAREWELL_S):
                gone = online_payload(self.run, self._car, online=False, reason=self._reason)
                await connection.publish(self._topic("online"), gone, retain=True)

    def _receive(self, message: Message) -> None:
        """In the loop: a message on some topic, from anybody."""
        head = self._topic("commands/")
        level = message.topic[len(head) :]
        # A retained command would be obeyed anew at every start.
        if not message.topic.startswith(head) or not level or "/" in level or message.retained:
            self.refused += 1
            return
        try:
            asked = Asked(read_command(message.payload), level)
        except ValueError:
            self.refused += 1
            return
        with self._lock:
            key = (level, asked.command.id)
            if key in self._known:
                before = self._known[key]
                if before is not None:
                    self._answers.append((level, before))
            elif len(self._commands) >= _MOST_COMMANDS:
                self.refused += 1
            else:
                self._known[key] = None
                while len(self._known) > _ANSWERS_KEPT:
                    self._known.popitem(last=False)
                self._commands.append(asked)
        self._call()
