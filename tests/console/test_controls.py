"""Every key in every view: what it asks for, what it refuses, and that nothing but the selected alarm is acted on."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.monitor import ACTIONS, LONGEST_SHELF_S
from alerts.payload import MOST_SHELF_S
from console.command import Wish, person_name
from console.controls import SHELVES, Controls, Duties, Item, Move, Question, Scene
from console.key_help import help_page, hint, keys_for
from console.paint import BLOCKS

ITEMS = [Item("sensor", corner, f"sensor {corner}") for corner in ("FL", "FR", "RL", "RR")]
BOARD = Duties(replay=True)
LIVE = Duties(live=True, ends="the watch")
WALL = Duties(has_list=False, can_freeze=False, can_take_out=False, ends="this screen")


class Hand:
    def __init__(self) -> None:
        self.time_s = 0.0

    def __call__(self) -> float:
        return self.time_s


def controls(duties: Duties = BOARD, items: list[Item] | None = None, clock: Hand | None = None) -> Controls:
    made = Controls("Kim", duties, clock or Hand())
    made.shows(ITEMS if items is None else items)
    return made


def press(made: Controls, *keys: str) -> Wish | Move | None:
    asked = None
    for key in keys:
        asked = made.press(key)
    return asked


def where(made: Controls) -> str:
    return "" if made.selected is None else made.selected.where


@pytest.mark.parametrize(
    ("keys", "selected"),
    [
        ((), ""),
        (("down",), "FL"),
        (("up",), "RR"),
        (("down", "down"), "FR"),
        (("tab", "tab", "tab", "tab", "tab"), "FL"),
        (("back tab", "back tab"), "RL"),
        (("down", "up", "up"), "FL"),
        (("down", "page down", "down"), "RR"),
        (("end", "home"), "FL"),
        (("end",), "RR"),
        (("tab", "page up"), "FL"),
        (("tab", "escape"), ""),
    ],
)
def test_the_selection_moves_and_only_tab_goes_round(keys: tuple[str, ...], selected: str) -> None:
    made = controls()
    press(made, *keys)
    assert where(made) == selected


@pytest.mark.parametrize("scene", [Scene.BOARD, Scene.LIST])
@pytest.mark.parametrize(
    ("keys", "wish"),
    [
        (("a",), Wish("acknowledge", "sensor", "FR", "Kim")),
        (("r",), Wish("reset", "sensor", "FR", "Kim")),
        (("u",), Wish("unshelve", "sensor", "FR", "Kim")),
        (("s", "1"), Wish("shelve", "sensor", "FR", "Kim", 600.0)),
        (("s", "4"), Wish("shelve", "sensor", "FR", "Kim", 14_400.0)),
        (("s", "x", "2"), Wish("shelve", "sensor", "FR", "Kim", 1800.0)),
        (("o", "y"), Wish("out_of_service", "sensor", "FR", "Kim")),
        (("s",), None),
        (("s", "escape"), None),
        (("s", "9"), None),
        (("o",), None),
        (("o", "n"), None),
        (("o", "escape"), None),
    ],
)
def test_actions_are_on_the_selected_alarm_with_the_persons_name(
    scene: Scene, keys: tuple[str, ...], wish: Wish | None
) -> None:
    made = controls()
    made.scene = scene
    press(made, "tab", "tab")
    assert press(made, *keys) == wish


def test_an_action_without_a_selection_asks_for_one() -> None:
    for key in "arsuo":
        made = controls()
        assert made.press(key) is None
        assert "Select an alarm" in made.said
        empty = controls(items=[])
        assert empty.press(key) is None
        assert "No alarm" in empty.said


def test_when_the_selected_alarm_goes_no_other_is_acted_on() -> None:
    made = controls()
    press(made, "tab", "tab")
    made.shows([item for item in ITEMS if item.where != "FR"])
    assert made.selected is None
    assert made.press("a") is None
    made.shows(list(reversed(ITEMS)))
    assert made.press("a") == Wish("acknowledge", "sensor", "FR", "Kim")


def test_a_question_stays_with_the_alarm_it_was_asked_of() -> None:
    made = controls()
    press(made, "tab", "s")
    made.shows(ITEMS[2:])
    assert "sensor FL" in made.asking
    assert made.press("1") == Wish("shelve", "sensor", "FL", "Kim", 600.0)


def test_what_is_out_of_service_returns_at_once_and_is_not_unshelved() -> None:
    made = controls(items=[Item("sensor", "FL", "sensor FL", out_of_service=True)])
    made.press("tab")
    assert made.press("u") is None
    assert "o returns it" in made.said
    assert made.press("o") == Wish("return_to_service", "sensor", "FL", "Kim")


def test_a_frozen_picture_is_not_acted_on() -> None:
    hand = Hand()
    made = controls(clock=hand)
    press(made, "tab", "f")
    hand.time_s = 12.0
    assert made.frozen_s == 12.0
    for key in "arsuo":
        assert made.press(key) is None
        assert made.question is None
        assert "frozen" in made.said
    made.press("down")
    assert where(made) == "FR"
    made.press("f")
    assert made.frozen_s is None
    assert made.press("a") == Wish("acknowledge", "sensor", "FR", "Kim")


def test_views_help_and_the_way_back() -> None:
    made = controls()
    made.press("l")
    assert made.scene is Scene.LIST
    made.shows(ITEMS)
    assert where(made) == "FL"  # the list always has one selected
    made.press("l")
    made.press("enter")
    assert made.scene is Scene.LIST
    made.press("escape")
    assert str(made.scene) == "board"
    for key in ("?", "h"):
        made.press(key)
        assert made.helping
        assert made.press("a") is None  # any key leaves the page, and does nothing else
        assert not made.helping


@pytest.mark.parametrize(
    ("key", "move"), [(" ", Move.PAUSE), ("n", Move.STEP), ("+", Move.FASTER), ("=", Move.FASTER), ("-", Move.SLOWER)]
)
def test_a_replay_can_be_paused_stepped_and_paced_and_nothing_else_can(key: str, move: Move) -> None:
    assert controls(BOARD).press(key) is move
    assert controls(LIVE).press(key) is None
    assert controls(WALL).press(key) is None


def test_quitting_what_must_go_on_asks_first() -> None:
    assert controls(BOARD).press("q") is Move.QUIT
    for duties in (LIVE, WALL):
        made = controls(duties)
        assert made.press("q") is None
        assert made.question is Question.QUIT
        assert press(made, "x") is None
        assert press(made, "n") is None
        assert made.question is None
        assert press(made, "q", "y") is Move.QUIT
        assert press(made, "q", "q", "y") is None  # a second q takes the first back


@pytest.mark.parametrize("state", ["", "?", "s", "o"])
def test_interrupt_and_suspend_pass_whatever_is_open(state: str) -> None:
    made = controls()
    press(made, "tab", *state)
    assert made.press("interrupt") is Move.INTERRUPT
    assert made.press("suspend") is Move.SUSPEND


def test_the_wall_takes_nothing_out_of_service_and_has_no_list() -> None:
    made = controls(WALL)
    press(made, "tab", "o", "f", "l", "enter")
    assert (made.question, made.frozen_s, made.scene) == (None, None, Scene.BOARD)


def test_once_the_end_is_asked_for_the_screen_says_so() -> None:
    made = controls()
    press(made, "f", "?")
    made.ending()
    assert (made.frozen_s, made.helping) == (None, False)
    assert made.notice.startswith("ENDING")
    assert made.take_changed()


def test_an_answer_is_shown_for_a_while() -> None:
    hand = Hand()
    made = controls(clock=hand)
    made.take_changed()
    made.say("done")
    assert (made.said, made.take_changed(), made.take_changed()) == ("done", True, False)
    hand.time_s = 60.0
    assert made.said == ""


KEYS = sorted(
    {key for entry in keys_for(BOARD) for key in entry.keys} | {"escape", "1", "4", "y", "n", "x", "é", "left"}
)


@given(st.lists(st.sampled_from(KEYS), max_size=30), st.sampled_from([BOARD, LIVE, WALL]), st.randoms())
def test_no_order_of_keys_asks_for_what_no_monitor_knows(keys: list[str], duties: Duties, chance: object) -> None:
    made = controls(duties)
    for key in keys:
        if getattr(chance, "random")() < 0.2:  # noqa: B009
            made.shows(getattr(chance, "sample")(ITEMS, 2))  # noqa: B009
        asked = made.press(key)
        if isinstance(asked, Wish):
            assert asked.action in ACTIONS
            assert (asked.shelve_s is not None) == (asked.action == "shelve")
            assert asked.who == "Kim"
            assert duties.can_take_out or asked.action not in {"out_of_service", "return_to_service"}


def test_every_shelf_is_one_that_board_and_wall_may_ask_for() -> None:
    assert all(0.0 < seconds <= min(MOST_SHELF_S, LONGEST_SHELF_S) for _, seconds, _ in SHELVES)


# ---------------------------------------------------------------- the keys in words


@pytest.mark.parametrize("duties", [BOARD, LIVE, WALL])
def test_the_page_lists_just_the_keys_that_do_something(duties: Duties) -> None:
    listed = {key for entry in keys_for(duties) for key in entry.keys}
    for key in KEYS:
        made = controls(duties)
        made.press("down")
        made.press("down")
        before = (made.selected, made.scene, made.helping, made.question, made.frozen_s, made.said)
        asked = made.press(key)
        does = (
            asked is not None
            or made.take_picture_asked()
            or before
            != (
                made.selected,
                made.scene,
                made.helping,
                made.question,
                made.frozen_s,
                made.said,
            )
        )
        if key not in {"escape", "y", "n", "1", "4"} or (key in listed and key != "1"):
            assert does == (key in listed), key


@pytest.mark.parametrize("duties", [BOARD, LIVE, WALL])
@pytest.mark.parametrize("width", [*range(1, 40), 60, 80, 120, 200])
def test_the_line_of_keys_fits_and_no_word_is_cut(duties: Duties, width: int) -> None:
    whole = {f"{key.written} {key.short}" for key in keys_for(duties)}
    for in_list in (False, True):
        line = hint(duties, width, in_list=in_list)
        assert len(line) <= width
        assert set(filter(None, line.split("  "))) <= whole
        if width >= 60:
            assert line.endswith("? keys  q quit")
            assert "a acknowledge" in line


@pytest.mark.parametrize(("width", "height"), [*itertools.product([20, 60, 80, 200], [1, 5, 12, 24, 60])])
def test_the_page_of_keys_has_room(width: int, height: int) -> None:
    lines = help_page(BOARD, "Kim", width, height, BLOCKS)
    assert len(lines) <= height
    assert all(line.cell_len <= width for line in lines)
    if width >= 60 and height >= 24:
        text = "\n".join(line.plain for line in lines)
        assert all(key.written in text for key in keys_for(BOARD))
        assert "Kim" in text


@pytest.mark.parametrize("given_name", ["Kim", " Kim ", "x" * 500, "\x1b[2J\u202eKim", "", "\n\t ", None, "\ud800"])
def test_a_name_is_safe_bounded_and_never_empty(given_name: str | None) -> None:
    name = person_name(given_name)
    assert 0 < len(name) <= 40
    assert name.isprintable()


def test_without_a_login_there_is_still_a_name(monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody() -> str:
        raise OSError("no such user")

    monkeypatch.setattr("getpass.getuser", nobody)
    assert person_name(None) == "somebody"
    monkeypatch.setattr("getpass.getuser", lambda: "ki\x07m")
    assert person_name(None) == "ki\ufffdm"
