"""A reference stint read back: what was written fits, anything else is refused in one line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.reference import load_reference
from console.results import SUMMARY
from dsp.asymmetry import PLACES
from ingest.errors import ResultsError
from ingest.sheet import load_sheet
from tests.console.logs import sheet_file
from tests.sheets import make_sheet

SHEET = make_sheet()


def content() -> dict[str, Any]:
    return {
        "format": "damperwatch summary",
        "format_version": 1,
        "car": "Test mule",
        "sheet_sha256": "0" * 64,
        "complete": True,
        "laps_timed": 3,
        "asymmetry": {place: {"left_faster_percent": 4.0 + n, "distance": 0.05} for n, place in enumerate(PLACES)},
    }


def saved(folder: Path, record: Any) -> Path:
    (folder / SUMMARY).write_text(record if isinstance(record, str) else json.dumps(record), encoding="utf-8")
    return folder


def refused(path: Path) -> str:
    with pytest.raises(ResultsError) as caught:
        load_reference(path, SHEET)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_directory_and_file_give_the_same(tmp_path: Path) -> None:
    reference = load_reference(saved(tmp_path, content()), SHEET)
    assert reference == load_reference(tmp_path / SUMMARY, SHEET)
    assert reference.notes == ()
    assert list(reference.asymmetry) == list(PLACES)
    assert reference.asymmetry[PLACES[1]].percent == pytest.approx(5.0)
    assert reference.asymmetry[PLACES[1]].distance == 0.05


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"format": "something else"}, "is not a summary"),
        ({"format_version": 2}, "another version"),
        ({"car": "Another"}, "a stint of the car Another, but the sheet is of Test mule"),
        ({"car": None}, "a stint of the car None"),
        ({"car": "x\x1b[2J\ny"}, "a stint of the car x"),
        ({"laps_timed": 0}, "no timed lap"),
        ({"laps_timed": None}, "no timed lap"),
        ({"asymmetry": {}}, "lacks the asymmetry"),
        ({"asymmetry": []}, "lacks the asymmetry"),
        ({"asymmetry": None}, "lacks the asymmetry"),
        ({"asymmetry": {place: {"left_faster_percent": None, "distance": None} for place in PLACES}}, "asymmetry"),
        ({"asymmetry": {place: {"left_faster_percent": "x", "distance": 1} for place in PLACES}}, "asymmetry"),
        ({"asymmetry": {place: {"left_faster_percent": 10**400, "distance": 1} for place in PLACES}}, "asymmetry"),
    ],
)
def test_a_summary_that_does_not_fit_is_refused(tmp_path: Path, changes: dict[str, Any], says: str) -> None:
    assert says in refused(saved(tmp_path, content() | changes))


def test_what_makes_a_reference_doubtful_is_told(tmp_path: Path) -> None:
    sheet = load_sheet(sheet_file(tmp_path))
    mine = content() | {"sheet_sha256": sheet.digest}
    assert load_reference(saved(tmp_path, mine), sheet).notes == ()
    (changed,) = load_reference(saved(tmp_path, content()), sheet).notes
    assert "another version of the car sheet" in changed
    (broken_off,) = load_reference(saved(tmp_path, mine | {"complete": False, "laps_timed": 2}), sheet).notes
    assert "interrupted run, with 2 timed laps" in broken_off
    both = load_reference(saved(tmp_path, content() | {"complete": None}), sheet).notes
    assert len(both) == 2
    assert all(note.isprintable() for note in both)


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "1e999"])
@pytest.mark.parametrize("field", ["left_faster_percent", "distance"])
def test_numbers_that_are_none_are_refused(tmp_path: Path, field: str, value: str) -> None:
    text = json.dumps(content())
    old = '"left_faster_percent": 4.0' if field == "left_faster_percent" else '"distance": 0.05'
    assert "not a number" in refused(saved(tmp_path, text.replace(old, f'"{field}": {value}', 1)))


@pytest.mark.parametrize("text", ["", "{", "[]", "3", '"x"', "[" * 100_000, '{"format": ' + "1" * 5000 + "}", "\x00"])
def test_what_is_not_json_or_not_ours_is_refused(tmp_path: Path, text: str) -> None:
    assert "is not a summary" in refused(saved(tmp_path, text))


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    (tmp_path / SUMMARY).write_bytes(b"\xff\xfe\x00")
    assert "is not a summary" in refused(tmp_path)


def test_paths_that_cannot_be_read_are_refused(tmp_path: Path) -> None:
    (tmp_path / SUMMARY).mkdir()
    for path in (tmp_path, tmp_path / "absent", tmp_path / ("x" * 300), Path("a\0b")):
        assert "can't be read" in refused(path)


def test_a_huge_file_is_not_read(tmp_path: Path) -> None:
    with (tmp_path / SUMMARY).open("wb") as file:
        file.truncate(60_000_000)
    assert "too large" in refused(tmp_path)


@given(
    st.recursive(
        st.none() | st.integers() | st.floats() | st.text(),
        lambda x: st.lists(x) | st.dictionaries(st.sampled_from([*PLACES, "distance", "left_faster_percent"]), x),
        max_leaves=8,
    )
)
def test_any_asymmetry_is_taken_or_refused(tmp_path_factory: pytest.TempPathFactory, asymmetry: Any) -> None:
    folder = tmp_path_factory.mktemp("any")
    saved(folder, content() | {"asymmetry": asymmetry})
    refused(folder)
