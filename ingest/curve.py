"""A table as a smooth curve: monotone cubics between its rows, the end slopes prolonged as straight lines.

In: rows [x, y] whose y only rises or only falls. Out: values, slopes, and the inverse as another such curve. Slopes
have no steps and keep their sign, so a velocity taken through the curve has none either. Each value is computed for
itself: any split of an array gives the same bits. NaN stays NaN; nothing raises for a monotone table.
"""

from __future__ import annotations

from typing import Self

import numpy as np

from ingest.chunk import Floats

# The three-point rule for a curve's end can give 0 where the table bends most; its prolongation would then stand
# still, and its inverse would have no end. An end is at least this share of its piece's mean slope.
_FLATTEST_END = 0.25
# The inverse's values are this good in x, and its slopes this good relatively.
_INVERSE_ERROR = 1e-10
_INVERSE_SLOPE_ERROR = 1e-7
# Bounds of the search for that. An error falls to a sixteenth with each halving of a piece, so that a linkage's table
# takes five halvings and some hundred rows; many near-standstills between steep rows take more, or stay coarser.
_MOST_HALVINGS = 20
_MOST_ROWS = 200_000


class MonotoneCurve:
    """A monotone table as a function with a continuous slope.

    Parameters
    ----------
    x, y : array of shape (n_rows,)
        The rows; x rises, y only rises or only falls.
    slopes : array of shape (n_rows,)
        dy/dx at the rows, of the sign of y's steps.

    Examples
    --------
    >>> curve = MonotoneCurve.through([(0.0, 0.0), (1.0, 1.0), (2.0, 4.0)])
    >>> curve(np.array([0.0, 1.0, 2.0, 3.0]))
    array([0., 1., 4., 8.])
    >>> curve.inverse()(np.array([-1.0, 1.0, 8.0])).round(9)
    array([-4.,  1.,  3.])
    """

    def __init__(self, x: Floats, y: Floats, slopes: Floats) -> None:
        from scipy.interpolate import PPoly

        self.x, self.y, self.slopes = x, y, slopes
        steps = np.diff(x)
        mean = np.diff(y) / steps
        before, after = slopes[:-1] - mean, slopes[1:] - mean
        cubic = np.zeros((4, len(x) + 1))  # a line, the pieces between rows, a line
        cubic[0, 1:-1] = (before + after) / steps**2
        cubic[1, 1:-1] = -(2.0 * before + after) / steps
        cubic[2] = np.concatenate((slopes[:1], slopes))
        cubic[3] = np.concatenate((y[:1] - slopes[:1], y))
        # scipy prolongs the outermost pieces, which here are the lines; how long they are says nothing.
        self._pieces = PPoly(cubic, np.concatenate((x[:1] - 1.0, x, x[-1:] + 1.0)))

    @classmethod
    def through(cls, table: list[tuple[float, float]]) -> Self:
        """The monotone cubic of a table's rows (Fritsch & Butland's slopes, as scipy has them); two rows: a line."""
        from scipy.interpolate import PchipInterpolator

        x, y = (np.ascontiguousarray(column) for column in np.array(table, dtype=np.float64).T)
        mean = np.diff(y) / np.diff(x)
        if len(x) == 2:
            return cls(x, y, np.repeat(mean, 2))
        slopes = np.asarray(PchipInterpolator(x, y)(x, nu=1), dtype=np.float64)
        for end in (0, -1):
            if abs(slopes[end]) < _FLATTEST_END * abs(mean[end]):
                slopes[end] = _FLATTEST_END * mean[end]
        return cls(x, y, slopes)

    def shifted(self, by: float) -> Self:
        """The same curve with `by` added to its values."""
        return type(self)(self.x, self.y + by, self.slopes)

    def __call__(self, x: Floats) -> Floats:
        """Values at `x`, array of shape (n,)."""
        values: Floats = self._pieces(x)
        return values

    def slope(self, x: Floats) -> Floats:
        """dy/dx at `x`, array of shape (n,)."""
        slopes: Floats = self._pieces(x, 1)
        return slopes

    def bend(self, x: float) -> float:
        """d2y/dx2 at one place; at a row, where it steps, the mean of both sides: the best guess a table allows."""
        inside = range(1, len(self.x))
        pieces = {int(np.searchsorted(self.x, x, side="left")), int(np.searchsorted(self.x, x, side="right"))}
        cubic, start = self._pieces.c, self._pieces.x
        # Beyond an end row there is only a line, which says nothing of the bend at that row.
        bends = [6.0 * cubic[0, k] * (x - start[k]) + 2.0 * cubic[1, k] for k in pieces if k in inside]
        return float(sum(bends)) / len(bends) if bends else 0.0

    def inverse(self) -> MonotoneCurve:
        """Give x as a function of y: a monotone cubic through so many points that it is right to 1e-9 of x's unit.

        Tables with pieces ten thousand times flatter than others may get less: the number of points is bounded.
        """
        places = self.x
        for _ in range(_MOST_HALVINGS):
            found = self._mirrored(places)
            wrong = np.zeros(len(places) - 1, dtype=bool)
            for share in (0.2, 0.5, 0.8):
                middle = places[:-1] + share * np.diff(places)
                y, slope = self(middle), self.slope(middle)
                wrong |= np.abs(found(y) - middle) > _INVERSE_ERROR
                wrong |= np.abs(found.slope(y) * slope - 1.0) > _INVERSE_SLOPE_ERROR
            halves = (places[:-1] + np.diff(places) / 2.0)[wrong]
            if not len(halves) or len(places) + len(halves) > _MOST_ROWS:
                break
            places = np.sort(np.concatenate((places, halves)))
        return self._mirrored(places)

    def _mirrored(self, places: Floats) -> MonotoneCurve:
        order = slice(None) if self.y[-1] > self.y[0] else slice(None, None, -1)
        return MonotoneCurve(self(places)[order], places[order].copy(), 1.0 / self.slope(places)[order])
