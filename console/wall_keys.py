"""Keys at a wall of several cars: an alarm that is selected belongs to a car, and what is asked goes to that car.

In: key names and the alarms of all cars. Out: wishes that name the car by the prefix of its topics. A car can be
chosen too: its most urgent alarm is then selected. Pure but for the clock of `console.controls`.
"""

from __future__ import annotations

from dataclasses import dataclass

from console.command import Wish
from console.controls import Controls, Item


@dataclass(frozen=True)
class CarItem(Item):
    """An alarm that can be selected, of the car whose topics stand below `prefix`."""

    prefix: str = ""

    @property
    def key(self) -> tuple[str, str]:
        """What tells it from the others; no topic holds a line end, so that no name can be taken for another car's."""
        return f"{self.prefix}\n{self.kind}", self.where


@dataclass(frozen=True)
class CarWish(Wish):
    """What a person asks of one car's monitor."""

    prefix: str = ""


class CarControls(Controls):
    """Follows one person at a wall of several cars."""

    def choose(self, prefix: str) -> bool:
        """Select the first alarm of a car, or nothing; returns whether there is one."""
        first = next((item for item in self._items if isinstance(item, CarItem) and item.prefix == prefix), None)
        self._selected = None if first is None else first.key
        return first is not None

    @property
    def prefix(self) -> str:
        """The car of the selected alarm; empty when none is."""
        return self.selected.prefix if isinstance(self.selected, CarItem) else ""

    def _wish(self, action: str, item: Item, shelve_s: float | None = None) -> Wish:
        assert isinstance(item, CarItem)
        return CarWish(action, item.kind, item.where, self.who, shelve_s, item.prefix)
