"""Left/right asymmetry: one damper of an axle moves faster than its partner, in one direction, lap after lap.

Judged at the end of each timed lap. A circuit makes both axles and both directions alike, so what an axle shares with
the other one is taken off first; with a reference stint the circuit is taken off itself. A lap is beyond the limit when
the rest of the ratio of speeds is, or compression against rebound, or the distance of the distributions; the alarm
needs several such laps of the last few, and several below the clear limit to return. `alerts.asymmetry_verdict` says
what it may be.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Literal

from alerts.alert import UNDER_THE_CAR, Definition, Evidence, Observation
from alerts.asymmetry_verdict import AxleView, Look, Verdict, judge, views
from alerts.rule import sensor_key
from dsp.asymmetry import DIRECTIONS, PLACES, Asymmetry, log_speeds, of_corners, travel_log_ratios, with_travel
from dsp.faults import FaultChange
from dsp.pipeline import Frame
from dsp.statistics import Tally
from dsp.summary import LapSummary
from ingest.chunk import AXLE_CORNERS, CORNERS
from ingest.sheet import Sheet

_UNKNOWN = Asymmetry(math.nan, math.nan)
# A circuit's share is mentioned when it is a whole per cent.
_MENTIONED = 0.01


@dataclass(frozen=True)
class _Finding:
    """One place of one lap, less the circuit or the reference.

    `side` is 1 when the left damper is the faster one, -1 when the right one is, 0 when only the shapes of the
    distributions differ; `by` is what was beyond its limit, or None.
    """

    ratio: float
    trip_percent: float
    balance: float
    balance_limit: float
    distance: float
    circuit: float
    found: Asymmetry
    by: Literal["ratio", "balance", "distance"] | None
    side: int
    below: bool


class LeftRightAsymmetry:
    """One alarm for each axle and direction.

    Parameters
    ----------
    sheet : Sheet
        Limits of `alerts.asymmetry`.
    rate_hz : float
        Sample rate.
    reference : dict of place to Asymmetry, or None
        What a reference stint showed at the same places.
    """

    kind = "asymmetry"

    def __init__(self, sheet: Sheet, rate_hz: float, reference: dict[str, Asymmetry] | None = None) -> None:
        self._limits = sheet.alerts.asymmetry
        self._least_samples = self._limits.least_time_per_lap_s * rate_hz
        self._reference = reference
        watched = self._limits.laps_watched
        # Of the last valid laps: the finding, the lap's first sample, and how it looked; and how many in a row were
        # below the clear limits.
        self._last: dict[str, deque[tuple[_Finding, int, Look]]] = {place: deque(maxlen=watched) for place in PLACES}
        self._below: dict[str, int] = dict.fromkeys(PLACES, 0)
        # The newest verdict on each place that was beyond its limits often enough.
        self.verdicts: dict[str, Verdict] = {}

    @property
    def definitions(self) -> list[Definition]:
        """One alarm of low priority a place, silenced by the sensors of that axle."""
        return [
            Definition(
                self.kind,
                place,
                "low",
                suppressed_by=tuple(sensor_key(CORNERS[corner]) for corner in _corners(place)),
                caution=UNDER_THE_CAR,
            )
            for place in PLACES
        ]

    @property
    def _balance_limit(self) -> float:
        limits = self._limits
        trip = limits.trip_balance_percent_from_reference if self._reference else limits.trip_balance_percent
        return trip / 100.0

    @property
    def trip_percent(self) -> float:
        """The limit in force: a narrower one when a reference takes the circuit's own asymmetry out."""
        limits = self._limits
        return limits.trip_percent if self._reference is None else limits.trip_percent_from_reference

    def observe(self, frame: Frame, faults: list[FaultChange]) -> list[Observation]:  # noqa: ARG002
        """Verdicts on the timed laps that ended in this frame."""
        return [seen for lap in frame.laps if lap.verdict.kind == "timed" for seen in self._judge(lap)]

    def _judge(self, lap: LapSummary) -> list[Observation]:
        look, found = self._look(lap.share.tally)
        axles = views(look.excess, balance_limit=self._balance_limit, against_reference=self._reference is not None)
        seen = []
        for axle, view in axles.items():
            if math.isnan(view.own.level):
                continue
            for direction in DIRECTIONS:
                place = f"{axle} {direction}"
                seen += self._count(place, self._finding(place, view, found[place]), look, lap)
        return seen

    def _look(self, tally: Tally) -> tuple[Look, dict[str, Asymmetry]]:
        """The lap's ratios, where both dampers of an axle have enough samples."""
        known = tally.paired.sum(axis=1)
        found = {
            place: one if min(int(known[corner]) for corner in _corners(place)) >= self._least_samples else _UNKNOWN
            for place, one in with_travel(of_corners(tally.paired), tally.travel).items()
        }
        excess = {place: one.log_ratio for place, one in found.items()}
        travel = travel_log_ratios(found)
        if self._reference is not None:
            excess = {place: one - self._reference[place].log_ratio for place, one in excess.items()}
            known_travel = travel_log_ratios(self._reference)
            travel = {axle: one - known_travel[axle] for axle, one in travel.items()}
        return Look(excess, log_speeds(found), travel), found

    def _finding(self, place: str, view: AxleView, found: Asymmetry) -> _Finding:
        limits = self._limits
        direction = place.split()[1]
        if self._reference is None:
            distance = max(0.0, found.distance - abs(view.circuit))
            clear, clear_balance = limits.clear_percent, limits.clear_balance_percent
        else:
            distance = max(0.0, found.distance - self._reference[place].distance)
            clear, clear_balance = limits.clear_percent_from_reference, limits.clear_balance_percent_from_reference
        ratio = view.ratio(direction)
        # Compression less rebound, seen from this direction; if it is the other one's adjuster, that place says so.
        balance = view.own.balance if direction == "compression" else -view.own.balance
        if view.direction != direction:
            balance = 0.0
        by: Literal["ratio", "balance", "distance"] | None = None
        trip = self.trip_percent + 100.0 * view.wider
        if 100.0 * abs(ratio) > trip:
            by = "ratio"
        elif abs(balance) > view.balance_limit:
            by = "balance"
        elif distance > limits.trip_distance:
            by = "distance"
        below = 100.0 * abs(ratio) < clear and 100.0 * abs(balance) < clear_balance and distance < limits.clear_distance
        leaning = {"ratio": ratio, "balance": balance}.get(by or "", 0.0)
        side = (leaning > 0.0) - (leaning < 0.0)
        return _Finding(ratio, trip, balance, view.balance_limit, distance, view.circuit, found, by, side, below)

    def _count(self, place: str, finding: _Finding, look: Look, lap: LapSummary) -> list[Observation]:
        limits = self._limits
        self._last[place].append((finding, lap.first_sample, look))
        self._below[place] = self._below[place] + 1 if finding.below else 0
        # Without laps whose faster side was the other one.
        alike = [
            (sample, one)
            for other, sample, one in self._last[place]
            if other.by is not None and other.side * finding.side >= 0
        ]
        if finding.by is not None and len(alike) >= limits.laps_beyond:
            return [Observation(lap.end_sample, self.kind, place, True, self._evidence(place, finding, alike))]
        if self._below[place] >= limits.laps_to_clear:
            return [Observation(lap.end_sample, self.kind, place, False)]
        return []

    def _evidence(self, place: str, finding: _Finding, alike: list[tuple[int, Look]]) -> Evidence:
        left, right = (CORNERS[corner] for corner in _corners(place))
        direction = place.split()[1]
        faster, slower = (left, right) if finding.side > 0 else (right, left)
        limits, against_reference = self._limits, self._reference is not None
        in_all = f"{abs(finding.found.percent):.0f} % in all"
        if (finding.found.log_ratio > 0) != (finding.side > 0):
            in_all = f"{slower} faster by {in_all}"
        if finding.by == "ratio":
            measured, limit, unit = 100.0 * abs(finding.ratio), finding.trip_percent, "%"
            what = f"{faster} {direction} {measured:.0f} % faster than {slower}"
        elif finding.by == "balance":
            measured, unit = 100.0 * abs(finding.balance), "%"
            limit = 100.0 * finding.balance_limit
            rest = "rebound" if direction == "compression" else "compression"
            what = f"{faster} {direction} over {rest} {measured:.0f} % above {slower}"
        else:
            measured, limit, unit = finding.distance, limits.trip_distance, "of mean speed"
            in_all = f"{finding.found.distance:.2f} in all"
            what = f"{left} and {right} {direction} distributions differ by {measured:.2f} of the mean speed"
        laps = f"{len(alike)} of the last {len(self._last[place])} timed laps"
        against = ""
        if against_reference:
            against = f" beyond the reference ({in_all})" if finding.by != "balance" else " beyond the reference"
        elif abs(finding.circuit) >= _MENTIONED and finding.by != "balance":
            against = f" beyond what the axles share ({in_all})"
        verdict = judge(place, [one for _, one in alike], self._reference, self._balance_limit)
        self.verdicts[place] = verdict
        words = f"; {verdict.words}" if finding.by != "distance" else ""
        sentence = f"{what}{against}, in {laps}{words}"
        return Evidence(measured, limit, unit, alike[0][0], sentence, verdict.check_first)


def _corners(place: str) -> tuple[int, int]:
    return AXLE_CORNERS[place.split()[0]]
