"""What rules say and what people get: observations in, transitions out. Plain data.

An observation is a condition of one alarm at one sample: abnormal, normal or unknown. A transition is a change
that a person or a script may see, with the line that justifies it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from alerts.lifecycle import Input, Life, State

Priority = Literal["high", "medium", "low"]

UNDER_THE_CAR = (
    "Support the car before anyone reaches under it; springs and gas dampers hold energy and parts may be hot. "
    "Follow the team's procedures, the maker's instructions and local rules."
)
CALLING_THE_DRIVER = "Whether to call the driver is the team's decision, by its own procedure."


@dataclass(frozen=True)
class Evidence:
    """Why: what was measured, against which limit, in which unit, since which sample, and a sentence that says it.

    `cause` tells one reason of the same alarm from another; `severity` grows with how bad it is, in a unit of the
    rule's own, and `worse_by` is how much more of it is news to a person who was told this.
    """

    measured: float
    limit: float
    unit: str
    since_sample: int
    sentence: str
    check_first: str
    cause: str = ""
    severity: float = 0.0
    worse_by: float = math.inf


@dataclass(frozen=True)
class Observation:
    """The condition of one alarm from one sample on; an abnormal one carries its evidence.

    `immediate` skips the on-delay: the rule has waited itself. `learning` goes with an unknown condition: the rule has
    too little data to judge yet.
    """

    sample: int
    kind: str
    where: str
    condition: bool | None
    evidence: Evidence | None = None
    immediate: bool = False
    learning: bool = False


@dataclass(frozen=True)
class Definition:
    """One alarm's fixed properties. Delays are in seconds of sample time.

    `suppressed_by` names alarms (kind, where) that silence this one while they stand: one cause, one alarm.
    """

    kind: str
    where: str
    priority: Priority
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    latches: bool = False
    suppressed_by: tuple[tuple[str, str], ...] = ()
    caution: str = ""

    @property
    def key(self) -> tuple[str, str]:
        """Kind and place: what tells one alarm from another."""
        return self.kind, self.where


@dataclass(frozen=True)
class Transition:
    """A change of one alarm, numbered in the order of the run.

    `announced` says that a person is to be told now: it is news, and nothing suppresses it. `occurrences` counts
    how often the alarm has occurred so far. `evidence` of what occurs or worsens is its own, of any other change
    that of the alarm's standing. `who` is the person who acted, empty when nobody did.
    """

    sequence: int
    sample: int
    time_s: float
    lap: str
    definition: Definition
    change: str
    state: State
    suppressed: bool
    announced: bool
    occurrences: int
    evidence: Evidence | None
    since_s: float | None = None
    who: str = ""
    shelved: bool = False
    out_of_service: bool = False


@dataclass
class Standing:
    """One alarm's present state, for screens.

    `evidence` is the newest that was told, or a later one that is worse: an alarm that comes again less badly before
    anyone has acknowledged it keeps showing the worst. `since_sample` goes with it. `who` acted on the alarm last.
    A shelved alarm has the sample at which its shelf ends. `learning` says that its rule has too little data yet.
    """

    definition: Definition
    state: State = State.NORMAL
    suppressed: bool = False
    condition: bool | None = None
    evidence: Evidence | None = None
    since_sample: int | None = None
    last_change_sample: int | None = None
    occurrences: int = field(default=0)
    shelved_until_sample: int | None = None
    out_of_service: bool = False
    who: str = ""
    learning: bool = False

    @property
    def life(self) -> Life:
        """The full state."""
        return Life(self.state, self.shelved_until_sample is not None, self.suppressed, self.out_of_service)


@dataclass(frozen=True)
class Remembered:
    """All of one alarm that must outlive the program. Samples are on the axis of the run that wrote it.

    `told` is what people know of it, `told_abnormal` whether they last knew its condition as abnormal; `pending` is
    the input that a delay holds back until sample `due`, on `pending_evidence`.
    """

    key: tuple[str, str]
    life: Life = field(default_factory=Life)
    evidence: Evidence | None = None
    since_sample: int | None = None
    last_change_sample: int | None = None
    occurrences: int = 0
    shelved_until_sample: int | None = None
    who: str = ""
    told: tuple[Evidence, ...] = ()
    told_abnormal: bool = False
    due: int | None = None
    pending: Input | None = None
    pending_evidence: Evidence | None = None


@dataclass(frozen=True)
class Memory:
    """What a run leaves to the next: its alarms at sample `now`, its rate, and the last transition's number."""

    now: int
    rate_hz: float
    sequence: int
    alarms: tuple[Remembered, ...]
