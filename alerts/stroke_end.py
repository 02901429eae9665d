"""What bump-stop contact and top-out have in common: contacts with an end of the stroke, judged one by one and by lap.

Trips during a contact as soon as it is too long, again when it has become many times too long, and at the end of a
lap whose count or time is beyond its limit. Time in which the car is known to stand, or in which the corner's reading
is in doubt (see `alerts.stillness`), makes no contact long.
Clears at the end of a clean timed lap; without laps, once the damper has been seen for a set time without a long
contact. What was not seen clears nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from alerts.alert import UNDER_THE_CAR, Definition, Evidence, Observation, Priority
from alerts.rule import sensor_key, standing_still
from alerts.stillness import Stillness, free_travel_mm
from dsp.pipeline import Frame
from dsp.stops import Contact, StopWatch
from dsp.summary import LapSummary, StopTally
from ingest.chunk import CORNERS, Bools
from ingest.sheet import Sheet
from ingest.sheet_limits import StrokeEndAlert

# Gaps of single samples are no reason to doubt a lap; one of which more than a tenth is unknown may hide a contact.
_LEAST_SEEN_SHARE = 0.9
# A contact is news again when it lasts four times as long as what was told: a knock, a corner, a broken spring.
_WORSE_FACTOR = 4
_TRIPS_AT = (1, _WORSE_FACTOR, _WORSE_FACTOR**2)  # times the limit


@dataclass(frozen=True)
class StrokeEnd:
    """Which end of the stroke, and its words.

    `at` completes "still ...", `of_lap` "1.2 s ..."; `judged` are the kinds of lap whose totals count (all when empty).
    """

    kind: str
    droop: bool
    priority: Priority
    at: str
    of_lap: str
    contacts: str
    check_first: str
    judged: frozenset[str] = frozenset()


class StrokeEndRule:
    """One alarm a corner; its two rules say which contacts it is about.

    Parameters
    ----------
    sheet : Sheet
        Limits and stops.
    rate_hz : float
        Sample rate.
    has_laps : bool
        Whether laps can be told apart.
    """

    _end: StrokeEnd

    def __init__(self, sheet: Sheet, rate_hz: float, *, has_laps: bool) -> None:
        limits = sheet.alerts.top_out if self._end.droop else sheet.alerts.bump_stop
        self._limits: StrokeEndAlert = limits
        self._stops = StopWatch(sheet, droop=self._end.droop)
        self._rate_hz = rate_hz
        self._long = max(1, round(limits.longest_contact_s * rate_hz))
        self._clear_after = round(limits.clear_without_laps_s * rate_hz)
        self._has_laps = has_laps
        self._stopped_below_m_s = sheet.laps.stopped_below_m_s
        # A reading changes where a contact begins, and from there on every block is asked about.
        self._stillness = Stillness(
            rate_hz, sheet.alerts.sensor.stuck_for_s, free_travel_mm(sheet), asked_throughout=True
        )
        # Samples of the newest contact so far that count: the car was not known to stand, the reading not in doubt.
        self._running = [0] * 4
        # Without laps: samples that must still be seen, after a long contact, before it counts as over.
        self._still_to_see: list[int | None] = [None] * 4

    @property
    def definitions(self) -> list[Definition]:
        """One alarm a corner, silenced by its sensor's."""
        end = self._end
        return [
            Definition(end.kind, corner, end.priority, suppressed_by=(sensor_key(corner),), caution=UNDER_THE_CAR)
            for corner in CORNERS
        ]

    def resume(self, where: str) -> None:
        """A former run left this corner's alarm standing: without laps, it clears after the set time from here."""
        if not self._has_laps:
            self._still_to_see[CORNERS.index(where)] = self._clear_after

    def _judge(
        self, frame: Frame, contacts: Sequence[Contact], laps: Sequence[tuple[LapSummary, list[StopTally]]]
    ) -> list[Observation]:
        """Long contacts in this frame, those under way last, and verdicts on the laps that ended in it."""
        seen = []
        if frame.block.starts_stretch:
            self._stillness.reset()
        self._stillness.take(frame.trusted_mm)
        # A short contact that is over can't have become too long.
        lasting = [one for one in contacts if one.samples > self._long or one.end_sample == frame.next_sample]
        if lasting:
            still, doubted = standing_still(frame, self._stopped_below_m_s), self._stillness.doubted()
            for contact in lasting:
                idle = still if doubted is None else still | (doubted[:, contact.corner] > 0)
                seen += self._long_contact(frame, contact, idle)
        for corner in range(4):
            if self._has_laps:
                for lap, tallies in laps:
                    seen += self._judge_lap(lap, tallies[corner], corner, contacts)
            else:
                seen += self._quiet(frame, corner, [contact for contact in contacts if contact.corner == corner])
        return seen

    def _long_contact(self, frame: Frame, contact: Contact, still: Bools) -> list[Observation]:
        """Trips of one contact at samples of this frame."""
        first, corner = frame.block.first_sample, contact.corner
        if contact.start_sample >= first:
            self._running[corner] = 0
        start = max(0, contact.start_sample - first)
        stop = min(len(still), contact.end_sample - first)
        if stop <= start:
            return []
        before = self._running[corner]
        standing = int(np.count_nonzero(still[start:stop]))
        self._running[corner] += stop - start - standing
        seen = []
        for times in _TRIPS_AT:
            wanted = times * self._long - before  # the place, among those at which the car runs, that is one too many
            if not 0 <= wanted < self._running[corner] - before:
                continue
            place = start + (wanted if standing == 0 else int(np.flatnonzero(~still[start:stop])[wanted]))
            evidence = self._of_contact(contact, times, float(frame.trusted_mm[place, corner]))
            seen.append(Observation(first + place, self._end.kind, CORNERS[corner], True, evidence))
        return seen

    def _of_contact(self, contact: Contact, times: int, travel_mm: float) -> Evidence:
        limit = self._limits.longest_contact_s
        force = self._stops.force_n(contact.corner, travel_mm)
        hard = "" if math.isnan(force) else f" and {force:.0f} N"
        return Evidence(
            times * limit,
            limit,
            "s",
            contact.start_sample,
            f"still {self._end.at} after {times * limit:g} s, at {travel_mm:.1f} mm{hard}",
            self._end.check_first,
            severity=float(times),
            worse_by=float(times * (_WORSE_FACTOR - 1)),
        )

    def _is_long(self, contact: Contact) -> bool:
        return contact.end_sample > contact.start_sample + self._long

    def _judge_lap(
        self, lap: LapSummary, stops: StopTally, corner: int, contacts: Sequence[Contact]
    ) -> list[Observation]:
        limits, kind, where = self._limits, self._end.kind, CORNERS[corner]
        time_s = stops.samples / self._rate_hz
        if not self._end.judged or lap.verdict.kind in self._end.judged:
            if time_s > limits.trip_time_per_lap_s:
                sentence = f"{time_s:.1f} s {self._end.of_lap} in lap {lap.name}"
                evidence = self._of_lap(lap, time_s, limits.trip_time_per_lap_s, "s per lap", sentence)
                return [Observation(lap.end_sample, kind, where, True, evidence)]
            if stops.count > limits.trip_contacts_per_lap:
                sentence = f"{stops.count} {self._end.contacts} in lap {lap.name}"
                evidence = self._of_lap(lap, stops.count, limits.trip_contacts_per_lap, "contacts per lap", sentence)
                return [Observation(lap.end_sample, kind, where, True, evidence)]
        # A contact counts to the lap it ends in: one that goes on is no part of this lap's tally.
        goes_on = any(
            contact.corner == corner and contact.start_sample + self._long < lap.end_sample < contact.end_sample
            for contact in contacts
        )
        running = lap.share.received - lap.share.idle
        clean = (
            lap.verdict.kind == "timed"
            and not goes_on
            and stops.longest_samples < self._long
            and time_s <= limits.clear_time_per_lap_s
            and stops.count <= limits.clear_contacts_per_lap
            and lap.share.tally.travel[corner].sum() >= max(1.0, _LEAST_SEEN_SHARE * running)
        )
        return [Observation(lap.end_sample, kind, where, False)] if clean else []

    def _of_lap(self, lap: LapSummary, measured: float, limit: float, unit: str, sentence: str) -> Evidence:
        """Evidence of a whole lap: no worse than any contact that was told, and a much too long one is worse."""
        worse_by = float(_WORSE_FACTOR)
        return Evidence(measured, limit, unit, lap.first_sample, sentence, self._end.check_first, worse_by=worse_by)

    def _quiet(self, frame: Frame, corner: int, mine: list[Contact]) -> list[Observation]:
        """Count the samples seen since the last long contact; clear at the first beyond the set time, off the stop."""
        first = frame.block.first_sample
        left = self._still_to_see[corner]
        if left is None and not any(map(self._is_long, mine)):
            return []
        known = ~np.isnan(frame.trusted_mm[:, corner])
        seen = []
        start = 0
        for contact in [*sorted(mine, key=lambda one: one.start_sample), None]:
            stop = len(known) if contact is None else max(start, contact.start_sample - first)
            if left is not None:
                places = np.flatnonzero(known[start:stop])
                if len(places) > left:
                    sample = first + start + int(places[left])
                    seen.append(Observation(sample, self._end.kind, CORNERS[corner], False))
                left = None if len(places) > left else left - len(places)
            if contact is not None:
                start = max(stop, contact.end_sample - first)
                if self._is_long(contact):
                    left = self._clear_after
                elif left is not None:
                    left = max(0, left - int(np.count_nonzero(known[stop:start])))
        self._still_to_see[corner] = left
        return seen
