"""One log of a survey, through the same chain as a replay, wherever it runs: in this process or on a worker.

In: a `Job` (log, car sheet, version). Out: what the log gave as the bytes of one part file, or the one line that says
why it gave nothing; a function here never raises for a bad log, so that one can't end a season. Holds one log's chunk
and what its laps came to, no more; writes nothing.
"""

from __future__ import annotations

import hashlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from alerts.monitor import Monitor, Step
from console.describe import Context, describe_lap, describe_stint, describe_transition
from console.outlet import Place
from console.pace import Clock
from console.replay import ReplayOptions, replay
from console.survey_part import Part
from console.survey_stint import StintRecords
from dsp.position_scales import PositionScales, Stretch
from ingest.errors import DamperwatchError, LogError
from ingest.log_counts import LogCounts
from ingest.sheet import Sheet
from ingest.text import clean

_BLOCK_BYTES: Final = 1 << 20
# A replay that a signal ended answers with 128 plus its number.
_SIGNALLED: Final = 128
_LONGEST_FAULT: Final = 400


@dataclass(frozen=True)
class Job:
    """One log to be surveyed. `number` is its place in the survey; `when` is the team's own word, shown as it is."""

    number: int
    path: Path
    sheet: Sheet
    version: str
    when: str = ""

    @property
    def shown(self) -> str:
        """The log's name, safe to show."""
        return clean(self.path, 200)


@dataclass(frozen=True)
class Print:
    """What a log's file is: hash, size and time of its last change; or the `fault` that keeps it from being read."""

    sha256: str = ""
    size_bytes: int = 0
    changed_ns: int = 0
    fault: str = ""


@dataclass(frozen=True)
class Outcome:
    """What one log gave: the bytes of its part file, or the `fault`; `signal` when a person ended it."""

    part: bytes = b""
    fault: str = ""
    signal: int = 0


@dataclass(frozen=True)
class Task:
    """A job whose log's hash is known."""

    job: Job
    print: Print


def fingerprint(job: Job) -> Print:
    """Hash a log, read once in blocks; anything but a file (a directory, a pipe, a device) is a fault."""
    shown = job.shown
    if "\0" in str(job.path):
        return Print(fault=f"{shown}: no file can have such a name")
    try:
        # Opening a pipe would wait for ever, and some devices never end.
        kind = os.stat(job.path).st_mode
        if stat.S_ISDIR(kind):
            return Print(fault=f"{shown}: is a directory; name the log file in it")
        if not stat.S_ISREG(kind):
            return Print(fault=f"{shown}: is no file")
        digest = hashlib.sha256()
        with job.path.open("rb") as file:
            while block := file.read(_BLOCK_BYTES):
                digest.update(block)
            state = os.fstat(file.fileno())
    except FileNotFoundError:
        return Print(fault=f"{shown}: there is no such file")
    except OSError as error:
        return Print(fault=f"{shown}: can't be read: {clean(error.strerror or error)}")
    return Print(digest.hexdigest(), state.st_size, state.st_mtime_ns)


def survey_log(task: Task) -> Outcome:
    """Run the chain over one log."""
    job, collected = task.job, _Collector(task.job.sheet)
    try:
        code = replay(job.path, job.sheet, collected, ReplayOptions(), Clock())
        if code > _SIGNALLED:
            return Outcome(signal=code - _SIGNALLED)
        state = os.stat(job.path)
        if (state.st_size, state.st_mtime_ns) != (task.print.size_bytes, task.print.changed_ns):
            return Outcome(fault=f"{job.shown}: was changed while it was read; run the survey again when it is whole")
        packed = collected.part(job).packed()
    except DamperwatchError as error:
        # One line a log: a whole sheet's worth of missing columns is for the replay of that one.
        return Outcome(fault=clean(_named(job, str(error).splitlines()[0]), _LONGEST_FAULT))
    except OSError as error:
        return Outcome(fault=f"{job.shown}: can't be read: {clean(error.strerror or error)}")
    except Exception as error:  # a bug of ours, or no memory: one log must not end a season
        return Outcome(fault=f"{job.shown}: can't be surveyed ({type(error).__name__}); replay tells more")
    return Outcome(packed)


def _named(job: Job, text: str) -> str:
    """A fault's line, with the log's name in front where it does not name it."""
    return text if text.startswith(job.shown) else f"{job.shown}: {text}"


class _Collector:
    """An outlet that shows nothing and keeps what the results of a replay hold, and the stretches of each lap."""

    def __init__(self, sheet: Sheet) -> None:
        self._records = StintRecords(sheet.alerts.drift.warm_up_laps)
        self._summary: dict[str, Any] = {}
        self._stretches: list[Stretch] = []
        self._scales = PositionScales()

    def begin(self, monitor: Monitor, place: Place) -> None:
        """Nothing is shown."""

    def step(self, monitor: Monitor, step: Step, place: Place) -> None:  # noqa: ARG002
        for frame in step.frames:
            starts = [sample for sample, _ in frame.lap_starts]
            self._stretches += self._scales.process(frame.car, starts, last=frame.last)
        if step.laps or step.transitions:
            context = Context.of(monitor)
            for lap in step.laps:
                self._records.lap(describe_lap(lap, context))
            for transition in step.transitions:
                self._records.alert(describe_transition(transition))

    def end(self, monitor: Monitor, counts: LogCounts, *, complete: bool) -> None:
        # Its source is the log's row in the table: the part is the same whatever the log's name.
        self._summary = describe_stint(monitor, counts, source="", complete=complete, version="", reference=None)

    def close(self) -> None:
        """Nothing was taken."""

    def part(self, job: Job) -> Part:
        """What the log gave."""
        if not self._summary:
            raise LogError(f"{job.shown}: gave nothing")
        return self._records.part(self._summary, self._stretches)
