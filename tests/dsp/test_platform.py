"""The body's plane: pure modes, the signs of ISO 8855, and least squares against numpy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.platform import BodyPlane, Platform, weighted_sum
from tests.dsp.helpers import columns
from tests.sheets import make_sheet

WHEELBASE_MM, FRONT_MM, REAR_MM = 2600.0, 1600.0, 1580.0
# Corner order FL FR RL RR, compression positive.
HEAVE = [10.0, 10.0, 10.0, 10.0]
PITCH = [10.0, 10.0, -10.0, -10.0]
ROLL = [10.0, -10.0, 10.0, -10.0]
WARP = [10.0, -10.0, -10.0, 10.0]


def platform(**points: tuple[float, float]) -> Platform:
    """Return a platform with points at (x, y), all 50 mm high and allowed down to 20 mm."""
    raw = {name: {"x_mm": x, "y_mm": y, "static_height_mm": 50.0, "lowest_mm": 20.0} for name, (x, y) in points.items()}
    return Platform(make_sheet({"platform": raw}))


CAR = {
    "FL": (0.0, FRONT_MM / 2),
    "FR": (0.0, -FRONT_MM / 2),
    "RL": (-WHEELBASE_MM, REAR_MM / 2),
    "RR": (-WHEELBASE_MM, -REAR_MM / 2),
}


def drops(wheel_mm: list[float], **points: tuple[float, float]) -> list[float]:
    """Return how far each point comes down."""
    return [float(50.0 - height) for height in platform(**points).heights(np.array([wheel_mm]))[0]]


@pytest.mark.parametrize(("name", "wheel"), [("heave", HEAVE), ("pitch", PITCH), ("roll", ROLL), ("warp", WARP)])
def test_a_pure_mode_lights_only_its_own_output(name: str, wheel: list[float]) -> None:
    # Equal tracks, so that the four modes are orthogonal.
    plane = BodyPlane(2600.0, 1600.0, 1600.0)
    middle = np.array([plane.drop_weights(-1300.0, 0.0)]) @ wheel
    nose_down = (plane.drop_weights(0.0, 0.0) - plane.drop_weights(-2600.0, 0.0)) / 2.0 @ wheel
    left_down = (plane.drop_weights(0.0, 800.0) - plane.drop_weights(0.0, -800.0)) / 2.0 @ wheel
    warp = plane.warp_weights @ wheel
    found = {"heave": float(middle[0]), "pitch": float(nose_down), "roll": float(left_down), "warp": float(warp)}
    expected = {other: 10.0 if other == name else 0.0 for other in found}
    assert found == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("wheel", [HEAVE, PITCH])
def test_modes_that_are_planes_for_any_track_are_followed_exactly(wheel: list[float]) -> None:
    assert drops(wheel, **CAR) == pytest.approx(wheel)


def test_a_rolled_plane_moves_each_corner_in_proportion_to_its_track() -> None:
    wheel = [FRONT_MM / 100, -FRONT_MM / 100, REAR_MM / 100, -REAR_MM / 100]
    assert drops(wheel, **CAR) == pytest.approx(wheel)


def test_compressing_the_front_lowers_the_nose_and_hardly_the_tail() -> None:
    nose, tail = drops([10.0, 10.0, 0.0, 0.0], splitter=(900.0, 0.0), diffuser=(-WHEELBASE_MM - 700.0, 0.0))
    assert nose == pytest.approx(10.0 * (WHEELBASE_MM + 900.0) / WHEELBASE_MM)
    assert tail == pytest.approx(-10.0 * 700.0 / WHEELBASE_MM)


def test_compressing_the_left_lowers_the_left() -> None:
    left, middle, right = drops(
        [10.0, 0.0, 10.0, 0.0], left=(-1300.0, 700.0), middle=(-1300.0, 0.0), right=(-1300.0, -700.0)
    )
    assert left > middle > right
    assert middle == pytest.approx(5.0)
    assert left - 5.0 == pytest.approx(5.0 - right)


def test_compression_of_one_corner_lowers_that_corner_most() -> None:
    for corner, name in enumerate(CAR):
        wheel = [0.0] * 4
        wheel[corner] = 8.0
        found = dict(zip(CAR, drops(wheel, **CAR), strict=True))
        assert max(found, key=found.__getitem__) == name


@given(wheel=st.lists(st.floats(-60, 60), min_size=4, max_size=4), x=st.floats(-4000, 2000), y=st.floats(-900, 900))
@settings(max_examples=100, deadline=None)
def test_the_drop_is_numpys_least_squares_plane(wheel: list[float], x: float, y: float) -> None:
    places = np.array([[1.0, *place] for place in CAR.values()])
    a, b, c = np.linalg.lstsq(places, np.array(wheel), rcond=None)[0]
    assert drops(wheel, point=(x, y))[0] == pytest.approx(a + b * x + c * y, abs=1e-8)


@given(a=st.floats(-50, 50), b=st.floats(-0.02, 0.02), c=st.floats(-0.02, 0.02))
@settings(max_examples=100, deadline=None)
def test_no_plane_has_warp(a: float, b: float, c: float) -> None:
    wheel = np.array([[a + b * x + c * y for x, y in CAR.values()]])
    assert platform().warp(wheel)[0] == pytest.approx(0.0, abs=1e-9)


def test_warp_is_half_the_difference_of_the_diagonals_left_front_positive() -> None:
    plane = BodyPlane(2600.0, 1600.0, 1600.0)
    assert weighted_sum(np.array([[12.0, 0.0, 0.0, 0.0]]), plane.warp_weights)[0] == pytest.approx(3.0)
    wheel = np.array([[3.0, -2.0, 7.0, 11.0]])
    assert weighted_sum(wheel, plane.warp_weights)[0] == pytest.approx(((3.0 + 11.0) / 2 - (-2.0 + 7.0) / 2) / 2)
    # A kerb under the right front wheel.
    assert platform().warp(np.array([[0.0, 20.0, 0.0, 0.0]]))[0] < -4.0


def test_an_unknown_corner_makes_every_height_and_the_warp_unknown() -> None:
    car = platform(**CAR)
    wheel = columns(*[np.arange(5.0)] * 4)
    for corner in range(4):
        wheel[corner, corner] = np.nan
    heights = car.heights(wheel)
    assert np.isnan(heights).all(axis=1).tolist() == [True, True, True, True, False]
    assert np.isnan(heights).any(axis=1).tolist() == [True, True, True, True, False]
    assert np.isnan(car.warp(wheel)).tolist() == [True, True, True, True, False]


@given(rows=st.integers(0, 40), place=st.integers(0, 40))
@settings(max_examples=40, deadline=None)
def test_cutting_changes_no_bit_of_a_height(rows: int, place: int) -> None:
    wheel = np.asfortranarray(np.random.default_rng(rows).normal(size=(rows, 4)) * 20.0)
    car = platform(nose=(900.0, 100.0), **CAR)
    parts = np.concatenate([car.heights(wheel[:place]), car.heights(wheel[place:])])
    np.testing.assert_array_equal(car.heights(wheel), parts)
    np.testing.assert_array_equal(car.warp(wheel), np.concatenate([car.warp(wheel[:place]), car.warp(wheel[place:])]))


def test_a_car_without_points_has_no_heights() -> None:
    assert platform().heights(np.zeros((7, 4))).shape == (7, 0)
