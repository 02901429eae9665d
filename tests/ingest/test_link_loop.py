"""Links that share a loop: each has its turn, faults stay with their link, and the end comes to all together."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterator

import pytest

from ingest.inbox import Inbox
from ingest.link_loop import LinkLoop
from ingest.mqtt_link import MqttLink
from ingest.senders import MqttSender
from ingest.sheet_link import Broker
from tests.brokers import HOST, EmbeddedBroker, free_port


@pytest.fixture
def loop() -> Iterator[LinkLoop]:
    made = LinkLoop()
    yield made
    made.close()


def until(loop: LinkLoop, true: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + 20.0
    while not true():
        assert time.monotonic() < deadline_s
        loop.turn(0.01)


def test_a_turn_takes_every_work_one_step_further(loop: LinkLoop) -> None:
    steps = {"one": 0, "two": 0}

    async def work(name: str) -> None:
        while True:
            steps[name] += 1
            await asyncio.sleep(0)

    loop.begin(work("one"))
    loop.begin(work("two"))
    for turn in range(1, 6):
        loop.turn()
        assert steps == {"one": turn, "two": turn}


def test_a_work_that_fails_is_no_concern_of_the_others(loop: LinkLoop) -> None:
    done = []

    async def fails() -> None:
        raise RuntimeError("ill")

    async def works() -> None:
        await asyncio.sleep(0)
        done.append(True)

    loop.begin(fails())
    loop.begin(works())
    loop.turn()
    loop.turn()
    assert done == [True]


def test_closing_cancels_and_waits_for_the_good_bye(loop: LinkLoop) -> None:
    said = []

    async def work() -> None:
        try:
            await asyncio.sleep(1000)
        finally:
            await asyncio.sleep(0)
            said.append("good-bye")

    loop.begin(work())
    loop.turn()
    loop.close()
    loop.close()
    assert said == ["good-bye"]


def test_two_links_of_one_loop_receive_each_their_own_and_leave_in_order(loop: LinkLoop) -> None:
    broker = EmbeddedBroker().start()
    try:
        access = [Broker(host=HOST, port=broker.port, topic=topic) for topic in ("a", "b")]
        inboxes = [Inbox(), Inbox()]
        tapped: list[bytes] = []
        links = [
            MqttLink(one, lambda got: tapped.append(got.payload), box, loop=loop).start()
            for one, box in zip(access, inboxes, strict=True)
        ]
        until(loop, lambda: all(link.state.word == "open" for link in links))
        sender = MqttSender(access[1]).open()
        try:
            sender.send(b"for b")
        finally:
            sender.close()
        until(loop, lambda: inboxes[1].waiting)
        assert [one.payload for one in inboxes[1].take(0.0)] == [b"for b"]
        assert tapped == [b"for b"]
        assert not inboxes[0].waiting
        for link in links:
            link.stop()
        loop.leave()
        assert [link.state.word for link in links] == ["closed", "closed"]
    finally:
        broker.stop()


def test_a_broker_that_is_not_there_is_said_by_its_link_alone(loop: LinkLoop) -> None:
    broker = EmbeddedBroker().start()
    try:
        ports = (broker.port, free_port())
        here, gone = (
            MqttLink(Broker(host=HOST, port=port, topic="a"), lambda _: None, Inbox(), loop=loop).start()
            for port in ports
        )
        until(loop, lambda: here.state.word == "open" and "connection refused" in gone.state.detail)
        assert gone.state.word == "connecting"
    finally:
        broker.stop()
