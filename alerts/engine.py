"""Runs every alarm's life on sample time: observations in, transitions out, timers between.

All that happens is ordered by sample, then by the alarms' fixed order, so that any split of the stream gives the
same transitions. At one sample observations come before timers: a condition must hold through its delay. A person is
told of an alarm once, and again when another cause comes up or it is clearly worse than what was told. What must
outlive the program goes out by `remember` and comes back by `restore`; `take_changed` names the alarms it differs for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from alerts.alert import Definition, Evidence, Memory, Observation, Remembered, Standing, Transition
from alerts.lifecycle import Input, Life, State, abnormal, follow
from alerts.tracked import Tracked, is_news, moved, unwatched

# From here an alarm that occurs is news whatever was told before: nothing waits for anybody.
_AT_REST = frozenset({State.NORMAL, State.LATCHED_ACKNOWLEDGED})
# Where nothing but a silence changed: said only when there is something to say.
_BY_DESIGN = frozenset({Input.SUPPRESS, Input.RELEASE})
# A person who does this knows what the alarm shows.
_SEEN = frozenset({Input.ACKNOWLEDGE, Input.UNSHELVE})


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
            definition.key: Tracked(Standing(definition), order) for order, definition in enumerate(definitions)
        }
        # What earlier runs left of alarms that are not among the definitions of this one.
        self._unwatched: dict[tuple[str, str], Remembered] = {}
        self._sequence = 0
        self._now = first_sample
        self._restored = False
        self._changed: dict[tuple[str, str], None] = {}
        self._suppresses: dict[tuple[str, str], list[Tracked]] = {}
        for alarm in self._alarms.values():
            for key in alarm.standing.definition.suppressed_by:
                self._suppresses.setdefault(key, []).append(alarm)

    @property
    def standings(self) -> list[Standing]:
        """Every alarm's present state, in the fixed order."""
        return [alarm.standing for alarm in self._alarms.values()]

    @property
    def newest_sample(self) -> int:
        """The newest sample up to which time has passed."""
        return max(self.first_sample, self._now - 1)

    @property
    def timers_run(self) -> bool:
        """Whether a delay or a shelf is running."""
        return any(a.due is not None or a.standing.shelved_until_sample is not None for a in self._alarms.values())

    def knows(self, key: tuple[str, str]) -> bool:
        """Whether there is such an alarm."""
        return key in self._alarms

    def begin(self, first_sample: int) -> None:
        """The stream begins: time 0 is here, and what is left of restored delays and shelves runs from here."""
        shift = first_sample - self.first_sample
        self.first_sample = first_sample
        self._now = first_sample
        if not shift:
            return
        for key, kept in self._remembered():
            there = moved(kept, lambda sample: sample + shift)
            if there != kept:
                self._take_up(key, there)

    def advance(self, observations: Iterable[Observation], until_sample: int) -> list[Transition]:
        """Take all observations before `until_sample` and let time pass up to it; return what changed, in order."""
        transitions = self._settle() if self._restored else []
        ordered = sorted(observations, key=lambda seen: (seen.sample, self._alarms[seen.kind, seen.where].order))
        for seen in ordered:
            transitions += self._fire(seen.sample)
            alarm = self._alarms[seen.kind, seen.where]
            before = alarm.timer()
            transitions += self._observe(alarm, seen)
            if alarm.timer() != before:
                self._changed[seen.kind, seen.where] = None
        transitions += self._fire(until_sample)
        self._now = max(self._now, until_sample)
        return transitions

    def tell(
        self, key: tuple[str, str], happening: Input, sample: int, who: str = "", shelve_s: float = 0.0
    ) -> list[Transition]:
        """A person acts on an alarm at a sample; a shelf ends `shelve_s` later."""
        until = sample + max(1, round(shelve_s * self._rate_hz)) if happening is Input.SHELVE else None
        return self._apply(self._alarms[key], happening, sample, who, until)

    def take_changed(self) -> list[tuple[str, str]]:
        """Keys of the alarms that `remember` tells otherwise than at the last call."""
        changed = list(self._changed)
        self._changed.clear()
        return changed

    def remember(self, keys: Iterable[tuple[str, str]] | None = None) -> Memory:
        """What must outlive the program, of some alarms or of all."""
        alarms = tuple(kept for _, kept in self._remembered(keys))
        return Memory(self._now, self._rate_hz, self._sequence, alarms)

    def restore(self, memory: Memory) -> list[tuple[str, str]]:
        """Take up what another run left, before this one's first sample; return the keys that are not known here.

        What was left of a delay or a shelf is left now; what lay back lies as far before the first sample. Alarms that
        are not known are remembered on as they stood, for a run that knows them again; their shelves run meanwhile.
        """
        scale = self._rate_hz / memory.rate_hz
        for kept in memory.alarms:
            there = moved(kept, lambda sample: self.first_sample + round((sample - memory.now) * scale))
            if there.shelved_until_sample is not None:  # it may have run out while nobody knew the alarm
                there = replace(there, shelved_until_sample=max(self.first_sample, there.shelved_until_sample))
            self._take_up(kept.key, there)
        self._sequence = max(self._sequence, memory.sequence)
        self._restored = True
        return [kept.key for kept in memory.alarms if not self.knows(kept.key)]

    def _remembered(self, keys: Iterable[tuple[str, str]] | None = None) -> list[tuple[tuple[str, str], Remembered]]:
        chosen = [*self._alarms, *self._unwatched] if keys is None else keys
        return [
            (key, self._alarms[key].remembered() if key in self._alarms else self._unwatched[key]) for key in chosen
        ]

    def _take_up(self, key: tuple[str, str], kept: Remembered) -> None:
        if key in self._alarms:
            self._alarms[key].take_up(kept)
        else:
            self._unwatched[key] = unwatched(kept)
        self._changed[key] = None

    def _settle(self) -> list[Transition]:
        """After a restart: silence or release what the causes, as they stand now, ask for."""
        self._restored = False
        return [t for alarm in self._alarms.values() for t in self._suppress(alarm, self.first_sample)]

    def _observe(self, alarm: Tracked, seen: Observation) -> list[Transition]:
        standing = alarm.standing
        if seen.condition is None:
            # Unknown neither trips nor clears: what was pending must be seen again from the start.
            alarm.due = alarm.pending = None
            standing.condition, standing.learning = None, seen.learning
            return []
        standing.condition, standing.learning = seen.condition, False
        if seen.condition:
            return self._observe_abnormal(alarm, seen)
        if not abnormal(standing.state):
            alarm.due = alarm.pending = None
            return []
        if alarm.pending is Input.RETURNS:
            return []
        return self._after(alarm, Input.RETURNS, seen.sample, standing.definition.off_delay_s)

    def _observe_abnormal(self, alarm: Tracked, seen: Observation) -> list[Transition]:
        standing, evidence = alarm.standing, seen.evidence
        assert evidence is not None
        happening = Input.OCCURS
        waits = alarm.pending is Input.OCCURS
        if abnormal(standing.state):
            happening = Input.WORSENS
            # Suppressed, an alarm shows what was not told: only what is news against both has to be said.
            shown = {} if standing.evidence is None else {standing.evidence.cause: standing.evidence}
            if not (is_news(evidence, alarm.told) and is_news(evidence, shown)):
                alarm.due = alarm.pending = None
                return []
            due = alarm.evidence if alarm.pending is Input.WORSENS else None
            waits = due is not None and due.cause == evidence.cause
        alarm.evidence = evidence
        if waits and not seen.immediate:
            return []
        return self._after(alarm, happening, seen.sample, 0.0 if seen.immediate else standing.definition.on_delay_s)

    def _after(self, alarm: Tracked, happening: Input, sample: int, delay_s: float) -> list[Transition]:
        delay = round(delay_s * self._rate_hz)
        if delay == 0:
            alarm.due = alarm.pending = None
            return self._apply(alarm, happening, sample)
        alarm.due, alarm.pending = sample + delay, happening
        return []

    def _fire(self, before_sample: int) -> list[Transition]:
        """Apply every delay and end of a shelf that is due before a sample, earliest first."""
        transitions: list[Transition] = []
        while True:
            due: list[tuple[int, int, int, Tracked]] = []
            for alarm in self._alarms.values():
                if alarm.due is not None and alarm.due < before_sample:
                    due.append((alarm.due, alarm.order, 0, alarm))
                until = alarm.standing.shelved_until_sample
                if until is not None and until < before_sample:
                    due.append((until, alarm.order, 1, alarm))
            if not due:
                return transitions
            sample, _, which, alarm = min(due, key=lambda entry: entry[:3])
            happening: Input | None = Input.SHELF_ENDS
            if which == 0:
                happening = alarm.pending
                alarm.due = alarm.pending = None
                self._changed[alarm.standing.definition.key] = None
            assert happening is not None
            transitions += self._apply(alarm, happening, sample)

    def _apply(
        self, alarm: Tracked, happening: Input, sample: int, who: str = "", until: int | None = None
    ) -> list[Transition]:
        standing = alarm.standing
        before, shelf = standing.life, standing.shelved_until_sample
        after = follow(before, happening, latches=standing.definition.latches)
        worsens = happening is Input.WORSENS and abnormal(before.state)
        if after == before and not worsens and (until is None or until == shelf):
            return []
        self._changed[standing.definition.key] = None
        alarm.set_life(after, shelf if until is None else until)
        standing.who = who or standing.who
        if happening in _BY_DESIGN:
            missed = not after.silent and alarm.told_abnormal != abnormal(after.state)
            if after.state is State.NORMAL and not missed:
                return []
        standing.last_change_sample = sample
        if happening in _SEEN:
            alarm.tell()
            alarm.told_abnormal = abnormal(after.state)
        if happening is Input.OCCURS or worsens:
            return [self._come(alarm, happening, before.state, sample), *self._concern_others(alarm, before, sample)]
        if happening is Input.SHELF_ENDS and abnormal(after.state):
            # It was put off, and nobody need remember it.
            alarm.told.clear()
        news = before.silent and not after.silent and self._speaks(alarm)
        told = self._transition(alarm, happening, sample, standing.evidence, announced=news, who=who)
        return [told, *self._concern_others(alarm, before, sample)]

    def _speaks(self, alarm: Tracked) -> bool:
        """Whether an alarm that is silent no longer has news; then it is told."""
        standing = alarm.standing
        shown = standing.evidence
        news = standing.state is State.UNACKNOWLEDGED and shown is not None and is_news(shown, alarm.told)
        if news:
            alarm.tell()
        return news

    def _come(self, alarm: Tracked, happening: Input, before: State, sample: int) -> Transition:
        """An alarm occurs or worsens, on the evidence that was pending."""
        standing, evidence = alarm.standing, alarm.evidence
        assert evidence is not None
        if happening is Input.OCCURS:
            standing.occurrences += 1
            if before in _AT_REST:
                alarm.told.clear()
                standing.evidence = None
        # While nobody has acknowledged what was announced, an alarm that comes again is the same news.
        news = not standing.life.silent and is_news(evidence, alarm.told)
        shown = standing.evidence
        if news or shown is None or shown.cause != evidence.cause or shown.severity <= evidence.severity:
            standing.evidence = evidence
            standing.since_sample = evidence.since_sample
        if news:
            alarm.tell()
        return self._transition(alarm, happening, sample, evidence, announced=news)

    def _concern_others(self, alarm: Tracked, before: Life, sample: int) -> list[Transition]:
        """Silence, or let speak again, the alarms that a change of this one's condition concerns."""
        standing = alarm.standing
        if abnormal(before.state) == abnormal(standing.state):
            return []
        others = self._suppresses.get(standing.definition.key, [])
        return [transition for other in others for transition in self._suppress(other, sample)]

    def _suppress(self, alarm: Tracked, sample: int) -> list[Transition]:
        causes = alarm.standing.definition.suppressed_by
        now = any(abnormal(self._alarms[cause].standing.state) for cause in causes if cause in self._alarms)
        return self._apply(alarm, Input.SUPPRESS if now else Input.RELEASE, sample)

    def _transition(
        self,
        alarm: Tracked,
        happening: Input,
        sample: int,
        evidence: Evidence | None,
        *,
        announced: bool = False,
        who: str = "",
    ) -> Transition:
        self._sequence += 1
        standing = alarm.standing
        life = standing.life
        if not life.silent:
            alarm.told_abnormal = abnormal(life.state)
        return Transition(
            sequence=self._sequence,
            sample=sample,
            time_s=self.time_s(sample),
            lap=self._lap_at(sample),
            definition=standing.definition,
            change=happening.value,
            state=life.state,
            suppressed=life.suppressed,
            announced=announced,
            occurrences=standing.occurrences,
            evidence=evidence,
            since_s=None if evidence is None else self.time_s(evidence.since_sample),
            who=who,
            shelved=life.shelved,
            out_of_service=life.out_of_service,
        )

    def time_s(self, sample: int) -> float:
        """Seconds of sample time since the stream's first sample."""
        return (sample - self.first_sample) / self._rate_hz
