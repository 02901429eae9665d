"""Turns what the chain found into the records of the results directory. Pure functions; units in every name.

Times are seconds of sample time from the stream's first sample.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from alerts.alert import Transition
from alerts.lifecycle import State, abnormal
from alerts.monitor import Monitor
from alerts.payload import transition_record
from console.describe_car import (
    balance,
    body_record,
    contacts_of,
    damper_record,
    downforce_record,
    load_share,
    point_extras,
    spectrum_record,
    stop_record,
    wheel_load,
    witness_records,
)
from dsp.asymmetry import of_corners, with_travel
from dsp.body import BodyMotion
from dsp.damper_work import DamperWork, dampers_work
from dsp.histogram import Bins, regroup
from dsp.statistics import TRAVEL_BINS, VELOCITY_BINS
from dsp.summary import LapSummary, Share
from ingest.chunk import CORNERS, Ints
from ingest.link_block import LinkCounts
from ingest.log_counts import LogCounts
from ingest.rehearsal_mark import is_marked
from ingest.sheet import Sheet
from ingest.text import clean

FORMAT_VERSION = 1
_VELOCITY_SHARES = (0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99)
# Travel between these shares of the time is what the car uses; the extremes beyond are single events.
_STROKE_SHARES = (0.005, 0.995)


@dataclass(frozen=True)
class Context:
    """What every record needs to name things: the sheet, the rates, the first sample, the platform's points."""

    sheet: Sheet
    rate_hz: float
    row_rate_hz: float
    first_sample: int
    points: tuple[str, ...]
    body: BodyMotion

    @classmethod
    def of(cls, monitor: Monitor) -> Context:
        """The context of a monitor that has seen its first chunk."""
        pipeline = monitor.pipeline
        return cls(
            monitor.sheet,
            pipeline.rate_hz,
            pipeline.car.row_rate_hz,
            monitor.engine.first_sample,
            pipeline.platform.names,
            pipeline.counting.body,
        )

    def time_s(self, sample: int) -> float:
        """Seconds since the stream's first sample."""
        return (sample - self.first_sample) / self.rate_hz


def describe_transition(transition: Transition) -> dict[str, Any]:
    """One line of alerts.jsonl: what the pit wall is sent, and the silences that a person chose."""
    silences = {"shelved": transition.shelved, "out_of_service": transition.out_of_service}
    return transition_record(transition) | silences


def describe_lap(lap: LapSummary, context: Context) -> dict[str, Any]:
    """One line of laps.jsonl."""
    return {
        "lap": lap.name,
        "index": lap.index,
        "kind": lap.verdict.kind,
        "reason": lap.verdict.reason,
        "first_sample": lap.first_sample,
        "end_sample": lap.end_sample,
        "start_s": context.time_s(lap.first_sample),
        "duration_s": lap.duration_s,
        "distance_m": lap.distance_m,
        "samples_received": lap.share.received,
        "samples_idle": lap.share.idle,
        "samples_lost": lap.missing_samples,
        "corners": _corners(lap.share, context),
        "platform": _platform(lap.share, context),
        "asymmetry": _asymmetry(lap.share),
        "body": body_record(lap.share.body, context.body, context.row_rate_hz),
        "load_balance": balance(lap.share.loads),
        "hardest_contacts": contacts_of(lap.share, context.time_s, context.rate_hz),
    }


def describe_stint(
    monitor: Monitor,
    counts: LogCounts | None,
    *,
    source: str,
    complete: bool,
    version: str,
    reference: str | None,
    link: LinkCounts | None = None,
) -> dict[str, Any]:
    """The content of summary.json. `complete` is False for a run that was interrupted; `link` is of a live run."""
    pipeline, context = monitor.pipeline, Context.of(monitor)
    total = pipeline.so_far()
    corners = _corners(total, context)
    spectra = pipeline.counting.spectra.result()
    for number, corner in enumerate(CORNERS):
        corners[corner] |= {
            "spectrum": spectrum_record(spectra[number]),
            "samples_rejected": int(pipeline.validity.rejected[number]),
            "samples_without_reading": int(pipeline.validity.missing[number]),
            "position_lost_at_s": _time_or_none(pipeline.validity.position_lost_at[number], context),
            "velocity_histogram": _histogram(
                VELOCITY_BINS, total.tally.velocity[number], monitor.sheet.velocity.report_bin_mm_s, "edges_mm_s"
            ),
            "travel_histogram": _histogram(TRAVEL_BINS, total.tally.travel[number], 2, "edges_mm"),
        }
    return {
        "format": "damperwatch summary",
        "format_version": FORMAT_VERSION,
        "program_version": version,
        "source": source,
        "complete": complete,
        "car": monitor.sheet.car.name,
        "rehearsal": is_marked(monitor.sheet),
        "circuit": monitor.sheet.stint.circuit,
        "set_up": monitor.sheet.stint.set_up,
        "sheet_sha256": monitor.sheet.digest,
        "reference": reference,
        "rate_hz": context.rate_hz,
        "duration_s": (total.received + pipeline.lost_samples) / context.rate_hz,
        "samples_received": total.received,
        "samples_lost": pipeline.lost_samples,
        "samples_idle": total.idle,
        "gaps": pipeline.gaps,
        "clock_restarts": pipeline.restarts,
        "log": None if counts is None else _log(counts),
        "link": None if link is None else link.numbers(),
        "velocity_filter": {
            "bandwidth_hz": monitor.sheet.velocity.bandwidth_hz,
            "window_samples": 2 * pipeline.filter.half_width + 1,
            "delay_s": pipeline.filter.delay_s,
            "gain_at_bandwidth": pipeline.filter.gain(monitor.sheet.velocity.bandwidth_hz),
        },
        "velocity_bands": {
            "low_speed_rebound_mm_s": monitor.sheet.velocity.low_speed_rebound_mm_s,
            "low_speed_compression_mm_s": monitor.sheet.velocity.low_speed_compression_mm_s,
        },
        "laps": pipeline.laps.current.index + 1 if pipeline.laps.current is not None else 0,
        "laps_timed": pipeline.timed_laps,
        "best_lap_s": pipeline.laps.best_s,
        "lap_source": pipeline.laps.source,
        "markers_ignored": pipeline.laps.ignored_markers,
        "corners": corners,
        "platform": _platform(total, context),
        # Left against right is compared over timed laps, so that pits and cool-down laps do not blur it.
        "asymmetry": _asymmetry(pipeline.timed if pipeline.timed_laps else total),
        "drift": _drift(monitor, context),
        "body": body_record(total.body, context.body, context.row_rate_hz),
        "load_balance": balance(total.loads),
        "downforce": downforce_record(pipeline.counting.downforce.result()),
        "witnesses": witness_records(pipeline.counting.axle_delay.result(), total.body),
        "alerts": _alerts(monitor, context),
    }


def _log(counts: LogCounts) -> dict[str, Any]:
    record = asdict(counts)
    record["cells"] = {clean(column): asdict(cells) for column, cells in counts.cells.items()}
    record["places"] = {
        kind if isinstance(kind, str) else f"{clean(kind[0])}: {kind[1]}": lines
        for kind, lines in counts.places.items()
    }
    return record


def _corners(share: Share, context: Context) -> dict[str, dict[str, Any]]:
    works = dampers_work(context.sheet, share.tally, context.rate_hz)
    return {corner: _corner(share, number, context, works[number]) for number, corner in enumerate(CORNERS)}


def _corner(share: Share, number: int, context: Context, work: DamperWork | None) -> dict[str, Any]:
    tally = share.tally
    part = context.sheet.suspension(CORNERS[number])
    low, high = (tally.travel_quantile(number, q) for q in _STROKE_SHARES)
    compression, rebound = tally.directional_rms(number)
    return {
        "samples_used": tally.used(number),
        "samples_unknown": share.received - share.idle - tally.used(number),
        "velocity_rms_mm_s": tally.rms(number),
        "velocity_rms_compression_mm_s": compression,
        "velocity_rms_rebound_mm_s": rebound,
        "velocity_skewness": tally.moments[number].skewness,
        "velocity_percentiles_mm_s": {f"p{100 * q:g}": tally.velocity_quantile(number, q) for q in _VELOCITY_SHARES},
        "compression_to_rebound": tally.balance(number),
        "time_share": tally.time_shares(number, context.sheet.velocity),
        "travel_lowest_mm": tally.lowest_mm[number],
        "travel_highest_mm": tally.highest_mm[number],
        "stroke_used": (high - low) / (part.travel_to_full_bump_mm + part.travel_to_full_droop_mm),
        "bump_stop": stop_record(share.stops[number], context.rate_hz) | load_share(share.loads, number),
        "top_out": stop_record(share.top_outs[number], context.rate_hz),
        "wheel_load": wheel_load(share.loads, number, context.row_rate_hz),
        "damper": damper_record(work),
    }


def _platform(share: Share, context: Context) -> dict[str, Any]:
    heights = share.heights
    return {
        name: {
            "limit_mm": context.sheet.platform[name].lowest_mm,
            "lowest_mm": heights.lowest_mm[number],
            "lowest_at_s": _time_or_none(heights.lowest_at[number], context),
            "p1_mm": heights.height_quantile(number, 0.01),
            "median_mm": heights.height_quantile(number, 0.5),
            "time_below_limit_s": int(heights.below[number]) / context.row_rate_hz,
            "time_known_s": int(heights.counts[number].sum()) / context.row_rate_hz,
        }
        | point_extras(heights, number, context.row_rate_hz, lambda sample: _time_or_none(sample, context))
        for number, name in enumerate(context.points)
    }


def _asymmetry(share: Share) -> dict[str, Any]:
    return {
        place: {
            "left_faster_percent": found.percent,
            "distance": found.distance,
            "left_mm_s": found.left_mm_s,
            "right_mm_s": found.right_mm_s,
            "left_travel_mm": found.left_travel_mm,
            "right_travel_mm": found.right_travel_mm,
        }
        for place, found in with_travel(of_corners(share.tally.paired), share.tally.travel).items()
    }


def _drift(monitor: Monitor, context: Context) -> dict[str, Any]:
    """What every damper was held against, what could be seen, and what was."""
    drift = monitor.drift
    return {
        "reference_laps": drift.reference.laps,
        "reference_from": drift.reference_from,
        "statement": drift.statement()
        if monitor.pipeline.laps.source is not None
        else "without laps there is no reference",
        "found": [
            {
                "where": one.where,
                "speed_percent": one.percent,
                "compression_percent": one.compression_percent,
                "rebound_percent": one.rebound_percent,
                "since_s": _time_or_none(one.since_sample, context),
                "stretches": one.stretches,
                "best": one.best,
                "second": one.second,
                "ahead": one.ahead,
                "may_be": list(one.suspects),
            }
            for one in drift.verdicts
        ],
    }


def _histogram(bins: Bins, counts: Ints, joined: int, edges_name: str) -> dict[str, Any]:
    wide, joined_counts = regroup(bins, counts, joined)
    return {
        edges_name: np.asarray(wide.edges),
        "counts": joined_counts[1:-1],
        "below": int(joined_counts[0]),
        "above": int(joined_counts[-1]),
    }


def _alerts(monitor: Monitor, context: Context) -> dict[str, Any]:
    # What a person put aside is listed whatever its state: nothing may be forgotten there.
    standing = [
        alarm
        for alarm in monitor.standings
        if alarm.state is not State.NORMAL or alarm.life.shelved or alarm.life.out_of_service
    ]
    return {
        "announced": monitor.announced,
        "occurrences": sum(alarm.occurrences for alarm in monitor.standings),
        "noise": monitor.noise.record(monitor.standings),
        "standing": [
            {
                "kind": alarm.definition.kind,
                "where": alarm.definition.where,
                "state": alarm.state.value,
                "abnormal": abnormal(alarm.state),
                "suppressed": alarm.suppressed,
                "shelved_until_s": _time_or_none(alarm.shelved_until_sample, context),
                "out_of_service": alarm.out_of_service,
                "who": alarm.who,
                "occurrences": alarm.occurrences,
                "since_s": _time_or_none(alarm.since_sample, context),
                "sentence": None if alarm.evidence is None else alarm.evidence.sentence,
            }
            for alarm in standing
        ],
    }


def _time_or_none(sample: int | None, context: Context) -> float | None:
    return None if sample is None else context.time_s(sample)
