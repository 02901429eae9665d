"""The wheelbase that sensors and rate imply: constructed roads, exchanged sensors, wrong units, noise, any cut."""

from __future__ import annotations

import functools
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.axle_delay import AxleDelay, AxleDelayWatch
from dsp.frame import CarBlock
from dsp.pipeline import Pipeline
from ingest.chunk import Floats
from ingest.log import open_log
from ingest.sheet import load_sheet
from replay_logs.simulate import HERE, SHEET
from tests.dsp.block_streams import block_stream
from tests.dsp.helpers import smooth_noise
from tests.sheets import make_sheet

RATE_HZ = 250.0
WHEELBASE_M = 2.6  # of the test sheet
ROWS = 15_000
FL, FR, RL, RR = range(4)


def ramped_speed(rows: int = ROWS) -> Floats:
    """Between 20 and 50 m/s, slowly enough that most windows are steady."""
    speed: Floats = 35.0 + 15.0 * np.sin(2.0 * math.pi * np.arange(rows) / RATE_HZ / 120.0)
    return speed


def driven(
    speed_m_s: Floats, behind_m: float = WHEELBASE_M, *, alike: float = 0.4, noise: float = 0.3, seed: int = 1
) -> Floats:
    """Wheel travel in mm, shape (n, 4): each track's road under the front wheel, and later under the rear wheel.

    `alike` is the share of the road that both tracks have in common, `noise` what each wheel has for itself.
    """
    generator = np.random.default_rng(seed)
    place = np.cumsum(speed_m_s) / RATE_HZ + 20.0
    step_m = 0.05
    count = int((place[-1] + 20.0) / step_m)
    tracks = generator.normal(size=(3, count))
    kernel = np.hanning(20)  # waves of some half a metre and more
    tracks = np.stack([np.convolve(track, kernel / np.linalg.norm(kernel), mode="same") for track in tracks])
    grid = np.arange(count) * step_m
    wheels = np.empty((len(speed_m_s), 4), order="F")
    for corner in range(4):
        under = place - (behind_m if corner in (RL, RR) else 0.0)
        common, own = (np.interp(under, grid, tracks[row]) for row in (2, corner % 2))
        wheels[:, corner] = math.sqrt(alike) * common + math.sqrt(1.0 - alike) * own
    return wheels + noise * smooth_noise(len(speed_m_s), RATE_HZ, 60.0, seed + 100)


def run(blocks: list[CarBlock], sheet: Any = None) -> tuple[AxleDelay, AxleDelay]:
    watch = AxleDelayWatch(sheet or make_sheet(), blocks[0].rate_hz)
    for block in blocks:
        watch.process(block)
    return watch.result()


def found_in(wheels: Floats, speed_m_s: Floats) -> tuple[AxleDelay, AxleDelay]:
    return run(block_stream(wheels, RATE_HZ, speed_m_s=speed_m_s))


@pytest.mark.parametrize("behind_m", [2.2, 2.5, 2.6, 2.7, 3.4])
def test_a_known_distance_is_found(behind_m: float) -> None:
    speed = ramped_speed()
    for found in found_in(driven(speed, behind_m), speed):
        assert found.wheelbase_m == pytest.approx(behind_m, rel=0.01)
        deviation = 100.0 * (found.wheelbase_m / WHEELBASE_M - 1.0)
        assert found.deviation_percent == pytest.approx(deviation)
        if abs(behind_m / WHEELBASE_M - 1.0) < 0.05:
            assert (found.verdict, found.reason) == ("agrees", "")
        else:
            assert found.verdict == f"differs by {deviation:+.0f} %"
        assert 0.0 < found.spread_m < 0.05
        assert found.correlation > 0.6
        assert found.windows >= 40
        assert found.groups == found.windows // 8


@pytest.mark.parametrize("speed_m_s", [16.0, 30.0, 52.0, 70.0])
def test_a_constant_speed_is_enough(speed_m_s: float) -> None:
    speed = np.full(ROWS, speed_m_s)
    for found in found_in(driven(speed), speed):
        assert found.wheelbase_m == pytest.approx(WHEELBASE_M, rel=0.01)
        assert found.verdict == "agrees"


def test_the_number_comes_from_the_speeds_and_not_from_one_delay() -> None:
    # A fixed delay is no road: at 20 to 50 m/s it would be 1.5 to 3.75 m.
    speed = np.repeat([20.0, 30.0, 40.0, 50.0], ROWS // 4)
    wheels = driven(speed)
    later = round(0.075 * RATE_HZ)
    wheels[later:, [RL, RR]] = wheels[:-later, [FL, FR]]
    for found in found_in(wheels, speed):
        assert found.correlation < 0.5 or found.verdict == "not seen"


@pytest.mark.parametrize(("factor", "percent"), [(3.6, 260.0), (2.23694, 123.7), (0.5, -50.0)])
def test_a_wrong_unit_of_speed_shows_as_its_factor(factor: float, percent: float) -> None:
    speed = 40.0 + 0.0 * ramped_speed() + 0.1 * (ramped_speed() - 35.0)
    for found in found_in(driven(speed), speed * factor):
        assert found.deviation_percent == pytest.approx(percent, abs=2.0 * factor)
        assert found.verdict == f"differs by {found.deviation_percent:+.0f} %"
        assert "speed unit" in found.reason


def test_front_and_rear_exchanged() -> None:
    speed = ramped_speed()
    for found in found_in(driven(speed)[:, [RL, RR, FL, FR]], speed):
        assert found.verdict == "reversed"
        assert found.wheelbase_m == pytest.approx(-WHEELBASE_M, rel=0.01)


@pytest.mark.parametrize(("axle", "follower"), [((FR, FL, RL, RR), "RR"), ((FL, FR, RR, RL), "RR")])
def test_left_and_right_exchanged_on_one_axle(axle: tuple[int, ...], follower: str) -> None:
    speed = ramped_speed()
    left, right = found_in(driven(speed)[:, list(axle)], speed)
    for found in (left, right):
        assert found.verdict == "crossed"
        assert found.wheelbase_m == pytest.approx(WHEELBASE_M, rel=0.01)
        assert found.correlation == pytest.approx(found.crossed_correlation, abs=0.01)
    assert follower in left.reason
    assert "RL" in right.reason


def test_exchanged_on_both_axles_can_not_be_told() -> None:
    speed = ramped_speed()
    for found in found_in(driven(speed)[:, [FR, FL, RR, RL]], speed):
        assert found.verdict == "agrees"


def test_one_side_alone_exchanged() -> None:
    speed = ramped_speed()
    left, right = found_in(driven(speed)[:, [RL, FR, FL, RR]], speed)
    assert left.verdict == "reversed"
    assert right.verdict == "agrees"


@pytest.mark.parametrize("seed", range(6))
def test_noise_is_not_seen(seed: int) -> None:
    speed = ramped_speed()
    for found in found_in(smooth_noise(ROWS, RATE_HZ, 40.0, seed), speed):
        assert found.verdict == "not seen"
        assert math.isnan(found.wheelbase_m)
        assert math.isnan(found.deviation_percent)
        assert "nowhere clearly" in found.reason
        assert found.crossed_correlation < 0.2


@pytest.mark.parametrize("seed", range(10))
def test_noise_is_not_seen_in_few_windows_either(seed: int) -> None:
    rows = 20 * 256
    for found in found_in(smooth_noise(rows, RATE_HZ, 15.0, seed + 50), np.full(rows, 35.0)):
        assert found.windows == 20
        assert found.verdict == "not seen"


def test_a_trace_of_a_correlation_is_not_enough() -> None:
    # Over ten minutes it would be many standard errors above 0; the wheels have little of the road in them.
    speed = ramped_speed(150_000)
    for found in found_in(driven(speed, noise=3.0), speed):
        assert found.verdict == "not seen"
        assert "nowhere clearly" in found.reason
        assert 0.02 < float(found.reason.split("correlation ")[1].split(" ")[0]) < 0.1


def test_axles_that_move_as_one_follow_no_road() -> None:
    speed = ramped_speed()
    body = smooth_noise(ROWS, RATE_HZ, 20.0, 3, channels=1)
    wheels = np.asfortranarray(np.repeat(body, 4, axis=1) + 0.2 * smooth_noise(ROWS, RATE_HZ, 40.0, 4))
    for found in found_in(wheels, speed):
        assert found.verdict == "not seen"
        assert "same instant" in found.reason


def test_an_unsteady_a_slow_and_an_unknown_speed_give_no_window() -> None:
    wheels = driven(ramped_speed())
    rows = np.arange(ROWS)
    unsteady = 40.0 * (1.0 + 0.06 * np.sign(np.sin(2.0 * math.pi * rows / 200.0)))
    unknown = np.full(ROWS, 40.0)
    unknown[::200] = np.nan
    too_slow_in_the_middle = np.full(ROWS, 15.1)
    too_slow_in_the_middle[128::256] = 14.9
    for speed in (unsteady, np.full(ROWS, 14.9), too_slow_in_the_middle, unknown, np.full(ROWS, np.nan)):
        for found in found_in(wheels, speed):
            assert found.windows == 0
            assert found.verdict == "not seen"
            assert found.reason.startswith("only 0 of 16 windows")


def test_the_limits_of_a_window() -> None:
    wheels = driven(np.full(256 * 3, 40.0))
    speed = np.full(256 * 3, 40.0)
    speed[100:150] *= 1.049  # within 5 % of the mean
    speed[256 + 100 : 256 + 150] *= 1.053  # beyond
    assert found_in(wheels, speed)[0].windows == 2
    # Only at fixed places of the device's counter.
    stream = block_stream(wheels, RATE_HZ, speed_m_s=np.full(256 * 3, 40.0), stride=2, first_sample=2 * 255)
    assert run(stream)[0].windows == 2


def test_an_unknown_corner_costs_its_side_only() -> None:
    speed = ramped_speed()
    wheels = driven(speed)
    whole = found_in(wheels, speed)
    wheels[5 * 256 + 7, RR] = np.nan
    left, right = found_in(wheels, speed)
    assert (left.windows, left.wheelbase_m) == (whole[0].windows, whole[0].wheelbase_m)
    assert right.windows == whole[1].windows - 1
    wheels[:, RR] = np.nan
    assert found_in(wheels, speed)[1].verdict == "not seen"
    assert found_in(wheels, speed)[0].verdict == "agrees"


@pytest.mark.parametrize(("lost", "side"), [(FL, 1), (RL, 1), (FR, 0), (RR, 0)])
def test_a_corner_that_is_never_known_leaves_the_other_side_as_it_was(lost: int, side: int) -> None:
    speed = ramped_speed()
    wheels = driven(speed)
    whole = found_in(wheels, speed)[side]
    wheels[:, lost] = np.nan
    found = found_in(wheels, speed)
    # Its own side has nothing; whether the other is crossed may not be known any more.
    assert found[1 - side].windows == 0
    assert replace(found[side], crossed_correlation=0.0) == replace(whole, crossed_correlation=0.0)


def test_the_spread_is_that_of_separate_groups_of_windows() -> None:
    speed = np.full(256 * 80, 40.0)
    wheels = driven(speed, 2.5)
    wheels[256 * 40 :] = driven(speed, 2.7)[256 * 40 :]
    for found in found_in(wheels, speed):
        assert found.groups == 10
        # Five groups at each of two distances: half their difference, times sqrt(10 / 9).
        assert found.spread_m == pytest.approx(0.1 * math.sqrt(10.0 / 9.0), rel=0.1)


def test_the_groups_kept_are_bounded() -> None:
    rows = 256 * 8 * 130
    found = found_in(driven(np.full(rows, 40.0)), np.full(rows, 40.0))[0]
    assert (found.windows, found.groups) == (8 * 130, 128)


def test_a_weak_but_steady_repetition_is_seen() -> None:
    speed = ramped_speed(40_000)
    for found in found_in(driven(speed, noise=2.0), speed):
        assert found.correlation < 0.2
        assert found.verdict == "agrees"


def test_no_window_reaches_over_a_gap() -> None:
    speed = np.full(256 * 20, 40.0)
    wheels = driven(speed)
    whole = run(block_stream(wheels, speed_m_s=speed))[0]
    # The gap is as long as a window: only the window it falls into is lost.
    cut = run(block_stream(wheels, speed_m_s=speed, gaps={256 * 5 + 100: 256}))[0]
    assert whole.windows == 20
    assert cut.windows == 19


@functools.cache
def troubled() -> dict[str, Any]:
    speed = ramped_speed(8000)
    wheels = driven(speed)
    wheels[1000:1003, FR] = np.nan
    speed[4000] = np.nan
    return {"damper_mm": wheels, "speed_m_s": speed, "gaps": {3000: 77}}


@settings(max_examples=12, deadline=None)
@given(st.lists(st.integers(0, 8000), max_size=30))
def test_any_cut_gives_the_same_bits(cuts: list[int]) -> None:
    assert repr(run(block_stream(**troubled(), cuts=cuts))) == repr(run(block_stream(**troubled())))


def test_row_by_row_gives_the_same_bits() -> None:
    assert repr(run(block_stream(**troubled(), cuts=range(8000)))) == repr(run(block_stream(**troubled())))


@functools.cache
def shipped_blocks() -> tuple[list[CarBlock], float]:
    """The healthy stint's car blocks, from the shipped log through the whole chain."""
    sheet = load_sheet(SHEET)
    with open_log(HERE / "healthy.parquet", sheet) as log:
        pipeline = Pipeline(sheet, log.rate_hz, log.roles)
        blocks = [frame.car for chunk in log for frame in pipeline.process(chunk)]
    return blocks, pipeline.car.row_rate_hz


def test_a_simulated_stint() -> None:
    blocks, _ = shipped_blocks()
    for found in run(blocks, load_sheet(SHEET)):
        assert found.verdict == "agrees"
        # The simulator's own wheelbase: 2.7 m.
        assert found.wheelbase_m == pytest.approx(2.7, rel=0.01)
        assert found.correlation > 0.7
        assert found.correlation > found.crossed_correlation + 0.2
        assert found.windows > 100


@pytest.mark.parametrize(
    ("order", "verdict"), [((2, 3, 0, 1), "reversed"), ((1, 0, 2, 3), "crossed"), ((0, 1, 3, 2), "crossed")]
)
def test_a_simulated_stint_with_exchanged_sensors(order: tuple[int, ...], verdict: str) -> None:
    blocks, _ = shipped_blocks()
    exchanged = [replace(block, wheel_mm=block.wheel_mm[:, list(order)]) for block in blocks]
    assert [one.verdict for one in run(exchanged, load_sheet(SHEET))] == [verdict] * 2
