"""Page's cumulative sum, one-sided, of any number of charts side by side: plain numbers in, sums out.

In: standardised values, one a chart. Out: the sums after them, and since how many values each has been above 0. A sum
falls by the allowance with every value and never below 0; it alarms above its limit, which the caller holds. An
unknown value (NaN) leaves its chart as it is. No I/O; any number of values.
"""

from __future__ import annotations

import math
from collections.abc import Sequence


class Cusum:
    """One-sided upper charts, C = max(0, C + x - k).

    Parameters
    ----------
    charts : int
        How many.
    allowance : float
        k, in the unit of the values: half of the shift that is to be found quickest.
    head_start : float
        Value of every sum before the first value.

    Examples
    --------
    >>> chart = Cusum(1, allowance=0.5)
    >>> for value in (1.0, 2.0, -4.0, 1.0):
    ...     chart.add([value])
    [0.5]
    [2.0]
    [0.0]
    [0.5]
    """

    def __init__(self, charts: int, allowance: float, head_start: float = 0.0) -> None:
        self.allowance = allowance
        # Floats whatever was given: an integer sum would cut every value to whole numbers and hardly ever alarm.
        self._head_start = float(head_start)
        self.sums = [self._head_start] * charts
        self.lengths = [0] * charts

    def add(self, values: Sequence[float]) -> list[float]:
        """Take one value a chart; return the sums."""
        for chart, value in enumerate(values):
            if math.isnan(value):
                continue
            total = self.sums[chart] + value - self.allowance
            if total > 0.0:
                self.sums[chart] = total
                self.lengths[chart] += 1
            else:
                self.sums[chart] = 0.0
                self.lengths[chart] = 0
        return self.sums

    def reset(self) -> None:
        """Begin again."""
        self.sums = [self._head_start] * len(self.sums)
        self.lengths = [0] * len(self.sums)
