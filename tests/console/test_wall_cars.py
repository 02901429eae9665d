"""A wall of several cars: none is missed or mistaken for another, and one car's rubbish costs the others nothing."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

import pytest
from rich.text import Text

from alerts.payload import answer_payload, online_payload
from console.command import Wish
from console.controls import Duties, Question
from console.paint import BLOCKS
from console.wall_bell import Bell
from console.wall_cars import MOST_ALARMS, MOST_COUNTED, MOST_FOUND, WallCars
from console.wall_cars_board import cars_board, cars_items, nothing, notices
from console.wall_keys import CarControls, CarItem, CarWish
from console.wall_line import MOST_STRANGERS
from console.wall_pieces import window
from console.wall_topics import read_topics
from tests.console.test_wall import HOSTILE, alarm, beat, hidden, state

SIZES = [(1, 1), (10, 3), (40, 12), (60, 18), (80, 24), (120, 40), (200, 60)]


def told(car: str, *alarms: dict[str, Any], time_s: float = 100.0, **named: Any) -> bytes:
    return json.dumps(json.loads(state(*alarms)) | {"car": car, "time_s": time_s} | named).encode()


def wall(*topics: str, now: float = 0.0) -> WallCars:
    cars = WallCars(read_topics(topics), now)
    cars.broker(there=True, now=now)
    return cars


def well(cars: WallCars, prefix: str, car: str, *alarms: dict[str, Any], now: float = 0.0, **named: Any) -> None:
    cars.hear([(prefix, "state", told(car, *alarms, **named)), (prefix, "heartbeat", beat())], now)


def gone(car: str, reason: str = "broke") -> bytes:
    return online_payload("a", car, online=False, reason=reason)


def lines(
    cars: WallCars, width: int = 80, height: int = 24, now: float = 0.5, controls: CarControls | None = None
) -> list[str]:
    return [line.plain for line in cars_board(cars, now, width, height, BLOCKS, controls).lines]


def at_keys(cars: WallCars, *keys: str) -> CarControls:
    duties = Duties(has_list=False, can_freeze=False, can_take_out=False, ends="this screen", several=True)
    controls = CarControls("Kim", duties)
    controls.shows(cars_items(cars))
    for key in keys:
        controls.press(key)
    return controls


# ---------------------------------------------------------------- no car is missed


def test_a_named_car_of_which_nothing_came_is_shown_as_never_heard() -> None:
    cars = wall("pit/1", "pit/2")
    well(cars, "pit/1", "Lapwing")
    shown = lines(cars)
    assert any("pit/2" in line and "NEVER HEARD" in line for line in shown)
    assert nothing(cars, 0.5) == "nothing stands at 1 car; it is not known what stands at pit/2"
    assert "no alerts" not in "\n".join(shown)


def test_no_alerts_is_said_when_all_cars_were_just_heard() -> None:
    cars = wall("pit/1", "pit/2")
    well(cars, "pit/1", "Lapwing")
    well(cars, "pit/2", "Heron")
    assert nothing(cars, 0.5) == "no alerts"
    assert nothing(cars, 9.0) == "it is not known what stands"


def test_a_car_found_by_a_pattern_that_stops_stays_as_stopped() -> None:
    cars = wall("pit/+")
    assert notices(cars, 0.5) == ["NO CAR FOUND by pit/+"]
    well(cars, "pit/8", "Heron", alarm())
    cars.hear([("pit/8", "online", gone("Heron"))], 2.0)
    cars.hear([("pit/8", "state", b""), ("pit/8", "online", b"")], 3.0)  # what was retained is cleared
    shown = lines(cars, now=3000.0)
    assert any("Heron" in line and "MONITOR STOPPED 50 min 1 high! (broke)" in line for line in shown)
    assert any("HIGH Heron: sensor RR: NOT ACKNOWLEDGED since lap 2, 1:23 (MONITOR STOPPED)" in line for line in shown)


@pytest.mark.parametrize(
    ("spoil", "at", "doubt"),
    [
        (lambda _: None, 9.0, "MONITOR SILENT 9 s"),
        (lambda cars: cars.broker(there=False, now=0.2), 0.5, "NO BROKER"),
        (lambda cars: cars.hear([("pit/1", "heartbeat", beat(age=7.0))], 0.2), 0.5, "NO SAMPLES 7 s"),
        (lambda cars: cars.hear([("pit/1", "heartbeat", beat(link="link lost"))], 0.2), 0.5, "link lost"),
        (lambda cars: cars.hear([("pit/1", "heartbeat", beat(run="b"))], 0.2), 0.5, "MONITOR RESTARTED"),
    ],
)
def test_every_doubt_stands_in_the_cars_cell(spoil: Callable[[WallCars], object], at: float, doubt: str) -> None:
    cars = wall("pit/1")
    well(cars, "pit/1", "Lapwing", now=0.0)
    spoil(cars)
    shown = lines(cars, now=at)
    assert any("Lapwing" in line and doubt in line for line in shown)
    assert not any("no alarm" in line or "no alerts" in line for line in shown)


def test_what_a_user_may_not_read_is_told() -> None:
    cars = wall("pit/1", "pit/2")
    well(cars, "pit/1", "Lapwing")
    cars.not_let = {"pit/2": "192.0.2.1:1883 does not let this user read pit/2/state"}
    shown = lines(cars, 120, 40)
    assert any("NOT LET READ pit/2: 192.0.2.1:1883 does not let" in line for line in shown)
    assert any(re.search(r"pit/2 +NOT LET READ", line) for line in shown)


def test_cars_beyond_the_bound_are_counted_and_a_named_one_keeps_its_place() -> None:
    cars = wall("pit/named", "pit/+")
    for number in range(MOST_FOUND + 7):
        well(cars, f"pit/x{number}", f"X{number}")
        well(cars, f"pit/x{number}", f"X{number}")
    well(cars, "pit/named", "Lapwing")
    assert len(cars.books) == MOST_FOUND + 1
    assert cars.beyond == 7
    shown = " ".join(" ".join(lines(cars, 120, 40)).split())
    assert "7 MORE CARS HAVE NO PLACE HERE (200 found by pit/+): name those that matter" in shown
    assert f"{MOST_FOUND + 8} cars" in shown
    assert nothing(cars, 0.5) == "no alerts"
    cars._beyond.update(f"y{number}" for number in range(MOST_COUNTED))
    well(cars, "pit/z", "Z")
    assert any("OR MORE" in said for said in notices(cars, 0.5))


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("count", [1, 3, 40, 200])
def test_every_car_has_a_cell_or_is_counted(width: int, height: int, count: int) -> None:
    cars = wall("pit/+")
    for number in range(count):
        well(cars, f"pit/{number}", f"car{number:03}")
    shown = lines(cars, width, height)
    assert [len(line) for line in shown] == [width] * height
    text = "\n".join(shown)
    if width >= 40 and height >= 12:
        cells = len(re.findall(r"car\d{3} ", text))
        more = re.search(r"(\d+) more cars: no alarm", text)
        assert cells + (int(more[1]) if more else 0) == count


def test_the_car_nobody_has_acknowledged_keeps_its_cell_among_many_stopped_ones() -> None:
    cars = wall("pit/+")
    for number in range(60):
        well(cars, f"pit/{number}", f"car{number:03}", alarm(acknowledged=True))
        if number != 44:
            cars.hear([(f"pit/{number}", "online", gone("x"))], 0.1)
    cars.hear(
        [("pit/44", "state", told("car044", alarm(), sequence=2)), ("pit/44", "heartbeat", beat(sequence=2))], 0.2
    )
    shown = lines(cars)
    assert re.match(r" car044 +1 high!  heard 0 s ago", shown[1])
    assert any("more cars: " in line and " silent" in line for line in shown)


def test_cars_without_a_cell_of_which_nothing_is_known_are_counted_as_silent() -> None:
    shown = lines(wall(*(f"pit/{number}" for number in range(30))))
    assert any("23 more cars: no alarm known, 23 silent" in line for line in shown)


def test_states_that_were_left_at_the_broker_push_no_living_car_off_the_screen() -> None:
    cars = wall("pit/+")
    for number in range(60):
        cars.hear([(f"pit/{number}", "state", told(f"ghost{number}", alarm(), alarm("FL")))], 0.0)
    well(cars, "pit/new", "Lapwing", alarm("RR", priority="low"))
    shown = lines(cars)
    assert any(re.match(r" Lapwing +1 low!  heard 0 s ago", line) for line in shown)
    assert sum(line.startswith(" ghost") and "NEVER HEARD 2 high!" in line for line in shown) == 6


# ---------------------------------------------------------------- the list


def test_alarms_of_all_cars_stand_by_priority_and_then_the_newest_first() -> None:
    cars = wall("pit/1", "pit/2")
    well(cars, "pit/1", "A", alarm("old", since_s=10.0), alarm("m", priority="medium", since_s=99.0), time_s=100.0)
    # Another clock: this car's run has lasted longer.
    well(cars, "pit/2", "B", alarm("new", since_s=1900.0), alarm("before", since_s=-5.0), time_s=1950.0)
    well(cars, "pit/2", "B", alarm("new", since_s=1900.0), alarm("before", since_s=-5.0), time_s=1950.0)
    assert [one.alarm.where for one in cars.alarms()] == ["new", "old", "before", "m"]
    odd = alarm("odd", priority="dire", since_s=None)
    well(cars, "pit/1", "A", odd, time_s=100.0, sequence=2)
    assert [one.alarm.where for one in cars.alarms()] == ["new", "before", "odd"]


def test_the_order_does_not_flicker_while_alarms_stand() -> None:
    cars = wall("pit/1", "pit/2")
    well(cars, "pit/1", "A", alarm(since_s=50.0), time_s=100.0)
    well(cars, "pit/2", "B", alarm(since_s=50.1), time_s=100.0)
    order = [one.prefix for one in cars.alarms()]
    for number in range(2, 20):
        # States come late by more than the alarms are apart.
        well(cars, "pit/1", "A", alarm(since_s=50.0), time_s=100.0 + number, now=number * 1.07, sequence=number)
        assert [one.prefix for one in cars.alarms()] == order == ["pit/2", "pit/1"]


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "1e999", "1" + "0" * 400])
def test_a_time_that_is_none_is_the_oldest(value: str) -> None:
    cars = wall("pit/1", "pit/2")
    well(cars, "pit/1", "A", alarm("good"))
    strange = told("B", alarm("strange", since_s=12345.0)).replace(b"12345.0", value.encode())
    cars.hear([("pit/2", "state", strange), ("pit/2", "heartbeat", beat())], 0.0)
    assert cars.alarms()[0].alarm.where == "good"
    assert lines(cars)


@pytest.mark.parametrize(("width", "height"), [(40, 8), (40, 12), (60, 18), (80, 24), (120, 40), (200, 60)])
@pytest.mark.parametrize("place", range(0, 25, 3))
def test_the_selected_alarm_is_seen_and_all_others_are_counted(width: int, height: int, place: int) -> None:
    cars = wall("pit/1", "pit/2", "pit/3")
    for number in (1, 2, 3):
        alarms = (alarm(f"point {n}", acknowledged=n % 2 == 0, caution="") for n in range(8))
        well(cars, f"pit/{number}", f"Car{number}", *alarms, hidden=[hidden("H")] if number == 3 else [])
    controls = at_keys(cars, *["tab"] * (place + 1))
    shown = lines(cars, width, height, controls=controls)
    (marked,) = [line for line in shown if line.startswith("> ")]
    assert controls.selected is not None
    assert marked.startswith(f"> {'HIGH ' if place < 24 else ''}Car{place // 8 + 1 if place < 24 else 3}: sensor")
    heads = [line for line in shown if re.match(r"(> )?HIGH Car\d: sensor", line)]
    rest = [re.match(r"(and )?(\d+) (before|more)(, (\d+) not acknowledged)? *$", line) for line in shown]
    counts = [found for found in rest if found]
    assert len(heads) + sum(int(found[2]) for found in counts) == 24
    waiting = sum(int(found[5] or 0) for found in counts)
    assert waiting + sum(line.split("point ")[1][0] in "1357" for line in heads) == 12
    if place < 24:
        assert any("hidden: " in line for line in shown)


@pytest.mark.parametrize("room", range(1, 12))
@pytest.mark.parametrize("place", range(5))
def test_a_window_shows_the_entry_asked_for_and_counts_the_others(room: int, place: int) -> None:
    def entry(n: int) -> list[Text]:
        return [Text(f"entry {n}"), Text("second"), Text("third")]

    shown = [line.plain for line in window(5, place, entry, entry, room, lambda which: f", {len(which)} waiting")]
    assert len(shown) <= room
    assert f"entry {place}" in shown
    if room > 1:
        counts = [re.fullmatch(r"(and )?(\d) (before|more), (\d) waiting", line) for line in shown]
        counted = sum(int(found[2]) for found in counts if found)
        assert sum(int(found[4]) for found in counts if found) == counted
        assert counted + sum(line.startswith("entry") for line in shown) == 5


def test_what_is_left_out_of_the_list_is_counted_with_its_car() -> None:
    cars = wall("pit/1", "pit/2")
    well(cars, "pit/1", "A", *(alarm(f"p{n}") for n in range(MOST_ALARMS + 20)), left_out=3)
    well(cars, "pit/2", "B", alarm("mine", priority="low"))
    assert len(cars.alarms()) == MOST_ALARMS + 1
    shown = lines(cars)
    assert any("and 23 more that were left out, of A" in line for line in shown)
    assert any(f"{MOST_ALARMS + 20} high! +3" in line for line in shown)
    assert "124 alerts" in shown[0]


# ---------------------------------------------------------------- a rehearsal


@pytest.mark.parametrize(("width", "height"), [(40, 12), (60, 18), (80, 24), (120, 40), (200, 60)])
def test_a_rehearsal_is_marked_in_its_cell_and_at_each_of_its_alarms_and_nowhere_else(width: int, height: int) -> None:
    cars = wall("pit/1", "pit/2")
    well(cars, "pit/1", "REHEARSAL Lapwing with a name that is far too long", alarm(), alarm("FL"))
    well(cars, "pit/2", "Heron", alarm("RL", since_s=1.0))
    shown = lines(cars, width, height)
    cells = [line for line in shown if "2 high!" in line or "1 high!" in line or "alarms!" in line]
    assert any("REHEARSAL " in line for line in cells)
    for line in shown:
        if re.match(r"HIGH (\w+)", line):
            assert ("REHEARSAL" in line) is ("Heron" not in line)
    if width < 120:
        assert not any("Heron" in line and "REHEARSAL" in line for line in cells)


def test_a_rehearsal_whose_cell_has_no_room_is_counted_as_one() -> None:
    cars = wall("pit/+")
    for number in range(30):
        well(cars, f"pit/{number}", f"{'REHEARSAL ' if number > 27 else ''}car{number}")
    assert any("more cars: 2 REHEARSAL, no alarm" in line for line in lines(cars))


def test_a_rehearsal_is_drawn_in_large_letters_as_one_or_not_at_all() -> None:
    cars, real = wall("pit/1"), wall("pit/1")
    well(cars, "pit/1", "REHEARSAL Lapwing", alarm())
    well(real, "pit/1", "Lapwing", alarm())
    large = [[line for line in lines(one, 120, 40) if "█" in line] for one in (cars, real)]
    assert len(large[0]) > len(large[1]) > 0
    assert not any("█" in line for line in lines(cars, 40, 40))


# ---------------------------------------------------------------- whose is whose


def test_two_cars_of_one_name_are_told_apart_by_their_topics() -> None:
    cars = wall("pit/1", "pit/2", "pit/3")
    well(cars, "pit/1", "Lapwing")
    well(cars, "pit/2", "LAPWING")
    well(cars, "pit/3", "Heron")
    assert cars.labels() == {"pit/1": "pit/1", "pit/2": "pit/2", "pit/3": "Heron"}
    well(cars, "pit/3", "pit/2", sequence=2)
    assert cars.labels() == {"pit/1": "pit/1", "pit/2": "pit/2", "pit/3": "pit/3"}
    well(cars, "pit/1", "REHEARSAL Lapwing", sequence=2)
    assert cars.labels()["pit/1"] == "REHEARSAL pit/1"


def test_one_alarm_of_two_cars_is_two_and_a_wish_names_its_car() -> None:
    cars = wall("pit/1", "pit/2")
    well(cars, "pit/1", "A", alarm())
    well(cars, "pit/2", "B", alarm())
    assert len({item.key for item in cars_items(cars)}) == 2
    controls = at_keys(cars, "tab", "tab")
    assert controls.press("a") == CarWish("acknowledge", "sensor", "RR", "Kim", prefix="pit/2")
    controls.press("s")
    assert controls.question is Question.SHELVE
    assert controls.asking.startswith("Shelve B: sensor RR")
    assert controls.press("1") == CarWish("shelve", "sensor", "RR", "Kim", 600.0, "pit/2")
    assert controls.choose("pit/1")
    assert controls.prefix == "pit/1"
    assert not controls.choose("pit/9")
    assert controls.selected is None


def test_a_topic_can_not_be_taken_for_another_cars_alarm() -> None:
    one = CarItem("b\nsensor", "RR", "x", prefix="a")
    assert one.key != CarItem("sensor", "RR", "x", prefix="a").key
    # What comes over the wire holds no line end, so that the prefix ends at the first one.
    cars = wall("pit/1")
    well(cars, "pit/1", "A", alarm(kind="b\nsensor"))
    (item,) = cars_items(cars)
    assert item.key[0].count("\n") == 1


def test_an_answer_is_for_the_car_that_was_asked() -> None:
    cars = wall("pit/1", "pit/2")
    command = cars.asks("pit/2").ask(Wish("acknowledge", "sensor", "RR", "Kim"), "a", 0.0)
    answer = answer_payload("a", command.id, accepted=True, words="acknowledge")
    assert cars.hear([("pit/1", "answers", answer), ("pit/9", "answers", answer)], 0.1) == []
    assert cars.hear([("pit/2", "answers", answer)], 0.2) == [("pit/2", "done: acknowledge sensor RR")]
    cars.asks("pit/1").ask(Wish("reset", "sensor", "RR", "Kim"), "a", 0.0)
    ((prefix, words),) = cars.overdue(6.0)
    assert (prefix, words[:9]) == ("pit/1", "NO ANSWER")


# ---------------------------------------------------------------- rubbish


@pytest.mark.parametrize("garbage", [b"", b"\xff", b"[]", b"null", b"{}", b"[" * 90_000, state()[:-9], gone("x")[:-5]])
def test_garbage_finds_no_car_and_changes_no_other(garbage: bytes) -> None:
    cars = wall("pit/1", "pit/+")
    well(cars, "pit/1", "Lapwing", alarm())
    before = lines(cars, height=20)
    cars.hear([("pit/x", name, garbage) for name in ("state", "heartbeat", "online")], 0.1)
    cars.hear([("pit/1", name, garbage) for name in ("state", "heartbeat", "online")], 0.1)
    assert list(cars.books) == ["pit/1"]
    assert cars.refused == 3
    assert lines(cars, height=20) == before
    assert any("3 messages were of no monitor" in line for line in lines(cars))
    cars.crowded = 7
    assert any("7 were not looked at, and some cars may be missing" in line for line in lines(cars, 120, 40))


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("keys", [(), ("tab",), ("tab", "s"), ("q",), ("?",)])
def test_hostile_strings_reach_no_screen(width: int, height: int, keys: tuple[str, ...]) -> None:
    cars = wall("pit/1", "pit/2")
    bad = alarm(
        HOSTILE, kind=HOSTILE, who=HOSTILE, sentence=HOSTILE, priority=HOSTILE, state=HOSTILE, since_lap=HOSTILE
    )
    kept = [hidden(HOSTILE, who=HOSTILE, why=HOSTILE)]
    well(cars, "pit/1", HOSTILE, *[bad] * 30, hidden=kept, left_out=10**30, learning=-5)
    well(cars, "pit/2", "REHEARSAL " + "\u0301" * 50, alarm())
    cars.hear([("pit/1", "online", gone(HOSTILE, HOSTILE)), ("pit/2", "heartbeat", beat(link=HOSTILE))], 0.1)
    shown = lines(cars, width, height, controls=at_keys(cars, *keys))
    assert len(shown) == height
    assert not any(mark in "\n".join(shown) for mark in ("\x1b", "\u202e"))
    assert cars.left_out("pit/1") == 9999
    assert cars.books["pit/1"].learning == 0


def test_states_without_end_wait_for_their_turn_and_others_are_read() -> None:
    ticks = iter(range(10**6))
    cars = WallCars(read_topics([f"pit/{n}" for n in range(5)]), 0.0, clock=lambda: float(next(ticks)))
    cars.broker(there=True, now=0.0)
    states = [(f"pit/{n}", "state", told(f"car{n}")) for n in range(5)]
    beats = [(f"pit/{n}", "heartbeat", beat()) for n in range(5)]
    cars.hear([*states, *beats], 0.0)
    # Each state takes longer than there is time: what is short is read at once, states come in turn.
    assert all(book.heard_s(0.0) == 0.0 for book in cars.books.values())
    assert [book.car for book in cars.books.values()] == ["car0", "", "", "", ""]
    for _ in range(3):
        cars.hear([("pit/0", "state", told("again"))], 0.1)
    assert [book.car for book in cars.books.values()] == ["car0", "car1", "car2", "car3", ""]
    cars.hear([("pit/0", "state", told("again"))], 0.1)
    cars.hear([], 0.2)
    assert [book.car for book in cars.books.values()] == ["again", "car1", "car2", "car3", "car4"]


def test_states_that_wait_of_unknown_cars_are_bounded() -> None:
    ticks = iter(range(10**6))
    cars = WallCars(read_topics(["pit/+"]), 0.0, clock=lambda: float(next(ticks)))
    cars.hear([(f"pit/{n}", "state", b"{}") for n in range(MOST_STRANGERS + 30)], 0.0)
    assert cars.refused == 30 + 1  # one was read
    assert not cars.books


@pytest.mark.parametrize("height", [9, 12, 18])
def test_in_a_small_terminal_the_list_keeps_its_room(height: int) -> None:
    cars = wall("pit/1", "pit/2")
    well(cars, "pit/1", "A", *(alarm(f"p{n}") for n in range(5)), hidden=[hidden(f"h{n}") for n in range(9)])
    well(cars, "pit/2", "B", alarm("last"))
    shown = lines(cars, 40, height)
    assert any("stuck. Check first" in line for line in shown)
    assert any(re.match(r"hidden: (9 alarms|A: sensor h0.*)", line) for line in shown)
    assert any("more, " in line for line in shown)


def test_the_bell_is_for_any_car_and_never_rings_without_end() -> None:
    cars = wall("pit/1", "pit/2")
    well(cars, "pit/1", "A", alarm(announced_sequence=4))
    well(cars, "pit/2", "B", alarm(announced_sequence=9, acknowledged=True))
    bell = Bell()

    def calls() -> dict[str, tuple[str, int]]:
        return {prefix: book.newest_call for prefix, book in cars.books.items()}

    assert bell.rings_any(calls(), 0.0)
    assert not bell.rings_any(calls(), 10.0)
    well(cars, "pit/2", "B", alarm(announced_sequence=10), sequence=2)
    assert bell.rings_any(calls(), 20.0)
    assert not bell.rings_any(calls(), 30.0)
    rung = 0
    for number in range(100):
        well(cars, "pit/2", "B", alarm(announced_sequence=20 + number), sequence=3 + number)
        rung += bell.rings_any(calls(), 40.0 + number / 10)
    assert rung <= 6
