"""The wall never says "no alerts" when it does not know, and nothing hostile reaches a terminal through it."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from alerts.payload import answer_payload, heartbeat_payload, online_payload
from console.big_letters import big_lines
from console.command import ActError, Wish
from console.controls import Controls, Duties
from console.paint import BLOCKS
from console.wall_asks import WallAsks
from console.wall_bell import Bell
from console.wall_board import plain_words, wall_board, wall_items
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
        assert "0 alerts" not in text


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


# ---------------------------------------------------------------- acting at the wall


def hidden(where: str = "FL", **named: Any) -> dict[str, Any]:
    record = {"kind": "sensor", "where": where, "priority": "high", "state": "acknowledged"}
    return record | {"why": "shelved", "until_s": 754.0, "who": "Kim"} | named


def full(*alarms: dict[str, Any], kept: tuple[dict[str, Any], ...] = (), run: str = "a") -> WallBook:
    book = healthy()
    record = json.loads(state(*alarms, run=run, sequence=2)) | {"hidden": kept}
    book.hear("state", json.dumps(record).encode(), 0.0)
    book.hear("heartbeat", beat(run=run, sequence=2), 0.0)
    return book


def at_keys(book: WallBook, *keys: str) -> Controls:
    controls = Controls("Kim", Duties(has_list=False, can_freeze=False, can_take_out=False, ends="this screen"))
    controls.shows(wall_items(book))
    for key in keys:
        controls.press(key)
    return controls


@pytest.mark.parametrize("place", range(9))
@pytest.mark.parametrize(("width", "height"), [(40, 12), (80, 24), (120, 40), (200, 60)])
def test_the_selected_alert_is_always_seen_and_marked(width: int, height: int, place: int) -> None:
    kept = (hidden("H"), hidden("S", why="suppressed", until_s=None))
    book = full(*(alarm(f"point {n}") for n in range(8)), kept=kept)
    controls = at_keys(book, *["tab"] * (place + 1))
    lines = [line.plain for line in wall_board(book, 0.1, width, height, BLOCKS, controls).lines]
    assert [len(line) for line in lines] == [width] * height
    (marked,) = [line for line in lines if line.startswith("> ")]
    assert ("sensor H (shelved until 12:34" if place == 8 else f"HIGH sensor point {place}:") in marked
    if height >= 24:
        named = sum(bool(re.match(r"(> )?HIGH sensor point", line)) for line in lines)
        counted = sum(int(line.split()[1]) for line in lines if re.fullmatch(r"and \d+ more *", line))
        before = sum(int(line.split()[0]) for line in lines if re.fullmatch(r"\d+ before *", line))
        assert named + counted + before == 8


def test_what_is_silenced_by_another_alarm_is_not_for_the_keys() -> None:
    book = full(alarm("RR"), kept=(hidden("S", why="suppressed", until_s=None), hidden("FL")))
    assert [(item.where, item.shelved) for item in wall_items(book)] == [("RR", False), ("FL", True)]


@pytest.mark.parametrize("keys", [(), ("tab",), ("tab", "s"), ("q",), ("?",)])
@pytest.mark.parametrize(("width", "height"), [(1, 1), (10, 3), (40, 12), (80, 24), (120, 40), (200, 60)])
def test_the_wall_has_its_size_whatever_the_keys_say(width: int, height: int, keys: tuple[str, ...]) -> None:
    book = full(alarm("RR"), alarm(HOSTILE), kept=(hidden(HOSTILE, who=HOSTILE, why=HOSTILE),))
    controls = at_keys(book, *keys)
    lines = [line.plain for line in wall_board(book, 0.1, width, height, BLOCKS, controls).lines]
    assert [len(line) for line in lines] == [width] * height
    assert "\n".join(lines).replace("\n", "").isprintable()


def test_large_letters_where_there_is_room_and_plain_ones_elsewhere() -> None:
    book = full(alarm("RR"))
    assert not any("█" in line for line in screen(book, 0.1, 80, 24))
    for width, height in ((80, 30), (120, 40), (200, 60)):
        large = [line for line in screen(book, 0.1, width, height) if "█" in line]
        assert len(large) in {5, 10, 15}
        assert any("HIGH sensor RR" in line for line in screen(book, 0.1, width, height))
    strange = full(alarm("Ω"))
    assert not any("█" in line for line in screen(strange, 0.1, 200, 60))


def test_the_first_that_nobody_acknowledged_is_the_large_one() -> None:
    done, waiting = full(alarm("RR", acknowledged=True), alarm("FL")), full(alarm("FL"))
    large = [[line for line in screen(book, 0.1, 120, 40) if "█" in line] for book in (done, waiting)]
    assert large[0] == large[1]


def test_the_age_of_all_this_is_always_told() -> None:
    book = full(alarm())
    assert "monitor heard 2 s ago" in screen(book, 2.1)[0]
    assert "newest sample 2.2 s old" in screen(book, 2.1)[0]
    assert "monitor never heard" in screen(WallBook(0.0), 1.0)[0]
    book.hear("online", online_payload("a", "Car", online=False, reason="ended"), 3.0)
    assert "monitor heard 4 s ago" in screen(book, 4.0)[0]


def test_an_answer_is_told_once_and_only_to_who_asked() -> None:
    asks = WallAsks()
    command = asks.ask(Wish("shelve", "sensor", "RR", "Kim", 600.0), "a", 0.0)
    yes = answer_payload("a", command.id, accepted=True, words="shelve")
    assert asks.hear(answer_payload("a", "someone-else", accepted=True, words="shelve")) == ""
    assert asks.hear(b"[" * 90_000) == asks.hear(b"null") == asks.hear(b"{}") == ""
    assert asks.hear(yes) == "done: shelve sensor RR for 10 min of running"
    assert asks.hear(yes) == ""
    command = asks.ask(Wish("acknowledge", "sensor", "RR", "Kim"), "a", 0.0)
    no = answer_payload("a", command.id, accepted=False, words=HOSTILE)
    words = asks.hear(no)
    assert words.startswith("REFUSED: acknowledge sensor RR: ")
    assert words.isprintable()


def test_no_answer_is_said_after_a_while() -> None:
    asks = WallAsks()
    asks.ask(Wish("acknowledge", "sensor", "RR", "Kim"), "a", 10.0)
    assert asks.overdue(14.9) == ""
    assert asks.overdue(15.1).startswith("NO ANSWER: acknowledge sensor RR")
    assert asks.overdue(15.2) == ""
    with pytest.raises(ActError, match="no monitor is known"):
        asks.ask(Wish("acknowledge", "sensor", "RR", "Kim"), "", 0.0)
    for _ in range(500):
        asks.ask(Wish("acknowledge", "sensor", "RR", "Kim"), "a", 0.0)
    assert asks.overdue(99.0).count("acknowledge") <= 32


def test_the_bell_is_for_what_is_new_and_not_acknowledged() -> None:
    book = full(alarm("RR", announced_sequence=4), alarm("FL", announced_sequence=9, acknowledged=True))
    assert book.newest_call == ("a", 4)
    assert full().newest_call == ("a", 0)
    bell = Bell()
    assert bell.rings(book.newest_call, 0.0)
    assert not bell.rings(book.newest_call, 100.0)
    assert bell.rings(("b", 1), 101.0)


@pytest.mark.parametrize("words", ["sensor RR", "PLATFORM low splitter_left", "left/right front rebound", "a b c d e"])
@pytest.mark.parametrize("width", [10, 30, 80, 200])
@pytest.mark.parametrize("scale", [1, 2])
def test_large_letters_fit_or_are_left_out(words: str, width: int, scale: int) -> None:
    lines = big_lines(words, width, "#", scale)
    assert all(len(rows) == 5 * scale for rows in lines)
    assert all(len(row) <= width for rows in lines for row in rows)
    if width == 200 and scale == 1:
        assert lines
