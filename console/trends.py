"""What the board remembers of a run beside its present state: the last laps, and when alerts were announced.

In: steps of a monitor, and the monitor for what depends on its sheet. Out: laps, announcements, where each point of
the platform was lowest, and the newest travel, from which a sensor's noise is taken. Bounded: so many laps, one
announcement an alarm, a second of travel.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np

from alerts.alert import Transition
from alerts.lifecycle import State
from alerts.monitor import Monitor, Step
from console.car_view import DownforceKept
from console.left_right import LapJudge, Sides, sides_of_tally
from dsp.asymmetry import of_corners
from dsp.summary import LapSummary
from ingest.chunk import Floats

# Older laps fall off: more would not fit beside one another on any terminal.
LAPS_KEPT = 40
_NAN4 = (math.nan,) * 4
_NOISE_SAMPLES = 1024
_LEAST_FOR_NOISE = 128
# The sixth difference of samples at 500 Hz leaves a 15 Hz wheel's motion a ten thousandth of itself, and multiplies
# independent errors by the root of 924, the sum of its squared coefficients.
_ORDER, _GAIN = 6, math.sqrt(924.0)
# Mean size of a normal error over its standard deviation.
_MEAN_SIZE = math.sqrt(2.0 / math.pi)


@dataclass(frozen=True)
class LapPoint:
    """One finished lap.

    `percent` is left against right at each of PLACES, `rms_mm_s` each corner's velocity, `high_speed` its share of the
    time at high speed (0 to 1), `stop_s` its time on the bump stop, `lowest_mm` the lowest height of each point of the
    platform. `sides` is what the left/right rule makes of the lap; None where it does not judge.
    """

    name: str
    kind: str
    duration_s: float
    percent: dict[str, float]
    rms_mm_s: tuple[float, ...]
    high_speed: tuple[float, ...] = _NAN4
    stop_s: tuple[float, ...] = _NAN4
    lowest_mm: dict[str, float] = field(default_factory=dict)
    sides: Sides | None = None

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
    lowest : dict of point to (float, str)
        Lowest height of each point over the laps that are over, mm, and that lap's name.
    """

    def __init__(self) -> None:
        self._laps: deque[LapPoint] = deque(maxlen=LAPS_KEPT)
        self.announced: dict[tuple[str, str], int] = {}
        self.downforce = DownforceKept()
        self.lowest: dict[str, tuple[float, str]] = {}
        self._judge: LapJudge | None = None
        self._judge_of: Monitor | None = None
        self._travel: deque[Floats] = deque()

    def take(self, step: Step, monitor: Monitor | None = None) -> None:
        """Remember what one step brought; without its monitor, not what depends on the sheet."""
        for frame in step.frames:
            self._keep_travel(frame.block.travel_mm, fresh=frame.block.starts_stretch)
        judged: dict[int, Sides] = {}
        if monitor is not None and step.laps:
            if self._judge is None or self._judge_of is not monitor:
                self._judge, self._judge_of = LapJudge(monitor), monitor
            for frame in step.frames:
                judged |= self._judge.take(frame)
        for lap in step.laps:
            self.add(lap, monitor, judged.get(lap.index))
        for transition in step.transitions:
            self.hear(transition)

    @property
    def laps(self) -> tuple[LapPoint, ...]:
        """The laps kept."""
        return tuple(self._laps)

    def add(self, lap: LapSummary, monitor: Monitor | None = None, sides: Sides | None = None) -> None:
        """Remember a lap that is over."""
        tally = lap.share.tally
        percent = {place: found.percent for place, found in of_corners(tally.paired).items()}
        rms = tuple(tally.rms(corner) for corner in range(4))
        point = LapPoint(lap.name, lap.verdict.kind, lap.duration_s, percent, rms, sides=sides)
        if monitor is not None:
            point = _with_sheet(point, lap, monitor)
            for name, height in point.lowest_mm.items():
                before = self.lowest.get(name, (math.inf, ""))[0]
                if height < before:
                    self.lowest[name] = (height, lap.name)
        self._laps.append(point)

    def hear(self, transition: Transition) -> None:
        """Remember an announcement until the alert is back to normal."""
        key = transition.definition.key
        if transition.state is State.NORMAL:
            self.announced.pop(key, None)
        elif transition.announced and (transition.change == "occurs" or key not in self.announced):
            # An alert that a suppression has let go again is old news.
            self.announced[key] = transition.sequence

    def noise_mm(self) -> tuple[float, float, float, float]:
        """Each sensor's noise as a standard deviation, mm of damper travel; NaN where too little is known.

        From the last second: what no damper can follow, the sixth difference from sample to sample.
        """
        if not self._travel:
            return _NAN4
        travel = np.concatenate(tuple(self._travel))[-_NOISE_SAMPLES:]
        found = []
        for corner in range(4):
            sizes = np.abs(np.diff(travel[:, corner], n=_ORDER))
            sizes = sizes[np.isfinite(sizes)]
            enough = len(sizes) >= _LEAST_FOR_NOISE
            found.append(float(sizes.mean()) / (_GAIN * _MEAN_SIZE) if enough else math.nan)
        return found[0], found[1], found[2], found[3]

    def _keep_travel(self, travel_mm: Floats, *, fresh: bool) -> None:
        if fresh:
            self._travel.clear()
        if len(travel_mm) == 0:
            return
        self._travel.append(travel_mm[-_NOISE_SAMPLES:].copy())
        held = sum(map(len, self._travel))
        while held - len(self._travel[0]) >= _NOISE_SAMPLES:
            held -= len(self._travel.popleft())


def _with_sheet(point: LapPoint, lap: LapSummary, monitor: Monitor) -> LapPoint:
    """The lap with what depends on the sheet."""
    settings, rate_hz = monitor.sheet.velocity, monitor.pipeline.rate_hz
    shares = [lap.share.tally.time_shares(corner, settings) for corner in range(4)]
    return LapPoint(
        point.name,
        point.kind,
        point.duration_s,
        point.percent,
        point.rms_mm_s,
        tuple(sum(value for name, value in one.items() if "high" in name) for one in shares),
        tuple(
            one.samples / rate_hz if math.isfinite(gap) else math.nan
            for one, gap in zip(lap.share.stops, monitor.pipeline.stops.gap_mm.tolist(), strict=True)
        ),
        dict(zip(monitor.pipeline.platform.names, lap.share.heights.lowest_mm.tolist(), strict=True)),
        point.sides or sides_of_tally(monitor, lap.share.tally, f"lap {lap.name}"),
    )
