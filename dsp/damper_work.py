"""Force and dissipated power of dampers whose curve the sheet holds, from counts of damper velocity.

In: integer counts in bins of 1 mm/s (`dsp.statistics`), so nothing is computed per sample, no split changes a bit,
and only samples whose velocity is known count. Out: plain data; None for a corner without a curve, NaN without counts.
Beyond its ends the curve goes on with its end slopes.

A bin's samples are all taken at its middle. Within a bin of width w the square of velocity averages w^2/12 more than
the middle's, so power comes out low by slope x w^2 / 12: at 10 N per mm/s that is 0.8 mW, at an RMS of 20 mm/s
0.02 % of a linear damper's. A force percentile is good to slope x w / 2. Samples beyond the outermost bins are taken
at their edge, too low; `beyond` counts them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from dsp.forces import ForceCurve
from dsp.histogram import quantile
from dsp.statistics import SHARE_NAMES, VELOCITY_BINS, Tally, directional_counts
from ingest.chunk import CORNERS, Floats, Ints
from ingest.sheet import Sheet
from ingest.sheet_limits import VelocitySettings
from ingest.sheet_parts import Damper

_WATTS = 0.001  # N times mm/s
# Where each counter's samples are taken to be; those beyond at the outermost edges.
_VELOCITY_MM_S: Floats = np.concatenate(([VELOCITY_BINS.lowest], VELOCITY_BINS.centres, [-VELOCITY_BINS.lowest]))


@dataclass(frozen=True)
class DamperWork:
    """What one damper did over some samples. Forces are the damper's own, positive in compression.

    Attributes
    ----------
    samples : int
        Samples with a known velocity.
    beyond : int
        Of these, samples faster than the outermost bins.
    beyond_curve_share : float
        Share of samples faster than the curve's ends.
    time_s, energy_j, mean_power_w : float
        Counted time; energy turned into heat in it; their ratio.
    energy_share : dict of band to float
        Shares of the energy in the bands of the time shares (`dsp.statistics.SHARE_NAMES`); they add up to 1.
    force_1_percent_n, force_99_percent_n : float
        Force that is below (above) for 1 % of the time.
    mean_compression_n, mean_rebound_n : float
        Mean force while the damper compresses, and while it extends (negative).
    """

    samples: int
    beyond: int
    beyond_curve_share: float
    time_s: float
    energy_j: float
    mean_power_w: float
    energy_share: dict[str, float]
    force_1_percent_n: float
    force_99_percent_n: float
    mean_compression_n: float
    mean_rebound_n: float


def damper_force_n(damper: Damper, velocity_mm_s: Floats) -> Floats:
    """Force at velocities, both positive in compression.

    Examples
    --------
    >>> damper_force_n(Damper(curve=[(-100.0, -900.0), (0.0, 0.0), (100.0, 500.0)]), np.array([-200.0, 50.0]))
    array([-1800.,   250.])
    """
    return ForceCurve(damper.curve)(velocity_mm_s)


def damper_work(damper: Damper, counts: Ints, rate_hz: float, settings: VelocitySettings) -> DamperWork:
    """Force and work of one damper.

    Parameters
    ----------
    damper : Damper
        The curve.
    counts : array of shape (VELOCITY_BINS.size,)
        Counts of damper velocity, at `rate_hz` samples a second.
    settings : VelocitySettings
        Where low speed ends.
    """
    force_n = damper_force_n(damper, _VELOCITY_MM_S)
    samples = int(counts.sum())
    divisor = samples if samples else math.nan
    power = counts * (force_n * _VELOCITY_MM_S * _WATTS)
    total = float(power.sum())
    # The counter that begins at 0; counter 0 is the underflow.
    zero = 1 + round(-VELOCITY_BINS.lowest / VELOCITY_BINS.width)
    bounds = [zero - settings.low_speed_rebound_mm_s, zero, zero + settings.low_speed_compression_mm_s]
    parts = [float(part.sum()) / total if total > 0 else math.nan for part in np.split(power, bounds)]
    slowest, fastest = damper.curve[0][0], damper.curve[-1][0]
    inside = np.clip(_VELOCITY_MM_S, slowest, fastest) == _VELOCITY_MM_S
    outside = samples - int(counts[inside].sum())
    low, high = (quantile(VELOCITY_BINS, counts, share) for share in (0.01, 0.99))
    percentiles = damper_force_n(damper, np.array([low, high])) if samples else np.full(2, math.nan)
    return DamperWork(
        samples=samples,
        beyond=int(counts[0] + counts[-1]),
        beyond_curve_share=outside / divisor,
        time_s=samples / rate_hz,
        energy_j=total / rate_hz,
        mean_power_w=total / divisor,
        energy_share=dict(zip(SHARE_NAMES, parts, strict=True)),
        force_1_percent_n=float(percentiles[0]),
        force_99_percent_n=float(percentiles[1]),
        mean_compression_n=_mean(directional_counts(counts, compression=True), force_n),
        mean_rebound_n=_mean(directional_counts(counts, compression=False), force_n),
    )


def dampers_work(sheet: Sheet, tally: Tally, rate_hz: float) -> tuple[DamperWork | None, ...]:
    """Work of FL, FR, RL, RR over what a tally counted; None for a corner whose sheet has no damper curve."""
    results: list[DamperWork | None] = []
    for number, corner in enumerate(CORNERS):
        damper = sheet.suspension(corner).damper
        counts = tally.velocity[number]
        results.append(None if damper is None else damper_work(damper, counts, rate_hz, sheet.velocity))
    return tuple(results)


def _mean(counts: Ints, values: Floats) -> float:
    total = int(counts.sum())
    return float((counts * values).sum()) / total if total else math.nan
