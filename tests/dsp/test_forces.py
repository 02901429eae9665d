"""Spring, stops and damper tables as forces: closed forms, tables by hand, and what happens beyond their ends."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.forces import HYSTERESIS_MM_S, DroopStopForce, ForceCurve, SpringForce, StopForce
from ingest.sheet_parts import BumpStop, DroopStop, Spring

STOP = BumpStop(gap_mm=20.0, force=[(0.0, 0.0), (5.0, 500.0), (10.0, 2000.0)])


def one(force: float | np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
    return float(np.atleast_1d(force)[0])


@pytest.mark.parametrize(
    ("x", "force"),
    [(-20.0, -1000.0), (-10.0, -500.0), (-5.0, -250.0), (0.0, 0.0), (5.0, 500.0), (10.0, 1000.0), (25.0, 2500.0)],
)
def test_a_curve_is_straight_between_its_rows_and_goes_on_with_its_end_slopes(x: float, force: float) -> None:
    curve = ForceCurve([(-10.0, -500.0), (0.0, 0.0), (10.0, 1000.0)])
    assert one(curve(np.array([x]))) == pytest.approx(force, abs=1e-6)


def test_a_curve_keeps_unknown_and_shape() -> None:
    found = ForceCurve([(0.0, 0.0), (1.0, 2.0)])(np.array([np.nan, 3.0]))
    assert math.isnan(found[0])
    assert found[1] == pytest.approx(6.0, abs=1e-6)


@pytest.mark.parametrize(
    ("travel", "force"), [(-40.0, 0.0), (20.0, 0.0), (22.5, 250.0), (25.0, 500.0), (28.0, 1400.0), (32.0, 2600.0)]
)
def test_a_bump_stop_pushes_from_its_gap_on(travel: float, force: float) -> None:
    assert one(StopForce(STOP)(np.array([travel]))) == pytest.approx(force, abs=1e-6)


@pytest.mark.parametrize(
    ("velocity", "share"),
    [(200.0, 1.0), (HYSTERESIS_MM_S, 1.0), (0.0, 0.85), (-HYSTERESIS_MM_S, 0.7), (-300.0, 0.7), (np.nan, 1.0)],
)
def test_a_stop_with_hysteresis_opens_with_less_force(velocity: float, share: float) -> None:
    stop = StopForce(BumpStop(gap_mm=20.0, force=STOP.force, hysteresis=0.3))
    assert one(stop(np.array([25.0]), np.array([velocity]))) == pytest.approx(500.0 * share)
    assert one(stop(np.array([25.0]))) == pytest.approx(500.0)


def test_hysteresis_takes_its_share_of_the_work_of_a_stroke() -> None:
    # Out and back at constant speed beyond the switching range: what is lost is the share of what was put in.
    stop = StopForce(BumpStop(gap_mm=0.0, force=[(0.0, 0.0), (10.0, 1000.0)], hysteresis=0.4))
    travel = np.linspace(0.0, 10.0, 2001)
    put_in = np.trapezoid(stop(travel, np.full(travel.size, 100.0)), travel)
    given_back = np.trapezoid(stop(travel, np.full(travel.size, -100.0)), travel)
    assert put_in == pytest.approx(5000.0, rel=1e-6)
    assert given_back == pytest.approx(0.6 * put_in, rel=1e-6)


def test_without_a_stop_there_is_no_force_but_unknown_stays_unknown() -> None:
    found = StopForce(None)(np.array([100.0, np.nan]))
    assert found[0] == 0.0
    assert math.isnan(found[1])


@pytest.mark.parametrize(("travel", "force"), [(0.0, 0.0), (-30.0, 0.0), (-31.0, -200.0), (-33.0, -600.0)])
def test_a_droop_stop_pulls(travel: float, force: float) -> None:
    stop = DroopStopForce(DroopStop(gap_mm=30.0, force=[(0.0, 0.0), (2.0, 400.0)]))
    assert one(stop(np.array([travel]))) == pytest.approx(force, abs=1e-6)


@pytest.mark.parametrize(
    ("travel", "force"), [(0.0, 3000.0), (10.0, 4500.0), (-10.0, 1500.0), (-20.0, 0.0), (-30.0, 0.0)]
)
def test_a_spring_has_its_static_force_and_its_rate_and_never_pulls(travel: float, force: float) -> None:
    spring = SpringForce(Spring(rate_n_mm=150.0), static_n=3000.0)
    assert one(spring(np.array([travel]))) == pytest.approx(force)


def test_a_spring_table_counts_from_its_force_at_static() -> None:
    # Rising rate; the table's own level (100 N at static) gives way to the weight that the spring carries.
    spring = SpringForce(Spring(table=[(-10.0, -800.0), (0.0, 100.0), (10.0, 1300.0)]), static_n=3000.0)
    np.testing.assert_allclose(spring(np.array([-10.0, 0.0, 5.0, 20.0])), [2100.0, 3000.0, 3600.0, 5400.0], atol=1e-5)
