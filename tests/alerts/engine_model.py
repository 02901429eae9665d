"""A slow, independent alarm engine for tests: dictionaries and one loop a sample, written from docs/alarm-states.md.

In: what was observed at each sample and what people did. Out: what must have changed. It knows nothing of
`alerts.lifecycle`; every state is a name and every rule is spelled out where it applies.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

# A change: (sample, place, change, state, announced, shelved, suppressed, out of service, who)
Change = tuple[int, str, str, str, bool, bool, bool, bool, str]

NORMAL, UNACKNOWLEDGED, ACKNOWLEDGED = "normal", "unacknowledged", "acknowledged"
RETURNED = "returned to normal, unacknowledged"
HELD_UNACKNOWLEDGED, HELD_ACKNOWLEDGED = "latched, unacknowledged", "latched, acknowledged"


@dataclass(frozen=True)
class Seen:
    """One observation of a model's alarm."""

    where: str
    condition: bool | None
    cause: str = ""
    severity: float = 0.0
    immediate: bool = False


@dataclass
class ModelAlarm:
    """One alarm: condition and acknowledgement as two facts, `held` by the latch, three silences and what is known."""

    where: str
    on_delay: int
    off_delay: int
    latches: bool
    causes: tuple[str, ...]
    is_abnormal: bool = False
    unacknowledged: bool = False
    held: bool = False
    shelf_end: int | None = None
    suppressed: bool = False
    out_of_service: bool = False
    occurrences: int = 0
    who: str = ""
    shown: tuple[str, float] | None = None  # cause and severity that screens show
    shown_since: int | None = None
    known: dict[str, float] = field(default_factory=dict)  # cause -> severity that people know of
    known_abnormal: bool = False
    # What was seen and since when, while it waits for its delay: ("abnormal" | "news" | "normal", sample).
    waiting: tuple[str, int] | None = None
    waiting_for: tuple[str, float] | None = None
    waiting_seen: int | None = None

    @property
    def state(self) -> str:
        """The name of the state."""
        if self.is_abnormal:
            return UNACKNOWLEDGED if self.unacknowledged else ACKNOWLEDGED
        if self.held:
            return HELD_UNACKNOWLEDGED if self.unacknowledged else HELD_ACKNOWLEDGED
        return RETURNED if self.unacknowledged else NORMAL

    @property
    def silent(self) -> bool:
        """Whether nobody is told."""
        return self.shelf_end is not None or self.suppressed or self.out_of_service

    def is_news(self, cause: str, severity: float, worse_by: float) -> bool:
        """Whether a person does not know this of the alarm."""
        return cause not in self.known or severity >= self.known[cause] + worse_by


class Model:
    """All alarms, in their fixed order.

    Parameters
    ----------
    alarms : iterable of ModelAlarm
        In order.
    worse_by : float
        How much more severity is news.
    """

    def __init__(self, alarms: Iterable[ModelAlarm], worse_by: float) -> None:
        self.alarms = {alarm.where: alarm for alarm in alarms}
        self.worse_by = worse_by
        self.changes: list[Change] = []

    def sample(self, number: int, seen: Iterable[Seen]) -> None:
        """One sample passes: what is seen at it first, then what has waited long enough."""
        order = list(self.alarms)
        for one in sorted(seen, key=lambda s: order.index(s.where)):
            self._see(number, one)
        for alarm in self.alarms.values():
            # A change in this loop can't make another alarm due at this very sample.
            if alarm.waiting is not None:
                what, since = alarm.waiting
                delay = alarm.off_delay if what == "normal" else alarm.on_delay
                if number - since >= delay:
                    self._waited(number, alarm)
            if alarm.shelf_end is not None and number >= alarm.shelf_end:
                self._shelf_ends(number, alarm)

    def _see(self, number: int, seen: Seen) -> None:
        alarm = self.alarms[seen.where]
        if seen.condition is None:
            alarm.waiting = None
            return
        if not seen.condition:
            if not alarm.is_abnormal:
                alarm.waiting = None
            elif alarm.waiting is None or alarm.waiting[0] != "normal":
                alarm.waiting = ("normal", number)
                if alarm.off_delay == 0:
                    self._waited(number, alarm)
            return
        new = (seen.cause, seen.severity)
        what = "abnormal"
        goes_on = alarm.waiting is not None and alarm.waiting[0] == "abnormal"
        if alarm.is_abnormal:
            what = "news"
            beyond_shown = alarm.shown is None or alarm.shown[0] != new[0] or new[1] >= alarm.shown[1] + self.worse_by
            if not (alarm.is_news(*new, self.worse_by) and beyond_shown):
                alarm.waiting = None
                return
            goes_on = (
                alarm.waiting is not None
                and alarm.waiting[0] == "news"
                and alarm.waiting_for is not None
                and alarm.waiting_for[0] == new[0]
            )
        alarm.waiting_for, alarm.waiting_seen = new, number
        if not goes_on:
            alarm.waiting = (what, number)
        if seen.immediate or alarm.on_delay == 0:
            self._waited(number, alarm)

    def _waited(self, number: int, alarm: ModelAlarm) -> None:
        assert alarm.waiting is not None
        what, _ = alarm.waiting
        alarm.waiting = None
        if what == "normal":
            alarm.is_abnormal = False
            # An acknowledged alarm without a latch is over; with one, it is held for a person's reset.
            alarm.held = alarm.latches
            self._say(number, alarm, "returns")
            self._concern(number, alarm)
            return
        assert alarm.waiting_for is not None
        cause, severity = alarm.waiting_for
        if what == "abnormal":
            alarm.occurrences += 1
            if not alarm.unacknowledged:  # nothing waited for anybody
                alarm.known, alarm.shown = {}, None
        was = alarm.is_abnormal
        alarm.is_abnormal, alarm.unacknowledged, alarm.held = True, True, False
        announced = not alarm.silent and alarm.is_news(cause, severity, self.worse_by)
        if announced or alarm.shown is None or alarm.shown[0] != cause or severity >= alarm.shown[1]:
            alarm.shown, alarm.shown_since = (cause, severity), alarm.waiting_seen
        if announced:
            alarm.known[cause] = severity
        self._say(number, alarm, "worsens" if what == "news" else "occurs", announced=announced)
        if not was:
            self._concern(number, alarm)

    def _shelf_ends(self, number: int, alarm: ModelAlarm) -> None:
        alarm.shelf_end = None
        if alarm.is_abnormal or alarm.held:
            alarm.unacknowledged = True
        if alarm.is_abnormal:
            alarm.known = {}
        self._end_of_silence(number, alarm, "shelf_ends", was_silent=True)

    def _concern(self, number: int, cause: ModelAlarm) -> None:
        """Suppression by design: while any named cause is abnormal."""
        for alarm in self.alarms.values():
            if cause.where not in alarm.causes:
                continue
            wanted = any(self.alarms[name].is_abnormal for name in alarm.causes)
            if wanted == alarm.suppressed:
                continue
            was_silent = alarm.silent
            alarm.suppressed = wanted
            hid_something = not alarm.silent and alarm.known_abnormal != alarm.is_abnormal
            if alarm.state == NORMAL and not hid_something:
                continue
            self._end_of_silence(number, alarm, "suppressed" if wanted else "released", was_silent=was_silent)

    def _end_of_silence(self, number: int, alarm: ModelAlarm, change: str, *, was_silent: bool, who: str = "") -> None:
        announced = (
            was_silent
            and not alarm.silent
            and alarm.state == UNACKNOWLEDGED
            and alarm.shown is not None
            and alarm.is_news(*alarm.shown, self.worse_by)
        )
        if announced and alarm.shown is not None:
            alarm.known[alarm.shown[0]] = alarm.shown[1]
        self._say(number, alarm, change, announced=announced, who=who)

    def _say(self, number: int, alarm: ModelAlarm, change: str, *, announced: bool = False, who: str = "") -> None:
        if not alarm.silent:
            alarm.known_abnormal = alarm.is_abnormal
        silences = (alarm.shelf_end is not None, alarm.suppressed, alarm.out_of_service)
        self.changes.append((number, alarm.where, change, alarm.state, announced, *silences, who))

    def act(self, number: int, where: str, action: str, who: str, shelf: int = 0) -> None:
        """A person acts at a sample that has passed."""
        alarm = self.alarms[where]
        was_silent = alarm.silent
        if action == "acknowledge":
            if not alarm.unacknowledged:
                return
            self._seen(alarm)
        elif action == "reset":
            if not alarm.held or alarm.unacknowledged:
                return
            alarm.held = False
        elif action == "shelve":
            if alarm.shelf_end == number + shelf:
                return
            alarm.shelf_end = number + shelf
        elif action == "unshelve":
            if alarm.shelf_end is None:
                return
            alarm.shelf_end = None
            self._seen(alarm)
        elif action == "out_of_service":
            if alarm.out_of_service:
                return
            alarm.out_of_service = True
        elif action == "return_to_service":
            if not alarm.out_of_service:
                return
            alarm.out_of_service = False
        alarm.who = who
        self._end_of_silence(number, alarm, action, was_silent=was_silent, who=who)

    @staticmethod
    def _seen(alarm: ModelAlarm) -> None:
        """A person knows what the alarm shows, and has dealt with it."""
        # Returned and not held: acknowledged, it is over. A latch holds whatever has returned.
        alarm.unacknowledged = False
        if alarm.shown is not None:
            alarm.known[alarm.shown[0]] = alarm.shown[1]
        alarm.known_abnormal = alarm.is_abnormal

    def standing(self) -> dict[str, dict[str, Any]]:
        """What stands, by place."""
        return {
            where: {
                "state": alarm.state,
                "shelf_end": alarm.shelf_end,
                "suppressed": alarm.suppressed,
                "out_of_service": alarm.out_of_service,
                "occurrences": alarm.occurrences,
                "who": alarm.who,
                "shown": alarm.shown,
                "since": None if alarm.shown is None else alarm.shown_since,
            }
            for where, alarm in self.alarms.items()
        }
