"""A picture of the screen as a file of its own: SVG, named by the moment it shows, never in another one's place.

In: a screen as lines, a directory, the sample time. Out: words for the person at the keys, with the path or with what
went wrong. Never raises for a file that can't be written: a picture is not worth a run.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

from console.board import Board
from console.screen import svg_of
from ingest.text import clean

_MOST_TRIES = 1000  # pictures of one second
_LONGEST_PATH = 160


def save_picture(
    make: Callable[[int, int], Board], size: tuple[int, int], folder: Path, view: str, time_s: float
) -> str:
    """Write what `make` draws for `size` (columns, rows) to `folder`; return what became of it, in words.

    The name holds the view and the sample time; a number follows where such a file exists.
    """
    try:
        picture = svg_of(make(*size), *size)
        path = _write(picture, folder, f"{view}-{_stamp(time_s)}")
    except (OSError, ValueError) as error:  # ValueError: a path that no file can have
        words = getattr(error, "strerror", None) or str(error)
        return f"No picture: {clean(folder, _LONGEST_PATH)}: {clean(words, 80)}"
    return f"Picture: {clean(path, _LONGEST_PATH)}"


def _stamp(time_s: float) -> str:
    """Sample time as hours, minutes and seconds that sort as they follow."""
    whole = int(time_s) if math.isfinite(time_s) and time_s > 0.0 else 0
    return f"{whole // 3600:02d}h{whole // 60 % 60:02d}m{whole % 60:02d}s"


def _write(picture: str, folder: Path, name: str) -> Path:
    for number in range(1, _MOST_TRIES):
        path = folder / f"{name}{'' if number == 1 else f'-{number}'}.svg"
        try:
            with path.open("x", encoding="utf-8", errors="replace") as file:
                try:
                    file.write(picture)
                    file.flush()
                except OSError:
                    path.unlink(missing_ok=True)
                    raise
        except FileExistsError:
            continue
        return path
    raise OSError(f"{_MOST_TRIES} pictures of this second are there already")
