"""Results that nobody should trust: strings that would be markup, values of the wrong kind, files that are no files."""

from __future__ import annotations

import json
import os
import random
from pathlib import Path
from typing import Any

import pytest

from console.debrief_page import page, sketches
from console.debrief_results import NotResultsError, read_results
from console.debrief_stint import stint_of
from console.debrief_values import DASH
from tests.console.debrief_stints import (
    Page,
    bare,
    change,
    copied,
    lines_of,
    page_of,
    rewrite,
    run,
    shipped,
    summary_of,
    write_changes,
)

MARKUP = "<script>alert(1)</script>"
BREAKOUT = '"></svg></title></style><img src=x onerror=alert(1)>'
# Mathematics, a template's own marks, what moves a cursor or turns text around, and more than there is room for.
MIXED = "$\\frac{1}{0}$ $x {{ 7 * 7 }}{% raw %} \x1b[2J\u202e\ufffe" + "x" * 100_000


def safe(found: Page) -> None:
    """Nothing on the page that runs, loads or leads away."""
    assert "script" not in found.tags
    assert not {"img", "iframe", "object", "embed", "link", "foreignobject", "image"} & set(found.tags)
    for name, value in found.attributes:
        assert not name.startswith("on"), name
        if name in {"href", "src", "xlink:href"}:
            assert (value or "").startswith("#"), value


@pytest.mark.parametrize("nasty", [MARKUP, BREAKOUT, MIXED])
def test_strings_of_files_stay_strings(tmp_path: Path, nasty: str) -> None:
    folder = copied(tmp_path)
    summary, laps = summary_of(folder), lines_of(folder, "laps.jsonl")
    summary |= {"car": nasty, "source": nasty, "reference": nasty, "sheet_sha256": nasty, "lap_source": nasty}
    summary |= {"program_version": nasty, "circuit": nasty, "set_up": nasty}
    summary["platform"][nasty] = summary["platform"].pop("splitter_left")
    summary["along_lap"]["lowest_mm"][nasty] = summary["along_lap"]["lowest_mm"].pop("splitter_left")
    summary["downforce"] |= {"notes": [nasty] * 3}
    summary["log"]["cells"] = {nasty: {"empty": 4}}
    summary["alerts"]["standing"] = [{"kind": nasty, "where": nasty, "state": nasty, "sentence": nasty}]
    summary["alerts"]["noise"]["chattering"] = [{"kind": nasty, "where": nasty, "times": 3}]
    summary["drift"] = {"statement": nasty, "found": [{"where": nasty, "may_be": [nasty]}]}
    rewrite(folder, **summary)
    for lap in laps:
        lap |= {"lap": nasty, "kind": nasty, "reason": nasty}
        lap["platform"][nasty] = lap["platform"].pop("splitter_left")
    (folder / "laps.jsonl").write_text("".join(json.dumps(lap) + "\n" for lap in laps))
    fields = dict.fromkeys(
        ("lap", "kind", "where", "state", "priority", "who", "unit", "sentence", "check_first"), nasty
    )
    write_changes(folder, [change(5.0, "occurs", **fields), change(9.0, "acknowledge", **fields)])
    found = page_of(folder)
    safe(found)
    raw = (tmp_path / "too_low-page.html").read_text()
    assert len(raw) < 1_000_000
    source = found.cells("What this rests on", "Source")[0]
    assert source.startswith(nasty[:30])
    assert not set(source) & set("\x1b\u202e\ufffe")
    assert len(source) <= 80
    assert any(nasty[:20] in words for figure in found.figures.values() for words in figure)


@pytest.mark.parametrize("name", ["laps.jsonl", "alerts.jsonl"])
def test_lines_of_any_json_are_left_out(tmp_path: Path, name: str) -> None:
    folder = copied(tmp_path)
    strange = [
        "1",
        "null",
        "[]",
        '"x"',
        "{}",
        '{"lap": {}}',
        "[" * 100_000,
        "9" * 5000,
        '{"lap": "1", "start_s": 1e400}',
    ]
    strange += ['{"kind": [], "where": 1, "change": null, "time_s": 1}', "\udcff\x00", '{"lap": "1", "start_s": "0"}']
    text = "\n".join(strange).encode("utf-8", errors="surrogatepass")
    (folder / name).write_bytes(text + b"\n" + (folder / name).read_bytes())
    found, whole = read_results(folder), read_results(shipped())
    assert found.gaps == [f"{name}: 12 lines are damaged (the first is line 1); they are left out."]
    assert len(found.laps) == len(whole.laps)
    assert found.changes == whole.changes


def _spoilt(value: Any, rng: random.Random) -> Any:
    """The same record with some of its values replaced by others of any kind."""
    if rng.random() < 0.03:
        return rng.choice([None, True, -1, 0, 1e308, -1e308, 10**400, "", "x", [], {}, [[]], {"a": {}}, [None, "1", 2]])
    if isinstance(value, dict):
        return {key: _spoilt(inner, rng) for key, inner in value.items() if rng.random() > 0.01}
    if isinstance(value, list):
        return [_spoilt(inner, rng) for inner in value]
    return value


@pytest.mark.parametrize("seed", range(3))
def test_records_of_any_shape_make_a_page(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    folder = copied(tmp_path)
    head = {"format": "damperwatch summary", "format_version": 1}
    spoilt = _spoilt(summary_of(folder), rng)
    (folder / "summary.json").write_text(json.dumps((spoilt if isinstance(spoilt, dict) else {}) | head))
    for name in ("laps.jsonl", "alerts.jsonl"):
        lines = [json.dumps(_spoilt(one, rng)) for one in lines_of(folder, name)]
        (folder / name).write_text("\n".join(lines) + "\n")
    found = page_of(folder)
    safe(found)
    assert "nan" not in found.text.lower().split()
    assert "inf" not in found.text.lower().split()


@pytest.mark.parametrize("seed", range(2))
def test_numbers_of_any_size_are_drawn(tmp_path: Path, seed: int) -> None:
    folder, rng = copied(tmp_path), random.Random(seed)

    def scaled(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: scaled(inner) for key, inner in value.items()}
        if isinstance(value, list):
            return [scaled(inner) for inner in value]
        return rng.choice([1e11, 1e-300, -1e11, 0.0, value]) if isinstance(value, float) else value

    rewrite(folder, **scaled(summary_of(folder)))
    laps = [scaled(lap) for lap in lines_of(folder, "laps.jsonl")]
    (folder / "laps.jsonl").write_text("".join(json.dumps(lap) + "\n" for lap in laps))
    safe(page_of(folder))


def test_an_almost_empty_summary_makes_a_page_of_dashes(tmp_path: Path) -> None:
    found = page_of(bare(tmp_path / "bare"))
    assert found.cells("Each corner over the stint", "Velocity RMS, mm/s") == [f"{DASH} (not known)"] * 4
    assert "There is no laps.jsonl" in found.text
    assert found.figures == {}


def test_files_that_are_no_files_are_not_waited_for(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    (folder / "alerts.jsonl").unlink()
    os.mkfifo(folder / "alerts.jsonl")
    assert "alerts.jsonl can't be read" in " ".join(read_results(folder).gaps)
    (folder / "summary.json").unlink()
    (folder / "summary.json").mkdir()
    assert "summary.json can't be read" in " ".join(read_results(folder).gaps)


@pytest.mark.parametrize("name", ["a\0b", "x" * 5000, "results\x1b[2J"])
def test_directories_of_odd_names_are_refused_in_a_clean_line(name: str) -> None:
    with pytest.raises(NotResultsError) as caught:
        read_results(Path(name))
    assert "\x1b" not in str(caught.value)
    assert "\0" not in str(caught.value)


def test_an_odd_output_name_is_a_fault_in_words(tmp_path: Path) -> None:
    result = run("debrief", bare(tmp_path / "bare"), "--output", "x" * 5000)
    assert result.exit_code == 1
    assert "can't be written" in str(result.exception)


def test_a_reference_that_points_elsewhere_is_not_followed_into_other_files(tmp_path: Path) -> None:
    folder = bare(tmp_path / "bare")
    for reference in ("/dev/zero", "/proc/self/environ", str(tmp_path), "\0", "../" * 50):
        rewrite(folder, reference=reference)
        assert "can't be read any more" in page_of(folder).text


def test_huge_counts_of_alarms_and_points_are_bounded(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    write_changes(folder, [change(float(n), "occurs", where=f"place {n}") for n in range(3000)])
    point = summary_of(folder)["platform"]["floor_rear"]
    rewrite(folder, platform={f"point {n}": point for n in range(500)})
    stint = stint_of(read_results(folder))
    assert len(stint.points) == 12
    text = page(stint, None, "", sketches(stint, None, None, ""), "1")
    assert len(text) < 1_500_000
    assert "The first 200 of 3000 announcements are shown" in text
    assert "2970 further alarms of lower rank are not drawn" in text
