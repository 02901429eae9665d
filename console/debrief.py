"""`damperwatch debrief`: the report of a finished stint, from the results that its run left.

In: a results directory, and another one to compare with. Out: one HTML file that opens offline and prints on A4, and on
request the figures as PNG files. Files are written whole or not at all, and only a debrief is replaced unasked. Raises
NotResultsError for a directory that holds no results, ResultsError when something can't be written.
"""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from console.debrief_page import MARK, Sketch, page, sketches
from console.debrief_results import NotResultsError, read_results
from console.debrief_stint import Stint, stint_of
from console.debrief_values import plural
from ingest.errors import ResultsError
from ingest.text import clean

PAGE = "debrief.html"
# A file that begins like this is a debrief; the mark stands within its first line or two.
_HEAD_BYTES = 1000
_QUIET_S = 2.0  # what takes longer says how far it is


@dataclass(frozen=True)
class DebriefOptions:
    """What to make: where the page goes (None: into the results), the PNG files, and the stint to compare with."""

    output: Path | None = None
    figures: Path | None = None
    compare: Path | None = None
    overwrite: bool = False


def debrief(
    directory: Path,
    options: DebriefOptions,
    version: str,
    say: Callable[[str], None],
    clock: Callable[[], float] = time.monotonic,
) -> list[Path]:
    """Make the report; returns the files written.

    Parameters
    ----------
    directory : Path
        Results of a run.
    options : DebriefOptions
        What to make of them.
    version : str
        This program's.
    say : callable
        Takes lines on the progress of what is not quick.
    clock : callable
        Seconds of any clock that does not go back.
    """
    this = stint_of(read_results(directory))
    other = None if options.compare is None else stint_of(read_results(options.compare))
    if other is not None:
        this.beside, other.beside = other, this
        reference, note = None, "Bars are each stint's own; the black ticks are the other's."
    else:
        reference, note = _reference(this, directory)
    output = options.output if options.output is not None else directory / PAGE
    drawn = sketches(this, other, reference, "the reference stint")
    files = [output]
    if options.figures is not None:
        files += [options.figures / f"{sketch.plot.name}.png" for sketch in drawn if not sketch.plot.missing]
    _refuse_foreign(files, overwrite=options.overwrite)
    progress = _Progress(2 * len(drawn) if options.figures is not None else len(drawn), say, clock)
    content = page(this, other, note, drawn, version, progress.step)
    _write(output, content.encode("utf-8", errors="replace"))
    if options.figures is not None:
        _write_figures(options.figures, drawn, progress)
    return files


class _Progress:
    """Says how far the figures are, at most every two seconds."""

    def __init__(self, steps: int, say: Callable[[str], None], clock: Callable[[], float]) -> None:
        self._steps, self._say, self._clock = steps, say, clock
        self._done, self._last_s = 0, clock()

    def step(self) -> None:
        """One more figure is being drawn."""
        self._done += 1
        now_s = self._clock()
        if now_s - self._last_s >= _QUIET_S:
            self._last_s = now_s
            self._say(f"drawing figure {self._done} of {self._steps}")


def _write_figures(directory: Path, drawn: list[Sketch], progress: _Progress) -> None:
    from console.debrief_drawing import as_png

    try:
        directory.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise _failed(directory, error) from None
    for sketch in drawn:
        if not sketch.plot.missing:
            progress.step()
            _write(directory / f"{sketch.plot.name}.png", as_png(sketch.plot))


def _reference(this: Stint, directory: Path) -> tuple[Stint | None, str]:
    """The stint that the run was compared with, if it is still where it was, and a sentence about it."""
    if not this.reference:
        return None, "The run was given no reference; --compare DIR sets another stint beside this one."
    gone = f"The run's reference, {this.reference}, can't be read any more: the pyramids have no ticks."
    for base in (Path(), directory.parent):
        place = base / this.reference
        with suppress(NotResultsError, OSError, ValueError):
            found = stint_of(read_results(place.parent if place.name == "summary.json" else place))
            if found.of_laps or found.car != this.car or not math.isfinite(found.duration_s):
                continue
            laps = plural(found.laps_timed, "timed lap")
            return found, f"Black ticks are the run's reference: {this.reference} ({found.source}, {laps})."
    return None, gone


def _refuse_foreign(files: list[Path], *, overwrite: bool) -> None:
    """Nothing of somebody else's is replaced unasked."""
    for file in files:
        try:
            if not file.exists():
                continue
            if not file.is_file():
                raise ResultsError(f"{clean(file, 200)}: is no file; name another one with --output")
            with file.open("rb") as existing:
                ours = MARK.encode() in existing.read(_HEAD_BYTES)
        except (OSError, ValueError) as error:
            raise _failed(file, error) from None
        if not ours and not overwrite:
            raise ResultsError(f"{clean(file, 200)}: exists and is no debrief; name another file or add --overwrite")


def _write(file: Path, content: bytes) -> None:
    """Write a file whole or not at all."""
    temporary = file.parent / (file.name + ".part")
    try:
        with temporary.open("wb") as held:
            held.write(content)
            held.flush()
            os.fsync(held.fileno())
        temporary.replace(file)
    except (OSError, ValueError) as error:
        with suppress(OSError, ValueError):
            temporary.unlink(missing_ok=True)
        raise _failed(file, error) from None


def _failed(path: Path, error: OSError | ValueError) -> ResultsError:
    reason = error.strerror if isinstance(error, OSError) else "no file can have such a name"
    return ResultsError(f"{clean(path, 200)}: can't be written: {clean(reason or error)}")
