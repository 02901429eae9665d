"""What was found wrong in a log, counted, with the first places of each kind.

Filled by the log reader and the row framer while a log is read; complete when the log has been read to its end.
Bounded: whatever a log holds, only the first few places of each kind are kept. Never raises.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import islice

PLACES_KEPT = 5  # enough to look some up in an editor; the count says how many there are


@dataclass
class CellCounts:
    """Cells of one column that held no usable number, by what they held."""

    empty: int = 0
    not_a_number: int = 0
    infinite: int = 0
    unparseable: int = 0


@dataclass
class LogCounts:
    """Totals over one log.

    Attributes
    ----------
    rows_read : int
        Data rows that were read, ragged ones left out.
    samples : int
        Rows that became samples.
    missing_samples, gaps : int
        Samples that the time axis says are missing, and in how many gaps.
    repeated_rows, late_rows, unplaced_rows : int
        Rows dropped: same time or number as the row before; out of order; without a usable time or number.
    ragged_rows : int
        Rows dropped because they have more or fewer cells than the log has columns.
    restarts : int
        How often the clock was set back.
    cells : dict of column name to CellCounts
        Only columns that had such cells.
    places : dict of kind to list of int
        Line numbers (CSV; blank lines after the column names not counted) or row numbers (Parquet, from 1) of the
        first few rows of each kind. The kinds are this class's field names, and the column's name with the
        CellCounts field's name for cells, as in ("FL", "empty").
    notes : list of str
        Damage of a recording, in words.
    """

    rows_read: int = 0
    samples: int = 0
    missing_samples: int = 0
    gaps: int = 0
    repeated_rows: int = 0
    late_rows: int = 0
    unplaced_rows: int = 0
    ragged_rows: int = 0
    restarts: int = 0
    cells: dict[str, CellCounts] = field(default_factory=dict)
    places: dict[str | tuple[str, str], list[int]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def note(self, kind: str, line: int, count: int = 1) -> None:
        """Count one row of a kind (a field's name) at a line."""
        setattr(self, kind, getattr(self, kind) + count)
        self._keep(kind, (line,))

    def note_cells(self, column: str, kind: str, count: int, lines: Iterable[int]) -> None:
        """Count cells of a column; `kind` is a field of CellCounts."""
        if count:
            counts = self.cells.setdefault(column, CellCounts())
            setattr(counts, kind, getattr(counts, kind) + count)
            self._keep((column, kind), lines)

    def _keep(self, kind: str | tuple[str, str], lines: Iterable[int]) -> None:
        kept = self.places.setdefault(kind, [])
        kept.extend(int(line) for line in islice(lines, PLACES_KEPT - len(kept)))

    @property
    def empty_cells(self) -> int:
        """Empty cells and nulls, over all columns in use."""
        return sum(counts.empty for counts in self.cells.values())

    @property
    def not_a_number_cells(self) -> int:
        """Cells that say they are no number (NaN, NA ...), over all columns in use."""
        return sum(counts.not_a_number for counts in self.cells.values())

    @property
    def infinite_cells(self) -> int:
        """Infinite cells, over all columns in use."""
        return sum(counts.infinite for counts in self.cells.values())

    @property
    def unparseable_cells(self) -> int:
        """Cells that hold something else than a number, over all columns in use."""
        return sum(counts.unparseable for counts in self.cells.values())
