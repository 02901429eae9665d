"""A stint as the debrief tells it: numbers per corner, per point and in all, from the summary or from finished laps.

In: `Results`. Out: a `Stint`. With a summary its numbers are taken as they stand; without one only what adds up over
finished laps (times, counts, extremes) is known and the rest is NaN. Nothing raises.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from console.debrief_alarms import Alarm, Noise, alarms_of, noise_of, standing
from console.debrief_laps import Lap, LapPoint, asymmetry_of, points_of
from console.debrief_results import Results
from console.debrief_values import largest, number, numbers, part, parts, smallest, text, total, value_at
from dsp.statistics import SHARE_NAMES
from ingest.chunk import CORNERS, Floats

_MOST_STANDING = 100


@dataclass(frozen=True)
class Estimate:
    """A value and its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Corner:
    """One corner over the stint; see the fields of the same names in the README."""

    used: float
    unknown: float
    rejected: float
    without_reading: float
    position_lost_at_s: float
    rms_mm_s: float
    rms_compression_mm_s: float
    rms_rebound_mm_s: float
    shares: tuple[float, ...]
    stroke_used: float
    travel_lowest_mm: float
    travel_highest_mm: float
    contacts: float
    contact_s: float
    longest_s: float
    peak_force_n: float
    top_outs: float
    edges_mm_s: Floats
    counts: Floats
    beyond: tuple[float, float]  # counts below and above the histogram


@dataclass(frozen=True)
class Air:
    """Downforce: `reason` says why there is none. `bands` hold dynamic pressure Pa, front N, its error, rear N, its."""

    reason: str
    front_m2: Estimate
    rear_m2: Estimate
    total_m2: Estimate
    front_share: Estimate
    standstill_n: tuple[Estimate, Estimate]
    bands: tuple[tuple[float, float, float, float, float], ...]
    windows_used: float
    windows_judged: float
    air_density_kg_m3: float
    notes: tuple[str, ...]


@dataclass
class Stint:
    """Everything the debrief tells of one stint. `of_laps` is true when there was no summary."""

    shown: str
    rehearsal: bool
    of_laps: bool
    gaps: list[str]
    car: str
    source: str
    circuit: str
    set_up: str
    reference: str
    sheet_sha256: str
    program_version: str
    complete: bool
    rate_hz: float
    duration_s: float
    received: float
    lost: float
    idle: float
    gap_count: float
    clock_restarts: float
    laps_in_all: float
    laps_timed: float
    best_lap_s: float
    lap_source: str
    limits_mm_s: tuple[float, float]  # where low speed ends, in rebound and in compression
    laps: list[Lap]
    corners: dict[str, Corner]
    points: dict[str, LapPoint]
    p1_mm: dict[str, float]
    asymmetry: dict[str, float]
    drift: dict[str, Any]
    air: Air
    witnesses: dict[str, Any]
    log: dict[str, Any]
    link: dict[str, Any]
    alarms: list[Alarm]
    noise: Noise
    counted: dict[str, Any]  # the tool's own count of its noise, from the summary
    standing: list[tuple[str, str, str]]  # name, state, sentence
    along_lap: dict[str, Any] = field(default_factory=dict)
    beside: Stint | None = None  # the stint that stands beside this one: their trends share one scale

    @property
    def running(self) -> float:
        """Samples received while the car ran."""
        return self.received - self.idle


def stint_of(results: Results) -> Stint:
    """What the results tell."""
    summary, laps = results.summary, results.laps
    alarms = alarms_of(results.changes)
    of_laps = not summary
    end_s = largest([lap.start_s + lap.duration_s for lap in laps])
    told_s = largest([number(change, "time_s") for change in results.changes])
    duration_s = largest([end_s, told_s]) if of_laps else number(summary, "duration_s")
    timed = [lap for lap in laps if lap.kind == "timed"]
    corners = {
        name: _corner_of_laps(laps, place) if of_laps else _corner(part(summary, "corners", name))
        for place, name in enumerate(CORNERS)
    }
    return Stint(
        shown=results.shown,
        rehearsal=results.rehearsal,
        of_laps=of_laps,
        gaps=results.gaps,
        car=text(summary, "car", most=60),
        source=text(summary, "source", most=80),
        circuit=text(summary, "circuit", most=60),
        set_up=text(summary, "set_up", most=60),
        reference=text(summary, "reference", most=120),
        sheet_sha256=text(summary, "sheet_sha256", most=64),
        program_version=text(summary, "program_version", most=40),
        complete=value_at(summary, "complete") is True,
        rate_hz=number(summary, "rate_hz"),
        duration_s=duration_s,
        received=total(lap.received for lap in laps) if of_laps else number(summary, "samples_received"),
        lost=total(lap.lost for lap in laps) if of_laps else number(summary, "samples_lost"),
        idle=total(lap.idle for lap in laps) if of_laps else number(summary, "samples_idle"),
        gap_count=number(summary, "gaps"),
        clock_restarts=number(summary, "clock_restarts"),
        laps_in_all=float(len(laps)) if of_laps else number(summary, "laps"),
        laps_timed=float(len(timed)) if of_laps else number(summary, "laps_timed"),
        best_lap_s=smallest(lap.duration_s for lap in timed) if of_laps else number(summary, "best_lap_s"),
        lap_source=text(summary, "lap_source", most=40),
        limits_mm_s=(
            number(summary, "velocity_bands", "low_speed_rebound_mm_s"),
            number(summary, "velocity_bands", "low_speed_compression_mm_s"),
        ),
        laps=laps,
        corners=corners,
        points=_points_of_laps(laps) if of_laps else points_of(summary),
        p1_mm={} if of_laps else {name: number(summary, "platform", name, "p1_mm") for name in points_of(summary)},
        asymmetry={} if of_laps else asymmetry_of(summary),
        drift=part(summary, "drift"),
        air=_air(part(summary, "downforce")),
        witnesses=part(summary, "witnesses"),
        log=part(summary, "log"),
        link=part(summary, "link"),
        alarms=alarms,
        noise=noise_of(alarms, duration_s),
        counted=part(summary, "alerts", "noise"),
        standing=_standing(summary, alarms),
        along_lap=part(summary, "along_lap"),
    )


def _corner(raw: dict[str, Any]) -> Corner:
    edges, counts = (numbers(raw, "velocity_histogram", key) for key in ("edges_mm_s", "counts"))
    usable = len(edges) == len(counts) + 1 and bool(counts) and bool(np.all(np.diff(edges) > 0.0))
    return Corner(
        number(raw, "samples_used"),
        number(raw, "samples_unknown"),
        number(raw, "samples_rejected"),
        number(raw, "samples_without_reading"),
        number(raw, "position_lost_at_s"),
        number(raw, "velocity_rms_mm_s"),
        number(raw, "velocity_rms_compression_mm_s"),
        number(raw, "velocity_rms_rebound_mm_s"),
        tuple(number(raw, "time_share", name) for name in SHARE_NAMES),
        number(raw, "stroke_used"),
        number(raw, "travel_lowest_mm"),
        number(raw, "travel_highest_mm"),
        number(raw, "bump_stop", "contacts"),
        number(raw, "bump_stop", "total_time_s"),
        number(raw, "bump_stop", "longest_s"),
        number(raw, "bump_stop", "peak_force_n"),
        number(raw, "top_out", "contacts"),
        np.array(edges if usable else [], dtype=np.float64),
        np.maximum(np.nan_to_num(np.array(counts if usable else [], dtype=np.float64)), 0.0),
        (
            max(0.0, float(np.nan_to_num(number(raw, "velocity_histogram", "below")))),
            max(0.0, float(np.nan_to_num(number(raw, "velocity_histogram", "above")))),
        ),
    )


def _corner_of_laps(laps: list[Lap], place: int) -> Corner:
    """What adds up over laps; the rest is unknown."""
    each = [lap.corners[place] for lap in laps]
    unknown = math.nan
    return Corner(
        total(one.samples_used for one in each),
        *(unknown,) * 7,
        (unknown,) * len(SHARE_NAMES),
        *(unknown,) * 3,
        total(one.contacts for one in each),
        total(one.contact_s for one in each),
        largest(one.longest_s for one in each),
        largest(one.peak_force_n for one in each),
        total(one.top_outs for one in each),
        np.empty(0),
        np.empty(0),
        (0.0, 0.0),
    )


def _points_of_laps(laps: list[Lap]) -> dict[str, LapPoint]:
    found: dict[str, LapPoint] = {}
    for name in dict.fromkeys(name for lap in laps for name in lap.points):
        each = [lap.points[name] for lap in laps if name in lap.points]
        lowest = min(each, key=lambda one: one.lowest_mm if math.isfinite(one.lowest_mm) else math.inf)
        found[name] = LapPoint(
            lowest.limit_mm,
            lowest.lowest_mm,
            lowest.place_m,
            lowest.regime,
            total(one.below_s for one in each),
            tuple(stretch for one in each for stretch in one.stretches),
        )
    return found


def _estimate(raw: dict[str, Any], *path: str) -> Estimate:
    found = part(raw, *path)
    return Estimate(number(found, "value"), number(found, "low_95"), number(found, "high_95"))


def _air(raw: dict[str, Any]) -> Air:
    bands = tuple(
        (
            number(one, "dynamic_pressure_pa"),
            number(one, "front_n"),
            number(one, "front_standard_error_n"),
            number(one, "rear_n"),
            number(one, "rear_standard_error_n"),
        )
        for one in parts(raw, "by_speed")[:200]
    )
    notes = raw.get("notes")
    return Air(
        text(raw, "reason", most=200) if raw else "the run wrote no summary",
        _estimate(raw, "axles", "front", "downforce_area_m2"),
        _estimate(raw, "axles", "rear", "downforce_area_m2"),
        _estimate(raw, "total_downforce_area_m2"),
        _estimate(raw, "front_share"),
        (_estimate(raw, "axles", "front", "at_standstill_n"), _estimate(raw, "axles", "rear", "at_standstill_n")),
        bands,
        number(raw, "windows_used"),
        number(raw, "windows_judged"),
        number(raw, "air_density_kg_m3"),
        tuple(text({"": one}, "", most=240) for one in notes[:10]) if isinstance(notes, list) else (),
    )


def _standing(summary: dict[str, Any], alarms: list[Alarm]) -> list[tuple[str, str, str]]:
    """Alarms that stand at the end: name, state, sentence."""
    raw = part(summary, "alerts").get("standing")
    if not isinstance(raw, list):
        return [(one.name, one.state, one.told[-1].sentence if one.told else "") for one in standing(alarms)]
    found = []
    for one in parts(summary, "alerts", "standing")[:_MOST_STANDING]:
        alarm = Alarm(text(one, "kind", most=40), text(one, "where", most=60), "")
        quiet = [
            word
            for key, word in (("suppressed", "suppressed"), ("out_of_service", "out of service"))
            if value_at(one, key) is True
        ]
        if math.isfinite(number(one, "shelved_until_s")):
            quiet.append("shelved")
        found.append((alarm.name, ", ".join([text(one, "state", most=60), *quiet]), text(one, "sentence", most=200)))
    return found
