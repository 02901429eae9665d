"""The whole chain in one object: chunks in, laps and alert transitions out.

Holds the pipeline, the rules, the engine and the count of what people were asked. Any split of the same stream, with
persons' actions at the same samples, gives the same laps and transitions.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from alerts.alert import Definition, Memory, Standing, Transition
from alerts.asymmetry import LeftRightAsymmetry
from alerts.bump_stop import BumpStopContact
from alerts.drift import DamperDrift
from alerts.drift_reference import DriftReference
from alerts.engine import Engine
from alerts.lifecycle import Input, State
from alerts.link_lost import LINK_KEY, LinkLost
from alerts.noise_budget import NoiseBudget
from alerts.platform_low import PlatformLow
from alerts.rule import Rule
from alerts.sample_rate import SampleRateLow
from alerts.sensor_fault import SensorFault
from alerts.top_out import TopOut
from dsp.asymmetry import Asymmetry
from dsp.faults import FaultChange
from dsp.pipeline import Frame, Pipeline
from dsp.summary import LapSummary
from ingest.chunk import Chunk
from ingest.sheet import Sheet
from ingest.text import clean

# What a person may do to an alarm.
ACTIONS = {
    happening.value: happening
    for happening in (
        Input.ACKNOWLEDGE,
        Input.RESET,
        Input.SHELVE,
        Input.UNSHELVE,
        Input.TAKE_OUT_OF_SERVICE,
        Input.RETURN_TO_SERVICE,
    )
}
# A shelf is for a stint or a session; what is to be silent for longer is taken out of service.
LONGEST_SHELF_S = 86_400.0
_LONGEST_NAME = 40
_NOT_ACKNOWLEDGED = frozenset({State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED})
_LAPS_REMEMBERED = 16  # enough to name the lap of any sample an alert can still be about


@dataclass
class Step:
    """What one chunk brought: frames, laps that ended, alerts that changed."""

    frames: list[Frame] = field(default_factory=list)
    laps: list[LapSummary] = field(default_factory=list)
    transitions: list[Transition] = field(default_factory=list)


class Monitor:
    """One car under watch.

    Parameters
    ----------
    sheet : Sheet
        The car.
    rate_hz : float
        Nominal sample rate.
    roles : tuple of str
        Side channels that every chunk carries.
    reference : dict of place to Asymmetry, or None
        Left/right asymmetry of a reference stint.
    drift_reference : DriftReference or None
        The dampers' speeds by stretch of the lap in a reference stint.
    """

    def __init__(
        self,
        sheet: Sheet,
        rate_hz: float,
        roles: tuple[str, ...],
        reference: dict[str, Asymmetry] | None = None,
        drift_reference: DriftReference | None = None,
    ) -> None:
        self.sheet = sheet
        self.reference = reference
        self.pipeline = Pipeline(sheet, rate_hz, roles)
        self._link = LinkLost(sheet, rate_hz)
        self.drift = DamperDrift(sheet, rate_hz, drift_reference)
        self.rules = self._rules(sheet, rate_hz, reference)
        self._starts: list[tuple[int, str]] = []
        definitions = [self._silenced(definition) for rule in self.rules for definition in rule.definitions]
        self.engine = Engine(definitions, rate_hz, self.lap_at)
        self._faults: list[FaultChange] = []
        self._begun = False
        self._next_sample = 0
        # The newest frame that holds samples: where the car is now, for screens.
        self.latest: Frame | None = None
        # What the alarms have asked of people so far.
        self.noise = NoiseBudget(rate_hz)

    @property
    def announced(self) -> int:
        """How often a person was told of something."""
        return self.noise.announced

    def process(self, chunk: Chunk) -> Step:
        """Take a chunk; return what it brought."""
        if chunk.silent:
            return self._silence()
        if not self._begun and len(chunk):
            self._begun = True
            self.engine.begin(chunk.first_sample)
            self.noise = NoiseBudget(self.pipeline.rate_hz, chunk.first_sample)
        if len(chunk):
            self._next_sample = chunk.first_sample + len(chunk)
        return self._take(self.pipeline.process(chunk))

    def _silence(self) -> Step:
        """Nothing has come over a live link for `alerts.link.silent_after_s`; said once a silence."""
        step = Step()
        if self.latest is None or not self.sheet.alerts.link.enabled:
            return step
        for seen in self._link.silence(self._next_sample):
            step.transitions += self.engine.advance([seen], seen.sample + 1)
        self.noise.take(step.transitions, self._next_sample)
        return step

    def act(self, key: tuple[str, str], action: str, who: str, *, shelve_s: float | None = None) -> Step:
        """A person acts on an alarm, at the newest sample that was judged; what changes nothing gives an empty step.

        Parameters
        ----------
        key : tuple of str
            Kind and place.
        action : str
            One of `ACTIONS`.
        who : str
            The person's name; cut to 40 characters.
        shelve_s : float or None
            How long a shelf lasts, in seconds of sample time; other actions don't look at it.

        Raises
        ------
        ValueError
            No such alarm or action, no name, or no usable time for a shelf; one clear sentence.
        """
        if not self.engine.knows(key):
            raise ValueError(f"there is no alarm {clean(' '.join(map(str, key)), 80)!r}")
        happening = ACTIONS.get(action)
        if happening is None:
            raise ValueError(f"{clean(action, 40)!r} is no action; there are {', '.join(ACTIONS)}")
        name = clean(who, _LONGEST_NAME).strip()
        if not name:
            raise ValueError(f"say who it is: {action} needs a name")
        if happening is Input.SHELVE and (shelve_s is None or not 0.0 < shelve_s <= LONGEST_SHELF_S):
            raise ValueError(f"a shelf needs an end: more than 0 s, at most {LONGEST_SHELF_S:g} s")
        sample = self.engine.newest_sample
        step = Step()
        if happening is Input.RESET and key[0] == self.drift.kind and self._acknowledged(key):
            # Nothing but a new reference takes this condition away, and that is what the person asks for.
            seen = self.drift.renew(sample, self._drift_done_with(key))
            step.transitions += self.engine.advance(seen, sample + 1)
        step.transitions += self.engine.tell(key, happening, sample, name, shelve_s or 0.0)
        self.noise.take(step.transitions, sample + 1)
        return step

    def _drift_done_with(self, key: tuple[str, str]) -> list[str]:
        """Places whose drift alarms stand acknowledged; a new reference is for all, so none may stand otherwise."""
        standing = [one.definition for one in self.engine.standings if one.definition.kind == self.drift.kind]
        open_ones = [one.where for one in standing if one.key != key and self._state_of(one.key) in _NOT_ACKNOWLEDGED]
        if open_ones:
            words = f"a new reference is for all dampers, and drift {', '.join(open_ones)} is not acknowledged"
            raise ValueError(f"{words}: acknowledge it first")
        return [one.where for one in standing if self._acknowledged(one.key)]

    def _acknowledged(self, key: tuple[str, str]) -> bool:
        return self._state_of(key) in {State.ACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED}

    def _state_of(self, key: tuple[str, str]) -> State:
        return next(one.state for one in self.engine.standings if one.definition.key == key)

    def restore(self, memory: Memory) -> list[tuple[str, str]]:
        """Take up the alarms that another run left; return the keys that this car sheet has no alarm for.

        Rules that speak only of changes are told, so that they say how it stands now.

        Raises
        ------
        ValueError
            The stream has begun.
        """
        if self._begun:
            raise ValueError("alarms can be restored only before the first sample")
        unknown = self.engine.restore(memory)
        standing = {kept.key for kept in memory.alarms if kept.life.state is not State.NORMAL or kept.pending}
        for rule in self.rules:
            resume = getattr(rule, "resume", None)
            if resume is not None:
                for definition in rule.definitions:
                    if definition.key in standing:
                        resume(definition.where)
        return unknown

    def finish(self) -> Step:
        """End the stream; return what was still on its way."""
        return self._take(self.pipeline.finish())

    @property
    def standings(self) -> list[Standing]:
        """Every alarm's present state."""
        return self.engine.standings

    def lap_at(self, sample: int) -> str:
        """Name of the lap that holds a sample; empty before the first and when laps are unknown."""
        if self.pipeline.laps.source is None:
            return ""
        name = ""
        for start, label in self._starts:
            if sample < start:
                break
            name = label
        return name

    def _silenced(self, definition: Definition) -> Definition:
        """The definition, silenced by a lost link as well."""
        if definition.key == LINK_KEY or not self.sheet.alerts.link.enabled:
            return definition
        return replace(definition, suppressed_by=(LINK_KEY, *definition.suppressed_by))

    def _rules(self, sheet: Sheet, rate_hz: float, reference: dict[str, Asymmetry] | None) -> list[Rule]:
        has_laps = self.pipeline.laps.source is not None
        alerts = sheet.alerts
        # The link first, then the sensors: at equal samples they silence what depends on them.
        chosen: list[tuple[bool, Rule]] = [
            (alerts.link.enabled, self._link),
            (alerts.sensor.enabled, SensorFault(sheet, rate_hz)),
            (alerts.sample_rate.enabled, SampleRateLow(sheet, self.pipeline.filter)),
            (alerts.bump_stop.enabled, BumpStopContact(sheet, rate_hz, has_laps=has_laps)),
            (alerts.top_out.enabled, TopOut(sheet, rate_hz, has_laps=has_laps)),
            (alerts.platform_low.enabled, PlatformLow(sheet, rate_hz)),
            (alerts.asymmetry.enabled, LeftRightAsymmetry(sheet, rate_hz, reference)),
            # Without laps there is nothing to hold against anything.
            (alerts.drift.enabled and has_laps, self.drift),
        ]
        return [rule for enabled, rule in chosen if enabled]

    def _take(self, frames: list[Frame]) -> Step:
        step = Step(frames)
        self._faults += self.pipeline.take_fault_changes()
        for frame in frames:
            if len(frame.block):
                self.latest = frame
            self._starts.extend(frame.lap_starts)
            step.laps += frame.laps
            until = frame.next_sample
            # The sensor checks run ahead of the frames by the filter's delay; their news waits for its sample.
            faults = [change for change in self._faults if change.sample < until or frame.last]
            self._faults = self._faults[len(faults) :]
            seen = [observation for rule in self.rules for observation in rule.observe(frame, faults)]
            step.transitions += self.engine.advance(seen, until)
            # Only now: a torn lap number can begin any number of laps within one frame.
            del self._starts[:-_LAPS_REMEMBERED]
        self.noise.take(step.transitions, frames[-1].next_sample if frames else self.engine.first_sample)
        return step
