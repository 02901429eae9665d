"""What a rehearsal is known by: its car's name begins with `MARK`, a name that nobody can take for the car itself.

In: a sheet. Out: the sheet under which a rehearsal runs; the mark then stands on screens, in results, journals,
references and recordings. Raises nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ingest.text import clean

if TYPE_CHECKING:
    from ingest.sheet import Sheet

MARK = "REHEARSAL "
_LONGEST_CAR_NAME = 80


def marked(sheet: Sheet) -> Sheet:
    """The sheet for a rehearsal: its car's name begins with `MARK`.

    References, journals and results are held against the car's name, so that neither a rehearsal's are taken for the
    car's nor the other way round.
    """
    if is_marked(sheet):
        return sheet
    name = clean(MARK + sheet.car.name, _LONGEST_CAR_NAME)
    return sheet.model_copy(update={"car": sheet.car.model_copy(update={"name": name})})


def marked_line(line: str) -> str:
    """A line of a rehearsal's plain output: each by itself must not be taken for the car's."""
    return f"{MARK} {line}" if line else line


def is_marked(sheet: Sheet) -> bool:
    """Whether a run under this sheet is a rehearsal."""
    return sheet.car.name.startswith(MARK)
