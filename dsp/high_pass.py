"""A first-order high pass over known rows, channel by channel: the bilinear Butterworth filter, whole blocks at once.

In: values of shape (channels, n_rows), not finite where unknown. Out: the same without what is slower than the
filter's frequency, NaN where unknown. A run of known rows begins as if its first value had been there for long. Any
cut of the stream gives the same bits. Raises nothing. Needs numpy alone: scipy's filters take half a second to load.
"""

from __future__ import annotations

import math

import numpy as np

from ingest.chunk import Floats

# Rows whose powers are taken together, and how small the last of them may become: far from where they would overflow.
_MOST_ROWS = 4096
_SMALLEST_POWER = 1e-100


class HighPass:
    """Removes the slow part.

    y = gain x + z, and for the next row z is pole z - gain (1 - pole) x. Divided by the pole's powers that is a plain
    running sum, which numpy makes at once and in order. The powers begin anew at fixed rows of the stretch, so that a
    cut changes nothing.

    Parameters
    ----------
    frequency_hz : float
        Where the gain is 1/sqrt 2; below half the row rate.
    rate_hz : float
        Rows a second.
    channels : int
        Channels of the arrays given.
    """

    def __init__(self, frequency_hz: float, rate_hz: float, channels: int) -> None:
        warped = math.tan(math.pi * frequency_hz / rate_hz)
        self.gain = 1.0 / (1.0 + warped)
        self.pole = (1.0 - warped) / (1.0 + warped)
        decay = -math.log(abs(self.pole))
        self.rows = max(1, min(_MOST_ROWS, int(-math.log(_SMALLEST_POWER) / decay)))
        self._falling = self.pole ** np.arange(self.rows + 1)
        self._rising = -self.gain * (1.0 - self.pole) / self._falling[1:]
        self._levels = np.full(channels, np.nan)  # the running sums; NaN before a run
        self._in_runs = False  # all channels
        self._place = 0

    def reset(self) -> None:
        """Begin a new stretch."""
        self._levels.fill(np.nan)
        self._in_runs = False
        self._place = 0

    def process(self, values: Floats) -> Floats:
        """The next rows of the stretch without their slow part, shape (channels, n_rows)."""
        result = np.empty(values.shape)
        count = values.shape[1]
        begin = 0
        while begin < count:
            end = min(count, begin + self.rows - self._place)
            self._part(values[:, begin:end], result[:, begin:end])
            self._place += end - begin
            if self._place == self.rows:
                self._levels *= self._falling[-1]
                self._place = 0
            begin = end
        return result

    def _part(self, values: Floats, result: Floats) -> None:
        """Rows between two beginnings of the powers."""
        known = np.isfinite(values)
        if self._in_runs and known.all():
            self._known(values, result, self._place, self._levels)
            return
        for channel, row in enumerate(values):
            edges = (np.flatnonzero(known[channel, 1:] != known[channel, :-1]) + 1).tolist()
            level = self._levels[channel : channel + 1]
            for start, stop in zip([0, *edges], [*edges, len(row)], strict=True):
                if not known[channel, start]:
                    result[channel, start:stop] = level[0] = np.nan
                    continue
                place = self._place + start
                if math.isnan(level[0]):
                    level[0] = -self.gain * row[start] / self._falling[place]
                run = slice(channel, channel + 1), slice(start, stop)
                self._known(values[run], result[run], place, level)
        self._in_runs = bool(known[:, -1].all())

    def _known(self, values: Floats, result: Floats, place: int, levels: Floats) -> None:
        """Rows that are all known, from a place on; `levels`, shape (n,), are brought to their end."""
        end = place + values.shape[1]
        sums = values * self._rising[place:end]
        sums[:, 0] += levels
        np.add.accumulate(sums, axis=1, out=sums)
        np.multiply(values, self.gain, out=result)
        result[:, 0] += levels * self._falling[place]
        levels[:] = sums[:, -1]
        sums *= self._falling[place + 1 : end + 1]
        result[:, 1:] += sums[:, :-1]
