"""Limits of the charts that watch for a drifting damper, by the number of reference laps.

In: the table beside this file, made by `python -m benchmarks.drift_calibration` from its seed. Out: limits, between
the table's numbers of laps interpolated in one over the number. No other I/O.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Self

import numpy as np


@dataclass(frozen=True)
class DriftLimits:
    """Limits of sums, in standard deviations, at each number of reference laps (rising).

    Examples
    --------
    >>> DriftLimits((1, 2, 4), (30.0, 20.0, 10.0), (9.0, 8.0, 7.0)).of_stretches(4)
    10.0
    """

    laps: tuple[int, ...]
    stretches: tuple[float, ...]
    whole_laps: tuple[float, ...]

    def of_stretches(self, reference_laps: int) -> float:
        """Limit of the charts of stretches."""
        return self._at(self.stretches, reference_laps)

    def of_laps(self, reference_laps: int) -> float:
        """Limit of the charts of whole laps."""
        return self._at(self.whole_laps, reference_laps)

    def _at(self, limits: tuple[float, ...], reference_laps: int) -> float:
        inverse = [-1.0 / laps for laps in self.laps]
        return float(np.interp(-1.0 / max(1, reference_laps), inverse, limits))

    @classmethod
    @cache
    def shipped(cls) -> Self:
        """The table that comes with the program."""
        table = json.loads(resources.files("alerts").joinpath("drift_limits.json").read_text(encoding="utf-8"))
        rows = table["limits"]
        return cls(
            tuple(int(row["reference_laps"]) for row in rows),
            tuple(float(row["stretches"]) for row in rows),
            tuple(float(row["laps"]) for row in rows),
        )
