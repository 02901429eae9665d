"""Downforce from blocks whose truth is known in closed form, every refusal, any split, and simulated stints."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t as student

from benchmarks.downforce_study import Variant, find, holds, sheet_for, study_settings
from dsp.downforce import Downforce, DownforceWatch, Estimate
from dsp.frame import CarBlock
from ingest.sheet import Sheet
from replay_logs.simulate import SHEET as SIMULATED_CAR
from replay_logs.stint import simulate
from tests.dsp.car_blocks import RATE_HZ, STRIDE, car_block, cut_at, on_axles
from tests.sheets import make_sheet

FRONT_M2, REAR_M2 = 0.9, 1.3
LAP_M = 3000.0
CAR: dict[str, Any] = {
    "car.centre_of_gravity_height_mm": 400.0,
    "axle.front.unsprung_mass_kg": 40.0,
    "axle.rear.unsprung_mass_kg": 50.0,
    "air.density_kg_m3": 1.2,
    "axle.front.damper": {"curve": [[-100.0, -900.0], [0.0, 0.0], [100.0, 600.0]]},
    "axle.rear.damper": {"curve": [[-100.0, -900.0], [0.0, 0.0], [100.0, 600.0]]},
}


def drive(
    seconds: float = 150.0,
    slowest: float = 22.0,
    fastest: float = 62.0,
    noise_n: float = 0.0,
    offset_n: tuple[float, float] = (0.0, 0.0),
    seed: int = 1,
    **values: Any,
) -> CarBlock:
    """A car of 900 kg whose speed swings, on springs that show air and transfer as statics has them (wheelbase 2.6 m).

    The noise is that of places: every 100 m of the lap has its own, and every half second a smaller one.
    """
    rows = round(seconds * RATE_HZ)
    time = np.arange(rows) / RATE_HZ
    middle, swing, frequency = (slowest + fastest) / 2.0, (fastest - slowest) / 2.0, 2.0 * math.pi / 37.0
    speed = middle - swing * np.cos(frequency * time)
    forward = swing * frequency * np.sin(frequency * time)
    travelled = np.cumsum(speed) / RATE_HZ
    place = np.mod(travelled, LAP_M)
    pressure = 0.6 * speed**2
    transfer = 900.0 * 0.4 / 2.6 * forward
    random = np.random.default_rng(seed)
    error = random.normal(0.0, noise_n, (30, 2))[(place // 100.0).astype(np.int64)]
    error += random.normal(0.0, noise_n / 2.0, (rows // 125 + 1, 2))[np.arange(rows) // 125]
    error[:, 1] += 0.8 * error[:, 0]  # the body's heave is in both axles
    front = FRONT_M2 * pressure - transfer + offset_n[0] + error[:, 0]
    rear = REAR_M2 * pressure + transfer + offset_n[1] + error[:, 1]
    known: dict[str, Any] = {
        "speed_m_s": speed,
        "acceleration_x_m_s2": forward,
        "place_m": place,
        "suspension_n": on_axles(front, rear),
    }
    return car_block(rows, **(known | values))


def found(block: CarBlock, changes: dict[str, Any] | None = None, remove: tuple[str, ...] = ()) -> Downforce:
    watch = DownforceWatch(sheet(changes, remove), RATE_HZ, STRIDE)
    watch.process(block)
    return watch.result()


def sheet(changes: dict[str, Any] | None = None, remove: tuple[str, ...] = ()) -> Sheet:
    kept = {key: value for key, value in CAR.items() if key not in remove}
    return make_sheet(kept | (changes or {}))


def test_the_truth_is_found_where_nothing_disturbs() -> None:
    result = found(drive(offset_n=(80.0, -30.0)))
    assert result.reason == ""
    assert result.front_m2.value == pytest.approx(FRONT_M2, rel=1e-3)  # within a window the speed changes a little
    assert result.rear_m2.value == pytest.approx(REAR_M2, rel=1e-3)
    assert result.total_m2.value == pytest.approx(FRONT_M2 + REAR_M2, rel=1e-3)
    assert result.front_share.value == pytest.approx(FRONT_M2 / (FRONT_M2 + REAR_M2), rel=1e-3)
    assert result.front_intercept_n.value == pytest.approx(80.0, abs=2.0)
    assert result.rear_intercept_n.value == pytest.approx(-30.0, abs=2.0)
    assert result.windows_judged == 300
    assert result.windows_used == 300
    assert result.places == 30
    assert (result.slowest_m_s, result.fastest_m_s) == pytest.approx((22.0, 62.0), abs=0.1)
    assert (result.air_density_kg_m3, result.air_density_how) == (1.2, "given")


def test_lift_is_negative() -> None:
    block = drive()
    result = found(drive(suspension_n=-block.suspension_n, acceleration_x_m_s2=-block.acceleration_x_m_s2))
    assert result.front_m2.value == pytest.approx(-FRONT_M2, rel=2e-3)
    assert result.rear_m2.value == pytest.approx(-REAR_M2, rel=2e-3)


def test_thinner_air_needs_a_larger_wing_for_the_same_load() -> None:
    result = found(drive(), {"air.density_kg_m3": 1.0})
    assert result.total_m2.value == pytest.approx(1.2 * (FRONT_M2 + REAR_M2), rel=1e-3)


def test_the_intervals_hold_the_truth_as_often_as_they_say() -> None:
    results = [found(drive(noise_n=60.0, seed=seed)) for seed in range(120)]
    assert all(result.reason == "" for result in results)
    truths = {"front_m2": FRONT_M2, "rear_m2": REAR_M2, "total_m2": 2.2, "front_share": 0.9 / 2.2}
    truths |= {"front_intercept_n": 0.0}
    for name, truth in truths.items():
        estimates: list[Estimate] = [getattr(result, name) for result in results]
        # 114 of 120 are expected; 106 or fewer come by chance once in 1000 times.
        assert sum(holds(one, truth) for one in estimates) > 106, name
        scatter = np.std([one.value for one in estimates])
        assert np.mean([one.standard_error for one in estimates]) == pytest.approx(scatter, rel=0.2), name
        one = estimates[0]
        quantile = (one.high - one.low) / 2.0 / one.standard_error
        assert quantile == pytest.approx(student.ppf(0.975, results[0].places - 2)), name
    for bands in zip(*(result.bands for result in results), strict=True):
        assert len({band.from_km_h for band in bands}) == 1
        scatter = np.std([band.front_n for band in bands])
        assert np.mean([band.front_standard_error_n for band in bands]) == pytest.approx(scatter, rel=0.3)


def test_the_table_has_each_speeds_load() -> None:
    result = found(drive(noise_n=20.0, offset_n=(100.0, 0.0)))
    assert sum(band.windows for band in result.bands) == result.windows_used
    assert [band.from_km_h for band in result.bands] == sorted(band.from_km_h for band in result.bands)
    for band in result.bands:
        assert band.to_km_h == band.from_km_h + 10.0
        pressure = band.dynamic_pressure_pa
        assert 0.6 * (band.from_km_h / 3.6) ** 2 * 0.99 < pressure < 0.6 * (band.to_km_h / 3.6) ** 2 * 1.01
        if band.windows >= 10:
            assert abs(band.front_n - 100.0 - FRONT_M2 * pressure) < 4.0 * band.front_standard_error_n
            assert abs(band.rear_n - REAR_M2 * pressure) < 4.0 * band.rear_standard_error_n


def test_a_wrong_zero_is_an_intercept_and_is_said() -> None:
    plain = found(drive(noise_n=10.0))
    shifted = found(drive(noise_n=10.0, offset_n=(0.0, 250.0)))
    assert shifted.rear_m2.value == pytest.approx(plain.rear_m2.value, rel=1e-9)
    assert shifted.rear_intercept_n.value == pytest.approx(plain.rear_intercept_n.value + 250.0)
    assert not [note for note in plain.notes if "at no speed" in note]
    (note,) = [note for note in shifted.notes if "at no speed" in note]
    assert note.startswith("rear axle +25")
    assert "zeros" in note


def test_an_intercept_that_may_be_chance_is_not_news() -> None:
    chances = 0
    for seed in range(12):
        result = found(drive(noise_n=120.0, seed=seed))
        for axle, intercept, static_n in (
            ("front", result.front_intercept_n, 405.0 * 9.80665),
            ("rear", result.rear_intercept_n, 495.0 * 9.80665),
        ):
            large, chance = abs(intercept.value) > 0.02 * static_n, intercept.low <= 0.0 <= intercept.high
            chances += large and chance
            assert any(note.startswith(axle) for note in result.notes) == (large and not chance)
    assert chances > 0


def test_some_wild_windows_do_not_matter() -> None:
    block = drive(noise_n=20.0)
    wild = block.suspension_n.copy()
    fast = np.flatnonzero(block.speed_m_s > 61.0)[:1000]
    wild[fast] += 3000.0
    assert found(drive(noise_n=20.0, suspension_n=wild)).front_m2.value == pytest.approx(FRONT_M2, rel=0.04)


def test_without_the_centre_of_gravitys_height_the_transfer_is_fitted() -> None:
    result = found(drive(noise_n=10.0), remove=("car.centre_of_gravity_height_mm",))
    assert result.front_m2.value == pytest.approx(FRONT_M2, rel=0.02)
    assert result.rear_m2.value == pytest.approx(REAR_M2, rel=0.02)
    assert any("centre_of_gravity_height_mm" in note for note in result.notes)
    # Where the car only gains speed (braking taken out as cornering), the table is still about the air alone.
    lateral = np.where(drive().acceleration_x_m_s2 < 0.0, 9.0, 0.0)
    result = found(drive(noise_n=1.0, acceleration_y_m_s2=lateral), remove=("car.centre_of_gravity_height_mm",))
    assert result.windows_refused["cornering"] > 100
    for band in result.bands:
        assert band.front_n == pytest.approx(FRONT_M2 * band.dynamic_pressure_pa, abs=15.0)


def test_without_damper_curves_the_error_is_wider_and_it_is_said() -> None:
    known = found(drive(noise_n=10.0))
    unknown = found(drive(noise_n=10.0), remove=("axle.front.damper",))
    assert unknown.front_m2.value == known.front_m2.value
    assert unknown.rear_m2 == known.rear_m2
    expected = math.hypot(known.front_m2.standard_error, 0.03 * known.front_m2.value)
    assert unknown.front_m2.standard_error == pytest.approx(expected)
    assert unknown.total_m2.standard_error > known.total_m2.standard_error
    assert unknown.front_share.standard_error > known.front_share.standard_error
    assert any("no damper curve for FL FR:" in note for note in unknown.notes)
    assert not any("no damper curve" in note for note in known.notes)


def test_what_was_assumed_is_said() -> None:
    missing: dict[str, Any] = {"acceleration_x_m_s2": np.nan, "acceleration_y_m_s2": np.nan, "place_m": np.nan}
    notes = found(drive(**missing), remove=("air.density_kg_m3",)).notes
    for words in ("standard atmosphere", "cornering was not refused", "speed's change", "place on the lap was unknown"):
        assert any(words in note for note in notes), words
    assert found(drive()).notes == ()


@pytest.mark.parametrize(
    ("block", "words"),
    [
        (car_block(0), "only 0 steady windows of 0.5 s, 30 are needed"),
        (drive(speed_m_s=np.nan, acceleration_x_m_s2=np.nan), "speed is not logged"),
        (drive(14.0), "only 28 steady windows"),
        (drive(warp_mm=20.0), "of 300, 300 were refused as on a kerb"),
        (drive(slowest=40.0, fastest=51.0), "steady running only from 144 to 184 km/h; the fastest must be 1.3 times"),
        (drive(place_m=450.0), "at only 1 places"),
        (drive(noise_n=900.0, slowest=30.0, fastest=45.0), "coefficient can only be put between"),
    ],
)
def test_what_the_data_can_not_support_is_refused_in_words(block: CarBlock, words: str) -> None:
    result = found(block)
    assert words in result.reason
    for estimate in (result.front_m2, result.rear_m2, result.total_m2, result.front_share, result.front_intercept_n):
        assert all(math.isnan(value) for value in vars(estimate).values())
    assert math.isnan(result.front_scatter_n)
    assert result.bands == ()


def test_a_car_without_downforce_is_not_given_any() -> None:
    """A sharp nothing is an answer, though a share of it is none; a blurred one is not."""
    for noise_n, refused in ((50.0, False), (400.0, True)):
        block = drive(noise_n=noise_n)
        loads = block.suspension_n - on_axles(FRONT_M2 * 0.6 * block.speed_m_s**2, REAR_M2 * 0.6 * block.speed_m_s**2)
        result = found(drive(suspension_n=loads))
        assert ("can only be put between" in result.reason) == refused
        if not refused:
            assert result.total_m2.low < 0.0 < result.total_m2.high
            assert math.isnan(result.front_share.value)


def test_a_vertical_sensor_that_holds_gravity_is_named() -> None:
    rows = round(150.0 * RATE_HZ)
    assert found(drive(acceleration_z_m_s2=np.full(rows, 0.3))).reason == ""
    assert "give its column an offset" in found(drive(acceleration_z_m_s2=np.full(rows, 9.81))).reason


def test_limits_on_the_data_are_met_exactly() -> None:
    assert "places" in found(drive(15.0), {"downforce.least_windows": 30}).reason  # enough windows, all in 600 m
    assert "only 30 steady" in found(drive(15.0), {"downforce.least_windows": 31}).reason
    place = np.repeat(np.tile(np.arange(8) * 100.0, 38), 125)[:37500]
    assert found(drive(noise_n=5.0, place_m=place)).reason == ""
    assert "at only 7 places" in found(drive(noise_n=5.0, place_m=np.where(place == 700.0, 0.0, place))).reason


def test_a_result_may_be_asked_for_at_any_time() -> None:
    block = drive(noise_n=20.0)
    watch = DownforceWatch(sheet(), RATE_HZ, STRIDE)
    for one in cut_at(block, range(0, len(block), 1000)):
        watch.process(one)
        watch.result()
    assert repr(watch.result()) == repr(found(block))


def disturbed() -> CarBlock:
    """A drive in which all gates are busy and values are missing here and there."""
    block = drive(60.0, noise_n=40.0, seed=3)
    random = np.random.default_rng(8)
    rows = len(block)
    block.suspension_n[random.integers(0, rows, 6), 1] = np.nan
    block.speed_m_s[7000:7003] = np.nan
    block.acceleration_y_m_s2[:] = np.abs(np.sin(np.arange(rows) / 700.0)) ** 8 * 7.0
    block.warp_mm[:] = random.normal(0.0, 3.2, rows)
    block.damper_velocity_mm_s[:] = random.normal(0.0, 1.0, (rows, 4)) * (
        100.0 + 60.0 * np.sin(np.arange(rows) / 400.0)[:, None]
    )
    block.stop_n[:] = 700.0 * np.abs(np.sin(np.arange(rows) / 900.0))[:, None]
    return block


DISTURBED = disturbed()


@settings(max_examples=40, deadline=None)
@given(
    places=st.lists(st.integers(0, len(DISTURBED)), max_size=25),
    small=st.integers(0, len(DISTURBED) - 400),
    breaks=st.sets(st.integers(1, len(DISTURBED) - 1), max_size=3),
)
def test_any_split_gives_the_same_to_the_last_bit(places: list[int], small: int, breaks: set[int]) -> None:
    def run(cuts: list[int]) -> DownforceWatch:
        watch = DownforceWatch(sheet({"downforce.least_windows": 8}), RATE_HZ, STRIDE)
        for block in cut_at(DISTURBED, [*cuts, *breaks]):
            starts = block.first_sample // STRIDE in breaks and len(block) > 0
            watch.process(replace(block, starts_stretch=True) if starts else block)
        return watch

    whole, split = run([]), run([*places, *range(small, small + 400, 1 + len(places))])
    first, second = whole._steady.windows(), split._steady.windows()
    assert first.tobytes() == second.tobytes()
    assert repr(whole.result()) == repr(split.result())
    assert 10 < len(first) < whole.result().windows_judged


def test_the_disturbed_drive_keeps_every_gate_busy() -> None:
    refused = found(DISTURBED).windows_refused
    assert {gate for gate, count in refused.items() if count} >= {"speed_unknown", "unknown", "cornering", "rough"}


def test_simulated_stints_give_back_their_downforce() -> None:
    # The simulator's equations are its own; it shares with the chain only the car sheet's numbers.
    raw = tomllib.loads(SIMULATED_CAR.read_text(encoding="utf-8"))
    plain = Variant("plain")
    stints = [replace(one, timed_laps=1, standing_s=1.0) for one in study_settings(3, seed=6)]
    for stint in simulate(sheet_for(raw, stints[0], plain), stints, 6):
        result = find(sheet_for(raw, stint.settings, plain), stint.readings)
        assert result.reason == ""
        for estimate, truth in (
            (result.front_m2, stint.settings.downforce_area_front_m2),
            (result.rear_m2, stint.settings.downforce_area_rear_m2),
        ):
            assert estimate.value == pytest.approx(truth, rel=0.08)
            assert abs(estimate.value - truth) < 3.0 * estimate.standard_error
            assert estimate.standard_error < 0.04 * truth
