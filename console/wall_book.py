"""What a pit wall knows of one monitor: messages in, what stands and whether to believe it out. Pure, no connection.

In: messages from anybody below the prefix, and monotonic seconds. Out: alarms by urgency and `trouble`, which is empty
only when a monitor was heard just now, its samples are fresh and its newest state is here. What is no message of ours
is counted and forgotten; strings are made safe here.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any

from console.lines import kind_name
from ingest.rehearsal_mark import MARK
from ingest.text import clean

_MOST_BYTES = 100_000
_MOST_COUNTED = 9999  # alarms, and more than any sheet makes: a longer number would push words off the screen
_SILENT_S = 3.0  # three heartbeats
_STALE_S = 2.0  # as on the board
_BEHIND_S = 2.0


@dataclass(frozen=True)
class WallAlarm:
    """One alarm that stands, in strings safe to show."""

    kind: str
    where: str
    priority: str
    state: str
    acknowledged: bool
    who: str
    since_s: float | None
    since_lap: str
    sentence: str
    check_first: str
    caution: str
    announced: int = 0

    @property
    def name(self) -> str:
        """Its name in words."""
        return f"{kind_name(self.kind)} {self.where}"


@dataclass(frozen=True)
class WallHidden:
    """One alarm that is kept quiet, why, until when (s of the run's time), and who did it; safe to show."""

    kind: str
    where: str
    why: str
    until_s: float | None
    who: str

    @property
    def name(self) -> str:
        """Its name in words."""
        return f"{kind_name(self.kind)} {self.where}"


class WallBook:
    """Follows one monitor. `now` is monotonic seconds everywhere."""

    def __init__(self, now: float) -> None:
        # `onsets`: when each alarm that stands came up, by the car's own time, on the clock of `now`; -inf: not known.
        self.alarms: tuple[WallAlarm, ...] = ()
        self.hidden: tuple[WallHidden, ...] = ()
        self.left_out = 0
        self.learning = 0
        self.car = ""
        self.refused = 0
        self.known = False  # whether anything of a monitor ever came
        self.onsets: dict[tuple[str, str], float] = {}
        self._begun = now
        self._broker_lost: float | None = now
        self._has_state = False
        self._run = ""
        self._sequence = -1
        self._heard: float | None = None
        self._last_beat: float | None = None
        self._beat: dict[str, Any] = {}
        self._beat_run = ""
        self._behind_since: float | None = None
        self._stopped: tuple[str, str] | None = None  # run and reason

    def broker(self, *, there: bool, now: float) -> None:
        """The connection to the broker was made, or is gone."""
        if there:
            self._broker_lost = None
        elif self._broker_lost is None:
            self._broker_lost = now

    def hear(self, name: str, payload: bytes, now: float) -> None:
        """Take a message; `name` is its topic below the prefix."""
        readers = {"state": self._state, "heartbeat": self._heartbeat, "online": self._online}
        if name not in readers:
            return
        try:
            # What is too long becomes no record at all.
            record = json.loads(payload[:_MOST_BYTES])
            if record["format"] != f"damperwatch {name}":
                record = None
            readers[name](record, now)
            self.known = True
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError):
            self.refused += 1

    def trouble(self, now: float) -> str:
        """Why what is shown may not be so, in a few words; empty when it can be believed."""
        if self._broker_lost is not None:
            return f"NO BROKER {now - self._broker_lost:.0f} s"
        if self._stopped is not None and self._heard is None:
            return f"MONITOR STOPPED: {self._stopped[1]}"
        if self._heard is None:
            return f"NO MONITOR HEARD {now - self._begun:.0f} s"
        if now - self._heard > _SILENT_S:
            return f"MONITOR SILENT {now - self._heard:.0f} s"
        if not self._has_state:
            return "NO STATE YET"
        if self._beat_run != self._run:
            return "MONITOR RESTARTED, NO STATE YET"
        if self._behind_since is not None and now - self._behind_since > _BEHIND_S:
            return f"ALERTS BEHIND {now - self._behind_since:.0f} s"
        age = self._beat["age"]
        if age is not None and age + now - self._heard > _STALE_S:
            return f"NO SAMPLES {age + now - self._heard:.0f} s"
        return str(self._beat["link"])

    def deaf(self, now: float) -> bool:
        """Whether it is known that no monitor would hear a command: it has stopped, or has fallen silent."""
        return self._stopped is not None if self._heard is None else now - self._heard > _SILENT_S

    @property
    def stopped(self) -> str | None:
        """Why the monitor has stopped; None when that is not known of it."""
        return self._stopped[1] if self._stopped is not None and self._heard is None else None

    @property
    def rehearsal(self) -> bool:
        """Whether the newest state is of a rehearsal, and not of the car."""
        return self.car.startswith(MARK)

    @property
    def run(self) -> str:
        """Which run of the monitor the state is of; a command must name it."""
        return self._run

    @property
    def connected(self) -> bool:
        """Whether the broker is there."""
        return self._broker_lost is None

    def heard_s(self, now: float) -> float | None:
        """How long ago the monitor was heard; None when it never was."""
        return None if self._last_beat is None else now - self._last_beat

    def sample_age_s(self, now: float) -> float | None:
        """How old the newest sample is by now; None when there is none, as in a replay."""
        if self._heard is None or self._beat.get("age") is None:
            return None
        return float(self._beat["age"]) + now - self._heard

    @property
    def newest_call(self) -> tuple[str, int]:
        """Run and number of the newest announcement that nobody has acknowledged; a new one is to be heard."""
        return self._run, max((a.announced for a in self.alarms if not a.acknowledged), default=0)

    @property
    def quiet(self) -> bool:
        """Whether the newest state holds no alarm that speaks, and none was left out."""
        return self._has_state and not self.alarms and not self.left_out

    def _state(self, record: dict[str, Any], now: float) -> None:
        sequence, run = int(record["sequence"]), clean(record["run"], 60)
        alarms = tuple(_alarm(entry) for entry in record["alarms"])
        hidden = tuple(_hidden(entry) for entry in record["hidden"])
        left_out, learning = (max(0, min(int(record[name]), _MOST_COUNTED)) for name in ("left_out", "learning"))
        if run == self._run and sequence < self._sequence:
            return  # an older one that came late
        self.onsets = self._onsets(alarms, run, record.get("time_s"), now)
        self.alarms, self.hidden, self.left_out, self.learning = alarms, hidden, left_out, learning
        self.car, self._run, self._sequence, self._has_state = clean(record["car"], 60), run, sequence, True
        self._follow(now)

    def _onsets(
        self, alarms: tuple[WallAlarm, ...], run: str, time_s: object, now: float
    ) -> dict[tuple[str, str], float]:
        """When each came up; one that has stood since the state before keeps its time, so that no order flickers."""
        before = {(a.kind, a.where): a.since_s for a in self.alarms} if run == self._run else {}
        onsets = {}
        for alarm in alarms:
            key = (alarm.kind, alarm.where)
            age_s = math.nan
            if isinstance(time_s, int | float) and alarm.since_s is not None:
                age_s = float(time_s) - alarm.since_s
            onset = now - max(0.0, age_s) if math.isfinite(age_s) else -math.inf
            onsets[key] = self.onsets[key] if key in before and before[key] == alarm.since_s else onset
        return onsets

    def _heartbeat(self, record: dict[str, Any], now: float) -> None:
        age = None if record["sample_age_s"] is None else float(record["sample_age_s"])
        if age is not None and not 0.0 <= age < math.inf:
            raise ValueError("an age that is none")  # or old data would count as fresh
        beat = {
            "age": age,
            "link": clean(record["link"], 120),
            "sequence": int(record["sequence"]),
        }
        self._beat, self._beat_run, self._heard, self._stopped = beat, clean(record["run"], 60), now, None
        self._last_beat = now
        self._follow(now)

    def _follow(self, now: float) -> None:
        behind = self._beat_run == self._run and self._beat.get("sequence", -1) > self._sequence
        self._behind_since = (self._behind_since or now) if behind else None

    def _online(self, record: dict[str, Any], now: float) -> None:
        run = clean(record["run"], 60)
        if record["online"] is not False:
            return
        # The will of an earlier run may come late, when the next one already speaks.
        if self._heard is not None and run != self._beat_run and now - self._heard <= _SILENT_S:
            return
        self._stopped, self._heard = (run, clean(record["reason"], 100)), None


def _alarm(entry: dict[str, Any]) -> WallAlarm:
    since = entry["since_s"]
    return WallAlarm(
        kind=clean(entry["kind"], 60),
        where=clean(entry["where"], 60),
        priority=clean(entry["priority"], 10),
        state=clean(entry["state"], 60),
        acknowledged=entry["acknowledged"] is True,
        who=clean(entry["who"], 60),
        since_s=None if since is None else float(since),
        since_lap=clean(entry["since_lap"], 20),
        sentence=clean(entry["sentence"] or "", 400),
        check_first=clean(entry["check_first"] or "", 400),
        caution=clean(entry["caution"], 400),
        announced=int(entry.get("announced_sequence", 0)),
    )


def _hidden(entry: dict[str, Any]) -> WallHidden:
    until = entry.get("until_s")
    return WallHidden(
        kind=clean(entry["kind"], 60),
        where=clean(entry["where"], 60),
        why=clean(entry["why"], 60),
        until_s=None if until is None else float(until),
        who=clean(entry.get("who", ""), 60),
    )
