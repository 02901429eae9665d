"""A rehearsal over a real link: faults go into a log's own values on their way out, the receiver knows nothing of them.

In: chunks of the values that a log holds, before scale, offset and unit. Out: the same with the faults of car and
sensors in them; times without a link become pulled cables, which are the feed's own. At the end lines and a record:
what was put in and, where the receiver's results can be read, what it told of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from console.mischief import Plan as Mischief
from console.rehearsal import Prepared, fed_account, write_fed
from ingest.chunk import Chunk
from ingest.injection import Injector
from ingest.log_columns import wanted_columns
from ingest.plan import LinkFault
from ingest.sheet import Sheet


class FedRehearsal:
    """The faults of one feed.

    Parameters
    ----------
    prepared : Prepared
        From `console.rehearsal.prepare`, with the sheet as it is.
    sheet : Sheet
        The car, with the scales and offsets of its log.
    """

    def __init__(self, prepared: Prepared, sheet: Sheet) -> None:
        self._prepared = prepared
        self._sheet = sheet
        self._dampers = wanted_columns(sheet.log).dampers
        self._injector = Injector(sheet, prepared.laps.rate_hz, prepared.placed, drops=False)
        self._reached = prepared.laps.first_sample
        self.begun = False

    def inject(self, chunk: Chunk) -> Chunk:
        """A chunk of the log's own values with the faults in it; what no fault touches keeps its bits."""
        if not len(chunk):
            return chunk
        self.begun = True
        self._reached = chunk.first_sample + len(chunk)
        readings = np.empty(chunk.sensors.shape, order="F")
        for number, column in enumerate(self._dampers):
            column.into(chunk.sensors[:, number], readings[:, number])
        spoilt = self._injector.with_faults(replace(chunk, sensors=readings)).sensors
        if spoilt is readings:
            return chunk
        values = np.array(chunk.sensors, order="F")
        for number, column in enumerate(self._dampers):
            before, after = readings[:, number], spoilt[:, number]
            touched = ~((before == after) | (np.isnan(before) & np.isnan(after)))
            values[touched, number] = (after[touched] - column.intercept) / column.slope
        return replace(chunk, sensors=values)

    def pulled(self, mischief: Mischief) -> Mischief:
        """The feed's mischief with the plan's times without a link."""
        laps = self._prepared.laps
        pulls = tuple(
            (laps.time_s(one.start), (one.end - one.start) / laps.rate_hz)
            for one in self._prepared.placed
            if isinstance(one.fault, LinkFault) and one.end is not None
        )
        return replace(mischief, pulls=(*mischief.pulls, *pulls))

    def settle(self, heard_in: Path | None, account_in: Path | None, source: str, *, complete: bool) -> Iterator[str]:
        """Say what became of the faults, and write it where wanted.

        Raises
        ------
        ResultsError
            The receiver's results can't be read, or the account can't be written.
        """
        account = fed_account(self._prepared, self._sheet, heard_in, self._reached)
        if heard_in is None:
            yield from account.placed_lines()
        else:
            yield from account.lines()
        if account_in is not None:
            write_fed(account_in, self._prepared.plan, account, source, complete=complete, heard=heard_in is not None)
