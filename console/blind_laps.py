"""Timed laps of which a corner's velocity is mostly unknown: they look like any other lap in the tables.

In: steps of a monitor. Out: one line for each such corner, for the end of a run.
"""

from __future__ import annotations

from collections.abc import Iterator

from alerts.monitor import Step
from ingest.chunk import CORNERS
from ingest.text import clean

_MOST_UNKNOWN = 0.5  # beyond this the lap's figures are of the smaller part of it


class BlindLaps:
    """Counts, for each corner, the timed laps that were mostly unknown, and keeps the first one's name."""

    def __init__(self) -> None:
        self._found: dict[int, tuple[str, int]] = {}

    def take(self, step: Step) -> None:
        """Look at the laps that one step brought."""
        for lap in step.laps:
            running = lap.share.received - lap.share.idle
            for corner in range(len(CORNERS)):
                if lap.timed and running - lap.share.tally.used(corner) > _MOST_UNKNOWN * running:
                    first, count = self._found.get(corner, (lap.name, 0))
                    self._found[corner] = first, count + 1

    def lines(self) -> Iterator[str]:
        """One line a corner; nothing when all was known."""
        for corner, (first, count) in sorted(self._found.items()):
            laps = f"lap {clean(first, 12)}" + (f" and {count - 1} more" if count > 1 else "")
            yield f"{CORNERS[corner]}: velocity unknown for more than half of {laps}; its figures are of the rest"
