"""Rows of a log become chunks: placed on the time axis, gaps found, stray rows dropped. No input or output here.

In: `Rows`, in the order of the file, in batches of any size. Out: `Chunk`s. How the rows are cut into batches
changes nothing but how the chunks are cut. Raises `LogError` when the time column can't serve as a time axis.
Memory: the rows that the sample rate is measured from, and at most about 1 s of rows not yet decided on.

The rules, for each row, by its step in whole samples from the last accepted row (time difference x rate,
rounded; only differences count, so a slow clock makes no gaps):

- No finite time, or a counter that is no whole number: dropped (`unplaced_rows`).
- Step 1: accepted. Step 0: dropped (`repeated_rows`).
- Step above 1: held until the next row tells. If that one goes back, to after the last accepted row, the held
  row was a stray: dropped (`late_rows`). Otherwise, or at the end of the log, it is accepted, after a gap.
- Step back within 1 s: dropped (`late_rows`).
- Step back by more than 1 s: held. If the rows that follow run on from it for 1 s (or at the end of the log,
  for 10 rows) without reaching the last accepted row, the clock was set back: they are accepted as a restart,
  numbered on from the last accepted row. Otherwise they are dropped (`late_rows`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from ingest.chunk import Bools, Chunk, Floats, Ints
from ingest.log_counts import LogCounts
from ingest.sheet_log import LogLayout
from ingest.text import clean
from ingest.time_rate import ROWS_TO_MEASURE, settle_rate

# Beyond this a double no longer tells whole numbers apart.
_LARGEST_STEP = 2.0**53
_ROWS_THAT_MAKE_A_RESTART = 10


@dataclass(frozen=True, eq=False)
class Rows:
    """Some rows of a log in file order.

    Attributes
    ----------
    axis : array of shape (n_rows,)
        Time in the column's unit, or the counter, or for a log without either the row's own number in the log.
    sensors : array of shape (n_rows, 4)
        As in `Chunk`; column-major.
    side : dict of role to array of shape (n_rows,)
        As in `Chunk`.
    first_line : int
        Line in the file of the first row, for reports.
    lines : array of shape (n_rows,) or None
        Every row's line, when they are not consecutive.
    """

    axis: Floats
    sensors: Floats
    side: dict[str, Floats] = field(default_factory=dict)
    first_line: int = 1
    lines: Ints | None = None

    def __len__(self) -> int:
        return len(self.axis)

    def line(self, row: int) -> int:
        """Line in the file of one row."""
        return self.first_line + row if self.lines is None else int(self.lines[row])


def joined(parts: list[Rows]) -> Rows:
    """Several batches as one."""
    if len(parts) == 1:
        return parts[0]
    sensors = np.empty((sum(len(part) for part in parts), 4), order="F")
    np.concatenate([part.sensors for part in parts], out=sensors)
    return Rows(
        axis=np.concatenate([part.axis for part in parts]),
        sensors=sensors,
        side={role: np.concatenate([part.side[role] for part in parts]) for role in parts[0].side},
        first_line=parts[0].first_line,
        lines=np.concatenate([_lines(part) for part in parts]),
    )


def _lines(rows: Rows) -> Ints:
    return np.arange(rows.first_line, rows.first_line + len(rows)) if rows.lines is None else rows.lines


@dataclass
class _Run:
    """Consecutive rows of one batch that follow on from each other."""

    rows: Rows
    start: int
    stop: int
    gap_before: int = 0
    restart: bool = False


class RowFramer:
    """Turns rows into chunks by the rules above.

    Parameters
    ----------
    layout : LogLayout
        The sheet's `log`: time column, counter or neither, and the rate.
    counts : LogCounts
        What was dropped or found missing is added here.
    place : str
        The log's name, for messages.

    Attributes
    ----------
    rate_hz : float or None
        Sample rate; None until the first rows have told it.
    """

    def __init__(self, layout: LogLayout, counts: LogCounts, place: str = "log") -> None:
        self.rate_hz = layout.rate_hz if layout.time is None else None
        self._layout = layout
        self._counts = counts
        self._place = place
        self._scale = 1.0
        self._whole = layout.time is None
        self._wraps_at = float(layout.counter.wraps_at or 0) if layout.counter is not None else 0.0
        self._waiting: list[Rows] = []
        self._last: float | None = None
        self._number = -1
        self._ahead: _Run | None = None
        self._behind: list[_Run] = []
        self._done: list[Chunk] = []
        self._run: _Run | None = None

    def push(self, rows: Rows) -> list[Chunk]:
        """Take the next rows; return the chunks that are decided, possibly none."""
        self._counts.rows_read += len(rows)
        if self.rate_hz is not None:
            return self._frame(rows)
        self._waiting.append(rows)
        return self._settle() if self._counts.rows_read >= ROWS_TO_MEASURE else []

    def finish(self) -> list[Chunk]:
        """Decide on all rows still held, at the end of the log."""
        chunks = self._settle() if self._waiting and self.rate_hz is None else []
        if self._ahead is not None:
            self._accept_ahead()
        if len(self._behind) >= _ROWS_THAT_MAKE_A_RESTART:
            self._accept_behind()
        self._drop_behind()
        return chunks + self._emitted()

    def _settle(self) -> list[Chunk]:
        rows = joined(self._waiting)
        self._waiting = []
        time = self._layout.time
        assert time is not None
        place = f"{self._place}: column {clean(time.column)}"
        rate_hz = settle_rate(rows.axis[:ROWS_TO_MEASURE], time.to_s, self._layout.rate_hz, place)
        self._scale = time.to_s * rate_hz
        self.rate_hz = rate_hz
        return self._frame(rows)

    def _frame(self, rows: Rows) -> list[Chunk]:
        count = len(rows)
        if not count:
            return []
        # Where the row before is the last accepted one, one comparison decides; any other row is looked at singly.
        follows = self._follows(rows.axis)
        irregular = np.flatnonzero(~follows)
        before = -1
        row = 0
        while row < count:
            if before == row - 1 and self._regular and follows[row]:
                place = int(np.searchsorted(irregular, row))
                stop = int(irregular[place]) if place < len(irregular) else count
                self._accept(rows, row, stop)
                row = stop
                before = row - 1
            else:
                if self._examine(rows, row):
                    before = row
                row += 1
        return self._emitted()

    @property
    def _regular(self) -> bool:
        return self._ahead is None and not self._behind

    def _follows(self, axis: Floats) -> Bools:
        """True where a row is one sample after the row before it, or the first row after the last accepted one."""
        steps = np.empty(len(axis))
        with np.errstate(invalid="ignore", over="ignore"):
            np.subtract(axis[1:], axis[:-1], out=steps[1:])
            steps[0] = np.nan if self._last is None else axis[0] - self._last
            if self._whole:
                if self._wraps_at:
                    np.mod(steps, self._wraps_at, out=steps)
            else:
                steps *= self._scale
                np.rint(steps, out=steps)
        follows: Bools = steps == 1.0
        return follows

    def _step(self, origin: float, value: float) -> float:
        """Whole samples from one place on the axis to another; the same arithmetic as in `_follows`."""
        step = value - origin
        if not self._whole:
            step *= self._scale
            return float(round(step)) if abs(step) <= _LARGEST_STEP else step
        if self._wraps_at:
            step %= self._wraps_at
            return step - self._wraps_at if step > self._wraps_at / 2 else step
        return step

    def _examine(self, rows: Rows, row: int) -> bool:
        """Apply the rules to one row; True when it was accepted and nothing is held."""
        value = float(rows.axis[row])
        if not math.isfinite(value) or (self._whole and value != math.floor(value)):
            self._counts.note("unplaced_rows", rows.line(row))
            return False
        if self._last is None:
            # A counter gives the first sample its number; time starts at 0, and `_accept` counts on from here.
            self._number = int(value) - 1 if self._whole else -1
            self._accept(rows, row, row + 1)
            return True
        step = self._step(self._last, value)
        if not abs(step) <= _LARGEST_STEP:
            self._counts.note("unplaced_rows", rows.line(row))
            return False
        if self._ahead is not None:
            decided = self._decide_ahead(rows, row, value, step)
            if decided is None:
                return False
            step = decided
        if self._behind:
            if step < 0:
                self._examine_behind(rows, row, value)
                return False
            self._drop_behind()
        if step == 1:
            self._accept(rows, row, row + 1)
            return True
        if step > 1:
            self._ahead = _Run(rows, row, row + 1, gap_before=int(step) - 1)
        elif step == 0:
            self._counts.note("repeated_rows", rows.line(row))
        elif -step <= self._one_second:
            self._counts.note("late_rows", rows.line(row))
        else:
            self._behind = [_Run(rows, row, row + 1, restart=True)]
        return False

    @property
    def _one_second(self) -> float:
        assert self.rate_hz is not None
        return self.rate_hz

    def _decide_ahead(self, rows: Rows, row: int, value: float, step: float) -> float | None:
        """With a row held ahead: the step of this row from what is now the last accepted one, or None if dropped."""
        assert self._ahead is not None
        after = self._step(float(self._ahead.rows.axis[self._ahead.start]), value)
        if step >= 1 and after < 0:
            self._counts.note("late_rows", self._ahead.rows.line(self._ahead.start))
            self._ahead = None
            return step
        if step <= 0 and -step <= self._one_second:
            # Says nothing of the row held ahead: it would have been dropped without it, too.
            self._counts.note("late_rows" if step else "repeated_rows", rows.line(row))
            return None
        self._accept_ahead()
        return after

    def _accept_ahead(self) -> None:
        assert self._ahead is not None
        held, self._ahead = self._ahead, None
        self._accept(held.rows, held.start, held.stop, held.gap_before)

    def _examine_behind(self, rows: Rows, row: int, value: float) -> None:
        """Decide on a row behind the last accepted one, with others held behind it.

        Does it run on from those?
        """
        first, latest = self._behind[0], self._behind[-1]
        step = self._step(float(latest.rows.axis[latest.start]), value)
        if step >= 1:
            self._behind.append(_Run(rows, row, row + 1, gap_before=int(step) - 1))
            span = self._step(float(first.rows.axis[first.start]), value)
            if len(self._behind) >= _ROWS_THAT_MAKE_A_RESTART and span >= self._one_second - 1:
                self._accept_behind()
        elif step == 0:
            self._counts.note("repeated_rows", rows.line(row))
        elif -step <= self._one_second:
            self._counts.note("late_rows", rows.line(row))
        else:
            self._drop_behind()
            self._behind = [_Run(rows, row, row + 1, restart=True)]

    def _accept_behind(self) -> None:
        first = self._behind[0]
        self._counts.note("restarts", first.rows.line(first.start))
        for run in self._behind:
            self._accept(run.rows, run.start, run.stop, run.gap_before, run.restart)
        self._behind = []

    def _drop_behind(self) -> None:
        for run in self._behind:
            self._counts.note("late_rows", run.rows.line(run.start))
        self._behind = []

    def _accept(self, rows: Rows, start: int, stop: int, gap_before: int = 0, restart: bool = False) -> None:
        if gap_before:
            self._counts.note("gaps", rows.line(start))
            self._counts.missing_samples += gap_before
        run = self._run
        if run is not None and run.rows is rows and run.stop == start and not gap_before and not restart:
            run.stop = stop
        else:
            self._close_run()
            self._run = _Run(rows, start, stop, gap_before, restart)
        self._last = float(rows.axis[stop - 1])

    def _close_run(self) -> None:
        run, self._run = self._run, None
        if run is None:
            return
        assert self.rate_hz is not None
        first_sample = self._number + 1 + run.gap_before
        self._number = first_sample + run.stop - run.start - 1
        self._counts.samples += run.stop - run.start
        self._done.append(
            Chunk(
                first_sample=first_sample,
                rate_hz=self.rate_hz,
                sensors=run.rows.sensors[run.start : run.stop],
                side={role: values[run.start : run.stop] for role, values in run.rows.side.items()},
                gap_before=run.gap_before,
                restart=run.restart,
            )
        )

    def _emitted(self) -> list[Chunk]:
        self._close_run()
        done, self._done = self._done, []
        return done
