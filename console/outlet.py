"""Where a run is shown: plain lines, or the board. Both see the same steps.

An outlet may only show; what it does never reaches the chain.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

from alerts.monitor import Monitor, Step
from console.blind_laps import BlindLaps
from console.lines import final_lines, lap_line, log_lines, reference_words, stamp, transition_line
from console.live import LiveStatus
from ingest.log_counts import LogCounts
from ingest.text import clean


@dataclass(frozen=True)
class Place:
    """How far a run is: its source, sample time, share of the log (None on a live link), pace and rate.

    `notes` is what a person should know of the run before it begins, a line each. `live` is None in a replay, and
    `state` is what a replay is doing. `journal` and `wall` say how the journal and the way to the pit wall stand, empty
    while nobody has told; `results` is the results directory, None when there is none.
    """

    source: str
    time_s: float
    progress: float | None
    pace: float | None
    rate_hz: float
    notes: tuple[str, ...] = ()
    live: LiveStatus | None = None
    state: Literal["running", "paused", "finished"] = "running"
    journal: str = ""
    wall: str = ""
    results: Path | None = None


class Outlet(Protocol):
    """Something that shows a run."""

    def begin(self, monitor: Monitor, place: Place) -> None:
        """Say that a run begins."""

    def step(self, monitor: Monitor, step: Step, place: Place) -> None:
        """Show what one step brought."""

    def end(self, monitor: Monitor, counts: LogCounts, *, complete: bool) -> None:
        """Show what the whole run came to."""

    def close(self) -> None:
        """Give back what was taken, on every way out; closing twice does no harm."""


class PlainOutlet:
    """One line an event.

    Parameters
    ----------
    write : callable
        Takes one line.
    progress : callable or None
        Takes the share done, for a progress bar elsewhere.
    """

    def __init__(self, write: Callable[[str], None], progress: Callable[[float], None] | None = None) -> None:
        self._write = write
        self._progress = progress
        self._blind = BlindLaps()
        self._link_words = ""

    def begin(self, monitor: Monitor, place: Place) -> None:
        """Name the source, the filter in use and what left and right are held against."""
        chosen = monitor.pipeline.filter
        laps = monitor.pipeline.laps.source
        self._write(
            f"{stamp(0.0)}  {'replay of' if place.live is None else 'watching'} {place.source} "
            f"at {place.rate_hz:g} Hz; velocity over "
            f"{2 * chosen.half_width + 1} samples; laps from {laps.replace('_', ' ') if laps else 'nothing'}"
            f"{reference_words(monitor)}"
        )
        for note in place.notes:
            self._write(note)

    def step(self, monitor: Monitor, step: Step, place: Place) -> None:
        """One line for each alert transition and each lap, in the order of their samples."""
        self._blind.take(step)
        lines = [(t.sample, 1, transition_line(t)) for t in step.transitions]
        platform, time_s = monitor.pipeline.platform, monitor.engine.time_s
        lines += [(lap.end_sample, 0, lap_line(lap, time_s(lap.end_sample), platform)) for lap in step.laps]
        for _, _, line in sorted(lines, key=lambda entry: entry[:2]):
            self._write(line)
        if place.live is not None:
            words = "; ".join(part for part in (place.live.words, place.live.fault) if part)
            if words != self._link_words:
                self._link_words = words
                self._write(f"{stamp(place.time_s)}  {clean(words, 200) if words else 'link open again'}")
        if self._progress is not None and place.progress is not None:
            self._progress(place.progress)

    def end(self, monitor: Monitor, counts: LogCounts, *, complete: bool) -> None:
        """The tables at the end."""
        for line in log_lines(counts):
            self._write(line)
        for line in final_lines(monitor, self._blind, complete=complete):
            self._write(line)

    def close(self) -> None:
        """Nothing was taken."""
