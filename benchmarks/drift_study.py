"""How well a drifting damper is found where the truth is known: `python -m benchmarks.drift_study`.

Simulates stints whose laps differ as on a race day, sends what the sensors said through the chain, and keeps each
stretch's sums (`benchmarks.drift_stints`). Onto them come draws of what brings lap-to-lap scatter up to that of real
stints: pitch 0.6 %, roll 1.4 %, warp 0.3 %, heave 2 %. Then the program's charts judge, without the draws and with
them. Prints false alarms with a Poisson bound, delays, corners named, and what is said of everything that is not a
damper. Simulated stints are kept in a file, so that a second run is quick.
"""

from __future__ import annotations

import argparse
import copy
import os
import pickle
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Final

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import numpy as np
from scipy.stats import beta, chi2

from alerts.drift_chart import DriftChart, DriftSettings
from alerts.drift_limits import DriftLimits
from alerts.drift_reference import MODES, modes_of
from alerts.drift_verdict import Verdict
from benchmarks.drift_stints import Features, cases, simulated
from dsp.position_scales import Stretch, speeds_mm_s
from ingest.chunk import CORNERS, Floats
from ingest.sheet import load_sheet
from replay_logs.simulate import SHEET

SEED: Final = 71
REFERENCE_LAPS: Final = 8
WARM_UP_LAPS: Final = 2
LAP_SCATTER: Final = np.array((0.006, 0.014, 0.003))
HEAVE_SCATTER: Final = 0.02


@dataclass(frozen=True)
class Outcome:
    """What the charts said of a stint: the first verdict, how many laps after the onset (negative: before)."""

    verdict: Verdict | None
    delay_laps: float
    charted_laps: int


def lap_scatter(found: list[Features]) -> Floats:
    """Standard deviation of pitch, roll and warp of healthy timed laps, shape (3,), less what stretches explain."""
    squares, degrees = np.zeros(3), 0
    for one in found:
        laps = range(1 + WARM_UP_LAPS, len(one.kinds) - 1)
        with np.errstate(divide="ignore"):
            logs = np.log(speeds_mm_s(one.stretches)[:, 2])
        lap_of = np.array([stretch.lap for stretch in one.stretches])
        means = np.array([modes_of(logs[lap_of == lap]).mean(axis=0) for lap in laps])
        # From lap to lap, so that fuel and heat, which come slowly, don't count.
        squares += (np.diff(means, axis=0) ** 2).sum(axis=0) / 2.0
        degrees += len(means) - 1
    return np.asarray(np.sqrt(squares / degrees))


def varied(features: Features, random: np.random.Generator, own: Floats) -> list[Stretch]:
    """The stint's stretches with laps that scatter more: up to `LAP_SCATTER` with their `own`."""
    laps = len(features.kinds) + 1
    extra = np.sqrt(np.maximum(LAP_SCATTER**2 - own**2, 0.0))
    logs: Floats = (random.normal(0.0, 1.0, (laps, 3)) * extra) @ np.array(MODES, dtype=np.float64)
    logs += random.normal(0.0, HEAVE_SCATTER, (laps, 1))
    return [_scaled(one, np.exp(logs[max(0, one.lap)])) for one in features.stretches]


def _scaled(stretch: Stretch, factor: Floats) -> Stretch:
    changed = copy.copy(stretch)
    changed.squares = np.rint(stretch.squares * factor**2).astype(np.int64)
    return changed


def run(features: Features, stretches: list[Stretch], limits: DriftLimits) -> Outcome:
    """Send one stint through the program's charts, up to its first verdict."""
    chart = DriftChart(DriftSettings(REFERENCE_LAPS, WARM_UP_LAPS), limits)
    by_lap: dict[int, list[Stretch]] = {}
    for one in stretches:
        by_lap.setdefault(one.lap, []).append(one)
    for lap, kind in enumerate(features.kinds):
        members = by_lap.get(lap, [])
        found = chart.take(members)
        if found:
            place, verdict = found[0]
            return _outcome(features, verdict, members[place].end_sample, chart)
        at_end = chart.end_lap(timed=kind == "timed")
        if at_end is not None:
            return _outcome(features, at_end, members[-1].end_sample, chart)
    return Outcome(None, np.inf, chart.charted_laps)


def _outcome(features: Features, verdict: Verdict, sample: int, chart: DriftChart) -> Outcome:
    return Outcome(verdict, (sample - features.onset_sample) / features.lap_samples, chart.charted_laps)


def interval(hits: int, count: int) -> tuple[float, float]:
    """95 % interval of a share after Clopper and Pearson."""
    low = 0.0 if hits == 0 else float(beta.ppf(0.025, hits, count - hits + 1))
    high = 1.0 if hits == count else float(beta.ppf(0.975, hits + 1, count - hits))
    return low, high


def called(outcome: Outcome) -> str:
    """One word for what was said."""
    verdict = outcome.verdict
    if verdict is None:
        return "nothing"
    if verdict.damper:
        return "a damper"
    first = verdict.suspects[0] if verdict.settled else "not told"
    return f"{'a corner' if verdict.where in CORNERS else verdict.where}: {first}"


def report_healthy(label: str, outcomes: list[Outcome]) -> None:
    """False alarms over healthy laps."""
    laps = sum(outcome.charted_laps for outcome in outcomes)
    alarms = Counter(called(outcome) for outcome in outcomes if outcome.verdict is not None)
    count = sum(alarms.values())
    upper = 0.5 * float(chi2.ppf(0.95, 2 * (count + 1)))
    print(f"healthy, {label}: {count} alarms in {laps} charted laps; at most 1 in {laps / upper:.0f}; {dict(alarms)}")


def report_fault(group: str, pairs: list[tuple[Features, Outcome]]) -> None:
    """Delays and corners of one kind of fault."""
    early = sum(outcome.delay_laps < 0 for _, outcome in pairs)
    judged = [(one, outcome) for one, outcome in pairs if outcome.delay_laps >= 0]
    named = [(one, o) for one, o in judged if o.verdict is not None and o.verdict.where in CORNERS]
    right = sum(o.verdict is not None and o.verdict.where == one.corner for one, o in named)
    missed = sum(o.verdict is None for _, o in judged)
    delays = np.array([o.delay_laps if (one, o) in named else np.inf for one, o in judged])
    median, high = np.quantile(delays, (0.5, 0.9), method="higher")
    low_share, high_share = interval(len(named), max(1, len(judged)))
    print(
        f"{group:20}{len(judged):5}{len(named):7}{len(judged) - len(named) - missed:7}{missed:8}{early:7}"
        f"{right:7}{median:9.2f}{high:7.2f}   named {low_share:.0%} to {high_share:.0%}"
    )


def main() -> None:
    """Run the study and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--healthy", type=int, default=24)
    parser.add_argument("--each", type=int, default=12, help="stints a size of fault")
    parser.add_argument("--alike", type=int, default=8, help="stints of each thing that is no damper")
    parser.add_argument("--laps", type=int, default=36, help="timed laps of a healthy stint")
    parser.add_argument("--draws", type=int, default=10)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--features", type=Path, help="file that keeps what was simulated")
    options = parser.parse_args()
    if options.features is not None and options.features.exists():
        found: list[Features] = pickle.loads(options.features.read_bytes())
    else:
        wanted = cases(options.healthy, options.each, options.alike, options.laps, options.seed)
        found = list(simulated(load_sheet(SHEET), wanted, options.seed))
        if options.features is not None:
            options.features.write_bytes(pickle.dumps(found))
    limits = DriftLimits.shipped()
    groups: dict[str, list[Features]] = {}
    for one in found:
        groups.setdefault(one.group, []).append(one)
    own = lap_scatter(groups["healthy"])
    print(f"lap-to-lap scatter of the simulation, pitch roll warp: {100.0 * own} %")
    for label, draws in (("as simulated", 0), ("with draws of scatter", options.draws)):
        random = np.random.default_rng([options.seed, 1])
        print(f"\n{label}")
        print(
            f"{'fault':20}{'n':>5}{'named':>7}{'other':>7}{'missed':>8}{'early':>7}{'right':>7}{'median':>9}{'p90':>7}"
        )
        for group, members in groups.items():
            pairs = [
                (one, run(one, varied(one, random, own) if draws else one.stretches, limits))
                for one in members
                for _ in range(max(1, draws))
            ]
            if group == "healthy":
                report_healthy(label, [outcome for _, outcome in pairs])
            elif members[0].corner:
                report_fault(group, pairs)
            else:
                print(f"{group:20}{len(pairs):5}  called {dict(Counter(called(outcome) for _, outcome in pairs))}")


if __name__ == "__main__":
    main()
