"""What the board shows, as plain numbers: the parts of a `BoardView`, frozen, NaN or None where a value is not known.

`console.take_view` takes one from a monitor between two chunks; it stays as it was taken. Strings are kept as they
came: whoever paints them makes them safe.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from alerts.alert import Priority
from console.car_view import CarView
from console.trends import LapPoint
from ingest.chunk import Ints

# A link that has been silent this long no longer says where the car is: numbers of now become dashes.
STALE_AFTER_S = 2.0


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
