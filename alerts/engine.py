"""Runs every alarm's life on sample time: observations in, transitions out, timers between.

All that happens is ordered by sample, then by the alarms' fixed order, so that any split of the stream gives the
same transitions. At one sample observations come before timers: a condition must hold through its delay. A person is
told of an alarm once, and again when another cause comes up or it is clearly worse than what was told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from alerts.alert import Definition, Evidence, Observation, Standing, Transition
from alerts.lifecycle import Input, State, abnormal, successor

# From here an alarm that occurs is news whatever was told before: nothing waits for anybody.
_AT_REST = frozenset({State.NORMAL, State.LATCHED_ACKNOWLEDGED})


@dataclass
class _Alarm:
    """One alarm with its timer: the input that is due, when, and on which evidence.

    `told` holds, for each cause, what a person was last told (or acknowledged) since the alarm was last at rest.
    """

    standing: Standing
    order: int
    due: int | None = None
    pending: Input | None = None
    evidence: Evidence | None = None
    told: dict[str, Evidence] = field(default_factory=dict)

    def tell(self) -> None:
        """Note that a person knows what the standing shows."""
        shown = self.standing.evidence
        if shown is not None:
            self.told[shown.cause] = shown


class Engine:
    """Holds all alarms.

    Parameters
    ----------
    definitions : iterable of Definition
        Every alarm that may ever be observed; their order is the order at equal samples.
    rate_hz : float
        Samples per second of the sample axis.
    lap_at : callable
        Name of the lap that a sample belongs to.
    first_sample : int
        Sample number of time 0.
    """

    def __init__(
        self,
        definitions: Iterable[Definition],
        rate_hz: float,
        lap_at: Callable[[int], str],
        first_sample: int = 0,
    ) -> None:
        self._rate_hz = rate_hz
        self._lap_at = lap_at
        self.first_sample = first_sample
        self._alarms = {
            definition.key: _Alarm(Standing(definition), order) for order, definition in enumerate(definitions)
        }
        self._sequence = 0
        self._suppresses: dict[tuple[str, str], list[_Alarm]] = {}
        for alarm in self._alarms.values():
            for key in alarm.standing.definition.suppressed_by:
                self._suppresses.setdefault(key, []).append(alarm)

    @property
    def standings(self) -> list[Standing]:
        """Every alarm's present state, in the fixed order."""
        return [alarm.standing for alarm in self._alarms.values()]

    def advance(self, observations: Iterable[Observation], until_sample: int) -> list[Transition]:
        """Take all observations before `until_sample` and let time pass up to it; return what changed, in order."""
        transitions: list[Transition] = []
        ordered = sorted(observations, key=lambda seen: (seen.sample, self._alarms[seen.kind, seen.where].order))
        for seen in ordered:
            transitions += self._fire(seen.sample)
            transitions += self._observe(self._alarms[seen.kind, seen.where], seen)
        return transitions + self._fire(until_sample)

    def tell(self, key: tuple[str, str], happening: Input, sample: int) -> list[Transition]:
        """A person acknowledges or resets an alarm at a sample."""
        return self._apply(self._alarms[key], happening, sample)

    def _observe(self, alarm: _Alarm, seen: Observation) -> list[Transition]:
        standing = alarm.standing
        if seen.condition is None:
            # Unknown neither trips nor clears: what was pending must be seen again from the start.
            alarm.due = alarm.pending = None
            standing.condition = None
            return []
        standing.condition = seen.condition
        if seen.condition:
            return self._observe_abnormal(alarm, seen)
        if not abnormal(standing.state):
            alarm.due = alarm.pending = None
            return []
        if alarm.pending is Input.RETURNS:
            return []
        return self._after(alarm, Input.RETURNS, seen.sample, standing.definition.off_delay_s)

    def _observe_abnormal(self, alarm: _Alarm, seen: Observation) -> list[Transition]:
        standing, evidence = alarm.standing, seen.evidence
        assert evidence is not None
        happening = Input.OCCURS
        waits = alarm.pending is Input.OCCURS
        if abnormal(standing.state):
            happening = Input.WORSENS
            # Suppressed, an alarm shows what was not told: only what is news against both has to be said.
            shown = {} if standing.evidence is None else {standing.evidence.cause: standing.evidence}
            if not (_is_news(evidence, alarm.told) and _is_news(evidence, shown)):
                alarm.due = alarm.pending = None
                return []
            due = alarm.evidence if alarm.pending is Input.WORSENS else None
            waits = due is not None and due.cause == evidence.cause
        alarm.evidence = evidence
        if waits and not seen.immediate:
            return []
        return self._after(alarm, happening, seen.sample, 0.0 if seen.immediate else standing.definition.on_delay_s)

    def _after(self, alarm: _Alarm, happening: Input, sample: int, delay_s: float) -> list[Transition]:
        delay = round(delay_s * self._rate_hz)
        if delay == 0:
            alarm.due = alarm.pending = None
            return self._apply(alarm, happening, sample)
        alarm.due, alarm.pending = sample + delay, happening
        return []

    def _fire(self, before_sample: int) -> list[Transition]:
        """Apply every timer that is due before a sample, earliest first."""
        transitions: list[Transition] = []
        while True:
            due = [(a.due, a.order, a) for a in self._alarms.values() if a.due is not None and a.due < before_sample]
            if not due:
                return transitions
            sample, _, alarm = min(due, key=lambda entry: entry[:2])
            happening = alarm.pending
            assert happening is not None
            alarm.due = alarm.pending = None
            transitions += self._apply(alarm, happening, sample)

    def _apply(self, alarm: _Alarm, happening: Input, sample: int) -> list[Transition]:
        standing = alarm.standing
        before = standing.state
        after = successor(before, happening, latches=standing.definition.latches)
        worsens = happening is Input.WORSENS and abnormal(before)
        if after is before and not worsens:
            return []
        standing.state = after
        standing.last_change_sample = sample
        if happening is Input.ACKNOWLEDGE:
            alarm.tell()
        if happening is not Input.OCCURS and not worsens:
            transitions = [self._transition(standing, happening.value, sample, standing.evidence)]
        else:
            transitions = [self._come(alarm, happening, before, sample)]
        if abnormal(before) != abnormal(after):
            transitions += self._suppress_others(standing.definition.key, sample)
        return transitions

    def _come(self, alarm: _Alarm, happening: Input, before: State, sample: int) -> Transition:
        """An alarm occurs or worsens, on the evidence that was pending."""
        standing, evidence = alarm.standing, alarm.evidence
        assert evidence is not None
        if happening is Input.OCCURS:
            standing.occurrences += 1
            if before in _AT_REST:
                alarm.told.clear()
                standing.evidence = None
        # While nobody has acknowledged what was announced, an alarm that comes again is the same news.
        news = not standing.suppressed and _is_news(evidence, alarm.told)
        shown = standing.evidence
        if news or shown is None or shown.cause != evidence.cause or shown.severity <= evidence.severity:
            standing.evidence = evidence
            standing.since_sample = evidence.since_sample
        if news:
            alarm.tell()
        return self._transition(standing, happening.value, sample, evidence, announced=news)

    def _suppress_others(self, key: tuple[str, str], sample: int) -> list[Transition]:
        """Silence, or let speak again, the alarms that this one's change concerns."""
        transitions = []
        for alarm in self._suppresses.get(key, []):
            standing = alarm.standing
            causes = standing.definition.suppressed_by
            now = any(abnormal(self._alarms[cause].standing.state) for cause in causes if cause in self._alarms)
            if now == standing.suppressed:
                continue
            standing.suppressed = now
            if standing.state is not State.NORMAL:
                shown = standing.evidence
                news = not now and standing.state is State.UNACKNOWLEDGED
                news = news and shown is not None and _is_news(shown, alarm.told)
                if news:
                    alarm.tell()
                change = "suppressed" if now else "released"
                transitions.append(self._transition(standing, change, sample, shown, announced=news))
        return transitions

    def _transition(
        self, standing: Standing, change: str, sample: int, evidence: Evidence | None, *, announced: bool = False
    ) -> Transition:
        self._sequence += 1
        return Transition(
            sequence=self._sequence,
            sample=sample,
            time_s=self.time_s(sample),
            lap=self._lap_at(sample),
            definition=standing.definition,
            change=change,
            state=standing.state,
            suppressed=standing.suppressed,
            announced=announced,
            occurrences=standing.occurrences,
            evidence=evidence,
            since_s=None if evidence is None else self.time_s(evidence.since_sample),
        )

    def time_s(self, sample: int) -> float:
        """Seconds of sample time since the stream's first sample."""
        return (sample - self.first_sample) / self._rate_hz


def _is_news(evidence: Evidence, told: dict[str, Evidence]) -> bool:
    """Whether this is another cause than any that was told, or clearly worse than what was told of the same one."""
    known = told.get(evidence.cause)
    return known is None or evidence.severity >= known.severity + known.worse_by
