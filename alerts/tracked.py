"""One alarm as the engine works on it: its standing, the delay that runs, and what people know; and its memory.

In: an alarm's definition, or what an earlier run remembered of it. Out: what must outlive the program, in plain data,
and the same on another axis of samples. Decides nothing: which input comes when is the engine's business.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from alerts.alert import Evidence, Remembered, Standing
from alerts.lifecycle import Input, Life


@dataclass
class Tracked:
    """One alarm with its timer: the input that is due, when, and on which evidence.

    `told` holds, for each cause, what a person was last told (or acknowledged) since the alarm was last at rest;
    `told_abnormal` whether the condition was abnormal then.
    """

    standing: Standing
    order: int
    due: int | None = None
    pending: Input | None = None
    evidence: Evidence | None = None
    told: dict[str, Evidence] = field(default_factory=dict)
    told_abnormal: bool = False

    def tell(self) -> None:
        """Note that a person knows what the standing shows."""
        shown = self.standing.evidence
        if shown is not None:
            self.told[shown.cause] = shown

    def timer(self) -> tuple[int | None, Input | None, Evidence | None]:
        """What is pending; equal before and after when nothing about it changed."""
        return self.due, self.pending, self.evidence if self.pending else None

    def set_life(self, life: Life, shelved_until_sample: int | None) -> None:
        """Take on a full state; a shelf has an end."""
        standing = self.standing
        standing.state, standing.suppressed, standing.out_of_service = life.state, life.suppressed, life.out_of_service
        standing.shelved_until_sample = shelved_until_sample if life.shelved else None

    def remembered(self) -> Remembered:
        """All that must outlive the program."""
        standing = self.standing
        due, pending, pending_evidence = self.timer()
        return Remembered(
            standing.definition.key,
            standing.life,
            standing.evidence,
            standing.since_sample,
            standing.last_change_sample,
            standing.occurrences,
            standing.shelved_until_sample,
            standing.who,
            tuple(self.told.values()),
            self.told_abnormal,
            due,
            pending,
            pending_evidence,
        )

    def take_up(self, kept: Remembered) -> None:
        """Be as was remembered."""
        standing = self.standing
        self.set_life(kept.life, kept.shelved_until_sample)
        standing.evidence, standing.since_sample = kept.evidence, kept.since_sample
        standing.last_change_sample, standing.occurrences = kept.last_change_sample, kept.occurrences
        standing.who = kept.who
        self.told = {evidence.cause: evidence for evidence in kept.told}
        self.told_abnormal = kept.told_abnormal
        self.due, self.pending, self.evidence = kept.due, kept.pending, kept.pending_evidence


def is_news(evidence: Evidence, told: dict[str, Evidence]) -> bool:
    """Whether this is another cause than any that was told, or clearly worse than what was told of the same one."""
    known = told.get(evidence.cause)
    return known is None or evidence.severity >= known.severity + known.worse_by


def moved(kept: Remembered, move: Callable[[int], int]) -> Remembered:
    """The same alarm with all its samples on another axis."""

    def of(sample: int | None) -> int | None:
        return None if sample is None else move(sample)

    def shown(evidence: Evidence | None) -> Evidence | None:
        return None if evidence is None else replace(evidence, since_sample=move(evidence.since_sample))

    return replace(
        kept,
        evidence=shown(kept.evidence),
        since_sample=of(kept.since_sample),
        last_change_sample=of(kept.last_change_sample),
        shelved_until_sample=of(kept.shelved_until_sample),
        told=tuple(replace(evidence, since_sample=move(evidence.since_sample)) for evidence in kept.told),
        due=of(kept.due),
        pending_evidence=shown(kept.pending_evidence),
    )


def unwatched(kept: Remembered) -> Remembered:
    """What goes on of an alarm that nothing observes any more: no delay runs, and it is kept as it stood."""
    return replace(kept, due=None, pending=None, pending_evidence=None)
