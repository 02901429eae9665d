"""Against a reference stint read back from results: the corner is named where the results hold each side's speeds."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alerts.alert import Transition
from console.describe import FORMAT_VERSION
from console.reference import load_reference
from console.results import SUMMARY
from dsp.asymmetry import PLACES, Asymmetry, of_corners, with_travel
from dsp.statistics import Tally
from ingest.chunk import Chunk, Floats
from tests.monitored import chunk, easy_sheet, laps_of, watch

LAP = 1000
SHEET = easy_sheet(
    {
        "alerts.platform_low.enabled": False,
        "alerts.asymmetry.least_time_per_lap_s": 1.5,
        "log.columns.lap_number": {"column": "lap"},
    }
)


def sawtooth(rise: int, fall: int, stroke_mm: float = 12.0) -> Floats:
    """Travel that rises and falls in so many samples, over five laps."""
    wave = np.interp(np.arange(rise + fall), [0, rise, rise + fall], [0.0, stroke_mm, 0.0])
    return np.resize(wave, 5 * LAP)


def stint(*corners: Floats) -> Chunk:
    travel = np.stack(corners, axis=1)
    return chunk(travel, lap_number=np.arange(len(travel)) // LAP * 1.0)


def saved(folder: Path, found: dict[str, Asymmetry], *, with_sides: bool = True, **changes: Any) -> Path:
    """A summary as an earlier run leaves it."""
    places = {}
    for place, one in found.items():
        places[place] = {"left_faster_percent": one.percent, "distance": one.distance}
        if with_sides:
            places[place] |= {
                "left_mm_s": one.left_mm_s,
                "right_mm_s": one.right_mm_s,
                "left_travel_mm": one.left_travel_mm,
                "right_travel_mm": one.right_travel_mm,
            }
        places[place] |= changes
    content = {
        "format": "damperwatch summary",
        "format_version": FORMAT_VERSION,
        "car": SHEET.car.name,
        "laps_timed": 3,
        "complete": True,
        "asymmetry": places,
    }
    (folder / SUMMARY).write_text(json.dumps(content), encoding="utf-8")
    return folder


def healthy() -> Chunk:
    """A car whose axles differ in set-up, on a circuit where the left moves farther."""
    return stint(sawtooth(40, 50, 12.0), sawtooth(40, 50, 9.6), sawtooth(45, 50, 12.0), sawtooth(45, 50, 11.0))


def softer(corner: int) -> Chunk:
    """The same with quicker rebound at one corner."""
    quick = [(40, 50, 12.0), (40, 50, 9.6), (45, 50, 12.0), (45, 50, 11.0)]
    rise, fall, stroke = quick[corner]
    quick[corner] = (rise - 1, fall - 11, stroke * 1.03)
    return stint(*(sawtooth(*one) for one in quick))


def reference_of(found: Chunk) -> dict[str, Asymmetry]:
    timed = [lap.share.tally for lap in laps_of(SHEET, found) if lap.verdict.kind == "timed"]
    whole = Tally()
    for one in timed:
        whole.merge(one)
    return with_travel(of_corners(whole.paired), whole.travel)


def sentences(found: list[Transition]) -> list[str]:
    assert all(one.evidence is not None for one in found)
    return [one.evidence.sentence for one in found if one.evidence is not None and one.change == "occurs"]


@pytest.mark.parametrize("corner", range(4))
def test_the_corner_is_named_from_results_that_hold_each_side(tmp_path: Path, corner: int) -> None:
    reference = load_reference(saved(tmp_path, reference_of(healthy())), SHEET).asymmetry
    assert watch(SHEET, healthy(), reference=reference) == []
    name = ("FL", "FR", "RL", "RR")[corner]
    (sentence,) = sentences(watch(SHEET, softer(corner), reference=reference))
    assert sentence.startswith(f"{name} rebound ")
    assert sentence.endswith(f"rebound alone: {name} softer than its set-up")


def test_a_sensors_gain_is_told_by_travel_against_the_reference() -> None:
    reference = reference_of(healthy())
    louder = healthy()
    louder.sensors[:, 3] *= 1.35
    found = sentences(watch(SHEET, louder, reference=reference))
    assert len(found) == 2
    for one in found:
        told = re.search(r"; travel too, by (\d+) %: sensor gain of RL or RR first, then damper or tyre$", one)
        assert told is not None
        # Travel is counted in bins of 0.5 mm; without the reference it would be 44 %.
        assert int(told[1]) == pytest.approx(100.0 * math.log(1.35), abs=3.0)


def test_results_of_an_earlier_program_still_tell_the_direction(tmp_path: Path) -> None:
    reference = load_reference(saved(tmp_path, reference_of(healthy()), with_sides=False), SHEET).asymmetry
    assert all(math.isnan(one.left_mm_s) and math.isnan(one.right_travel_mm) for one in reference.values())
    (sentence,) = sentences(watch(SHEET, softer(0), reference=reference))
    assert sentence.endswith("rebound alone: FL softer or FR stiffer, not told apart")


@pytest.mark.parametrize("value", [None, 0, -3.0, "5", True, [], 10**400, float("nan"), float("inf")])
def test_a_speed_that_is_none_is_unknown(tmp_path: Path, value: Any) -> None:
    found = load_reference(saved(tmp_path, reference_of(healthy()), left_mm_s=value), SHEET).asymmetry
    assert list(found) == list(PLACES)
    assert all(math.isnan(one.left_mm_s) for one in found.values())
    assert all(one.right_mm_s > 0.0 for one in found.values())
