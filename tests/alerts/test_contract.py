"""What every rule must keep, whichever rules there are: each class in `alerts` that defines and observes alarms."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from dataclasses import replace
from typing import get_args

import numpy as np
import pytest

import alerts
from alerts.alert import Observation, Priority
from alerts.monitor import Monitor
from alerts.rule import Rule
from console.lines import KIND_NAMES
from dsp.faults import FaultChange
from dsp.frame import Aligned
from dsp.pipeline import Frame
from ingest.chunk import Chunk
from tests.eventful import EVENTFUL_RATE, ROLES, eventful_sheet, eventful_stint, only
from tests.monitored import cut

SHEET = eventful_sheet()


def discovered() -> set[type]:
    """Every class defined in a module of `alerts` that has `definitions` and `observe`."""
    found = set()
    for entry in pkgutil.iter_modules(alerts.__path__, "alerts."):
        module = importlib.import_module(entry.name)
        for _, kind in inspect.getmembers(module, inspect.isclass):
            if kind.__module__ == entry.name and kind is not Rule and {"definitions", "observe"} <= set(dir(kind)):
                found.add(kind)
    return found


def monitor(roles: tuple[str, ...] = ROLES) -> Monitor:
    return Monitor(SHEET, EVENTFUL_RATE, roles)


def frames_and_faults(chunks: list[Chunk], roles: tuple[str, ...]) -> list[tuple[Frame, list[FaultChange]]]:
    """Frames, each with the fault changes of its samples."""
    pipeline = monitor(roles).pipeline
    pairs = []
    waiting: list[FaultChange] = []
    for one in [*chunks, None]:
        frames = pipeline.finish() if one is None else pipeline.process(one)
        waiting += pipeline.take_fault_changes()
        for frame in frames:
            pairs.append((frame, [change for change in waiting if change.sample < frame.next_sample]))
            waiting = [change for change in waiting if change.sample >= frame.next_sample]
    assert waiting == []
    return pairs


def test_there_are_rules() -> None:
    assert len(discovered()) >= 5


def test_the_monitor_runs_every_rule() -> None:
    assert {type(rule) for rule in monitor().rules} == discovered()


def test_sensors_come_first_so_that_they_silence_what_depends_on_them() -> None:
    definitions = [definition for rule in monitor().rules for definition in rule.definitions]
    order = {definition.key: number for number, definition in enumerate(definitions)}
    for definition in definitions:
        for cause in definition.suppressed_by:
            assert order[cause] < order[definition.key]


@pytest.mark.parametrize("rule", monitor().rules, ids=lambda rule: type(rule).__name__)
def test_definitions(rule: Rule) -> None:
    definitions = rule.definitions
    assert definitions
    assert len({definition.key for definition in definitions}) == len(definitions)
    for definition in definitions:
        assert definition.kind in KIND_NAMES
        assert definition.where
        assert definition.priority in get_args(Priority)
        assert definition.on_delay_s >= 0
        assert definition.off_delay_s >= 0


@pytest.mark.parametrize("roles", [ROLES, ("speed",)], ids=["laps", "no laps"])
@pytest.mark.parametrize("lengths", [[], [1, 0, 40, 300] * 50], ids=["whole", "cut"])
def test_observations_are_of_their_own_frame(lengths: list[int], roles: tuple[str, ...]) -> None:
    """Neither later than the frame nor earlier than what was there before; and in all, every rule says something."""
    spoken = set()
    for seed in range(3):
        chunks = [piece for one in only(roles, eventful_stint(seed)) for piece in cut(one, lengths)]
        rules = monitor(roles).rules
        begin = chunks[0].first_sample
        for frame, faults in frames_and_faults(chunks, roles):
            for rule in rules:
                keys = {definition.key for definition in rule.definitions}
                for seen in rule.observe(frame, faults):
                    assert (seen.kind, seen.where) in keys
                    assert begin <= seen.sample < frame.next_sample + frame.last, (seen, begin, frame.next_sample)
                    check_evidence(seen)
                    spoken.add(type(rule))
            begin = frame.next_sample
    assert spoken >= discovered() if "lap_number" in roles else len(spoken) >= 4


def check_evidence(seen: Observation) -> None:
    if not seen.condition:
        assert seen.evidence is None
        return
    assert seen.evidence is not None
    assert seen.evidence.since_sample <= seen.sample
    assert seen.evidence.sentence
    assert seen.evidence.check_first
    assert "\n" not in seen.evidence.sentence + seen.evidence.check_first


def test_empty_frames_pass() -> None:
    """A frame without samples, at any moment, is answered with nothing and changes nothing."""
    plain, with_empty = monitor().rules, monitor().rules
    for frame, faults in frames_and_faults(eventful_stint(1), ROLES):
        block = Aligned(
            frame.block.first_sample,
            EVENTFUL_RATE,
            np.empty((0, 4)),
            np.empty((0, 4)),
            {role: np.empty(0) for role in ROLES},
        )
        empty = Frame(block, np.empty((0, 4)), frame.car.part(0, 0))
        for one, other in zip(plain, with_empty, strict=True):
            # Sensor faults that fall quiet at the frame's very first sample may be said by either.
            early = other.observe(empty, [])
            assert [*early, *other.observe(frame, faults)] == one.observe(frame, faults)


def test_evidence_is_frozen() -> None:
    """Transitions are kept by people who read them later: nothing may change under their hands."""
    chunks = eventful_stint(1)
    whole = monitor()
    transitions = [t for one in chunks for t in whole.process(one).transitions] + whole.finish().transitions
    told = [replace(transition) for transition in transitions]
    assert told == transitions
    with pytest.raises(AttributeError):
        transitions[0].announced = False  # type: ignore[misc]
