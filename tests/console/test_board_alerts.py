from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.style import Style

from console.board_alerts import alerts
from console.paint import BLOCKS, wrap
from console.view import BoardView
from tests.console.board_views import make_alert, make_view


def texts(view: BoardView, width: int = 58, height: int = 20) -> list[str]:
    return [line.plain for line in alerts(view, width, height, BLOCKS)]


def test_an_alert_says_where_why_since_when_and_what_to_check() -> None:
    whole = " ".join(" ".join(texts(make_view(alerts=(make_alert(),), suppressed=()))).split())
    assert "!!! HIGH sensor RR since lap 3, 2:38" in whole
    assert "open circuit: reads 4095 counts" in whole
    assert "check first: connector and wiring of this sensor, then its supply" in whole
    assert "CAUTION: support the car before anyone reaches under it." in whole


def test_no_caution_without_an_alert_that_sends_someone_under_the_car() -> None:
    assert not any("CAUTION" in text for text in texts(make_view(alerts=(make_alert(caution=False),))))


def test_suppressed_alerts_are_listed_as_such() -> None:
    whole = " ".join(texts(make_view()))
    assert "suppressed" in whole
    assert "bump stop RR" in whole


@pytest.mark.parametrize(("unacknowledged", "expected"), [(True, True), (False, None)])
def test_only_what_nobody_has_acknowledged_is_reversed(unacknowledged: bool, expected: object) -> None:
    line = alerts(make_view(alerts=(make_alert(unacknowledged=unacknowledged),)), 58, 20, BLOCKS)[1]
    tag = next(span for span in line.spans if "HIGH" in line.plain[span.start : span.end])
    assert isinstance(tag.style, Style)
    assert tag.style.reverse is expected
    assert ("acknowledged" in line.plain) is not unacknowledged


def test_states_have_words() -> None:
    ended = texts(make_view(alerts=(make_alert(held=True),)))
    assert any("ended" in text for text in ended)
    # Beside a limit "over" would say the opposite.
    assert not any("over" in text for text in ended)
    assert any("now unknown" in text for text in texts(make_view(alerts=(make_alert(unknown=True),))))


@pytest.mark.parametrize("height", range(1, 30))
@pytest.mark.parametrize("count", [0, 1, 2, 5, 20])
@pytest.mark.parametrize("width", [25, 39, 58])
def test_panel_never_outgrows_its_room_and_never_hides_that_there_is_more(height: int, count: int, width: int) -> None:
    found = tuple(make_alert(where=f"N{n:02d}") for n in range(count))
    shown = texts(make_view(alerts=found, suppressed=()), width, height)
    assert len(shown) <= height
    assert all(len(text) <= width for text in shown)
    if count:
        assert f"ALERTS {count}" in shown[0]
    if height >= 8:
        named = sum(any(f"N{n:02d}" in text for text in shown) for n in range(count))
        more = [int(text.split()[1]) for text in shown if text.startswith("and ")]
        assert named + sum(more) == count


@given(st.text(alphabet="abc defgh", max_size=120), st.integers(9, 60), st.integers(0, 3), st.integers(0, 3))
def test_wrapping_keeps_every_word_whole(text: str, width: int, first: int, indent: int) -> None:
    words = [word for word in text.split() if len(word) <= width - 3]
    lines = wrap(" ".join(words), width, BLOCKS, first, indent)
    assert " ".join(lines).split() == words
    assert all(len(line) <= width for line in lines)
