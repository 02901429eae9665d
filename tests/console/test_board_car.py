"""The panel of the whole car: loads as seen from above, shares, rake, and downforce or the reason for its lack."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from console.board import render
from console.car_panels import LEAST_ROWS, MOST_ROWS, car, car_line
from console.car_view import CarView
from console.paint import ASCII, BLOCKS, Glyphs
from console.view import BoardView
from dsp.downforce import Estimate
from tests.console.board_views import interval, make_car, make_downforce, make_view, unknown_view

REASONS = (
    "only 20 steady windows of 0.5 s, 30 are needed; of 131, 43 were refused as braking or accelerating",
    "steady running only from 100 to 180 km/h; the fastest must be 1.5 times the slowest",
    "steady running at only 5 places (or times); 8 are needed to know the error",
    "the front coefficient can only be put between 1.00 and 2.30 m2 (95 %): more steady running is needed",
    "steady running differs too little in speed and acceleration from place to place",
    "speed is not logged",
)


def shown(view: BoardView, width: int = 59, most: int = MOST_ROWS, glyphs: Glyphs = BLOCKS) -> list[str]:
    return [line.plain.rstrip() for line in car(view, width, glyphs, most)]


def test_beside_the_pyramids_of_120_columns() -> None:
    assert shown(make_view()) == [
        "CAR ─────────────────── wheel load kN, │ static, full bar 9",
        "FL  2.9              │━━━━━━━ ━━━━━━━│━━━━━━━━━      7.4 FR",
        "RL  1.9             │    ━━━━ ━━━━━━━━│━━━━          5.7 RR",
        "load  57.4 % front                  rake +1.03 deg   +49 mm",
        "aero  42.0 ±1.2 % front",
        "C_z A front  1.05 ±0.03  rear  1.45 ±0.04 m2",
    ]


def test_in_half_of_80_columns() -> None:
    assert shown(make_view(), 39) == [
        "CAR ───── load kN, │ static, full bar 9",
        "FL  2.9       │━━━━ ━━━━│━━━━    7.4 FR",
        "RL  1.9       │  ━━ ━━━━│━━      5.7 RR",
        "load  57.4 % front       rake +1.03 deg",
        "aero  42.0 ±1.2 % front; C_z A:",
        "front  1.05 ±0.03 rear  1.45 ±0.04 m2",
    ]


@pytest.mark.parametrize("most", range(LEAST_ROWS, MOST_ROWS + 3))
@pytest.mark.parametrize("width", [39, 50, 59, 60])
@pytest.mark.parametrize("glyphs", [BLOCKS, ASCII], ids=["blocks", "ascii"])
def test_the_panel_keeps_to_its_room_and_promises_no_row_that_is_left_out(
    most: int, width: int, glyphs: Glyphs
) -> None:
    lines = shown(make_view(), width, most, glyphs)
    assert len(lines) == min(most, MOST_ROWS)
    assert all(len(line) <= width for line in lines)
    assert not lines[-1].endswith(":")


def test_without_room_for_both_axles_there_is_no_panel() -> None:
    assert car(make_view(), 59, BLOCKS, LEAST_ROWS - 1) == []


def test_nothing_jumps_when_numbers_change_or_are_not_known() -> None:
    light = make_car(load_n=(0.0,) * 4, front_share=0.04, rake_deg=-0.02, rake_mm=-1.0)
    heavy = make_car(load_n=(12_300.0,) * 4, front_share=1.0, rake_deg=-3.25, rake_mm=-153.0)
    for width in (39, 59):
        pictures = [shown(make_view(car_now=one), width) for one in (light, heavy, make_car(), CarView())]
        assert len({picture[1].index("FR") for picture in pictures}) == 1
        assert len({picture[3].index("front") for picture in pictures}) == 1
        assert len({picture[3].index("rake") for picture in pictures}) == 1


def test_a_bar_ends_at_its_load_and_shows_the_static_one() -> None:
    """Static 3 and 4 kN: the full bar is 10 kN on 21 cells."""
    static = (3000.0, 3000.0, 4000.0, 4000.0)
    now = make_car(load_n=(5000.0, 10_000.0, math.nan, 30_000.0), static_n=static)
    _, front, rear = shown(make_view(car_now=now), most=3)
    left, right = front[8:29], front[30:51]
    assert "full bar 10" in shown(make_view(car_now=now))[0]
    # From the middle outwards: 10.5 of 21 cells, and all of them; ticks at 6.3 cells.
    assert left[::-1] == "━━━━━━│━━━" + " " * 11
    assert right == "━━━━━━│" + "━" * 14
    assert rear[8:29].strip() == "│"
    assert rear[30:51] == "━" * 8 + "│" + "━" * 12


def test_a_light_car_is_shown_in_newtons() -> None:
    now = make_car(load_n=(400.0, 612.0, 380.0, 590.0), static_n=(420.0, 420.0, 560.0, 560.0))
    title, front, _ = shown(make_view(car_now=now), most=3)
    assert title.endswith("wheel load N, │ static, full bar 1400")
    assert front.startswith("FL  400 ")
    assert front.endswith("  612 FR")


@pytest.mark.parametrize("reason", REASONS)
@pytest.mark.parametrize("width", range(39, 61))
@pytest.mark.parametrize("most", [5, 6])
def test_without_downforce_the_reason_stands_in_whole_words(reason: str, width: int, most: int) -> None:
    view = make_view(car_now=make_car(downforce=make_downforce(reason=reason)))
    lines = shown(view, width, most)[4:]
    assert 1 <= len(lines) <= most - 4
    assert all(len(line) <= width for line in lines)
    told = " ".join(lines).removeprefix("no downforce yet: ")
    # Whole, or up to a semicolon, or up to some word and marked.
    ended = [reason[:place] for place in range(len(reason) + 1) if reason[place : place + 1] in {"", ";"}]
    marked = [reason[:place] + "…" for place in range(len(reason)) if reason[place] in " ;"]
    assert told in ended + [part.rstrip(";") for part in marked]


def test_before_the_first_sample_there_are_dashes_and_no_bars() -> None:
    lines = shown(unknown_view())
    assert lines[1] == "FL    –" + " " * 45 + "  –  FR".replace("  –  FR", "   – FR")
    assert "━" not in "".join(lines)
    assert lines[3].split() == ["load", "–", "%", "front", "rake", "–", "deg", "–", "mm"]
    assert lines[4] == "no downforce yet: nothing has been driven"


def test_no_ride_heights_no_rake() -> None:
    line = shown(make_view(car_now=make_car(rake_deg=math.nan, rake_mm=math.nan)))[3]
    assert line.split() == ["load", "57.4", "%", "front", "rake", "–", "deg", "–", "mm"]


def test_a_share_that_is_not_known_is_a_dash() -> None:
    """No total, no share: both axles may be known all the same."""
    found = make_downforce(front_m2=interval(0.5, 0.1), rear_m2=interval(-0.5, 0.1), front_share=Estimate())
    lines = shown(make_view(car_now=make_car(downforce=found)))
    assert "nan" not in "".join(lines)
    assert lines[4].split() == ["aero", "–", "±–", "%", "front"]
    assert "rear -0.50 ±0.10 m2" in lines[5]


@pytest.mark.parametrize("glyphs", [BLOCKS, ASCII], ids=["blocks", "ascii"])
def test_one_line_says_both_shares(glyphs: Glyphs) -> None:
    line = car_line(make_view(), glyphs).plain
    assert line == f"front share load  57 %  aero  42 {glyphs.plus_minus}1 %"
    assert len(line) <= 39
    dash = glyphs.dash
    assert car_line(unknown_view(), glyphs).plain == f"front share load   {dash} %  aero   {dash} %"


def test_80_columns_have_the_panel_when_there_are_few_points_else_the_line() -> None:
    few = "\n".join(line.plain for line in render(make_view(points=make_view().points[:1]), 80, 24).lines)
    assert "CAR ─" in few
    assert "load  57.4 % front" in few
    many = "\n".join(
        line.plain for line in render(make_view(points=make_view().points + make_view().points), 80, 24).lines
    )
    assert "CAR ─" not in many


def test_five_points_in_80_columns_leave_the_line() -> None:
    point = make_view().points[0]
    points = tuple(replace(point, name=f"p{n}") for n in range(5))
    whole = "\n".join(line.plain for line in render(make_view(points=points), 80, 24).lines)
    assert "front share load  57 %  aero  42 ±1 %" in whole
    assert all(f"p{n} " in whole for n in range(5))
