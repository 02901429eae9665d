"""The engine against an independent model, step by step: states, silences, news, splits and restarts.

Three engines live the same life: one sees each sample by itself, one sees whole stretches, and one is taken down and
brought up again from its memory, on another axis, whenever the machine likes.
"""

from __future__ import annotations

import json
import random
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from alerts.alert import Definition, Evidence, Observation, Remembered, Transition
from alerts.engine import Engine
from alerts.journal import _memory, _plain
from alerts.lifecycle import Input
from tests.alerts.engine_model import Change, Model, ModelAlarm, Seen

RATE = 100.0
WORSE_BY = 3.0
NAMES = "abcd"
ACTIONS = {
    "acknowledge": Input.ACKNOWLEDGE,
    "reset": Input.RESET,
    "shelve": Input.SHELVE,
    "unshelve": Input.UNSHELVE,
    "out_of_service": Input.TAKE_OUT_OF_SERVICE,
    "return_to_service": Input.RETURN_TO_SERVICE,
}
DELAYS = st.sampled_from([0, 0, 1, 2, 3, 7])
PLACES = st.integers(0, len(NAMES) - 1)
SEEN = st.tuples(
    PLACES,
    st.sampled_from([True, True, False, False, None]),
    st.sampled_from(["", "other"]),
    st.sampled_from([0.0, 1.0, 3.0, 6.0, 9.0]),
    st.sampled_from([False, False, False, True]),
)
# Most samples bring nothing: a delay must be able to pass.
STRETCH = st.lists(st.lists(SEEN, max_size=3, unique_by=lambda seen: seen[0]), max_size=3)


def observation(sample: int, seen: Seen) -> Observation:
    why = Evidence(1.0, 2.0, "mm", sample, "said", "look", seen.cause, seen.severity, WORSE_BY)
    return Observation(sample, "k", seen.where, seen.condition, why if seen.condition else None, seen.immediate)


def change(transition: Transition, offset: int = 0) -> Change:
    t = transition
    silences = (t.shelved, t.suppressed, t.out_of_service)
    return (t.sample - offset, t.definition.where, t.change, t.state.value, t.announced, *silences, t.who)


def on_axis(transition: Transition, offset: int) -> Transition:
    """The transition as the engine whose axis lies `offset` further on would tell it, without times since its start."""
    evidence = transition.evidence
    if evidence is not None:
        evidence = replace(evidence, since_sample=evidence.since_sample + offset)
    return replace(transition, sample=transition.sample + offset, evidence=evidence, time_s=0.0, since_s=None, lap="")


class EngineLife(RuleBasedStateMachine):
    """Draws a few alarms and lives with them."""

    @initialize(
        delays=st.lists(st.tuples(DELAYS, DELAYS), min_size=2, max_size=len(NAMES)),
        latches=st.lists(st.booleans(), min_size=len(NAMES), max_size=len(NAMES)),
        causes=st.lists(st.sampled_from([True, True, False]), min_size=16, max_size=16),
    )
    def begin(self, delays: list[tuple[int, int]], latches: list[bool], causes: list[bool]) -> None:
        self.names = NAMES[: len(delays)]
        # A cause may stand before or after what it silences.
        by = {
            name: tuple(c for n, c in enumerate(self.names) if c != name and causes[4 * place + n])
            for place, name in enumerate(self.names)
        }
        self.definitions = [
            Definition(
                "k",
                name,
                "medium",
                on / RATE,
                off / RATE,
                latches=latches[place],
                suppressed_by=tuple(("k", cause) for cause in by[name]),
            )
            for place, (name, (on, off)) in enumerate(zip(self.names, delays, strict=True))
        ]
        self.model = Model(
            [
                ModelAlarm(name, on, off, latches[place], by[name])
                for place, (name, (on, off)) in enumerate(zip(self.names, delays, strict=True))
            ],
            WORSE_BY,
        )
        self.now = 0
        self.stepped, self.whole, self.reborn = (self.engine() for _ in range(3))
        self.late: list[Observation] = []  # what the second engine has not been given yet
        self.offset = 0  # of the third engine's axis
        self.noted: dict[tuple[str, str], Remembered] = {}  # what a journal of the first engine's changes holds
        self.told: list[Transition] = []
        self.told_whole: list[Transition] = []
        self.told_reborn: list[Transition] = []

    def engine(self, first_sample: int = 0) -> Engine:
        return Engine(self.definitions, RATE, lambda _: "", first_sample)

    def give_whole(self) -> None:
        self.told_whole += self.whole.advance(reversed(self.late), self.now)
        self.late = []

    @rule(stretch=STRETCH, quiet=st.sampled_from([0, 0, 1, 2, 5]))
    def time_passes(self, stretch: list[list[tuple[int, bool | None, str, float, bool]]], quiet: int) -> None:
        for raw in [*stretch, *([[]] * quiet)]:
            seen = [
                Seen(self.names[place], condition, cause, severity, immediate)
                for place, condition, cause, severity, immediate in raw
                if place < len(self.names)
            ]
            observations = [observation(self.now, one) for one in seen]
            self.model.sample(self.now, seen)
            self.told += self.stepped.advance(observations, self.now + 1)
            self.late += observations
            moved = [
                replace(
                    o,
                    sample=o.sample + self.offset,
                    evidence=None
                    if o.evidence is None
                    else replace(o.evidence, since_sample=o.evidence.since_sample + self.offset),
                )
                for o in observations
            ]
            self.now += 1
            self.told_reborn += [on_axis(t, -self.offset) for t in self.reborn.advance(moved, self.now + self.offset)]

    @precondition(lambda self: self.now > 0)
    @rule(
        place=PLACES,
        action=st.sampled_from(sorted(ACTIONS)),
        who=st.sampled_from(["Kim", "Ada"]),
        shelf=st.integers(1, 12),
    )
    def somebody_acts(self, place: int, action: str, who: str, shelf: int) -> None:
        if place >= len(self.names):
            return
        where, sample = self.names[place], self.now - 1
        self.give_whole()
        self.model.act(sample, where, action, who, shelf)
        for engine, told, offset in (
            (self.stepped, self.told, 0),
            (self.whole, self.told_whole, 0),
            (self.reborn, self.told_reborn, self.offset),
        ):
            made = engine.tell(("k", where), ACTIONS[action], sample + offset, who, shelf / RATE)
            told += [on_axis(t, -offset) for t in made] if engine is self.reborn else made

    @rule(first_sample=st.integers(0, 10_000))
    def restart(self, first_sample: int) -> None:
        kept = _memory(json.loads(json.dumps(_plain(self.reborn.remember()))))
        assert kept == self.reborn.remember()
        self.reborn = self.engine()
        assert self.reborn.restore(kept) == []
        self.reborn.begin(first_sample)
        self.offset = first_sample - self.now

    @rule()
    def the_second_catches_up(self) -> None:
        self.give_whole()
        assert self.told_whole == self.told
        assert self.whole.remember() == self.stepped.remember()

    @invariant()
    def all_agree(self) -> None:
        if not hasattr(self, "model"):
            return
        assert [change(t) for t in self.told] == self.model.changes
        first = self.told[0].sequence if self.told else 0
        assert [t.sequence for t in self.told] == list(range(first, first + len(self.told)))
        assert self.told_reborn == [on_axis(t, 0) for t in self.told]
        self.noted |= {alarm.key: alarm for alarm in self.stepped.remember(self.stepped.take_changed()).alarms}
        for alarm in self.stepped.remember().alarms:
            assert self.noted.get(alarm.key, Remembered(alarm.key)) == alarm
        expected = self.model.standing()
        for engine, offset in ((self.stepped, 0), (self.reborn, self.offset)):
            found: dict[str, dict[str, Any]] = {
                s.definition.where: {
                    "state": s.state.value,
                    "shelf_end": None if s.shelved_until_sample is None else s.shelved_until_sample - offset,
                    "suppressed": s.suppressed,
                    "out_of_service": s.out_of_service,
                    "occurrences": s.occurrences,
                    "who": s.who,
                    "shown": None if s.evidence is None else (s.evidence.cause, s.evidence.severity),
                    "since": None if s.evidence is None else s.evidence.since_sample - offset,
                }
                for s in engine.standings
            }
            assert found == expected


@pytest.mark.parametrize("seed", range(10))
def test_long_lives(seed: int) -> None:
    """What is rare in short lives: an acknowledgement, a shelf and a cause that follow one another on one alarm."""
    chance = random.Random(seed)
    life = EngineLife()
    life.begin(
        delays=[(chance.choice((0, 1, 3)), chance.choice((0, 1, 3))) for _ in range(3)],
        latches=[chance.random() < 0.5 for _ in NAMES],
        causes=[chance.random() < 0.6 for _ in range(16)],
    )
    for step in range(2000):
        if chance.random() < 0.5:
            life.somebody_acts(
                chance.randrange(3), chance.choice(sorted(ACTIONS)), f"Kim {step}", chance.randrange(1, 9)
            )
        else:
            condition = chance.choice((True, True, False, False, None))
            cause, severity = chance.choice(("", "other")), chance.choice((0.0, 1.0, 3.0, 6.0, 9.0))
            seen = (chance.randrange(3), condition, cause, severity, chance.random() < 0.2)
            life.time_passes([[seen]], chance.choice((0, 0, 1, 3)))
        if chance.random() < 0.05:
            life.restart(chance.randrange(10_000))
        if chance.random() < 0.1:
            life.the_second_catches_up()
        life.all_agree()
        if not life.late:
            assert life.told_whole == life.told
            for told in (life.told, life.told_whole, life.told_reborn, life.model.changes):
                del told[:]


TestEngineLife = EngineLife.TestCase
TestEngineLife.settings = settings(
    max_examples=100, stateful_step_count=50, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
