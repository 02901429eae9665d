"""Where a plan's faults lie on a log's sample axis: the log's laps are looked up before it is played.

In: a log, read once from start to end in constant memory, its sheet, a plan. Out: the faults with their samples, and
the laps. Laps are those that the monitor will count. Raises `PlanError` that lists every fault that the log or the car
has no place for.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from dsp.frame import Aligned
from dsp.laps import LapTracker
from ingest.chunk import Chunk
from ingest.errors import LogError, PlanError
from ingest.injection import Placed, unfit
from ingest.log import open_log
from ingest.plan import Fault, Plan, SpikesFault
from ingest.sheet import Sheet

_LAPS_SHOWN = 12
# A day of the shortest laps has a tenth of it; a lap channel that is none may count on and on.
_MOST_LAPS = 100_000
# A fault without an end is looked for until the log's; one that passes needs at least this many samples to be there.
_FEWEST_SAMPLES = 1


@dataclass
class LapTable:
    """The laps of a log: first sample and name of each, and where the log begins and ends.

    `source` is None for a log without laps.
    """

    rate_hz: float
    source: str | None
    first_sample: int = 0
    end_sample: int = 0
    starts: list[int] = field(default_factory=list)
    names: list[int] = field(default_factory=list)

    def sample_of(self, index: float) -> int:
        """Sample at a lap counted from 0, as a fraction of that lap's time; beyond the log laps go on as the last."""
        bounds = [*self.starts, self.end_sample]
        whole = math.floor(index)
        if whole < len(self.starts):
            start, end = bounds[whole], bounds[whole + 1]
            return start + round((index - whole) * (end - start))
        usual = self._usual_samples
        return self.end_sample + round((index - len(self.starts)) * usual)

    def index_of(self, sample: int) -> float:
        """The lap that holds a sample, counted from 0, with the share of its time; NaN for a log without laps."""
        if not self.starts:
            return math.nan
        place = max(0, bisect_right(self.starts, sample) - 1)
        end = [*self.starts, self.end_sample][place + 1]
        return place + min(max(sample - self.starts[place], 0) / max(end - self.starts[place], 1), 1.0)

    def name_of(self, sample: int) -> str:
        """Name of the lap that holds a sample; empty without laps."""
        return "" if not self.starts else str(self.names[max(0, bisect_right(self.starts, sample) - 1)])

    def time_s(self, sample: int) -> float:
        """Seconds from the log's first sample."""
        return (sample - self.first_sample) / self.rate_hz

    @property
    def _usual_samples(self) -> float:
        """Length of a lap, from the middle one of those that are whole."""
        lengths = np.diff(self.starts) if len(self.starts) > 2 else np.diff([*self.starts, self.end_sample])
        return float(np.median(lengths[1:] if len(lengths) > 1 else lengths))


class LapFinder:
    """Finds the laps of a stream.

    Parameters
    ----------
    sheet : Sheet
        Its `laps` settings.
    rate_hz : float
        Sample rate.
    roles : tuple of str
        Side channels of the log.
    """

    def __init__(self, sheet: Sheet, rate_hz: float, roles: tuple[str, ...]) -> None:
        self._tracker = LapTracker(sheet.laps, rate_hz, roles)
        self.table = LapTable(rate_hz, self._tracker.source)
        self._begun = False
        self._unnamed = False

    def take(self, chunk: Chunk) -> None:
        """Take the next chunk."""
        if not len(chunk):
            return
        table = self.table
        if not self._begun:
            self._begun = True
            table.first_sample = chunk.first_sample
        table.end_sample = chunk.first_sample + len(chunk)
        if table.source is None:
            return
        block = Aligned(chunk.first_sample, chunk.rate_hz, chunk.sensors, chunk.sensors, chunk.side)
        cuts = self._tracker.cuts(block)
        if not table.starts:
            # The first lap has the first number that is known, wherever that comes.
            table.starts.append(chunk.first_sample)
            table.names.append(0)
            self._unnamed = table.source == "lap_number"
        if self._unnamed:
            known = chunk.side["lap_number"][: cuts[0] if cuts else len(chunk)]
            known = known[np.isfinite(known)]
            if len(known):
                table.names[0], self._unnamed = round(float(known[0])), False
        for place in cuts[: _MOST_LAPS - len(table.starts)]:
            named = table.source == "lap_number"
            table.starts.append(chunk.first_sample + place)
            table.names.append(round(float(chunk.side["lap_number"][place])) if named else len(table.names))


def laps_of(path: Path, sheet: Sheet) -> LapTable:
    """Read a log through once for its laps; raises LogError when it can't be read at all.

    A fault in the middle of the log is left to whoever plays it.
    """
    with open_log(path, sheet) as log:
        finder = LapFinder(sheet, log.rate_hz, log.roles)
        with suppress(LogError):
            for chunk in log:
                finder.take(chunk)
    return finder.table


def place(plan: Plan, laps: LapTable, sheet: Sheet) -> tuple[Placed, ...]:
    """Every fault with its samples, in the plan's order.

    Raises
    ------
    PlanError
        The log or the car has no place for a fault; all of them are listed.
    """
    problems = unfit(plan, sheet)
    placed = []
    for number, fault in enumerate(plan.faults, start=1):
        found = _place(fault, number, laps)
        if isinstance(found, Placed):
            placed.append(found)
        else:
            problems.append(found)
    if problems:
        raise PlanError(plan.shown, problems)
    return tuple(placed)


def _place(fault: Fault, number: int, laps: LapTable) -> Placed | str:
    """One fault with its samples, or why there are none."""
    if laps.source is None and (fault.lap is not None or any(_in_laps(fault))):
        key = "lap" if fault.lap is not None else "over_laps" if getattr(fault, "over_laps", None) else "for_laps"
        return f"fault {number}.{key}: this log has no laps; give times instead (time_s, over_s, for_s)"
    if fault.lap is not None:
        if fault.lap not in laps.names:
            return f"fault {number}.lap: the log has no lap {fault.lap}; it has {_shown(laps.names)}"
        start = laps.sample_of(laps.names.index(fault.lap) + fault.share)
    else:
        assert fault.time_s is not None
        start = laps.first_sample + round(fault.time_s * laps.rate_hz)
    if start >= laps.end_sample:
        length_s = laps.time_s(laps.end_sample)
        return f"fault {number}.time_s: is beyond the log's end, which is at {length_s:.1f} s"
    over_laps, for_laps = _in_laps(fault)
    full = _later(laps, start, getattr(fault, "over_s", None), over_laps) or start
    end = _later(laps, start, getattr(fault, "for_s", None), for_laps)
    if isinstance(fault, SpikesFault) and end is not None and 2 * fault.count > end - start:
        # A spike is one sample between good ones: more would be another fault, and the account would not be true.
        return f"fault {number}.count: {fault.count} spikes need {2 * fault.count} samples; there are {end - start}"
    return Placed(fault, start, full, None if end is None else max(end, start + _FEWEST_SAMPLES))


def _in_laps(fault: Fault) -> tuple[float | None, float | None]:
    return getattr(fault, "over_laps", None), getattr(fault, "for_laps", None)


def _later(laps: LapTable, start: int, seconds: float | None, count: float | None) -> int | None:
    """The sample some seconds or laps after another; None when neither is given."""
    if seconds is not None:
        return start + round(seconds * laps.rate_hz)
    return None if count is None else laps.sample_of(laps.index_of(start) + count)


def _shown(names: list[int]) -> str:
    unique = list(dict.fromkeys(names))
    if unique == list(range(unique[0], unique[0] + len(unique))) and len(unique) > 1:
        return f"laps {unique[0]} to {unique[-1]}"
    more = ", ..." if len(unique) > _LAPS_SHOWN else ""
    return f"lap{'' if len(unique) == 1 else 's'} {', '.join(map(str, unique[:_LAPS_SHOWN]))}{more}"
