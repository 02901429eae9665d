"""Run lengths of the program's cumulative sum against published tables: exactly by a Markov chain, and by simulation.

The exact values come from a second, independent computation (a Markov chain after Brook and Evans); the simulation
runs the program's own chart. EWMA charts are not used by the program.
"""

from __future__ import annotations

import numpy as np
import pytest
import ruptures  # type: ignore[import-untyped]
from river import drift
from scipy.stats import norm

from alerts.cusum import Cusum

STATES = 400


def exact(shift: float, allowance: float, limit: float, head_start: float = 0.0) -> float:
    """Average run length of one upper chart: D. Brook and D. A. Evans, Biometrika 59 (1972), the Markov chain."""
    width = 2.0 * limit / (2 * STATES - 1)
    centres = np.arange(STATES) * width
    above = centres[np.newaxis, :] - centres[:, np.newaxis] + width / 2.0
    up = norm.cdf(above + allowance - shift)
    moves = np.diff(up, axis=1, prepend=0.0)
    moves[:, 0] = up[:, 0]
    lengths = np.linalg.solve(np.eye(STATES) - moves, np.ones(STATES))
    return float(np.interp(head_start, centres, lengths))


def two_sided(shift: float, allowance: float, limit: float) -> float:
    return 1.0 / (1.0 / exact(shift, allowance, limit) + 1.0 / exact(-shift, allowance, limit))


def simulated(shift: float, allowance: float, limit: float, runs: int, head_start: float = 0.0) -> tuple[float, float]:
    """Mean run length of two-sided charts of the program, and its standard error."""
    random = np.random.default_rng(4)
    chart = Cusum(2 * runs, allowance, head_start)
    lengths = np.zeros(runs)
    alive = np.ones(runs, dtype=bool)
    while alive.any():
        values = random.normal(shift, 1.0, runs)
        sums = np.array(chart.add([*values.tolist(), *(-values).tolist()]))
        lengths[alive] += 1
        alive &= ~((sums[:runs] > limit) | (sums[runs:] > limit))
    return float(lengths.mean()), float(lengths.std() / np.sqrt(runs))


# J. M. Lucas and R. B. Crosier, Technometrics 24 (1982) 199-205, Table 1: k = 0.5, h = 4, two-sided.
LUCAS_CROSIER = {0: 168, 0.25: 74.2, 0.5: 26.6, 0.75: 13.3, 1: 8.38, 1.5: 4.75, 2: 3.34, 2.5: 2.62, 3: 2.19, 4: 1.71}


@pytest.mark.parametrize(("shift", "length"), LUCAS_CROSIER.items())
def test_exact_lengths_of_lucas_and_crosier(shift: float, length: float) -> None:
    assert two_sided(shift, 0.5, 4.0) == pytest.approx(length, rel=0.003)


def test_exact_lengths_of_brook_and_evans() -> None:
    """The same paper's one-sided example, k = 0.5, h = 3."""
    assert exact(0.0, 0.5, 3.0) == pytest.approx(117.59, rel=0.001)
    assert exact(1.5, 0.5, 3.0) == pytest.approx(3.75, rel=0.002)


@pytest.mark.parametrize(
    ("shift", "length"),
    [(-0.25, 2071.51), (-0.125, 400.28), (0.0, 124.66), (0.125, 59.30), (0.25, 36.71), (0.5, 20.37), (1.0, 10.75)],
)
def test_exact_lengths_without_allowance(shift: float, length: float) -> None:
    """L. C. Vance, Journal of Quality Technology 18 (1986), k = 0, h = 10, one-sided."""
    assert exact(shift, 0.0, 10.0) == pytest.approx(length, rel=0.003)


@pytest.mark.parametrize("shift", [0.0, 0.5, 1.0, 2.0])
def test_the_programs_chart_runs_as_long(shift: float) -> None:
    mean, error = simulated(shift, 0.5, 4.0, runs=1500)
    assert abs(mean - LUCAS_CROSIER[shift]) < 3.5 * error + 0.003 * LUCAS_CROSIER[shift]


def test_the_programs_chart_with_a_head_start() -> None:
    """The same table: head start of half the limit; 5.29 at a shift of 1."""
    mean, error = simulated(1.0, 0.5, 4.0, runs=3000, head_start=2.0)
    assert abs(mean - 5.29) < 3.5 * error


@pytest.mark.parametrize(("slope", "length"), [(0.01, 52.0), (0.05, 21.4), (0.1, 15.0), (0.5, 6.95), (1.0, 5.16)])
def test_a_slow_drift_is_seen_as_soon_as_published(slope: float, length: float) -> None:
    """F. F. Gan, Journal of Statistical Computation and Simulation 43 (1992): k = 0.25, h = 8, mean 0 at first."""
    runs = 1200
    random = np.random.default_rng(8)
    chart = Cusum(runs, 0.25)
    lengths = np.zeros(runs)
    alive = np.ones(runs, dtype=bool)
    step = 0
    while alive.any():
        sums = np.array(chart.add(random.normal(slope * step, 1.0, runs).tolist()))
        step += 1
        lengths[alive] = step
        alive &= sums <= 8.0
    assert abs(lengths.mean() - length) < 3.5 * lengths.std() / np.sqrt(runs) + 0.005 * length


def test_a_whole_number_as_head_start_does_not_make_the_sums_whole() -> None:
    """Whole-number sums would cut 0.4 to 0 for ever and all but never alarm."""
    chart = Cusum(1, 0.5, head_start=0)
    for _ in range(10):
        chart.add([0.9])
    assert chart.sums == [pytest.approx(4.0)]
    assert isinstance(chart.sums[0], float)


def test_page_hinkley_with_a_known_mean_is_the_same_chart() -> None:
    """`river`'s detector uses the running mean; with so long a healthy start that mean is known well."""
    random = np.random.default_rng(2)
    values = np.concatenate([random.normal(0.0, 1.0, 3000), random.normal(2.0, 1.0, 60)])
    detector = drift.PageHinkley(min_instances=1, delta=0.5, threshold=12.0, alpha=1.0, mode="up")
    chart = Cusum(1, 0.5)
    ours = theirs = None
    for place, value in enumerate(values.tolist()):
        detector.update(value)  # type: ignore[no-untyped-call]
        sums = chart.add([value])
        ours = place if ours is None and sums[0] > 12.0 else ours
        theirs = place if theirs is None and detector.drift_detected else theirs
    assert ours is not None
    assert theirs is not None
    assert 3000 <= ours < 3030
    assert abs(ours - theirs) <= 2


def test_onset_agrees_with_an_offline_witness() -> None:
    """Penalised segmentation of the whole series (PELT) places the change where the chart began to rise."""
    random = np.random.default_rng(9)
    for shift in (3.0, 4.0):
        values = np.concatenate([random.normal(0.0, 1.0, 40), random.normal(shift, 1.0, 15)])
        breaks = ruptures.Pelt(model="l2", min_size=3).fit(values).predict(pen=3.0 * np.log(len(values)))
        chart = Cusum(1, 1.0)
        alarmed = next(place for place, value in enumerate(values.tolist()) if chart.add([value])[0] > 8.0)
        assert abs(alarmed + 1 - chart.lengths[0] - breaks[0]) <= 5
        assert abs(breaks[0] - 40) <= 1
