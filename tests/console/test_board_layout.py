from __future__ import annotations

import unicodedata
from dataclasses import replace
from typing import Any

import pytest

from console.board import BoardOptions, render
from console.paint import ASCII, BLOCKS, Glyphs
from console.view import BoardView
from tests.console.board_views import HOSTILE, make_alert, make_corner, make_view, unknown_view

ALWAYS = {"FRONT", "REAR", "TRAVEL", "ALERTS"}
SIZES = [(80, 24), (120, 40), (200, 60)]


def painted(view: BoardView, width: int, height: int, glyphs: Glyphs = BLOCKS) -> list[str]:
    return [line.plain for line in render(view, width, height, BoardOptions(glyphs)).lines]


def titles(lines: list[str]) -> set[str]:
    known = ALWAYS | {"HEIGHT mm", "BUMP STOP", "CAR", "LAPS", "RMS VELOCITY", "LAP TIMES"}
    return {title for title in known if any(f"{title} " in line and "─" in line for line in lines)}


@pytest.mark.parametrize(
    ("size", "expected"),
    [
        ((80, 24), ALWAYS | {"HEIGHT mm", "CAR"}),
        ((120, 40), ALWAYS | {"HEIGHT mm", "BUMP STOP", "CAR", "LAPS"}),
        ((120, 34), ALWAYS | {"HEIGHT mm", "BUMP STOP", "CAR"}),
        ((120, 30), ALWAYS | {"HEIGHT mm", "BUMP STOP", "CAR"}),
        ((120, 24), ALWAYS | {"HEIGHT mm", "BUMP STOP"}),
        ((200, 60), ALWAYS | {"HEIGHT mm", "BUMP STOP", "CAR", "LAPS", "RMS VELOCITY", "LAP TIMES"}),
        ((60, 18), ALWAYS),
        ((59, 18), {"ALERTS"}),
        ((60, 17), {"ALERTS"}),
    ],
)
def test_panels_by_size(size: tuple[int, int], expected: set[str]) -> None:
    assert titles(painted(make_view(), *size)) == expected


@pytest.mark.parametrize("view", [make_view(), unknown_view()], ids=["known", "unknown"])
@pytest.mark.parametrize("glyphs", [BLOCKS, ASCII], ids=["blocks", "ascii"])
@pytest.mark.parametrize("width", [1, 5, 20, 59, 60, 61, 79, 80, 99, 110, 120, 159, 160, 200, 301])
def test_every_line_fills_the_width_exactly(view: BoardView, glyphs: Glyphs, width: int) -> None:
    for height in (1, 2, 3, 10, 18, 19, 24, 29, 30, 40, 60, 90):
        lines = render(view, width, height, BoardOptions(glyphs)).lines
        assert len(lines) == height
        assert {line.cell_len for line in lines} == {width}


def test_names_of_wide_characters_do_not_widen_a_line() -> None:
    view = make_view(car="車" * 70, alerts=(make_alert(where="車" * 40, sentence="車" * 150),))
    view = replace(view, points=(replace(view.points[0], name="車" * 40),))
    for width, height in [*SIZES, (60, 18), (40, 10)]:
        assert {line.cell_len for line in render(view, width, height).lines} == {width}


@pytest.mark.parametrize("size", SIZES)
def test_what_is_not_known_is_a_dash(size: tuple[int, int]) -> None:
    lines = painted(unknown_view(), *size)
    whole = "\n".join(lines)
    assert "nan" not in whole.lower()
    assert "lap –" in whole
    travel = next(line for line in lines if " FL ─" in line and "rebound" not in line)
    assert "–" in travel
    assert all("–" in line for line in lines if "HS >" in line)
    assert "█" not in whole
    assert "none" in whole


def test_ascii_board_is_ascii() -> None:
    view = make_view(car="Läpwing", alerts=(make_alert(sentence="naïve…"),))
    for width, height in SIZES:
        assert "\n".join(painted(view, width, height, ASCII)).isascii()


@pytest.mark.parametrize("size", [*SIZES, (50, 12)])
def test_hostile_strings_stay_text(size: tuple[int, int]) -> None:
    view = make_view(
        car=HOSTILE,
        lap_name=HOSTILE,
        suppressed=(HOSTILE,),
        alerts=(make_alert(kind=HOSTILE, where=HOSTILE, sentence=HOSTILE, check_first=HOSTILE, since_lap=HOSTILE),),
    )
    view = replace(
        view,
        status=replace(view.status, source=HOSTILE, pace=HOSTILE),
        points=tuple(replace(point, name=HOSTILE) for point in view.points),
        asymmetry=replace(view.asymmetry, basis=HOSTILE),
        laps=tuple(replace(lap, name=HOSTILE, kind=HOSTILE) for lap in view.laps),
        corners=tuple(replace(corner, rejected=5) for corner in view.corners),
    )
    lines = painted(view, *size)
    bad = {c for line in lines for c in line if unicodedata.category(c) in {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}}
    assert bad == set()
    assert any("[bold red]" in line for line in lines)
    assert {line.cell_len for line in render(view, *size).lines} == {size[0]}


def test_strip_says_what_was_lost_and_rejected() -> None:
    view = make_view(corners=tuple(make_corner(n, rejected=7 * n) for n in range(4)))
    view = replace(view, status=replace(view.status, gaps=2, lost_samples=1000, restarts=1))
    for width, height in SIZES:
        top = " ".join(painted(view, width, height)[:3])
        assert "gaps 2" in top
        assert "lost 1000 (2.0 s)" in top
        assert "500 Hz" in top
        assert "not recording" in top
        assert "replay pace 20" in top
    assert "rejected FR 7 RL 14 RR 21" in " ".join(painted(view, 120, 40)[:3])


@pytest.mark.parametrize("count", [1, 99_999, 10**9])
@pytest.mark.parametrize("restarts", [0, 12])
def test_strip_says_which_corners_are_rejected_before_it_names_the_log(count: int, restarts: int) -> None:
    view = make_view(corners=tuple(make_corner(n, rejected=count) for n in range(4)))
    view = replace(view, status=replace(view.status, gaps=2, lost_samples=1000, restarts=restarts, source="s" * 28))
    line = painted(view, 80, 24)[1]
    assert f"rejected FL {count}" in line or "rejected FL FR RL RR" in line
    assert "lost 1000 (2.0 s)" in line
    assert "gaps 2" in line


def test_laps_that_are_over_have_hundredths() -> None:
    view = make_view()
    view = replace(view, laps=tuple(replace(lap, duration_s=56.866) for lap in view.laps))
    assert "last lap 3: timed, 0:56.87" in " ".join(painted(view, 120, 40)[:3])
    listed = [line for line in painted(view, 200, 60) if "lap 3 " in line and "timed" in line]
    assert any("0:56.87" in line for line in listed)


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"sample_age_s": 0.3}, "age 0.3 s"),
        ({"sample_age_s": 41.0}, "NO NEW SAMPLES for 41 s"),
        ({"state": "paused"}, "PAUSED"),
        ({"state": "finished"}, "FINISHED"),
    ],
)
def test_strip_says_how_fresh_it_is(changes: dict[str, Any], expected: str) -> None:
    view = make_view()
    view = replace(view, status=replace(view.status, **changes))
    for width, height in [*SIZES, (40, 10)]:
        assert expected in " ".join(painted(view, width, height)[:2])


def test_numbers_keep_their_columns() -> None:
    small, large = (
        make_view(corners=tuple(make_corner(n, travel_mm=value, rms_mm_s=abs(value)) for n in range(4)))
        for value in (0.0, -123.4)
    )
    for width, height in SIZES:
        for one, other in zip(painted(small, width, height), painted(large, width, height), strict=True):
            if "mm/s" in one and "RMS" in one:
                assert one.index("mm/s") == other.index("mm/s")


def test_heights_beyond_their_limit_say_so_in_a_word() -> None:
    for width, height in SIZES:
        lines = painted(make_view(), width, height)
        assert "LOW" in next(line for line in lines if "splitter_left" in line)
        assert "LOW" not in next(line for line in lines if "splitter_right" in line)


def test_of_many_points_those_nearest_to_their_limits_are_shown() -> None:
    point = make_view().points[0]
    points = tuple(
        replace(point, name=f"p{n:02d}", stint_lowest_mm=100.0 - n, lap_lowest_mm=100.0 - n) for n in range(24)
    )
    whole = "\n".join(painted(make_view(points=points), 120, 40))
    assert "p23" in whole
    assert "p00" not in whole
    assert "points farther from their limits" in whole


def test_laps_mark_the_side_and_the_laps_that_do_not_count() -> None:
    line = next(line for line in painted(make_view(), 120, 40) if "front compression" in line)
    # Laps 0 (out), 1 (+5 %), 2 (+10 %), 3 (+15 %, beyond 12).
    assert "·▆▇L" in line
    assert "+5.0  +10.0  +15.0" in line


def five_points(**changes: Any) -> BoardView:
    point = make_view().points[0]
    points = tuple(replace(point, name=f"p{n}", stint_regime="braking", **changes) for n in range(5))
    return make_view(points=points)


def test_at_120_columns_a_car_of_five_points_has_all_panels_and_ten_rows_of_alerts() -> None:
    view = replace(five_points(), alerts=tuple(make_alert(where=f"N{n}") for n in range(9)))
    lines = painted(view, 120, 40)
    assert {"HEIGHT mm", "BUMP STOP", "CAR", "LAPS"} <= titles(lines)
    begins = next(row for row, line in enumerate(lines) if "ALERTS 9" in line)
    assert len(lines) - begins >= 10


def test_rows_of_detail_come_with_room_and_top_outs_before_all_else() -> None:
    """One row is left at 120 x 40: the stint's lowest point, or top-outs when there are any."""
    view = five_points()
    whole = "\n".join(painted(view, 120, 40))
    assert "stint's lowest: p0 30.0 mm, braking" in whole
    assert "top-outs" not in whole
    corners = (*view.corners[:3], replace(view.corners[3], top_outs=2))
    whole = "\n".join(painted(replace(view, corners=corners), 120, 40))
    assert "stint's lowest" not in whole
    assert "top-outs" in whole
    whole = "\n".join(painted(view, 160, 60))
    assert all(words in whole for words in ("stint's lowest", "top-outs", "load share"))


def test_panels_move_apart_when_there_is_room() -> None:
    def blanks(height: int) -> int:
        return sum(not line[61:].strip() for line in painted(make_view(alerts=(), suppressed=()), 120, height)[3:-14])

    assert blanks(40) == 0
    assert blanks(60) >= 5


def test_pyramids_keep_their_table_of_shares_whole_in_three_columns() -> None:
    for width in (160, 161, 170):
        assert any("HS compression  " in line for line in painted(make_view(), width, 45) if "stint %" in line)
