"""Replays a log through the whole chain, at a pace, to a board or plain lines, and to a results directory.

In: a log, a sheet, options. Out: an exit code. What was received before an interruption, a fault in the log or the
end of an outlet's reader is finished in order and written; then the fault is raised to the command line. With somebody
at the keys a paced replay that has come to its end stays on the screen until it is quitted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

from alerts.journal import Journal
from alerts.monitor import Monitor, Step
from console.ends import Ends, restored_words
from console.hands import Hands
from console.outlet import Outlet, Place
from console.pace import LOOK_EVERY_S, Clock, Pacer
from console.reference import load_reference
from console.results import ResultsWriter
from console.stopping import Stopping
from ingest.chunk import Chunk
from ingest.errors import LogError
from ingest.log import Log, open_log
from ingest.log_counts import LogCounts
from ingest.rehearsal_mark import is_marked, marked
from ingest.sheet import Sheet
from ingest.text import clean

if TYPE_CHECKING:
    from console.desk import Desk
    from console.rehearsal import Rehearsal
    from ingest.plan import Plan

REHEARSAL_NOTE = "REHEARSAL: faults were put into these samples on purpose; nothing here is of the car as it is now"
# With nobody at the keys, for so long a replay's last picture stays: a demonstration must end by itself.
_STAYS_S = 30.0


@dataclass(frozen=True)
class ReplayOptions:
    """What the command line chose. `pace` None is as fast as possible.

    `plan` makes it a rehearsal, of which `tell` takes the account, a line at a time, after the end.
    """

    pace: float | None = None
    results: Path | None = None
    overwrite: bool = False
    reference: Path | None = None
    desk: Desk | None = None
    journal: Path | None = None
    hands: Hands | None = None
    plan: Plan | None = None
    tell: Callable[[str], None] | None = None


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
    LogError, PlanError, ResultsError, JournalError
        The log, a rehearsal's plan, a results directory or a journal can't be used. A fault in the middle of the log
        is raised after all before it has been shown and written.
    BrokenPipeError
        Whoever read the outlet has gone; raised after the results, marked as incomplete, have been written.
    """
    reference = None if options.reference is None else load_reference(options.reference, sheet)
    prepared = None
    if options.plan is not None:
        from console.rehearsal import Rehearsal, prepare, write_mark  # which other replays need not wait for

        prepared = prepare(options.plan, path, sheet)
    against = (None, None) if reference is None else (reference.asymmetry, reference.drift)
    shown = _Shown(outlet)
    with open_log(path, sheet) as log, Stopping() as stopping:
        monitor = None
        writer = None if options.results is None else ResultsWriter(options.results, overwrite=options.overwrite)
        rehearsal = None if prepared is None else Rehearsal(prepared, sheet, log, against)
        also = None if rehearsal is None else rehearsal.take
        ends = Ends(shown, writer, None, options.desk, options.hands, also)
        try:
            if rehearsal is not None or _of_a_rehearsal(log):
                sheet = marked(sheet)
            if rehearsal is not None and options.results is not None:
                write_mark(options.results)
            monitor = Monitor(sheet, log.rate_hz, log.roles, *against)
            notes = log.notes if reference is None else (*log.notes, *reference.notes)
            if is_marked(sheet):
                notes = (REHEARSAL_NOTE, *notes)
            if options.journal is not None:
                ends.journal = Journal.open(options.journal, sheet.car.name)
                notes = (*notes, *restored_words(ends.journal, monitor))
            pacer = Pacer(options.pace, clock)
            run = _Run(log, monitor, ends, pacer, clean(path.name, 80), notes, rehearsal)
            fault = run.play(shown, stopping)
            complete = fault is None and not stopping.wanted and not shown.reader_gone
            reference_name = None if options.reference is None else clean(options.reference, 200)
            run.finish()
            run.write(complete=complete, reference=reference_name)
            if complete and options.pace is not None and options.hands is not None:
                run.stay(options.hands, stopping)
                run.write(complete=True, reference=reference_name)
            shown.end(monitor, log.counts, complete=complete)
        finally:
            ends.close(monitor, "the replay ended")
    if rehearsal is not None:
        if options.results is not None:
            rehearsal.write(options.results, clean(path.name, 80), complete=complete)
        if options.tell is not None and not shown.reader_gone:
            for line in rehearsal.lines():
                options.tell(line)
    if fault is not None:
        raise fault
    if shown.reader_gone:
        raise BrokenPipeError
    return stopping.exit_code


def _of_a_rehearsal(log: Log) -> bool:
    """Whether a log is the recording of a run that was marked as a rehearsal."""
    if not log.is_recording:
        return False
    from console.rehearsal import of_a_rehearsal

    return of_a_rehearsal(log)


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

    def close(self) -> None:
        self._outlet.close()

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
        ends: Ends,
        pacer: Pacer,
        name: str,
        notes: tuple[str, ...],
        rehearsal: Rehearsal | None = None,
    ) -> None:
        self._log = log
        self._monitor = monitor
        self._ends = ends
        self._pacer = pacer
        self._name = name
        self._notes = notes
        self._rehearsal = rehearsal
        self._time_s = 0.0
        self._first_sample: int | None = None
        self._over = False

    def play(self, shown: _Shown, stopping: Stopping) -> LogError | None:
        """Play to the end, until told to stop, until nobody looks, or to a fault in the log, which is returned."""
        # The keys first: what is typed once the picture is there counts, what was typed before does not.
        if self._ends.hands is not None:
            self._ends.hands.begin(stopping, self._pacer)
        self._ends.outlet.begin(self._monitor, self._place())

        def stopped() -> bool:
            return stopping.wanted or shown.reader_gone

        try:
            end = 0
            for chunk in self._log:
                for part in self._parts(chunk):
                    if self._first_sample is None:
                        self._first_sample = part.first_sample
                    if not part.silent:
                        end = part.first_sample + len(part) - self._first_sample
                    self._pacer.until(end / self._log.rate_hz, stopped, self._look)
                    if stopped():
                        return None
                    for given in (part,) if self._rehearsal is None else self._rehearsal.inject(part):
                        step = self._monitor.process(given)
                        self._time_s = end / self._log.rate_hz
                        self._ends.give(step, self._monitor, self._place())
                        self._look()
        except LogError as fault:
            return fault
        return None

    def finish(self) -> None:
        """Bring out what was still on its way."""
        if self._rehearsal is not None:
            self._rehearsal.finish()
        step = self._monitor.finish()
        end = self._monitor.pipeline.laps.current
        self._time_s = 0.0 if end is None else self._monitor.engine.time_s(end.end_sample)
        self._over = True
        self._ends.give(step, self._monitor, self._place())
        self._look()
        if self._log.is_recording:
            from console.verify import damage_lines
            from ingest.recording_log import RecordingLog

            assert isinstance(self._log, RecordingLog)
            self._log.counts.notes += damage_lines(self._log.damage)

    def write(self, *, complete: bool, reference: str | None) -> None:
        """Write the summary; a later one takes an earlier one's place."""
        if self._ends.writer is not None:
            self._ends.writer.summary(
                self._monitor,
                self._log.counts,
                source=self._name,
                complete=complete,
                version=program_version(),
                reference=reference,
            )

    def stay(self, hands: Hands, stopping: Stopping) -> None:
        """Keep the last picture, its alarms still to be acted on, until somebody quits; not for ever for nobody."""
        clock = self._pacer.clock
        until_s = clock.now() + _STAYS_S
        while not stopping.wanted:
            left_s = until_s - clock.now()
            if not hands.present or (not hands.used and left_s <= 0.0):
                return
            waits = "" if hands.used else f"; by itself in {left_s:.0f} s, unless a key is pressed"
            hands.controls.notice = f"REPLAY ENDED: q ends it{waits}"
            self._look()
            clock.wait(LOOK_EVERY_S)

    def _look(self) -> None:
        self._ends.look(self._monitor, self._place())

    def _place(self) -> Place:
        fault = () if self._ends.journal is None or self._ends.journal.fault is None else (self._ends.journal.fault,)
        return Place(
            self._name,
            self._time_s,
            self._log.progress(),
            self._pacer.pace,
            self._log.rate_hz,
            (*self._notes, *fault),
            state="finished" if self._over else "paused" if self._pacer.paused else "running",
        )

    def _parts(self, chunk: Chunk) -> Iterator[Chunk]:
        """Pieces of a chunk: as large as it comes without a pace, otherwise a look's worth each."""
        start = 0
        while True:
            piece_s = self._pacer.piece_s
            length = len(chunk) if piece_s is None else round(piece_s * chunk.rate_hz)
            end = min(len(chunk), start + max(1, length))
            yield chunk.part(start, end)
            start = end
            if start >= len(chunk):
                return
