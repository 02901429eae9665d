"""Which columns of a log are wanted, by the car sheet, and where they are in it.

Pure functions on the sheet's `log` and a log's column names. A name that is missing or doubled raises `LogError`
that lists each such column with its sheet key and the nearest names.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ingest.chunk import CORNERS, SIDE_ROLES, Floats
from ingest.errors import LogError
from ingest.sheet_log import LogLayout
from ingest.text import clean

_NAMES_SHOWN = 12


@dataclass(frozen=True)
class WantedColumn:
    """One column in use: its sheet key, name, and (value in house units) = (value in file) x slope + intercept."""

    key: str
    name: str
    slope: float = 1.0
    intercept: float = 0.0

    def into(self, values: Floats, out: Floats) -> None:
        """Write converted `values` to `out`, both of shape (n_rows,); what overflows becomes NaN."""
        if self.slope == 1.0 and self.intercept == 0.0:
            out[:] = values
            return
        with np.errstate(over="ignore"):
            np.multiply(values, self.slope, out=out)
            out += self.intercept
        out[np.isinf(out)] = np.nan


@dataclass(frozen=True)
class WantedColumns:
    """All columns in use: the time axis (None when every row is one sample), the four dampers, the side roles."""

    axis: WantedColumn | None
    dampers: tuple[WantedColumn, ...]
    side: dict[str, WantedColumn]

    @property
    def all(self) -> list[WantedColumn]:
        """Every one of them."""
        return [*([self.axis] if self.axis is not None else []), *self.dampers, *self.side.values()]

    @property
    def names(self) -> list[str]:
        """Their names in the log, each once."""
        return list(dict.fromkeys(column.name for column in self.all))

    @property
    def readings(self) -> frozenset[str]:
        """Names of the columns that hold the dampers' readings."""
        return frozenset(column.name for column in self.dampers)

    def key_of(self, name: str) -> str:
        """Sheet key of the first wanted column with this name."""
        return next(column.key for column in self.all if column.name == name)

    def collect(self, values_of: Callable[[str], Floats], count: int) -> tuple[Floats, dict[str, Floats]]:
        """Sensors of shape (count, 4), column-major, and side channels, from a function that gives a column."""
        sensors = np.empty((count, 4), order="F")
        for index, column in enumerate(self.dampers):
            column.into(values_of(column.name), sensors[:, index])
        side = {}
        for role, column in self.side.items():
            values = values_of(column.name)
            if column.slope == 1.0 and column.intercept == 0.0:
                side[role] = values
                continue
            side[role] = np.empty(count)
            column.into(values, side[role])
        return sensors, side


def wanted_columns(layout: LogLayout) -> WantedColumns:
    """Return the columns that the sheet's `log` names; column names are compared without surrounding blanks."""
    axis = None
    if layout.time is not None:
        axis = WantedColumn("log.time", layout.time.column.strip())
    elif layout.counter is not None:
        axis = WantedColumn("log.counter", layout.counter.column.strip())
    dampers = []
    for corner in CORNERS:
        entry = layout.columns.damper(corner)
        dampers.append(WantedColumn(f"log.columns.damper_{corner}", entry.column.strip(), entry.scale, entry.offset))
    side = {}
    for role in SIDE_ROLES:
        named = layout.columns.side(role)
        if named is not None:
            factor = named.unit_factor
            side[role] = WantedColumn(
                f"log.columns.{role}", named.column.strip(), named.scale * factor, named.offset * factor
            )
    return WantedColumns(axis, tuple(dampers), side)


def find_columns(wanted: WantedColumns, names: list[str], place: str) -> dict[str, int]:
    """Index in the log of each wanted column's name.

    Parameters
    ----------
    wanted : WantedColumns
        What the sheet names.
    names : list of str
        The log's column names, in its order.
    place : str
        The log's name, for messages.

    Raises
    ------
    LogError
        A wanted name is missing, or there more than once; all of them are listed.
    """
    stripped = [name.strip() for name in names]
    problems = []
    for column in wanted.all:
        shown = clean(column.name, 60)
        times = stripped.count(column.name)
        if times == 0:
            problems.append(f"{column.key}: no column {shown}{_near(column.name, stripped)}")
        elif times > 1:
            problems.append(f"{column.key}: {times} columns are named {shown}; rename all but one")
    if problems:
        more = ", ..." if len(stripped) > _NAMES_SHOWN else ""
        known = ", ".join(clean(name, 40) for name in stripped[:_NAMES_SHOWN]) + more
        raise LogError(f"{place}: " + "; ".join(problems) + f". Columns in the log: {known}")
    return {name: stripped.index(name) for name in wanted.names}


def _near(name: str, names: list[str]) -> str:
    by_lower = {known.lower(): known for known in reversed(names)}
    near = difflib.get_close_matches(name.lower(), list(by_lower), n=2, cutoff=0.6)
    return f" (did you mean {' or '.join(clean(by_lower[match], 60) for match in near)}?)" if near else ""
