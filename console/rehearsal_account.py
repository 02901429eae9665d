"""What became of the faults of a rehearsal: announced, when, acknowledged by whom, or missed; and what was false.

In: placed faults, the alarms' transitions, and those of the same log without the faults where they are known. Out: a
record of plain values and lines for people. Pure; memory is bounded (the first 5000 announcements and actions count).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from alerts.drift import PLACES as DRIFT_PLACES
from alerts.link_lost import LINK_KEY
from console.lines import kind_name, stamp
from console.rehearsal_places import LapTable
from dsp.asymmetry import PLACES as ASYMMETRY_PLACES
from ingest.chunk import CORNERS
from ingest.injection import Placed
from ingest.plan import DamperFault, Fault, GainFault, LinkFault, LoweredFault, ZeroFault
from ingest.text import clean

FORMAT_VERSION = 1
_MOST_KEPT = 5000
# An alarm of the log itself comes at the same sample with the faults in it, or a little off where they disturb it.
_SAME_WITHIN_S = 2.0
# A fault that has passed may still be told: verdicts on laps come when these are over, two or three of them.
_TOLD_WITHIN_LAPS = 3.0
_TOLD_WITHIN_S = 60.0
_ANSWERS = ("acknowledge", "reset", "shelve", "out_of_service")
_ANSWER_WORDS = {"acknowledge": "acknowledged", "shelve": "shelved", "out_of_service": "taken out of service"}

Key = tuple[str, str]


@dataclass(frozen=True)
class Heard:
    """One transition of an alarm, as far as it matters here."""

    kind: str
    where: str
    change: str
    announced: bool
    sample: int
    who: str = ""
    sentence: str = ""

    @property
    def key(self) -> Key:
        """Which alarm."""
        return self.kind, self.where

    @property
    def name(self) -> str:
        """Its name in words."""
        return f"{kind_name(self.kind)} {clean(self.where, 40)}"


def expected_of(fault: Fault, points: Iterable[str]) -> tuple[frozenset[Key], frozenset[Key]]:
    """Alarms that tell of a fault, and others that may come of it and are not false.

    Parameters
    ----------
    fault : Fault
        What was put in.
    points : iterable of str
        Names of the platform's points.
    """
    if isinstance(fault, LinkFault):
        return frozenset({LINK_KEY}), frozenset()
    corners = fault.corners
    sensor = {("sensor", corner) for corner in corners}
    stops = {(kind, corner) for kind in ("bump_stop", "top_out") for corner in corners}
    platform = {("platform_low", point) for point in points}
    drift = {("drift", place) for place, theirs in DRIFT_PLACES.items() if set(theirs) & set(corners)}
    axles = {"front" if corner[0] == "F" else "rear" for corner in corners}
    sides = {("asymmetry", place) for place in ASYMMETRY_PLACES if place.split()[0] in axles}
    if isinstance(fault, DamperFault | GainFault):
        return frozenset(drift | sides), frozenset(stops | platform | sensor)
    if isinstance(fault, LoweredFault):
        return frozenset(platform), frozenset(stops | drift | sides)
    if isinstance(fault, ZeroFault) and not fault.at_once:
        # No rule looks for a slow slip as such; whoever is told anything of that corner has been told.
        return frozenset(platform | stops | drift), frozenset(sensor)
    return frozenset(sensor), frozenset(stops | platform | drift | sides)


@dataclass
class Found:
    """One fault and what became of it."""

    placed: Placed
    expected: frozenset[Key]
    also: frozenset[Key]
    told: list[Heard] = field(default_factory=list)
    besides: list[Heard] = field(default_factory=list)
    answer: Heard | None = None

    def verdict(self, end_sample: int) -> str:
        """In a word."""
        if self.placed.start >= end_sample:
            return "not reached"
        if self.told:
            return "announced"
        if self.besides:
            return "told by another alarm"
        return "missed" if self.expected else "no alarm watches for it"


class Account:
    """Gathers a run's transitions and settles them at the end.

    Parameters
    ----------
    placed : tuple of Placed
        The faults.
    laps : LapTable
        The log's laps.
    keys : set of (kind, where), or None
        The alarms that there are; None when that is not known.
    points : iterable of str
        Names of the platform's points.
    """

    def __init__(
        self, placed: tuple[Placed, ...], laps: LapTable, keys: set[Key] | None, points: Iterable[str]
    ) -> None:
        self._laps = laps
        points = tuple(points)
        self._found = []
        for one in placed:
            expected, also = expected_of(one.fault, points)
            if keys is not None:
                expected &= keys
            self._found.append(Found(one, expected, also))
        self._announced: list[Heard] = []
        self._answers: list[Heard] = []
        self._own: list[Heard] = []
        self._knows_own = False
        self.left_out = 0
        self.end_sample = laps.first_sample

    def take(self, heard: Iterable[Heard]) -> None:
        """Take transitions of the rehearsal, in order."""
        for one in heard:
            if one.announced:
                self._keep(self._announced, one)
            if one.who and one.change in _ANSWERS:
                self._keep(self._answers, one)

    def take_own(self, heard: Iterable[Heard]) -> None:
        """Take transitions of the log without the faults; from then on its own alarms are known."""
        self._knows_own = True
        for one in heard:
            if one.announced or one.change in {"occurs", "worsens"}:
                self._keep(self._own, one)

    def settle(self) -> tuple[list[Found], list[Heard], list[Heard]]:
        """Every fault with what was told of it; false announcements; those of the log itself."""
        false, own = [], []
        for found in self._found:
            found.told, found.besides, found.answer = [], [], None
        for one in self._announced:
            near = [o for o in self._own if o.key == one.key]
            if any(abs(o.sample - one.sample) <= _SAME_WITHIN_S * self._laps.rate_hz for o in near):
                own.append(one)
                continue
            standing = [found for found in self._found if self._may_tell(found.placed, one.sample)]
            telling = [found for found in standing if one.key in found.expected]
            beside = [found for found in standing if one.key in found.also]
            if telling:
                # The newest that nobody was told of yet: an alarm that comes again is news of something else.
                max(telling, key=lambda found: (not found.told, found.placed.start)).told.append(one)
            elif beside:
                max(beside, key=lambda found: found.placed.start).besides.append(one)
            elif near:
                own.append(one)
            else:
                false.append(one)
        for found in self._found:
            found.answer = self._answer(found.told or found.besides)
        return self._found, false, own

    def record(self) -> dict[str, Any]:
        """The account as plain values."""
        found, false, own = self.settle()
        verdicts = [one.verdict(self.end_sample) for one in found]
        return {
            "injected": [self._record(one, verdict) for one, verdict in zip(found, verdicts, strict=True)],
            "counts": {
                "injected": len(found),
                "announced": verdicts.count("announced"),
                "told_by_another_alarm": verdicts.count("told by another alarm"),
                "missed": verdicts.count("missed"),
                "not_watched": verdicts.count("no alarm watches for it"),
                "not_reached": verdicts.count("not reached"),
                "false": len(false),
                "own": len(own) if self._knows_own else None,
                "left_out": self.left_out,
            },
            "false": [self._alarm(one) for one in false],
            "own": [self._alarm(one) for one in own] if self._knows_own else None,
        }

    def lines(self) -> Iterator[str]:
        """The account in words."""
        found, false, own = self.settle()
        verdicts = [one.verdict(self.end_sample) for one in found]
        counts = ", ".join(f"{verdicts.count(word)} {word}" for word in dict.fromkeys(verdicts))
        word = "false" if self._knows_own else "not of the plan"
        yield f"rehearsal: {len(found)} fault{'' if len(found) == 1 else 's'} put in: {counts}; {len(false)} {word}"
        for number, (one, verdict) in enumerate(zip(found, verdicts, strict=True), start=1):
            placed = one.placed
            yield f"{number:>2}  {placed.fault.words}; from {self._when(placed.start)}"
            if one.told or one.besides:
                first = (one.told or one.besides)[0]
                answer = "nobody acknowledged it" if one.answer is None else self._answered(first, one.answer)
                yield f"    {verdict}: {first.name}, {self._after(placed.start, first.sample)}; {answer}"
                others = dict.fromkeys(o.name for o in (*one.told, *one.besides) if o.key != first.key)
                if others:
                    yield f"    also: {', '.join(others)}"
            elif verdict == "missed":
                waits = ", ".join(sorted({kind_name(kind) for kind, _ in one.expected}))
                yield f"    MISSED: nothing was announced of it (looked for: {waits})"
            else:
                yield f"    {verdict}"
        for heard in false:
            yield f"{word}: {heard.name} at {self._when(heard.sample)}: {clean(heard.sentence, 160)}"
        if own:
            names = dict.fromkeys(heard.name for heard in own)
            yield f"the log's own, with or without the plan: {', '.join(names)}"
        if self.left_out:
            yield f"{self.left_out} announcements and actions beyond the first {_MOST_KEPT} are not in this account"

    def placed_lines(self) -> Iterator[str]:
        """Where the faults were, without a word on what was told of them."""
        count = len(self._found)
        yield f"rehearsal: {count} fault{'' if count == 1 else 's'} put in"
        for number, one in enumerate(self._found, start=1):
            missed = "" if one.placed.start < self.end_sample else " (not reached)"
            yield f"{number:>2}  {one.placed.fault.words}; from {self._when(one.placed.start)}{missed}"

    def placed_record(self) -> dict[str, Any]:
        """The same as plain values."""
        return {"injected": [self._placed_record(one) for one in self._found]}

    def _keep(self, kept: list[Heard], one: Heard) -> None:
        if len(kept) < _MOST_KEPT:
            kept.append(one)
        else:
            self.left_out += 1

    def _may_tell(self, placed: Placed, sample: int) -> bool:
        if sample < placed.start:
            return False
        if placed.end is None or sample < placed.end:
            return True
        laps = self._laps.index_of(sample) - self._laps.index_of(placed.end)
        seconds = (sample - placed.end) / self._laps.rate_hz
        return seconds <= _TOLD_WITHIN_S or laps <= _TOLD_WITHIN_LAPS

    def _answer(self, told: list[Heard]) -> Heard | None:
        """The first thing that a person did to one of some alarms after it was announced."""
        for one in self._answers:
            if any(one.key == other.key and one.sample >= other.sample for other in told):
                return one
        return None

    def _when(self, sample: int) -> str:
        lap = self._laps.name_of(sample)
        return (f"lap {lap}, " if lap else "") + stamp(self._laps.time_s(sample))

    def _after(self, start: int, sample: int) -> str:
        seconds = (sample - start) / self._laps.rate_hz
        laps = self._laps.index_of(sample) - self._laps.index_of(start)
        return f"after {seconds:.1f} s" + ("" if math.isnan(laps) else f" ({laps:.1f} laps)")

    def _answered(self, told: Heard, answer: Heard) -> str:
        seconds = (answer.sample - told.sample) / self._laps.rate_hz
        what = _ANSWER_WORDS.get(answer.change, answer.change)
        return f"{what} by {clean(answer.who, 40)} after {seconds:.1f} s"

    def _placed_record(self, one: Found) -> dict[str, Any]:
        placed, laps = one.placed, self._laps
        return {
            "fault": placed.fault.model_dump(mode="json", exclude_none=True),
            "words": placed.fault.words,
            "corners": [corner for corner in CORNERS if corner in placed.fault.corners],
            "start_sample": placed.start,
            "whole_from_sample": placed.full,
            "end_sample": placed.end,
            "start_s": laps.time_s(placed.start),
            "start_lap": laps.name_of(placed.start),
            "expected": [{"kind": kind, "where": where} for kind, where in sorted(one.expected)],
        }

    def _record(self, one: Found, verdict: str) -> dict[str, Any]:
        placed, laps = one.placed, self._laps
        first = next(iter((*one.told, *one.besides)), None)
        answer = one.answer
        return self._placed_record(one) | {
            "verdict": verdict,
            "announced_by": None if first is None else self._alarm(first),
            "announced_after_s": None if first is None else (first.sample - placed.start) / laps.rate_hz,
            "announced_after_laps": None
            if first is None
            else laps.index_of(first.sample) - laps.index_of(placed.start),
            "answer": None if answer is None else answer.change,
            "answered_by": None if answer is None else clean(answer.who, 40),
            "answered_after_s": None
            if answer is None or first is None
            else (answer.sample - first.sample) / laps.rate_hz,
            "also": [self._alarm(heard) for heard in (*one.told[1:], *one.besides) if heard is not first],
        }

    def _alarm(self, heard: Heard) -> dict[str, Any]:
        return {
            "kind": heard.kind,
            "where": clean(heard.where, 60),
            "sample": heard.sample,
            "time_s": self._laps.time_s(heard.sample),
            "lap": self._laps.name_of(heard.sample),
            "sentence": clean(heard.sentence, 400),
        }
