"""One damper drifts: the charts on random laps with a change put in, the verdicts, and the rule on the shipped logs."""

from __future__ import annotations

import copy
import itertools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from alerts.alert import Observation
from alerts.drift import PLACES, DamperDrift
from alerts.drift_chart import WORSE_PERCENT, DriftChart, DriftSettings, scores_of
from alerts.drift_limits import DriftLimits
from alerts.drift_reference import DriftReference
from alerts.drift_verdict import PATTERNS, Verdict
from benchmarks.drift_calibration import STRETCHES, highest_of_stint, lap_of, laps_of_logs, level, row
from console.drift_file import DRIFT_REFERENCE, load_drift_reference, save_drift_reference
from console.reference import load_reference
from dsp.pipeline import Pipeline
from dsp.position_scales import Stretch
from ingest.chunk import CORNERS, Floats
from ingest.errors import ResultsError
from ingest.log import open_log
from ingest.sheet import Sheet, load_sheet
from tests.console.test_reference import content, saved
from tests.sheets import make_sheet

FOLDER = Path(__file__).parents[2] / "replay_logs"
LAPS = 16
FIRST_FAULTY = 10
TRAVEL_MM = np.linspace(-15.0, 15.0, STRETCHES)


def stretches(logs: Floats, seed: int = 1, gain: float = 1.0, moved_mm: float = 0.0, corner: int = 0) -> list[Stretch]:
    """Laps with a travel that swings over the lap, of a gain and position that change from the first faulty lap on."""
    random = np.random.default_rng(seed)
    found = []
    for lap, of_lap in enumerate(logs):
        for number, one in enumerate(lap_of(lap, of_lap)):
            travel = TRAVEL_MM[number] + random.normal(0.0, 0.2, 4)
            if lap >= FIRST_FAULTY:
                travel[corner] = gain * travel[corner] + moved_mm
            one.travel = np.rint(travel * 256.0 * one.rows).astype(np.int64)
            found.append(one)
    return found


def verdicts_of(found: list[Stretch], chart: DriftChart, size: int = 7) -> list[tuple[Verdict, int, int]]:
    """Every verdict with its lap and stretch, from pieces of a lap of any size."""
    seen = []
    for lap, members in itertools.groupby(found, key=lambda one: one.lap):
        of_lap = list(members)
        for start in range(0, len(of_lap), size):
            piece = of_lap[start : start + size]
            seen += [(verdict, lap, piece[place].number) for place, verdict in chart.take(piece)]
        verdict = chart.end_lap(timed=True)
        if verdict is not None:
            seen.append((verdict, lap, len(of_lap) - 1))
    return seen


def charted(found: list[Stretch], chart: DriftChart | None = None) -> tuple[Verdict, int, int] | None:
    """First verdict with its lap and stretch."""
    seen = verdicts_of(found, chart or DriftChart(DriftSettings(6, 1), DriftLimits.shipped()))
    return seen[0] if seen else None


def logs(seed: int = 3) -> Floats:
    return laps_of_logs(np.random.default_rng(seed), LAPS)


def changed(corner: int, log: float, seed: int = 3, first: int = FIRST_FAULTY) -> Floats:
    values = logs(seed)
    values[first:, :, corner] += log
    return values


def test_nothing_is_said_of_a_healthy_car() -> None:
    for seed in range(6):
        assert charted(stretches(logs(seed))) is None


@pytest.mark.parametrize("corner", range(4))
@pytest.mark.parametrize("log", [0.18, -0.22])
def test_a_big_change_is_named_within_most_of_a_lap(corner: int, log: float) -> None:
    seen = charted(stretches(changed(corner, log)))
    assert seen is not None
    verdict, lap, number = seen
    assert (verdict.where, lap) == (CORNERS[corner], FIRST_FAULTY)
    assert number < 0.6 * STRETCHES
    assert verdict.damper == (log > 0.0)  # friction slows a corner down as a stiffer damper does
    assert ("damper lost force" if log > 0.0 else "damper stiffer or seizing") in verdict.suspects
    assert math.copysign(1.0, verdict.percent) == math.copysign(1.0, log)
    assert abs(verdict.percent - 100.0 * math.expm1(log)) < 6.0


def test_a_small_change_is_found_over_laps() -> None:
    """Of a corner that moves 8 % faster most are named in six laps, and no other corner is."""
    found = [charted(stretches(changed(2, 0.077, seed))) for seed in range(3, 9)]
    named = [one[0].where for one in found if one is not None and one[0].where in CORNERS]
    assert len(named) >= 4
    assert set(named) == {"RL"}


def test_what_all_four_do_is_no_drift() -> None:
    values = logs()
    values[FIRST_FAULTY:] += 0.3
    assert charted(stretches(values)) is None


def test_a_change_of_an_axle_names_no_corner() -> None:
    values = logs()
    values[FIRST_FAULTY:, :, :2] += 0.15
    seen = charted(stretches(values))
    assert seen is not None
    assert seen[0].where in {"front axle", "undecided"}
    assert not seen[0].damper


@pytest.mark.parametrize("corner", range(4))
def test_a_sensors_gain_is_not_called_a_damper(corner: int) -> None:
    gain = 1.2
    found = stretches(changed(corner, math.log(gain)), gain=gain, corner=corner)
    seen = charted(found)
    assert seen is not None
    assert seen[0].best == CORNERS[corner]
    assert seen[0].suspects[0] == "sensor's gain changed"
    assert not seen[0].damper


def test_a_shift_of_position_alone_is_no_drift() -> None:
    assert charted(stretches(logs(), moved_mm=4.0)) is None


def test_a_change_with_a_shift_of_position_names_what_it_may_be() -> None:
    seen = charted(stretches(changed(1, 0.2), moved_mm=-4.0, corner=1))
    assert seen is not None
    assert not seen[0].damper
    assert {"slow puncture", "spring platform or pushrod slipped"} <= set(seen[0].suspects)


def test_the_reference_is_frozen_after_its_laps() -> None:
    chart = DriftChart(DriftSettings(6, 1), DriftLimits.shipped())
    charted(stretches(logs()), chart)
    assert chart.frozen
    assert chart.reference.laps == 6
    before = chart.reference.to_plain()
    charted(stretches(logs(5)), chart)
    assert chart.reference.to_plain() == before


def test_a_reference_never_takes_in_what_has_tripped_it() -> None:
    chart = DriftChart(DriftSettings(8, 1), DriftLimits.shipped())
    seen = charted(stretches(changed(3, 0.3, first=3)), chart)
    assert seen is not None
    assert seen[0].where == "RR"
    assert seen[1] == 3
    assert chart.reference.laps == 2


def test_a_slow_lap_is_neither_learnt_nor_compared() -> None:
    chart = DriftChart(DriftSettings(6, 1), DriftLimits.shipped())
    found = stretches(changed(0, 0.3))
    for one in found:
        if one.lap >= FIRST_FAULTY:
            one.rows = round(one.rows * 1.2)
            one.moved = np.full(4, one.rows)
            one.squares = np.rint(one.squares * 1.2).astype(np.int64)
    assert charted(found, chart) is None


def test_too_little_data_is_unknown() -> None:
    found = stretches(changed(0, 0.3))
    for one in found:
        if one.lap >= FIRST_FAULTY:
            one.moved = one.moved.copy()
            one.moved[2] -= 1
    assert charted(found) is None


def test_left_and_right_are_treated_alike() -> None:
    """Swapped sides give the swapped verdict at the same stretch."""
    found = stretches(changed(0, 0.12))
    swapped = [1, 0, 3, 2]
    mirror = [replace(one, squares=one.squares[:, swapped], travel=one.travel[swapped]) for one in found]
    seen, mirrored = charted(found), charted(mirror)
    assert seen is not None
    assert mirrored is not None
    assert (seen[0].where, mirrored[0].where) == ("FL", "FR")
    assert seen[1:] == mirrored[1:]


def test_the_shipped_table_is_what_its_seed_gives() -> None:
    """The two quickest rows, with fewer stints: within the simulation's own scatter."""
    limits = DriftLimits.shipped()
    for laps in (1, 2):
        made = row(laps, stints=6, seed=77)
        assert made["stretches"] == pytest.approx(limits.of_stretches(laps), rel=0.6)
    assert limits.of_stretches(10**6) == limits.stretches[-1]
    assert min(limits.of_stretches(8), limits.of_stretches(12)) <= limits.of_stretches(10)


def test_limits_hold_on_other_random_laps() -> None:
    highest = [highest_of_stint(np.random.default_rng([901, n]), 12, 30) for n in range(6)]
    limits = DriftLimits.shipped()
    assert max(one for one, _ in highest) < limits.of_stretches(12)
    assert max(one for _, one in highest) < limits.of_laps(12)


def test_level_is_that_of_a_known_distribution() -> None:
    maxima = np.random.default_rng(1).gumbel(10.0, 2.0, 4000)
    assert level(maxima, 0.02) == pytest.approx(10.0 - 2.0 * math.log(-math.log(0.98)), rel=0.03)


# ------------------------------------------------------------------------------------------------- references in files


def grown(laps: int = 6) -> DriftReference:
    reference = DriftReference()
    found = stretches(logs())
    for lap in range(laps):
        reference.admit([one for one in found if one.lap == lap])
    return reference


def sheet_with_digest(tmp_path: Path) -> Sheet:
    text = (FOLDER / "car.toml").read_text(encoding="utf-8")
    path = tmp_path / "car.toml"
    path.write_text(text, encoding="utf-8")
    return load_sheet(path)


def test_a_reference_is_saved_and_loaded_whole(tmp_path: Path) -> None:
    sheet = sheet_with_digest(tmp_path)
    summary = saved(tmp_path, content() | {"car": sheet.car.name, "sheet_sha256": sheet.digest})
    reference = grown()
    assert save_drift_reference(summary.parent if summary.is_file() else summary, reference, sheet)
    loaded = load_reference(summary, sheet).drift
    assert loaded is not None
    assert loaded.to_plain() == reference.to_plain()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"car.name": "another"}, "car is"),
        ({"stint": {"circuit": "Brook Lane"}}, "circuit is ''"),
        ({"stint": {"set_up": "soft"}}, "set-up is"),
        ({"car.mass_kg": 1001.0}, "car, axles, corners or velocity differ"),
        ({"axle.front.spring.rate_n_mm": 99.0}, "car, axles, corners or velocity differ"),
        ({"velocity.bandwidth_hz": 20.0}, "car, axles, corners or velocity differ"),
    ],
)
def test_a_reference_of_another_car_circuit_or_set_up_is_not_used(
    tmp_path: Path, changes: dict[str, object], words: str
) -> None:
    save_drift_reference(tmp_path, grown(), make_sheet())
    found, notes = load_drift_reference(tmp_path, make_sheet(changes))
    assert found is None
    assert any(words in note and "this stint's own first laps" in note for note in notes)


@pytest.mark.parametrize(
    "changes",
    [{"corner.FL.sensor.zero_mm": 3.0}, {"alerts": {"asymmetry": {"enabled": False}}}, {"platform": {}}],
)
def test_new_zeros_and_limits_keep_a_reference(tmp_path: Path, changes: dict[str, object]) -> None:
    save_drift_reference(tmp_path, grown(), make_sheet())
    found, notes = load_drift_reference(tmp_path, make_sheet(changes))
    assert found is not None
    assert not notes


def test_too_few_laps_are_no_reference(tmp_path: Path) -> None:
    sheet = sheet_with_digest(tmp_path)
    (tmp_path / DRIFT_REFERENCE).write_text("old", encoding="utf-8")
    assert not save_drift_reference(tmp_path, grown(3), sheet)
    assert not (tmp_path / DRIFT_REFERENCE).exists()


@pytest.mark.parametrize(
    "damage", [{"laps": 0}, {"laps": "x"}, {"places": []}, {"lap_squares": [1.0]}, {"pooled_squares": [1, 2, math.inf]}]
)
def test_a_damaged_reference_is_refused(damage: dict[str, object]) -> None:
    with pytest.raises(ResultsError, match="damaged"):
        DriftReference.from_plain(copy.deepcopy(grown().to_plain()) | damage)


def test_an_earlier_stint_serves_from_the_first_lap_after_warm_up() -> None:
    chart = DriftChart(DriftSettings(6, 1), DriftLimits.shipped(), grown())
    assert not chart.learning
    seen = charted(stretches(changed(1, 0.25, seed=3, first=2)), chart)
    assert seen is not None
    assert (seen[0].where, seen[1]) == ("FR", 2)


# ----------------------------------------------------------------------------------------------------- the shipped logs


def observed(name: str, lengths: int | None = None) -> tuple[list[Observation], DamperDrift]:
    sheet = load_sheet(FOLDER / "car.toml")
    random = np.random.default_rng(6)
    with open_log(FOLDER / f"{name}.parquet", sheet) as log:
        pipeline, rule = Pipeline(sheet, log.rate_hz, log.roles), DamperDrift(sheet, log.rate_hz)
        found: list[Observation] = []
        for chunk in [*log, None]:
            if chunk is None:
                frames = pipeline.finish()
            elif lengths is None:
                frames = pipeline.process(chunk)
            else:
                edges = [0, *sorted(random.integers(0, len(chunk), lengths).tolist()), len(chunk)]
                parts = [chunk.part(a, b) for a, b in itertools.pairwise(edges)]
                frames = [frame for part in parts for frame in pipeline.process(part)]
            for frame in frames:
                found += rule.observe(frame, [])
        return found, rule


@pytest.mark.parametrize("name", ["healthy", "rebound_misset", "too_low", "sensor_faults"])
def test_nothing_drifts_where_nothing_does(name: str) -> None:
    found, rule = observed(name)
    assert not any(one.condition for one in found)
    assert {one.condition for one in found} == {None, False}
    assert "10 % change" in rule.statement()


def test_the_fading_damper_is_named() -> None:
    found, rule = observed("damper_fades")
    (alarm,) = [one for one in found if one.condition]
    assert alarm.where == "RR"
    assert alarm.evidence is not None
    assert alarm.evidence.sentence.startswith("damper RR has lost force")
    assert alarm.evidence.since_sample < alarm.sample
    assert [one.where for one in rule.verdicts] == ["RR"]


def test_a_second_damper_is_found_beside_the_first() -> None:
    chart = DriftChart(DriftSettings(6, 1), DriftLimits.shipped())
    values = changed(1, 0.25)
    values[FIRST_FAULTY + 2 :, :, 2] += 0.25
    found = verdicts_of(stretches(values), chart)
    assert [(one.where, lap) for one, lap, _ in found] == [("FR", FIRST_FAULTY), ("RL", FIRST_FAULTY + 2)]
    assert found[1][0].percent > 5.0  # of the few stretches that it takes, beside two corners
    assert not chart.charting


def test_one_damper_alone_is_told_once() -> None:
    for corner in range(4):
        chart = DriftChart(DriftSettings(6, 1), DriftLimits.shipped())
        found = verdicts_of(stretches(changed(corner, 0.25)), chart)
        assert [one.where for one, *_ in found] == [CORNERS[corner]]
        assert chart.charting


def test_what_gets_clearly_worse_is_told_again() -> None:
    chart = DriftChart(DriftSettings(6, 1), DriftLimits.shipped())
    values = changed(3, 0.15)
    values[FIRST_FAULTY + 3 :, :, 3] += 0.2
    found = verdicts_of(stretches(values), chart)
    assert [(one.where, lap) for one, lap, _ in found] == [("RR", FIRST_FAULTY), ("RR", FIRST_FAULTY + 3)]
    assert found[1][0].percent > found[0][0].percent + WORSE_PERCENT


def test_beside_a_known_pattern_only_what_it_leaves_counts() -> None:
    """What a corner's own change explains leaves nothing, whatever its size; against a projector in matrices."""
    variances = np.array([0.0001, 0.0005, 0.00003])
    known = np.array(PATTERNS["RL"])
    for size in (-0.3, 0.0, 0.2):
        scores = scores_of((size * known)[np.newaxis], variances[np.newaxis], known)
        assert scores[0] == pytest.approx([0.0] * 8, abs=1e-9)
    inverse = np.diag(1.0 / variances)
    change = np.array([0.01, -0.02, 0.005])
    projector = np.eye(3) - np.outer(known, known) @ inverse / (known @ inverse @ known)
    plain = scores_of(change[np.newaxis], variances[np.newaxis])[0]
    beside = scores_of(change[np.newaxis], variances[np.newaxis], known)[0]
    for corner, values in enumerate(PATTERNS.values()):
        pattern = np.array(values)
        assert plain[corner] == pytest.approx(pattern @ inverse @ change / math.sqrt(pattern @ inverse @ pattern))
        rest = projector @ pattern
        expected = 0.0 if corner == 2 else rest @ inverse @ change / math.sqrt(rest @ inverse @ rest)
        assert beside[corner] == pytest.approx(expected)
    assert (beside[4:] == -beside[:4]).all()


@pytest.mark.parametrize("size", [1, 3, 39, 40])
def test_any_cutting_of_a_lap_gives_the_same_verdicts(size: int) -> None:
    values = changed(1, 0.12)
    values[FIRST_FAULTY + 2 :, :, 2] += 0.2
    values[FIRST_FAULTY + 4 :, :, 1] += 0.25
    whole = verdicts_of(stretches(values), DriftChart(DriftSettings(6, 1), DriftLimits.shipped()), STRETCHES)
    assert len(whole) >= 2
    assert verdicts_of(stretches(values), DriftChart(DriftSettings(6, 1), DriftLimits.shipped()), size) == whole


def test_any_split_says_the_same() -> None:
    whole, _ = observed("damper_fades")
    split, _ = observed("damper_fades", lengths=6)
    assert split == whole


def test_before_a_reference_the_rule_is_learning() -> None:
    rule = DamperDrift(make_sheet(), 500.0)
    assert rule.learning
    assert rule.statement().startswith("learning")
    assert {definition.where for definition in rule.definitions} == set(PLACES)
    assert all(definition.latches and definition.priority == "medium" for definition in rule.definitions)
