"""The wall's line keeps the newest of each topic, and nobody's flood pushes another car's messages out."""

from __future__ import annotations

import pytest

from console.wall_line import MOST_ANSWERS, MOST_STRANGERS, WallLine
from console.wall_topics import read_topics
from ingest.mqtt_client import Message
from ingest.sheet_broker import BrokerAccess


def line(*topics: str) -> WallLine:
    return WallLine(BrokerAccess(host="192.0.2.1"), read_topics(topics), "kim")


def hear(one: WallLine, topic: str, payload: bytes = b"x") -> None:
    one.hear(Message(payload, False, topic))


def test_of_each_topic_the_newest_waits() -> None:
    one = line("pit/7")
    for number in range(10_000):
        hear(one, "pit/7/heartbeat", b"%d" % number)
        hear(one, "pit/7/state", b"s%d" % number)
    assert one.take(0.0).events == (("pit/7", "heartbeat", b"9999"), ("pit/7", "state", b"s9999"))
    assert one.take(0.0).events == ()


def test_events_come_in_the_order_of_their_newest() -> None:
    one = line("pit/7")
    for name in ("heartbeat", "online", "heartbeat"):
        hear(one, f"pit/7/{name}")
    assert [name for _, name, _ in one.take(0.0).events] == ["online", "heartbeat"]


def test_every_answer_is_kept_up_to_a_bound() -> None:
    one = line("pit/7")
    for number in range(MOST_ANSWERS + 5):
        hear(one, "pit/7/answers/kim", b"%d" % number)
    found = one.take(0.0).events
    assert {name for _, name, _ in found} == {"answers"}
    assert [int(payload) for _, _, payload in found] == list(range(5, MOST_ANSWERS + 5))


def test_a_flood_of_strange_topics_costs_a_known_car_nothing() -> None:
    one = line("pit/7", "pit/+")
    one.know("pit/8")
    for number in range(MOST_STRANGERS + 50):
        hear(one, f"pit/x{number}/state")
        hear(one, f"pit/x{number}/answers/kim")
    hear(one, "pit/7/state", b"seven")
    hear(one, "pit/8/state", b"eight")
    events = one.take(0.0).events
    assert events[:2] == (("pit/7", "state", b"seven"), ("pit/8", "state", b"eight"))
    assert len(events) == 2 + MOST_STRANGERS
    assert one.crowded == 50


@pytest.mark.parametrize("name", ["state", "heartbeat", "online", "answers/kim"])
def test_no_payload_is_kept_at_full_length(name: str) -> None:
    one = line("pit/7")
    hear(one, f"pit/7/{name}", b"x" * 1_000_000)
    ((_, _, payload),) = one.take(0.0).events
    assert len(payload) <= 100_001


def test_what_was_not_asked_for_is_not_kept() -> None:
    one = line("pit/7")
    hear(one, "pit/8/state")
    hear(one, "pit/7/commands/kim")
    assert one.take(0.0).events == ()
