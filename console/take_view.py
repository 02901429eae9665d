"""One snapshot of a monitor for the board, taken between two chunks.

In: a monitor, the laps so far, and what the link says of itself. Out: a frozen `console.view.BoardView`, NaN or None
where a value is not known. Reads the monitor, never changes it.
"""

from __future__ import annotations

import math

from alerts.alert import Standing
from alerts.drift import UNDECIDED
from alerts.lifecycle import State
from alerts.monitor import Monitor
from console.car_view import take_car
from console.left_right import sides_of_tally
from console.lines import kind_name
from console.trends import Trends
from console.view import (
    AlertView,
    AsymmetryView,
    BoardView,
    CornerView,
    DriftView,
    LinkStatus,
    PointView,
    StopCount,
)
from dsp.heights import HeightTally
from dsp.summary import Share, StopTally
from ingest.chunk import CORNERS

_UNACKNOWLEDGED = {State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED}
_HELD = {State.RETURNED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED}
_RANK = {"high": 0, "medium": 1, "low": 2}


def take_view(monitor: Monitor, trends: Trends, status: LinkStatus) -> BoardView:
    """Take a snapshot for the board.

    Parameters
    ----------
    monitor : Monitor
        The car under watch.
    trends : Trends
        Its laps and announcements so far.
    status : LinkStatus
        What the link says of itself.
    """
    sheet, pipeline = monitor.sheet, monitor.pipeline
    stint = pipeline.so_far()
    named = pipeline.laps.source is not None
    lap = pipeline.laps.current
    return BoardView(
        car=sheet.car.name,
        status=status,
        lap_name=lap.name if lap is not None and named else "",
        lap_time_s=math.nan if lap is None else pipeline.laps.duration_s(lap),
        window_s=sheet.statistics.rolling_window_s,
        low_speed_compression_mm_s=sheet.velocity.low_speed_compression_mm_s,
        low_speed_rebound_mm_s=sheet.velocity.low_speed_rebound_mm_s,
        corners=_corners(monitor, stint, status, trends.noise_mm()),
        asymmetry=_asymmetry(monitor, trends, stint),
        points=_points(monitor, stint, status, trends),
        laps=trends.laps,
        alerts=_alerts(monitor, trends),
        suppressed=tuple(
            f"{kind_name(s.definition.kind)} {s.definition.where}"
            for s in monitor.standings
            if s.suppressed and s.state is not State.NORMAL and not _put_aside(s)
        ),
        put_aside=tuple(
            f"{kind_name(s.definition.kind)} {s.definition.where} ({words})"
            for s in monitor.standings
            if (words := _put_aside(s))
        ),
        car_now=take_car(pipeline, trends.downforce, stale=status.stale, loads=stint.loads),
        drift=_drift(monitor),
    )


def _put_aside(standing: Standing) -> str:
    """How a person keeps an alarm quiet, and who; empty when nobody does."""
    how = "out of service" if standing.out_of_service else "shelved" if standing.life.shelved else ""
    return f"{how}, {standing.who}" if how and standing.who else how


def _drift(monitor: Monitor) -> DriftView:
    """What the watch for drifting dampers says; nothing where the sheet or the lack of laps leaves it out."""
    if monitor.drift not in monitor.rules:
        return DriftView()
    found = tuple(
        f"{one.where if one.where != UNDECIDED else f'{one.best} or {one.second}'} "
        f"{abs(one.percent):.0f} % {'faster' if one.percent > 0 else 'slower'} than the reference"
        for one in monitor.drift.verdicts
    )
    return DriftView(monitor.drift.statement(), found)


def _corners(
    monitor: Monitor, stint: Share, status: LinkStatus, noise_mm: tuple[float, float, float, float]
) -> tuple[CornerView, ...]:
    pipeline, settings = monitor.pipeline, monitor.sheet.velocity
    recent = pipeline.counting.rolling()
    latest = None if status.stale else monitor.latest
    unusable = pipeline.validity.rejected + pipeline.validity.missing
    views = []
    for corner, name in enumerate(CORNERS):
        part = monitor.sheet.suspension(name)
        views.append(
            CornerView(
                name=name,
                recent_counts=recent[corner],
                stint_counts=stint.tally.velocity[corner],
                shares=stint.tally.time_shares(corner, settings),
                rms_mm_s=stint.tally.rms(corner),
                travel_mm=math.nan if latest is None else float(latest.trusted_mm[-1, corner]),
                lap_lowest_mm=float(pipeline.counting.lap.tally.lowest_mm[corner]),
                lap_highest_mm=float(pipeline.counting.lap.tally.highest_mm[corner]),
                full_droop_mm=-part.travel_to_full_droop_mm,
                full_bump_mm=part.travel_to_full_bump_mm,
                stop_gap_mm=float(pipeline.stops.gap_mm[corner]),
                lap_stops=_stops(monitor, pipeline.counting.lap.stops[corner], corner),
                stint_stops=_stops(monitor, stint.stops[corner], corner),
                rejected=int(unusable[corner]),
                stop_peak_share=float(stint.loads.stop_peak_share[corner]),
                top_outs=stint.top_outs[corner].count
                + sum(contact.corner == corner for contact in pipeline.droops.open_contacts),
                missing=int(pipeline.validity.missing[corner]),
                noise_mm=noise_mm[corner],
            )
        )
    return tuple(views)


def _stops(monitor: Monitor, ended: StopTally, corner: int) -> StopCount:
    """Contacts that have ended, and the one going on now."""
    going_on = [c for c in monitor.pipeline.stops.open_contacts if c.corner == corner]
    samples = ended.samples + sum(contact.samples for contact in going_on)
    return StopCount(ended.count + len(going_on), samples / monitor.pipeline.rate_hz)


def _points(monitor: Monitor, stint: Share, status: LinkStatus, trends: Trends) -> tuple[PointView, ...]:
    pipeline = monitor.pipeline
    current = pipeline.laps.current
    lap_name = current.name if current is not None and pipeline.laps.source is not None else ""
    platform, lap, rate_hz = pipeline.platform, pipeline.counting.lap.heights, pipeline.car.row_rate_hz
    latest = None if status.stale else pipeline.newest_car
    return tuple(
        PointView(
            name=name,
            height_mm=math.nan if latest is None else float(latest.heights_mm[-1, place]),
            lap_lowest_mm=float(lap.lowest_mm[place]),
            stint_lowest_mm=float(stint.heights.lowest_mm[place]),
            static_mm=float(platform.static_mm[place]),
            limit_mm=float(platform.lowest_mm[place]),
            lap_below_s=_below_s(lap, place, rate_hz),
            stint_below_s=_below_s(stint.heights, place, rate_hz),
            to_limit_s=math.nan if latest is None else float(pipeline.counting.closing.newest_s[place]),
            stint_regime=stint.heights.lowest_regime[place],
            stint_place_m=float(stint.heights.lowest_place_m[place]),
            stint_lap=_lowest_lap(name, float(lap.lowest_mm[place]), lap_name, trends),
            lap_regime=lap.lowest_regime[place],
            lap_place_m=float(lap.lowest_place_m[place]),
            below_in_s=tuple((stint.heights.below_by_regime[place] / rate_hz).tolist()),
            stretches=tuple(
                (one.from_m, one.to_m, one.time_s, one.lowest_mm) for one in stint.heights.stretches(place, rate_hz)
            ),
        )
        for place, name in enumerate(platform.names)
    )


def _below_s(heights: HeightTally, place: int, rate_hz: float) -> float:
    """Time below the limit; NaN when the point's height was never known."""
    return int(heights.below[place]) / rate_hz if heights.counts[place].any() else math.nan


def _lowest_lap(name: str, lap_lowest_mm: float, lap_name: str, trends: Trends) -> str:
    """The lap in which a point was lowest: the present one, or an earlier one."""
    before, lap = trends.lowest.get(name, (math.inf, ""))
    return lap_name if lap_lowest_mm < before else lap


def _asymmetry(monitor: Monitor, trends: Trends, stint: Share) -> AsymmetryView:
    """Of the last comparable lap, as the rule judges it; before there is one, of the stint so far, not judged."""
    limits = monitor.sheet.alerts.asymmetry
    against = monitor.reference is not None
    limit = limits.trip_percent_from_reference if against else limits.trip_percent
    last = next((lap.sides for lap in reversed(trends.laps) if lap.compared and lap.sides is not None), None)
    sides = sides_of_tally(monitor, stint.tally, "stint") if last is None else last
    return AsymmetryView(sides.percent, sides.basis, limit, against, sides.beyond, sides.judged)


def _alerts(monitor: Monitor, trends: Trends) -> tuple[AlertView, ...]:
    """Alerts that stand and nothing silences: by priority, then unacknowledged first, then the newest.

    New is what was announced last; what happens to an alert after that does not move it.
    """
    speaking = [s for s in monitor.standings if s.state is not State.NORMAL and not s.life.silent]
    speaking.sort(
        key=lambda s: (
            _RANK[s.definition.priority],
            s.state not in _UNACKNOWLEDGED,
            -trends.announced.get(s.definition.key, 0),
        )
    )
    return tuple(_alert(monitor, standing) for standing in speaking)


def _alert(monitor: Monitor, standing: Standing) -> AlertView:
    definition, evidence, since = standing.definition, standing.evidence, standing.since_sample
    return AlertView(
        priority=definition.priority,
        kind=kind_name(definition.kind),
        where=definition.where,
        sentence="" if evidence is None else evidence.sentence,
        since_lap="" if since is None else monitor.lap_at(since),
        since_s=None if since is None else monitor.engine.time_s(since),
        check_first="" if evidence is None else evidence.check_first,
        unacknowledged=standing.state in _UNACKNOWLEDGED,
        held=standing.state in _HELD,
        unknown=standing.condition is None,
        # An alarm that has returned to normal sends nobody under the car any more.
        caution=bool(definition.caution) and standing.state is not State.RETURNED,
        key=definition.key,
    )
