from __future__ import annotations

import math
from typing import Any

import pytest
from rich.style import Style
from rich.text import Text

from console.paint import BLOCKS
from console.panels import gauge, stops, travel
from console.view import StopCount
from tests.console.board_views import make_corner, make_view

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
