"""A changed corner against a closed form, and against the simulator, whose equations are its own."""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lsim, savgol_filter

from ingest.calibration import Calibration
from ingest.changed_corner import DAMPING_RATIO, TYRE_STATIC_MM, UNSPRUNG_SHARE, ChangedCorner
from ingest.chunk import CORNERS, Floats
from ingest.sheet import Sheet, load_sheet
from replay_logs.settings import DamperFault, StintSettings
from replay_logs.stint import simulate_readings_each
from tests.sheets import make_sheet

RATE = 1000.0
STRAIGHT = {
    "axle.front.unsprung_mass_kg": 40.0,
    "axle.front.tyre_rate_n_mm": 250.0,
    "axle.front.travel_to_full_bump_mm": 400.0,
    "axle.front.travel_to_full_droop_mm": 400.0,
}


def added(sheet: Sheet, travel: Floats, left: float = 1.0, seat: float = 0.0, rate_hz: float = RATE) -> Floats:
    one = np.ones(len(travel))
    return ChangedCorner(sheet, "FL", rate_hz).process(travel, seat * one, left * one, left * one)


def denominator(corner: ChangedCorner, damper_n_s_m: float) -> Floats:
    """Characteristic polynomial of the two masses: (mu s2 + kt)(ms s2 + c s + k) + ms s2 (c s + k).

    From the equations of motion of a quarter car, as in Milliken & Milliken, Race Car Vehicle Dynamics (from memory).
    """
    spring = corner.spring_n_mm * corner.ratio**2 * 1000.0
    ms, mu, kt, c = corner.sprung_kg, corner.unsprung_kg, corner.tyre_n_mm * 1000.0, damper_n_s_m
    return np.polyadd(
        np.polymul([mu, 0.0, kt], [ms, c, spring]),
        np.polymul([ms, 0.0, 0.0], [c, spring]),
    )


@pytest.mark.parametrize("left", [0.1, 0.3, 0.7, 1.5])
def test_a_linear_corner_follows_its_transfer_function(left: float) -> None:
    # Whatever moved the healthy corner, the damper's coefficient is in the denominator alone: d'/d = D(c) / D(c').
    sheet = make_sheet(STRAIGHT)
    corner = ChangedCorner(sheet, "FL", RATE)
    c = 2.0 * DAMPING_RATIO * np.sqrt(corner.spring_n_mm * corner.ratio**2 * 1000.0 * corner.sprung_kg)
    time = np.arange(6000) / RATE
    travel: Floats = np.sum([np.sin(2 * np.pi * f * time + f) * 5.0 / f for f in (0.7, 1.9, 4.3, 8.1, 13.7)], axis=0)
    travel -= travel[0]
    _, wanted, _ = lsim((denominator(corner, c), denominator(corner, left * c)), travel, time)
    got = travel + added(sheet, travel, left)
    error = np.sqrt(np.mean((got - wanted) ** 2)) / np.sqrt(np.mean((wanted - travel) ** 2))
    assert error < 0.01


def test_nothing_changed_adds_nothing_at_all() -> None:
    travel = 10.0 * np.sin(np.arange(3000) / 40.0)
    assert not added(make_sheet(STRAIGHT), travel).any()


def test_a_lower_seat_moves_travel_by_as_much_at_rest() -> None:
    corner = ChangedCorner(make_sheet({**STRAIGHT, "axle.front.anti_roll_bar_n_mm": 80.0}), "FL", RATE)
    still, one = np.zeros(4000), np.ones(4000)
    more = corner.process(still, 6.0 * one, one, one)
    # It takes the time that a body takes to sink.
    assert more[0] == 0.0
    assert more[30] < 3.0
    assert more[-1] == pytest.approx(6.0, abs=1e-6)
    corner.reset()
    assert corner.process(still, 6.0 * one, one, one) == pytest.approx(6.0 * one, abs=1e-9)


def test_a_lower_seat_is_held_by_the_stop() -> None:
    stop = {"gap_mm": 10.0, "force": [[0.0, 0.0], [1.0, 1000.0]]}
    sheet = make_sheet({**STRAIGHT, "axle.front.bump_stop": stop})
    travel = np.full(8000, 8.0)
    seat = np.minimum(np.arange(8000) / 2000.0, 1.0) * 7.0
    one = np.ones(8000)
    more = ChangedCorner(sheet, "FL", RATE).process(travel, seat, one, one)
    # At rest the spring's loss is what the stop carries: 120 (7 - x) = 1000 (x - 2).
    assert more[-1] == pytest.approx((120.0 * 7.0 + 1000.0 * 2.0) / 1120.0, abs=1e-3)


def test_a_weaker_damper_stays_within_the_stroke() -> None:
    sheet = make_sheet({"axle.front.unsprung_mass_kg": 40.0})
    travel = 30.0 * np.sin(2 * np.pi * 2.2 * np.arange(6000) / RATE)
    whole = travel + added(sheet, travel, 0.0)
    assert whole.max() == 46.0
    assert whole.min() == -41.0


def test_what_the_sheet_leaves_out_has_stand_ins() -> None:
    corner = ChangedCorner(make_sheet(), "FL", RATE)
    weight_kg = 900.0 * 0.45 / 2.0
    assert corner.unsprung_kg == pytest.approx(UNSPRUNG_SHARE * weight_kg)
    assert corner.tyre_n_mm == pytest.approx(weight_kg * 9.80665 / TYRE_STATIC_MM)
    assert corner.ratio == 0.8


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 250.0])
def test_slow_logs_are_reckoned_in_smaller_steps(rate_hz: float) -> None:
    sheet = make_sheet(STRAIGHT)
    assert ChangedCorner(sheet, "FL", rate_hz).steps > 1
    fine = 8.0 * np.sin(2 * np.pi * 1.5 * np.arange(4000) / RATE)
    every = round(RATE / rate_hz)
    more, slow = added(sheet, fine, 0.5), added(sheet, fine[::every].copy(), 0.5, rate_hz=rate_hz)
    assert np.abs(slow - more[::every]).max() < 0.06 * np.abs(more).max()


def test_unknown_samples_stay_unknown_and_the_next_are_near() -> None:
    travel = 10.0 * np.sin(np.arange(3000) / 40.0)
    holed = travel.copy()
    holed[1000:1003] = np.nan
    more, whole = added(make_sheet(STRAIGHT), holed, 0.5), added(make_sheet(STRAIGHT), travel, 0.5)
    assert np.array_equal(np.isnan(more), np.isnan(holed))
    assert np.nanmax(np.abs(more - whole)) < 0.5 * np.abs(whole).max()


@given(cuts=st.lists(st.integers(0, 800), max_size=8), seed=st.integers(0, 9))
@settings(max_examples=30, deadline=None)
def test_any_split_gives_the_same_bits(cuts: list[int], seed: int) -> None:
    sheet = make_sheet(STRAIGHT)
    chance = np.random.default_rng(seed)
    travel = np.cumsum(chance.normal(0.0, 0.5, 800))
    travel[chance.integers(0, 800, 5)] = np.nan
    left, seat = np.linspace(1.0, 0.4, 800), np.linspace(0.0, 5.0, 800)
    whole = ChangedCorner(sheet, "FL", RATE).process(travel, seat, left, left)
    cut = ChangedCorner(sheet, "FL", RATE)
    edges = [0, *sorted(cuts), 800]
    parts = [cut.process(travel[a:b], seat[a:b], left[a:b], left[a:b]) for a, b in itertools.pairwise(edges)]
    assert np.concatenate(parts).tobytes() == whole.tobytes()


FAULTS = (DamperFault("RR", scale=0.7), DamperFault("FL", ("rebound",), scale=0.6))


@pytest.mark.parametrize("fault", FAULTS)
def test_damper_speed_grows_as_in_the_simulated_car(fault: DamperFault, stints: list[Floats]) -> None:
    # The simulator moves seven coupled masses on the same road with the weaker damper; here one corner is reckoned
    # from the healthy car's noisy readings. RMS speeds of each direction agree within 3 %.
    number, spoilt = CORNERS.index(fault.corner), stints[1 + FAULTS.index(fault)]
    travel, one = stints[0][:, number], np.ones(len(spoilt))
    press, pull = (one * (fault.scale if way in fault.directions else 1.0) for way in ("compression", "rebound"))
    more = ChangedCorner(load_sheet(CAR), fault.corner, 500.0).process(travel, 0.0 * one, press, pull)
    before, wanted, got = (_speeds(column) for column in (travel, spoilt[:, number], travel + more))
    assert (wanted > 1.05 * before).all()
    assert wanted[1] > 1.15 * before[1]
    assert got == pytest.approx(wanted, rel=0.03)


CAR = Path(__file__).parents[2] / "replay_logs" / "car.toml"
STINT = StintSettings("changed", "", timed_laps=0)


@pytest.fixture(scope="module")
def stints() -> list[Floats]:
    """Travel as measured: of the healthy car, then with each fault, on the same road."""
    sheet = load_sheet(CAR)
    every = [STINT, *(dataclasses.replace(STINT, damper_faults=(fault,)) for fault in FAULTS)]
    calibration = Calibration(sheet)
    return [
        calibration.process(readings.counts.astype(np.float64)) for readings in simulate_readings_each(sheet, every, 5)
    ]


def _speeds(travel: Floats) -> Floats:
    """RMS of compressing and of rebounding speed."""
    speed = savgol_filter(travel, 15, 3, deriv=1, delta=1 / 500.0)
    return np.array([np.sqrt(np.mean(speed[speed > 0] ** 2)), np.sqrt(np.mean(speed[speed < 0] ** 2))])
