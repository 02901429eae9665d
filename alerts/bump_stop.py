"""Bump-stop contact: one contact longer than the limit, or too many or too much contact in a lap.

Trips during a contact as soon as it is too long, again when it has become many times too long, and at the end of a
lap whose count or time is beyond its limit. A car that stands trips nothing by its long contact.
Clears at the end of a clean timed lap; without laps, once the damper has been seen for a set time without a long
contact. What was not seen clears nothing.
"""

from __future__ import annotations

import numpy as np

from alerts.alert import UNDER_THE_CAR, Definition, Evidence, Observation
from alerts.rule import sensor_key, standing_still
from dsp.faults import FaultChange
from dsp.pipeline import Frame
from dsp.stops import Contact, StopWatch
from dsp.summary import LapSummary
from ingest.chunk import CORNERS
from ingest.sheet import Sheet

_CHECK_FIRST = "ride height and spring platforms, then springs and bump-stop packers at this corner"
# Gaps of single samples are no reason to doubt a lap; one of which more than a tenth is unknown may hide a contact.
_LEAST_SEEN_SHARE = 0.9
# A contact is news again when it lasts four times as long as what was told: a knock, a corner, a broken spring.
_WORSE_FACTOR = 4
_TRIPS_AT = (1, _WORSE_FACTOR, _WORSE_FACTOR**2)  # times the limit


class BumpStopContact:
    """One alarm a corner.

    Parameters
    ----------
    sheet : Sheet
        Limits of `alerts.bump_stop`, and the stops.
    rate_hz : float
        Sample rate.
    has_laps : bool
        Whether laps can be told apart.
    """

    kind = "bump_stop"

    def __init__(self, sheet: Sheet, rate_hz: float, *, has_laps: bool) -> None:
        self._limits = sheet.alerts.bump_stop
        self._rate_hz = rate_hz
        self._long = max(1, round(self._limits.longest_contact_s * rate_hz))
        self._clear_after = round(self._limits.clear_without_laps_s * rate_hz)
        self._has_laps = has_laps
        self._stopped_below_m_s = sheet.laps.stopped_below_m_s
        self._stops = StopWatch(sheet)
        # Without laps: samples that must still be seen, after a long contact, before it counts as over.
        self._still_to_see: list[int | None] = [None] * 4

    @property
    def definitions(self) -> list[Definition]:
        """One alarm of medium priority a corner, silenced by its sensor's."""
        return [
            Definition(self.kind, corner, "medium", suppressed_by=(sensor_key(corner),), caution=UNDER_THE_CAR)
            for corner in CORNERS
        ]

    def observe(self, frame: Frame, faults: list[FaultChange]) -> list[Observation]:  # noqa: ARG002
        """Long contacts in this frame, and verdicts on the laps that ended in it."""
        seen = []
        for contact in [*frame.contacts, *frame.open_contacts]:
            if self._is_long(contact):
                seen += self._long_contact(frame, contact)
        for corner in range(4):
            if self._has_laps:
                for lap in frame.laps:
                    seen += self._judge(frame, lap, corner)
            else:
                seen += self._quiet(frame, corner)
        return seen

    def _long_contact(self, frame: Frame, contact: Contact) -> list[Observation]:
        """Trips of one contact at samples of this frame."""
        seen = []
        still = standing_still(frame, self._stopped_below_m_s)
        for times in _TRIPS_AT:
            trip = contact.start_sample + times * self._long
            place = trip - frame.block.first_sample
            if not 0 <= place < len(frame.block) or trip >= contact.end_sample or still[place]:
                continue
            travel = float(frame.trusted_mm[place, contact.corner])
            force = self._stops.force_n(contact.corner, travel)
            limit = self._limits.longest_contact_s
            seconds = times * limit
            evidence = Evidence(
                seconds,
                limit,
                "s",
                contact.start_sample,
                f"still on the bump stop after {seconds:g} s, at {travel:.1f} mm and {force:.0f} N",
                _CHECK_FIRST,
                severity=float(times),
                worse_by=float(times * (_WORSE_FACTOR - 1)),
            )
            seen.append(Observation(trip, self.kind, CORNERS[contact.corner], True, evidence))
        return seen

    def _is_long(self, contact: Contact) -> bool:
        return contact.end_sample > contact.start_sample + self._long

    def _judge(self, frame: Frame, lap: LapSummary, corner: int) -> list[Observation]:
        limits, stops = self._limits, lap.share.stops[corner]
        time_s = stops.samples / self._rate_hz
        where = CORNERS[corner]
        if time_s > limits.trip_time_per_lap_s:
            sentence = f"{time_s:.1f} s on the bump stop in lap {lap.name}"
            evidence = self._of_lap(lap, time_s, limits.trip_time_per_lap_s, "s per lap", sentence)
            return [Observation(lap.end_sample, self.kind, where, True, evidence)]
        if stops.count > limits.trip_contacts_per_lap:
            sentence = f"{stops.count} bump-stop contacts in lap {lap.name}"
            evidence = self._of_lap(lap, stops.count, limits.trip_contacts_per_lap, "contacts per lap", sentence)
            return [Observation(lap.end_sample, self.kind, where, True, evidence)]
        # A contact counts to the lap it ends in: one that goes on is no part of this lap's tally.
        goes_on = any(
            contact.corner == corner and contact.start_sample + self._long < lap.end_sample < contact.end_sample
            for contact in [*frame.contacts, *frame.open_contacts]
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
        return [Observation(lap.end_sample, self.kind, where, False)] if clean else []

    @staticmethod
    def _of_lap(lap: LapSummary, measured: float, limit: float, unit: str, sentence: str) -> Evidence:
        """Evidence of a whole lap: no worse than any contact that was told, and a much too long one is worse."""
        worse_by = float(_WORSE_FACTOR)
        return Evidence(measured, limit, unit, lap.first_sample, sentence, _CHECK_FIRST, worse_by=worse_by)

    def _quiet(self, frame: Frame, corner: int) -> list[Observation]:
        """Count the samples seen since the last long contact; clear at the first beyond the set time, off the stop."""
        first = frame.block.first_sample
        mine = [contact for contact in [*frame.contacts, *frame.open_contacts] if contact.corner == corner]
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
                    seen.append(Observation(sample, self.kind, CORNERS[corner], False))
                left = None if len(places) > left else left - len(places)
            if contact is not None:
                start = max(stop, contact.end_sample - first)
                if self._is_long(contact):
                    left = self._clear_after
                elif left is not None:
                    left = max(0, left - int(np.count_nonzero(known[stop:start])))
        self._still_to_see[corner] = left
        return seen
