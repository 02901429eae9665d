"""What became of each alarm: when its condition held, when people were told, who acknowledged it and after how long.

In: transitions as in alerts.jsonl, in their order, any of them missing. Out: an `Alarm` for each kind and place, and
the counts that the budget of announcements is held against. Pure; nothing raises on odd values.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from alerts.lifecycle import State
from console.debrief_values import known, number, text, value_at
from console.lines import kind_name

TEN_MINUTES_S = 600.0
# On average at most one announcement in ten minutes per person, and more than ten are a flood: after ISA-18.2 and
# EEMUA 191, second-hand.
BUDGET_IN_TEN_MINUTES, FLOOD_ABOVE = 1.0, 10
_RANKS = {"high": 0, "medium": 1, "low": 2}


@dataclass(frozen=True)
class Told:
    """One announcement. `acknowledged_s` is when somebody acknowledged it, NaN when nobody did."""

    time_s: float
    lap: str
    change: str
    sentence: str
    limit: str
    check_first: str
    since_s: float
    acknowledged_s: float = math.nan
    who: str = ""

    @property
    def took_s(self) -> float:
        """How long it waited to be acknowledged, s."""
        return self.acknowledged_s - self.time_s


@dataclass
class Alarm:
    """One alarm's story.

    `held` are stretches, in s, in which the condition was abnormal (the last may end in NaN: still so); `quiet`
    those in which it was silenced: suppressed, shelved or out of service.
    """

    kind: str
    where: str
    priority: str
    state: str = ""
    occurrences: float = math.nan
    held: list[tuple[float, float]] = field(default_factory=list)
    quiet: list[tuple[float, float]] = field(default_factory=list)
    told: list[Told] = field(default_factory=list)
    acts: list[tuple[float, str, str]] = field(default_factory=list)  # when, what a person did, who

    @property
    def name(self) -> str:
        """Kind and place in words."""
        return f"{kind_name(self.kind)} {self.where}"

    @property
    def rank(self) -> int:
        """0 for the most urgent priority."""
        return _RANKS.get(self.priority, len(_RANKS))

    @property
    def first_s(self) -> float:
        """When it first held, or first did anything."""
        return min([*known(start for start, _ in self.held), *(one.time_s for one in self.told)], default=math.inf)


@dataclass(frozen=True)
class Noise:
    """What the alarms asked of people; `slots` counts the announcements of each ten minutes from the start."""

    told: int
    in_ten_minutes: float
    slots: tuple[int, ...]


def alarms_of(changes: Iterable[dict[str, Any]]) -> list[Alarm]:
    """The story of every alarm, most urgent first, then in the order of occurring."""
    found: dict[tuple[str, str], Alarm] = {}
    for change in changes:
        key = text(change, "kind", most=40), text(change, "where", most=60)
        if key not in found:
            found[key] = Alarm(key[0], key[1], text(change, "priority", most=12))
        _take(found[key], change)
    return sorted(found.values(), key=lambda alarm: (alarm.rank, alarm.first_s, alarm.kind, alarm.where))


def _take(alarm: Alarm, change: dict[str, Any]) -> None:
    what, time_s = text(change, "change", most=24), number(change, "time_s")
    alarm.state = text(change, "state", most=60)
    alarm.priority = text(change, "priority", most=12) or alarm.priority
    occurrences = number(change, "occurrences")
    alarm.occurrences = occurrences if math.isfinite(occurrences) else alarm.occurrences
    if what in {"occurs", "worsens"} and not _open(alarm.held):
        since_s = number(change, "since_s")
        alarm.held.append((since_s if since_s <= time_s else time_s, math.nan))
    elif what == "returns" and _open(alarm.held):
        alarm.held[-1] = (alarm.held[-1][0], time_s)
    silent = any(value_at(change, key) is True for key in ("suppressed", "shelved", "out_of_service"))
    if silent and not _open(alarm.quiet):
        alarm.quiet.append((time_s, math.nan))
    elif not silent and _open(alarm.quiet):
        alarm.quiet[-1] = (alarm.quiet[-1][0], time_s)
    who = text(change, "who", most=40)
    if who:
        alarm.acts.append((time_s, what.replace("_", " "), who))
    if value_at(change, "announced") is True:
        alarm.told.append(_told(change, what, time_s))
    elif what in {"acknowledge", "unshelve", "reset"}:
        _acknowledged(alarm, time_s, who)


def _acknowledged(alarm: Alarm, time_s: float, who: str) -> None:
    """A person has seen it: so are all earlier announcements that waited."""
    for place, told in enumerate(alarm.told):
        if not math.isfinite(told.acknowledged_s):
            fields = {**vars(told), "acknowledged_s": time_s, "who": who}
            alarm.told[place] = Told(**fields)


def _told(change: dict[str, Any], what: str, time_s: float) -> Told:
    limit = number(change, "limit")
    return Told(
        time_s,
        text(change, "lap", most=12),
        what.replace("_", " "),
        text(change, "sentence", most=200),
        f"{limit:g} {text(change, 'unit', most=20)}".strip() if math.isfinite(limit) else "",
        text(change, "check_first", most=200),
        number(change, "since_s"),
    )


def _open(stretches: list[tuple[float, float]]) -> bool:
    return bool(stretches) and not math.isfinite(stretches[-1][1])


def announcements(alarms: Iterable[Alarm]) -> list[tuple[Told, Alarm]]:
    """All announcements in the order of time."""
    found = [(told, alarm) for alarm in alarms for told in alarm.told]
    return sorted(found, key=lambda pair: (pair[0].time_s, pair[1].rank, pair[1].name))


def noise_of(alarms: Iterable[Alarm], duration_s: float) -> Noise:
    """Announcements against the length of the stint."""
    times = [told.time_s for alarm in alarms for told in alarm.told]
    length_s = max(duration_s if math.isfinite(duration_s) else 0.0, *times, 0.0)
    if length_s <= 0.0:
        return Noise(len(times), math.nan, ())
    # The counts of a stint of a month still fit a figure; beyond it the times are torn.
    slots = [0] * min(math.ceil(length_s / TEN_MINUTES_S), 5000)
    for time_s in times:
        slots[min(max(int(time_s // TEN_MINUTES_S), 0), len(slots) - 1)] += 1
    # A stint shorter than ten minutes is not held to less than one announcement.
    return Noise(len(times), len(times) / max(1.0, length_s / TEN_MINUTES_S), tuple(slots))


def waits_s(alarms: Iterable[Alarm]) -> tuple[float, float, int, int]:
    """Median and longest wait for an acknowledgement, s; announcements acknowledged; announcements in all."""
    told = [told for alarm in alarms for told in alarm.told]
    waits = known(one.took_s for one in told)
    return (
        statistics.median(waits) if waits else math.nan,
        max(waits, default=math.nan),
        len(waits),
        len(told),
    )


def standing(alarms: Iterable[Alarm]) -> list[Alarm]:
    """Alarms not back to normal and acknowledged at the end, or silenced by a person then."""
    return [alarm for alarm in alarms if alarm.state not in {"", State.NORMAL.value} or _open(alarm.quiet)]
