"""A reading that stands still while others move: nothing may be said on its word, long before it is known as stuck.

In: consecutive travel of four corners, at all samples or at the rows of the car's grid. Out: where in the newest block
each corner is in doubt. A sensor that sticks shows one and the same value from then on, and `dsp.stuck` needs a second
to be sure; a healthy one that hardly moves is in doubt for no longer than that, and one that rests on an end of its
stroke in none. Exact comparisons and whole numbers: any split gives the same. Taking a block costs next to nothing;
only asking makes it count.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from dsp.stuck import END_STOP_MM
from ingest.chunk import CORNERS, Bools, Floats, Ints
from ingest.sheet import Sheet

# In the shipped logs (12 bits, noise of 0.8 counts) no reading of a car that moves stays the same for longer than
# 32 ms, in simulated ones without any noise on a bump stop for longer than 40; with 10 bits over 150 mm and no noise
# 60 ms on a stop, 96 ms in a slow corner, and 5 % of all rows are in doubt, with 0.3 counts of noise 0.9 %.
DOUBTED_AFTER_S = 0.04
# A verdict looks at whole tenths of a second, so a stuck sensor is known as such within `stuck_for_s` and two of them.
_VERDICT_S = 0.2
_MANY = 8  # times the samples until a doubt: from here on a quick look beforehand is worth its while


def free_travel_mm(sheet: Sheet) -> tuple[Floats, Floats]:
    """Travel between which each corner rests on no end of its stroke, as `dsp.stuck` has it: two of shape (4,)."""
    parts = [sheet.suspension(corner) for corner in CORNERS]
    droop_mm = np.array([-part.travel_to_full_droop_mm for part in parts])
    bump_mm = np.array([part.travel_to_full_bump_mm for part in parts])
    return droop_mm + END_STOP_MM, bump_mm - END_STOP_MM


class Stillness:
    """Finds corners in doubt.

    Parameters
    ----------
    rate_hz : float
        Samples (or rows) a second of what is taken.
    stuck_for_s : float
        The sheet's `alerts.sensor.stuck_for_s`: a corner that is still for longer without being called stuck has
        been looked at, and is believed again.
    free_mm : two arrays of shape (4,)
        Travel between which a damper rests on no end of its stroke; beyond, one that stands still is in no doubt.
    asked_throughout : bool
        Every block since the last change of a corner that matters is asked about, so that less has to be kept.
    """

    def __init__(
        self, rate_hz: float, stuck_for_s: float, free_mm: tuple[Floats, Floats], *, asked_throughout: bool = False
    ) -> None:
        self._lowest_mm, self._highest_mm = (ends[:, np.newaxis] for ends in free_mm)
        self._doubted_after = max(1, round(DOUBTED_AFTER_S * rate_hz))
        self._judged_after = round((stuck_for_s + _VERDICT_S) * rate_hz)
        # Further back nothing matters: a corner still since then is believed again, or is not one that is asked about.
        self._kept = self._doubted_after if asked_throughout else self._judged_after
        self.reset()

    def reset(self) -> None:
        """Begin a new stretch: nothing before is compared with what follows."""
        # Blocks that were not counted yet, and how long each corner had been still when they began.
        self._blocks: deque[Floats] = deque()
        self._rows = 0
        self._before: Floats = np.full(4, np.nan)
        self._still: Ints = np.zeros(4, dtype=np.int64)
        self._newest = 0
        self._doubted: Ints | None = None

    def take(self, travel_mm: Floats) -> None:
        """Take the next samples, shape (n_samples, 4), which nobody writes to any more."""
        blocks = self._blocks
        self._newest = count = len(travel_mm)
        if count:
            blocks.append(travel_mm)
            self._rows += count
        while len(blocks) > 1 and self._rows - len(blocks[0]) - count >= self._kept:
            self._rows -= len(blocks.popleft())

    def doubted(self) -> Ints | None:
        """For how many samples a corner in doubt has been still, shape (n_samples, 4) of the newest block; else 0.

        In doubt is what has not changed at all for some time while another known corner has. Unknown travel is in no
        doubt: it is unknown. None when no corner is.
        """
        if self._blocks:
            self._doubted = self._count()
            self._blocks.clear()
            self._rows = 0
        return None if self._doubted is None else self._doubted[len(self._doubted) - self._newest :]

    def _count(self) -> Ints | None:
        """Go over what was not counted yet."""
        blocks, after = self._blocks, self._doubted_after
        travel = np.concatenate([block.T for block in blocks], axis=1) if len(blocks) > 1 else blocks[0].T
        changed = np.empty(travel.shape, dtype=np.bool_)
        np.not_equal(travel[:, 0], self._before, out=changed[:, 0])
        np.not_equal(travel[:, 1:], travel[:, :-1], out=changed[:, 1:])
        self._before = travel[:, -1].copy()
        if self._rows > _MANY * after and self._none_unmoved(changed):
            self._still = changed[:, : -after - 1 : -1].argmax(axis=1)
            return None
        places = np.arange(1, self._rows + 1)
        # Samples since each corner's last change; one that was still before has changed so long before the first.
        still = places - np.maximum.accumulate(np.where(changed, places, -self._still[:, np.newaxis]), axis=1)
        self._still = still[:, -1].copy()
        unmoved = still >= after
        if not unmoved.any():
            return None
        moves = ~(unmoved | np.isnan(travel)).all(axis=0)
        unmoved &= still < self._judged_after
        unmoved &= (travel >= self._lowest_mm) & (travel <= self._highest_mm)
        return np.where(unmoved & moves, still, 0).T

    def _none_unmoved(self, changed: Bools) -> bool:
        """Whether every corner changes often enough, told from single bytes: a tenth of the work in long blocks."""
        after = self._doubted_after
        if (self._still + changed[:, :after].argmax(axis=1) >= after).any():
            return False
        unchanged, samples = ~changed, 1  # so many in a row
        while samples < after:
            more = min(samples, after - samples)
            unchanged = unchanged[:, more:] & unchanged[:, :-more]
            samples += more
        return not unchanged.any()
