"""A season of logs through the chain of a replay: tables of laps and alerts, references, and how much laps differ.

In: jobs, a directory, somewhere to compute. Out: an exit code, and in the directory laps.parquet, alerts.parquet,
logs.jsonl, scatter.json, references/ and parts/. What a log gave is kept as soon as it is known; a log that was done
with the same log, sheet and version is not computed again. A bad log is told in one line and left out. Raises
ResultsError when the directory can't be used, SurveyError when there is nowhere to compute.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from console import survey_part
from console.results import dump
from console.stopping import Stopping
from console.survey_job import Job, Outcome, Print, Task, fingerprint, survey_log
from console.survey_part import PARTS, WRITING, Gist, Part, Parts, key_of, write_whole
from console.survey_pool import Pool, SurveyError, WorkerLostError
from console.survey_reference import REFERENCES, Group, Stint, groups_of, settle, write_reference
from console.survey_scatter import scatter_lines
from console.survey_table import PROVENANCE, Row, write_table
from ingest.errors import ResultsError
from ingest.text import clean

LAPS, ALERTS, LOGS, SCATTER = "laps.parquet", "alerts.parquet", "logs.jsonl", "scatter.json"
_FORMAT_VERSION: Final = 1
# A path of more characters is cut in the table; the log's hash tells which it is.
_LONGEST_PATH: Final = 1000
_COLUMNS: Final = {
    LAPS: ("lap", "index", "kind", "reason", "first_sample", "end_sample", "start_s", "duration_s", "distance_m"),
    ALERTS: ("sequence", "sample", "time_s", "lap", "kind", "where", "change", "state", "priority", "announced"),
}


@dataclass(frozen=True)
class Voice:
    """Where a survey speaks: `say` takes a line for people, `result` a line of what came out, `report` the share done.

    `each` says a line for every log; otherwise only what went wrong, beside a bar.
    """

    say: Callable[[str], None]
    result: Callable[[str], None]
    report: Callable[[float], None] | None = None
    each: bool = True


@dataclass
class _Log:
    """One log of the survey, as far as it is known."""

    job: Job
    print: Print | None = None
    key: str = ""
    gist: Gist | None = None
    state: str = "not reached"
    fault: str = ""


@dataclass
class _Season:
    """The survey under way."""

    logs: list[_Log]
    parts: Parts
    voice: Voice
    done: int = 0
    faults: int = field(default=0)

    def tell(self, log: _Log, state: str, words: str, fault: str = "") -> None:
        log.state, log.fault = state, fault
        self.done += 1
        if fault:
            self.faults += 1
        if fault or self.voice.each:
            self.voice.say(f"{self.done}/{len(self.logs)}  {fault or f'{log.job.shown}: {words}'}")
        if self.voice.report is not None:
            self.voice.report(self.done / len(self.logs))


def survey(jobs: list[Job], directory: Path, pool: Pool, voice: Voice) -> int:
    """Survey logs.

    Parameters
    ----------
    jobs : list of Job
        In the order of the tables.
    directory : Path
        Made if it does not exist; one with other things in it is refused.
    pool : Pool
        Where to compute.
    voice : Voice
        Where to speak.

    Returns
    -------
    int
        0 when every log is in the tables, 1 when some are not, 2 when none is, 128 plus a signal's number when it was
        interrupted: then the tables hold what was done, and references and scatter stay as they were.
    """
    parts = Parts(directory)
    _prepare(directory, parts)
    season = _Season([_Log(job) for job in jobs], parts, voice)
    with Stopping() as stopping:
        signal = _fingerprints(season, pool, stopping)
        if signal:  # nothing is known of this run, so the tables of an earlier one stay
            voice.say("interrupted before anything was computed")
            return signal
        signal = _compute(season, pool, stopping)
        there = [(log, log.gist) for log in season.logs if log.gist is not None]
        _write_tables(directory, season, there)
        if signal:
            voice.say(f"interrupted: {len(there)} of {len(jobs)} logs are done; the same command goes on from there")
            return signal
        _write_references(directory, season, there)
    voice.result(f"{len(there)} of {len(jobs)} logs in {clean(directory, 200)}")
    if not there:
        return 2
    return 1 if season.faults else 0


def _prepare(directory: Path, parts: Parts) -> None:
    shown = clean(directory, 200)
    try:
        ours = (directory / PARTS).is_dir()
        if directory.exists() and not ours and any(directory.iterdir()):
            raise ResultsError(f"{shown}: holds other things; name a new directory, or that of an earlier survey")
        parts.make()
        # What a killed run left half written.
        for pattern in (*(name + ".*" for name in (LAPS, ALERTS, LOGS, SCATTER)), f"{REFERENCES}/*/*.*"):
            for torn in directory.glob(pattern + WRITING):
                torn.unlink(missing_ok=True)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "no file can have such a name"
        raise ResultsError(f"{shown}: can't be used: {clean(reason or error)}") from None


def _fingerprints(season: _Season, pool: Pool, stopping: Stopping) -> int:
    """Hash every log; returns the signal's exit code when it was interrupted."""
    for come in pool.run(fingerprint, [log.job for log in season.logs]):
        if stopping.wanted:
            return stopping.exit_code
        if come is not None:
            number, found = come
            log = season.logs[number]
            lost = Print(fault=f"{log.job.shown}: the worker that read it died, twice")
            log.print = lost if isinstance(found, WorkerLostError) else found
    return 0


def _to_do(season: _Season, doubles: list[tuple[_Log, _Log]]) -> list[_Log]:
    """Logs to compute: not those that can't be read, are done, or are another one's double, which go to `doubles`."""
    first: dict[str, _Log] = {}
    chosen = []
    for log in season.logs:
        if log.print is None:
            continue
        if log.print.fault:
            season.tell(log, "fault", "", log.print.fault)
            continue
        log.key = key_of(log.print.sha256, log.job.sheet, log.job.version)
        if log.key in first:
            doubles.append((log, first[log.key]))
            continue
        first[log.key] = log
        part = season.parts.read(log.key)
        if part is not None:
            log.gist = part.gist
            season.tell(log, "done", "done before")
        else:
            chosen.append(log)
    return chosen


def _compute(season: _Season, pool: Pool, stopping: Stopping) -> int:
    """Compute what is not there yet; returns the exit code of an interruption, else 0."""
    doubles: list[tuple[_Log, _Log]] = []
    chosen = _to_do(season, doubles)
    while True:
        signal = _compute_these(chosen, season, pool, stopping)
        # One content under two names may be readable under one of them only.
        others, chosen, again = doubles, [], {}
        doubles = []
        for log, first in others:
            if first.state == "fault" and log.key not in again:
                again[log.key] = log
                chosen.append(log)
            elif log.key in again:
                doubles.append((log, again[log.key]))
            elif first.state == "done":
                season.tell(log, "double", f"the same log as {first.job.shown}, counted once")
        if signal or not chosen:
            return signal


def _compute_these(chosen: list[_Log], season: _Season, pool: Pool, stopping: Stopping) -> int:
    tasks = [Task(log.job, log.print) for log in chosen if log.print is not None]
    for come in pool.run(survey_log, tasks):
        if come is not None:
            number, outcome = come
            log = chosen[number]
            if isinstance(outcome, WorkerLostError):
                outcome = Outcome(fault=f"{log.job.shown}: the worker that computed it died, twice")
            if outcome.signal:
                return 128 + outcome.signal
            if outcome.fault:
                season.tell(log, "fault", "", outcome.fault)
            else:
                _keep(log, outcome.part, season)
        if stopping.wanted:
            return stopping.exit_code
    return 0


def _keep(log: _Log, content: bytes, season: _Season) -> None:
    part = Part.unpacked(content)
    if part is None:
        raise SurveyError(f"{log.job.shown}: what it gave was damaged on the way; run the survey again")
    season.parts.write(log.key, content)
    log.gist = part.gist
    season.tell(log, "done", f"{log.gist.laps} laps, {log.gist.alerts} changes of alerts")


def _write_tables(directory: Path, season: _Season, there: list[tuple[_Log, Gist]]) -> None:
    def rows(name: str) -> Iterator[tuple[Row, pa.Table]]:
        for log, gist in there:
            before = _provenance(log) | {"rehearsal": gist.rehearsal, "car": gist.car}
            yield before, season.parts.there(log.key).table(name)

    laps = [gist.lap_columns for _, gist in there]
    write_table(directory / LAPS, rows(survey_part.LAPS), _columns(LAPS, laps))
    alerts = [gist.alert_columns for _, gist in there]
    write_table(directory / ALERTS, rows(survey_part.ALERTS), _columns(ALERTS, alerts))
    lines = [dump(_provenance(log) | {"state": log.state, "fault": log.fault or None}) for log in season.logs]
    write_whole(directory / LOGS, "".join(line + "\n" for line in lines))


def _columns(table: str, logs: Iterable[tuple[str, ...]]) -> list[str]:
    """Names of a table's columns: those that it always has, then others as they first appear."""
    found = dict.fromkeys((*PROVENANCE, *_COLUMNS[table]))
    for names in dict.fromkeys(logs):
        found.update(dict.fromkeys(names))
    return list(found)


def _provenance(log: _Log) -> Row:
    job = log.job
    row: Row = dict.fromkeys(PROVENANCE)
    del row["rehearsal"]
    return row | {
        "log": clean(job.path, _LONGEST_PATH),
        "log_sha256": log.print.sha256 or None if log.print is not None else None,
        "sheet_sha256": job.sheet.digest,
        "program_version": job.version,
        "car": job.sheet.car.name,
        "circuit": job.sheet.stint.circuit,
        "set_up": job.sheet.stint.set_up,
        "when": job.when,
    }


def _write_references(directory: Path, season: _Season, there: list[tuple[_Log, Gist]]) -> None:
    stints = [
        Stint(log.job.shown, log.job.sheet, log.print.sha256, gist, partial(season.parts.there, log.key))
        for log, gist in there
        if log.print is not None
    ]
    found = []
    for group in groups_of(stints):
        settle(group)
        for note in group.notes:
            season.voice.say(note)
        version = there[0][0].job.version
        place = write_reference(directory / REFERENCES, group, version)
        record = group.scatter.record()
        if group.scatter.laps:
            for line in scatter_lines(group.name, record):
                season.voice.result(line)
        if place is not None:
            season.voice.result(_reference_line(group, place))
        found.append(_described(group, place) | record)
    content = {"format": "damperwatch scatter", "format_version": _FORMAT_VERSION, "groups": found}
    write_whole(directory / SCATTER, dump(content, indent=1) + "\n")


def _reference_line(group: Group, place: Path) -> str:
    laps = sum(laps for _, laps in group.used)
    good = (
        f"for a stint yet to come as good as {group.as_good_as_laps}" if group.as_good_as_laps < laps else "all count"
    )
    return f"reference {clean(place, 200)}: {laps} laps of {len(group.used)} stints, {good}"


def _described(group: Group, place: Path | None) -> dict[str, Any]:
    stint = group.sheet.stint
    states = Counter(one.shown for one in group.stints)
    return {
        "car": group.sheet.car.name,
        "circuit": stint.circuit,
        "set_up": stint.set_up,
        "set_up_sha256": group.sheet.set_up_digest,
        "logs": len(states),
        "reference": None if place is None else f"{REFERENCES}/{place.name}",
        "reference_as_good_as_laps": group.as_good_as_laps if place is not None else None,
        "notes": group.notes,
    }
