"""The pit wall's topics against brokers: late joiners, a broker that dies, commands from anybody, and the will."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema  # type: ignore[import-untyped]
import pytest

from alerts.alert import UNDER_THE_CAR, Definition, Evidence, Standing, Transition
from alerts.lifecycle import State
from alerts.payload import (
    MOST_COMMAND_BYTES,
    MOST_STATE_BYTES,
    MOST_TRANSITION_BYTES,
    Command,
    StateWriter,
    command_payload,
    read_command,
    transition_payload,
)
from alerts.publisher import MOST_UNSENT, Publisher, Pulse
from ingest.backoff import Backoff
from ingest.mqtt_client import Connection, ConnectionFault, LoopThread, Message, connect, prepare
from ingest.mqtt_link import unique_identifier
from ingest.sheet_wall import PitWall
from tests.brokers import HOST, MOSQUITTO, AnyBroker, EmbeddedBroker, RealBroker

DEADLINE_S = 20.0  # only ever reached by a failing test
ROOT = Path(__file__).parent.parent.parent
SCHEMA = json.loads((ROOT / "docs/alerts.schema.json").read_text(encoding="utf-8"))
HOSTILE = "\x1b[2J\x9b31m\n\u202efake\u200b" * 200
needs_mosquitto = pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")


def transition(sequence: int, where: str = "RR", sentence: str = "stuck", announced: bool = True) -> Transition:
    definition = Definition("sensor", where, "high", latches=True, caution=UNDER_THE_CAR)
    evidence = Evidence(1.0, float("nan"), "s", 0, sentence, "the plug")
    return Transition(
        sequence, 10, 0.02, "3", definition, "occurs", State.UNACKNOWLEDGED, False, announced, 1, evidence, 0.0
    )


def standing(where: str = "RR", sentence: str = "stuck", priority: Any = "high") -> Standing:
    definition = Definition("sensor", where, priority, latches=True, caution=UNDER_THE_CAR)
    evidence = Evidence(float("inf"), 1.0, "s", 0, sentence, "the plug")
    return Standing(definition, State.UNACKNOWLEDGED, condition=True, evidence=evidence, since_sample=0, occurrences=1)


def state_bytes(writer: StateWriter, *standings: Standing) -> bytes:
    return writer.payload(standings, lambda n: n / 500, lambda _: "3", time_s=1.0, sample_age_s=None)


def checked(payload: bytes) -> dict[str, Any]:
    record: dict[str, Any] = json.loads(payload)
    jsonschema.Draft202012Validator(SCHEMA).validate(record)
    return record


class Listener:
    """Hears everything below a prefix and may publish; connects again whenever the broker is back."""

    def __init__(self, port: int) -> None:
        self.messages: list[Message] = []
        self._changed = threading.Condition()
        self._connection: Connection | None = None
        self._access = prepare(PitWall(host=HOST, port=port, topic="pit"))
        self._thread = LoopThread("listener")
        self._work = self._thread.begin(self._run())
        self.wait_for(lambda: self._connection is not None)

    async def _run(self) -> None:
        while True:
            try:
                async with connect(
                    self._access, unique_identifier(), on_message=self._hear, answer_timeout_s=2.0
                ) as made:
                    await made.subscribe("pit/#")
                    with self._changed:
                        self._connection = made
                        self._changed.notify_all()
                    await made.until_lost()
            except ConnectionFault:
                self._connection = None
                await asyncio.sleep(0.01)

    def _hear(self, message: Message) -> None:
        with self._changed:
            self.messages.append(message)
            self._changed.notify_all()

    def wait_for(self, until: Callable[[], bool]) -> None:
        with self._changed:
            assert self._changed.wait_for(until, DEADLINE_S), [m.topic for m in self.messages]

    def on(self, name: str) -> list[dict[str, Any]]:
        return [checked(m.payload) for m in list(self.messages) if m.topic == f"pit/{name}"]

    def send(self, topic: str, payload: bytes, retain: bool = False) -> None:
        assert self._connection is not None
        self._thread.begin(self._connection.publish(topic, payload, retain)).result(DEADLINE_S)

    def close(self) -> None:
        self._thread.close(5.0)


@pytest.fixture(params=["embedded", "real"])
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[AnyBroker]:
    if request.param == "real" and MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    made: AnyBroker = EmbeddedBroker().start() if request.param == "embedded" else RealBroker(tmp_path).start()
    yield made
    made.stop()


@pytest.fixture
def listen() -> Iterator[Callable[[int], Listener]]:
    made: list[Listener] = []

    def make(port: int) -> Listener:
        made.append(Listener(port))
        return made[-1]

    yield make
    for each in made:
        each.close()


@pytest.fixture
def publish() -> Iterator[Callable[[int], Publisher]]:
    made: list[Publisher] = []

    def make(port: int) -> Publisher:
        wall = PitWall(host=HOST, port=port, topic="pit")
        backoff = Backoff(first_s=0.02, most_s=0.1)
        made.append(Publisher(wall, "Car", "run-1", backoff, beat_s=0.02, answer_timeout_s=2.0).start())
        return made[-1]

    yield make
    for each in made:
        each.stop()


def command(identifier: str = "command-1", **named: Any) -> Command:
    given = {"run": "run-1", "kind": "sensor", "where": "RR", "action": "acknowledge", "who": "Kim"} | named
    return Command(id=identifier, **given)


def taken(publisher: Publisher, count: int) -> list[Any]:
    found: list[Any] = []
    end = time.monotonic() + DEADLINE_S
    while len(found) < count and time.monotonic() < end:
        found += publisher.take_commands()
    assert len(found) == count
    return found


def test_a_late_joiner_gets_state_and_online_and_then_heartbeats(
    broker: AnyBroker, listen: Callable[[int], Listener], publish: Callable[[int], Publisher]
) -> None:
    publisher, early, writer = publish(broker.port), listen(broker.port), StateWriter("run-1", "Car")
    writer.take([transition(1)])
    publisher.offer([(1, transition_payload(transition(1), "run-1", "Car"))], state_bytes(writer, standing()))
    early.wait_for(lambda: bool(early.on("state") and early.on("transitions")))
    late = listen(broker.port)
    publisher.alive(Pulse(1.0, 0.1, "", 1))
    late.wait_for(lambda: bool(late.on("state") and late.on("online") and late.on("heartbeat")))
    assert late.on("transitions") == []
    assert late.on("state")[0]["alarms"][0]["where"] == "RR"
    assert late.on("online")[0]["online"] is True
    assert late.on("heartbeat")[0]["sequence"] == 1
    publisher.stop("the replay ended")
    late.wait_for(lambda: late.on("online")[-1]["reason"] == "the replay ended")
    assert late.on("online")[-1]["online"] is False


@needs_mosquitto
def test_a_broker_that_dies_and_comes_back_costs_no_transition(
    tmp_path: Path, listen: Callable[[int], Listener], publish: Callable[[int], Publisher]
) -> None:
    real = RealBroker(tmp_path).start()
    try:
        listener, publisher, writer = listen(real.port), publish(real.port), StateWriter("run-1", "Car")
        listener.wait_for(lambda: bool(listener.on("online")))

        def offer(first: int, end: int) -> None:
            for n in range(first, end):
                writer.take([transition(n)])
                payload = transition_payload(transition(n), "run-1", "Car")
                publisher.offer([(n, payload)], state_bytes(writer, standing()))

        offer(1, 101)
        listener.wait_for(lambda: len(listener.on("transitions")) >= 100)
        listener.wait_for(lambda: any(s["sequence"] == 100 for s in listener.on("state")))
        real.stop()
        assert publisher.status.wait_for(lambda state: state.word == "lost", DEADLINE_S)
        offer(101, 201)
        assert publisher.unsent == 100
        real.start()
        # What nobody has subscribed to yet is filled by the state that follows.
        listener.wait_for(lambda: any(s["sequence"] == 200 for s in listener.on("state")))
        assert publisher.unsent == 0
        got = [t["sequence"] for t in listener.on("transitions")]
        fresh = list(dict.fromkeys(got))
        assert fresh == sorted(fresh)
        assert set(range(1, 101)) <= set(fresh)
    finally:
        real.stop()


def test_of_too_many_transitions_the_newest_are_kept_and_the_rest_counted() -> None:
    publisher = Publisher(PitWall(host=HOST, port=1, topic="pit"), "Car")
    publisher.offer([(n, b"") for n in range(MOST_UNSENT + 7)])
    assert (publisher.unsent, publisher.dropped) == (MOST_UNSENT, 7)


def test_a_command_is_taken_once_and_answered_each_time(
    broker: AnyBroker, listen: Callable[[int], Listener], publish: Callable[[int], Publisher]
) -> None:
    listener, publisher = listen(broker.port), publish(broker.port)
    listener.wait_for(lambda: bool(listener.on("online")))
    listener.send("pit/commands/wall", command_payload(command()))
    (asked,) = taken(publisher, 1)
    assert (asked.level, asked.command.who) == ("wall", "Kim")
    publisher.answer(asked, accepted=True, words="acknowledged")
    listener.wait_for(lambda: len(listener.on("answers/wall")) == 1)
    listener.send("pit/commands/wall", command_payload(command()))
    listener.wait_for(lambda: len(listener.on("answers/wall")) == 2)
    assert publisher.take_commands() == []
    assert listener.on("answers/wall")[1] == listener.on("answers/wall")[0]


def test_garbage_on_the_command_topics_is_refused_and_counted(
    broker: AnyBroker, listen: Callable[[int], Listener], publish: Callable[[int], Publisher]
) -> None:
    listener, publisher = listen(broker.port), publish(broker.port)
    listener.wait_for(lambda: bool(listener.on("online")))
    for payload in (b"", b"\xff\x00", b"[" * 1500, b"{}", b"x" * 300_000, b'{"id": 1e999}'):
        listener.send("pit/commands/wall", payload)
    listener.send("pit/commands/wall", command_payload(command("retained-1")), retain=True)
    listener.send("pit/commands/wall/deeper", command_payload(command("command-2")))
    listener.send("pit/elsewhere", command_payload(command("command-3")))
    listener.send("pit/commands/wall", command_payload(command("command-4")))
    (asked,) = [asked for asked in taken(publisher, 2) if asked.command.id == "command-4"]
    assert asked.command.id == "command-4"
    # The retained one came live; whoever joins later gets it as a retained one, and refuses it.
    again = publish(broker.port)
    assert again.status.wait_for(lambda state: state.word == "open", DEADLINE_S)
    listener.send("pit/commands/wall", command_payload(command("command-5")))
    assert [asked.command.id for asked in taken(again, 1)] == ["command-5"]
    assert publisher.refused == 6
    # The embedded broker also sends retained messages of topics that nobody here asked for.
    assert again.refused >= 1


@needs_mosquitto
def test_the_will_speaks_when_the_monitor_is_killed(tmp_path: Path, listen: Callable[[int], Listener]) -> None:
    real = RealBroker(tmp_path).start()
    code = (
        "import sys, threading; from alerts.publisher import Publisher; from ingest.sheet_wall import PitWall;"
        f"Publisher(PitWall(host='{HOST}', port={real.port}, topic='pit'), 'Car', 'run-9').start();"
        "threading.Event().wait(60)"
    )
    try:
        listener = listen(real.port)
        process = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT)
        try:
            listener.wait_for(lambda: bool(listener.on("online")))
        finally:
            os.kill(process.pid, signal.SIGKILL)
            process.wait(DEADLINE_S)
        listener.wait_for(lambda: len(listener.on("online")) == 2)
        assert listener.on("online")[1]["online"] is False
        assert "broke" in listener.on("online")[1]["reason"]
    finally:
        real.stop()


def test_hostile_strings_are_made_harmless_and_payloads_stay_bounded() -> None:
    payload = transition_payload(transition(1, HOSTILE, '"\\\U0001f3ce' * 5000), "run-1", HOSTILE)
    assert len(payload) <= MOST_TRANSITION_BYTES
    checked(payload)
    writer = StateWriter("run-1", HOSTILE)
    many = [standing(f"{n}{HOSTILE}", HOSTILE, "low") for n in range(500)] + [standing("worst")]
    state = state_bytes(writer, *many)
    record = checked(state)
    assert len(state) <= MOST_STATE_BYTES
    assert record["alarms"][0]["where"] == "worst"
    assert record["left_out"] + len(record["alarms"]) == 501
    for text in (payload.decode(), state.decode()):
        assert not any(mark in text for mark in ("\x1b", "\\u001b", "\x9b", "\u202e", "\u200b", "\n", "\\n"))


@pytest.mark.parametrize(
    "wrong",
    [
        {"action": "explode"},
        {"who": ""},
        {"action": "shelve"},
        {"shelve_s": 60.0},
        {"action": "shelve", "shelve_s": -1.0},
        {"id": "x\x1b[2J-------"},
        {"extra": 1},
        {"run": "r" * MOST_COMMAND_BYTES},
    ],
)
def test_a_wrong_command_is_refused_without_an_echo(wrong: dict[str, Any]) -> None:
    right = json.loads(command_payload(command()))
    checked(json.dumps(right).encode())
    assert read_command(json.dumps(right).encode()).who == "Kim"
    with pytest.raises(ValueError, match=r"not a command|longer than|shelve needs it") as caught:
        read_command(json.dumps(right | wrong).encode())
    assert "\x1b" not in str(caught.value)
    assert len(str(caught.value)) < 120
