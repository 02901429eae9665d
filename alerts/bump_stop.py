"""Bump-stop contact: one contact longer than the limit, or too many or too much contact in a lap.

Trips during a contact as soon as it is too long, and at the end of a lap whose count or time is beyond its limit.
Clears at the end of a clean timed lap; without laps, once the damper has been seen for a set time without a long
contact. What was not seen clears nothing.
"""

from __future__ import annotations

import numpy as np

from alerts.alert import UNDER_THE_CAR, Definition, Evidence, Observation
from alerts.rule import sensor_key
from dsp.faults import FaultChange
from dsp.pipeline import Frame
from dsp.stops import Contact, StopWatch
from dsp.summary import LapSummary
from ingest.chunk import CORNERS
from ingest.sheet import Sheet

_CHECK_FIRST = "ride height and spring platforms, then springs and bump-stop packers at this corner"
# Gaps of single samples are no reason to doubt a lap; one of which more than a tenth is unknown may hide a contact.
_LEAST_SEEN_SHARE = 0.9


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
        self._stops = StopWatch(sheet)
        self._tripped_contact: list[int | None] = [None] * 4
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
            seen += self._long_contact(frame, contact)
        for corner in range(4):
            if self._has_laps:
                for lap in frame.laps:
                    seen += self._judge(frame, lap, corner)
            else:
                seen += self._quiet(frame, corner)
        return seen

    def _long_contact(self, frame: Frame, contact: Contact) -> list[Observation]:
        trip = contact.start_sample + self._long
        if not self._is_long(contact) or self._tripped_contact[contact.corner] == contact.start_sample:
            return []
        self._tripped_contact[contact.corner] = contact.start_sample
        travel = float(frame.trusted_mm[trip - frame.block.first_sample, contact.corner])
        force = self._stops.force_n(contact.corner, travel)
        seconds = self._limits.longest_contact_s
        sentence = f"still on the bump stop after {seconds:g} s, at {travel:.1f} mm and {force:.0f} N"
        evidence = Evidence(seconds, seconds, "s", contact.start_sample, sentence, _CHECK_FIRST)
        return [Observation(trip, self.kind, CORNERS[contact.corner], True, evidence)]

    def _is_long(self, contact: Contact) -> bool:
        return contact.end_sample > contact.start_sample + self._long

    def _judge(self, frame: Frame, lap: LapSummary, corner: int) -> list[Observation]:
        limits, stops = self._limits, lap.share.stops[corner]
        time_s = stops.samples / self._rate_hz
        where = CORNERS[corner]
        if time_s > limits.trip_time_per_lap_s:
            sentence = f"{time_s:.1f} s on the bump stop in lap {lap.name} (limit {limits.trip_time_per_lap_s:g} s)"
            evidence = Evidence(
                time_s, limits.trip_time_per_lap_s, "s per lap", lap.first_sample, sentence, _CHECK_FIRST
            )
            return [Observation(lap.end_sample, self.kind, where, True, evidence)]
        if stops.count > limits.trip_contacts_per_lap:
            limit = limits.trip_contacts_per_lap
            sentence = f"{stops.count} bump-stop contacts in lap {lap.name} (limit {limit})"
            evidence = Evidence(
                float(stops.count), float(limit), "contacts per lap", lap.first_sample, sentence, _CHECK_FIRST
            )
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
