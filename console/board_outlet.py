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
from functools import partial
from pathlib import Path

from alerts.monitor import Monitor, Step
from console.alarm_view import take_alarms
from console.blind_laps import BlindLaps
from console.board_page import Picture, page
from console.board_snapshot import save_picture
from console.board_views import NAMES
from console.controls import Controls, Item, Scene
from console.lines import final_lines, kind_name, log_lines, transition_line
from console.outlet import Outlet, Place
from console.paint import BLOCKS, glyphs_for
from console.screen import BoardScreen, export_svg
from console.take_view import take_view
from console.trends import Trends
from console.view import LinkStatus
from ingest.errors import ResultsError
from ingest.log_counts import LogCounts
from ingest.text import clean

_NEWS_KEPT = 20  # names of what came up while the picture was frozen; all are counted
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
        self._trends.take(step, monitor)
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
    controls : Controls or None
        The state of the keys, when there are any.
    screen : BoardScreen or None
        The terminal, when it is shared with other boards.
    """

    def __init__(
        self,
        write: Callable[[str], None],
        *,
        no_color: bool = False,
        controls: Controls | None = None,
        screen: BoardScreen | None = None,
    ) -> None:
        self._write = write
        self._screen = screen or BoardScreen(no_color=no_color, catch_signals=False)
        self._controls = controls
        self._picture: Picture | None = None  # the last one drawn, and while frozen the one that stays
        self._news: deque[str] = deque(maxlen=_NEWS_KEPT)
        self._news_count = 0
        self._up = False
        self._trends = Trends()
        self._announced: deque[str] = deque(maxlen=_ANNOUNCED_KEPT)
        self._blind = BlindLaps()
        self._notes: tuple[str, ...] = ()

    def begin(self, monitor: Monitor, place: Place) -> None:
        """Take the screen and show the empty board."""
        self._notes = place.notes
        self._screen.__enter__()
        self._up = True
        self._show(monitor, place)

    def step(self, monitor: Monitor, step: Step, place: Place) -> None:
        """Keep what the trends need; draw when a frame is due."""
        self._trends.take(step, monitor)
        self._blind.take(step)
        announced = [t for t in step.transitions if t.announced]
        self._announced.extend(transition_line(t) for t in announced)
        if self._controls is not None:
            if self._controls.frozen_s is None:
                self._news.clear()
                self._news_count = 0
            else:
                self._news.extendleft(
                    f"{t.definition.priority} {kind_name(t.definition.kind)} {t.definition.where}" for t in announced
                )
                self._news_count += len(announced)
            if self._controls.take_changed():
                self._screen.hurry()
        if self._screen.due():
            self._show(monitor, place)

    def rest(self) -> None:
        """Give the screen back for a while."""
        self._screen.rest()

    def wake(self) -> None:
        """Take it again."""
        self._screen.wake()

    def close(self) -> None:
        """Give the screen back; closing twice does no harm."""
        if self._up:
            self._up = False
            self._screen.__exit__(None, None, None)

    def end(self, monitor: Monitor, counts: LogCounts, *, complete: bool) -> None:
        """Give the screen back and write what was announced and the tables."""
        self.close()
        width = shutil.get_terminal_size().columns
        told = (*self._notes, *self._announced, *log_lines(counts))
        for line in (*told, *final_lines(monitor, self._blind, complete=complete)):
            self._write("\n".join(textwrap.wrap(line, width, subsequent_indent="    ")) if len(line) > width else line)

    def _show(self, monitor: Monitor, place: Place) -> None:
        controls = self._controls
        if controls is None:
            self._screen.show(take_view(monitor, self._trends, link_status(monitor, place)))
            return
        if controls.frozen_s is None or self._picture is None:
            view = take_view(monitor, self._trends, link_status(monitor, place))
            self._picture = Picture(view, take_alarms(monitor, self._trends.announced))
        else:
            self._picture = replace(self._picture, news=tuple(self._news), news_count=self._news_count)
        if controls.scene not in {Scene.LIST, Scene.BOARD}:
            controls.shows([])  # no alarm can be seen here, so none may be acted on
        elif controls.scene is Scene.LIST:
            controls.shows([row.item for row in self._picture.rows])
        else:
            controls.shows([Item(*alert.key, f"{alert.kind} {alert.where}") for alert in self._picture.view.alerts])
        glyphs = glyphs_for(self._screen.console.encoding)
        if controls.take_picture_asked():
            make = partial(page, self._picture, controls, glyphs=BLOCKS)
            folder, time_s = place.results or Path.cwd(), self._picture.view.status.position_s
            controls.say(save_picture(make, self._screen.size, folder, NAMES[controls.scene], time_s))
        self._screen.show_board(partial(page, self._picture, controls, glyphs=glyphs))


def link_status(monitor: Monitor, place: Place) -> LinkStatus:
    """What the board's strip says of a replayed log or a live link."""
    pipeline, live = monitor.pipeline, place.live
    status = LinkStatus(
        journal=place.journal,
        wall=place.wall,
        live=live is not None,
        source=place.source,
        position_s=place.time_s,
        progress=place.progress,
        pace="pace max" if place.pace is None else f"pace {place.pace:g}",
        state=place.state,
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
        counts=live.counts,
        trouble="; ".join(part for part in (live.words, live.fault) if part),
    )
