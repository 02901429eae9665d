"""Ways to a broker that fail like radio links do, and a subscriber that wants every transition.

In: a broker's port. Out: a port that leads to it until somebody shuts it, in one of `MODES`. All waits are bounded.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import struct
import threading
from collections.abc import Callable
from typing import Any

from ingest.backoff import Backoff
from ingest.mqtt_client import Connection, ConnectionFault, LoopThread, Message, connect, prepare
from ingest.sheet_wall import PitWall
from tests.brokers import HOST, free_port

DEADLINE_S = 30.0  # only ever reached by a failing test
# cut: everything is closed and nothing answers. reset: the same by RST, and bytes under way are lost. stall: all stays
# open and is accepted, nothing passes; what was given goes on its way afterwards. half: each connection is closed in
# one direction only, the other stalls; new ones stall as well.
MODES = ("cut", "reset", "stall", "half")


class Gate:
    """A way to a port of this machine that can be shut and opened again."""

    def __init__(self, target: int) -> None:
        self.port = free_port()
        self._target = target
        self._changed = threading.Condition()
        self._passing = True
        self._ended = False
        self._server: socket.socket | None = None
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._threads: list[threading.Thread] = []
        self._listen()

    def shut(self, mode: str) -> None:
        """Let nothing pass any more."""
        assert mode in MODES
        with self._changed:
            self._passing = False
            pairs = list(self._pairs)
        if mode in {"cut", "reset"}:
            self._refuse()
            for pair in pairs:
                for each in pair:
                    if mode == "reset":
                        with contextlib.suppress(OSError):
                            each.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                    _break(each)
        elif mode == "half":
            for near, far in pairs:
                with contextlib.suppress(OSError):
                    near.shutdown(socket.SHUT_RD)
                with contextlib.suppress(OSError):
                    far.shutdown(socket.SHUT_WR)

    def open(self) -> None:
        """Let everything pass again."""
        with self._changed:
            self._passing = True
            self._changed.notify_all()
        if self._server is None:
            self._listen()

    def close(self) -> None:
        """End all of it."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()
            pairs = list(self._pairs)
        self._refuse()
        for pair in pairs:
            for each in pair:
                _break(each)
        for thread in self._threads:
            thread.join(DEADLINE_S)
            assert not thread.is_alive()
        for pair in pairs:
            for each in pair:
                each.close()

    def _listen(self) -> None:
        self._server = socket.create_server((HOST, self.port))
        self._work(self._accept, self._server)

    def _refuse(self) -> None:
        if self._server is not None:
            _break(self._server)
            self._server.close()
            self._server = None

    def _work(self, task: Callable[..., None], *arguments: socket.socket) -> None:
        thread = threading.Thread(target=task, args=arguments, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self, server: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = server.accept()
                try:
                    far = socket.create_connection((HOST, self._target), DEADLINE_S)
                except OSError:
                    near.close()
                    continue
                far.settimeout(None)
                with self._changed:
                    self._pairs.append((near, far))
                self._work(self._pump, near, far)
                self._work(self._pump, far, near)

    def _pump(self, source: socket.socket, target: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65_536):
                with self._changed:
                    self._changed.wait_for(lambda: self._passing or self._ended)
                target.sendall(data)
        # The end of a connection does not pass a way that stalls either.
        with self._changed:
            self._changed.wait_for(lambda: self._passing or self._ended)
        _break(target)
        _break(source)


class Pauses(Backoff):
    """The pauses of a link, counted in full and waited for a two-hundredth: a minute's cut takes a moment."""

    def __init__(self) -> None:
        super().__init__()
        self._changed = threading.Condition()
        self._total_s = 0.0

    @property
    def total_s(self) -> float:
        """All pauses so far, s."""
        return self._total_s

    def pause_s(self) -> float:
        """A pause that is over soon."""
        pause_s = super().pause_s()
        with self._changed:
            self._total_s += pause_s
            self._changed.notify_all()
        return pause_s / 200.0

    def wait_for(self, total_s: float) -> None:
        """Until so many seconds of pauses have passed."""
        with self._changed:
            assert self._changed.wait_for(lambda: self._total_s >= total_s, DEADLINE_S), self._total_s


class Subscriber:
    """A script that wants every transition: the broker keeps for it what comes while it is away.

    `transitions` holds each once, in the order of arrival; `repeats` counts those that came again.
    """

    def __init__(self, port: int, prefix: str = "pit", *, identifier: str = "script-1") -> None:
        self.transitions: list[int] = []
        self.repeats = 0
        self.states: list[dict[str, Any]] = []
        self.beats: list[dict[str, Any]] = []
        self.online: list[dict[str, Any]] = []
        self.answers: list[dict[str, Any]] = []
        self._connection: Connection | None = None
        self.pauses = Pauses()
        self._seen: set[tuple[str, int]] = set()
        self._changed = threading.Condition()
        self._prefix, self._identifier = prefix, identifier
        self._access = prepare(PitWall(host=HOST, port=port, topic=prefix))
        self._thread = LoopThread("subscriber")
        self._work = self._thread.begin(self._run())
        self.wait_for(lambda: self._connection is not None)

    async def _run(self) -> None:
        while True:
            try:
                async with connect(
                    self._access, self._identifier, fresh_session=False, on_message=self._hear, answer_timeout_s=1.0
                ) as made:
                    await made.subscribe(f"{self._prefix}/#")
                    with self._changed:
                        self._connection = made
                        self._changed.notify_all()
                    await made.until_lost()
            except ConnectionFault:
                await asyncio.sleep(self.pauses.pause_s())

    def _hear(self, message: Message) -> None:
        record = json.loads(message.payload)
        with self._changed:
            if message.topic == f"{self._prefix}/transitions":
                key = (record["run"], record["sequence"])
                if key in self._seen:
                    self.repeats += 1
                else:
                    self._seen.add(key)
                    self.transitions.append(record["sequence"])
            elif message.topic == f"{self._prefix}/state":
                self.states.append(record)
            elif message.topic == f"{self._prefix}/online":
                self.online.append(record)
            elif message.topic.startswith(f"{self._prefix}/answers/"):
                self.answers.append(record)
            elif message.topic == f"{self._prefix}/heartbeat":
                self.beats.append(record)
            self._changed.notify_all()

    def wait_for(self, until: Callable[[], bool]) -> None:
        """Until something was heard."""
        with self._changed:
            assert self._changed.wait_for(until, DEADLINE_S), (self.transitions[-5:], len(self.transitions))

    def publish(self, name: str, payload: bytes, *, retain: bool = False) -> None:
        """Say something below the prefix."""
        assert self._connection is not None
        self._thread.begin(self._connection.publish(f"{self._prefix}/{name}", payload, retain)).result(DEADLINE_S)

    def close(self) -> None:
        """Leave for good."""
        self._thread.close(5.0)


def _break(which: socket.socket) -> None:
    with contextlib.suppress(OSError):
        which.shutdown(socket.SHUT_RDWR)
