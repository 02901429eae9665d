"""A sensor that hardly moves while the other corners do.

Works on ticks of a tenth of a second counted from the start of a stretch, so that any split of the stream gives
the same verdicts. The other corners are the witness: a car that stands still has no stuck sensor.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.faults import FaultChange
from ingest.chunk import Floats
from ingest.sheet_limits import SensorAlert

# Calibration and the stop's own give; nearer to an end of the stroke than this a damper may rest on it.
END_STOP_MM = 3.0
_LOOKS = 8  # samples of a tick that show motion nearly always: a wheel's period is half a tick, a body's five
_TICK_S = 0.1  # long enough for the slowest body motion to show, short against the shortest stuck time


class StuckWatch:
    """Finds stuck sensors on four corners.

    Parameters
    ----------
    limits : SensorAlert
        `stuck_for_s`, `stuck_within_mm` and `others_move_mm`.
    rate_hz : float
        Sample rate.
    stroke_mm : two arrays of shape (4,)
        Travel at full droop and at full bump: a damper that rests on its end stop is not stuck.
    """

    def __init__(self, limits: SensorAlert, rate_hz: float, stroke_mm: tuple[Floats, Floats]) -> None:
        self._limits = limits
        self._droop_end_mm = stroke_mm[0] + END_STOP_MM
        self._bump_end_mm = stroke_mm[1] - END_STOP_MM
        self._tick = max(2, round(_TICK_S * rate_hz))
        self._window = max(2, round(limits.stuck_for_s / _TICK_S))
        self.stuck = [False] * 4
        self.reset()

    def reset(self) -> None:
        """Begin a new stretch. A corner that was stuck stays so until it is seen to move."""
        self._filled = 0
        self._low = np.full(4, np.inf)
        self._high = np.full(4, -np.inf)
        # Lowest and highest travel of the last ticks, oldest first; (ticks, 4).
        self._lows = np.empty((0, 4))
        self._highs = np.empty((0, 4))

    def process(
        self, first_sample: int, travel_mm: Floats, extremes_mm: tuple[Floats, Floats] | None = None
    ) -> tuple[Floats, list[FaultChange]]:
        """Reject what a stuck sensor says. Returns the same array when there is nothing to reject.

        `extremes_mm`, two arrays of shape (4,), are the lowest and highest travel where the caller knows them.
        """
        changes: list[FaultChange] = []
        if self._filled + len(travel_mm) < self._tick and not any(self.stuck):
            self._extend(travel_mm, extremes_mm)  # the usual short chunk, within a tick
            return travel_mm, changes
        ends, lows, highs = self._ticks(travel_mm)
        if not ends and not any(self.stuck):
            return travel_mm, changes
        rejected = None
        still = np.any(highs - lows <= self._limits.stuck_within_mm) if len(ends) else False
        if still or any(self.stuck):
            rejected = np.zeros(travel_mm.shape, dtype=bool, order="F")
            for corner in range(4):
                if self.stuck[corner]:
                    rejected[:, corner] = True
            history = len(self._lows)
            all_lows, all_highs = np.vstack((self._lows, lows)), np.vstack((self._highs, highs))
            for number, end in enumerate(ends):
                upto = history + number + 1
                window = slice(max(0, upto - self._window), upto)
                changes += self._judge(first_sample, end, all_lows[window], all_highs[window], rejected)
        keep = self._window - 1
        self._lows = np.vstack((self._lows, lows))[-keep:]
        self._highs = np.vstack((self._highs, highs))[-keep:]
        if rejected is None or not rejected.any():
            return travel_mm, changes
        return np.where(rejected, np.nan, travel_mm), changes

    def _judge(self, first_sample: int, end: int, lows: Floats, highs: Floats, rejected: Floats) -> list[FaultChange]:
        """Verdicts at the end of one tick; `end` is the place in the chunk just after it."""
        changes = []
        within = self._limits.stuck_within_mm
        ranges = highs.max(axis=0) - lows.min(axis=0)
        for corner in range(4):
            moved = highs[-1, corner] - lows[-1, corner] > within
            if self.stuck[corner]:
                if moved:
                    self.stuck[corner] = False
                    rejected[end:, corner] = False
                    span = float(highs[-1, corner] - lows[-1, corner])
                    changes.append(FaultChange(first_sample + end - 1, corner, "stuck", False, span, within, "mm"))
                continue
            if len(lows) < self._window or not ranges[corner] <= within:
                continue
            if highs[-1, corner] < self._droop_end_mm[corner] or lows[-1, corner] > self._bump_end_mm[corner]:
                continue
            others = [ranges[other] for other in range(4) if other != corner and np.isfinite(ranges[other])]
            if len(others) >= 2 and float(np.median(others)) > self._limits.others_move_mm:
                self.stuck[corner] = True
                rejected[end:, corner] = True
                span = float(ranges[corner])
                changes.append(FaultChange(first_sample + end - 1, corner, "stuck", True, span, within, "mm"))
        return changes

    def _ticks(self, travel_mm: Floats) -> tuple[list[int], Floats, Floats]:
        """Places where ticks end in this chunk, and the lowest and highest travel of each tick.

        A tick that holds an unknown sample has unknown (NaN) bounds, so it shows neither motion nor stillness.
        """
        count = len(travel_mm)
        ends = list(range(self._tick - self._filled, count + 1, self._tick))
        if not ends:
            self._extend(travel_mm)
            return [], np.empty((0, 4)), np.empty((0, 4))
        self._extend(travel_mm[: ends[0]])
        lows, highs = [self._low[np.newaxis]], [self._high[np.newaxis]]
        whole = len(ends) - 1
        if whole:
            low, high = self._bounds(travel_mm[ends[0] : ends[-1]])
            lows.append(low)
            highs.append(high)
        result = ends, np.concatenate(lows), np.concatenate(highs)
        self._filled, self._low, self._high = 0, np.full(4, np.inf), np.full(4, -np.inf)
        self._extend(travel_mm[ends[-1] :])
        return result

    def _bounds(self, travel_mm: Floats) -> tuple[Floats, Floats]:
        """Lowest and highest travel of whole ticks, shape (n_ticks, 4).

        Ticks that a few of their samples show to move, and that no later one is judged with, are not looked at in
        full: their bounds are those of these few samples.
        """
        ticks = travel_mm.T.reshape(4, -1, self._tick)
        # Where one may be judged stuck in this chunk, what the others did is needed in full.
        judged = any(self.stuck) or bool((self._high - self._low <= self._limits.stuck_within_mm).any())
        if ticks.shape[1] < 2 * self._window or judged:
            return ticks.min(axis=2).T, ticks.max(axis=2).T
        few = np.array(ticks[:, :, :: max(1, self._tick // _LOOKS)].transpose(2, 1, 0), order="C")
        lows, highs = few.min(axis=0), few.max(axis=0)
        still = np.flatnonzero(~(highs - lows > self._limits.stuck_within_mm).all(axis=1))
        if len(still) and (self._full_bounds(ticks, still, lows, highs) <= self._limits.stuck_within_mm).any():
            return ticks.min(axis=2).T, ticks.max(axis=2).T
        self._full_bounds(ticks, np.arange(len(lows) - self._window, len(lows)), lows, highs)
        return lows, highs

    @staticmethod
    def _full_bounds(ticks: Floats, chosen: NDArray[np.intp], lows: Floats, highs: Floats) -> Floats:
        """Put the bounds of some ticks, by all their samples, into `lows` and `highs`; return their ranges."""
        whole = ticks[:, chosen]
        lows[chosen], highs[chosen] = whole.min(axis=2).T, whole.max(axis=2).T
        return np.asarray(highs[chosen] - lows[chosen])

    def _extend(self, travel_mm: Floats, extremes_mm: tuple[Floats, Floats] | None = None) -> None:
        if len(travel_mm):
            low, high = extremes_mm or (travel_mm.min(axis=0), travel_mm.max(axis=0))
            self._low = np.minimum(self._low, low)
            self._high = np.maximum(self._high, high)
            self._filled += len(travel_mm)
