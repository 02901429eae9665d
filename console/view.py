"""What the board shows, as plain numbers: one snapshot of a monitor, taken between two chunks.

In: a monitor, the laps so far, and what the link says of itself. Out: a frozen `BoardView`, NaN or None where a
value is not known. Reads the monitor, never changes it; a view stays as it was taken. Strings are kept as they
came: whoever paints them makes them safe.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from alerts.alert import Priority, Standing
from alerts.drift import UNDECIDED
from alerts.lifecycle import State
from alerts.monitor import Monitor
from console.car_view import CarView, take_car
from console.left_right import sides_of_tally
from console.lines import kind_name
from console.trends import LapPoint, Trends
from dsp.heights import HeightTally
from dsp.summary import Share, StopTally
from ingest.chunk import CORNERS, Ints

# A link that has been silent this long no longer says where the car is: numbers of now become dashes.
STALE_AFTER_S = 2.0

_UNACKNOWLEDGED = {State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED}
_HELD = {State.RETURNED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED}


@dataclass(frozen=True)
class LinkStatus:
    """Where the samples come from and whether they can be believed.

    Attributes
    ----------
    source : str
        Name of the log or link.
    position_s : float
        Sample time that has passed.
    total_s, progress : float or None
        Length of the log and share of it done, 0 to 1; None when unknown, as on a live link.
    pace : str
        How fast a log is replayed, in words ("pace 20"); empty for a live link.
    state : {"running", "paused", "finished"}
        What the source is doing.
    recording : bool
        Whether what arrives is being kept.
    sample_age_s : float or None
        Age of the newest sample; None in a replay, where it has no meaning.
    rate_hz : float
        Sample rate.
    gaps, lost_samples, restarts : int
        Breaks in the stream, samples missing in them, and times the device's clock was set back.
    effective_rate_hz, lag_s, jitter_s : float
        Of a live link: samples per second that came lately, how much later than the quickest ones, and the spread.
    refused : int
        Frames of a live link that could not be used.
    trouble : str
        What is wrong with the link or the recording, in words; empty when nothing is.
    counts : tuple of (str, int)
        What could not be used, by kind; empty when nothing was, or when nobody has told.
    journal, wall : str
        How the journal of alarms and the way to the pit wall stand, in words; empty when nobody has told.
    live : bool
        Whether this is a link and no log.
    """

    source: str
    position_s: float
    total_s: float | None = None
    progress: float | None = None
    pace: str = ""
    state: Literal["running", "paused", "finished"] = "running"
    recording: bool = False
    sample_age_s: float | None = None
    rate_hz: float = math.nan
    gaps: int = 0
    lost_samples: int = 0
    restarts: int = 0
    effective_rate_hz: float = math.nan
    lag_s: float = math.nan
    jitter_s: float = math.nan
    refused: int = 0
    trouble: str = ""
    counts: tuple[tuple[str, int], ...] = ()
    journal: str = ""
    wall: str = ""
    live: bool = False

    @property
    def stale(self) -> bool:
        """Whether the newest sample is too old for the car of now."""
        return self.sample_age_s is not None and not self.sample_age_s <= STALE_AFTER_S


@dataclass(frozen=True)
class StopCount:
    """Bump-stop contacts over some time: how many, how long in all."""

    count: int = 0
    time_s: float = 0.0


@dataclass(frozen=True)
class CornerView:
    """One corner. Travel and stroke in mm of damper travel, 0 at static; `stop_gap_mm` is infinite without a stop.

    `recent_counts` and `stint_counts` are velocity counts of shape (VELOCITY_BINS.size,). `stop_peak_share` is the
    largest share of the wheel's load that went through the bump stop in the stint, NaN when it never did; `top_outs`
    counts those of the stint.
    """

    name: str
    recent_counts: Ints
    stint_counts: Ints
    shares: dict[str, float]
    rms_mm_s: float
    travel_mm: float
    lap_lowest_mm: float
    lap_highest_mm: float
    full_droop_mm: float
    full_bump_mm: float
    stop_gap_mm: float
    lap_stops: StopCount
    stint_stops: StopCount
    rejected: int
    stop_peak_share: float = math.nan
    top_outs: int = 0
    missing: int = 0
    noise_mm: float = math.nan


@dataclass(frozen=True)
class PointView:
    """One point of the platform: heights and limit in mm, time below the limit in s (NaN when never known).

    `to_limit_s` is the time to the limit were the height to go on falling as it does, NaN when it does not.
    `stint_regime` and `stint_place_m` say what the car was doing at the stint's lowest, and how far into the lap;
    `stint_lap` names that lap, empty when it is not known. `below_in_s` is the stint's time below the limit for each of
    REGIMES, `stretches` where on the lap that was: from, to (m), time (s), lowest (mm).
    """

    name: str
    height_mm: float
    lap_lowest_mm: float
    stint_lowest_mm: float
    static_mm: float
    limit_mm: float
    lap_below_s: float
    stint_below_s: float
    to_limit_s: float = math.nan
    stint_regime: str = "unknown"
    stint_place_m: float = math.nan
    stint_lap: str = ""
    lap_regime: str = "unknown"
    lap_place_m: float = math.nan
    below_in_s: tuple[float, ...] = ()
    stretches: tuple[tuple[float, float, float, float], ...] = ()


@dataclass(frozen=True)
class AsymmetryView:
    """Left against right in per cent at each of PLACES, positive when the left is faster; `basis` says of what.

    `percent` is the axle's own: what it shares with the other one is the circuit's and has been taken off, or, with
    `beyond_reference`, what a reference stint had. `beyond` holds the places that the left/right rule finds beyond its
    limits, with the faster corner; `judged` says whether it has judged.
    """

    percent: dict[str, float]
    basis: str
    limit_percent: float
    beyond_reference: bool = False
    beyond: dict[str, str] = field(default_factory=dict)
    judged: bool = True


@dataclass(frozen=True)
class DriftView:
    """What the watch for drifting dampers can say: `statement` of what it could see, and what it found, in words.

    `places` names where; empty statement where drift is not watched.
    """

    statement: str = ""
    found: tuple[str, ...] = ()


@dataclass(frozen=True)
class AlertView:
    """One alert that a person should know of; `held` when its condition is over but it still stands."""

    priority: Priority
    kind: str
    where: str
    sentence: str
    since_lap: str
    since_s: float | None
    check_first: str
    unacknowledged: bool
    held: bool
    unknown: bool
    caution: bool
    key: tuple[str, str] = ("", "")


@dataclass(frozen=True)
class BoardView:
    """Everything the board shows. `lap_name` is empty when laps can't be told apart."""

    car: str
    status: LinkStatus
    lap_name: str
    lap_time_s: float
    window_s: float
    low_speed_compression_mm_s: int
    low_speed_rebound_mm_s: int
    corners: tuple[CornerView, ...]
    asymmetry: AsymmetryView
    points: tuple[PointView, ...]
    laps: tuple[LapPoint, ...]
    alerts: tuple[AlertView, ...]
    suppressed: tuple[str, ...]
    car_now: CarView = field(default_factory=CarView)
    # Alarms that a person keeps quiet, whatever their state, with how and who.
    put_aside: tuple[str, ...] = ()
    # The alert that a person has selected.
    selected: tuple[str, str] | None = None
    drift: DriftView = field(default_factory=DriftView)


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
    recent = pipeline.rolling()
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
                lap_lowest_mm=float(pipeline.lap.tally.lowest_mm[corner]),
                lap_highest_mm=float(pipeline.lap.tally.highest_mm[corner]),
                full_droop_mm=-part.travel_to_full_droop_mm,
                full_bump_mm=part.travel_to_full_bump_mm,
                stop_gap_mm=float(pipeline.stops.gap_mm[corner]),
                lap_stops=_stops(monitor, pipeline.lap.stops[corner], corner),
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
    platform, lap, rate_hz = pipeline.platform, pipeline.lap.heights, pipeline.car.row_rate_hz
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
            to_limit_s=math.nan if latest is None else float(pipeline.closing.newest_s[place]),
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
