"""The velocity filter against published tables of the first derivative, cubic and quartic.

Savitzky & Golay, Analytical Chemistry 36 (1964) 1627, with the corrections of Steinier, Termonia & Deltour,
Analytical Chemistry 44 (1972) 1906, and Madden, Analytical Chemistry 50 (1978) 1383. The rows of 5, 7 and 9 points
were read in public copies of the tables, the wider ones are from memory. Each is half of an antisymmetric set:
derivative = rate / norm x sum of c_k (x[k] - x[-k]).
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from dsp.velocity import VelocityFilter

TABLE = {
    5: (12, [8, -1]),
    7: (252, [58, 67, -22]),
    9: (1188, [126, 193, 142, -86]),
    11: (5148, [296, 503, 532, 294, -300]),
    13: (24024, [832, 1489, 1796, 1578, 660, -1133]),
    15: (334152, [7506, 13843, 17842, 18334, 14150, 4121, -12922]),
    21: (3634092, [29592, 56881, 79564, 95338, 101900, 96947, 78176, 43284, -10032, -84075]),
}
# Noise gains and frequencies below were computed from the exact fractions, not read in the papers.
NOISE_GAIN = {5: 0.950146, 7: 0.512412, 9: 0.338139, 11: 0.245722, 13: 0.189331, 15: 0.151809, 21: 0.090821}
# Frequency over rate where the gain has fallen by 1 %, by 5 %, by 3 dB, and its first zero.
GAIN_FALLS_AT = {
    5: (0.11979, 0.18323, 0.30599, 0.5),
    9: (0.05675, 0.08685, 0.14550, 0.24657),
    15: (0.03293, 0.05042, 0.08458, 0.14452),
    21: (0.02332, 0.03571, 0.05992, 0.10262),
}
GAIN_AT_500_HZ = {
    9: {5: 1.0, 10: 0.9998, 15: 0.9992, 20: 0.9974, 30: 0.9876, 50: 0.9167},
    15: {5: 0.9999, 10: 0.9986, 15: 0.9930, 20: 0.9789, 30: 0.9064, 50: 0.5257},
}


@pytest.mark.parametrize("points", TABLE)
@pytest.mark.parametrize("rate_hz", [1.0, 500.0, 1000.0])
def test_the_coefficients_are_those_of_the_table(points: int, rate_hz: float) -> None:
    norm, half = TABLE[points]
    expected = np.array([-c for c in reversed(half)] + [0] + half) * rate_hz / norm
    made = VelocityFilter.of_width(points // 2, rate_hz).coefficients
    np.testing.assert_allclose(made, expected, rtol=0, atol=1e-13 * rate_hz)


@pytest.mark.parametrize("points", TABLE)
def test_the_table_itself_is_a_derivative_of_cubics(points: int) -> None:
    # Guards the table against a slip of the pen: exact fractions must give 1 for t and 0 for t^3.
    norm, half = TABLE[points]
    assert sum(Fraction(2 * k * c, norm) for k, c in enumerate(half, start=1)) == 1
    assert sum(k**3 * c for k, c in enumerate(half, start=1)) == 0


@pytest.mark.parametrize("points", TABLE)
def test_noise_gain_is_that_of_the_closed_form_and_of_the_table(points: int) -> None:
    half = points // 2
    sums = {power: sum(i**power for i in range(-half, half + 1)) for power in (2, 4, 6)}
    closed = math.sqrt(sums[6] / (sums[2] * sums[6] - sums[4] ** 2))
    made = VelocityFilter.of_width(half, 500.0).noise_gain / 500.0
    assert made == pytest.approx(closed, rel=1e-9)
    assert made == pytest.approx(NOISE_GAIN[points], abs=6e-7)


@pytest.mark.parametrize("points", GAIN_FALLS_AT)
def test_the_gain_falls_where_the_table_says(points: int) -> None:
    made = VelocityFilter.of_width(points // 2, 1000.0)
    for share, gain in zip(GAIN_FALLS_AT[points], (0.99, 0.95, math.sqrt(0.5), 0.0), strict=True):
        assert made.gain(1000.0 * share) == pytest.approx(gain, abs=3e-4)


@pytest.mark.parametrize("points", GAIN_AT_500_HZ)
def test_the_gain_at_500_hz(points: int) -> None:
    made = VelocityFilter.of_width(points // 2, 500.0)
    for frequency, gain in GAIN_AT_500_HZ[points].items():
        assert made.gain(float(frequency)) == pytest.approx(gain, abs=6e-5)


def test_quantisation_noise_of_a_12_bit_sensor_at_rest_on_its_dither() -> None:
    # White quantisation noise Q^2/12 (Bennett 1948, from memory) through the 9-point filter at 500 Hz: 1.19156 mm/s.
    step_mm = 100.0 / 2**12
    made = VelocityFilter.of_width(4, 500.0)
    assert made.noise_gain * step_mm / math.sqrt(12.0) == pytest.approx(1.19156, abs=1e-5)
    generator = np.random.default_rng(7)
    travel = generator.uniform(-20.0, 20.0, size=(200_000, 1))
    error = made.apply(np.round(travel / step_mm) * step_mm) - made.apply(travel)
    assert error.std() == pytest.approx(1.19156, rel=0.01)
