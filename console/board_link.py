"""The view of the link: whether what comes in can be believed, and whether it is kept and passed on.

In: a `BoardView` and a size. Out: the answer in words, and lines of text. The sensors' table goes when there is no room
for it, of its columns the missing ones last. What nobody has told is a dash. Never raises on unknown values.
"""

from __future__ import annotations

import math

from rich.style import Style
from rich.text import Text

from console.board_table import Column, facts, table
from console.paint import DOUBT, PLAIN, STRONG, Glyphs, beside, block, number, safe, title
from console.view import BoardView

_SIDE_BY_SIDE = 110
_GAP = 3
_SHORT_RATE = 0.98  # of the nominal rate; less is not rounding


def answer(view: BoardView, glyphs: Glyphs) -> tuple[str, bool]:
    """The worst thing about the link, or that all is well."""
    status = view.status
    if status.trouble:
        return f"link: {safe(status.trouble, glyphs)}", True
    if status.stale:
        age = status.sample_age_s or 0.0
        return f"link silent: {_age(age)} without a sample" if math.isfinite(age) else "link: no sample yet", True
    silent = [safe(corner.name) for corner in view.corners if corner.rejected]
    tail = f"; readings rejected at {' '.join(silent)}" if silent else ""
    lost = f"{status.lost_samples} samples lost in {status.gaps} gap{'' if status.gaps == 1 else 's'}"
    slow = status.effective_rate_hz < _SHORT_RATE * status.rate_hz
    if status.live and slow:
        return f"link slow: {status.effective_rate_hz:.0f} of {status.rate_hz:.0f} Hz; {lost}{tail}", True
    source = "link" if status.live else "log"
    if status.lost_samples or silent:
        return f"{source}: {lost}{tail}", bool(silent)
    return f"{source} complete: nothing lost, nothing rejected", False


def body(view: BoardView, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The view below its answer, at most `height` lines of `width` cells."""
    if width >= _SIDE_BY_SIDE:
        half = (width - _GAP) // 2
        left = [title("STREAM", half, glyphs), *_stream(view, half, glyphs), *_kept(view, half, glyphs)]
        right = _sensors(view, width - half - _GAP, glyphs)
        rows = min(height, max(len(left), len(right)))
        return beside([block(left, half, rows), block(right, width - half - _GAP, rows)], _GAP)
    stream = [title("STREAM", width, glyphs), *_stream(view, width, glyphs)]
    kept, sensors = _kept(view, width, glyphs), _sensors(view, width, glyphs)
    lines = stream
    for group in (kept, sensors):
        if len(lines) + len(group) <= height:
            lines = lines + group
    return lines[:height]


def _age(seconds: float) -> str:
    return f"{min(seconds, 99_999.0):.0f} s"


def _stream(view: BoardView, width: int, glyphs: Glyphs) -> list[Text]:
    status = view.status
    dash = glyphs.dash

    def ms(value_s: float) -> str:
        return dash.rjust(6) if not math.isfinite(value_s) else f"{min(1000.0 * value_s, 99_999.0):6.0f} ms"

    age = f"{dash:>6} (a log has no age)"
    if status.sample_age_s is not None:
        age = f"{min(status.sample_age_s, 9999.0):6.1f} s" if math.isfinite(status.sample_age_s) else dash.rjust(6)
    rate = f"{number(status.rate_hz, 6, 0, glyphs)} Hz nominal"
    if math.isfinite(status.effective_rate_hz):
        rate = f"{status.effective_rate_hz:6.1f} of {status.rate_hz:.0f} Hz over 5 s"
    lost = f"{status.lost_samples:6d} samples in {status.gaps} gaps"
    if status.lost_samples and status.rate_hz > 0.0:
        lost += f", {status.lost_samples / status.rate_hz:.1f} s"
    entries = [
        ("source", safe(status.source, glyphs), STRONG),
        ("newest sample", age, DOUBT if status.stale else PLAIN),
        ("rate", rate, PLAIN),
        ("lag", f"{ms(status.lag_s)}, jitter {ms(status.jitter_s)}", PLAIN),
        ("lost", lost, STRONG if status.gaps or status.lost_samples else PLAIN),
        ("clock set back", f"{status.restarts:6d}", STRONG if status.restarts else PLAIN),
        ("refused frames", f"{status.refused:6d}" if status.live else dash.rjust(6), PLAIN),
    ]
    kinds = [(name, count) for name, count in status.counts if count]
    if kinds:
        words = ", ".join(f"{count} {safe(name, glyphs).replace('_', ' ')}" for name, count in kinds)
        entries.append(("by kind", words, PLAIN))
    return facts(_indented(entries), width, glyphs)


def _indented(entries: list[tuple[str, str, Style]]) -> list[tuple[str, str, Style]]:
    """Names padded alike, so that the two lists' words stand below one another."""
    return [(name.ljust(14), words, style) for name, words, style in entries]


def _kept(view: BoardView, width: int, glyphs: Glyphs) -> list[Text]:
    status = view.status
    recording = ("yes" if status.recording else "NO") if status.live else f"{glyphs.dash} (a log is played)"
    journal, wall = (safe(words, glyphs) or glyphs.dash for words in (status.journal, status.wall))
    entries = [
        ("recording", recording, DOUBT if status.live and not status.recording else PLAIN),
        ("alarm journal", journal, PLAIN if journal in {"kept", "none", glyphs.dash} else DOUBT),
        ("pit wall", wall, PLAIN if wall in {"open", "none", glyphs.dash} else DOUBT),
    ]
    if status.trouble:
        entries.append(("trouble", safe(status.trouble, glyphs), DOUBT))
    return facts(_indented(entries), width, glyphs)


def _sensors(view: BoardView, width: int, glyphs: Glyphs) -> list[Text]:
    corners = view.corners
    columns = [
        Column("sensor", [(safe(corner.name), STRONG) for corner in corners], 20, left=True),
        Column("rejected", [f"{corner.rejected:9d}" for corner in corners], 9, 9),
        Column("missing", [f"{corner.missing:9d}" for corner in corners], 5, 9),
        Column("noise", [_noise(corner.noise_mm, glyphs) for corner in corners], 8, 9),
        Column("travel now", [number(corner.travel_mm, 7, 1, glyphs, sign=True) + " mm" for corner in corners], 4),
    ]
    told = "readings; noise is what no damper can follow, mm"
    return [title("SENSORS", width, glyphs, told), *table(columns, len(corners), width, glyphs)]


def _noise(value_mm: float, glyphs: Glyphs) -> str:
    return f"{min(value_mm, 99.0):.3f} mm" if math.isfinite(value_mm) else f"{glyphs.dash}   "
