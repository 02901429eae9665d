"""How much the alarms ask of people: announcements in ten minutes, floods, chatter, and what stands too long.

In: transitions, in their order, and the sample up to which the stream has come. Out: counts and times on sample time.
Definitions after ISA-18.2 / EEMUA 191 (second-hand): a flood begins with more than ten announcements within ten
minutes and ends with fewer than five; an alarm chatters when it is announced three times within a minute; it is stale
when it has stood for a day. Memory is bounded: ten minutes of announcements, and a few numbers an alarm.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from typing import Any

from alerts.alert import Standing, Transition
from alerts.lifecycle import State

_TEN_MINUTES_S = 600.0
_FLOOD_ABOVE = 10
_FLOOD_ENDS_BELOW = 5
_CHATTER_S = 60.0
_CHATTER_TIMES = 3
_STALE_S = 86_400.0
# A window of ten minutes can't hold more; an engine that announced more than this has long been in flood.
_MOST_IN_WINDOW = 10_000


class NoiseBudget:
    """Counts announcements as a person at the pit wall meets them.

    Parameters
    ----------
    rate_hz : float
        Samples a second.
    first_sample : int
        Sample number of time 0.
    """

    def __init__(self, rate_hz: float, first_sample: int = 0) -> None:
        self._rate_hz = rate_hz
        self._first = first_sample
        # All in samples since the first, so that what is just ten minutes old is so at any rate.
        self._ten_minutes = round(_TEN_MINUTES_S * rate_hz)
        self._minute = round(_CHATTER_S * rate_hz)
        self._window: deque[int] = deque(maxlen=_MOST_IN_WINDOW)
        self._recent: dict[tuple[str, str], deque[int]] = {}
        self._chatter: dict[tuple[str, str], int] = {}
        self._flood_since: int | None = None
        self._flood = 0
        self._floods = 0
        self.announced = 0
        self.most_in_ten_minutes = 0
        self._now = 0

    def take(self, transitions: Iterable[Transition], until_sample: int) -> None:
        """Count transitions of one step, then let time pass to `until_sample`."""
        for transition in transitions:
            if transition.announced:
                self._announce(transition.definition.key, transition.sample - self._first)
        self._pass(until_sample - self._first)

    def _announce(self, key: tuple[str, str], time: int) -> None:
        self._pass(time)
        self.announced += 1
        self._window.append(time)
        self.most_in_ten_minutes = max(self.most_in_ten_minutes, len(self._window))
        if self._flood_since is None and len(self._window) > _FLOOD_ABOVE:
            self._flood_since = time
            self._floods += 1
        recent = self._recent.setdefault(key, deque(maxlen=_CHATTER_TIMES))
        recent.append(time)
        if len(recent) == _CHATTER_TIMES and time - recent[0] <= self._minute:
            self._chatter[key] = self._chatter.get(key, 0) + 1
            recent.clear()  # the next three are another bout

    def _pass(self, now: int) -> None:
        """Forget what is ten minutes old, one by one, so that a flood ends at the moment it does."""
        self._now = max(self._now, now)
        while self._window and self._window[0] <= self._now - self._ten_minutes:
            gone = self._window.popleft()
            if self._flood_since is not None and len(self._window) < _FLOOD_ENDS_BELOW:
                self._flood += gone + self._ten_minutes - self._flood_since
                self._flood_since = None

    @property
    def flood_s(self) -> float:
        """Time in flood so far, s."""
        return (self._flood + (0 if self._flood_since is None else self._now - self._flood_since)) / self._rate_hz

    @property
    def mean_in_ten_minutes(self) -> float:
        """Announcements in ten minutes on average; NaN before a second has passed.

        A run shorter than ten minutes counts as ten: one alarm in its first minute is not ten in ten minutes.
        """
        if self._now_s < 1.0:
            return math.nan
        return self.announced * _TEN_MINUTES_S / max(self._now_s, _TEN_MINUTES_S)

    def record(self, standings: Iterable[Standing] = ()) -> dict[str, Any]:
        """What summary.json holds of it; `standings` are every alarm's present state."""
        standing = [alarm for alarm in standings if alarm.state is not State.NORMAL]
        return {
            "announced": self.announced,
            "most_in_ten_minutes": self.most_in_ten_minutes,
            "mean_in_ten_minutes": self.mean_in_ten_minutes,
            "floods": self._floods,
            "time_in_flood_s": self.flood_s,
            "chattering": [
                {"kind": kind, "where": where, "times": times} for (kind, where), times in sorted(self._chatter.items())
            ],
            "standing": len(standing),
            "stale": [
                {"kind": alarm.definition.kind, "where": alarm.definition.where}
                for alarm in standing
                if alarm.since_sample is not None and self._age_s(alarm.since_sample) >= _STALE_S
            ],
        }

    @property
    def _now_s(self) -> float:
        return self._now / self._rate_hz

    def _age_s(self, sample: int) -> float:
        return self._now_s - (sample - self._first) / self._rate_hz
