from __future__ import annotations

import asyncio
import contextlib
import gc
import logging
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest.backoff import Backoff
from ingest.errors import LinkError
from ingest.inbox import Inbox, Received
from ingest.mqtt_client import LoopThread, connect, prepare
from ingest.mqtt_link import MqttLink, check_filter, check_topic, unique_identifier
from ingest.senders import MqttSender
from ingest.sheet_link import Broker
from tests.brokers import (
    HOST,
    MOSQUITTO,
    MOSQUITTO_PASSWD,
    OPENSSL,
    AnyBroker,
    EmbeddedBroker,
    RealBroker,
    Relay,
    free_port,
    make_certificates,
)

DEADLINE_S = 20.0  # only ever reached by a failing test
TOPIC = "car/dampers"
USER, PASSWORD = "pit", "seven bolts"

needs_mosquitto = pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")
needs_openssl = pytest.mark.skipif(OPENSSL is None, reason="openssl is not installed")


@pytest.fixture
def real_broker(tmp_path: Path) -> Iterator[RealBroker]:
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    made = RealBroker(tmp_path).start()
    yield made
    made.stop()


@pytest.fixture(params=["embedded", "real"])
def any_broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[AnyBroker]:
    made: AnyBroker
    if request.param == "embedded":
        pytest.importorskip("amqtt.broker")
        made = EmbeddedBroker().start()
    elif MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    else:
        made = RealBroker(tmp_path).start()
    yield made
    made.stop()


@pytest.fixture
def relay(real_broker: RealBroker) -> Iterator[Relay]:
    made = Relay(real_broker.port).mend()
    yield made
    made.cut()


class Station:
    """A link with what it delivered: everything from the inbox, and from the tap."""

    def __init__(self, port: int, **named: Any) -> None:
        self.tapped: list[Received] = []
        self.taken: list[Received] = []
        self.inbox = Inbox()
        for_link = {name: named.pop(name) for name in ("status_topic", "answer_timeout_s") if name in named}
        backoff = named.pop("backoff", None) or Backoff(first_s=0.02, most_s=0.1)
        self.broker = make_broker(port, **named)
        self.link = MqttLink(self.broker, self.tapped.append, self.inbox, backoff=backoff, **for_link)

    def wait_for(self, word: str, *texts: str) -> None:
        said = self.link.status.wait_for(
            lambda state: state.word == word and all(text in state.detail for text in texts), DEADLINE_S
        )
        assert said, self.link.state

    def collect(self, until: Callable[[list[bytes]], bool]) -> list[bytes]:
        """Everything received so far, once `until` holds for it."""
        end = time.monotonic() + DEADLINE_S
        while not until(self.payloads) and time.monotonic() < end:
            self.taken += self.inbox.take(0.5)
        assert until(self.payloads), f"{len(self.payloads)} payloads, the last {self.payloads[-1:]}"
        return self.payloads

    @property
    def payloads(self) -> list[bytes]:
        return [received.payload for received in self.taken]

    @property
    def numbers(self) -> list[int]:
        return [int.from_bytes(payload[:4], "big") for payload in self.payloads if payload]


@pytest.fixture
def stations() -> Iterator[Callable[..., Station]]:
    made: list[Station] = []

    def make(*arguments: Any, **named: Any) -> Station:
        made.append(Station(*arguments, **named))
        made[-1].link.start()
        return made[-1]

    yield make
    for station in made:
        station.link.stop()
        assert station.link._thread is not None
        assert not station.link._thread._thread.is_alive()
        assert station.link.state.word == "closed"


@pytest.fixture
def senders() -> Iterator[Callable[..., MqttSender]]:
    made: list[MqttSender] = []

    def make(port: int, **named: Any) -> MqttSender:
        made.append(MqttSender(make_broker(port, **named), answer_timeout_s=5.0))
        return made[-1].open()

    yield make
    for sender in made:
        sender.close()


def make_broker(port: int, **named: Any) -> Broker:
    return Broker(**{"host": HOST, "port": port, "topic": TOPIC, **named})


def numbered(number: int, size: int = 400) -> bytes:
    return number.to_bytes(4, "big") + bytes(size)


def test_two_thousand_messages_arrive_once_and_in_order(
    any_broker: AnyBroker, stations: Callable[..., Station], senders: Callable[..., MqttSender]
) -> None:
    station = stations(any_broker.port)
    station.wait_for("open", f"{HOST}:{any_broker.port}", TOPIC)
    sender = senders(any_broker.port)
    for number in range(2000):
        sender.send(numbered(number))
    station.collect(lambda payloads: len(payloads) >= 2000)
    assert station.numbers == list(range(2000))
    assert station.tapped == station.taken
    stamps = [received.monotonic_ns for received in station.taken]
    assert stamps == sorted(stamps)


def test_any_bytes_are_a_message(
    any_broker: AnyBroker, stations: Callable[..., Station], senders: Callable[..., MqttSender]
) -> None:
    station = stations(any_broker.port)
    station.wait_for("open")
    messages = [bytes(range(256)), b"\x00", b"\xff" * 70_000, b"{]"]
    sender = senders(any_broker.port)
    for message in messages:
        sender.send(message)
    assert station.collect(lambda payloads: len(payloads) == len(messages)) == messages


def test_a_broker_that_goes_and_comes_under_load(
    any_broker: AnyBroker, stations: Callable[..., Station], senders: Callable[..., MqttSender]
) -> None:
    station = stations(any_broker.port)
    station.wait_for("open")
    sender = senders(any_broker.port)
    stop, sent = threading.Event(), []

    def load() -> None:
        number = 0
        while not stop.is_set():
            try:
                sender.send(numbered(number))
                sent.append(number)
                number += 1
            except LinkError:
                try:
                    sender.open()
                except LinkError:
                    stop.wait(0.02)

    thread = threading.Thread(target=load)
    thread.start()
    try:
        for count in (1, 2):
            before = len(station.numbers)
            station.collect(lambda _, before=before: len(station.numbers) >= before + 100)  # type: ignore[misc]
            any_broker.stop()
            station.wait_for("lost")
            assert station.collect(lambda payloads, count=count: payloads.count(b"") == count)  # type: ignore[misc]
            any_broker.start()
            station.wait_for("open")
            assert station.link.reconnects == count
        before = len(station.numbers)
        station.collect(lambda _: len(station.numbers) >= before + 100)
    finally:
        stop.set()
        thread.join(DEADLINE_S)
    # What a broker drops when it is killed is lost; what comes twice is left to the sample counter. Order holds.
    numbers = station.numbers
    assert numbers == sorted(numbers)
    assert set(numbers) <= set(range(len(sent) + 1))
    assert station.tapped[: len(station.taken)] == station.taken


def test_a_broker_that_is_not_there_yet_is_waited_for(
    any_broker: AnyBroker, stations: Callable[..., Station], senders: Callable[..., MqttSender]
) -> None:
    any_broker.stop()
    station = stations(any_broker.port)
    station.wait_for("connecting", f"nothing answers at {HOST}:{any_broker.port}", "connection refused", "broker run")
    any_broker.start()
    station.wait_for("open")
    assert station.link.reconnects == 0
    senders(any_broker.port).send(b"hello")
    assert station.collect(bool) == [b"hello"]


def test_a_frozen_broker_is_a_loss_and_its_thaw_a_recovery(
    real_broker: RealBroker, stations: Callable[..., Station], senders: Callable[..., MqttSender]
) -> None:
    station = stations(real_broker.port, keep_alive_s=2, answer_timeout_s=0.5)
    station.wait_for("open")
    real_broker.freeze()
    try:
        station.wait_for("lost", "no longer answers")
        station.wait_for("lost", "timed out")
    finally:
        real_broker.thaw()
    station.wait_for("open")
    # Attempts that were given up in the meantime must not come back to life and fight for the identifier.
    sender = senders(real_broker.port)
    for number in range(50):
        sender.send(numbered(number))
    station.collect(lambda _: len(station.numbers) >= 50)
    assert station.numbers == list(range(50))
    assert station.link.state.word == "open"
    assert station.link.reconnects == 1


def test_what_the_broker_kept_during_an_outage_is_delivered_in_order(
    real_broker: RealBroker, relay: Relay, stations: Callable[..., Station], senders: Callable[..., MqttSender]
) -> None:
    station = stations(relay.port, client_id="wall-1")
    station.wait_for("open")
    sender = senders(real_broker.port)
    sender.send(numbered(0))
    station.collect(lambda _: station.numbers == [0])
    relay.cut()
    station.wait_for("lost", "nothing answers")
    for number in range(1, 30):
        sender.send(numbered(number))
    relay.mend()
    station.wait_for("open")
    sender.send(numbered(30))
    station.collect(lambda _: bool(station.numbers) and station.numbers[-1] == 30)
    # QoS 1: what was under way when the link broke may come twice.
    assert sorted(set(station.numbers)) == list(range(31))
    assert station.numbers == sorted(station.numbers)
    assert station.payloads.count(b"") == 1


def test_without_an_identifier_in_the_sheet_an_outage_is_a_gap(
    real_broker: RealBroker, relay: Relay, stations: Callable[..., Station], senders: Callable[..., MqttSender]
) -> None:
    station = stations(relay.port)
    station.wait_for("open")
    sender = senders(real_broker.port)
    relay.cut()
    station.wait_for("lost", "nothing answers")
    sender.send(numbered(1))
    relay.mend()
    station.wait_for("open")
    sender.send(numbered(2))
    station.collect(lambda _: bool(station.numbers))
    assert station.payloads == [b"", numbered(2)]


def test_what_was_kept_from_before_this_run_is_not_live(
    real_broker: RealBroker, stations: Callable[..., Station], senders: Callable[..., MqttSender]
) -> None:
    access = prepare(make_broker(real_broker.port))

    async def subscribe_and_leave() -> None:
        async with connect(access, "wall-2", fresh_session=False) as connection:
            await connection.subscribe(TOPIC)

    thread = LoopThread("yesterday")
    thread.begin(subscribe_and_leave()).result(DEADLINE_S)
    thread.close(DEADLINE_S)
    sender = senders(real_broker.port)
    sender.send(b"yesterday")
    station = stations(real_broker.port, client_id="wall-2")
    station.wait_for("open")
    sender.send(b"today")
    assert station.collect(bool) == [b"today"]


def test_a_retained_message_is_not_live(
    real_broker: RealBroker, stations: Callable[..., Station], senders: Callable[..., MqttSender]
) -> None:
    sender = senders(real_broker.port)
    assert sender._connection is not None
    sender._wait(sender._connection.publish(TOPIC, b"old", retain=True))
    station = stations(real_broker.port)
    station.wait_for("open")
    sender.send(b"new")
    assert station.collect(bool) == [b"new"]
    assert station.link.retained_ignored == 1


def watch_status(port: int, stations: Callable[..., Station], topic: str) -> Station:
    watcher = stations(port, topic=topic)
    watcher.wait_for("open")
    return watcher


@pytest.mark.parametrize("client_id", [None, "wall-3"])
def test_the_status_topic_says_online_and_offline(
    client_id: str | None, real_broker: RealBroker, stations: Callable[..., Station]
) -> None:
    watcher = watch_status(real_broker.port, stations, f"{TOPIC}/watch")
    station = stations(real_broker.port, status_topic=f"{TOPIC}/watch", client_id=client_id)
    assert watcher.collect(lambda payloads: len(payloads) == 1) == [b"online"]
    station.link.stop()
    assert watcher.collect(lambda payloads: len(payloads) == 2) == [b"online", b"offline"]


def test_a_link_that_is_cut_off_is_offline_by_its_will(
    real_broker: RealBroker, relay: Relay, stations: Callable[..., Station]
) -> None:
    watcher = watch_status(real_broker.port, stations, f"{TOPIC}/watch")
    station = stations(relay.port, status_topic=f"{TOPIC}/watch")
    assert watcher.collect(lambda payloads: len(payloads) == 1) == [b"online"]
    relay.cut()
    assert watcher.collect(lambda payloads: len(payloads) == 2) == [b"online", b"offline"]
    relay.mend()
    station.wait_for("open")
    assert watcher.collect(lambda payloads: len(payloads) == 3)[2] == b"online"


@needs_mosquitto
@pytest.mark.skipif(MOSQUITTO_PASSWD is None, reason="mosquitto_passwd is not installed")
def test_user_and_password(
    tmp_path: Path,
    stations: Callable[..., Station],
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    capfd: pytest.CaptureFixture[str],
) -> None:
    caplog.set_level(logging.DEBUG)
    users = tmp_path / "users"
    assert MOSQUITTO_PASSWD is not None
    subprocess.run([MOSQUITTO_PASSWD, "-b", "-c", str(users), USER, PASSWORD], check=True, timeout=DEADLINE_S)
    users.chmod(0o644)
    broker = RealBroker(tmp_path, "allow_anonymous false", f"password_file {users}").start()
    try:
        stations(broker.port).wait_for("connecting", "refused the connection", "bad user or password")
        monkeypatch.setenv("DAMPERWATCH_TEST_PASSWORD", "eight bolts")
        wrong = stations(broker.port, user=USER, password_variable="DAMPERWATCH_TEST_PASSWORD")
        wrong.wait_for("connecting", "refused the connection", "bad user or password")
        monkeypatch.setenv("DAMPERWATCH_TEST_PASSWORD", PASSWORD)
        right = stations(broker.port, user=USER, password_variable="DAMPERWATCH_TEST_PASSWORD")
        right.wait_for("open")
        secret = tmp_path / "secret"
        secret.write_text(PASSWORD + "\r\n")
        from_file = stations(broker.port, user=USER, password_file=str(secret))
        from_file.wait_for("open")
        sender = MqttSender(make_broker(broker.port, user=USER, password_file=str(secret))).open()
        sender.send(b"hello")
        sender.close()
        assert right.collect(bool) == from_file.collect(bool) == [b"hello"]
        with pytest.raises(LinkError, match="bad user or password"):
            MqttSender(make_broker(broker.port)).open()
        said = " ".join([caplog.text, *capfd.readouterr(), repr(prepare(right.broker)), repr(right.link.state)])
        assert PASSWORD not in said
        assert "eight bolts" not in said + repr(wrong.link.state)
    finally:
        broker.stop()


@needs_mosquitto
@needs_openssl
def test_tls_with_the_right_and_the_wrong_authority(tmp_path: Path, stations: Callable[..., Station]) -> None:
    authority, certificate, key = make_certificates(tmp_path, "own")
    wrong, _, _ = make_certificates(tmp_path, "wrong")
    for path in (authority, certificate, key):
        path.chmod(0o644)
    broker = RealBroker(tmp_path, "allow_anonymous true", f"certfile {certificate}", f"keyfile {key}").start()
    try:
        right = stations(broker.port, tls=True, tls_authority_file=str(authority))
        right.wait_for("open")
        sender = MqttSender(make_broker(broker.port, tls=True, tls_authority_file=str(authority))).open()
        for number in range(200):
            sender.send(numbered(number))
        sender.close()
        right.collect(lambda payloads: len(payloads) >= 200)
        assert right.numbers == list(range(200))
        distrust = stations(broker.port, tls=True, tls_authority_file=str(wrong))
        distrust.wait_for("connecting", "TLS certificate of", "not trusted", "tls_authority_file")
        # The certificate is for the address, not for this name of the same computer.
        other_name = stations(broker.port, host="localhost", tls=True, tls_authority_file=str(authority))
        other_name.wait_for("connecting", "not trusted", "Hostname mismatch")
        plain = stations(broker.port, answer_timeout_s=0.5)
        plain.wait_for("connecting", "timed out", "without TLS")
    finally:
        broker.stop()


def test_tls_to_a_broker_without_it(real_broker: RealBroker, stations: Callable[..., Station]) -> None:
    station = stations(real_broker.port, tls=True)
    assert station.link.status.wait_for(lambda state: "TLS" in state.detail, DEADLINE_S)
    assert station.link.state.word == "connecting"


class Mute:
    """A server that accepts connections and says nothing."""

    def __init__(self) -> None:
        self._socket = socket.create_server((HOST, 0), backlog=64)
        self.port = int(self._socket.getsockname()[1])

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def mute() -> Iterator[Mute]:
    made = Mute()
    yield made
    made.close()


@contextlib.contextmanager
def scripted_broker(talk: Callable[[socket.socket], None]) -> Iterator[int]:
    """A broker that accepts one connection and then does what `talk` says; gives its port."""
    with socket.create_server((HOST, 0)) as server:
        server.settimeout(DEADLINE_S)

        def serve() -> None:
            connection, _ = server.accept()
            with connection:
                connection.settimeout(DEADLINE_S)
                connection.recv(1000)
                connection.sendall(b"\x20\x02\x00\x00")  # connection accepted
                talk(connection)

        thread = threading.Thread(target=serve)
        thread.start()
        yield int(server.getsockname()[1])
        thread.join(DEADLINE_S)


def test_a_topic_that_may_not_be_read(stations: Callable[..., Station]) -> None:
    # Mosquitto's own rules agree to every subscription and then deliver nothing; other brokers say no.
    def refuse(connection: socket.socket) -> None:
        asked = connection.recv(1000)
        connection.sendall(b"\x90\x03" + asked[2:4] + b"\x80")  # subscription refused
        connection.recv(1000)

    with scripted_broker(refuse) as port:
        station = stations(port, backoff=Backoff(first_s=3600.0, most_s=3600.0))
        station.wait_for("connecting", f"does not let this user read {TOPIC}")


def test_a_broker_that_goes_without_acknowledging_is_not_waited_for() -> None:
    def go(connection: socket.socket) -> None:
        connection.recv(1000)

    with scripted_broker(go) as port:
        sender = MqttSender(make_broker(port), answer_timeout_s=DEADLINE_S).open()
        with pytest.raises(LinkError, match="lost"):
            sender.send(b"x")
        sender.close()


@pytest.fixture
def root_log() -> Iterator[list[str]]:
    """What would reach stderr in a program that has set up no logging."""
    said: list[str] = []

    class Handler(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            said.append(f"{record.name}: {record.getMessage()}")

    handler = Handler(logging.WARNING)
    logging.getLogger().addHandler(handler)
    yield said
    logging.getLogger().removeHandler(handler)


def test_a_connection_that_is_reset_is_not_logged_over_the_board(
    stations: Callable[..., Station], root_log: list[str]
) -> None:
    def reset(connection: socket.socket) -> None:
        asked = connection.recv(1000)
        connection.sendall(b"\x90\x03" + asked[2:4] + b"\x01")
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

    with scripted_broker(reset) as port:
        stations(port, backoff=Backoff(first_s=3600.0, most_s=3600.0)).wait_for("lost")
    assert root_log == []


def test_what_nobody_retrieves_is_not_logged_over_the_board(root_log: list[str]) -> None:
    async def fail() -> None:
        raise ZeroDivisionError

    async def forget() -> None:
        await asyncio.wait({asyncio.ensure_future(fail())})

    thread = LoopThread("forgetful")
    thread.begin(forget()).result(DEADLINE_S)
    gc.collect()
    thread.close(DEADLINE_S)
    gc.collect()
    assert root_log == []


def test_an_attempt_that_was_given_up_is_hung_up(stations: Callable[..., Station]) -> None:
    # It would be pinged on, and come to life under our identifier when the broker does.
    with socket.create_server((HOST, 0)) as server:
        server.settimeout(DEADLINE_S)
        station = stations(server.getsockname()[1], answer_timeout_s=0.05, keep_alive_s=600)
        connection, _ = server.accept()
        with connection:
            connection.settimeout(DEADLINE_S)
            while connection.recv(1000):
                pass
        station.wait_for("connecting", "timed out")


def test_a_server_that_says_nothing_times_out_again_and_again(mute: Mute, stations: Callable[..., Station]) -> None:
    # A client of aiomqtt that is used a second time takes itself for connected here.
    station = stations(mute.port, answer_timeout_s=0.05)
    words: list[str] = []
    station.wait_for("connecting", "timed out", "is it an MQTT broker")
    assert not station.link.status.wait_for(lambda state: words.append(state.word) or state.word == "open", 1.0)  # type: ignore[func-returns-value]
    assert set(words) == {"connecting"}


def test_stopping_while_connecting_is_prompt(mute: Mute, stations: Callable[..., Station]) -> None:
    station = stations(mute.port, answer_timeout_s=3600.0)
    station.link.stop()
    assert station.link._thread is not None
    assert not station.link._thread._thread.is_alive()


def test_stopping_does_not_wait_for_the_pause_between_attempts(stations: Callable[..., Station]) -> None:
    station = stations(free_port(), backoff=Backoff(first_s=3600.0, most_s=3600.0, jitter=0.0))
    station.wait_for("connecting", "nothing answers")
    station.link.stop()
    assert station.link._thread is not None
    assert not station.link._thread._thread.is_alive()


def test_stopping_while_a_host_name_is_looked_up_leaves_that_behind(
    stations: Callable[..., Station], monkeypatch: pytest.MonkeyPatch
) -> None:
    looked_up, answer = threading.Event(), threading.Event()

    def slow(*_arguments: Any, **_named: Any) -> Any:
        looked_up.set()
        answer.wait(DEADLINE_S)
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", slow)
    station = stations(1883, host="broker.invalid")
    assert looked_up.wait(DEADLINE_S)
    station.link.stop()
    assert station.link._thread is not None
    assert not station.link._thread._thread.is_alive()
    answer.set()


def test_a_program_ends_while_a_host_name_is_looked_up() -> None:
    program = """
import socket, threading
from ingest.inbox import Inbox
from ingest.mqtt_link import MqttLink
from ingest.sheet_link import Broker

looked_up = threading.Event()

def slow(*arguments, **named):
    looked_up.set()
    threading.Event().wait(3600)

socket.getaddrinfo = slow
link = MqttLink(Broker(host="broker.invalid", topic="car"), lambda received: None, Inbox()).start()
assert looked_up.wait(20)
link.stop()
print(link.state.word)
"""
    root = Path(__file__).parent.parent.parent
    ended = subprocess.run(
        [sys.executable, "-c", program], cwd=root, capture_output=True, text=True, timeout=2 * DEADLINE_S, check=False
    )
    assert (ended.stdout, ended.stderr, ended.returncode) == ("closed\n", "", 0)


def test_a_link_that_was_never_started_can_be_stopped() -> None:
    link = MqttLink(make_broker(1), lambda _: None, Inbox())
    link.stop()
    assert link.state.word == "closed"


def test_an_unknown_host_says_so(stations: Callable[..., Station], monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_arguments: Any, **_named: Any) -> Any:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    stations(1883, host="broker.invalid").wait_for("connecting", "host broker.invalid not known")


def test_nothing_reaches_the_screen_when_brokers_come_and_go(
    real_broker: RealBroker,
    stations: Callable[..., Station],
    senders: Callable[..., MqttSender],
    capfd: pytest.CaptureFixture[str],
) -> None:
    station = stations(real_broker.port)
    sender = senders(real_broker.port)
    for _ in range(3):
        station.wait_for("open")
        real_broker.stop()
        station.wait_for("lost")
        with pytest.raises(LinkError):
            sender.send(b"into the void")
        gc.collect()
        real_broker.start()
        sender.open()
    station.wait_for("open")
    station.link.stop()
    gc.collect()
    assert capfd.readouterr() == ("", "")


def test_a_fault_of_our_own_is_shown_and_does_not_look_like_silence(
    real_broker: RealBroker, senders: Callable[..., MqttSender]
) -> None:
    def broken(_: Received) -> None:
        raise ZeroDivisionError

    link = MqttLink(make_broker(real_broker.port), broken, Inbox()).start()
    assert link.status.wait_for(lambda state: state.word == "open", DEADLINE_S)
    senders(real_broker.port).send(b"x")
    assert link.status.wait_for(lambda state: state.word == "closed", DEADLINE_S)
    link.stop()
    assert "fault of this program (ZeroDivisionError())" in link.state.detail


def test_a_sender_says_what_is_wrong_and_can_open_again(
    any_broker: AnyBroker, senders: Callable[..., MqttSender]
) -> None:
    sender = senders(any_broker.port)
    sender.send(b"x")
    any_broker.stop()
    with pytest.raises(LinkError, match=rf"connection to {HOST}:{any_broker.port} lost"):
        sender.send(b"x")
    with pytest.raises(LinkError, match="not connected"):
        sender.send(b"x")
    with pytest.raises(LinkError, match="nothing answers"):
        sender.open()
    any_broker.start()
    sender.open().send(b"x")


def test_a_sender_waits_for_the_acknowledgement(real_broker: RealBroker) -> None:
    sender = MqttSender(make_broker(real_broker.port), answer_timeout_s=0.3).open()
    real_broker.freeze()
    try:
        with pytest.raises(LinkError, match="timed out"):
            sender.send(b"x")
        with pytest.raises(LinkError, match="timed out"):
            sender.open()
    finally:
        real_broker.thaw()
    sender.close()


def test_a_missing_password_is_an_error_at_the_start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DAMPERWATCH_TEST_PASSWORD", raising=False)
    absent = make_broker(1, user=USER, password_variable="DAMPERWATCH_TEST_PASSWORD")
    with pytest.raises(LinkError, match=r"no variable DAMPERWATCH_TEST_PASSWORD .*password_variable"):
        MqttLink(absent, lambda _: None, Inbox()).start()
    with pytest.raises(LinkError, match=r"no variable"):
        MqttSender(absent).open()
    unreadable = make_broker(1, user=USER, password_file=str(tmp_path / "none"))
    with pytest.raises(LinkError, match=r"none \(No such file or directory\); see link.mqtt.password_file"):
        MqttLink(unreadable, lambda _: None, Inbox()).start()


def test_a_wrong_authority_file_is_an_error_at_the_start(tmp_path: Path) -> None:
    path = tmp_path / "authority.pem"
    for content in (None, "no certificate"):
        if content is not None:
            path.write_text(content)
        broker = make_broker(1, tls=True, tls_authority_file=str(path))
        with pytest.raises(LinkError, match=r"authority.pem as TLS authority .*PEM"):
            MqttLink(broker, lambda _: None, Inbox()).start()


@pytest.mark.parametrize("topic", ["a", "a/b", "/a//b", "+", "#", "a/+/b", "a/#", "+/+/#"])
def test_topics_that_can_be_subscribed_to(topic: str) -> None:
    check_filter(topic)


@pytest.mark.parametrize("topic", ["", "a#", "a/#/b", "a+/b", "#/a", "a\0b"])
def test_topics_that_can_not_be_subscribed_to(topic: str) -> None:
    with pytest.raises(LinkError, match="can't subscribe"):
        check_filter(topic)
    with pytest.raises(LinkError, match="can't publish"):
        check_topic(topic)


@pytest.mark.parametrize("topic", ["+", "a/#"])
def test_nothing_is_published_to_many_topics(topic: str) -> None:
    with pytest.raises(LinkError, match="can't publish"):
        MqttSender(make_broker(1, topic=topic)).open()


def test_identifiers_are_short_plain_and_never_the_same() -> None:
    made = {unique_identifier() for _ in range(100)}
    assert len(made) == 100
    assert all(len(identifier) == 23 and identifier.isalnum() and identifier.isascii() for identifier in made)
