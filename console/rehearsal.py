"""A rehearsal under way: faults go into the samples unseen, and at the end an account says what became of them.

In: a log's samples on their way to the monitor, and what the monitor brings. Out: the samples with the plan's faults in
them; after the end lines, and rehearsal.json in the results directory. A second monitor follows the log without the
faults, unseen, to tell the log's own alarms from false ones. Until the end nothing that is shown, written or published
tells of the plan; that it is a rehearsal everything does, by the car's name.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from alerts.alert import Transition
from alerts.monitor import Monitor, Step
from console.rehearsal_account import FORMAT_VERSION, Account, Heard
from console.rehearsal_places import LapTable, laps_of, place
from console.results import REHEARSAL, dump
from ingest.chunk import Chunk
from ingest.errors import ResultsError
from ingest.injection import Injector, Placed
from ingest.log import Log
from ingest.plan import Plan
from ingest.recording_log import RecordingLog
from ingest.rehearsal_mark import MARK, marked
from ingest.sheet import Sheet
from ingest.text import clean

_FORMAT = "damperwatch rehearsal"
_LARGEST_ALERTS_BYTES = 50_000_000  # a day of alarms has less


@dataclass(frozen=True)
class Prepared:
    """A plan with its places in one log."""

    plan: Plan
    placed: tuple[Placed, ...]
    laps: LapTable


def prepare(plan: Plan, path: Path, sheet: Sheet) -> Prepared:
    """Find the plan's places in a log.

    Raises
    ------
    PlanError
        The log or the car has no place for a fault; all of them are listed.
    LogError
        The log can't be read.
    """
    laps = laps_of(path, sheet)
    return Prepared(plan, place(plan, laps, sheet), laps)


def of_a_rehearsal(log: Log) -> bool:
    """Whether a log is the recording of a run that was marked as a rehearsal."""
    return isinstance(log, RecordingLog) and str(log.header.get("car", "")).startswith(MARK)


def heard_of(transitions: Iterable[Transition]) -> Iterator[Heard]:
    """What an account needs of transitions."""
    for one in transitions:
        yield Heard(
            one.definition.kind,
            one.definition.where,
            one.change,
            one.announced,
            one.sample,
            one.who,
            "" if one.evidence is None else one.evidence.sentence,
        )


class Rehearsal:
    """The faults of one replay, and the account of them.

    Parameters
    ----------
    prepared : Prepared
        From `prepare`.
    sheet : Sheet
        The car.
    log : Log
        The open log.
    references : tuple
        Asymmetry and drift references, as `Monitor` takes them.
    """

    def __init__(self, prepared: Prepared, sheet: Sheet, log: Log, references: tuple[Any, Any]) -> None:
        self._prepared = prepared
        self._injector = Injector(sheet, log.rate_hz, prepared.placed)
        self._without = Monitor(marked(sheet), log.rate_hz, log.roles, *references)
        keys = {standing.definition.key for standing in self._without.standings}
        self._account = Account(prepared.placed, prepared.laps, keys, self._without.pipeline.platform.names)

    def inject(self, chunk: Chunk) -> Iterator[Chunk]:
        """Take a chunk of the log; give what the monitor is to see of it."""
        if len(chunk):
            self._account.end_sample = chunk.first_sample + len(chunk)
        yield from self._injector.process(chunk)
        self._account.take_own(heard_of(self._without.process(chunk).transitions))

    def take(self, step: Step) -> None:
        """Take what the monitor, or a person, brought."""
        self._account.take(heard_of(step.transitions))

    def finish(self) -> None:
        """The log is over."""
        self._account.take_own(heard_of(self._without.finish().transitions))

    def lines(self) -> list[str]:
        """The account in words; only for after the end."""
        return list(self._account.lines())

    def write(self, directory: Path, source: str, *, complete: bool) -> None:
        """Write the account; raises ResultsError when the directory can't be written."""
        head = _head(self._prepared.plan, source, complete=complete)
        write_account(directory, head | self._account.record())


def write_mark(directory: Path) -> None:
    """Say in a results directory, before anything else is in it, that it holds a rehearsal; nothing of the plan."""
    write_account(directory, {"format": _FORMAT, "format_version": FORMAT_VERSION, "complete": False})


def write_account(directory: Path, record: dict[str, Any]) -> None:
    """Write rehearsal.json whole; raises ResultsError when that can't be."""
    temporary = directory / (REHEARSAL + ".part")
    try:
        directory.mkdir(parents=True, exist_ok=True)
        temporary.write_text(dump(record, indent=1) + "\n", encoding="utf-8")
        temporary.replace(directory / REHEARSAL)
    except OSError as error:
        shown = clean(directory, 200)
        raise ResultsError(f"{shown}: the account can't be written: {clean(error.strerror or error)}") from None


def _head(plan: Plan, source: str, *, complete: bool) -> dict[str, Any]:
    return {
        "format": _FORMAT,
        "format_version": FORMAT_VERSION,
        "complete": complete,
        "source": source,
        "plan": plan.shown,
        "plan_sha256": plan.digest,
    }


def write_fed(directory: Path, plan: Plan, account: Account, source: str, *, complete: bool, heard: bool) -> None:
    """Write the account of a feed; without the receiver's results it says where the faults were, and no verdict."""
    record = account.record() if heard else account.placed_record()
    write_account(directory, _head(plan, source, complete=complete) | record)


def fed_account(prepared: Prepared, sheet: Sheet, heard_in: Path | None, reached: int) -> Account:
    """The account of faults that were fed to another program, from the alerts.jsonl that it wrote.

    Parameters
    ----------
    prepared : Prepared
        The faults.
    sheet : Sheet
        The car.
    heard_in : Path or None
        Results directory of the receiver; None when that is not known here.
    reached : int
        First sample that was not fed any more.

    Raises
    ------
    ResultsError
        There is no alerts.jsonl, or it is none.
    """
    account = Account(prepared.placed, prepared.laps, None, sheet.platform)
    account.end_sample = reached
    if heard_in is not None:
        account.take(_read_alerts(heard_in))
    return account


def _read_alerts(directory: Path) -> list[Heard]:
    file = directory / "alerts.jsonl"
    shown = clean(file, 200)
    try:
        if file.stat().st_size > _LARGEST_ALERTS_BYTES:
            raise ResultsError(f"{shown}: too large to be the alerts of a run")
        lines = file.read_text(encoding="utf-8").splitlines()
        return [_heard(json.loads(line)) for line in lines]
    except OSError as error:
        raise ResultsError(f"{shown}: can't be read: {clean(error.strerror or error)}") from None
    except (ValueError, KeyError, TypeError, RecursionError):
        raise ResultsError(f"{shown}: does not hold the alerts of a run") from None


def _heard(record: dict[str, Any]) -> Heard:
    return Heard(
        str(record["kind"]),
        str(record["where"]),
        str(record["change"]),
        record["announced"] is True,
        int(record["sample"]),
        str(record["who"]),
        str(record["sentence"] or ""),
    )
