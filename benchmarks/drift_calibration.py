"""Makes alerts/drift_limits.json: `python -m benchmarks.drift_calibration`; a quarter of an hour on one core.

Random laps of a car with nothing wrong, through the charts of the program themselves, reference and estimated scatter
included. Scatter is Student-t with 6 degrees of freedom, shared by a lap, by neighbouring stretches (correlation 0.3)
and unequal from stretch to stretch. The limit is the level that the highest value of a stint of 100 laps passes with a
given probability where something would be told at it: the stints' own quantile, or a tail fitted to their highest tenth
where that is higher. Fewer laps never have a lower limit. With fewer laps than a frozen reference may have, the highest
value of two laps counts, since the reference grows meanwhile.
"""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path
from typing import Any, Final

import numpy as np

from alerts.drift_chart import DriftChart, DriftSettings, big_enough
from alerts.drift_limits import DriftLimits
from alerts.drift_reference import MODES, Looks
from alerts.drift_verdict import Verdict, judge
from dsp.position_scales import Stretch
from ingest.chunk import Floats

SEED: Final = 5
STINTS: Final = 1000
LAPS: Final = 100
STRETCHES: Final = 40
REFERENCE_LAPS: Final = (1, 2, 3, 4, 6, 8, 12, 20)
FEWEST_FROZEN: Final = 4  # the sheet allows no shorter reference
# Of a stint of 100 laps that a kind of chart alarms: both together 4 in 100, where 5 are allowed.
PROBABILITY: Final = 0.02
TAIL: Final = 0.1
LAP_SCATTER: Final = (0.006, 0.014, 0.003)  # pitch, roll, warp
STRETCH_SCATTER: Final = (0.012, 0.026, 0.013)
HEAVE_SCATTER: Final = 0.03
NEIGHBOURS: Final = 0.3
DEGREES: Final = 6
# Below these nothing is looked at: far below any limit.
LOWEST: Final = DriftLimits((1,), (3.5,), (1.0,))
TABLE: Final = Path(__file__).parents[1] / "alerts" / "drift_limits.json"


def laps_of_logs(random: np.random.Generator, laps: int) -> Floats:
    """Logarithms of damper speed of a healthy car about 4, shape (laps, STRETCHES, 4)."""
    scale = math.sqrt((DEGREES - 2) / DEGREES)
    unequal = np.exp(random.normal(0.0, 0.3, (STRETCHES, 1)))
    lap = random.standard_t(DEGREES, (laps, 1, 3)) * scale * LAP_SCATTER
    own = random.standard_t(DEGREES, (laps, STRETCHES, 3)) * scale * STRETCH_SCATTER * unequal
    for number in range(1, STRETCHES):
        own[:, number] = NEIGHBOURS * own[:, number - 1] + math.sqrt(1.0 - NEIGHBOURS**2) * own[:, number]
    heave = random.normal(0.0, HEAVE_SCATTER, (laps, 1, 1))
    return np.asarray(4.0 + heave + (lap + own) @ np.array(MODES, dtype=np.float64))


def lap_of(lap: int, logs: Floats) -> list[Stretch]:
    """One lap's stretches with these logarithms of damper speed (mm/s), shape (STRETCHES, 4)."""
    rows = 375
    squares = np.rint(np.exp(2.0 * logs) * 256.0 * rows / 2.0).astype(np.int64)
    counts = np.full(4, rows, dtype=np.int64)
    # Travel that swings by 15 mm and is the same each lap: it never speaks against a damper.
    travel = np.rint(256.0 * rows * np.linspace(-15.0, 15.0, len(logs))).astype(np.int64)
    found = []
    for number, one in enumerate(squares):
        first = (lap * len(logs) + number) * rows
        found.append(
            Stretch(
                lap, number, first, first + rows, rows, counts, np.stack([one, one]), counts, np.full(4, travel[number])
            )
        )
    return found


class Watched(DriftChart):
    """Charts that note the highest value of each kind at which something would be told, and tell nothing."""

    def __init__(self, reference_laps: int) -> None:
        super().__init__(DriftSettings(reference_laps, 0), LOWEST)
        self.highest = [LOWEST.stretches[0], LOWEST.whole_laps[0]]

    def _verdict(self, looks: Looks, score: float, *, of_laps: bool) -> Verdict | None:
        if score > self.highest[of_laps]:
            verdict = judge(looks, self.reference)
            if big_enough(verdict):
                self.highest[of_laps] = score
        return None


def highest_of_stint(random: np.random.Generator, reference_laps: int, laps: int) -> tuple[float, float]:
    """Highest score of the moving means, and highest sum of the laps, that would be told after the reference."""
    chart = Watched(reference_laps)
    start = list(chart.highest)
    for lap, of_lap in enumerate(laps_of_logs(random, reference_laps + laps)):
        if lap == reference_laps:
            chart.lap_charts.reset()
            chart.highest = list(start)
        chart.take(lap_of(lap, of_lap))
        chart.end_lap(timed=True)
    return chart.highest[0], chart.highest[1]


def level(highest: Floats, probability: float) -> float:
    """Level that a maximum passes with a probability; the highest tenth exceeds its foot like an exponential."""
    foot = float(np.quantile(highest, 1.0 - TAIL))
    width = float((highest[highest > foot] - foot).mean())
    return max(foot + width * math.log(TAIL / probability), float(np.quantile(highest, 1.0 - probability)))


def row(reference_laps: int, stints: int, seed: int) -> dict[str, Any]:
    """One row of the table."""
    laps = LAPS if reference_laps >= FEWEST_FROZEN else 2
    many = stints if reference_laps >= FEWEST_FROZEN else 5 * stints
    sums = np.array(
        [highest_of_stint(np.random.default_rng([seed, reference_laps, n]), reference_laps, laps) for n in range(many)]
    )
    return {
        "reference_laps": reference_laps,
        "stretches": round(level(sums[:, 0], PROBABILITY), 2),
        "laps": round(level(sums[:, 1], PROBABILITY), 2),
    }


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stints", type=int, default=STINTS)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--output", type=Path, default=TABLE)
    options = parser.parse_args()
    rows = []
    for laps in REFERENCE_LAPS:
        rows.append(row(laps, options.stints, options.seed))
        print(rows[-1], flush=True)
    for fewer, more in zip(rows[-2::-1], rows[:0:-1], strict=True):
        for kind in ("stretches", "laps"):
            fewer[kind] = max(fewer[kind], more[kind])
    table = {
        "made_by": "python -m benchmarks.drift_calibration",
        "seed": options.seed,
        "stints": options.stints,
        "laps": LAPS,
        "probability_per_stint": PROBABILITY,
        "limits": rows,
    }
    options.output.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
