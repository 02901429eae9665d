"""What goes over the pit wall's topics: transitions, the full state, heartbeats, commands and answers, as JSON.

In: transitions and standings. Out: records of plain JSON values and their bytes, bounded: every string is cleaned and
cut, a state that is too long leaves its least urgent alarms out and says how many. `read_command` takes bytes from
anybody and raises ValueError with a reason for whatever is no command. docs/alerts.schema.json describes all of them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from alerts.alert import Standing, Transition
from alerts.lifecycle import State, abnormal
from ingest.text import clean

FORMAT_VERSION = 1
MOST_TRANSITION_BYTES = 8192
# A mobile link's slow second: what does not fit is less urgent than everything that does.
MOST_STATE_BYTES = 65_536
MOST_COMMAND_BYTES = 2048
MOST_SHELF_S = 4 * 3600.0  # longer than any session; a shelf that outlives its day hides an alarm from the next crew

UNACKNOWLEDGED = frozenset({State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED})
Action = Literal["acknowledge", "reset", "shelve", "unshelve", "out_of_service", "return_to_service"]

_RANK = {"high": 0, "medium": 1, "low": 2}
_NAME, _SENTENCE, _UNIT = 60, 400, 20  # characters: all strings of a transition, at 4 bytes each, stay below its limit
_REASON = 200

Text = Annotated[str, Field(min_length=1, max_length=_NAME)]


def transition_record(transition: Transition) -> dict[str, Any]:
    """One transition as plain values, as in `alerts.jsonl`; strings are as they came."""
    definition, evidence = transition.definition, transition.evidence
    return {
        "sequence": transition.sequence,
        "sample": transition.sample,
        "time_s": transition.time_s,
        "lap": transition.lap,
        "kind": definition.kind,
        "where": definition.where,
        "change": transition.change,
        "state": transition.state.value,
        "priority": definition.priority,
        "announced": transition.announced,
        "suppressed": transition.suppressed,
        "shelved": transition.shelved,
        "out_of_service": transition.out_of_service,
        "who": transition.who,
        "occurrences": transition.occurrences,
        "since_s": transition.since_s,
        "measured": None if evidence is None else evidence.measured,
        "limit": None if evidence is None else evidence.limit,
        "unit": None if evidence is None else evidence.unit,
        "sentence": None if evidence is None else evidence.sentence,
        "check_first": None if evidence is None else evidence.check_first,
        "caution": definition.caution,
    }


def transition_payload(transition: Transition, run: str, car: str) -> bytes:
    """A transition for the topic `transitions`; `run` and its sequence number tell it from every other one."""
    head = {"format": "damperwatch transition", "format_version": FORMAT_VERSION, "run": run, "car": clean(car, _NAME)}
    return _bytes(head | _bounded(transition_record(transition)))


class StateWriter:
    """Makes the full state; keeps for each alarm when it was last announced, which is what "newest" means.

    Parameters
    ----------
    run, car : str
        This run of the monitor, and whose alarms these are.
    """

    def __init__(self, run: str, car: str) -> None:
        self._run = run
        self._car = clean(car, _NAME)
        self._announced: dict[tuple[str, str], int] = {}
        self.sequence = 0

    def take(self, transitions: Iterable[Transition]) -> None:
        """Note what was announced, and the newest sequence number."""
        for transition in transitions:
            self.sequence = max(self.sequence, transition.sequence)
            if transition.announced:
                self._announced[transition.definition.key] = transition.sequence

    def order(self, standing: Standing) -> tuple[int, bool, int]:
        """Sorts the most urgent first: by priority, then not acknowledged, then announced last."""
        return (
            _RANK[standing.definition.priority],
            standing.state not in UNACKNOWLEDGED,
            -self._announced.get(standing.definition.key, 0),
        )

    def payload(
        self,
        standings: Iterable[Standing],
        time_of: Callable[[int], float],
        lap_of: Callable[[int], str],
        *,
        time_s: float,
        sample_age_s: float | None,
        link: str = "",
    ) -> bytes:
        """The full state for the retained topic `state`.

        Parameters
        ----------
        standings : iterable of Standing
            Every alarm.
        time_of, lap_of : callable
            Seconds and lap name of a sample.
        time_s : float
            Sample time of the newest sample, s.
        sample_age_s : float or None
            How old it was when this was made; None in a replay or before the first.
        link : str
            What is wrong with the link, in words; empty when nothing is.
        """
        every = list(standings)
        shown = sorted((s for s in every if s.state is not State.NORMAL and not _why_hidden(s)), key=self.order)
        alarms = [self._alarm(standing, time_of, lap_of) for standing in shown]
        hidden = [_hidden(standing, time_of) for standing in every if _why_hidden(standing)]
        record: dict[str, Any] = {
            "format": "damperwatch state",
            "format_version": FORMAT_VERSION,
            "run": self._run,
            "car": self._car,
            "sequence": self.sequence,
            "time_s": _number(time_s),
            "sample_age_s": _number(sample_age_s),
            "link": clean(link, _REASON),
            "learning": sum(s.learning for s in every),
            "alarms": alarms,
            "hidden": hidden,
            "left_out": 0,
        }
        content = _bytes(record)
        while len(content) > MOST_STATE_BYTES and (alarms or hidden):
            # A fifth at a time: this happens to nobody but a sheet with hundreds of points.
            for _ in range(1 + (len(alarms) + len(hidden)) // 5):
                (hidden or alarms).pop()
                record["left_out"] += 1
            content = _bytes(record)
        return content

    def _alarm(
        self, standing: Standing, time_of: Callable[[int], float], lap_of: Callable[[int], str]
    ) -> dict[str, Any]:
        definition, evidence, since = standing.definition, standing.evidence, standing.since_sample
        return _bounded(
            {
                "kind": definition.kind,
                "where": definition.where,
                "priority": definition.priority,
                "state": standing.state.value,
                "condition": _condition(standing),
                "acknowledged": standing.state not in UNACKNOWLEDGED,
                "who": standing.who,
                "occurrences": standing.occurrences,
                "announced_sequence": self._announced.get(definition.key, 0),
                "since_s": None if since is None else time_of(since),
                "since_lap": "" if since is None else lap_of(since),
                "measured": None if evidence is None else evidence.measured,
                "limit": None if evidence is None else evidence.limit,
                "unit": None if evidence is None else evidence.unit,
                "sentence": None if evidence is None else evidence.sentence,
                "check_first": None if evidence is None else evidence.check_first,
                # An alarm that has returned to normal sends nobody under the car any more.
                "caution": "" if standing.state is State.RETURNED else definition.caution,
            }
        )


def _condition(standing: Standing) -> str:
    if standing.condition is None:
        return "unknown"
    return "abnormal" if standing.condition or abnormal(standing.state) else "normal"


def _why_hidden(standing: Standing) -> str:
    if standing.out_of_service:
        return "out of service"
    if standing.shelved_until_sample is not None:
        return "shelved"
    return "suppressed" if standing.suppressed else ""


def _hidden(standing: Standing, time_of: Callable[[int], float]) -> dict[str, Any]:
    until = standing.shelved_until_sample
    return _bounded(
        {
            "kind": standing.definition.kind,
            "where": standing.definition.where,
            "priority": standing.definition.priority,
            "state": standing.state.value,
            "why": _why_hidden(standing),
            "until_s": None if until is None else time_of(until),
            "who": standing.who,
        }
    )


def online_payload(run: str, car: str, *, online: bool, reason: str = "") -> bytes:
    """Whether the monitor is there, for the retained topic `online`; also its will."""
    return _bytes(
        {
            "format": "damperwatch online",
            "format_version": FORMAT_VERSION,
            "run": run,
            "car": clean(car, _NAME),
            "online": online,
            "reason": clean(reason, _REASON),
        }
    )


def heartbeat_payload(
    run: str, sequence: int, *, time_s: float, sample_age_s: float | None, link: str, refused: int, dropped: int
) -> bytes:
    """The topic `heartbeat`: that the monitor works, and on how fresh a sample.

    `sequence` is that of the newest state: a receiver whose own state is older is behind. `refused` counts messages
    on the command topics that were none, `dropped` transitions that no longer fitted while the broker was away.
    """
    return _bytes(
        {
            "format": "damperwatch heartbeat",
            "format_version": FORMAT_VERSION,
            "run": run,
            "sequence": sequence,
            "time_s": _number(time_s),
            "sample_age_s": _number(sample_age_s),
            "link": clean(link, _REASON),
            "refused": refused,
            "dropped": dropped,
        }
    )


class Command(BaseModel):
    """What a person on the pit wall asks for. `id` tells it from every other one, so that a repetition does nothing."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    format: Literal["damperwatch command"] = "damperwatch command"
    format_version: Literal[1] = 1
    id: Annotated[str, Field(pattern=r"^[0-9A-Za-z-]{8,64}$")]
    run: Text
    kind: Text
    where: Annotated[str, Field(max_length=_NAME)]
    action: Action
    who: Text
    shelve_s: Annotated[float, Field(gt=0, le=MOST_SHELF_S, allow_inf_nan=False)] | None = None


def read_command(payload: bytes) -> Command:
    """Read a command from bytes that anybody may have sent.

    Raises
    ------
    ValueError
        It is none; the text says why in a few words, without anything of what was sent.
    """
    if len(payload) > MOST_COMMAND_BYTES:
        raise ValueError(f"longer than {MOST_COMMAND_BYTES} bytes")
    try:
        command = Command.model_validate_json(payload)
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        place = clean(".".join(str(part) for part in first["loc"]), 40)
        raise ValueError(f"not a command ({f'{place}: ' if place else ''}{clean(first['type'], 40)})") from None
    if (command.action == "shelve") != (command.shelve_s is not None):
        raise ValueError("shelve_s belongs to shelve, and shelve needs it")
    return command


def command_payload(command: Command) -> bytes:
    """A command for the topic `commands/NAME`."""
    return _bytes(command.model_dump())


def answer_payload(run: str, identifier: str, *, accepted: bool, words: str) -> bytes:
    """What became of a command, for the topic `answers/NAME`."""
    return _bytes(
        {
            "format": "damperwatch answer",
            "format_version": FORMAT_VERSION,
            "run": run,
            "id": identifier,
            "accepted": accepted,
            "words": clean(words, _REASON),
        }
    )


def name_shown(who: str, level: str) -> str:
    """Who acted: the name given, and beside it the topic's level when that is another.

    The broker vouches for the level only, since its access list ties it to a user.

    Examples
    --------
    >>> name_shown("Kim", "Kim"), name_shown("Kim", "wall")
    ('Kim', 'Kim (wall)')
    """
    who, level = clean(who, 40), clean(level, 40)
    return who if who == level else f"{who} ({level})"


def _bounded(record: dict[str, Any]) -> dict[str, Any]:
    """Every string cleaned and cut, every number one that JSON has."""
    lengths = {"sentence": _SENTENCE, "check_first": _SENTENCE, "caution": _SENTENCE, "unit": _UNIT}
    return {
        name: clean(value, lengths.get(name, _NAME))
        if isinstance(value, str)
        else _number(value)
        if isinstance(value, float)
        else value
        for name, value in record.items()
    }


def _number(value: float | None) -> float | None:
    """JSON has no NaN and no infinity: unknown is null."""
    return value if value is not None and math.isfinite(value) else None


def _bytes(record: dict[str, Any]) -> bytes:
    return json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
