"""Left/right asymmetry: one damper of an axle moves faster than its partner, in one direction, lap after lap.

Judged at the end of each timed lap. A lap is beyond the limit when the ratio of the velocity scales or the
distance of the distributions is; the alarm needs several such laps of the last few, and several below the clear
limit to return. With a reference stint the circuit's own asymmetry is taken out first.
"""

from __future__ import annotations

import math
from collections import deque

from alerts.alert import UNDER_THE_CAR, Definition, Evidence, Observation
from alerts.rule import sensor_key
from dsp.asymmetry import PLACES, Asymmetry, of_corners
from dsp.faults import FaultChange
from dsp.pipeline import Frame
from dsp.summary import LapSummary
from ingest.chunk import AXLE_CORNERS, CORNERS
from ingest.sheet import Sheet


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
        # Of the last valid laps: which side each had beyond the trip limit (None: not beyond), and its first sample;
        # and how many in a row were below the clear limit.
        self._beyond: dict[str, deque[int | None]] = {place: deque(maxlen=watched) for place in PLACES}
        self._since: dict[str, deque[int]] = {place: deque(maxlen=watched) for place in PLACES}
        self._below: dict[str, int] = dict.fromkeys(PLACES, 0)

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
    def trip_percent(self) -> float:
        """The limit in force: a narrower one when a reference takes the circuit's own asymmetry out."""
        limits = self._limits
        return limits.trip_percent if self._reference is None else limits.trip_percent_from_reference

    def observe(self, frame: Frame, faults: list[FaultChange]) -> list[Observation]:  # noqa: ARG002
        """Verdicts on the timed laps that ended in this frame."""
        return [seen for lap in frame.laps if lap.verdict.kind == "timed" for seen in self._judge(lap)]

    def _judge(self, lap: LapSummary) -> list[Observation]:
        seen = []
        tally = lap.share.tally
        for place, found in of_corners(tally.paired).items():
            if min(int(tally.paired[corner].sum()) for corner in _corners(place)) < self._least_samples:
                continue
            excess = self._beyond_reference(place, found)
            if math.isnan(excess.log_ratio):
                continue
            seen += self._count(place, excess, found, lap)
        return seen

    def _beyond_reference(self, place: str, found: Asymmetry) -> Asymmetry:
        if self._reference is None:
            return found
        known = self._reference[place]
        return Asymmetry(found.log_ratio - known.log_ratio, max(0.0, found.distance - known.distance))

    def _count(self, place: str, excess: Asymmetry, found: Asymmetry, lap: LapSummary) -> list[Observation]:
        limits = self._limits
        clear = limits.clear_percent if self._reference is None else limits.clear_percent_from_reference
        by_ratio = abs(excess.percent) > self.trip_percent
        beyond = by_ratio or excess.distance > limits.trip_distance
        below = abs(excess.percent) < clear and excess.distance < limits.clear_distance
        # 1: the left one is faster, -1: the right one, 0: only the shapes of the distributions differ.
        side = (1 if excess.log_ratio > 0 else -1) if by_ratio else 0
        self._beyond[place].append(side if beyond else None)
        self._since[place].append(lap.first_sample)
        self._below[place] = self._below[place] + 1 if below else 0
        alike = self._alike(place, side)
        if beyond and len(alike) >= limits.laps_beyond:
            evidence = self._evidence(place, excess, found, by_ratio, alike)
            return [Observation(lap.end_sample, self.kind, place, True, evidence)]
        if self._below[place] >= limits.laps_to_clear:
            return [Observation(lap.end_sample, self.kind, place, False)]
        return []

    def _alike(self, place: str, side: int) -> list[int]:
        """First samples of the watched laps beyond the limit, without those whose faster side was the other one."""
        laps = zip(self._since[place], self._beyond[place], strict=True)
        return [sample for sample, other in laps if other is not None and other * side >= 0]

    def _evidence(self, place: str, excess: Asymmetry, found: Asymmetry, by_ratio: bool, alike: list[int]) -> Evidence:
        left, right = (CORNERS[corner] for corner in _corners(place))
        direction = place.split()[1]
        faster, slower = (left, right) if excess.log_ratio > 0 else (right, left)
        if by_ratio:
            measured, limit, unit = abs(excess.percent), self.trip_percent, "%"
            same_side = (found.log_ratio > 0) == (excess.log_ratio > 0)
            in_all = f"{'' if same_side else slower + ' faster by '}{abs(found.percent):.0f} % in all"
            what = f"{faster} {direction} {measured:.0f} % faster than {slower}"
        else:
            measured, limit, unit = excess.distance, self._limits.trip_distance, "of mean speed"
            in_all = f"{found.distance:.2f} in all"
            what = f"{left} and {right} {direction} distributions differ by {measured:.2f} of the mean speed"
        laps = f"{len(alike)} of the last {len(self._beyond[place])} timed laps"
        against = "" if self._reference is None else f" beyond the reference ({in_all})"
        sentence = f"{what}{against}, in {laps}"
        check = (
            f"{direction} adjusters of {left} and {right} against the set-up sheet; then pressures and damper shafts"
        )
        return Evidence(measured, limit, unit, alike[0], sentence, check)


def _corners(place: str) -> tuple[int, int]:
    return AXLE_CORNERS[place.split()[0]]
