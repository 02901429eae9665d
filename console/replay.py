"""Replays a log through the whole chain, at a pace, to a board or plain lines, and to a results directory.

In: a log, a sheet, options. Out: an exit code. What was received before an interruption, a fault in the log or the
end of an outlet's reader is finished in order and written; then the fault is raised to the command line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from alerts.journal import Journal
from alerts.lifecycle import State
from alerts.monitor import Monitor, Step
from console.describe import Context
from console.desk import Desk
from console.outlet import Outlet, Place
from console.pace import Clock, Pacer
from console.reference import load_reference
from console.results import ResultsWriter
from console.stopping import Stopping
from console.verify import damage_lines
from ingest.chunk import Chunk
from ingest.errors import LogError
from ingest.log import Log, open_log
from ingest.log_counts import LogCounts
from ingest.recording_log import RecordingLog
from ingest.sheet import Sheet
from ingest.text import clean

_STEPS_PER_SECOND = 20  # at a pace: short enough for a fluent board, and to notice Ctrl-C at once


@dataclass(frozen=True)
class ReplayOptions:
    """What the command line chose. `pace` None is as fast as possible."""

    pace: float | None = None
    results: Path | None = None
    overwrite: bool = False
    reference: Path | None = None
    desk: Desk | None = None
    journal: Path | None = None


def program_version() -> str:
    """Version of the installed program; "unknown" when it runs without being installed."""
    try:
        return version("damperwatch")
    except PackageNotFoundError:
        return "unknown"


def replay(path: Path, sheet: Sheet, outlet: Outlet, options: ReplayOptions, clock: Clock) -> int:
    """Replay one log; returns 0, or 128 plus a signal's number when it was interrupted.

    Raises
    ------
    LogError, ResultsError, JournalError
        The log, a results directory or a journal can't be used. A fault in the middle of the log is raised after all
        before it has been shown and written.
    BrokenPipeError
        Whoever read the outlet has gone; raised after the results, marked as incomplete, have been written.
    """
    reference = None if options.reference is None else load_reference(options.reference, sheet)
    shown = _Shown(outlet)
    with open_log(path, sheet) as log, Stopping() as stopping:
        writer = journal = monitor = None
        if options.results is not None:
            writer = ResultsWriter(options.results, overwrite=options.overwrite)
        try:
            monitor = Monitor(sheet, log.rate_hz, log.roles, None if reference is None else reference.asymmetry)
            notes = log.notes if reference is None else (*log.notes, *reference.notes)
            if options.journal is not None:
                journal = Journal.open(options.journal, sheet.car.name)
                notes = (*notes, *restored_words(journal, monitor))
            run = _Run(log, monitor, shown, writer, clean(path.name, 80), notes, options.desk, journal)
            fault = run.play(Pacer(options.pace, clock), stopping)
            complete = fault is None and stopping.signal is None and not shown.reader_gone
            run.finish(
                complete=complete, reference=None if options.reference is None else clean(options.reference, 200)
            )
        finally:
            outlet.close()
            if writer is not None:
                writer.close()
            if options.desk is not None:
                options.desk.close(monitor, "the replay ended")
            if journal is not None:
                journal.close()
    if fault is not None:
        raise fault
    if shown.reader_gone:
        raise BrokenPipeError
    return stopping.exit_code


def restored_words(journal: Journal, monitor: Monitor) -> tuple[str, ...]:
    """Give a monitor what a former run left; returns lines for people, none when nothing stood."""
    gone = journal.restore_into(monitor)
    standing = sum(alarm.state is not State.NORMAL or alarm.life.silent for alarm in monitor.standings)
    lines = []
    if standing:
        lines.append(f"{standing} alarms of the run before stand again (journal)")
    if gone:
        names = clean(", ".join(" ".join(key) for key in gone), 120)
        lines.append(f"left out, since this sheet has no such alarm: {names}")
    return tuple(lines)


class _Shown:
    """An outlet whose reader may leave: from then on nothing is shown, and `reader_gone` says so."""

    def __init__(self, outlet: Outlet) -> None:
        self._outlet = outlet
        self.reader_gone = False

    def begin(self, monitor: Monitor, place: Place) -> None:
        self._show(lambda: self._outlet.begin(monitor, place))

    def step(self, monitor: Monitor, step: Step, place: Place) -> None:
        self._show(lambda: self._outlet.step(monitor, step, place))

    def end(self, monitor: Monitor, counts: LogCounts, *, complete: bool) -> None:
        self._show(lambda: self._outlet.end(monitor, counts, complete=complete))

    def _show(self, what: Callable[[], None]) -> None:
        if self.reader_gone:
            return
        try:
            what()
        except BrokenPipeError:
            self.reader_gone = True


class _Run:
    """One replay under way."""

    def __init__(
        self,
        log: Log,
        monitor: Monitor,
        outlet: _Shown,
        writer: ResultsWriter | None,
        name: str,
        notes: tuple[str, ...],
        desk: Desk | None = None,
        journal: Journal | None = None,
    ) -> None:
        self._log = log
        self._monitor = monitor
        self._outlet = outlet
        self._writer = writer
        self._name = name
        self._notes = notes
        self._desk = desk
        self._journal = journal
        self._first_sample: int | None = None

    def play(self, pacer: Pacer, stopping: Stopping) -> LogError | None:
        """Play to the end, to a signal, until nobody looks, or to a fault in the log, which is returned."""
        self._outlet.begin(self._monitor, self._place(0.0, pacer.pace))
        try:
            end = 0
            for chunk in self._log:
                for part in self._parts(chunk, pacer.pace):
                    if self._first_sample is None:
                        self._first_sample = part.first_sample
                    if not part.silent:
                        end = part.first_sample + len(part) - self._first_sample
                    pacer.until(end / self._log.rate_hz, stopped=lambda: stopping.signal is not None)
                    if stopping.signal is not None or self._outlet.reader_gone:
                        return None
                    self._give(self._monitor.process(part), end / self._log.rate_hz, pacer.pace)
        except LogError as fault:
            return fault
        return None

    def finish(self, *, complete: bool, reference: str | None) -> None:
        """Bring out what was still on its way, and write the summary."""
        step = self._monitor.finish()
        end = self._monitor.pipeline.laps.current
        time_s = 0.0 if end is None else self._monitor.engine.time_s(end.end_sample)
        self._give(step, time_s, None)
        if isinstance(self._log, RecordingLog):
            self._log.counts.notes += damage_lines(self._log.damage)
        if self._writer is not None:
            self._writer.summary(
                self._monitor,
                self._log.counts,
                source=self._name,
                complete=complete,
                version=program_version(),
                reference=reference,
            )
        self._outlet.end(self._monitor, self._log.counts, complete=complete)

    def _give(self, step: Step, time_s: float, pace: float | None) -> None:
        steps = [step]
        if self._desk is not None:
            steps += self._desk.look(self._monitor, time_s)
        for each in steps:
            if self._journal is not None:
                self._journal.note(each, self._monitor)
            if self._desk is not None:
                self._desk.take(each, self._monitor)
            if self._writer is not None:
                self._writer.step(each, Context.of(self._monitor))
            self._outlet.step(self._monitor, each, self._place(time_s, pace))

    def _place(self, time_s: float, pace: float | None) -> Place:
        fault = () if self._journal is None or self._journal.fault is None else (self._journal.fault,)
        return Place(self._name, time_s, self._log.progress(), pace, self._log.rate_hz, (*self._notes, *fault))

    @staticmethod
    def _parts(chunk: Chunk, pace: float | None) -> Iterator[Chunk]:
        """Pieces of a chunk: as large as it comes without a pace, otherwise a twentieth of a second each."""
        length = len(chunk) if pace is None else max(1, round(pace * chunk.rate_hz / _STEPS_PER_SECOND))
        for start in range(0, max(1, len(chunk)), max(1, length)):
            yield chunk.part(start, min(start + length, len(chunk)))
