"""Board, list, help, frozen bar and foot at every size: nothing outgrows the terminal, no word is cut, all is safe."""

from __future__ import annotations

import re
from typing import Any

import pytest

from alerts.lifecycle import State
from console.alarm_list import alarm_list
from console.alarm_view import AlarmRow, take_alarms
from console.board import SMALLEST_HEIGHT, SMALLEST_WIDTH
from console.board_page import HINT_HEIGHT, HINT_WIDTH, Picture, page
from console.controls import Controls, Duties, Item
from console.paint import ASCII, BLOCKS, Glyphs
from tests.console.board_views import HOSTILE, make_alert, make_view
from tests.monitored import RATE, chunk, easy_sheet, flat

SIZES = [(1, 1), (10, 3), (20, 5), (40, 12), (59, 17), (60, 18), (80, 23), (80, 24), (120, 40), (200, 60)]
PLACES = ("FL", "FR", "RL", "RR", "splitter", "floor", "nose", "rear")


class Hand:
    def __init__(self) -> None:
        self.time_s = 0.0

    def __call__(self) -> float:
        return self.time_s


def row(where: str, state: State = State.UNACKNOWLEDGED, **changes: Any) -> AlarmRow:
    named: dict[str, Any] = {
        "kind": "sensor",
        "where": where,
        "priority": "high",
        "state": state,
        "quiet": "",
        "shelf_ends_s": None,
        "doubt": "",
        "who": "",
        "since_s": 83.0,
        "since_lap": "2",
        "occurrences": 3,
        "sentence": "open circuit: reads 4095 counts",
        "check_first": "connector and wiring of this sensor, then its supply",
        "caution": "Support the car before anyone reaches under it; parts may be hot.",
        "latches": True,
        "out_of_service": False,
    }
    return AlarmRow(**(named | changes))


def made(duties: Duties | None = None) -> tuple[Picture, Controls, Hand]:
    rows = tuple(row(where) for where in PLACES)
    hand = Hand()
    controls = Controls("Kim", duties or Duties(replay=True, ends="the watch"), hand)
    alerts = tuple(make_alert(where=one.where, key=one.key) for one in rows)
    controls.shows([one.item for one in rows])
    return Picture(make_view(alerts=alerts), rows), controls, hand


def drawn(picture: Picture, controls: Controls, size: tuple[int, int], glyphs: Glyphs = BLOCKS) -> list[str]:
    board = page(picture, controls, *size, glyphs)
    assert [line.cell_len for line in board.lines] == [size[0]] * size[1]
    return [line.plain for line in board.lines]


@pytest.mark.parametrize("glyphs", [BLOCKS, ASCII])
@pytest.mark.parametrize(
    "keys", [(), ("down",), ("l",), ("?",), ("f",), ("f", "l"), ("tab", "s"), ("tab", "o"), ("q",)]
)
@pytest.mark.parametrize("size", SIZES)
def test_every_scene_has_the_terminals_size(size: tuple[int, int], keys: tuple[str, ...], glyphs: Glyphs) -> None:
    picture, controls, hand = made()
    for key in keys:
        controls.press(key)
    hand.time_s = 12.0
    lines = drawn(picture, controls, size, glyphs)
    if "f" in keys and size[0] >= 20:
        assert lines[0].startswith("FROZEN 12 s")
    if controls.question and size >= (60, 18):
        assert controls.asking.split("?")[0].split()[-1] in "\n".join(lines[-2:])
    if glyphs is ASCII:
        assert "\n".join(lines).isascii()


@pytest.mark.parametrize("size", SIZES)
def test_the_line_of_keys_goes_first(size: tuple[int, int]) -> None:
    picture, controls, _ = made()
    shown = "q quit" in drawn(picture, controls, size)[-1]
    assert shown == (size[0] >= HINT_WIDTH and size[1] >= HINT_HEIGHT)
    assert HINT_HEIGHT > SMALLEST_HEIGHT
    assert HINT_WIDTH >= SMALLEST_WIDTH


@pytest.mark.parametrize("size", [(60, 18), (80, 24), (120, 40)])
@pytest.mark.parametrize("place", range(len(PLACES)))
@pytest.mark.parametrize("in_list", [False, True])
def test_the_selected_alarm_is_always_seen_and_marked(size: tuple[int, int], place: int, in_list: bool) -> None:
    picture, controls, _ = made()
    if in_list:
        controls.press("l")
        drawn(picture, controls, size)
        controls.press("home")
    else:
        controls.press("down")
    for _ in range(place):
        controls.press("down")
    lines = drawn(picture, controls, size)
    marked = [line for line in lines if "> !!!" in line]
    assert len(marked) == 1
    assert f"sensor {PLACES[place]}" in marked[0]
    # Those that are not shown are counted; the board's panel is the right half.
    named = sum("!!! HIGH" in line for line in lines)
    right = [line.strip() if in_list else line[size[0] // 2 :].strip() for line in lines]
    counted = sum(int(line.split()[1]) for line in right if re.fullmatch(r"and \d+ more", line))
    before = sum(int(line.split()[0]) for line in right if re.fullmatch(r"\d+ before", line))
    if not in_list:
        assert named + counted + before == len(PLACES)
    elif size[1] >= 24:
        assert before + named + counted >= len(PLACES)
        assert named >= 3


@pytest.mark.parametrize("height", [3, 8, 21, 40])
@pytest.mark.parametrize("width", [20, 39, 80, 200])
@pytest.mark.parametrize("place", [None, 0, 3, 7])
def test_the_list_shows_or_counts_every_alarm(width: int, height: int, place: int | None) -> None:
    rows = tuple(row(where) for where in PLACES)
    selected = None if place is None else rows[place].key
    lines = [line.plain for line in alarm_list(rows, selected, width, height, BLOCKS)]
    assert len(lines) <= height
    assert all(len(line) <= width for line in lines)
    if place is not None:
        assert sum(line.startswith("> ") for line in lines) == 1
    if width >= 80 and height >= 8:
        named = sum(any(f"sensor {where}:" in line for line in lines) for where in PLACES)
        counted = [int(w) for line in lines for w in line.split() if line.startswith("and ") and w.isdigit()]
        before = [int(line.split()[0]) for line in lines if line.endswith(" before")]
        assert named + sum(counted) + sum(before) == len(PLACES)


def test_the_list_tells_everything_of_the_selected_alarm() -> None:
    one = row("RR", State.LATCHED_UNACKNOWLEDGED, who="Robin", doubt="unknown")
    text = " ".join("\n".join(line.plain for line in alarm_list((one,), one.key, 80, 20, BLOCKS)).split())
    for words in (
        "ALARMS 1",
        "1 stand, 1 not acknowledged",
        "sensor RR: latched, unacknowledged, now unknown, since lap 2, 1:23",
        "open circuit: reads 4095 counts",
        "CAUTION: Support the car",
        "check first: connector",
        "last acted on by Robin",
        "occurred 3x",
    ):
        assert words in text


def test_silent_and_normal_alarms_are_listed_with_the_reason() -> None:
    rows = (
        row("FL", State.ACKNOWLEDGED, quiet="shelved", shelf_ends_s=754.0),
        row("FR", State.NORMAL, quiet="out of service", sentence="", since_s=None, out_of_service=True),
        row("RL", State.UNACKNOWLEDGED, quiet="suppressed"),
        row("RR", State.NORMAL, doubt="learning", sentence="", since_s=None),
    )
    text = "\n".join(line.plain for line in alarm_list(rows, None, 80, 20, BLOCKS))
    assert "sensor FL: shelved until 12:34, acknowledged" in text
    assert "sensor FR: out of service\n" in text
    assert "sensor RL: suppressed, unacknowledged" in text
    assert "sensor RR: normal, now learning" in text


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("count", [0, 1, 3, 20])
def test_the_frozen_bar_names_or_counts_what_has_come_up(size: tuple[int, int], count: int) -> None:
    picture, controls, hand = made()
    controls.press("f")
    hand.time_s = 12.4
    news = tuple(f"high sensor N{n:02d}" for n in range(count))[:20]
    lines = drawn(Picture(picture.view, picture.rows, news, count), controls, size)
    bar = " ".join(" ".join(lines[:3]).split())
    if size[0] >= 40:
        assert bar.startswith("FROZEN 12 s")
        assert (f"{count} NEW ALERT" in bar) == bool(count)
    if size == (80, 24) and count == 20:
        named = bar.count("high sensor N")
        assert named >= 3
        assert f"and {20 - named} more" in bar


def test_hostile_strings_come_out_as_text() -> None:
    rows = (row(HOSTILE, sentence=HOSTILE, check_first=HOSTILE, caution=HOSTILE, who=HOSTILE, since_lap=HOSTILE),)
    hand = Hand()
    controls = Controls("Kim", Duties(), hand)
    picture = Picture(make_view(alerts=(make_alert(where=HOSTILE, key=rows[0].key),)), rows, (HOSTILE,), 1)
    controls.shows([rows[0].item])
    for keys in (("down",), ("s",), ("escape", "o"), ("escape", "l"), ("f",), ("?",)):
        for key in keys:
            controls.press(key)
        for glyphs in (BLOCKS, ASCII):
            text = "".join(drawn(picture, controls, (80, 24), glyphs))
            assert not [c for c in text if not c.isprintable()]
    controls.say(HOSTILE)
    assert "\x1b" not in "".join(drawn(picture, controls, (80, 24)))


def test_no_word_is_cut_at_any_width() -> None:
    whole = {"acknowledge", "acknowledged", "unacknowledged", "circuit:", "circuit", "connector", "supply", "CAUTION:"}
    for scene in ("down", "l"):
        picture, controls, _ = made()
        controls.press(scene)
        for width in (200, *range(30, 120, 7)):
            words = set(" ".join(drawn(picture, controls, (width, 40))).replace("─", " ").split())
            cut = [w for w in words for one in whole if len(w) > 3 and one.startswith(w) and w not in whole]
            assert not cut, (width, cut)


# ---------------------------------------------------------------- rows of a monitor


def test_rows_come_in_the_order_of_what_matters() -> None:
    from alerts.monitor import Monitor

    monitor = Monitor(easy_sheet({"alerts.bump_stop.enabled": True}), RATE, ())
    monitor.process(chunk(flat(1000, 35.0)))
    rows = take_alarms(monitor, {})
    assert {one.key for one in rows} == {s.definition.key for s in monitor.standings}
    speaking = [one for one in rows if one.speaks]
    assert speaking
    assert list(rows[: len(speaking)]) == speaking
    first = speaking[0]
    monitor.act(first.key, "shelve", "Kim", shelve_s=600.0)
    monitor.act(rows[-1].key, "out_of_service", "Kim")
    after = take_alarms(monitor, {})
    place = {one.key: n for n, one in enumerate(after)}
    kept = [one for one in after if one.out_of_service or one.shelf_ends_s is not None]
    assert len(kept) == 2
    assert {place[one.key] for one in kept} == {len(speaking) - 1, len(speaking)}
    shelved = next(one for one in after if one.key == first.key)
    assert shelved.quiet == "shelved"
    assert shelved.who == "Kim"
    assert shelved.shelf_ends_s == pytest.approx(600.0 + monitor.engine.time_s(monitor.engine.newest_sample), abs=0.01)
    assert shelved.item == Item(*first.key, first.name, shelved=True)
