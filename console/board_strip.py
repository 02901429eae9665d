"""The strip on top: whether to believe what stands below it.

In: a `BoardView`. Out: one to three lines. Fields that have no room are left out whole, the least needed first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text

from console.paint import DOUBT, PLAIN, STRONG, Glyphs, clock, fit_name, lap_time, number, padded, pieces, safe
from console.view import BoardView
from ingest.rehearsal_mark import MARK


@dataclass(frozen=True)
class _Field:
    """Some words: the larger `keep`, the longer they stay when room is short, and then `shorter` takes their place."""

    keep: int
    text: str
    style: Style = PLAIN
    shorter: _Field | None = None


_LONGEST_NAME = 28
_LONGEST_TROUBLE = 70
_NAMES_FIRST = 110  # cells from which the first line has room for the names too


def strip(view: BoardView, width: int, height: int, glyphs: Glyphs) -> list[Text]:
    """The strip in `height` lines of `width` cells: what and where, then how good, then what was rejected."""
    plenty = height > 2
    identity, quality, rest = _identity(view, glyphs), _quality(view, glyphs), _rest(view, glyphs)
    names = _names(view, glyphs)
    if not plenty:
        rows = [identity, quality + names + rest]
    elif width < _NAMES_FIRST:
        rows = [identity, quality + names, rest]
    else:
        rows = [names + identity, quality, rest]
    return [_row(fields, width) for fields in rows[:height]]


def _row(fields: list[_Field], width: int) -> Text:
    """Fields two cells apart; the least needed are dropped until the rest fits."""
    kept = list(fields)
    while len(kept) > 1 and sum(cell_len(field.text) for field in kept) + 2 * (len(kept) - 1) > width:
        least = min(range(len(kept)), key=lambda place: kept[place].keep)
        shorter = kept[least].shorter
        kept[least : least + 1] = [] if shorter is None else [shorter]
    line = pieces()
    for place, field in enumerate(kept):
        if place:
            line.append("  ")
        line.append(field.text, field.style)
    return padded(line, width)


def _names(view: BoardView, glyphs: Glyphs) -> list[_Field]:
    car, source = (safe(name, glyphs) for name in (view.car, view.status.source))
    return [
        _Field(3, fit_name(car, min(_LONGEST_NAME, cell_len(car)), glyphs), STRONG),
        _Field(4, fit_name(source, min(_LONGEST_NAME, cell_len(source)), glyphs)),
    ]


def _identity(view: BoardView, glyphs: Glyphs) -> list[_Field]:
    status = view.status
    lap = f"lap {safe(view.lap_name, glyphs):<3}" if view.lap_name else f"lap {glyphs.dash:<3}"
    total = "" if status.total_s is None else f" of {clock(status.total_s, glyphs)}"
    progress = "" if status.progress is None else f" {100.0 * status.progress:3.0f} %"
    # Whatever else has no room: nobody may take a rehearsal for the car.
    mark = [_Field(11, MARK.strip(), DOUBT)] if view.car.startswith(MARK) else []
    return [
        *mark,
        _Field(9, *_belief(view)),
        _Field(6, "recording" if status.recording else "not recording"),
        _Field(8, f"{lap} {clock(view.lap_time_s, glyphs):>5}", STRONG),
        _Field(7, f"time {clock(status.position_s, glyphs):>5}{total}{progress}"),
    ]


def _belief(view: BoardView) -> tuple[str, Style]:
    """The word for how fresh all this is."""
    status = view.status
    if status.state != "running":
        return status.state.upper(), Style(reverse=True, bold=True)
    if status.sample_age_s is None:
        return f"replay {safe(status.pace)}".strip(), Style()
    if math.isnan(status.sample_age_s):
        return "NO SAMPLES YET", DOUBT
    if status.stale:
        return f"NO NEW SAMPLES for {min(status.sample_age_s, 9999.0):.0f} s", DOUBT
    return f"age {status.sample_age_s:3.1f} s", Style()


def _quality(view: BoardView, glyphs: Glyphs) -> list[_Field]:
    status = view.status
    lost = f"lost {status.lost_samples}"
    if status.lost_samples and status.rate_hz > 0:
        lost += f" ({status.lost_samples / status.rate_hz:.1f} s)"
    fields = [
        _Field(9, f"{number(status.rate_hz, 4, 0, glyphs).strip()} Hz"),
        _Field(7, f"gaps {status.gaps}", STRONG if status.gaps else PLAIN),
        _Field(8, lost, STRONG if status.lost_samples else PLAIN),
    ]
    if not math.isnan(status.effective_rate_hz):
        fields[0] = _Field(9, f"{status.effective_rate_hz:6.1f} of {status.rate_hz:.0f} Hz")
    if not math.isnan(status.lag_s):
        spread = "" if math.isnan(status.jitter_s) else f" ±{min(1000 * status.jitter_s, 9999):.0f}"
        fields.append(_Field(5, f"lag {min(1000 * status.lag_s, 99999):3.0f}{spread} ms"))
    if status.refused:
        fields.append(_Field(6, f"refused {status.refused}", STRONG))
    if status.restarts:
        fields.append(_Field(6, f"clock set back {status.restarts}x", STRONG))
    return fields


def _rest(view: BoardView, glyphs: Glyphs) -> list[_Field]:
    fields: list[_Field] = []
    if view.status.trouble:
        words = safe(view.status.trouble, glyphs)
        fields.append(_Field(10, fit_name(words, min(_LONGEST_TROUBLE, cell_len(words)), glyphs), DOUBT))
    rejected = [(corner.name, corner.rejected) for corner in view.corners if corner.rejected]
    if rejected:
        counts = " ".join(f"{safe(name, glyphs)} {count}" for name, count in rejected)
        names = " ".join(safe(name, glyphs) for name, _ in rejected)
        # That readings are rejected matters more than which log this is, and more than how many they are.
        fields.append(_Field(5, f"rejected {counts}", STRONG, _Field(8, f"rejected {names}", STRONG)))
    else:
        fields.append(_Field(2, "no readings rejected"))
    if view.laps:
        last = view.laps[-1]
        words = f"last lap {safe(last.name, glyphs)}: {safe(last.kind, glyphs)}, {lap_time(last.duration_s, glyphs)}"
        fields.append(_Field(1, words))
    return fields
