"""The wall never says "no alerts" when it does not know, and nothing hostile reaches a terminal through it."""

from __future__ import annotations

import json
from typing import Any

import pytest

from alerts.payload import heartbeat_payload, online_payload
from console.paint import BLOCKS
from console.wall import plain_words, wall_board
from console.wall_book import WallBook

HOSTILE = "\x1b[2J\n\u202eno alerts"


def alarm(where: str = "RR", **named: Any) -> dict[str, Any]:
    record = {"kind": "sensor", "where": where, "priority": "high", "state": "unacknowledged", "acknowledged": False}
    record |= {"who": "", "since_s": 83.0, "since_lap": "2", "sentence": "stuck", "check_first": "the plug"}
    return record | {"caution": "support the car"} | named


def state(*alarms: dict[str, Any], run: str = "a", sequence: int = 1) -> bytes:
    record = {"format": "damperwatch state", "run": run, "car": "Car", "sequence": sequence, "alarms": alarms}
    return json.dumps(record | {"hidden": [], "left_out": 0, "learning": 0}).encode()


def beat(run: str = "a", sequence: int = 1, age: float | None = 0.1, link: str = "") -> bytes:
    return heartbeat_payload(run, sequence, time_s=1.0, sample_age_s=age, link=link, refused=0, dropped=0)


def healthy(*alarms: dict[str, Any]) -> WallBook:
    book = WallBook(0.0)
    book.broker(there=True, now=0.0)
    book.hear("state", state(*alarms), 0.0)
    book.hear("heartbeat", beat(), 0.0)
    return book


def screen(book: WallBook, now: float, width: int = 80, height: int = 24) -> list[str]:
    return [line.plain for line in wall_board(book, now, width, height, BLOCKS).lines]


def test_no_alerts_is_said_of_a_monitor_that_was_just_heard() -> None:
    assert plain_words(healthy(), 0.5) == "no alerts"


@pytest.mark.parametrize(
    ("name", "payload", "at", "said"),
    [
        ("", b"", 12.0, "MONITOR SILENT 12 s"),
        ("online", online_payload("a", "Car", online=False, reason="ended"), 0.5, "MONITOR STOPPED: ended"),
        ("heartbeat", beat(age=7.0), 0.0, "NO SAMPLES 7 s"),
        ("heartbeat", beat(link="link lost"), 0.0, "link lost"),
        ("heartbeat", beat(run="b"), 0.0, "MONITOR RESTARTED"),
    ],
)
def test_every_doubt_takes_the_place_of_all_is_quiet(name: str, payload: bytes, at: float, said: str) -> None:
    book = healthy()
    book.hear(name, payload, 0.0)
    for text in (plain_words(book, at), "\n".join(screen(book, at))):
        assert said in text
        assert "no alerts" not in text


def test_without_a_broker_a_monitor_or_a_newer_state_nothing_is_known() -> None:
    assert plain_words(WallBook(0.0), 5.0) == "NO BROKER 5 s | it is not known what stands"
    book = healthy()
    book.hear("heartbeat", beat(sequence=9), 0.5)
    book.hear("heartbeat", beat(sequence=9), 3.0)
    assert "ALERTS BEHIND" in plain_words(book, 3.1)
    book.broker(there=False, now=4.0)
    assert "NO BROKER 2 s" in plain_words(book, 6.0)
    silent = WallBook(0.0)
    silent.broker(there=True, now=0.0)
    silent.hear("state", state(), 0.0)
    assert plain_words(silent, 4.0) == "NO MONITOR HEARD 4 s | it is not known what stands"


def test_the_late_will_of_an_earlier_run_does_not_stop_the_present_one() -> None:
    book = healthy()
    book.hear("online", online_payload("before", "Car", online=False, reason="broke"), 0.5)
    assert book.trouble(0.6) == ""


@pytest.mark.parametrize("garbage", [b"", b"\xff", b"[]", b"null", b"{}", b"[" * 90_000, b"1" * 200_000, state()[:-9]])
def test_garbage_is_counted_and_changes_nothing(garbage: bytes) -> None:
    book = healthy(alarm())
    for name in ("state", "heartbeat", "online"):
        book.hear(name, garbage, 0.0)
    assert book.refused == 3
    assert "sensor RR" in plain_words(book, 0.1)


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (20, 5)])
def test_a_screen_has_its_size_and_shows_the_worst_first(width: int, height: int) -> None:
    book = healthy(*(alarm(f"point {n}", who=HOSTILE, sentence=HOSTILE) for n in range(30)))
    lines = screen(book, 0.1, width, height)
    assert [len(line) for line in lines] == [width] * height
    text = "\n".join(lines)
    assert not any(mark in text for mark in ("\x1b", "\u202e"))
    if width >= 80:
        assert "point 0" in text
        assert "more" in text
        assert "CAUTION" in text
        assert "NOT ACKNOWLEDGED" in text


def test_an_alarm_of_the_run_before_has_no_time_in_this_one() -> None:
    found = screen(healthy(alarm("RR", since_s=-83.0)), 0.5)
    assert any("since before this run" in line for line in found)
    assert not any("-1:" in line for line in found)
