"""A rehearsal's plan: every mistake at once, and a mark that nobody can miss."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from ingest.errors import PlanError
from ingest.plan import KINDS, MOST_FAULTS, load_plan, parse_plan
from ingest.rehearsal_mark import MARK, is_marked, marked
from tests.sheets import make_sheet

WHOLE: dict[str, dict[str, Any]] = {
    "damper": {"corner": "RR", "force_left": 0.66, "over_laps": 1.0, "lap": 4},
    "lowered": {"axle": "front", "by_mm": 8, "lap": 2, "share": 0.5},
    "zero_slips": {"corner": "FL", "by_mm": -3.5, "time_s": 12, "over_s": 30},
    "gain": {"corner": "FL", "factor": 1.2, "time_s": 0.0},
    "unplugged": {"corner": "RL", "lap": 1, "for_s": 5},
    "short_circuit": {"corner": "RL", "lap": 1, "reading": 0.0},
    "stuck": {"corner": "RL", "lap": 1, "for_laps": 0.5},
    "spikes": {"corner": "RL", "lap": 1, "for_s": 2, "count": 12},
    "link_lost": {"lap": 3, "for_s": 4},
}


def problems(*faults: Any, **more: Any) -> list[str]:
    with pytest.raises(PlanError) as caught:
        parse_plan({"fault": list(faults), **more})
    assert str(caught.value).startswith(f"plan: {len(caught.value.problems)} mistake")
    assert "car sheet" not in str(caught.value)
    return caught.value.problems


def test_every_kind_has_a_whole_example_with_words_of_its_own() -> None:
    assert WHOLE.keys() == KINDS.keys()
    plan = parse_plan({"fault": [{"kind": kind, **rest} for kind, rest in WHOLE.items()]})
    words = [one.words for one in plan.faults]
    assert len(set(words)) == len(words)
    assert words[:2] == ["damper RR keeps 66 % of its force over 1 laps", "body 8 mm lower at front axle"]
    assert [one.corners for one in plan.faults[:2]] == [("RR",), ("FL", "FR")]
    assert plan.faults[-1].corners == ()


def test_all_mistakes_are_listed_at_once_with_number_key_and_hint() -> None:
    found = problems(
        {"kind": "dampr", "corner": "FL"},
        {"kind": "damper", "corner": "FX", "force_lef": 0.3, "lap": "4"},
        {"kind": "damper", "corner": "FL", "force_left": 0.7, "lap": 3, "time_s": 4.0, "over_s": 1, "over_laps": 2.0},
        {"kind": "lowered", "by_mm": 0.9e3, "time_s": -1.0, "axle": "rear"},
        {"corner": "FL"},
        {"kind": "spikes", "corner": "RL", "count": 3.5, "lap": 2, "share": 1.5},
        titel="x",
    )
    text = "\n".join(found)
    for part in (
        "titel: unknown key",
        "fault 1.kind: must be one of damper",
        "did you mean damper?",
        "fault 2.corner: must be one of 'FL', 'FR', 'RL' or 'RR', not 'FX'",
        "fault 2.force_lef: unknown key; did you mean force_left?",
        "fault 2.force_left: is missing",
        "fault 2.lap: must be a whole number, not '4'",
        "fault 3: give either lap (with share, if you like) or time_s (one of them); give over_s or over_laps, not ",
        "fault 4.by_mm: must be -200 to 200, in mm, not 900",
        "fault 4.time_s: must be at least 0",
        "fault 5.kind: is missing",
        "fault 6.count: must be a whole number",
        "fault 6.share: must be below 1",
    ):
        assert part in text
    assert len(found) == 12


@pytest.mark.parametrize(
    ("kind", "change", "said"),
    [
        ("lowered", {"corner": "FL"}, "either axle or corner"),
        ("lowered", {"axle": None}, "axle"),
        ("unplugged", {"reads": "nothing", "reading": 3.0}, "reading is that of a rail"),
        ("unplugged", {"for_laps": 2.0}, "for_s or for_laps, not both"),
        ("stuck", {"share": 0.2, "lap": None, "time_s": 2.0}, "share belongs to lap"),
        ("link_lost", {"for_s": None}, "needs for_s or for_laps"),
        ("spikes", {"for_s": None}, "spread"),
        ("spikes", {"for_s": 0.0}, "must be above 0"),
        ("damper", {"force_left": float("nan")}, "force_left"),
        ("damper", {"force_left": -0.1}, "at least 0"),
        ("damper", {"over_laps": float("inf")}, "over_laps"),
        ("damper", {"corner": 3}, "corner"),
        ("lowered", {"by_mm": float("nan")}, "by_mm"),
        ("gain", {"factor": 0.0}, "above 0"),
        ("stuck", {"lap": 3.5}, "whole number"),
        ("stuck", {"lap": None}, "either lap"),
        ("stuck", {"lap": True}, "lap"),
    ],
)
def test_a_mistake_is_named(kind: str, change: dict[str, Any], said: str) -> None:
    fault = {key: value for key, value in ({"kind": kind, **WHOLE[kind]} | change).items() if value is not None}
    found = problems(fault)
    assert len(found) == 1, found
    assert said in found[0]
    assert found[0].startswith("fault 1")


@pytest.mark.parametrize("content", ["", "fault = []", "fault = 3", "fault = [1, 2]", "[fault]\nkind='stuck'", "x = "])
def test_what_is_no_plan_is_told_in_a_line(tmp_path: Path, content: str) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(content, encoding="utf-8")
    with pytest.raises(PlanError) as caught:
        load_plan(file)
    assert len(caught.value.problems) == 1
    assert "fault" in str(caught.value) or "TOML" in str(caught.value)


def test_hostile_files_are_refused(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    for content in (b"\xff\xfe\x00", b"x = " + b"[" * 5000, b"#" * 200_000):
        file.write_bytes(content)
        with pytest.raises(PlanError):
            load_plan(file)
    with pytest.raises(PlanError, match="can't be read"):
        load_plan(tmp_path / "none.toml")
    with pytest.raises(PlanError, match="no file can have"):
        load_plan("a\0b")
    (found,) = problems({"kind": "\x1b[2Jstuck", "corner": "FL"})
    assert "\x1b" not in found
    many = [{"kind": "stuck", "corner": "FL", "lap": 1}] * (MOST_FAULTS + 1)
    assert problems(*many) == ["fault: has too many faults"]


def test_the_digest_is_of_the_file(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_text('[[fault]]\nkind = "stuck"\ncorner = "FL"\nlap = 1\n', encoding="utf-8")
    plan = load_plan(file)
    assert len(plan.digest) == 64
    assert plan.shown == str(file)


def test_a_marked_sheet_is_the_same_car_under_another_name() -> None:
    sheet = make_sheet({"car.name": "x" * 80})
    twin = marked(sheet)
    assert is_marked(twin)
    assert not is_marked(sheet)
    assert twin.car.name.startswith(MARK)
    assert len(twin.car.name) == 80
    assert twin.suspension("RR") == sheet.suspension("RR")
    assert twin.digest == sheet.digest
    assert twin.set_up_digest != sheet.set_up_digest  # so that no reference of one is taken for the other's
    assert marked(twin) is twin
