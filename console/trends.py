"""What the board remembers of a run beside its present state: the last laps, and when alerts were announced.

In: steps of a monitor. Out: laps and announcements. Bounded: so many laps, and one announcement an alarm.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from alerts.alert import Transition
from alerts.lifecycle import State
from alerts.monitor import Step
from console.car_view import DownforceKept
from dsp.asymmetry import of_corners
from dsp.summary import LapSummary

# Older laps fall off: more would not fit beside one another on any terminal.
LAPS_KEPT = 40


@dataclass(frozen=True)
class LapPoint:
    """One finished lap. `percent` is left against right at each of PLACES, `rms_mm_s` each corner's velocity."""

    name: str
    kind: str
    duration_s: float
    percent: dict[str, float]
    rms_mm_s: tuple[float, ...]

    @property
    def compared(self) -> bool:
        """Whether it is a lap that can be held against others."""
        return self.kind in {"timed", "whole"}


class Trends:
    """The last laps, oldest first, `LAPS_KEPT` of them; and when each alert that stands was first announced.

    Attributes
    ----------
    announced : dict of (kind, where) to int
        Sequence number of the announcement, of alerts that are not back to normal.
    downforce : DownforceKept
        Downforce as last worked out, so that not every frame has to.
    """

    def __init__(self) -> None:
        self._laps: deque[LapPoint] = deque(maxlen=LAPS_KEPT)
        self.announced: dict[tuple[str, str], int] = {}
        self.downforce = DownforceKept()

    def take(self, step: Step) -> None:
        """Remember what one step brought."""
        for lap in step.laps:
            self.add(lap)
        for transition in step.transitions:
            self.hear(transition)

    @property
    def laps(self) -> tuple[LapPoint, ...]:
        """The laps kept."""
        return tuple(self._laps)

    def add(self, lap: LapSummary) -> None:
        """Remember a lap that is over."""
        tally = lap.share.tally
        percent = {place: found.percent for place, found in of_corners(tally.paired).items()}
        rms = tuple(tally.rms(corner) for corner in range(4))
        self._laps.append(LapPoint(lap.name, lap.verdict.kind, lap.duration_s, percent, rms))

    def hear(self, transition: Transition) -> None:
        """Remember an announcement until the alert is back to normal."""
        key = transition.definition.key
        if transition.state is State.NORMAL:
            self.announced.pop(key, None)
        elif transition.announced and (transition.change == "occurs" or key not in self.announced):
            # An alert that a suppression has let go again is old news.
            self.announced[key] = transition.sequence
