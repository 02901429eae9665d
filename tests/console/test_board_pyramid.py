from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console
from rich.style import Style

from console.board import BoardOptions, render
from console.paint import ASCII, BLOCKS, Glyphs
from console.pyramid import Band, bands, bar, pyramid
from console.view import BoardView
from dsp.asymmetry import PLACES
from dsp.statistics import VELOCITY_BINS, velocity_scale
from tests.console.board_views import make_view, unknown_view, velocity_counts

MIRROR = str.maketrans("▌▐", "▐▌")


def band_rows(view: BoardView, width: int, height: int, glyphs: Glyphs = BLOCKS) -> list[tuple[str, str]]:
    """(label, whole line) of every band of the front axle."""
    rows = []
    for line in pyramid(view, "front", width, height, glyphs):
        text = line.plain
        for tag in ("LS ", "HS "):
            if tag in text and "stint" not in text:
                label = text.split(tag)[1].split()[0]
                rows.append((tag + label, text))
    return rows


def swapped(view: BoardView) -> BoardView:
    fl, fr, rl, rr = view.corners
    return replace(view, corners=(replace(fr, name="FL"), replace(fl, name="FR"), rl, rr))


def sides(text: str, label: str) -> tuple[str, str]:
    left, right = text.split(label)
    return left.rstrip(), right.lstrip()


@pytest.mark.parametrize("glyphs", [BLOCKS, ASCII], ids=["blocks", "ascii"])
@pytest.mark.parametrize("size", [(39, 11), (59, 18), (80, 28)])
def test_swapping_the_corners_mirrors_the_bars(size: tuple[int, int], glyphs: Glyphs) -> None:
    view = make_view()
    before, after = band_rows(view, *size, glyphs), band_rows(swapped(view), *size, glyphs)
    assert len(before) >= 6
    assert any(sides(text, label)[0] != sides(text, label)[1][::-1].translate(MIRROR) for label, text in before)
    for (label, text), (other_label, other) in zip(before, after, strict=True):
        assert label == other_label
        (left, right), (other_left, other_right) = sides(text, label), sides(other, label)
        number, bars = left[:4], left[5:]
        assert bars.strip()[::-1].translate(MIRROR) == other_right[:-4].strip()
        assert other_left[5:].strip() == right[:-4].strip()[::-1].translate(MIRROR)
        assert number == other_right[-4:]
        assert other_left[:4] == right[-4:]


def test_styles_are_mirrored_too() -> None:
    style = Style(color="red")
    for value, tick in ((0.31, 0.2), (0.2, 0.31), (0.0, 0.0), (math.nan, math.nan), (9.0, 9.0)):
        left = bar(value, tick, 1, 11, BLOCKS, leftward=True, style=style)
        right = bar(value, tick, 1, 11, BLOCKS, leftward=False, style=style)
        assert left.plain[::-1].translate(MIRROR) == right.plain
        assert [left.get_style_at_offset(_console(), n) for n in range(11)] == [
            right.get_style_at_offset(_console(), 10 - n) for n in range(11)
        ]


def _console() -> Console:
    return Console(width=80, _environ={})


@given(
    value=st.floats(0, 5) | st.just(math.nan),
    tick=st.floats(0, 5) | st.just(math.nan),
    cells=st.integers(1, 40),
)
def test_a_bar_has_its_length_whatever_the_values(value: float, tick: float, cells: int) -> None:
    text = bar(value, tick, 2, cells, BLOCKS, leftward=True, style=Style()).plain
    assert len(text) == cells
    if math.isnan(tick):
        halves = 2 * text.count("█") + text.count("▐")
        assert halves == (0 if math.isnan(value) else min(2 * cells, round(cells * value)))


def test_fastest_rebound_on_top_fastest_compression_at_the_bottom() -> None:
    labels = [label for label, _ in band_rows(make_view(), 59, 18)]
    # Rebound's low-speed limit is 40 mm/s, compression's 50 mm/s.
    assert labels == [
        "HS >160", "HS 80-160", "HS 40-80", "LS 20-40", "LS 0-20",
        "LS 0-25", "LS 25-50", "HS 50-100", "HS 100-200", "HS >200",
    ]  # fmt: skip


def test_low_speed_limits_are_ruled_where_they_lie() -> None:
    lines = [line.plain for line in pyramid(make_view(), "front", 59, 18, BLOCKS)]
    rules = [n for n, line in enumerate(lines) if "low-speed limit" in line]
    assert "limit 40 mm/s" in lines[rules[0]]
    assert "HS 40-80" in lines[rules[0] - 1]
    assert "limit 50 mm/s" in lines[rules[1]]
    assert "HS 50-100" in lines[rules[1] + 1]


@pytest.mark.parametrize("wanted", [2, 3, 4, 5, 6])
@pytest.mark.parametrize("limit", [1, 2, 37, 50, 1000])
def test_bands_of_a_direction_add_up_to_its_movement(wanted: int, limit: int) -> None:
    counts = velocity_counts(200.0, 3)
    counts[0], counts[-1] = 4, 5
    total = counts.sum()
    for compression in (True, False):
        parts = sum(band.movement(counts) for band in bands(limit, wanted, compression=compression))
        zero = VELOCITY_BINS.size // 2
        moving = counts[zero:].sum() if compression else counts[:zero].sum()
        mean = velocity_scale(counts, compression=compression)
        assert parts == pytest.approx(mean * moving / total, rel=1e-12)


def test_a_band_is_closed_at_its_slow_end() -> None:
    counts = VELOCITY_BINS.count_values(np.array([[50.5], [49.5], [-50.5], [-49.5]]))[0]
    assert Band(50, 100, compression=True, is_high_speed=True).movement(counts) == pytest.approx(50.5 / 4)
    assert Band(0, 50, compression=True, is_high_speed=False).movement(counts) == pytest.approx(49.5 / 4)
    assert Band(50, 100, compression=False, is_high_speed=True).movement(counts) == pytest.approx(50.5 / 4)
    assert Band(0, 50, compression=False, is_high_speed=False).movement(counts) == pytest.approx(49.5 / 4)


def test_asymmetry_beyond_its_limit_is_a_word_and_reverse_video() -> None:
    for width, height in ((80, 24), (120, 40)):
        lines = render(make_view(), width, height).lines
        left = [line.plain[: width // 2] for line in lines]
        assert sum("FL FAST" in text for text in left) == 1
        assert sum("RR FAST" in text for text in left) == 1
        reversed_texts = [
            line.plain[span.start : span.end]
            for line in lines
            for span in line.spans
            if isinstance(span.style, Style) and span.style.reverse
        ]
        assert " +15 %" in reversed_texts or "+15 %" in [text.strip() for text in reversed_texts]
        assert "-20 %" in [text.strip() for text in reversed_texts]
        assert "-2 %" not in [text.strip() for text in reversed_texts]


def test_nothing_counted_draws_nothing() -> None:
    text = "\n".join(line.plain for line in pyramid(unknown_view(), "rear", 59, 18, BLOCKS))
    assert "█" not in text
    assert "nan" not in text


def test_options_choose_the_glyphs() -> None:
    assert "#" in "".join(line.plain for line in render(make_view(), 80, 24, BoardOptions(ASCII)).lines)


def test_bars_are_of_the_last_seconds_and_ticks_of_the_stint() -> None:
    view = make_view()
    quiet = tuple(replace(corner, recent_counts=velocity_counts(0.1, 1)) for corner in view.corners)
    rows = [text for label, text in band_rows(replace(view, corners=quiet), 59, 18) if label == "HS 50-100"]
    # No bar, but the tick stands away from the middle where the stint's movement is.
    assert "█" not in rows[0]
    assert rows[0].index("│") < rows[0].index("HS") - 4
    still = tuple(replace(corner, stint_counts=corner.recent_counts * 0) for corner in view.corners)
    rows = [text for label, text in band_rows(replace(view, corners=still), 59, 18) if label == "HS 50-100"]
    assert "█" in rows[0]
    assert "│" not in rows[0]


@pytest.mark.parametrize("width", [80, 100, 120, 160, 200])
@pytest.mark.parametrize("window_s", [2.0, 30.0, 600.0])
def test_headings_say_that_bars_are_movement_not_velocity(width: int, window_s: float) -> None:
    lines = [line.plain for line in render(make_view(window_s=window_s), width, 40).lines]
    headings = [line[: width // 2] for line in lines if line.startswith(("FRONT ", "REAR "))]
    assert len(headings) == 2
    for heading in headings:
        assert "mm moved/s" in heading
        assert f"last {window_s:.0f} s, │ stint" in heading
        assert "mm/s" not in heading
        assert "end" not in heading
        assert width < 120 or "full bar " in heading


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (120, 40), (159, 40), (160, 40), (200, 60)])
@pytest.mark.parametrize("worst", [False, True])
def test_a_reference_and_its_limit_are_named_at_any_size(size: tuple[int, int], worst: bool) -> None:
    view = make_view()
    percent = dict(zip(PLACES, (20.0, -20.0, 20.0, -20.0), strict=True)) if worst else view.asymmetry.percent
    against = replace(view.asymmetry, percent=percent, limit_percent=8.0, beyond_reference=True, basis="lap 123")
    lines = [line.plain for line in render(replace(view, asymmetry=against), *size).lines]
    assert sum("less reference, limit ±8 %" in line[: size[0] // 2] for line in lines) == 2
    smallest = [line.plain[:29] for line in render(replace(view, asymmetry=against), 60, 18).lines]
    assert sum("less ref" in line and "±8 %" in line for line in smallest) == 2
    if any("LAPS" in line for line in lines):
        assert "less reference, limit ±8 %" in next(line for line in lines if "LAPS" in line)
