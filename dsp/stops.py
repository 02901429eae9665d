"""Contacts with the ends of the stroke: when each began, how long it lasted, how deep and how hard it was.

In: trusted damper travel. Out: contacts as they begin and end, with a bump stop or (top-outs) with the far end in
rebound. A contact begins at the first sample at or beyond the gap and ends when the damper has moved off the stop by
a release distance; a gap or an unknown sample cuts it off there, since nothing is known beyond. Travel is damper
travel in mm; force is at the damper in N, as a magnitude.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from dsp.forces import DroopStopForce, StopForce
from ingest.chunk import CORNERS, Bools, Floats
from ingest.sheet import Sheet
from ingest.sheet_parts import Suspension

# Contacts are short against a block of samples: their end is looked for in so many at first.
_FIRST_LOOK = 64


@dataclass(frozen=True)
class Contact:
    """One contact with an end of the stroke, finished or (in `open_contacts`) still going on.

    Attributes
    ----------
    corner : int
        Place in FL FR RL RR.
    start_sample, end_sample : int
        First sample on the stop and first one off it.
    peak_sample : int
        Sample of the travel farthest into the stop.
    peak_travel_mm : float
        That travel; of a top-out the lowest.
    peak_force_n : float
        Largest force of the stop; NaN when the sheet does not say what force the end of the stroke has.
    cut_off : bool
        It ended because data did.
    continued : bool
        Nothing is known of the sample before it, so that it may be the rest of an earlier one.
    standing_samples : int
        Of its samples those at which the car was known to stand.
    impulse_n_s : float
        Sum of the stop's force over the other samples, divided by the rate; NaN where the force or rate is unknown.
    place_m : float
        Distance from the lap's start at its first sample; NaN until the pipeline fills it in, or unknown.
    regime : str
        What the car was doing then, of `dsp.frame.REGIMES`.
    """

    corner: int
    start_sample: int
    end_sample: int
    peak_sample: int
    peak_travel_mm: float
    peak_force_n: float
    cut_off: bool = False
    continued: bool = False
    standing_samples: int = 0
    impulse_n_s: float = math.nan
    place_m: float = math.nan
    regime: str = "unknown"

    @property
    def samples(self) -> int:
        """Length in samples."""
        return self.end_sample - self.start_sample

    @property
    def moving_samples(self) -> int:
        """Samples of it at which the car was not known to stand."""
        return self.samples - self.standing_samples


class _BumpEnd:
    """One corner's end in compression, as the watch sees it: depth is damper travel.

    `gap_mm` is the depth at which a contact begins, infinite without a stop.
    """

    def __init__(self, part: Suspension) -> None:
        stop = part.bump_stop
        self.gap_mm = math.inf if stop is None else stop.gap_mm
        self._force = StopForce(stop)

    def force_n(self, depth_mm: Floats, velocity_mm_s: Floats | None) -> Floats:
        """Force at the damper, shape of `depth_mm`; with unknown velocity that of closing."""
        return self._force(depth_mm, velocity_mm_s)


class _DroopEnd:
    """One corner's end in rebound: depth is damper travel with its sign turned.

    It begins at the droop stop, or within a distance of full droop where the sheet has no stop.
    """

    def __init__(self, part: Suspension, within_mm: float) -> None:
        stop = part.droop_stop
        self.gap_mm = part.travel_to_full_droop_mm - within_mm if stop is None else stop.gap_mm
        self._force = None if stop is None else DroopStopForce(stop)

    def force_n(self, depth_mm: Floats, velocity_mm_s: Floats | None) -> Floats:  # noqa: ARG002
        """Magnitude of the force at the damper, shape of `depth_mm`; NaN without a stop."""
        return np.full(depth_mm.shape, np.nan) if self._force is None else 0.0 - self._force(-depth_mm)


class StopWatch:
    """Finds contacts on four corners, at one end of the stroke.

    Parameters
    ----------
    sheet : Sheet
        Gaps, force tables and the release distance; a corner without a bump stop has no contacts with it.
    rate_hz : float
        Sample rate, for impulses; without it they are unknown.
    droop : bool
        Watch the end in rebound (top-outs) instead of the bump stops.
    """

    def __init__(self, sheet: Sheet, rate_hz: float = math.nan, *, droop: bool = False) -> None:
        parts = [sheet.suspension(corner) for corner in CORNERS]
        within_mm = sheet.alerts.top_out.within_mm
        self._ends = [_DroopEnd(part, within_mm) if droop else _BumpEnd(part) for part in parts]
        self._sign = -1.0 if droop else 1.0
        self._rate_hz = rate_hz
        # Damper travel at which a contact begins, counted towards this end of the stroke.
        self.gap_mm = np.array([end.gap_mm for end in self._ends])
        self._gaps_mm = self.gap_mm.tolist()
        self._release_mm = self.gap_mm - (sheet.alerts.top_out if droop else sheet.alerts.bump_stop).release_mm
        self._open: list[Contact | None] = [None] * 4
        self._force_sums = np.zeros(4)
        self._standing: Bools | None = None
        self._last_mm = np.full(4, np.nan)

    @property
    def open_contacts(self) -> list[Contact]:
        """Contacts that have begun and not ended; their `end_sample` is the next sample."""
        return [contact for contact in self._open if contact is not None]

    def force_n(self, corner: int, travel_mm: float) -> float:
        """Force of the stop at one travel while it closes: 0 off the stop, NaN where the sheet does not tell it."""
        depth = np.array([self._sign * travel_mm])
        return float(self._ends[corner].force_n(depth, None)[0])

    def process(
        self,
        first_sample: int,
        travel_mm: Floats,
        velocity_mm_s: Floats | None = None,
        *,
        starts_stretch: bool,
        standing: Bools | None = None,
    ) -> list[Contact]:
        """Take trusted travel and damper velocity, (n_samples, 4); return the contacts that ended, by their end.

        Velocity matters to a stop with hysteresis only; without it its forces are those of closing. `standing`, of
        shape (n_samples,), says where the car is known to stand.
        """
        self._standing = standing
        ended = self.cut_off() if starts_stretch else []
        if starts_stretch:
            self._last_mm[:] = np.nan
        if len(travel_mm) == 0:
            return ended
        farthest = (np.fmax if self._sign > 0 else np.fmin).reduce(travel_mm, axis=0)
        for corner, depth_mm in enumerate((farthest * self._sign).tolist()):
            if self._open[corner] is None and not depth_mm >= self._gaps_mm[corner]:
                continue
            velocity = None if velocity_mm_s is None else velocity_mm_s[:, corner]
            depth = travel_mm[:, corner] if self._sign > 0 else -travel_mm[:, corner]
            ended += self._follow(first_sample, depth, velocity, corner)
        self._last_mm = travel_mm[-1] * self._sign
        if ended:
            ended.sort(key=lambda contact: (contact.end_sample, contact.corner))
        return ended

    def cut_off(self) -> list[Contact]:
        """End every contact because the data end."""
        return [
            self._closed(corner, contact.end_sample, cut_off=True)
            for corner, contact in enumerate(self._open)
            if contact is not None
        ]

    def _follow(self, first_sample: int, depth_mm: Floats, velocity_mm_s: Floats | None, corner: int) -> list[Contact]:
        ended = []
        with np.errstate(invalid="ignore"):
            begins = depth_mm >= self.gap_mm[corner]
        place = 0
        while place < len(depth_mm):
            contact = self._open[corner]
            if contact is None:
                later = int(begins[place:].argmax())
                if not begins[place + later]:
                    break
                place += later
                sample = first_sample + place
                before = depth_mm[place - 1] if place else self._last_mm[corner]
                unknown = bool(np.isnan(before))
                contact = Contact(corner, sample, sample, sample, -math.inf * self._sign, 0.0, continued=unknown)
                self._force_sums[corner] = 0.0
            stop = self._leaves(depth_mm, place, corner)
            velocity = None if velocity_mm_s is None else velocity_mm_s[place:stop]
            still = None if self._standing is None else self._standing[place:stop]
            self._open[corner] = self._extended(contact, depth_mm[place:stop], velocity, first_sample + place, still)
            if stop < len(depth_mm):
                ended.append(self._closed(corner, first_sample + stop, cut_off=bool(np.isnan(depth_mm[stop]))))
            place = stop
        return ended

    def _leaves(self, depth_mm: Floats, place: int, corner: int) -> int:
        """First place from `place` on that is off the stop, or the end; looked for in longer and longer steps."""
        step = _FIRST_LOOK
        while place < len(depth_mm):
            # Written so that an unknown sample ends a contact: it is not "still on the stop".
            off = ~(depth_mm[place : place + step] >= self._release_mm[corner])
            first = int(off.argmax())
            if off[first]:
                return place + first
            place += len(off)
            step *= 2
        return len(depth_mm)

    def _extended(
        self,
        contact: Contact,
        depth_mm: Floats,
        velocity_mm_s: Floats | None,
        first_sample: int,
        standing: Bools | None,
    ) -> Contact:
        if len(depth_mm) == 0:
            return contact
        corner, peak, where = contact.corner, contact.peak_travel_mm, contact.peak_sample
        place = int(depth_mm.argmax())
        deepest = float(depth_mm[place])
        if deepest > peak * self._sign:
            peak, where = deepest * self._sign, first_sample + place
        force = self._ends[corner].force_n(depth_mm, velocity_mm_s)
        at_rest = 0
        if standing is not None and standing.any():
            at_rest = int(np.count_nonzero(standing))
            force = np.where(standing, 0.0 * force, force)  # an unknown force stays unknown
        # Added up sample by sample, so that the split does not matter.
        total = float(np.cumsum(np.concatenate(([self._force_sums[corner]], force)))[-1])
        self._force_sums[corner] = total
        return replace(
            contact,
            end_sample=first_sample + len(depth_mm),
            peak_sample=where,
            peak_travel_mm=peak,
            peak_force_n=float(np.maximum(contact.peak_force_n, force.max())),
            standing_samples=contact.standing_samples + at_rest,
            impulse_n_s=total / self._rate_hz,
        )

    def _closed(self, corner: int, end_sample: int, *, cut_off: bool) -> Contact:
        contact = self._open[corner]
        assert contact is not None
        self._open[corner] = None
        return replace(contact, end_sample=end_sample, cut_off=cut_off)
