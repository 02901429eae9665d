"""Mean, variance and skewness that can be merged: Welford's update in the pairwise form.

Sources: Welford, Technometrics 4 (1962) 419; Chan, Golub & LeVeque, STAN-CS-79-773 (1979) for merging; the
third moment after Pebay, SAND2008-6212 (2008), from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ingest.chunk import Floats


@dataclass
class Moments:
    """Count, mean, and sums of squared and cubed deviations from the mean.

    Examples
    --------
    >>> import numpy as np
    >>> m = Moments.of(np.array([1.0, 2.0, 3.0])).merged(Moments.of(np.array([4.0, 5.0])))
    >>> m.count, m.mean, m.variance
    (5, 3.0, 2.5)
    """

    count: int = 0
    mean: float = math.nan
    squares: float = 0.0
    cubes: float = 0.0

    @classmethod
    def of(cls, values: Floats) -> Moments:
        """Moments of an array of shape (n,) without NaN."""
        count = len(values)
        if count == 0:
            return cls()
        mean = float(values.sum()) / count
        deviations = values - mean
        squared = deviations * deviations
        squares = float(squared.sum())
        # Not `np.dot`: the library behind it would set other cores spinning for every block.
        squared *= deviations
        return cls(count, mean, squares, float(squared.sum()))

    def merged(self, other: Moments) -> Moments:
        """Moments of both sets of values together."""
        if self.count == 0 or other.count == 0:
            return other if self.count == 0 else self
        count = self.count + other.count
        apart = other.mean - self.mean
        share = other.count / count
        both = self.count * other.count
        squares = self.squares + other.squares + apart**2 * both / count
        cubes = (
            self.cubes
            + other.cubes
            + apart**3 * both * (self.count - other.count) / count**2
            + 3.0 * apart * (self.count * other.squares - other.count * self.squares) / count
        )
        return Moments(count, self.mean + apart * share, squares, cubes)

    @property
    def variance(self) -> float:
        """Sample variance (n - 1); NaN below two values."""
        return self.squares / (self.count - 1) if self.count > 1 else math.nan

    @property
    def rms(self) -> float:
        """Root of the mean square about zero; NaN when empty."""
        return math.sqrt(self.mean**2 + self.squares / self.count) if self.count else math.nan

    @property
    def skewness(self) -> float:
        """Third central moment over the 1.5th power of the second (population form); NaN when undefined."""
        if self.count < 3 or self.squares <= 0.0:
            return math.nan
        return math.sqrt(self.count) * self.cubes / float(self.squares**1.5)
