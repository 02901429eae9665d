"""Load transfer and two-mass frequencies: balances of forces and moments, and eigenvalues by scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import eigh

from dsp.modes import two_mass_frequencies_hz
from dsp.transfer import (
    LateralTransfer,
    centre_behind_front_axle_mm,
    height_less_unsprung_mm,
    lateral_transfer,
    longitudinal_transfer_n,
    rake_rad,
    roll_gradient_rad_s2_m,
    roll_stiffness_n_m_rad,
)

GRAVITY = 9.80665


def both_axles(acceleration: float) -> tuple[LateralTransfer, LateralTransfer, float]:
    """Transfers of a car with 1000 kg of body at 480 mm, and its roll."""
    gradient = roll_gradient_rad_s2_m(1000.0, 480.0 - 0.45 * 60.0 - 0.55 * 140.0, 500e3, GRAVITY)
    front, rear = (
        lateral_transfer(
            acceleration,
            sprung_mass_kg=1000.0 * share,
            unsprung_mass_kg=unsprung,
            roll_centre_height_mm=centre,
            unsprung_centre_height_mm=310.0,
            roll_stiffness_n_m_rad=stiffness,
            roll_rad=gradient * acceleration,
            track_mm=track,
        )
        for share, unsprung, centre, stiffness, track in (
            (0.45, 90.0, 60.0, 300e3, 1650.0),
            (0.55, 110.0, 140.0, 200e3, 1600.0),
        )
    )
    return front, rear, gradient * acceleration


@pytest.mark.parametrize("acceleration", [9.0, -14.0])
def test_the_moments_about_the_road_balance(acceleration: float) -> None:
    # What the wheels take in all is the inertia's moment, and the weight's that the leaning body moves aside.
    front, rear, roll = both_axles(acceleration)
    arm_m = 0.480 - 0.45 * 0.060 - 0.55 * 0.140
    moment = acceleration * (1000.0 * 0.480 + 200.0 * 0.310) + 1000.0 * GRAVITY * arm_m * roll
    assert front.total_n * 1.650 + rear.total_n * 1.600 == pytest.approx(moment, rel=1e-12)


def test_turning_left_loads_the_right_and_rolls_the_body_to_it() -> None:
    front, rear, roll = both_axles(9.0)
    assert roll > 0
    assert min(front.geometric_n, front.unsprung_n, front.elastic_n, rear.total_n) > 0
    mirrored = both_axles(-9.0)
    assert mirrored[0].total_n == -front.total_n
    assert mirrored[2] == -roll


def test_the_roll_is_where_springs_and_moments_balance() -> None:
    mass, arm_m, stiffness = 1100.0, 0.35, 400e3
    gradient = roll_gradient_rad_s2_m(mass, 1000.0 * arm_m, stiffness, GRAVITY)
    roll = gradient * 0.5
    assert stiffness * roll == pytest.approx(mass * 0.5 * arm_m + mass * GRAVITY * arm_m * roll)
    assert math.isnan(roll_gradient_rad_s2_m(mass, 1000.0 * arm_m, mass * GRAVITY * arm_m, GRAVITY))
    assert math.isnan(roll_gradient_rad_s2_m(mass, math.nan, stiffness, GRAVITY))


def test_the_longitudinal_transfer_balances_the_moment_and_follows_the_sign() -> None:
    gained = longitudinal_transfer_n(1200.0, 4.0, 450.0, 2700.0)
    assert gained * 2.7 == pytest.approx(1200.0 * 4.0 * 0.45)
    assert gained > 0
    assert longitudinal_transfer_n(1200.0, -4.0, 450.0, 2700.0) == -gained


def test_the_roll_stiffness_is_the_moment_of_wheels_that_move_oppositely() -> None:
    left, right, bar, track_m, roll = 95.0, 105.0, 40.0, 1.62, 0.01
    travel_mm = 1000.0 * roll * track_m / 2.0
    forces = ((left + bar) * travel_mm, (right + bar) * travel_mm)
    moment = sum(forces) * track_m / 2.0
    assert roll_stiffness_n_m_rad(left, right, bar, 1000.0 * track_m) * roll == pytest.approx(moment)


def test_the_centre_of_gravity_balances_the_axles() -> None:
    behind = centre_behind_front_axle_mm(6100.0, 5300.0, 2650.0)
    assert 6100.0 * behind == pytest.approx(5300.0 * (2650.0 - behind))


def test_the_bodys_centre_and_the_wheels_make_the_cars() -> None:
    body = height_less_unsprung_mm(1000.0, 450.0, ((90.0, 300.0), (110.0, 320.0)))
    assert (800.0 * body + 90.0 * 300.0 + 110.0 * 320.0) / 1000.0 == pytest.approx(450.0)


def test_rake_is_positive_nose_down() -> None:
    assert rake_rad(30.0, 60.0, 2800.0) == pytest.approx(30.0 / 2800.0, rel=1e-4)
    assert rake_rad(60.0, 30.0, 2800.0) < 0


@given(
    sprung=st.floats(20.0, 2000.0), share=st.floats(0.001, 2.0), spring=st.floats(1.0, 5e3), tyre=st.floats(1.0, 5e3)
)
def test_two_masses_have_the_frequencies_of_their_matrix(
    sprung: float, share: float, spring: float, tyre: float
) -> None:
    unsprung = share * sprung
    stiffness = 1000.0 * np.array([[spring, -spring], [-spring, spring + tyre]])
    found = eigh(stiffness, np.diag([sprung, unsprung]), eigvals_only=True)
    expected = np.sqrt(np.maximum(found, 0.0)) / (2.0 * math.pi)
    body, hop = two_mass_frequencies_hz(sprung, unsprung, spring, tyre)
    assert hop == pytest.approx(expected[1], rel=1e-9)
    assert body == pytest.approx(expected[0], rel=1e-4)
    # The product of both is exact in closed form, where eigenvalues of very unlike sizes are not.
    product = math.sqrt(1e6 * spring * tyre / (sprung * unsprung)) / (2.0 * math.pi) ** 2
    assert body * hop == pytest.approx(product, rel=1e-12)
