"""Cells of a log's columns become float64, NaN where they hold no usable number; what they held is counted.

In: one column of one batch, as an Arrow array of texts (CSV) or of any numeric type (Parquet). Out: a numpy array.
The usual batch costs one conversion and one check. Raises `LogError` only when most cells of the first batch of
a text column are no numbers, which means that the sheet and the log do not fit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ingest.chunk import Bools, Floats, Ints
from ingest.errors import LogError
from ingest.log_counts import PLACES_KEPT, LogCounts
from ingest.text import clean

# What loggers and spreadsheets write for "no value", beside an empty cell; compared in lower case.
_NO_VALUE_WORDS = frozenset({"nan", "+nan", "-nan", "na", "n/a", "#n/a", "null", "none", "nil", "-", "--", "---"})
_NUMBER = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"
_INFINITE = r"^(?i)[+-]?inf(inity)?$"

# No sensor reads beyond this in any unit; the squares and cubes of such a value would overflow further on.
LARGEST_READING = 1e9

# Row indices of a batch to line numbers in the file.
LinesOf = Callable[[Ints], Ints]


class CellReader:
    """Converts columns and counts what is no number.

    Parameters
    ----------
    counts : LogCounts
        Counts are added here.
    place : str
        The log's name, for messages.
    decimal : {".", ","}
        Decimal sign of texts.
    bounded : set of str
        Columns in which a value beyond `LARGEST_READING` counts as infinite.
    """

    def __init__(
        self, counts: LogCounts, place: str, decimal: str = ".", bounded: frozenset[str] = frozenset()
    ) -> None:
        self._counts = counts
        self._place = place
        self._decimal = decimal
        self._bounded = bounded

    def from_numbers(self, column: str, array: Any, lines_of: LinesOf) -> Floats:
        """Values of an Arrow array of numbers or truths; nulls become NaN and count as empty."""
        if pa.types.is_boolean(array.type):
            array = array.cast(pa.int8())
        elif pa.types.is_decimal(array.type):
            array = array.cast(pa.float64())
        # An integer array with nulls arrives here as float64 with NaN.
        values: Floats = array.to_numpy(zero_copy_only=False).astype(np.float64, copy=False)
        if pa.types.is_integer(array.type) and array.type.bit_width <= 16 and not array.null_count:
            return values  # nothing to check: each is finite and far below `LARGEST_READING`
        return self._checked(column, values, array, lines_of)

    def from_texts(self, column: str, key: str, array: Any, lines_of: LinesOf, *, first: bool) -> Floats:
        """Values of an Arrow array of texts; `first` says that this is the log's first batch, `key` is for messages."""
        for attempt in (array, None):
            # Blanks around numbers are common; they cost a second attempt, not the slow way.
            texts = pc.ascii_trim_whitespace(array) if attempt is None else attempt
            try:
                numbers = pc.cast(self._with_point(texts), pa.float64())
            except pa.ArrowInvalid:
                continue
            return self._checked(column, numbers.to_numpy(zero_copy_only=False), numbers, lines_of)
        return self._slowly(column, key, array, lines_of, first)

    def _with_point(self, texts: Any) -> Any:
        """Texts with a point for a decimal sign; one that is none becomes a letter, so that the cell is no number."""
        if self._decimal == ".":
            return texts
        return pc.replace_substring(pc.replace_substring(texts, ".", "x"), ",", ".")

    def _checked(self, column: str, values: Floats, array: Any, lines_of: LinesOf) -> Floats:
        finite = np.abs(values) <= LARGEST_READING if column in self._bounded else np.isfinite(values)
        if finite.all():
            return values
        values = values.copy()
        empty = array.is_null().to_numpy(zero_copy_only=False) if array.null_count else np.zeros(len(values), bool)
        infinite = ~finite & ~np.isnan(values)
        self._note(column, "empty", empty, lines_of)
        self._note(column, "infinite", infinite, lines_of)
        self._note(column, "not_a_number", ~finite & ~infinite & ~empty, lines_of)
        values[infinite] = np.nan
        return values

    def _slowly(self, column: str, key: str, array: Any, lines_of: LinesOf, first: bool) -> Floats:
        """Sort a batch's cells by kind."""
        trimmed = self._with_point(pc.ascii_trim_whitespace(array))
        plain = self._matching(trimmed, _NUMBER)
        values = np.full(len(array), np.nan)
        if plain.any():
            values[plain] = pc.cast(trimmed.filter(pa.array(plain)), pa.float64()).to_numpy(zero_copy_only=False)
        empty = pc.fill_null(pc.binary_length(trimmed), 0).to_numpy(zero_copy_only=False) == 0
        # A number too large for a double has become infinite.
        infinite = self._matching(trimmed, _INFINITE) | np.isinf(values)
        if column in self._bounded:
            infinite |= np.abs(values) > LARGEST_READING
        values[infinite] = np.nan
        rest = np.flatnonzero(~(plain | empty | infinite))
        no_value = np.zeros(len(array), dtype=np.bool_)
        no_value[rest] = [text.lower() in _NO_VALUE_WORDS for text in trimmed.take(pa.array(rest)).to_pylist()]
        unparseable = ~(plain | empty | infinite | no_value)
        wrong = np.flatnonzero(unparseable)
        if first and len(wrong) > len(array) / 2:
            line = int(lines_of(wrong[:1])[0])
            raise LogError(self._does_not_fit(column, key, array[int(wrong[0])].as_py(), line))
        self._note(column, "empty", empty, lines_of)
        self._note(column, "infinite", infinite, lines_of)
        self._note(column, "not_a_number", no_value, lines_of)
        self._note(column, "unparseable", unparseable, lines_of)
        return values

    @staticmethod
    def _matching(texts: Any, pattern: str) -> Bools:
        found = pc.fill_null(pc.match_substring_regex(texts, pattern), False)
        matches: Bools = found.to_numpy(zero_copy_only=False)
        return matches

    def _note(self, column: str, kind: str, where: Bools, lines_of: LinesOf) -> None:
        rows = np.flatnonzero(where)
        if len(rows):
            self._counts.note_cells(clean(column, 60), kind, len(rows), lines_of(rows[:PLACES_KEPT]).tolist())

    def _does_not_fit(self, column: str, key: str, cell: str, line: int) -> str:
        text = cell[:200].strip()
        said = f'{self._place}: line {line}, column {clean(column, 60)}: "{clean(text, 40)}" is not a number'
        other = "," if self._decimal == "." else "."
        digits = text.replace(other, "", 1).lstrip("+-")
        if other in text and digits.isascii() and digits.isdigit():
            return f'{said}. If "{other}" is its decimal sign, set log.decimal = "{other}" in the car sheet'
        return (
            f"{said}, and neither are most cells of that column. Check {key}; "
            "if lines of units follow the column names, set log.lines_after_names"
        )
