"""What a linear damper dissipates on a w = 2 road, against the closed form.

Mean power of the damper of a quarter car is q kt / 2, whatever spring, damper and masses are, with q the two-sided
intensity of the road's vertical velocity and kt the tyre rate: from memory after Smith & Swift, Vehicle System Dynamics
49 (2011), and Zuo & Zhang, J. Dyn. Sys. Meas. Control 135 (2013); it follows from the white-noise covariance equation.
"""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest

from dsp.damper_work import damper_work
from dsp.statistics import Tally
from dsp.velocity import VelocityFilter
from ingest.chunk import Floats
from ingest.sheet_limits import VelocitySettings
from ingest.sheet_parts import Damper
from tests.dsp.quarter_car import QuarterCar, road_intensity

RATE_HZ = 1000.0
SECONDS = 600.0
RATIO = 0.8  # damper travel per wheel travel
STIFF = QuarterCar(160.0, 25.0, 120e3, 250e3, 4000.0)
SOFT = QuarterCar(317.5, 45.4, 22e3, 192e3, 1500.0)
SPEEDS = {STIFF: 60.0, SOFT: 20.0}
# Closed form: 3 and 1 times 6.3165e-5 (m/s)^2/Hz, times kt / 2.
POWER_W = {STIFF: 23.69, SOFT: 6.064}
HERTZ = np.arange(0.05, 450.0, 0.05)


@functools.cache
def driven(car: QuarterCar) -> tuple[Floats, Floats]:
    """Damper travel and velocity of four cars, ten minutes each."""
    travel, velocity = car.drive(SECONDS, RATE_HZ, road_intensity(SPEEDS[car]), seed=2011)
    return travel * RATIO, velocity * RATIO


def damper_of(car: QuarterCar) -> Damper:
    """A straight line, at the damper."""
    slope = car.damper_n_s_m / RATIO**2 / 1000.0
    return Damper(curve=[(-400.0, -400.0 * slope), (0.0, 0.0), (400.0, 400.0 * slope)])


def counted_power_w(car: QuarterCar, velocity_mm_s: Floats) -> float:
    """Mean over the four cars of the power from counts."""
    tally = Tally()
    tally.add(np.zeros_like(velocity_mm_s), velocity_mm_s)
    each = [damper_work(damper_of(car), tally.velocity[i], RATE_HZ, VelocitySettings()) for i in range(4)]
    assert all(one.samples == len(velocity_mm_s) and one.beyond == 0 for one in each)
    return float(np.mean([one.mean_power_w for one in each]))


def sampling_error(car: QuarterCar) -> float:
    """Relative standard deviation of the mean square of a Gaussian over 4 x SECONDS: sqrt(int G^2 / T) / int G."""
    power = car.velocity_spectrum(HERTZ, road_intensity(SPEEDS[car]))
    step = float(HERTZ[1] - HERTZ[0])
    return math.sqrt(float(np.sum(power**2)) * step / (4.0 * SECONDS)) / (float(np.sum(power)) * step)


@pytest.mark.parametrize("car", [STIFF, SOFT])
def test_power_is_half_the_roads_intensity_times_the_tyre_rate(car: QuarterCar) -> None:
    expected = road_intensity(SPEEDS[car]) * car.tyre_n_m / 2.0
    assert expected == pytest.approx(POWER_W[car], rel=1e-3)
    travel, _ = driven(car)
    error = sampling_error(car)
    assert error < 0.01
    # The five-point filter at 1 kHz: exact to a thousandth at 50 Hz, beyond which there is next to nothing.
    found = counted_power_w(car, VelocityFilter.for_bandwidth(150.0, RATE_HZ).apply(travel))
    assert found == pytest.approx(expected, rel=3.0 * error + 0.003)


@pytest.mark.parametrize("car", [STIFF, SOFT])
def test_counts_give_the_integral_of_force_times_velocity(car: QuarterCar) -> None:
    _, velocity = driven(car)
    slope = car.damper_n_s_m / RATIO**2 / 1000.0
    energy_j = float(np.sum(slope * velocity**2)) / 1000.0 / RATE_HZ
    # Bins of 1 mm/s take 1/12 (mm/s)^2 off the mean square.
    assert counted_power_w(car, velocity) == pytest.approx(energy_j / (4.0 * SECONDS), rel=1e-4)


@pytest.mark.parametrize(("car", "kept"), [(STIFF, 0.9825), (SOFT, 0.9969)])
def test_what_a_bandwidth_of_30_hz_keeps_of_the_power(car: QuarterCar, kept: float) -> None:
    made = VelocityFilter.for_bandwidth(30.0, RATE_HZ)
    power = car.velocity_spectrum(HERTZ, road_intensity(SPEEDS[car]))
    gains = np.array([made.gain(f) for f in HERTZ])
    share = float(np.sum(power * gains**2) / np.sum(power))
    assert share == pytest.approx(kept, abs=5e-4)
    travel, _ = driven(car)
    wide = counted_power_w(car, VelocityFilter.for_bandwidth(150.0, RATE_HZ).apply(travel))
    assert counted_power_w(car, made.apply(travel)) / wide == pytest.approx(share, abs=0.002)
