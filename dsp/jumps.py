"""Spikes and steps: jumps of a position signal that no wheel can make.

A wheel's acceleration against the body is bounded, so the second difference of its position is too. A larger
one begins an episode: the samples from it on are rejected until the signal is back near where it was (a spike)
or has stayed away for longer than the longest spike (a step, from which the position is offset). Where the signal
was frozen or unknown just before, a jump that stays is no step: it may lead back to the truth. Causal; any split
of the stream gives the same verdicts. Below about 400 Hz small jumps hide in what a wheel can do.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from dsp.faults import FaultChange
from ingest.chunk import Floats
from ingest.sheet_limits import SensorAlert
from ingest.units import STANDARD_GRAVITY_M_S2

# What a jump that stays is called where the position before it was not known to be true: the caller decides.
UNSURE = "unsure step"
# A signal that has stood still for this long before a jump was frozen: the jump brings it back, not away.
_FROZEN_S = 0.05
# A spike may fade over a few samples, but its first step back is a good part of the jump.
_RETURN_SHARE = 0.3
# A quick look sees second differences to within rounding; those this near to the limit are looked at exactly.
_SURELY = 1.0 - 1e-6
# Of so few samples it is the calls that cost; they are looked at in one piece with the two before them.
_FEW_SAMPLES = 512


class _Episode:
    """A jump that is not decided yet: where it began, from which position, how far, and samples rejected.

    `jump_mm` is the jump beyond the motion before it. `may_be_step` is False when what was before the jump can't be
    trusted to be the true position.
    """

    def __init__(self, base_mm: float, slope_mm: float, jump_mm: float, *, may_be_step: bool) -> None:
        self.jump_mm = jump_mm
        self.may_be_step = may_be_step
        self.samples = 0
        self._expected_mm = base_mm
        self._slope_mm = slope_mm
        self._newest_mm = base_mm + slope_mm + jump_mm
        self._turned = False

    def is_back(self, value_mm: float, smallest_jump_mm: float) -> bool:
        """Whether the signal has jumped back to where its motion before the jump would have brought it."""
        self._expected_mm += self._slope_mm
        change = value_mm - self._newest_mm
        self._newest_mm = value_mm
        if change * self.jump_mm < 0 and abs(change) > _RETURN_SHARE * abs(self.jump_mm):
            self._turned = True
        near = max(smallest_jump_mm, abs(self.jump_mm) / 2.0)
        return self.samples > 0 and self._turned and abs(value_mm - self._expected_mm) < near


class JumpWatch:
    """Finds spikes and steps on four corners.

    Parameters
    ----------
    limits : SensorAlert
        `fastest_change_g`, `smallest_jump_mm` and `longest_spike_s`.
    rate_hz : float
        Sample rate.
    """

    def __init__(self, limits: SensorAlert, rate_hz: float) -> None:
        fastest_mm = limits.fastest_change_g * STANDARD_GRAVITY_M_S2 * 1000.0 / rate_hz**2
        self.jump_mm = max(limits.smallest_jump_mm, fastest_mm)
        self._longest = max(1, round(limits.longest_spike_s * rate_hz))
        self._settled = self._longest + 2
        self._still_mm = limits.stuck_within_mm
        self._kept = max(self._settled, round(_FROZEN_S * rate_hz))
        self.reset()

    def reset(self) -> None:
        """Forget the samples before; an undecided episode is dropped with them."""
        self._previous = np.full((2, 4), np.nan)
        # Believed travel before this chunk, in pieces that are joined when a jump asks for it: `_kept` samples or more.
        self._history = deque([np.full((self._kept, 4), np.nan)])
        self._history_samples = self._kept
        self._episodes: list[_Episode | None] = [None] * 4

    def process(self, first_sample: int, travel_mm: Floats) -> tuple[Floats, list[FaultChange]]:
        """Reject what lies in an episode: believed travel and the faults "spike", "step" and `UNSURE`.

        Returns the same array when there is nothing to reject.
        """
        changes: list[FaultChange] = []
        if len(travel_mm) == 0:
            return travel_mm, changes
        believed = travel_mm
        bent = self._bent(travel_mm)
        two = travel_mm[-2:]
        previous = two.copy() if len(two) == 2 else np.concatenate((self._previous[1:], two))
        if any(bent) or any(self._episodes):
            before = np.concatenate(self._history)[-self._kept :]
            for corner in range(4):
                if self._episodes[corner] is None and not bent[corner]:
                    continue
                if believed is travel_mm:
                    believed = travel_mm.copy(order="F")
                changes += self._walk(first_sample, believed[:, corner], corner, previous[:, corner], before[:, corner])
        self._previous = previous
        self._remember(believed)
        return believed, changes

    def _remember(self, believed: Floats) -> None:
        """Put a chunk behind the history, and drop what nothing asks for any more."""
        # A short one as it is, since nobody writes to it again; of a long one a copy, to let the rest of it go.
        newest = believed if len(believed) <= _FEW_SAMPLES else believed[-self._kept :].copy()
        self._history.append(newest)
        self._history_samples += len(newest)
        while self._history_samples - len(self._history[0]) >= self._kept:
            self._history_samples -= len(self._history.popleft())

    def _true_before(self, before: Floats) -> bool:
        """Whether the samples before a jump show the true position: known for a while, and not frozen."""
        if np.isnan(before[-self._settled :]).any():
            return False
        return not (np.isfinite(before).all() and float(np.ptp(before)) <= self._still_mm)

    def _bent(self, travel_mm: Floats) -> list[bool]:
        """Whether any second difference of a corner could be too large; `_walk` looks at each of them exactly."""
        few = len(travel_mm) <= _FEW_SAMPLES
        joint = np.concatenate((self._previous.T, (travel_mm if few else travel_mm[:2]).T), axis=1)
        largest = _largest_bends(joint)
        if not few:
            largest = np.fmax(largest, _largest_bends(travel_mm.T))
        least = self.jump_mm * _SURELY
        return [bend > least for bend in largest.tolist()]

    def _walk(
        self, first_sample: int, column: Floats, corner: int, previous: Floats, history: Floats
    ) -> list[FaultChange]:
        """Go through one corner of a chunk, from one candidate to the next, sample by sample inside an episode.

        The last two samples, as the next chunk is to see them, go to `previous`; `history` is what was before.
        """
        changes: list[FaultChange] = []
        padded = np.concatenate((self._previous[:, corner], column))
        bends = np.abs(padded[2:] - 2.0 * padded[1:-1] + padded[:-2])
        with np.errstate(invalid="ignore"):
            candidates = np.flatnonzero(bends > self.jump_mm)
        place = 0
        decided = -2  # where the last episode of this chunk ended
        while place < len(column):
            episode = self._episodes[corner]
            if episode is None:
                # Right behind a decision the bend is taken anew, since it was found with a sample since rejected.
                behind = place == decided + 1
                anew = abs(padded[place + 2] - 2.0 * padded[place + 1] + padded[place]) if behind else 0.0
                if not anew > self.jump_mm:
                    later = int(np.searchsorted(candidates, place + behind))
                    if later == len(candidates):
                        break
                    place = int(candidates[later])
                earlier, base, value = padded[place], padded[place + 1], padded[place + 2]
                before = np.concatenate((history, column[:place]))[-self._kept :]
                may_be_step = self._true_before(before)
                episode = self._episodes[corner] = _Episode(
                    base, base - earlier, value - 2.0 * base + earlier, may_be_step=may_be_step
                )
            value = column[place]
            if np.isnan(value):
                # The signal is lost before it was decided: neither a spike nor a step can be claimed.
                self._episodes[corner] = None
                place += 1
                continue
            if episode.is_back(value, self.jump_mm):
                fault = "spike"
            elif episode.samples >= self._longest:
                fault = "step" if episode.may_be_step else UNSURE
            else:
                episode.samples += 1
                padded[place + 2] = column[place] = np.nan
                place += 1
                continue
            sample = first_sample + place
            changes.append(
                FaultChange(sample, corner, fault, True, float(episode.jump_mm), self.jump_mm, "mm in one sample")
            )
            self._episodes[corner] = None
            # The next sample is judged as if the signal had stood still here, so that it may begin the next episode.
            padded[place + 1] = value
            decided = place
            place += 1
        previous[:] = padded[-2:]
        return changes


def _largest_bends(columns: Floats) -> Floats:
    """Largest second difference, up or down, of each row of an array of shape (4, n); n is at least 3."""
    steps = columns[:, 1:] - columns[:, :-1]
    bends = steps[:, 1:] - steps[:, :-1]
    largest: Floats = np.fmax.reduce(np.abs(bends, out=bends), axis=1)
    return largest
