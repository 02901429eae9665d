"""Rates, frequencies, damping and ride heights against worked examples of textbooks."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.kinematics import MotionRatio, damping_ratio, ride_frequency_hz, ride_rate_n_mm, wheel_rate_n_mm
from dsp.modes import two_mass_frequencies_hz
from dsp.moments import Moments
from dsp.platform import BodyPlane, Platform
from dsp.transfer import (
    LateralTransfer,
    centre_behind_front_axle_mm,
    lateral_transfer,
    longitudinal_transfer_n,
    rake_rad,
    roll_gradient_rad_s2_m,
    roll_stiffness_n_m_rad,
)
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


def test_the_same_rising_ratio_given_by_its_travels() -> None:
    # The numbers above, from damper travels 0.8 z + z^2 tabled every 10 mm (z in m): a table knows slopes to a percent.
    linkage = MotionRatio(travels=[(z, 0.8 * z + 0.001 * z * z) for z in range(-40, 90, 10)])
    spring_force = 100.0 * float(linkage.to_damper(np.array([30.0]))[0])
    ratio = linkage.ratio_at(30.0)
    assert ratio * spring_force == pytest.approx(2141.4, rel=1e-3)
    assert wheel_rate_n_mm(100.0, ratio, spring_force, linkage.slope_at(30.0)) == pytest.approx(78.940, rel=2e-3)


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


def test_two_mass_frequencies_of_a_quarter_car() -> None:
    # Barton & Fieldhouse, p. 209: Ms 317.5, Mu 45.4 kg, Ks 22, Kt 192 kN/m: w1 7.87 rad/s (1.25 Hz), w2 68.73 rad/s
    # (10.9 Hz). In full they are 1.25392 and 10.93532 Hz.
    body, hop = two_mass_frequencies_hz(317.5, 45.4, 22.0, 192.0)
    assert (2.0 * math.pi * body, 2.0 * math.pi * hop) == pytest.approx((7.87, 68.73), rel=2e-3)
    assert body == pytest.approx(1.25392, abs=5e-6)
    assert hop == pytest.approx(10.93532, abs=5e-6)


def test_wheel_hop_under_a_body_that_stands_still() -> None:
    # Barton & Fieldhouse, p. 213: 20.63 and 300 kN/m, 40 kg: 14.25 Hz, so 2.85 m/s over cobbles 0.2 m apart
    # (10.26 km/h). The page holds the body still, as a body of great mass is.
    hop = two_mass_frequencies_hz(1e9, 40.0, 20.63, 300.0)[1]
    assert hop == pytest.approx(14.25, abs=5e-3)
    assert hop == pytest.approx(14.24926, abs=5e-6)
    assert 3.6 * 0.2 * hop == pytest.approx(10.26, abs=5e-3)


def test_golden_car_undamped_frequencies() -> None:
    # Sayers, Transportation Research Record 1501 (1995), the quarter car of the roughness index: kt/ms = 653,
    # ks/ms = 63.3 per s2, mu/ms = 0.15. The undamped frequencies 1.20830 and 11.00473 Hz are computed.
    body, hop = two_mass_frequencies_hz(1000.0, 150.0, 63.3, 653.0)
    assert body == pytest.approx(1.20830, abs=5e-6)
    assert hop == pytest.approx(11.00473, abs=5e-6)


# Barton & Fieldhouse, p. 174: 1280 kg of body, b/L 0.54 and a/L 0.46, roll centres at 0.07 and 0.32 m, track 1.46 m,
# unsprung 140 kg at 0.28 m and 180 kg at 0.30 m, 28 650 N m/rad, the body's centre 0.365 m above the roll axis; 0.6 g.
BODY_KG, ARM_MM, ROLL_STIFFNESS, BOOKS_GRAVITY = 1280.0, 365.0, 28_650.0, 9.81


def test_roll_gradient_of_a_road_car() -> None:
    # Printed: 0.0194 rad/(m/s2) and 10.9 deg/g; in full 0.0194127 and 10.9113.
    gradient = roll_gradient_rad_s2_m(BODY_KG, ARM_MM, ROLL_STIFFNESS, BOOKS_GRAVITY)
    assert gradient == pytest.approx(0.0194, abs=5e-5)
    assert gradient == pytest.approx(0.0194127, abs=5e-8)
    assert math.degrees(gradient * BOOKS_GRAVITY) == pytest.approx(10.9, abs=0.05)
    assert math.degrees(gradient * BOOKS_GRAVITY) == pytest.approx(10.9113, abs=5e-4)


@pytest.mark.parametrize(
    ("share", "centre_mm", "unsprung_kg", "unsprung_mm", "elastic", "geometric", "unsprung", "total"),
    [
        # The page prints a front total of 1919 N, but its own terms 1556 + 195 + 158 make 1909 N.
        (0.54, 70.0, 140.0, 280.0, 1556.0, 195.06, 158.04, 1909.0),
        (0.46, 320.0, 180.0, 300.0, 671.0, 759.60, 217.70, 1649.0),
    ],
)
def test_lateral_load_transfer_of_a_road_car(
    share: float,
    centre_mm: float,
    unsprung_kg: float,
    unsprung_mm: float,
    elastic: float,
    geometric: float,
    unsprung: float,
    total: float,
) -> None:
    acceleration = 0.6 * BOOKS_GRAVITY
    roll = roll_gradient_rad_s2_m(BODY_KG, ARM_MM, ROLL_STIFFNESS, BOOKS_GRAVITY) * acceleration
    found = lateral_transfer(
        acceleration,
        sprung_mass_kg=BODY_KG * share,
        unsprung_mass_kg=unsprung_kg,
        roll_centre_height_mm=centre_mm,
        unsprung_centre_height_mm=unsprung_mm,
        # How the stiffness is shared between the axles is not among the numbers at hand; the elastic terms tell it.
        roll_stiffness_n_m_rad=ROLL_STIFFNESS * elastic / (1556.0 + 671.0),
        roll_rad=roll,
        track_mm=1460.0,
    )
    assert found.geometric_n == pytest.approx(geometric, abs=0.005)
    assert found.unsprung_n == pytest.approx(unsprung, abs=0.005)
    # The page's elastic terms are 0.7 % below its own roll angle times the stiffness.
    assert found.elastic_n == pytest.approx(elastic, rel=8e-3)
    assert found.total_n == pytest.approx(total, rel=7e-3)


def test_the_printed_terms_of_the_front_axle_make_1909() -> None:
    assert LateralTransfer(195.0, 158.0, 1556.0).total_n == 1909.0


def test_centre_of_gravity_from_axle_loads() -> None:
    # Jazar, Vehicle Dynamics: Theory and Application, example 40: 2.34 m, 2000 and 1800 N under each wheel: the centre
    # is 1.1084 m behind the front axle and 1.2316 m ahead of the rear one.
    behind = centre_behind_front_axle_mm(4000.0, 3600.0, 2340.0)
    assert behind == pytest.approx(1108.4, abs=0.05)
    assert 2340.0 - behind == pytest.approx(1231.6, abs=0.05)


def test_static_wheel_loads() -> None:
    # Jazar, ch. 2, exercise 1: 1765 kg, the centre 1.22 m behind the front axle, 1.62 m ahead of the rear one. The
    # book prints no answer; 4938.33 and 3718.99 N per wheel (g 9.81) are computed.
    sheet = make_sheet({"car.mass_kg": 1765.0, "car.front_share": 1.62 / 2.84, "car.wheelbase_mm": 2840.0})
    loads = [sheet.static_load_n(corner, 9.81) for corner in ("FL", "RR")]
    assert loads == pytest.approx([4938.33, 3718.99], abs=0.005)


def test_wheel_loads_when_accelerating() -> None:
    # Jazar, ch. 2, exercise 12: 2058.9 kg, 2.7508 m, centre midway and 0.76 m high, 1.7 m/s2; 4565.94 and 5532.97 N per
    # wheel are computed. The same formula, W/2 -+ (W/g)(h/l) a per axle, is asked for in GATE 2019, ME-1, question 29.
    gained = longitudinal_transfer_n(2058.9, 1.7, 760.0, 2750.8)
    static = 2058.9 * 9.81 / 4.0
    assert static - gained / 2.0 == pytest.approx(4565.94, abs=0.005)
    assert static + gained / 2.0 == pytest.approx(5532.97, abs=0.005)


def test_roll_rate_of_springs() -> None:
    # Gillespie, Fundamentals of Vehicle Dynamics (from memory): half the spring rate times the square of its track.
    assert roll_stiffness_n_m_rad(80.0, 80.0, 0.0, 1500.0) == pytest.approx(0.5 * 80_000.0 * 1.5**2)


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
    assert math.degrees(rake_rad(30.0, 60.0, 2800.0)) == pytest.approx(0.61386, abs=5e-6)


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
