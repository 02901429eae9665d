"""Which car sheet is used when none is named: the variable's, or car.toml here; never one of two that differ."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.console.logs import CAR, log_file, sheet_file
from tests.console.test_cli import HOSTILE, Run, check_refused, run

__all__ = ["run"]


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "here"
    folder.mkdir()
    monkeypatch.chdir(folder)
    monkeypatch.delenv("DAMPERWATCH_CAR", raising=False)
    return folder


def named(folder: Path, name: str, file: str = "car.toml") -> Path:
    return sheet_file(folder, CAR.replace("Test mule", name), file)


def test_without_any_the_command_says_where_it_looked(run: Run, here: Path) -> None:
    for arguments in (["sheet"], ["replay", log_file(here)], ["watch"]):
        said = check_refused(run(*arguments))
        assert "DAMPERWATCH_CAR" in said
        assert "car.toml" in said


def test_car_toml_in_the_directory_is_used_and_told(run: Run, here: Path) -> None:
    named(here, "Here")
    done = run("sheet")
    assert (done.returncode, done.stderr) == (0, "damperwatch: car sheet (in this directory): car.toml\n")
    assert done.stdout.startswith("Here: the sheet is valid")
    done = run("replay", log_file(here))
    assert (done.returncode, done.stderr) == (0, "damperwatch: car sheet (in this directory): car.toml\n")


@pytest.mark.usefixtures("here")
def test_the_variable_is_used_and_told(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sheet = named(tmp_path, "There", "there.toml")
    monkeypatch.setenv("DAMPERWATCH_CAR", str(sheet))
    done = run("sheet")
    assert (done.returncode, done.stderr) == (0, f"damperwatch: car sheet (from DAMPERWATCH_CAR): {sheet}\n")
    assert done.stdout.startswith("There: ")


def test_what_the_command_line_names_wins_without_a_word(
    run: Run, here: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    named(here, "Here")
    monkeypatch.setenv("DAMPERWATCH_CAR", str(named(tmp_path, "There", "there.toml")))
    done = run("sheet", named(tmp_path, "Given", "given.toml"))
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Given: ")
    done = run("replay", log_file(here), "--car", tmp_path / "given.toml")
    assert (done.returncode, done.stderr) == (0, "")


def test_of_two_that_differ_none_is_guessed(
    run: Run, here: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    named(here, "Here")
    monkeypatch.setenv("DAMPERWATCH_CAR", str(named(tmp_path, "There", "there.toml")))
    assert "two car sheets" in check_refused(run("sheet"))
    assert "--car" in check_refused(run("replay", log_file(here)))
    # A variable that is out of date does not make way for another car in silence.
    monkeypatch.setenv("DAMPERWATCH_CAR", str(tmp_path / "gone.toml"))
    assert "two car sheets" in check_refused(run("sheet"))


@pytest.mark.parametrize("value", ["car.toml", "./car.toml", "link.toml"])
def test_one_sheet_by_two_names_is_one(run: Run, here: Path, value: str, monkeypatch: pytest.MonkeyPatch) -> None:
    named(here, "Here")
    os.symlink("car.toml", here / "link.toml")
    monkeypatch.setenv("DAMPERWATCH_CAR", value)
    assert run("sheet").stdout.startswith("Here: ")


@pytest.mark.parametrize("value", ["", "  "])
def test_an_empty_variable_names_nothing(run: Run, here: Path, value: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DAMPERWATCH_CAR", value)
    check_refused(run("sheet"))
    named(here, "Here")
    assert run("sheet").returncode == 0


@pytest.mark.usefixtures("here")
def test_a_variable_that_names_nothing_usable(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    for value in ("gone.toml", ".", "x" * 5000, f"{HOSTILE}\n"):
        monkeypatch.setenv("DAMPERWATCH_CAR", value)
        said = check_refused(run("sheet"), lines=3)
        assert "DAMPERWATCH_CAR" in said


def test_offsets_are_written_only_into_a_sheet_that_was_named(run: Run, here: Path) -> None:
    before = named(here, "Here").read_bytes()
    assert "--car" in check_refused(run("zero", "--log", log_file(here), "--yes"))
    assert (here / "car.toml").read_bytes() == before


def test_an_export_takes_the_recordings_own_sheet(run: Run, here: Path) -> None:
    named(here, "Here")
    said = check_refused(run("export", here / "car.toml", "--to", here / "x.csv"))
    assert "car sheet (" not in said
