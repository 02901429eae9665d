from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from rich.style import Style
from rich.text import Text

from console.paint import BLOCKS
from console.panels import gauge, heights, lowest_line, stop_extras, stops, travel
from console.view import StopCount
from tests.console.board_views import make_car, make_corner, make_view, unknown_view

# A stroke from -40 to 40 mm on 80 cells: a cell is a millimetre.
STROKE: dict[str, Any] = {"full_droop_mm": -40.0, "full_bump_mm": 40.0, "stop_gap_mm": 30.0}


def rail(**changes: float) -> Text:
    return gauge(make_corner(0, **{**STROKE, **changes}), 80, BLOCKS)


def test_gauge_places_now_extremes_and_stop() -> None:
    text = rail(travel_mm=5.5, lap_lowest_mm=-9.5, lap_highest_mm=20.5).plain
    assert len(text) == 80
    assert text.index("◆") == 45
    assert text.index("━") == 30
    assert text.rindex("━") == 60
    assert text.index("│") == 70
    assert text[71:] == "░" * 9


@pytest.mark.parametrize(("travel_mm", "place"), [(-40.0, 0), (-55.0, 0), (40.0, 79), (70.0, 79)])
def test_gauge_keeps_what_lies_beyond_the_stroke_at_its_end(travel_mm: float, place: int) -> None:
    assert rail(travel_mm=travel_mm).plain.index("◆") == place


@pytest.mark.parametrize(("travel_mm", "reverse"), [(29.9, False), (30.0, True), (35.0, True)])
def test_gauge_reverses_the_mark_on_the_stop(travel_mm: float, reverse: bool) -> None:
    text = rail(travel_mm=travel_mm)
    place = text.plain.index("◆")
    style = next(span.style for span in text.spans if span.start <= place < span.end)
    assert isinstance(style, Style)
    assert bool(style.reverse) is reverse


def test_gauge_without_a_stop_or_a_position() -> None:
    text = rail(travel_mm=math.nan, lap_lowest_mm=math.nan, lap_highest_mm=math.nan, stop_gap_mm=math.inf).plain
    assert text == "─" * 80


def test_contacts_of_the_lap_and_the_stint() -> None:
    corners = list(make_view().corners)
    corners[2] = make_corner(2, lap_stops=StopCount(3, 0.21), stint_stops=StopCount(12, 0.8))
    corners[3] = make_corner(3, stop_gap_mm=math.inf)
    view = make_view(corners=tuple(corners))
    _, lap, stint = (line.plain.split() for line in stops(view, 58, BLOCKS))
    assert lap == ["this", "lap", "0", "0.00s", "1", "0.10s", "3", "0.21s", "–"]
    assert stint == ["stint", "0", "0.00s", "10", "1.00s", "12", "0.80s", "–"]
    narrow = [line.plain for line in travel(view, 39, BLOCKS)]
    assert narrow[3].endswith("3│ 0.2s")


@pytest.mark.parametrize("width", range(50, 61))
def test_contacts_of_neighbouring_corners_never_touch(width: int) -> None:
    many = tuple(make_corner(n, stint_stops=StopCount(187, 127.25)) for n in range(4))
    line = stops(make_view(corners=many), width, BLOCKS)[2].plain
    assert len(line) == width
    times = line.split()[2::2]
    assert len(times) == 4
    assert all(time in {"127.25s", "127.2s", "127s"} for time in times)


def test_rows_of_detail_line_up_with_the_stops() -> None:
    corners = (*make_view().corners[:3], make_corner(3, top_outs=12, stop_peak_share=0.345))
    view = make_view(corners=corners)
    assert [line.plain for line in stop_extras(view, 59, BLOCKS)] == [
        "top-outs              0           0           0          12",
        "load share            –  peak   9 %  peak  18 %  peak  34 %",
    ]
    heading = stops(view, 59, BLOCKS)[0].plain
    for line in stop_extras(view, 59, BLOCKS):
        assert len(line.plain) == len(heading)
    assert "peak" not in stop_extras(view, 50, BLOCKS)[1].plain


def rows(width: int, **changes: Any) -> list[str]:
    view = make_view()
    points = (replace(view.points[0], **changes), *view.points[1:])
    return [line.plain for line in heights(replace(view, points=points), width, BLOCKS, 8)]


def test_heights_of_120_columns() -> None:
    assert rows(59, to_limit_s=0.42) == [
        "HEIGHT mm with tyres ──────────── now    low limit  below s",
        "splitter_left  0.4 s to limit    60.0   31.0    34 LOW  0.4",
        "splitter_right ━━━━━│━━━━        61.0   36.0    34      0.0",
        "floor_rear     ━━━━━│━━━━        62.0   50.0    34      0.0",
    ]


@pytest.mark.parametrize(
    ("to_limit_s", "words"), [(0.49, "0.5 s to limit"), (0.004, "0.1 s to limit"), (0.5, None), (math.nan, None)]
)
def test_a_point_says_how_soon_it_is_at_its_limit_only_when_that_is_soon(to_limit_s: float, words: str | None) -> None:
    line = rows(59, to_limit_s=to_limit_s)[1]
    assert ("to limit" in line) is (words is not None)
    assert ("━" in line) is (words is None)
    assert words is None or words in line


@pytest.mark.parametrize("width", [39, 50, 56, 59])
def test_columns_of_heights_stay_when_the_time_to_the_limit_comes_and_goes(width: int) -> None:
    calm, soon = (rows(width, to_limit_s=value)[1] for value in (math.nan, 0.2))
    assert len(calm) == len(soon) == width
    assert calm[-28 if width > 49 else -21 :] == soon[-28 if width > 49 else -21 :]


@pytest.mark.parametrize(
    ("width", "with_tyres", "words"),
    [
        (59, True, "HEIGHT mm with tyres "),
        (59, False, "HEIGHT mm tyres rigid "),
        (39, True, "HEIGHT mm +tyres "),
        (39, False, "HEIGHT mm rigid "),
    ],
)
def test_heights_say_whether_tyres_are_in_them(width: int, with_tyres: bool, words: str) -> None:
    view = make_view(car_now=make_car(with_tyres=with_tyres))
    title = heights(view, width, BLOCKS, 8)[0].plain
    assert title.startswith(words + "─")
    assert title.endswith("below s")


def lowest(width: int = 59, **changes: Any) -> str | None:
    view = make_view()
    line = lowest_line(replace(view, points=(view.points[2], replace(view.points[0], **changes))), width, BLOCKS)
    return None if line is None else line.plain


def test_where_the_stint_was_lowest_for_its_limit() -> None:
    """The point 4 mm below its limit, not the one 15 mm above; what is not known is left out."""
    known = {"stint_regime": "braking", "stint_place_m": 1101.4}
    assert lowest(70, **known) == "stint's lowest: splitter_left 30.0 mm, braking, 1101 m into the lap"
    assert lowest(59, **known) == "stint's lowest: splitter_left 30.0 mm, braking, 1101 m"
    assert lowest(50, **known) == "stint's lowest: splitter_left 30.0 mm, braking"
    assert lowest(40, **known) is None
    assert lowest(59) == "stint's lowest: splitter_left 30.0 mm"
    assert lowest(59, stint_place_m=12.0) == "stint's lowest: splitter_left 30.0 mm, 12 m into the lap"


def test_before_any_height_is_known_none_was_lowest() -> None:
    assert lowest_line(unknown_view(), 59, BLOCKS) is None
    assert lowest_line(make_view(points=()), 59, BLOCKS) is None
