"""Heave, pitch, roll and warp: each pure motion lights one output only; closed forms; percentiles; merging."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.body import MOTIONS, BodyMotion, BodyTally
from dsp.frame import REGIMES, CarBlock
from dsp.platform import BodyPlane, Platform
from ingest.chunk import Floats
from tests.dsp.helpers import same_on_all, stream
from tests.dsp.test_car import rows_of
from tests.sheets import make_sheet

CAR = {"car.track_rear_mm": 1600.0, "car.ride_height_front_mm": 30.0, "car.ride_height_rear_mm": 60.0}
SHEET = make_sheet(CAR | {"car.wheelbase_mm": 2800.0})
PLANE = BodyPlane(2800.0, 1600.0, 1600.0)
MOTION = BodyMotion(SHEET, PLANE)


def rows(wheel_mm: list[list[float]], tyre_mm: float = 0.0, regime: str = "straight") -> CarBlock:
    """Rows with these wheel travels, everything else empty."""
    wheel = np.asfortranarray(np.array(wheel_mm, dtype=np.float64))
    n = len(wheel)
    four, one = np.zeros((n, 4)), np.zeros(n)
    return CarBlock(
        0, 2, 250.0, False, four, four, wheel, four, four, four, np.full((n, 4), tyre_mm), np.zeros((n, 0)),
        Platform(SHEET).warp(wheel), one, one, one, one, one, np.full(n, REGIMES.index(regime), dtype=np.int8),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("pattern", "motion", "size"),
    [
        ((1, 1, 1, 1), "heave_mm", -10.0),  # all compressed: the body has come down
        ((1, 1, -1, -1), "pitch_deg", math.degrees(math.atan(20.0 / 2800.0))),  # nose down
        ((-1, 1, -1, 1), "roll_deg", math.degrees(math.atan(20.0 / 1600.0))),  # right side down
        ((1, -1, -1, 1), "warp_mm", 10.0),
    ],
)
def test_a_pure_motion_lights_one_output(pattern: tuple[int, ...], motion: str, size: float) -> None:
    found = MOTION.process(rows([[10.0 * sign for sign in pattern]]))[0]
    expected = [size if name == motion else 0.0 for name in MOTIONS]
    np.testing.assert_allclose(found, expected, atol=1e-12)


def test_tyres_move_the_body_but_do_not_warp_it() -> None:
    found = MOTION.process(rows([[0.0, 0.0, 0.0, 0.0]], tyre_mm=4.0))[0]
    np.testing.assert_allclose(found, [-4.0, 0.0, 0.0, 0.0], atol=1e-12)


def test_any_rigid_motion_without_warp_is_found_whatever_the_tracks() -> None:
    # Heave -7 mm at the middle, 0.4 degrees nose down, 0.9 right side down, on tracks that differ.
    plane = BodyPlane(2700.0, 1660.0, 1580.0)
    pitch, roll = math.tan(math.radians(0.4)), math.tan(math.radians(0.9))
    x = np.array([1350.0, 1350.0, -1350.0, -1350.0])
    y = np.array([830.0, -830.0, 790.0, -790.0])
    drop = 7.0 + pitch * x - roll * y
    np.testing.assert_allclose(plane.motion_weights @ drop, [-7.0, pitch, roll], atol=1e-9)
    assert float(plane.warp_weights @ drop) == pytest.approx(0.0, abs=1e-9)


def test_static_rake_from_ride_heights() -> None:
    # Geometry: 30 mm front, 60 mm rear, wheelbase 2.8 m: 0.61386 degrees.
    assert MOTION.static_rake_deg == pytest.approx(0.61386, abs=5e-6)
    assert math.isnan(BodyMotion(make_sheet(), PLANE).static_rake_deg)


def test_percentiles_equal_numpys_to_a_bin() -> None:
    generator = np.random.default_rng(5)
    car = rows((generator.normal(size=(20_000, 4)) * 12.0).tolist())
    motions = MOTION.process(car)
    tally = BodyTally()
    tally.add(motions, car, MOTION.kerb_mm)
    for number, (name, width) in enumerate(zip(MOTIONS, (0.25, 0.025, 0.025, 0.25), strict=True)):
        for share in (0.01, 0.5, 0.99):
            expected = float(np.quantile(motions[:, number], share))
            assert tally.motion_quantile(name, share) == pytest.approx(expected, abs=width)
    assert tally.kerb_rows == int((np.abs(motions[:, 3]) > MOTION.kerb_mm).sum())
    assert tally.straight_warp_mm == pytest.approx(float(np.median(motions[:, 3])), abs=0.25)


def test_only_straight_running_tells_of_the_zeros() -> None:
    tally = BodyTally()
    for regime, warp in (("straight", 2.0), ("cornering", 9.0), ("braking", -9.0), ("unknown", 5.0)):
        car = rows([[warp, -warp, -warp, warp]] * 10, regime=regime)
        tally.add(MOTION.process(car), car, MOTION.kerb_mm)
    assert tally.straight_warp_mm == pytest.approx(2.0, abs=0.25)
    assert math.isnan(BodyTally().straight_warp_mm)


def test_tallies_of_parts_are_the_tally_of_the_whole_and_unknown_rows_do_not_count() -> None:
    values: Floats = np.random.default_rng(6).normal(size=(300, 4)) * 9.0
    values[100:120] = np.nan
    car = rows(values.tolist())
    whole, parts = BodyTally(), BodyTally()
    whole.add(MOTION.process(car), car, MOTION.kerb_mm)
    for start, stop in ((0, 7), (7, 7), (7, 110), (110, 300)):
        piece = car.part(start, stop)
        one = BodyTally()
        one.add(MOTION.process(piece), piece, MOTION.kerb_mm)
        parts.merge(one)
    np.testing.assert_array_equal(whole.motions, parts.motions)
    np.testing.assert_array_equal(whole.straight_warp, parts.straight_warp)
    assert whole.kerb_rows == parts.kerb_rows
    assert whole.motions.sum() == 4 * 280


def test_a_slipped_zero_shows_in_straight_running() -> None:
    # One sensor reads 8 mm too much: a quarter of it, at the wheel, is warp.
    travel = same_on_all(np.zeros(1000))
    travel[:, 1] = 8.0
    side = {name: np.zeros(1000) for name in ("acceleration_longitudinal", "acceleration_lateral")}
    tally = BodyTally()
    for car in rows_of(SHEET, stream(travel, side=side)):
        tally.add(MOTION.process(car), car, MOTION.kerb_mm)
    assert abs(tally.straight_warp_mm) == pytest.approx(8.0 / 0.8 / 4.0, abs=0.25)
