"""References from a survey: for each car, circuit and set-up, what its clean stints share.

In: the surveyed stints, read one at a time. Out: a directory for each group that `--reference` takes (summary.json,
drift_reference.json), the group's scatter, and notes on which stints were left out and why. Clean is a stint that is
complete, no rehearsal, and had no alarm of a sensor, of left against right, or of drift; of it, the timed laps after
the warm-up with no sample lost. Raises ResultsError when a file can't be written.

A pooled reference is only as good as stints are alike. What a new stint differs by as a whole, its laps share, and no
number of laps takes it away. So the reference says it rests on as many laps as would leave that uncertainty if laps
were all that differed; where that is less than the fewest the alarm's limits hold for, its lap scatter is widened.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from alerts.drift_reference import DriftReference
from console.drift_file import DRIFT_REFERENCE, save_drift_reference
from console.results import SUMMARY, dump
from console.survey_part import Gist, Part, write_whole
from console.survey_scatter import Scatter
from ingest.chunk import Floats
from ingest.errors import ResultsError
from ingest.sheet import Sheet
from ingest.text import clean

REFERENCES: Final = "references"
# As the drift file's: the charts' limits are calibrated from so many laps on.
_FEWEST_LAPS: Final = 4
_AVERAGED: Final = ("left_faster_percent", "distance", "left_mm_s", "right_mm_s", "left_travel_mm", "right_travel_mm")


@dataclass(frozen=True)
class Stint:
    """One surveyed log: its name for people, its sheet, the gist of its part, and how to read all of it."""

    shown: str
    sheet: Sheet
    log_sha256: str
    gist: Gist
    read: Callable[[], Part]


@dataclass
class Group:
    """Stints of one car, circuit and set-up."""

    sheet: Sheet
    stints: list[Stint] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    scatter: Scatter = field(default_factory=Scatter)
    used: list[tuple[Stint, int]] = field(default_factory=list)
    reference: DriftReference | None = None
    as_good_as_laps: int = 0

    @property
    def name(self) -> str:
        """For people."""
        stint = self.sheet.stint
        return clean(", ".join(one for one in (self.sheet.car.name, stint.circuit, stint.set_up) if one), 200)


def groups_of(stints: Iterable[Stint]) -> list[Group]:
    """Stints by what two must have in common, in order of appearance."""
    found: dict[tuple[str, ...], Group] = {}
    for stint in stints:
        sheet = stint.sheet
        key = (sheet.car.name, sheet.stint.circuit, sheet.stint.set_up, sheet.set_up_digest)
        found.setdefault(key, Group(sheet)).stints.append(stint)
    return list(found.values())


def settle(group: Group) -> None:
    """Find a group's scatter and its reference; a stint's stretches are in memory only while they are looked at."""
    clean_ones: list[tuple[Stint, int]] = []
    for stint in group.stints:
        laps = 0 if stint.gist.unclean else group.scatter.take(stint.gist.own)
        if laps:
            clean_ones.append((stint, laps))
        else:
            why = stint.gist.unclean or "it has no clean lap"
            group.notes.append(f"{stint.shown}: left out of the reference: {why}")
    # The longest begins: its pace is that by which the others' laps are taken or not.
    pooled = DriftReference()
    for stint, laps in sorted(clean_ones, key=lambda one: -one[1]):
        before = pooled.laps
        for lap in stint.read().laps_of_stretches():
            pooled.admit(lap)
        if pooled.laps > before:
            group.used.append((stint, pooled.laps - before))
        else:
            group.notes.append(f"{stint.shown}: left out of the reference: its {laps} laps are of another pace")
    for stint, _ in group.used:
        group.scatter.place(stint.read().laps_of_stretches(), pooled)
    if pooled.laps >= _FEWEST_LAPS:
        settings = group.sheet.alerts.drift
        group.reference, group.as_good_as_laps = weighed(pooled, group.scatter, settings.reference_laps)
    elif clean_ones:
        group.notes.append(f"{group.name}: no reference: {pooled.laps} clean laps, {_FEWEST_LAPS} are needed")


def weighed(pooled: DriftReference, scatter: Scatter, usual_laps: int) -> tuple[DriftReference, int]:
    """The reference with honest numbers for a stint yet to come, and the laps it is as good as.

    A stint yet to come differs from the reference, as a whole, by a variance of D = between (1 + 1 / stints) + lap /
    laps. The charts take lap / n for it. So n = lap / D, and where that is below 4, lap = 4 D. It is at most
    `usual_laps` (of a reference from one stint) for each stint: few stints tell little of what stints differ by.
    """
    plain = pooled.to_plain()
    stints = scatter.placed_stints
    most = max(_FEWEST_LAPS, min(pooled.laps, usual_laps * stints))
    if stints < 2:
        return DriftReference.from_plain(plain | {"laps": most}), most
    degrees = scatter.lap_degrees
    lap = _lap_variances(scatter.lap_squares, degrees)
    between = np.array([one.value for one in scatter.between()]) ** 2
    common = between * (1.0 + 1.0 / stints) + lap / pooled.laps
    wide = np.maximum(lap, _FEWEST_LAPS * common)
    laps = max(_FEWEST_LAPS, min(most, math.floor(float((wide / common).min()) + 1e-9)))
    # Degrees stay those of the laps; squares are what gives these variances beside the prior.
    nothing = _lap_variances(np.zeros(3), degrees)
    of_one = _lap_variances(np.ones(3), degrees) - nothing
    plain |= {
        "laps": laps,
        "lap_degrees": degrees,
        "lap_squares": np.maximum(0.0, (wide - nothing) / of_one).tolist(),
        # Within stints; what stints differ by at one stretch, beyond their level, is small beside it.
        "pooled_squares": scatter.stretch_squares.tolist(),
        "pooled_degrees": scatter.stretch_degrees,
    }
    return DriftReference.from_plain(plain), laps


def _lap_variances(squares: Floats, degrees: int) -> Floats:
    """What the drift alarm makes of summed squares and their degrees of freedom."""
    # Any reference does that has a place; what counts here is only how it joins its prior.
    place = {"number": 0, "laps": 1, "log_speed": np.zeros((3, 4)).tolist(), "travel_mm": [0.0] * 4, "seconds": 1.0}
    place |= {"squares": [0.0] * 3, "degrees": 0}
    plain = {"laps": 1, "lap_squares": squares.tolist(), "lap_degrees": degrees, "places": [place]}
    plain |= {"pooled_squares": [0.0] * 3, "pooled_degrees": 0, "prior_scale": 1.0}
    return DriftReference.from_plain(plain).lap_variances()


def write_reference(directory: Path, group: Group, version: str) -> Path | None:
    """Write a group's reference; None when it has none, and then an earlier survey's of this group goes away.

    Its summary is that of the stint with the most laps, with left against right averaged over all of them by laps.
    """
    place = directory / folder_name(group.sheet)
    if group.reference is None:
        for name in (SUMMARY, DRIFT_REFERENCE):
            with suppress(OSError):
                (place / name).unlink(missing_ok=True)
        return None
    total = sum(laps for _, laps in group.used)
    base = group.used[0][0].read().summary
    base |= {
        "source": f"survey of {len(group.used)} stints",
        "program_version": version,
        "sheet_sha256": group.used[0][0].sheet.digest,
        "laps_timed": total,
        "asymmetry": _averaged([(stint.gist.asymmetry, laps) for stint, laps in group.used]),
        "survey": {
            "stints": [{"log_sha256": stint.log_sha256, "laps": laps} for stint, laps in group.used],
            "laps": total,
            "as_good_as_laps": group.as_good_as_laps,
        },
    }
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResultsError(f"{clean(place, 200)}: can't be written: {clean(error.strerror or error)}") from None
    save_drift_reference(place, group.reference, group.sheet)
    write_whole(place / SUMMARY, dump(base, indent=1) + "\n")
    return place


def folder_name(sheet: Sheet) -> str:
    """A directory's name for a car, circuit and set-up: readable, safe in any file system, and different for each."""
    words = [sheet.car.name, sheet.stint.circuit, sheet.stint.set_up]
    readable = "-".join(re.sub(r"[^A-Za-z0-9]+", "_", word).strip("_").lower()[:24] for word in words if word)
    return f"{readable}-{hashlib.sha256(json.dumps([*words, sheet.set_up_digest]).encode()).hexdigest()[:8]}"


def _averaged(entries: list[tuple[dict[str, Any], int]]) -> dict[str, Any]:
    """Left against right, averaged by laps where it is known."""
    return {
        place: {name: _mean([(one[place].get(name), laps) for one, laps in entries]) for name in _AVERAGED}
        for place in entries[0][0]
    }


def _mean(values: list[tuple[float | None, int]]) -> float | None:
    known = [(value, laps) for value, laps in values if value is not None]
    weight = sum(laps for _, laps in known)
    return sum(value * laps for value, laps in known) / weight if weight else None
