"""The board as an outlet: draws a frame when one is due, and the tables on the normal screen at the end.

In: steps. Out: frames on one terminal; a picture of the board as SVG when one is asked for. Draws in the caller's
thread between steps, so a fault in drawing is seen at once and a slow terminal only gets fewer frames.
"""

from __future__ import annotations

import shutil
import textwrap
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Literal

from alerts.monitor import Monitor, Step
from console.blind_laps import BlindLaps
from console.lines import final_lines, log_lines, transition_line
from console.outlet import Outlet, Place
from console.screen import BoardScreen, export_svg
from console.trends import Trends
from console.view import LinkStatus, take_view
from ingest.errors import ResultsError
from ingest.log_counts import LogCounts
from ingest.text import clean

_ANNOUNCED_KEPT = 200  # what is repeated on the normal screen afterwards; alerts.jsonl holds all


class PictureOutlet:
    """Another outlet that also draws the board once, as an SVG file.

    Parameters
    ----------
    inner : Outlet
        What shows the run.
    path : Path
        The picture.
    at_s : float or None
        Sample time of the picture; None for the end of the run.
    """

    def __init__(self, inner: Outlet, path: Path, at_s: float | None) -> None:
        self._inner = inner
        self._path = path
        self._at_s = at_s
        self._trends = Trends()
        self._drawn = False
        self._place: Place | None = None

    def begin(self, monitor: Monitor, place: Place) -> None:
        """Pass on."""
        self._inner.begin(monitor, place)

    def step(self, monitor: Monitor, step: Step, place: Place) -> None:
        """Draw if the picture's time has come, and pass on."""
        self._trends.take(step)
        self._place = place
        if not self._drawn and self._at_s is not None and place.time_s >= self._at_s:
            self._draw(monitor, place)
        self._inner.step(monitor, step, place)

    def end(self, monitor: Monitor, counts: LogCounts, *, complete: bool) -> None:
        """Draw if that has not happened, and pass on."""
        self._inner.end(monitor, counts, complete=complete)
        if not self._drawn and self._place is not None:
            self._draw(monitor, self._place)

    def close(self) -> None:
        """Pass on."""
        self._inner.close()

    def _draw(self, monitor: Monitor, place: Place) -> None:
        self._drawn = True
        try:
            export_svg(take_view(monitor, self._trends, link_status(monitor, place)), self._path)
        except OSError as error:
            shown = clean(self._path, 200)
            raise ResultsError(f"{shown}: can't be written: {clean(error.strerror or error)}") from None


class BoardOutlet:
    """Shows a run on the board.

    Parameters
    ----------
    write : callable
        Takes the lines that follow once the board is gone.
    no_color : bool
        Leave colour out.
    """

    def __init__(self, write: Callable[[str], None], *, no_color: bool = False) -> None:
        self._write = write
        self._screen = BoardScreen(no_color=no_color, catch_signals=False)
        self._trends = Trends()
        self._announced: deque[str] = deque(maxlen=_ANNOUNCED_KEPT)
        self._blind = BlindLaps()
        self._notes: tuple[str, ...] = ()

    def begin(self, monitor: Monitor, place: Place) -> None:
        """Take the screen and show the empty board."""
        self._notes = place.notes
        self._screen.__enter__()
        self._show(monitor, place, "running")

    def step(self, monitor: Monitor, step: Step, place: Place) -> None:
        """Keep what the trends need; draw when a frame is due."""
        self._trends.take(step)
        self._blind.take(step)
        self._announced.extend(transition_line(t) for t in step.transitions if t.announced)
        if self._screen.due():
            self._show(monitor, place, "running")

    def close(self) -> None:
        """Give the screen back; closing twice does no harm."""
        self._screen.__exit__(None, None, None)

    def end(self, monitor: Monitor, counts: LogCounts, *, complete: bool) -> None:
        """Give the screen back and write what was announced and the tables."""
        self.close()
        width = shutil.get_terminal_size().columns
        told = (*self._notes, *self._announced, *log_lines(counts))
        for line in (*told, *final_lines(monitor, self._blind, complete=complete)):
            self._write("\n".join(textwrap.wrap(line, width, subsequent_indent="    ")) if len(line) > width else line)

    def _show(self, monitor: Monitor, place: Place, state: Literal["running", "finished"]) -> None:
        self._screen.show(take_view(monitor, self._trends, link_status(monitor, place, state)))


def link_status(monitor: Monitor, place: Place, state: Literal["running", "finished"] = "running") -> LinkStatus:
    """What the board's strip says of a replayed log or a live link."""
    pipeline, live = monitor.pipeline, place.live
    status = LinkStatus(
        source=place.source,
        position_s=place.time_s,
        progress=place.progress,
        pace="pace max" if place.pace is None else f"pace {place.pace:g}",
        state=state,
        rate_hz=place.rate_hz,
        gaps=pipeline.gaps,
        lost_samples=pipeline.lost_samples,
        restarts=pipeline.restarts,
    )
    if live is None:
        return status
    return replace(
        status,
        pace="",
        recording=live.recording == "recording",
        sample_age_s=live.age_s,
        effective_rate_hz=live.rate_hz,
        lag_s=live.lag_s,
        jitter_s=live.jitter_s,
        refused=live.refused,
        trouble="; ".join(part for part in (live.words, live.fault) if part),
    )
