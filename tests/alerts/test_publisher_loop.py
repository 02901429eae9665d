"""Publishers of several cars in one loop, without threads: nothing is lost, and no broker holds another one up."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from alerts.payload import StateWriter, command_payload, transition_payload
from alerts.publisher import Asked, Publisher, Pulse
from ingest.backoff import Backoff
from ingest.link_loop import LinkLoop
from ingest.sheet_wall import PitWall
from tests.alerts.test_publisher import (
    DEADLINE_S,
    Listener,
    command,
    listen,
    needs_mosquitto,
    standing,
    state_bytes,
    transition,
)
from tests.brokers import HOST, EmbeddedBroker, RealBroker, free_port

__all__ = ["listen"]


@pytest.fixture
def loop() -> Iterator[LinkLoop]:
    made = LinkLoop()
    yield made
    made.close()


@pytest.fixture
def broker() -> Iterator[EmbeddedBroker]:
    made = EmbeddedBroker().start()
    yield made
    made.stop()


def published(loop: LinkLoop, port: int, topic: str = "pit") -> Publisher:
    wall = PitWall(host=HOST, port=port, topic=topic)
    backoff = Backoff(first_s=0.02, most_s=0.1)
    return Publisher(wall, "Car", "run-1", backoff, beat_s=0.02, answer_timeout_s=2.0, loop=loop).start()


def until(loop: LinkLoop, true: Callable[[], object]) -> None:
    deadline_s = time.monotonic() + DEADLINE_S
    while not true():
        assert time.monotonic() < deadline_s
        loop.turn(0.002)


def offer(publisher: Publisher, numbers: range, writer: StateWriter) -> None:
    for n in numbers:
        writer.take([transition(n)])
        payload = transition_payload(transition(n), "run-1", "Car")
        publisher.offer([(n, payload)], state_bytes(writer, standing()))


def test_state_heartbeats_commands_and_the_end_as_with_a_thread(
    loop: LinkLoop, broker: EmbeddedBroker, listen: Callable[[int], Listener]
) -> None:
    listener, publisher = listen(broker.port), published(loop, broker.port)
    until(loop, lambda: publisher.status.state.word == "open")
    assert not any(thread.name in ("pit-wall", "mqtt-connect") for thread in threading.enumerate())
    offer(publisher, range(1, 4), StateWriter("run-1", "Car"))
    publisher.alive(Pulse(1.0, 0.1, "", 3))
    until(loop, lambda: listener.on("state") and listener.on("heartbeat") and len(listener.on("transitions")) == 3)
    listener.send("pit/commands/wall", command_payload(command()))
    asked: list[Asked] = []

    def taken() -> bool:
        asked.extend(publisher.take_commands())
        return bool(asked)

    until(loop, taken)
    publisher.answer(asked[0], accepted=True, words="acknowledged")
    until(loop, lambda: listener.on("answers/wall"))
    offer(publisher, range(4, 9), StateWriter("run-1", "Car"))
    publisher.stop("the session is over")
    publisher.stop()
    loop.leave()
    listener.wait_for(lambda: not listener.on("online")[-1]["online"])
    assert listener.on("online")[-1]["reason"] == "the session is over"
    assert [told["sequence"] for told in listener.on("transitions")] == [*range(1, 9)]
    assert publisher.unsent == 0


def test_what_was_offered_before_the_broker_is_there_waits_for_it(
    loop: LinkLoop, listen: Callable[[int], Listener]
) -> None:
    port = free_port()
    publisher = published(loop, port)
    until(loop, lambda: "connection refused" in publisher.status.state.detail)
    offer(publisher, range(1, 40), StateWriter("run-1", "Car"))
    loop.turn()
    assert publisher.unsent == 39
    late = EmbeddedBroker(port).start()
    try:
        until(loop, lambda: publisher.status.state.word == "open" and not publisher.unsent)
        listener = listen(port)
        until(loop, lambda: listener.on("state"))
        assert listener.on("state")[-1]["sequence"] == 39
    finally:
        publisher.stop()
        loop.leave()
        late.stop()


@needs_mosquitto
def test_a_broker_that_hangs_holds_up_neither_another_publisher_nor_the_end(
    tmp_path: Path, loop: LinkLoop, broker: EmbeddedBroker, listen: Callable[[int], Listener]
) -> None:
    hanging = RealBroker(tmp_path).start()
    try:
        stuck, free = published(loop, hanging.port), published(loop, broker.port)
        until(loop, lambda: stuck.status.state.word == "open" and free.status.state.word == "open")
        hanging.freeze()
        listener = listen(broker.port)
        for publisher in (stuck, free):
            offer(publisher, range(1, 300), StateWriter("run-1", "Car"))
        until(loop, lambda: len(listener.on("transitions")) == 299)
        assert stuck.unsent == 299
        until(loop, lambda: stuck.status.state.word == "lost")
        stuck.stop()
        free.stop("done")
        loop.leave()
        listener.wait_for(lambda: not listener.on("online")[-1]["online"])
        assert listener.on("online")[-1]["reason"] == "done"
    finally:
        hanging.thaw()
        hanging.stop()


def test_closing_the_loop_says_good_bye_for_those_nobody_stopped(
    loop: LinkLoop, broker: EmbeddedBroker, listen: Callable[[int], Listener]
) -> None:
    listener = listen(broker.port)
    several = [published(loop, broker.port, f"pit/{n}") for n in range(3)]
    until(loop, lambda: all(one.status.state.word == "open" for one in several))
    several[0].stop("the first")
    loop.close()
    listener.wait_for(lambda: all(_last(listener, n) is False for n in range(3)))
    assert _reason(listener, 0) == "the first"


def _last(listener: Listener, number: int) -> object:
    said = listener.on(f"{number}/online")
    return said[-1]["online"] if said else None


def _reason(listener: Listener, number: int) -> object:
    return listener.on(f"{number}/online")[-1]["reason"]
