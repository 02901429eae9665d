"""Receiving many messages at a time: whatever the cut, the same messages and acknowledgements; a flood has a share."""

from __future__ import annotations

import contextlib
import random
import select
import socket
import time
from collections.abc import Callable, Iterator

import pytest
from paho.mqtt.client import Client

from ingest import mqtt_intake
from ingest.backoff import Backoff
from ingest.inbox import Inbox
from ingest.link_loop import LinkLoop
from ingest.mqtt_link import MqttLink
from ingest.sheet_link import Broker
from tests.brokers import HOST

DEADLINE_S = 20.0  # only ever reached by a failing test
PING_ANSWER = b"\xd0\x00"


@pytest.fixture
def loop() -> Iterator[LinkLoop]:
    made = LinkLoop()
    yield made
    made.close()


def until(loop: LinkLoop, true: Callable[[], object]) -> None:
    deadline_s = time.monotonic() + DEADLINE_S
    while not true():
        assert time.monotonic() < deadline_s
        loop.turn()


def length_field(length: int) -> bytes:
    field = b""
    while True:
        length, part = divmod(length, 128)
        field += bytes([part | (128 if length else 0)])
        if not length:
            return field


def publish(payload: bytes, qos: int = 0, number: int = 0, retained: bool = False, topic: bytes = b"a") -> bytes:
    """A PUBLISH packet (MQTT 3.1.1, section 3.3)."""
    body = len(topic).to_bytes(2, "big") + topic + (number.to_bytes(2, "big") if qos else b"") + payload
    return bytes([0x30 | qos << 1 | retained]) + length_field(len(body)) + body


class Server:
    """The broker's end of one link, byte by byte, in the thread of the test."""

    def __init__(self, loop: LinkLoop) -> None:
        self._loop = loop
        self._server = socket.create_server((HOST, 0))
        self._server.setblocking(False)
        self.inbox = Inbox()
        self.tapped: list[bytes] = []
        broker = Broker(host=HOST, port=self._server.getsockname()[1], topic="a")
        self.link = MqttLink(
            broker, lambda got: self.tapped.append(got.payload), self.inbox, backoff=Backoff(100.0, 100.0), loop=loop
        ).start()
        self._made: list[socket.socket] = []
        until(loop, self._accept)
        self.connection = self._made[0]
        self.connection.setblocking(False)
        self.read(2)
        self.connection.send(b"\x20\x02\x00\x00")
        self.heard = b""
        asked = self.read(5)
        self.connection.send(b"\x90\x03" + asked[2:4] + b"\x01")
        until(loop, lambda: self.link.state.word == "open")
        self.heard = b""

    @property
    def intake(self) -> mqtt_intake.Intake:
        peer = self.connection.getpeername()
        (intake,) = (one for one in INTAKES if one._open and one._socket.getsockname() == peer)
        return intake

    def arrived(self) -> None:
        """Wait until something that was sent can be received; a loop that turns is quicker than the system."""
        assert select.select([self.intake._socket], [], [], DEADLINE_S)[0]

    def _accept(self) -> bool:
        try:
            self._made.append(self._server.accept()[0])
        except BlockingIOError:
            return False
        return True

    def read(self, least: int) -> bytes:
        """What the link sends, at least so many bytes of it."""
        self.heard = b""
        until(self._loop, lambda: self._hear() >= least)
        return self.heard

    def _hear(self) -> int:
        with contextlib.suppress(BlockingIOError):
            self.heard += self.connection.recv(1 << 20)
        return len(self.heard)

    def send(self, data: bytes) -> None:
        """Send all of it, with turns of the loop while the way is full."""
        while data:
            try:
                data = data[self.connection.send(data) :]
            except BlockingIOError:
                self._loop.turn()

    def close(self) -> None:
        self._server.close()
        self.connection.close()


INTAKES: list[mqtt_intake.Intake] = []


@pytest.fixture(autouse=True)
def intakes(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    install = mqtt_intake.Intake.install

    def noted(self: mqtt_intake.Intake) -> None:
        INTAKES.append(self)
        install(self)

    monkeypatch.setattr(mqtt_intake.Intake, "install", noted)
    yield
    INTAKES.clear()


@pytest.fixture
def serve(loop: LinkLoop) -> Iterator[Callable[[], Server]]:
    made: list[Server] = []

    def make() -> Server:
        made.append(Server(loop))
        return made[-1]

    yield make
    for each in made:
        each.link.stop()
        each.close()


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("otherwise", [False, True])
def test_any_cut_gives_the_same_messages_and_acknowledges_each_once(
    loop: LinkLoop, serve: Callable[[], Server], monkeypatch: pytest.MonkeyPatch, seed: int, otherwise: bool
) -> None:
    """Also with a release of paho that is built otherwise inside: then aiomqtt's own reader works."""
    if otherwise:
        monkeypatch.setattr(mqtt_intake, "NEEDED", ("_what_it_had_before",))
    chance = random.Random(seed)
    server = serve()
    sent, packets, numbers = [], [], []
    for n in range(1, 400):
        size = chance.choice([0, 1, 5, 120, 130, 3000, 20_000 if n % 50 == 0 else 7])
        payload = chance.randbytes(size)
        qos = chance.choice([0, 0, 1])
        retained = chance.random() < 0.05
        packets.append(publish(payload, qos, n, retained))
        if n % 37 == 0:
            packets.append(PING_ANSWER)
        if n % 90 == 0:  # longer than is read at a time
            sent.append(big := chance.randbytes(150_000))
            packets.append(publish(big))
        if payload and not retained:
            sent.append(payload) if n % 90 else sent.insert(len(sent) - 1, payload)
        if qos:
            numbers.append(n)
    stream = b"".join(packets)
    place = 0
    while place < len(stream):
        size = chance.choice([1, 2, 3, 17, 400, 9000, 100_000])
        server.send(stream[place : place + size])
        place += size
        if chance.random() < 0.7:
            loop.turn()
    until(loop, lambda: len(server.tapped) >= len(sent))
    assert server.tapped == sent
    assert server.link.state.word == "open"
    heard = server.read(4 * len(numbers))
    assert heard == b"".join(b"\x40\x02" + n.to_bytes(2, "big") for n in numbers)


def test_a_flood_hands_over_a_share_each_turn_and_the_other_link_all_it_has(
    loop: LinkLoop, serve: Callable[[], Server]
) -> None:
    flood, calm = serve(), serve()
    flood.send(publish(b"junk") * 5000)
    calm.send(publish(b"good"))
    calm.arrived()
    flood.arrived()
    loop.turn()
    assert calm.tapped == [b"good"]
    until(loop, lambda: len(flood.tapped) == 5000)
    assert flood.tapped == [b"junk"] * 5000


def test_a_turn_brings_a_few_dozen_messages_of_a_link(loop: LinkLoop, serve: Callable[[], Server]) -> None:
    flood = serve()
    flood.send(publish(b"junk") * 2000)
    while len(flood.tapped) < 2000:
        before = len(flood.tapped)
        loop.turn()
        assert len(flood.tapped) - before <= mqtt_intake._MOST_AT_A_TIME


def test_floods_share_what_one_may_hand_over(loop: LinkLoop, serve: Callable[[], Server]) -> None:
    floods = [serve() for _ in range(4)]
    for each in floods:
        each.send(publish(b"junk") * 3000)
    for each in floods:
        each.arrived()
    loop.turn()
    for _ in range(20):
        before = sum(len(each.tapped) for each in floods)
        loop.turn()
        assert sum(len(each.tapped) for each in floods) - before <= 1.5 * mqtt_intake._MOST_AT_A_TIME
    until(loop, lambda: all(len(each.tapped) == 3000 for each in floods))
    assert floods[0].link.state.word == "open"


@pytest.mark.parametrize(
    "wrong",
    [
        b"\x30\xff\xff\xff\xff\x7f" + b"x" * 20,  # a length field that does not end
        b"\x30\x03\x00\x09a",  # a topic that is longer than its packet
        b"\x30\x02\x00\x00",  # no topic
        b"\x00\x00",  # no packet has this kind
    ],
)
def test_what_is_no_mqtt_ends_the_connection_after_what_came_before(
    loop: LinkLoop, serve: Callable[[], Server], wrong: bytes
) -> None:
    server = serve()
    server.send(publish(b"one") + publish(b"two") + wrong + publish(b"three"))
    until(loop, lambda: server.link.state.word == "lost")
    assert server.tapped == [b"one", b"two", b""]


def test_a_connection_that_ends_within_a_message_brings_none_of_it(loop: LinkLoop, serve: Callable[[], Server]) -> None:
    server = serve()
    server.send(publish(b"one") + publish(b"x" * 500)[:300])
    until(loop, lambda: server.tapped)
    server.connection.close()
    until(loop, lambda: server.link.state.word == "lost")
    assert server.tapped == [b"one", b""]


def test_acknowledgements_that_do_not_fit_the_way_are_sent_later(
    serve: Callable[[], Server], monkeypatch: pytest.MonkeyPatch
) -> None:
    takes = [3, 0, 1, 2]  # bytes that the way takes of the next sends; 0: none, try again later
    whole = Client._sock_send

    def narrow(self: Client, data: bytes) -> int:
        if not takes:
            return whole(self, data)
        if not (size := takes.pop(0)):
            raise BlockingIOError
        return whole(self, bytes(data)[:size])

    server = serve()
    monkeypatch.setattr(Client, "_sock_send", narrow)
    server.send(b"".join(publish(b"m", 1, n) for n in range(1, 200)))
    assert server.read(4 * 199) == b"".join(b"\x40\x02" + n.to_bytes(2, "big") for n in range(1, 200))
    assert not takes


def test_any_message_shows_that_the_broker_is_there(loop: LinkLoop, serve: Callable[[], Server]) -> None:
    server = serve()
    server.intake._paho._last_bytes_received = server.intake._paho._last_msg_in = 0.0
    server.send(publish(b"m"))
    until(loop, lambda: server.tapped)
    assert server.intake._paho._last_bytes_received > 0.0
    assert server.intake._paho._last_msg_in > 0.0


def test_where_most_links_are_behind_they_catch_up_and_beside_one_flood_nobody_waits(
    loop: LinkLoop, serve: Callable[[], Server]
) -> None:
    floods = [serve() for _ in range(3)]
    for each in floods:
        each.send(publish(b"junk") * 1500)
        each.arrived()
    loop.turn()
    before = [len(each.tapped) for each in floods]
    loop.catch_up(100, DEADLINE_S)  # three of a hundred
    assert [len(each.tapped) for each in floods] == before
    loop.catch_up(3, DEADLINE_S)
    # On till at most one of the three has more than it could hand over.
    assert sum(len(each.tapped) for each in floods) > sum(before) + 500
    until(loop, lambda: all(len(each.tapped) == 1500 for each in floods))


def test_what_hurries_out_lets_no_flood_in(loop: LinkLoop, serve: Callable[[], Server]) -> None:
    flood = serve()
    flood.send(publish(b"junk") * 2000)
    flood.arrived()
    loop.turn()
    before = len(flood.tapped)
    loop.hurry()
    loop.turn()
    assert len(flood.tapped) - before <= mqtt_intake._MOST_AT_A_TIME
    until(loop, lambda: len(flood.tapped) == 2000)


def test_links_that_are_behind_are_given_no_rests(
    loop: LinkLoop, serve: Callable[[], Server], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a pause after each message or two, a car that has once fallen behind would stay so."""
    behind: list[int] = []
    monkeypatch.setattr(time, "sleep", lambda _: behind.append(loop._loop.hungry))
    links = [serve() for _ in range(4)]
    for each in links:
        each.send(publish(b"sample") * 2000)
    for each in links:
        each.arrived()
    for _ in range(1000):
        loop.turn(0.01)
        if all(len(each.tapped) == 2000 for each in links):
            break
    assert [len(each.tapped) for each in links] == [2000] * 4
    assert not any(behind)


def test_messages_nobody_asked_for_do_not_keep_a_turn_from_ending(loop: LinkLoop, serve: Callable[[], Server]) -> None:
    """Of QoS 2, which paho reads, as many in one call as were never completed."""
    server, other = serve(), serve()
    server.connection.setblocking(False)
    packets = b"".join(b"\x34\x07\x00\x01a" + n.to_bytes(2, "big") + b"xy" for n in range(1, 2000))
    sent = 0
    with contextlib.suppress(BlockingIOError):
        while sent < len(packets):
            sent += server.connection.send(packets[sent:])
            loop.turn()
    other.send(publish(b"sample"))
    other.arrived()
    for _ in range(3):
        loop.turn()
    assert other.tapped == [b"sample"]
