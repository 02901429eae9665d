"""Scatter and references from laps whose scatter is known, and from nothing that is not clean."""

from __future__ import annotations

import hashlib
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import chi2

from alerts.drift_reference import MODES as SIGNS
from alerts.drift_reference import DriftReference
from console.drift_file import DRIFT_REFERENCE
from console.reference import load_reference
from console.results import SUMMARY
from console.survey_part import Part, Parts
from console.survey_reference import (
    Group,
    Stint,
    folder_name,
    groups_of,
    settle,
    write_reference,
)
from console.survey_scatter import Lap, Scatter, between_groups, own_scatter, scatter_lines, spread
from console.survey_stint import StintRecords
from dsp.asymmetry import PLACES
from dsp.position_scales import Stretch
from ingest.errors import ResultsError
from ingest.sheet import Sheet
from tests.sheets import make_sheet

SHEET = make_sheet({"stint.circuit": "Ring", "stint.set_up": "soft"})
PLACES_OF_LAP = 20
ROWS = 375
LAP_SCATTER, STRETCH_SCATTER = 0.01, 0.02


def stretch(lap: int, number: int, logs: Any, rows: int = ROWS) -> Stretch:
    """One stretch on which the corners' log speeds are those given, both directions alike."""
    speed = 80.0 * np.exp(np.asarray(logs))
    squares = np.rint(rows * (16.0 * speed) ** 2).astype(np.int64)
    four = np.full(4, rows, dtype=np.int64)
    start = (lap * PLACES_OF_LAP + number) * rows
    return Stretch(lap, number, start, start + rows, rows, four, np.array([squares, squares]), four, 256 * four)


def laps(
    random: np.random.Generator, count: int, level: float = 0.0, scatter: float = LAP_SCATTER, rows: int = ROWS
) -> list[Lap]:
    """Laps that differ in pitch, roll and warp by `scatter`, stretches beyond it; `level` moves all of the stint."""
    signs = np.array(SIGNS)
    found = []
    for lap in range(count):
        whole = level + random.normal(0.0, scatter, 3)
        own = random.normal(0.0, STRETCH_SCATTER, (PLACES_OF_LAP, 3))
        found.append([stretch(lap, n, (whole + own[n]) @ signs, rows) for n in range(PLACES_OF_LAP)])
    return found


def part(given: list[Lap], **changes: Any) -> Part:
    """A stint of timed laps, with two of warm-up before them that nobody may look at."""
    warm = [[stretch(n, 0, [1.0, 0.0, 0.0, 0.0])] for n in range(2)]
    every = warm + given
    for number, lap in enumerate(every):
        for one in lap:
            one.lap = number
    records = [{"index": n, "kind": "timed", "samples_lost": 0} for n in range(len(every))]
    sides: dict[str, float | None] = {
        "left_faster_percent": 2.0,
        "distance": 0.1,
        "left_mm_s": 50.0,
        "right_mm_s": 49.0,
    }
    sides |= {"left_travel_mm": 20.0, "right_travel_mm": None}
    asymmetry = {place: dict(sides) for place in PLACES}
    summary = {
        "format": "damperwatch summary",
        "format_version": 1,
        "car": "Test mule",
        "complete": True,
        "rehearsal": False,
        "laps_timed": len(every),
        "sheet_sha256": "",
        "asymmetry": asymmetry,
    }
    taken = StintRecords(warm_up_laps=2)
    for record in records:
        taken.lap(record)
    for one in changes.pop("alerts", []):
        taken.alert(one)
    return taken.part(summary | changes, [one for lap in every for one in lap])


def group(*parts: Part, sheet: Sheet = SHEET) -> Group:
    (found,) = groups_of([Stint(f"stint {n}", sheet, f"{n:064}", p.gist, lambda p=p: p) for n, p in enumerate(parts)])  # type: ignore[misc]
    settle(found)
    return found


# ---------------------------------------------------------------- numbers


def test_an_interval_holds_the_truth_as_often_as_it_says() -> None:
    random = np.random.default_rng(3)
    found = [spread(float((random.normal(0.0, 2.0, 9) ** 2).sum()), 9) for _ in range(2000)]
    held = sum(one.low <= 2.0 <= one.high for one in found)
    # 1900 of 2000 expected, 9.7 its standard deviation.
    assert 1860 <= held <= 1940
    assert found[0].value ** 2 * 9 / chi2.ppf(0.975, 9) == pytest.approx(found[0].low ** 2)


def test_between_groups_is_what_moves_their_means() -> None:
    random = np.random.default_rng(4)
    held, values = 0, []
    for _ in range(600):
        groups = [random.normal(random.normal(0.0, 3.0), 1.0, 6) for _ in range(8)]
        one = between_groups(groups)
        held += one.low <= 3.0 <= one.high
        values.append(one.value**2)
    assert 552 <= held <= 588  # 570 expected, 5.3 its standard deviation
    assert math.sqrt(np.mean(values)) == pytest.approx(3.0, rel=0.05)
    # An independent way to the same number, for groups of one size: variance of means less its share of the rest.
    means, within = [g.mean() for g in groups], np.mean([g.var(ddof=1) for g in groups])
    assert one.value**2 == pytest.approx(max(0.0, np.var(means, ddof=1) - within / 6))


def test_the_interval_between_groups_holds_where_members_scatter_as_much() -> None:
    random = np.random.default_rng(15)
    found = [between_groups([random.normal(random.normal(0.0, 1.0), 1.0, 2) for _ in range(6)]) for _ in range(1000)]
    held = sum(one.low <= 1.0 <= one.high for one in found)
    # At least 95 %, as published, and not much more; its standard deviation is 7.
    assert 930 <= held <= 985


def test_too_few_say_nothing() -> None:
    assert math.isnan(spread(0.0, 0).value)
    assert math.isnan(between_groups([np.ones(5)]).value)
    assert math.isnan(between_groups([np.ones(1), np.ones(1)]).high)
    record = Scatter().record()
    assert record["lap_to_lap"]["pitch"]["prior"] == "too few laps to tell"
    assert "-" in scatter_lines("none", record)[2]


def test_scatter_that_was_put_in_comes_out() -> None:
    random = np.random.default_rng(5)
    found = group(*(part(laps(random, 12, level)) for level in (0.0, 0.03, -0.03, 0.01)))
    record = found.scatter.record()
    assert (record["stints"], record["laps"], record["lap_to_lap"]["observations"]) == (4, 48, 44)
    # A whole lap's mean has its stretches' own scatter too.
    lap = 100.0 * math.hypot(LAP_SCATTER, STRETCH_SCATTER / math.sqrt(PLACES_OF_LAP))
    for mode in ("pitch", "roll", "warp"):
        assert record["lap_to_lap"][mode]["low_95"] < lap < record["lap_to_lap"][mode]["high_95"]
        assert record["stretch"][mode]["percent"] == pytest.approx(100.0 * STRETCH_SCATTER, rel=0.1)
        assert record["between_stints"][mode]["percent"] == pytest.approx(2.5, abs=0.6)
    verdicts = [record["lap_to_lap"][mode]["prior"] for mode in ("pitch", "roll", "warp")]
    assert verdicts == ["fits", "fits", "too narrow"]  # priors of 0.6, 1.4 and 0.3 %
    assert any("prior is too narrow" in line and "lap-to-lap warp" in line for line in scatter_lines("x", record))


def test_the_prior_is_the_alarm_s_own() -> None:
    record = Scatter(prior_scale=1.5).record()
    assert record["lap_to_lap"]["roll"]["prior_percent"] == pytest.approx(
        100.0 * math.sqrt(DriftReference().lap_variances()[1])
    )
    assert record["stretch"]["warp"]["prior_percent"] == pytest.approx(
        100.0 * math.sqrt(1.5 * DriftReference().pooled_variances()[2])
    )


# ---------------------------------------------------------------- what a pooled reference claims


def uncertainty(reference: DriftReference) -> Any:
    """Variance by which the charts expect a whole stint to lie off the reference."""
    return reference.lap_variances() / reference.laps


@pytest.mark.parametrize("levels", [(0.0, 0.0, 0.0), (0.0, 0.01, -0.01), (0.0, 0.04, -0.04), (0.1, -0.1)])
def test_stints_that_differ_make_a_reference_worth_fewer_laps(levels: tuple[float, ...]) -> None:
    found = group(*(part(laps(np.random.default_rng(6 + n), 12, level)) for n, level in enumerate(levels)))
    assert found.reference is not None
    total = 12 * len(levels)
    assert sum(count for _, count in found.used) == total
    assert found.reference.laps == found.as_good_as_laps
    between = np.array([one.value for one in found.scatter.between()]) ** 2
    common = between * (1.0 + 1.0 / len(levels)) + LAP_SCATTER**2 / total
    assert (uncertainty(found.reference) >= 0.8 * common).all()
    assert 4 <= found.reference.laps <= 8 * len(levels)
    assert (max(levels) == 0.0) == (found.reference.laps > 8)
    if max(levels) >= 0.04:
        assert found.reference.laps == 4


def test_one_stint_is_worth_no_more_than_its_own_results() -> None:
    found = group(part(laps(np.random.default_rng(7), 20)))
    assert found.reference is not None
    assert (found.reference.laps, found.scatter.laps) == (8, 20)
    assert found.reference.places == PLACES_OF_LAP


def test_too_few_laps_make_none(tmp_path: Path) -> None:
    found = group(part(laps(np.random.default_rng(8), 3)))
    assert found.reference is None
    assert "no reference: 3 clean laps, 4 are needed" in found.notes[0]
    stale = tmp_path / folder_name(SHEET) / SUMMARY
    stale.parent.mkdir()
    stale.write_text("of an earlier survey")
    assert write_reference(tmp_path, found, "1") is None
    assert not stale.exists()


def test_laps_of_another_pace_stay_out() -> None:
    random = np.random.default_rng(9)
    found = group(part(laps(random, 6)), part(laps(random, 5, rows=500)), part(laps(random, 5)))
    assert [(stint.shown, count) for stint, count in found.used] == [("stint 0", 6), ("stint 2", 5)]
    assert found.notes == ["stint 1: left out of the reference: its 5 laps are of another pace"]


# ---------------------------------------------------------------- what is clean


def alarm(kind: str, change: str = "occurs") -> dict[str, str]:
    return {"kind": kind, "change": change}


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"complete": False}, "not complete"),
        ({"rehearsal": True}, "rehearsal"),
        ({"alerts": [alarm("bump_stop"), alarm("sensor")]}, "a sensor alarm"),
        ({"alerts": [alarm("asymmetry")]}, "left against right"),
        ({"alerts": [alarm("drift")]}, "a drift alarm"),
        ({"alerts": [alarm("bump_stop"), alarm("platform_low"), alarm("drift", "suppressed")]}, ""),
    ],
)
def test_what_is_not_clean_stays_out(changes: dict[str, Any], why: str) -> None:
    one = part(laps(np.random.default_rng(10), 6), **changes)
    assert why in one.gist.unclean
    assert bool(why) == bool(one.gist.unclean)
    assert list(one.laps_of_stretches()) == [] or not why
    found = group(one)
    assert (found.reference is None) == bool(why)
    assert bool(found.notes) == bool(why)


@pytest.mark.parametrize(("warm_up", "expected"), [(2, [2, 4, 6, 7]), (0, [0, 1, 2, 4, 6, 7]), (9, [])])
def test_only_clean_laps_after_the_warm_up_count(warm_up: int, expected: list[int]) -> None:
    taken = StintRecords(warm_up)
    for index in range(8):
        record = {"index": index, "kind": "in" if index == 5 else "timed", "samples_lost": int(index == 3)}
        taken.lap(record)
    flat = [one for lap in laps(np.random.default_rng(11), 8) for one in lap]
    found = taken.part({"complete": True, "rehearsal": False, "car": "x", "asymmetry": {}}, flat)
    assert [lap[0].lap for lap in found.laps_of_stretches()] == expected
    assert (found.gist.own["laps"] if expected else 0) == len(expected)
    assert bool(found.gist.own) == bool(expected)


def test_a_part_comes_back_as_it_was(tmp_path: Path) -> None:
    given = laps(np.random.default_rng(12), 2)
    one = part(given, left="ü", broken=math.nan)
    parts = Parts(tmp_path)
    parts.make()
    parts.write("key", one.packed())
    back = parts.there("key")
    assert back.packed() == one.packed()
    assert back.gist == one.gist
    assert back.table("laps").to_pylist() == [{"index": n, "kind": "timed", "samples_lost": 0} for n in range(4)]
    assert len(back.table("alerts")) == 0
    assert back.summary["left"] == "ü"
    assert back.summary["broken"] is None
    again = list(back.laps_of_stretches())
    assert [len(lap) for lap in again] == [PLACES_OF_LAP] * 2
    for mine, theirs in zip(given, again, strict=True):
        for ours, other in zip(mine, theirs, strict=True):
            assert json.dumps(vars(ours), default=list_of) == json.dumps(vars(other), default=list_of)


def test_what_is_no_part_is_none() -> None:
    whole = part(laps(np.random.default_rng(12), 2)).packed()
    assert Part.unpacked(whole) is not None
    for other in (b"", b"\n", whole[:-1], whole + b"\n", whole.replace(b"part 2", b"part 3", 1), b"\x1f\x8b" + whole):
        assert Part.unpacked(other) is None
    # One whose checksum fits, and yet it is none.
    for rest in (b"", b"[]\n", b"{}\n", b'{"gist": {}, "sections": {}}\n', b'{"gist": [], "sections": {"laps": 1}}\n'):
        assert Part.unpacked(sealed(rest)) is None
    head = whole.split(b"\n", 1)[1]
    huge = head.replace(b'"summary": [', b'"summary": [9', 1).replace(b'"summary": [9', b'"summary": [99999999', 1)
    assert Part.unpacked(sealed(head)) is not None
    assert Part.unpacked(sealed(huge)) is None


def sealed(rest: bytes) -> bytes:
    return b"damperwatch survey part 2 " + hashlib.sha256(rest).hexdigest().encode() + b"\n" + rest


def test_a_section_that_does_not_inflate_is_an_error() -> None:
    whole = part(laps(np.random.default_rng(12), 2)).packed()
    damaged = Part.unpacked(sealed(whole.split(b"\n", 1)[1][:-3] + b"abc"))
    assert damaged is not None
    with pytest.raises(ResultsError, match="holds no stretches"):
        list(damaged.laps_of_stretches())


def test_scatter_of_a_stint_is_that_of_its_laps_one_by_one() -> None:
    given = laps(np.random.default_rng(16), 5)
    own, alone = own_scatter(given), DriftReference()
    for lap in given:
        alone.admit(lap)
    plain = alone.to_plain()
    assert own == {key: value for key, value in plain.items() if key != "places"}
    assert own_scatter([]) == {}
    assert json.loads(json.dumps(own)) == own
    taken = Scatter()
    assert taken.take(own) == 5
    assert taken.take({}) == 0
    assert (taken.stints, taken.laps) == (1, 5)
    assert taken.lap_squares.tolist() == plain["lap_squares"]


def test_placing_a_stint_is_placing_its_laps_one_by_one() -> None:
    random = np.random.default_rng(17)
    common = DriftReference()
    for lap in laps(random, 4):
        common.admit(lap)
    given = laps(random, 5, 0.02)
    given[1] = given[1][: PLACES_OF_LAP // 2]  # too little of a lap
    given[3] = []
    found = Scatter()
    found.place(given, common)
    expected = [common.look(given[n])[0].modes.mean(axis=0) for n in (0, 2, 4)]
    assert (found.placed_stints, found.placed_laps) == (1, 3)
    assert found._levels[0].tolist() == np.array(expected).tolist()
    found.place([], common)
    assert found.placed_stints == 1


def list_of(values: Any) -> Any:
    return values.tolist()


# ---------------------------------------------------------------- as files


@pytest.fixture
def written(tmp_path: Path) -> tuple[Group, Path]:
    random = np.random.default_rng(13)
    found = group(part(laps(random, 6)), part(laps(random, 4)))
    place = write_reference(tmp_path / "references", found, "9")
    assert place is not None
    return found, place


def test_it_is_taken_as_a_reference(written: tuple[Group, Path]) -> None:
    found, place = written
    reference = load_reference(place, SHEET)
    assert reference.notes == ()
    assert reference.drift is not None
    assert found.reference is not None
    assert reference.drift.to_plain() == found.reference.to_plain()
    assert reference.asymmetry[PLACES[0]].percent == pytest.approx(2.0)
    assert math.isnan(reference.asymmetry[PLACES[0]].right_travel_mm)
    summary = json.loads((place / SUMMARY).read_text())
    assert [one["laps"] for one in summary["survey"]["stints"]] == [6, 4]
    assert {path.name for path in place.iterdir()} == {SUMMARY, DRIFT_REFERENCE}
    other = load_reference(place, make_sheet({"stint.circuit": "Other"}))
    assert other.drift is None
    assert "circuit is 'Ring', here 'Other'" in other.notes[0]


def test_left_against_right_is_averaged_by_laps(tmp_path: Path) -> None:
    random = np.random.default_rng(14)
    one, two = part(laps(random, 6)), part(laps(random, 4))
    two.gist.asymmetry[PLACES[0]] |= {"left_faster_percent": -3.0, "right_travel_mm": 30.0}
    place = write_reference(tmp_path, group(one, two), "1")
    assert place is not None
    found = json.loads((place / SUMMARY).read_text())["asymmetry"][PLACES[0]]
    assert found["left_faster_percent"] == pytest.approx((6 * 2.0 - 4 * 3.0) / 10)
    assert found["right_travel_mm"] == 30.0


def test_each_circuit_and_set_up_has_its_own() -> None:
    sheets = [
        SHEET,
        make_sheet({"stint.circuit": "Ring", "stint.set_up": "hard"}),
        make_sheet({"stint.circuit": "Ring", "stint.set_up": "soft", "axle.front.spring.rate_n_mm": 130.0}),
        SHEET,
    ]
    empty = part([])
    found = groups_of([Stint("x", sheet, "", empty.gist, lambda: empty) for sheet in sheets])
    assert [len(one.stints) for one in found] == [2, 1, 1]
    assert len({folder_name(one.sheet) for one in found}) == 3
    assert folder_name(SHEET).startswith("test_mule-ring-soft-")


def test_a_hostile_name_makes_a_harmless_directory() -> None:
    name = folder_name(make_sheet({"car.name": "../../etc", "stint.circuit": "/" * 80, "stint.set_up": "é" * 80}))
    assert "/" not in name
    assert ".." not in name
    assert name.isascii()
    assert len(name) < 100
