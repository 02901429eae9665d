"""Where on the lap, and while the car did what, each contact with a stop began.

In: the car's rows as they come, and contacts. Out: the same contacts with lap distance and regime of the last row at or
before their first sample. Holds one block of rows and the places of contacts that have begun and not ended. A gap
forgets the rows.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from dsp.frame import REGIMES, CarBlock
from dsp.stops import Contact

_NOWHERE = (math.nan, REGIMES[0])


class ContactPlaces:
    """Keeps the places of one kind of contact."""

    def __init__(self) -> None:
        # The newest block that has rows; its last one is looked at only when a contact has begun behind it.
        self._newest: CarBlock | None = None
        self._open: dict[tuple[int, int], tuple[float, str]] = {}

    def process(
        self, car: CarBlock, ended: Iterable[Contact], going_on: Iterable[Contact]
    ) -> tuple[list[Contact], list[Contact]]:
        """Take a block's rows and its contacts; return those that ended and those that go on, with their places."""
        if car.starts_stretch:
            self._newest = None
        found = [self._placed(car, contact) for contact in ended]
        open_now = [self._placed(car, contact) for contact in going_on]
        self._open = {(one.corner, one.start_sample): (one.place_m, one.regime) for one in open_now}
        if len(car):
            self._newest = car
        return found, open_now

    def _placed(self, car: CarBlock, contact: Contact) -> Contact:
        known = self._open.get((contact.corner, contact.start_sample))
        if known is None:
            row = car.rows_before(contact.start_sample + 1) - 1
            if row >= 0:
                known = _at(car, row)
            else:
                known = _NOWHERE if self._newest is None else _at(self._newest, len(self._newest) - 1)
        return replace(contact, place_m=known[0], regime=known[1])


def _at(car: CarBlock, row: int) -> tuple[float, str]:
    return float(car.place_m[row]), REGIMES[int(car.regime[row])]
