"""A picture on a key: named by its moment, never over another one, hostile names escaped, a failure said."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from console.board_page import Picture, page
from console.board_snapshot import save_picture
from console.controls import Controls, Duties, Scene
from console.paint import BLOCKS
from tests.console.board_views import HOSTILE, make_alert, make_view

SIZE = (80, 24)


def saved(folder: Path, time_s: float = 3725.9, name: str = "stint") -> str:
    view = make_view(car=name, alerts=(make_alert(where=name, sentence=name),))
    controls = Controls("Kim", Duties(), lambda: 0.0)
    controls.scene = Scene.PLATFORM
    return save_picture(partial(page, Picture(view, ()), controls, glyphs=BLOCKS), SIZE, folder, "platform", time_s)


def test_the_name_holds_view_and_sample_time_and_the_path_is_said(tmp_path: Path) -> None:
    words = saved(tmp_path)
    path = tmp_path / "platform-01h02m05s.svg"
    assert words == f"Picture: {path}"
    text = "".join(ET.parse(path).getroot().itertext()).replace("\xa0", " ")
    assert "BELOW LIMIT" in text


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    first = tmp_path / "platform-01h02m05s.svg"
    first.write_text("mine")
    saved(tmp_path)
    saved(tmp_path)
    assert first.read_text() == "mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "platform-01h02m05s-2.svg",
        "platform-01h02m05s-3.svg",
        "platform-01h02m05s.svg",
    ]


def test_a_link_in_the_place_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "platform-01h02m05s.svg").symlink_to(tmp_path / "elsewhere")
    saved(tmp_path)
    assert not (tmp_path / "elsewhere").exists()


def test_hostile_names_are_escaped(tmp_path: Path) -> None:
    saved(tmp_path, name=HOSTILE)
    text = next(tmp_path.iterdir()).read_text(encoding="utf-8")
    ET.fromstring(text)
    assert "<script" not in text
    assert "\x1b" not in text


@pytest.mark.parametrize("time_s", [float("nan"), float("inf"), -1.0])
def test_an_unknown_time_is_no_fault(tmp_path: Path, time_s: float) -> None:
    assert saved(tmp_path, time_s).endswith("platform-00h00m00s.svg")


@pytest.mark.parametrize("folder", ["missing/below", "file", "nul\0byte"])
def test_a_failure_is_said_and_not_raised(tmp_path: Path, folder: str) -> None:
    (tmp_path / "file").write_text("")
    words = saved(tmp_path / folder)
    assert words.startswith("No picture: ")
    assert "\0" not in words
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_the_key_asks_once() -> None:
    controls = Controls("Kim", Duties())
    assert not controls.take_picture_asked()
    controls.press("p")
    assert controls.take_picture_asked()
    assert not controls.take_picture_asked()
    wall = Controls("Kim", Duties(has_list=False))
    wall.press("p")
    assert not wall.take_picture_asked()
