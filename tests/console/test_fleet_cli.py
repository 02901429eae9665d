"""Several --car on the command line: each car's files, what is refused and how, and one car as ever."""

from __future__ import annotations

from pathlib import Path

import pytest

from console.fleet_cars import folder_name
from tests.console.test_cli import Run, check_refused, live_sheet, run  # noqa: F401 - a fixture


def mqtt_sheet(folder: Path, name: str, topic: str) -> Path:
    """A sheet whose broker is not there."""
    path = live_sheet(folder, name)
    text = path.read_text(encoding="utf-8")
    serial = 'serial = { port = "/dev/no-such-port", baud = 115200 }'
    assert serial in text
    path.write_text(text.replace(serial, f'mqtt = {{ host = "127.0.0.1", port = 9, topic = "{topic}" }}'), "utf-8")
    return path


def test_two_cars_are_watched_into_directories_of_their_own(run: Run, tmp_path: Path) -> None:  # noqa: F811
    sheets = [mqtt_sheet(tmp_path, name, name) for name in ("mule_7", "mule 8")]
    cars: list[str | Path] = [part for sheet in sheets for part in ("--car", sheet)]
    done = run("watch", *cars, "--recordings", tmp_path / "rec", "--out", tmp_path / "out", "--seconds", "0.2")
    assert done.returncode == 0, done.stderr
    for name in ("mule_7", "mule 8"):
        folder = folder_name(name)
        assert (tmp_path / "rec" / folder / "alarms.journal").is_file()
        assert len(list((tmp_path / "rec" / folder).glob("*.dwrec"))) == 1
        assert (tmp_path / "out" / folder / "alerts.jsonl").is_file()
        assert f"{name}: no samples came" in done.stderr


@pytest.mark.parametrize("more", [["--no-recording"], ["--journal", "none"]])
def test_several_cars_without_journals(run: Run, tmp_path: Path, more: list[str]) -> None:  # noqa: F811
    sheets = [mqtt_sheet(tmp_path, name, name) for name in ("a", "b")]
    done = run(
        "watch", "--car", sheets[0], "--car", sheets[1], "--recordings", tmp_path / "rec", "--seconds", "0.1", *more
    )
    assert done.returncode == 0, done.stderr
    assert not list(tmp_path.glob("rec/*/alarms.journal"))


def test_all_mistakes_of_all_sheets_in_one_message(run: Run, tmp_path: Path) -> None:  # noqa: F811
    first, second = mqtt_sheet(tmp_path, "a", "same"), mqtt_sheet(tmp_path, "b", "same")
    done = run("watch", "--car", first, "--car", second, "--car", tmp_path / "none.toml", "--seconds", "0.1")
    assert done.returncode == 2
    assert "2 mistakes in the cars to watch" in done.stderr
    assert "none.toml: can't be read" in done.stderr
    assert "link.mqtt.topic: 'same' brings messages of" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_same_sheet_twice_is_refused(run: Run, tmp_path: Path) -> None:  # noqa: F811
    sheet = mqtt_sheet(tmp_path, "a", "a")
    done = run("watch", "--car", sheet, "--car", sheet, "--seconds", "0.1")
    assert done.returncode == 2
    assert "car.name: 'a' is that of" in done.stderr


@pytest.mark.parametrize("topic", ["", "a//b", "a/+", "/a", "$SYS", "x" * 81])
def test_a_prefix_that_can_not_be_published_below_is_refused(run: Run, tmp_path: Path, topic: str) -> None:  # noqa: F811
    sheet = mqtt_sheet(tmp_path, "a", "a")
    check_refused(run("watch", "--car", sheet, "--publish", "--topic", topic, "--seconds", "0.1"))


def test_a_prefix_without_publishing_is_refused(run: Run, tmp_path: Path) -> None:  # noqa: F811
    said = check_refused(run("watch", "--car", mqtt_sheet(tmp_path, "a", "a"), "--topic", "pit", "--seconds", "0.1"))
    assert "--publish" in said


def test_several_cars_are_published_below_a_prefix(run: Run, tmp_path: Path) -> None:  # noqa: F811
    sheets = [mqtt_sheet(tmp_path, name, name) for name in ("a", "b")]
    cars: list[str | Path] = ["--car", sheets[0], "--car", sheets[1], "--no-recording", "--seconds", "0.1"]
    check_refused(run("watch", *cars, "--publish"), lines=3)
    assert run("watch", *cars, "--publish", "--topic", "pit").returncode == 0
