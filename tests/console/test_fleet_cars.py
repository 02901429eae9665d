"""Which cars can be watched together, where their files go, and what all mistakes say at once."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.fleet_cars import CarsError, filters_meet, folder_name, load_cars, pit_wall_of
from ingest.sheet import Sheet
from ingest.sheet_link import Broker, LinkLayout
from ingest.sheet_wall import PitWall
from tests.monitored import easy_sheet

MQTT = {"host": "broker", "topic": "cars/7"}


def sheets(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, *cars: tuple[str, dict[str, Any]]) -> list[Path]:
    """Files a.toml, b.toml ... that are read as cars of these names with these links."""
    known: dict[str, Sheet] = {}
    paths = []
    for letter, (name, mqtt) in zip("abcdef", cars, strict=False):
        path = tmp_path / f"{letter}.toml"
        path.write_text("")
        paths.append(path)
        sheet = easy_sheet()
        link = LinkLayout(mqtt=Broker(**(MQTT | mqtt))) if mqtt is not None else None
        known[str(path)] = sheet.model_copy(update={"car": sheet.car.model_copy(update={"name": name}), "link": link})
    monkeypatch.setattr("console.fleet_cars.load_sheet", lambda path: known[str(path)])
    return paths


@pytest.mark.parametrize(
    ("first", "second", "what"),
    [
        (("Car", {}), ("cAR", {"topic": "b"}), "car.name"),
        (("A", {}), ("B", {}), "link.mqtt.topic"),
        (("A", {"topic": "cars/+"}), ("B", {}), "link.mqtt.topic"),
        (("A", {}), ("B", {"topic": "cars/#", "host": "BROKER"}), "link.mqtt.topic"),
        (("A", {"client_id": "x"}), ("B", {"topic": "b", "client_id": "x"}), "link.mqtt.client_id"),
        (("A", {"status_topic": "x"}), ("B", {"topic": "b", "status_topic": "x"}), "link.mqtt.status_topic"),
    ],
)
def test_what_two_cars_must_not_share(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, first: Any, second: Any, what: str
) -> None:
    with pytest.raises(CarsError) as caught:
        load_cars(sheets(monkeypatch, tmp_path, first, second))
    (problem,) = caught.value.problems
    assert f"b.toml: {what}" in problem
    assert "a.toml" in problem


def test_other_brokers_may_have_the_same_topic(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    paths = sheets(monkeypatch, tmp_path, ("A", {"client_id": "x"}), ("B", {"host": "other", "client_id": "x"}))
    assert [car.name for car in load_cars(paths)] == ["A", "B"]


def test_one_pit_wall_topic_is_not_for_two_cars(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    paths = sheets(monkeypatch, tmp_path, ("A", {"topic": "a"}), ("B", {"topic": "b"}))
    wall = PitWall(host="pit", topic="pit")
    monkeypatch.setattr("console.fleet_cars.pit_wall_of", lambda *_: wall)
    assert len(load_cars(paths)) == 2
    with pytest.raises(CarsError, match=r"pit_wall\.topic: 'pit' is that of .*a\.toml too"):
        load_cars(paths, publishing=True)


def test_every_mistake_of_every_sheet_is_told_at_once(tmp_path: Path) -> None:
    good, bad, worse = (tmp_path / name for name in ("missing.toml", "bad.toml", "worse.toml"))
    bad.write_text("not toml")
    worse.write_text('[car]\nname = "x"\n')
    with pytest.raises(CarsError) as caught:
        load_cars([good, bad, worse])
    told = str(caught.value)
    assert "mistakes in the cars to watch" in told
    assert all(name in told for name in ("missing.toml: can't be read", "bad.toml: is not valid TOML", "worse.toml: "))
    assert len(caught.value.problems) > 4


def test_a_prefix_takes_the_place_of_the_sheets_topic() -> None:
    sheet = easy_sheet().model_copy(
        update={"link": LinkLayout(mqtt=Broker(host="broker", port=1999, user="u", topic="cars/7", client_id="x"))}
    )
    assert pit_wall_of(sheet, None) is None
    wall = pit_wall_of(sheet, "pit")
    assert wall is not None
    assert (wall.host, wall.port, wall.user, wall.topic) == (
        "broker",
        1999,
        "u",
        f"pit/{folder_name(sheet.car.name)}",
    )
    own = sheet.model_copy(update={"pit_wall": PitWall(host="wall", topic="mine")})
    assert pit_wall_of(own, None) == own.pit_wall
    wall = pit_wall_of(own, "pit")
    assert wall is not None
    assert (wall.host, wall.topic.split("/")[0]) == ("wall", "pit")


@given(st.text(min_size=1, max_size=80))
def test_a_folder_is_a_safe_name(name: str) -> None:
    folder = folder_name(name)
    assert folder.isascii()
    assert 0 < len(folder) <= 69
    assert all(letter.isalnum() or letter in "_-" for letter in folder)
    assert folder.casefold() not in {"con", "nul", "aux", "prn", "com1", "lpt1"}


@given(st.sets(st.text(min_size=1, max_size=8), min_size=2, max_size=30))
def test_two_names_have_two_folders(names: set[str]) -> None:
    different = {name.casefold(): name for name in names}
    assert len({folder_name(name).casefold() for name in different.values()}) == len(different)


@pytest.mark.parametrize(
    ("one", "other", "meet"),
    [
        ("a/b", "a/b", True),
        ("a/b", "a/c", False),
        ("a/b", "a/b/c", False),
        ("a/+", "a/b", True),
        ("a/+", "a/b/c", False),
        ("+/b", "a/+", True),
        ("a/#", "a/b/c", True),
        ("a/#", "a", True),
        ("#", "x/y", True),
        ("a/+/c", "a/b/d", False),
    ],
)
def test_filters_that_bring_the_same_messages(one: str, other: str, meet: bool) -> None:
    assert filters_meet(one, other) is meet
    assert filters_meet(other, one) is meet
