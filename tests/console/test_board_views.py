"""Every view at every size: its answer first, nothing cut, nothing raised; held against drawings of a shipped log."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from rich.console import Console
from rich.style import Style

from alerts.monitor import Monitor
from console.alarm_view import take_alarms
from console.board_page import Picture, page
from console.board_views import NAMES, ORDER, answer_lines, body_lines
from console.controls import Controls, Duties, Scene
from console.paint import ASCII, BLOCKS, Glyphs
from console.screen import BoardScreen
from console.take_view import take_view
from console.trends import Trends
from console.view import BoardView, DriftView, LinkStatus, PointView
from dsp.asymmetry import PLACES
from ingest.chunk import Chunk
from ingest.rehearsal_mark import MARK
from tests.console.board_views import HOSTILE, make_car, make_corner, make_downforce, make_view, unknown_view
from tests.console.draw_snapshots import AT_S, LOG, SIZES, draw, snapshot_file
from tests.console.replayed import replayed
from tests.sheets import make_sheet

EDGES = [(1, 1), (10, 3), (20, 5), (40, 12), (59, 17), (60, 18), (80, 23), (80, 24), (120, 40), (160, 45), (200, 60)]
OTHERS = [scene for scene in Scene if scene not in {Scene.BOARD, Scene.LIST}]
RATE_HZ = 500.0


def many_points(name: str = "floor_point", count: int = 24) -> tuple[PointView, ...]:
    return tuple(
        PointView(f"{name}_{n}", 60.0 + n, 35.0 + n, 34.0 + n, 82.0, 34.5, 0.1, 0.2, 0.3, "braking", 123.0, "7")
        for n in range(count)
    )


def lost_sensors() -> BoardView:
    nan = math.nan
    corners = tuple(
        make_corner(n, travel_mm=nan, rejected=99_999, missing=12_345_678, noise_mm=nan, rms_mm_s=nan) for n in range(4)
    )
    car = make_car(load_n=(nan,) * 4, rake_deg=nan, rake_mm=nan, front_share=nan, downforce=make_downforce(reason="x"))
    return make_view(corners=corners, car_now=car)


def hostile() -> BoardView:
    view = make_view(points=many_points(HOSTILE, 5), car=HOSTILE, lap_name=HOSTILE, suppressed=(HOSTILE,))
    laps = tuple(replace(lap, name=HOSTILE, kind="timed") for lap in view.laps)
    status = LinkStatus(HOSTILE, 3.0, trouble=HOSTILE, journal=HOSTILE, wall=HOSTILE, counts=((HOSTILE, 3),), live=True)
    car = make_car(downforce=make_downforce(reason=HOSTILE, notes=(HOSTILE,), air_density_how=HOSTILE))
    drift = DriftView(HOSTILE, (HOSTILE,))
    points = tuple(replace(point, stint_lap=HOSTILE) for point in view.points)
    return replace(view, laps=laps, status=status, car_now=car, drift=drift, points=points)


VIEWS: dict[str, Callable[[], BoardView]] = {
    "usual": make_view,
    "unknown": unknown_view,
    "lost": lost_sensors,
    "points": lambda: make_view(points=many_points()),
    "no points": lambda: make_view(points=()),
    "hostile": hostile,
    "stale": lambda: make_view(status=LinkStatus("link", 9.0, sample_age_s=12.0, rate_hz=500.0, live=True)),
    "never": lambda: replace(unknown_view(), status=LinkStatus("link", 0.0, sample_age_s=math.nan, live=True)),
}


def drawn(view: BoardView, scene: Scene, size: tuple[int, int], glyphs: Glyphs = BLOCKS) -> list[str]:
    controls = Controls("Kim", Duties(replay=True), lambda: 0.0)
    controls.scene = scene
    lines = page(Picture(view, ()), controls, *size, glyphs).lines
    assert [line.cell_len for line in lines] == [size[0]] * size[1]
    return [line.plain for line in lines]


# ---------------------------------------------------------------- drawings of a shipped log


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("scene", list(Scene))
def test_a_view_is_as_it_was_drawn_and_read(scene: Scene, size: tuple[int, int]) -> None:
    kept = snapshot_file(scene, size).read_text(encoding="utf-8").splitlines()
    assert draw(replayed(LOG, AT_S), scene, size) == kept, "python -m tests.console.draw_snapshots draws them again"


def words_of(lines: list[str]) -> set[str]:
    return {word.strip(",;:.()") for line in lines for word in re.split(r"[ ─]+", line) if "…" not in word}


@pytest.mark.parametrize("scene", list(Scene))
def test_no_word_is_cut_at_any_size(scene: Scene) -> None:
    for picture in (replayed(LOG, AT_S), Picture(make_view(), ()), Picture(lost_sensors(), ())):
        whole: set[str] = set()
        for size in ((400, 200), (120, 60), (119, 200), (80, 100)):
            whole |= words_of(draw(picture, scene, size))
        known = {word for word in whole if len(word) > 3 and word.isalpha()}
        for width in range(60, 200, 3):
            for height in (18, 24, 31, 40, 60):
                found = {one for one in words_of(draw(picture, scene, (width, height))) if one.isalpha()} - whole
                cut = [(one, word) for one in found for word in known if one != word and word.startswith(one)]
                assert not [pair for pair in cut if len(pair[0]) > 1 and pair[0] not in ALLOWED], (width, height, cut)


# Words that are whole in themselves, and are used where a longer one has no room.
ALLOWED = {
    "add",
    "acknowledge",
    "ref",
    "alarm",
    "low",
    "lowest",
    "reference",
    "stint",
    "load",
    "lap",
    "limit",
    "kN",
    "s",
}


# ---------------------------------------------------------------- whatever comes


@pytest.mark.parametrize("glyphs", [BLOCKS, ASCII])
@pytest.mark.parametrize("name", list(VIEWS))
@pytest.mark.parametrize("size", EDGES)
def test_every_view_of_whatever_comes_has_the_terminals_size(name: str, size: tuple[int, int], glyphs: Glyphs) -> None:
    view = VIEWS[name]()
    for scene in Scene:
        text = "".join(drawn(view, scene, size, glyphs))
        assert not [c for c in text if not c.isprintable()], scene
        assert not re.search(r"\b(nan|inf|None)\b", text), scene
        if glyphs is ASCII:
            assert text.isascii()


@pytest.mark.parametrize("size", [*EDGES, (10, 1), (60, 1), (80, 2), (200, 3)])
@pytest.mark.parametrize("scene", list(Scene))
def test_a_rehearsal_shows_its_mark_on_every_view(scene: Scene, size: tuple[int, int]) -> None:
    lines = drawn(make_view(car=f"{MARK}Lapwing 3"), scene, size)
    if size[0] >= 10:
        assert any(MARK.strip() in line for line in lines)
    assert not any(MARK.strip() in line for line in drawn(make_view(), scene, size))


@pytest.mark.parametrize("size", [(60, 19), (80, 24), (120, 40), (200, 60)])
@pytest.mark.parametrize("scene", list(Scene))
def test_the_answer_is_the_first_line_with_the_views_name(scene: Scene, size: tuple[int, int]) -> None:
    first = drawn(unknown_view(), scene, size)[0]
    answer = answer_lines(unknown_view(), scene, size[0], 1, BLOCKS)[0].plain
    assert first.rstrip() == answer.rstrip()
    assert len(answer.split()) > 2
    if size[0] >= 80:
        assert f"{ORDER.index(scene) + 1} {NAMES[scene]}" in first


def test_before_the_first_sample_of_a_real_car() -> None:
    monitor, trends = Monitor(make_sheet({}), RATE_HZ, ()), Trends()
    picture = Picture(take_view(monitor, trends, LinkStatus("log", 0.0)), take_alarms(monitor, {}))
    for scene in Scene:
        for size in SIZES:
            assert "nan" not in "\n".join(draw(picture, scene, size))


def test_a_car_whose_sensors_all_say_nothing() -> None:
    monitor, trends = Monitor(make_sheet({}), RATE_HZ, ()), Trends()
    step = monitor.process(Chunk(0, RATE_HZ, np.full((5000, 4), np.nan, order="F")))
    trends.take(step, monitor)
    picture = Picture(take_view(monitor, trends, LinkStatus("log", 10.0)), take_alarms(monitor, {}))
    assert all(math.isnan(corner.noise_mm) for corner in picture.view.corners)
    for scene in Scene:
        assert "nan" not in "\n".join(draw(picture, scene, (120, 40)))


# ---------------------------------------------------------------- what the views say


def answer(view: BoardView, scene: Scene) -> str:
    return " ".join(line.plain for line in answer_lines(view, scene, 400, 2, BLOCKS)).rsplit("  ", 1)[0].strip()


def test_the_platforms_answer_names_the_point_nearest_below_its_limit() -> None:
    low = PointView("nose", 60.0, 40.0, 31.24, 82.0, 30.0, 0.0, 0.0, stint_regime="braking", stint_lap="4")
    high = PointView("tail", 60.0, 20.0, 20.0, 82.0, 10.0, 0.0, 0.0, stint_regime="straight", stint_lap="2")
    assert answer(make_view(points=(high, low)), Scene.PLATFORM) == "lowest: nose 31.2 mm, limit 30, lap 4 braking"
    below = replace(low, limit_mm=31.5, stint_lap="", stint_regime="unknown")
    assert answer(make_view(points=(high, below)), Scene.PLATFORM) == "BELOW LIMIT: nose 31.2 mm, limit 31.5"
    assert "names no points" in answer(make_view(points=()), Scene.PLATFORM)


def test_a_height_below_its_limit_is_never_rounded_up_to_it() -> None:
    point = PointView("nose", 60.0, 20.46, 20.46, 82.0, 20.5, 0.1, 0.1)
    for scene, size in ((Scene.BOARD, (80, 24)), (Scene.BOARD, (120, 40)), (Scene.PLATFORM, (80, 24))):
        line = next(line for line in drawn(make_view(points=(point,)), scene, size) if "nose" in line and "LOW" in line)
        assert "20.4" in line
        assert line.count("20.5") == 1


def test_time_to_the_limit_and_place_are_told() -> None:
    point = replace(many_points(count=1)[0], to_limit_s=0.31)
    text = "\n".join(drawn(make_view(points=(point,)), Scene.PLATFORM, (120, 40)))
    assert "0.3 s" in text
    assert "lap 7 braking 123 m" in text
    calm = "\n".join(drawn(make_view(points=(replace(point, to_limit_s=0.6),)), Scene.PLATFORM, (120, 40)))
    assert "0.6 s" not in calm


def test_of_24_points_those_near_their_limits_are_shown_and_the_rest_counted() -> None:
    lines = drawn(make_view(points=many_points()), Scene.PLATFORM, (80, 24))
    shown = [line for line in lines if line.startswith("floor_point_")]
    counted = next(int(line.split()[1]) for line in lines if "farther from their limits" in line)
    assert len(shown) + counted == 24
    assert len(shown) >= 10
    assert shown[0].startswith("floor_point_0 ")
    large = drawn(make_view(points=many_points()), Scene.PLATFORM, (200, 60))
    assert sum(line.startswith("floor_point_") for line in large) >= 24


def test_the_answer_on_forces_is_downforce_or_why_not() -> None:
    # 0.5 x 1.225 kg/m3 x (200 km/h)^2 x 2.5 m2 = 4726 N.
    assert answer(make_view(), Scene.FORCES) == "downforce 4.7 kN at 200 km/h, aero balance 42.0 ±1.2 % front"
    why = make_view(car_now=make_car(downforce=make_downforce(reason="only 3 steady windows of 0.5 s")))
    assert answer(why, Scene.FORCES) == "downforce not known: only 3 steady windows of 0.5 s"
    assert "only 3 steady windows" in "\n".join(drawn(why, Scene.FORCES, (80, 24))[1:])


def test_the_answer_on_trends_is_what_the_drift_watch_found() -> None:
    assert "not watched" in answer(make_view(), Scene.TRENDS)
    seen = DriftView("with 5 reference laps, a 10 % change shows in about 2 laps")
    assert answer(make_view(drift=seen), Scene.TRENDS).startswith("no damper drifts: with 5 reference laps")
    found = replace(seen, found=("FL 14 % slower than the reference",))
    text = drawn(make_view(drift=found), Scene.TRENDS, (80, 24))
    assert text[0].startswith("drift: FL 14 % slower than the reference")
    assert any(line.startswith("with 5 reference laps") for line in text)
    assert "learning" in answer(make_view(drift=DriftView("learning: the reference")), Scene.TRENDS)


def test_laps_that_do_not_count_have_a_dash_and_their_places_stay() -> None:
    lines = drawn(make_view(), Scene.TRENDS, (80, 40))
    head = next(line for line in lines if line.startswith("lap "))
    row = next(line for line in lines if line.startswith("FL  "))
    assert head.split()[-4:] == ["0", "1", "2", "3"]
    assert row.split()[-4:] == ["–", "60", "60", "60"]
    assert [m.end() for m in re.finditer(r"\S+", head)][-4:] == [m.end() for m in re.finditer(r"\S+", row)][-4:]


@pytest.mark.parametrize(
    ("status", "words"),
    [
        (LinkStatus("log", 1.0), "log complete: nothing lost, nothing rejected"),
        (LinkStatus("log", 1.0, gaps=1, lost_samples=20), "log: 20 samples lost in 1 gap"),
        (LinkStatus("a", 1.0, sample_age_s=12.0, live=True), "link silent: 12 s without a sample"),
        (LinkStatus("a", 1.0, sample_age_s=math.nan, live=True), "link: no sample yet"),
        (LinkStatus("a", 1.0, live=True, trouble="journal: disk full"), "link: journal: disk full"),
        (
            LinkStatus("a", 1.0, live=True, sample_age_s=0.1, rate_hz=500.0, effective_rate_hz=400.0),
            "link slow: 400 of 500 Hz; 0 samples lost in 0 gaps",
        ),
    ],
)
def test_the_links_answer_is_the_worst_thing(status: LinkStatus, words: str) -> None:
    assert answer(make_view(status=status), Scene.LINK) == words


def test_the_link_tells_counts_recording_journal_and_wall() -> None:
    status = LinkStatus(
        "mqtt", 9.0, sample_age_s=0.2, rate_hz=500.0, effective_rate_hz=499.6, lag_s=0.012, jitter_s=0.003, live=True
    )
    status = replace(status, counts=(("bad_checksums", 3), ("gaps", 0)), journal="kept", wall="open", recording=True)
    corners = tuple(make_corner(n, rejected=7, noise_mm=0.0213) for n in range(4))
    text = "\n".join(drawn(make_view(status=status, corners=corners), Scene.LINK, (80, 24)))
    for words in ("499.6 of 500 Hz", "12 ms", "3 ms", "3 bad checksums", "kept", "open", "yes", "0.021 mm"):
        assert words in text


@pytest.mark.parametrize("scene", [Scene.PLATFORM, Scene.FORCES, Scene.TRENDS])
def test_what_is_too_old_is_dimmed_and_says_its_age(scene: Scene) -> None:
    stale = make_view(status=LinkStatus("link", 9.0, sample_age_s=12.0, rate_hz=500.0, live=True))
    lines = body_lines(stale, scene, 80, 18, BLOCKS)
    assert lines[0].plain == "all below is 12 s old"
    dimmed = [any(isinstance(s.style, Style) and s.style.dim for s in line.spans) for line in lines[1:] if line.plain]
    assert all(dimmed)
    fresh = body_lines(make_view(), scene, 80, 18, BLOCKS)
    assert not any(isinstance(s.style, Style) and s.style.dim for line in fresh for s in line.spans)


@pytest.mark.parametrize("scene", OTHERS)
def test_every_view_says_how_many_alerts_stand(scene: Scene) -> None:
    assert any("ALERTS 2: HIGH sensor RR" in line for line in drawn(make_view(), scene, (80, 24)))
    assert any(line.startswith("no alerts") for line in drawn(make_view(alerts=()), scene, (80, 24)))


def test_left_and_right_are_told_alike_or_not() -> None:
    # The one that is farther apart comes first.
    told = answer(make_view(), Scene.BOARD)
    assert told == "RR 20 % faster in rebound than its partner, lap 3, and 1 more"
    percent = dict(zip(PLACES, (1.0, 15.0, -2.0, -20.0), strict=True))
    alike = make_view()
    alike = replace(alike, asymmetry=replace(alike.asymmetry, percent=percent, beyond={}))
    assert answer(alike, Scene.BOARD) == "left and right alike: rear rebound -20 % at most, limit 12, lap 3"
    assert "FAST" not in "\n".join(drawn(alike, Scene.BOARD, (120, 40)))
    assert answer(unknown_view(), Scene.BOARD) == "left and right: nothing to compare yet"


# ---------------------------------------------------------------- what goes to the terminal


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("scene", list(Scene))
def test_a_frame_is_small_and_the_same_picture_sends_nothing(scene: Scene, size: tuple[int, int]) -> None:
    """At most 2 bytes a cell for a whole frame, and only the lines that differ after that."""
    picture = replayed(LOG, AT_S)
    controls = Controls("Kim", Duties(replay=True), lambda: 0.0)
    controls.scene = scene
    file = io.StringIO()
    console = Console(file=file, force_terminal=True, width=size[0], height=size[1], color_system="truecolor")
    screen = BoardScreen(console, catch_signals=False)
    ends = []
    moved = replace(picture, view=replace(picture.view, status=replace(picture.view.status, position_s=251.0)))
    for one in (picture, picture, moved):
        screen.show_board(partial(page, one, controls, glyphs=BLOCKS))
        ends.append(len(file.getvalue().encode()))
    first, same, other = ends[0], ends[1] - ends[0], ends[2] - ends[1]
    assert size[0] * size[1] < first < 2.2 * size[0] * size[1] + 1000
    assert same == 0
    assert 0 < other < 2.5 * size[0] + 100
    assert "\x1b[2J" not in file.getvalue()[100:]


# ---------------------------------------------------------------- numbers do not jump


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("scene", [Scene.PLATFORM, Scene.FORCES])
def test_columns_stay_when_values_grow_or_go(scene: Scene, size: tuple[int, int]) -> None:
    nan = math.nan
    usual = replace(make_view(), car_now=make_car(lowest_n=(900.0,) * 4, highest_n=(8000.0,) * 4))
    points = tuple(replace(p, height_mm=nan, lap_lowest_mm=nan, lap_below_s=nan) for p in usual.points)
    gone = replace(usual, points=points, car_now=replace(usual.car_now, load_n=(nan,) * 4, highest_n=(12_000.0,) * 4))
    heads = [
        [
            m.span()
            for line in drawn(view, scene, size)
            if line.startswith(("point ", "wheel "))
            for m in re.finditer(r"\S+", line)
        ]
        for view in (usual, gone)
    ]
    assert heads[0] == heads[1]
    assert heads[0]
