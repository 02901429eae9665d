"""What a live link tells of itself: age of the newest sample, latency, rate and jitter, and what was refused.

In: arrivals (monotonic time, samples). Out: numbers for the strip and the end of a run. Memory does not grow.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from ingest.link_block import LinkCounts

_REAL_TIME_WITHIN = 0.05
_WINDOW_S = 5.0  # over which rate and jitter are taken: steady enough to read, short enough to show a change


@dataclass(frozen=True)
class LiveStatus:
    """A live link at one moment. Ages and latencies in s; NaN where nothing is known yet.

    `lag_s` is how much later than the quickest one so far the newest samples came: what waits somewhere on the way.
    `jitter_s` is the spread (standard deviation) of that lag over the last seconds. `counts` is what could not be used,
    by kind (see `ingest.link_block.LinkCounts.numbers`), where it is told.
    """

    words: str
    age_s: float
    rate_hz: float
    lag_s: float
    jitter_s: float
    refused: int
    recording: str
    fault: str
    counts: tuple[tuple[str, int], ...] = ()


class ArrivalClock:
    """Follows when samples arrive against when the device took them.

    Parameters
    ----------
    rate_hz : float
        Nominal sample rate: the device's time axis.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._arrivals: deque[tuple[float, int, float]] = deque()
        self._quickest = math.inf
        self._last_s = math.nan
        # Running sums over the window, since arrivals can be as many as samples: samples, lags and their squares,
        # the lags counted from the first one, so that little cancels.
        self._origin = 0.0
        self._samples = 0
        self._lags = 0.0
        self._squares = 0.0

    def arrived(self, monotonic_s: float, next_sample: int, samples: int) -> None:
        """Samples up to `next_sample` (exclusive) have arrived, `samples` of them now."""
        late = monotonic_s - next_sample / self._rate_hz
        self._quickest = min(self._quickest, late)
        self._last_s = monotonic_s
        if not self._arrivals:
            self._origin, self._samples, self._lags, self._squares = late, 0, 0.0, 0.0
        self._arrivals.append((monotonic_s, samples, late))
        self._sum(samples, late, 1)
        while self._arrivals[0][0] < monotonic_s - _WINDOW_S:
            _, old_samples, old_late = self._arrivals.popleft()
            self._sum(old_samples, old_late, -1)

    def _sum(self, samples: int, late: float, sign: int) -> None:
        lag = late - self._origin
        self._samples += sign * samples
        self._lags += sign * lag
        self._squares += sign * lag * lag

    def restarted(self) -> None:
        """The device's counter was set back or the connection was lost: lags before do not compare."""
        self._quickest = math.inf
        self._arrivals.clear()

    def age_s(self, now_s: float) -> float:
        """Time since the newest sample came; NaN before the first."""
        return now_s - self._last_s

    @property
    def effective_rate_hz(self) -> float:
        """Samples per second over the last seconds; NaN until two arrivals lie a second apart."""
        if len(self._arrivals) < 2 or self._arrivals[-1][0] - self._arrivals[0][0] < 1.0:
            return math.nan
        span = self._arrivals[-1][0] - self._arrivals[0][0]
        return (self._samples - self._arrivals[0][1]) / span

    @property
    def _in_real_time(self) -> bool:
        """Whether samples come about as fast as they were taken; a rehearsal at another pace has no lag."""
        return not abs(self.effective_rate_hz / self._rate_hz - 1.0) > _REAL_TIME_WITHIN

    @property
    def lag_s(self) -> float:
        """How much later than the quickest ones the newest samples came; NaN at another pace than real time."""
        return self._arrivals[-1][2] - self._quickest if self._arrivals and self._in_real_time else math.nan

    @property
    def jitter_s(self) -> float:
        """Standard deviation of the lag over the last seconds."""
        count = len(self._arrivals)
        if count < 2 or not self._in_real_time:
            return math.nan
        return math.sqrt(max(0.0, self._squares - self._lags**2 / count) / (count - 1))


def count_words(counts: LinkCounts) -> str:
    """What could not be used, by kind, in words; empty when all could.

    Examples
    --------
    >>> count_words(LinkCounts(bad_checksums=2, duplicate_samples=10))
    '2 bad checksums, 10 duplicate samples'
    """
    shown = (
        "long_frames",
        "bad_frames",
        "bad_checksums",
        "bad_headers",
        "other_streams",
        "garbage_bytes",
        "reordered_frames",
        "duplicate_samples",
        "late_samples",
        "restarts",
        "dropped_messages",
    )
    numbers = counts.numbers()
    return ", ".join(f"{numbers[name]} {name.replace('_', ' ')}" for name in shown if numbers[name])
