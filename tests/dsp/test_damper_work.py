"""Force and work of dampers from velocity counts: closed forms, an independent integral, bands, unknown samples."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from dsp.damper_work import DamperWork, damper_force_n, damper_work, dampers_work
from dsp.statistics import VELOCITY_BINS, Tally
from ingest.chunk import Floats, Ints
from ingest.sheet import load_sheet
from ingest.sheet_limits import VelocitySettings
from ingest.sheet_parts import Damper
from replay_logs.simulate import SHEET
from tests.dsp.helpers import same_on_all, smooth_noise
from tests.sheets import make_sheet

RATE_HZ = 1000.0
LIMITS = VelocitySettings()
DIGRESSIVE = Damper(
    curve=[(-600.0, -2310.0), (-150.0, -960.0), (-50.0, -610.0), (0.0, 0.0), (50.0, 430.0), (150.0, 690.0)]
)
LINEAR = Damper(curve=[(-100.0, -500.0), (0.0, 0.0), (100.0, 500.0)])
# 5 mm at 12 Hz, as in the closed forms of the arcsine law.
PEAK_MM_S = 2.0 * math.pi * 12.0 * 5.0


def counts_of(velocity_mm_s: Floats) -> Ints:
    counts: Ints = VELOCITY_BINS.count_values(velocity_mm_s[:, np.newaxis])[0]
    return counts


def work_of(velocity_mm_s: Floats, damper: Damper = DIGRESSIVE, limits: VelocitySettings = LIMITS) -> DamperWork:
    return damper_work(damper, counts_of(velocity_mm_s), RATE_HZ, limits)


def force_by_hand(damper: Damper, velocity: float) -> float:
    """Straight lines, written out apart from the package's table."""
    curve = damper.curve
    pieces = list(itertools.pairwise(curve))
    (x0, y0), (x1, y1) = next((piece for piece in pieces if velocity < piece[1][0]), pieces[-1])
    return y0 + (velocity - x0) * (y1 - y0) / (x1 - x0)


def test_the_curve_goes_on_with_its_end_slopes() -> None:
    velocity = np.array([-2000.0, -600.0, -100.0, -25.0, 0.0, 25.0, 100.0, 150.0, 1000.0])
    # 3 N per mm/s below -600, 2.6 above 150.
    expected = [-2310.0 - 4200.0, -2310.0, -785.0, -305.0, 0.0, 215.0, 560.0, 690.0, 690.0 + 2.6 * 850.0]
    np.testing.assert_allclose(damper_force_n(DIGRESSIVE, velocity), expected, rtol=1e-6)


def test_a_sine_through_a_linear_damper() -> None:
    phase = (np.arange(100_000) + 0.5) / 100_000
    work = work_of(PEAK_MM_S * np.sin(2.0 * math.pi * phase), LINEAR)
    # c v^2 / 2 with c = 5 N per mm/s = 5000 N s/m.
    power_w = 5000.0 * (PEAK_MM_S / 1000.0) ** 2 / 2.0
    # A sine spends most of its time at its ends, in two bins that it fills unevenly: half a mm/s at most.
    assert work.mean_power_w == pytest.approx(power_w, rel=2e-4)
    assert work.time_s == pytest.approx(100.0)
    assert work.energy_j == pytest.approx(100.0 * work.mean_power_w)
    # Mean of half a sine: 2 / pi of the peak.
    assert work.mean_compression_n == pytest.approx(5.0 * PEAK_MM_S * 2.0 / math.pi, rel=1e-4)
    assert work.mean_rebound_n == pytest.approx(-work.mean_compression_n, rel=1e-4)
    # One hundredth of the time is beyond sin(pi/2 - pi/100) of the peak.
    quantile = 5.0 * PEAK_MM_S * math.cos(0.01 * math.pi)
    assert work.force_99_percent_n == pytest.approx(quantile, abs=2.5)
    assert work.force_1_percent_n == pytest.approx(-quantile, abs=2.5)
    assert work.beyond_curve_share == pytest.approx(1.0 - 2.0 / math.pi * math.asin(100.0 / PEAK_MM_S), abs=1e-3)
    # Energy below a speed u of a sine: (2/pi) (asin x - x sqrt(1 - x^2)), x = u / peak; half of it each way.
    x = 50.0 / PEAK_MM_S
    low = 2.0 / math.pi * (math.asin(x) - x * math.sqrt(1.0 - x * x))
    assert work.energy_share["low_speed_compression"] == pytest.approx(low / 2.0, rel=1e-3)
    assert work.energy_share["high_speed_rebound"] == pytest.approx((1.0 - low) / 2.0, rel=1e-4)


def test_energy_is_the_integral_of_force_times_velocity() -> None:
    velocity = 120.0 * smooth_noise(200_000, RATE_HZ, 30.0, seed=5, channels=1)[:, 0]
    force = np.array([force_by_hand(DIGRESSIVE, one) for one in velocity.tolist()])
    watts = force * velocity / 1000.0
    work = work_of(velocity)
    assert work.energy_j == pytest.approx(float(np.sum(watts)) / RATE_HZ, rel=1e-4)
    bands = {
        "high_speed_rebound": velocity < -50.0,
        "low_speed_rebound": (velocity >= -50.0) & (velocity < 0.0),
        "low_speed_compression": (velocity >= 0.0) & (velocity < 50.0),
        "high_speed_compression": velocity >= 50.0,
    }
    assert list(work.energy_share) == list(bands)
    for name, inside in bands.items():
        assert work.energy_share[name] == pytest.approx(float(watts[inside].sum() / watts.sum()), abs=1e-4)
    assert sum(work.energy_share.values()) == pytest.approx(1.0)
    assert work.mean_compression_n == pytest.approx(float(force[velocity >= 0].mean()), rel=1e-3)
    assert work.mean_rebound_n == pytest.approx(float(force[velocity < 0].mean()), rel=1e-3)
    assert work.force_1_percent_n == pytest.approx(float(np.quantile(force, 0.01)), abs=4.0)
    assert work.force_99_percent_n == pytest.approx(float(np.quantile(force, 0.99)), abs=4.0)


def test_bins_take_a_twelfth_of_their_width_squared_off() -> None:
    # Evenly spread over whole bins, so that the bias is exact: slope x w^2 / 12 in mW.
    velocity = (np.arange(60_000) + 0.5) / 60_000 * 60.0 - 30.0
    true_w = float(np.mean(5.0 * velocity**2)) / 1000.0
    assert true_w - work_of(velocity, LINEAR).mean_power_w == pytest.approx(5.0 / 12.0 / 1000.0, rel=1e-3)


def test_the_bands_follow_the_sheets_limits() -> None:
    velocity = np.array([-70.5, -20.5, 30.5, 90.5])
    limits = VelocitySettings(low_speed_compression_mm_s=25, low_speed_rebound_mm_s=80)
    shares = work_of(velocity, LINEAR, limits).energy_share
    squares = velocity**2 / float(np.sum(velocity**2))
    assert shares["high_speed_rebound"] == 0.0
    assert shares["low_speed_rebound"] == pytest.approx(squares[:2].sum())
    assert shares["low_speed_compression"] == 0.0
    assert shares["high_speed_compression"] == pytest.approx(squares[2:].sum())


def test_compression_and_rebound_are_not_exchanged() -> None:
    work = work_of(np.array([40.5] * 3 + [-10.5]))
    assert work.mean_compression_n == pytest.approx(430.0 / 50.0 * 40.5)
    assert work.mean_rebound_n == pytest.approx(-610.0 / 50.0 * 10.5)
    assert work.energy_share["low_speed_compression"] > 0.9


def test_what_is_faster_than_the_bins_is_counted_at_their_edge() -> None:
    work = work_of(np.array([-5000.0, 0.5, 0.5, 1600.0]), LINEAR)
    assert (work.samples, work.beyond) == (4, 2)
    assert work.beyond_curve_share == 0.5
    assert work.mean_power_w == pytest.approx(2 * 5.0 * 1500.0**2 / 4 / 1000.0, rel=1e-5)


def test_any_split_gives_the_same_bits_and_unknown_samples_do_not_count() -> None:
    velocity = 150.0 * smooth_noise(20_000, RATE_HZ, 30.0, seed=6)
    velocity[3000:3500, 1] = np.nan
    sheet = load_sheet(SHEET)
    whole, parts = Tally(), Tally()
    whole.add(np.zeros_like(velocity), velocity)
    for start in range(0, 20_000, 777):
        piece = Tally()
        piece.add(np.zeros_like(velocity[start : start + 777]), velocity[start : start + 777])
        parts.merge(piece)
    found = dampers_work(sheet, whole, RATE_HZ)
    assert dampers_work(sheet, parts, RATE_HZ) == found
    assert [one.samples for one in found if one is not None] == [20_000, 19_500, 20_000, 20_000]
    assert found[1] is not None
    assert found[1].time_s == pytest.approx(19.5)
    # A front and a rear damper of different curves.
    assert found[0] != found[2]


def test_without_a_curve_there_is_nothing_and_without_samples_nothing_is_known() -> None:
    tally = Tally()
    tally.add(np.zeros((100, 4)), same_on_all(np.linspace(-50.0, 50.0, 100)))
    sheet = make_sheet({"axle.front.damper": {"curve": [[-100.0, -500.0], [0.0, 0.0], [100.0, 500.0]]}})
    front_left, front_right, rear_left, rear_right = dampers_work(sheet, tally, RATE_HZ)
    assert front_left == front_right
    assert front_left is not None
    assert rear_left is None
    assert rear_right is None
    (empty, *_) = dampers_work(sheet, Tally(), RATE_HZ)
    assert empty is not None
    assert (empty.samples, empty.time_s, empty.energy_j) == (0, 0.0, 0.0)
    unknown = [empty.mean_power_w, empty.force_1_percent_n, empty.mean_rebound_n, *empty.energy_share.values()]
    assert all(math.isnan(one) for one in unknown)
    assert math.isnan(empty.beyond_curve_share)


def test_a_damper_at_rest_dissipates_next_to_nothing() -> None:
    work = work_of(np.zeros(1000), LINEAR)
    assert work.mean_power_w == pytest.approx(5.0 * 0.25 / 1000.0)
    assert math.isnan(work.mean_rebound_n)
