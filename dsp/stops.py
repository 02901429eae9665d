"""Bump-stop contacts: when each began, how long it lasted, how deep and how hard it was.

In: trusted damper travel. Out: contacts as they begin and end. A contact begins at the first sample at or beyond
the gap and ends when the damper has moved off the stop by a release distance; a gap or an unknown sample cuts it
off there, since nothing is known beyond. Travel is damper travel in mm, force is at the damper in N.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ingest.chunk import CORNERS, Floats
from ingest.sheet import Sheet
from ingest.sheet_parts import value_at


@dataclass(frozen=True)
class Contact:
    """One contact with a bump stop, finished or (in `open_contacts`) still going on.

    `end_sample` is the first sample off the stop; `cut_off` says that it ended because data did, `continued` that
    nothing is known of the sample before it, so that it may be the rest of an earlier one.
    """

    corner: int
    start_sample: int
    end_sample: int
    peak_sample: int
    peak_travel_mm: float
    peak_force_n: float
    cut_off: bool = False
    continued: bool = False

    @property
    def samples(self) -> int:
        """Length in samples."""
        return self.end_sample - self.start_sample


class StopWatch:
    """Finds contacts on four corners.

    Parameters
    ----------
    sheet : Sheet
        Gaps, force tables and the release distance; a corner without a bump stop has no contacts.
    """

    def __init__(self, sheet: Sheet) -> None:
        parts = [sheet.suspension(corner).bump_stop for corner in CORNERS]
        self.gap_mm = np.array([math.inf if part is None else part.gap_mm for part in parts])
        self._release_mm = self.gap_mm - sheet.alerts.bump_stop.release_mm
        self._forces = [[(0.0, 0.0)] * 2 if part is None else part.force for part in parts]
        self._open: list[Contact | None] = [None] * 4
        self._last_mm = np.full(4, np.nan)

    @property
    def open_contacts(self) -> list[Contact]:
        """Contacts that have begun and not ended; their `end_sample` is the next sample."""
        return [contact for contact in self._open if contact is not None]

    def force_n(self, corner: int, travel_mm: float) -> float:
        """Force of the stop at one travel: 0 off the stop, the table's last value beyond its end."""
        compression = travel_mm - float(self.gap_mm[corner])
        return value_at(self._forces[corner], compression) if compression > 0 else 0.0

    def process(self, first_sample: int, travel_mm: Floats, *, starts_stretch: bool) -> list[Contact]:
        """Take trusted travel, (n_samples, 4); return the contacts that ended, in order of their end."""
        ended = self.cut_off() if starts_stretch else []
        if starts_stretch:
            self._last_mm[:] = np.nan
        if len(travel_mm) == 0:
            return ended
        highest = np.fmax.reduce(travel_mm, axis=0)
        for corner in range(4):
            if self._open[corner] is None and not highest[corner] >= self.gap_mm[corner]:
                continue
            ended += self._follow(first_sample, travel_mm[:, corner], corner)
        self._last_mm = travel_mm[-1].copy()
        return sorted(ended, key=lambda contact: (contact.end_sample, contact.corner))

    def cut_off(self) -> list[Contact]:
        """End every contact because the data end."""
        return [
            self._closed(corner, contact.end_sample, cut_off=True)
            for corner, contact in enumerate(self._open)
            if contact is not None
        ]

    def _follow(self, first_sample: int, travel_mm: Floats, corner: int) -> list[Contact]:
        ended = []
        with np.errstate(invalid="ignore"):
            begins = np.flatnonzero(travel_mm >= self.gap_mm[corner])
            # Written so that an unknown sample ends a contact: it is not "still on the stop".
            leaves = np.flatnonzero(~(travel_mm >= self._release_mm[corner]))
        place = 0
        while place < len(travel_mm):
            contact = self._open[corner]
            if contact is None:
                later = begins[np.searchsorted(begins, place) :]
                if len(later) == 0:
                    break
                place = int(later[0])
                sample = first_sample + place
                before = travel_mm[place - 1] if place else self._last_mm[corner]
                unknown = bool(np.isnan(before))
                contact = Contact(corner, sample, sample, sample, -math.inf, 0.0, continued=unknown)
                self._open[corner] = contact
            after = leaves[np.searchsorted(leaves, place) :]
            stop = int(after[0]) if len(after) else len(travel_mm)
            self._open[corner] = self._extended(contact, travel_mm[place:stop], first_sample + place)
            if stop < len(travel_mm):
                ended.append(self._closed(corner, first_sample + stop, cut_off=bool(np.isnan(travel_mm[stop]))))
            place = stop
        return ended

    def _extended(self, contact: Contact, travel_mm: Floats, first_sample: int) -> Contact:
        peak, where = contact.peak_travel_mm, contact.peak_sample
        if len(travel_mm):
            place = int(travel_mm.argmax())
            if float(travel_mm[place]) > peak:
                peak, where = float(travel_mm[place]), first_sample + place
        force = self.force_n(contact.corner, peak)
        end = first_sample + len(travel_mm)
        return replace(contact, end_sample=end, peak_sample=where, peak_travel_mm=peak, peak_force_n=force)

    def _closed(self, corner: int, end_sample: int, *, cut_off: bool) -> Contact:
        contact = self._open[corner]
        assert contact is not None
        self._open[corner] = None
        return replace(contact, end_sample=end_sample, cut_off=cut_off)
