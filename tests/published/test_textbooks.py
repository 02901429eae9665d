"""Rates, frequencies, damping and ride heights against worked examples of textbooks."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.kinematics import MotionRatio, damping_ratio, ride_frequency_hz, ride_rate_n_mm, wheel_rate_n_mm
from dsp.moments import Moments
from dsp.platform import BodyPlane, Platform
from tests.sheets import make_sheet


def test_wheel_rate_of_a_lever() -> None:
    # Barton & Fieldhouse, Automotive Chassis Engineering (2018), eq. 3.33: kw = ks (c/b)^2 = ks / R^2, R = b/c.
    wheel_arm, spring_arm = 320.0, 240.0
    expected = 55.0 / (wheel_arm / spring_arm) ** 2
    assert wheel_rate_n_mm(55.0, spring_arm / wheel_arm) == pytest.approx(expected)


def test_wheel_rate_of_a_rising_motion_ratio() -> None:
    # The formula is in Milliken & Milliken, Race Car Vehicle Dynamics, ch. 16 (from memory); the numbers are computed:
    # 100 N/mm, MR = 0.8 + 2.0 z with z in m, at z = 30 mm: F_w 2141.4 N, k_w 78 940 N/m, and 73 960 without the term.
    linkage = MotionRatio([(0.0, 0.8), (60.0, 0.92)])
    spring_force = 100.0 * float(linkage.to_damper(np.array([30.0]))[0])
    ratio = linkage.ratio_at(30.0)
    assert ratio * spring_force == pytest.approx(2141.4)
    assert wheel_rate_n_mm(100.0, ratio, spring_force, linkage.slope_at(30.0)) == pytest.approx(78.940)
    assert wheel_rate_n_mm(100.0, ratio) == pytest.approx(73.960)


def test_springs_in_series() -> None:
    # Barton & Fieldhouse, p. 213: 20.63 and 300 kN/m; 19.3 kN/m is used on the page, 19.3026 is the full figure.
    assert ride_rate_n_mm(20.63, 300.0) == pytest.approx(19.3, abs=0.05)
    assert ride_rate_n_mm(20.63, 300.0) == pytest.approx(19.3026, abs=5e-5)


def test_ride_frequency_of_a_quarter_car() -> None:
    # Barton & Fieldhouse, p. 209: Ms 317.5 kg, Ks 22, Kt 192 kN/m: first mode 1.25 Hz (1.25392 with Mu 45.4 kg).
    rate = ride_rate_n_mm(22.0, 192.0)
    assert 1000.0 * rate == pytest.approx(19738.3, abs=0.05)
    assert ride_frequency_hz(rate, 317.5) == pytest.approx(1.25488, abs=5e-6)
    assert ride_frequency_hz(rate, 317.5) == pytest.approx(1.25, abs=0.01)


@pytest.mark.parametrize(("inches", "frequency"), [(10.0, 1.0), (5.0, 1.4), (1.0, 3.13)])
def test_static_deflection_and_frequency(inches: float, frequency: float) -> None:
    # Gillespie, Fundamentals of Vehicle Dynamics, ch. 5 (from memory): 10 / 5 / 1 in give 1 / 1.4 / 3.13 Hz.
    mass = 250.0
    rate = mass * 9.80665 / (25.4 * inches)
    assert ride_frequency_hz(rate, mass) == pytest.approx(frequency, rel=0.012)


def test_one_hertz_is_a_static_deflection_of_248_mm() -> None:
    # g / (2 pi)^2: a closed form.
    assert ride_frequency_hz(9.80665 / 248.405, 1.0) == pytest.approx(1.0, abs=1e-6)


def test_damping_ratio_of_a_decay() -> None:
    # NCERT, Physics XI, example 14.21: 3000 kg, 4 wheels' worth of 5e4 N/m at 750 kg each; the amplitude halves in a
    # cycle. The book's small-damping answer is 1351.58 kg/s; the exact ratio for halving is 0.109653.
    exact = math.log(2.0) / math.sqrt(4.0 * math.pi**2 + math.log(2.0) ** 2)
    assert exact == pytest.approx(0.109653, abs=1e-6)
    assert damping_ratio(1.35158, 1.0, 50.0, 750.0) == pytest.approx(exact, rel=0.01)
    assert damping_ratio(2.0 * exact * math.sqrt(5e4 * 750.0) / 1000.0, 1.0, 50.0, 750.0) == pytest.approx(exact)


def test_damping_is_referred_to_the_wheel_by_the_ratio_squared() -> None:
    # c = c_d MR^2 (Gillespie; Dixon, The Shock Absorber Handbook; both from memory).
    assert damping_ratio(4.0, 0.5, 30.0, 200.0) == pytest.approx(damping_ratio(1.0, 1.0, 30.0, 200.0))


def test_height_of_a_splitter_ahead_of_the_front_axle() -> None:
    # Plane geometry: 30 mm at the front axle, 60 mm at the rear one 2.8 m behind; 0.9 m ahead it is 20.357 mm.
    plane = BodyPlane(2800.0, 1650.0, 1600.0)
    static_mm = 100.0
    wheel = np.array([static_mm - 30.0] * 2 + [static_mm - 60.0] * 2)
    assert static_mm - float(plane.drop_weights(900.0, 0.0) @ wheel) == pytest.approx(20.357, abs=5e-4)
    sheet = make_sheet(
        {
            "car.wheelbase_mm": 2800.0,
            "platform": {"splitter": {"x_mm": 900.0, "static_height_mm": static_mm, "lowest_mm": 5.0}},
        }
    )
    assert Platform(sheet).heights(wheel[np.newaxis])[0, 0] == pytest.approx(20.357, abs=5e-4)
    rake_deg = math.degrees(math.atan((60.0 - 30.0) / 2800.0))
    assert rake_deg == pytest.approx(0.61386, abs=5e-6)


def test_signs_of_pitch_and_roll() -> None:
    # ISO 8855:2011: x forward, y left, z up; pitch is positive nose down, roll positive right side down (axes from
    # memory, the signs from the right-hand rule). Rotating by a small positive angle must compress the named side.
    plane = BodyPlane(2800.0, 1600.0, 1600.0)
    angle = 0.01
    corners = np.array([[0.0, 800.0], [0.0, -800.0], [-2800.0, 800.0], [-2800.0, -800.0]])
    # About +y, z of a point at x becomes -angle x; about +x, z of a point at y becomes +angle y.
    pitched, rolled = corners[:, 0] * angle, -corners[:, 1] * angle
    assert float(plane.drop_weights(900.0, 0.0) @ pitched) == pytest.approx(9.0)
    assert float(plane.drop_weights(0.0, -700.0) @ rolled) == pytest.approx(7.0)


def test_merging_of_moments() -> None:
    # Chan, Golub & LeVeque, STAN-CS-79-773 (1979): M2 = M2a + M2b + d^2 na nb / (na + nb); the numbers are computed.
    merged = Moments.of(np.arange(1.0, 6.0)).merged(Moments.of(np.array([10.0, 20.0, 30.0])))
    assert (merged.count, merged.mean, merged.squares) == (8, 9.375, 751.875)
    assert merged.variance == pytest.approx(107.410714, abs=5e-7)
