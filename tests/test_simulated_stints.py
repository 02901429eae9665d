"""Row by row against the truth of simulated stints that are not shipped: other roads, other downforce.

Tolerances are what the program promises: heights within 1 mm RMS and 2 mm at the lowest moment, wheel loads within 3 %,
contacts within 5 ms and their force within 10 %.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from dsp.pipeline import Pipeline
from dsp.stops import Contact
from ingest.chunk import CORNERS, Chunk, Floats, Ints
from ingest.sheet import Sheet, load_sheet
from replay_logs.runs import contact_runs
from replay_logs.settings import StintSettings
from replay_logs.stint import Stint, simulate_each
from replay_logs.underside import drop_at_mm

ROLES = ("speed", "acceleration_longitudinal", "acceleration_lateral", "lap_number", "lap_distance")
STINTS = (
    StintSettings("one", "A road of its own.", timed_laps=1, road_seed=901, downforce_area_front_m2=0.8),
    StintSettings("two", "Another.", timed_laps=1, road_seed=902, log_rate_hz=1000, downforce_area_rear_m2=1.9),
)


@functools.cache
def sheet() -> Sheet:
    return load_sheet(Path(__file__).parents[1] / "replay_logs" / "car.toml")


@dataclass
class Run:
    """What the chain found, row by row, beside the simulated stint."""

    stint: Stint
    pipeline: Pipeline
    samples: Ints
    loads: Floats
    heights: Floats
    contacts: list[Contact]

    @property
    def every(self) -> int:
        """Simulated samples for each one of the log."""
        return round(self.stint.rate_hz / self.stint.readings.rate_hz)

    @property
    def running(self) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Rows at racing speed at which everything is known."""
        speed = self.stint.timeline.speed_m_s[self.samples * self.every]
        return (speed > 15.0) & ~np.isnan(self.loads).any(axis=1) & ~np.isnan(self.heights).any(axis=1)


@functools.cache
def runs() -> dict[str, Run]:
    return {stint.settings.name: run_of(stint) for stint in simulate_each(sheet(), STINTS, 5)}


def run_of(stint: Stint) -> Run:
    read = stint.readings
    counts = {
        "speed": (read.speed, 0.01 / 3.6),
        "acceleration_longitudinal": (read.acceleration_x, 0.001 * 9.80665),
        "acceleration_lateral": (read.acceleration_y, 0.001 * 9.80665),
        "lap_number": (read.lap, 1.0),
        "lap_distance": (read.lap_distance, 0.1),
    }
    side = {role: np.asarray(values * scale, dtype=np.float64) for role, (values, scale) in counts.items()}
    pipeline = Pipeline(sheet(), read.rate_hz, ROLES)
    whole = Chunk(0, read.rate_hz, np.asfortranarray(read.counts.astype(np.float64)), side)
    frames = [*pipeline.process(whole), *pipeline.finish()]
    cars = [frame.car for frame in frames]
    return Run(
        stint,
        pipeline,
        np.concatenate([car.first_sample + np.arange(len(car)) * car.stride for car in cars]),
        np.concatenate([car.load_n for car in cars]),
        np.concatenate([car.heights_mm for car in cars]),
        [contact for frame in frames for contact in frame.contacts],
    )


@pytest.mark.parametrize("name", [one.name for one in STINTS])
def test_wheel_loads_within_three_per_cent(name: str) -> None:
    run = runs()[name]
    truth = run.stint.wheel_load_n[run.samples * run.every][run.running]
    error = run.loads[run.running] - truth
    assert len(truth) > 20_000
    assert np.all(np.sqrt(np.mean(error**2, axis=0)) < 0.03 * truth.mean(axis=0))
    assert np.all(np.abs(error.mean(axis=0)) < 0.005 * truth.mean(axis=0))


@pytest.mark.parametrize("name", [one.name for one in STINTS])
def test_heights_within_a_millimetre_and_two_at_the_lowest_moment(name: str) -> None:
    run = runs()[name]
    whole = run.stint.wheel_travel_mm + run.stint.tyre_squash_mm
    fast = run.stint.timeline.speed_m_s > 15.0
    for number, point in enumerate(sheet().platform.values()):
        truth = point.static_height_mm - drop_at_mm(sheet(), whole, point.x_mm, point.y_mm)
        error = run.heights[run.running, number] - truth[run.samples * run.every][run.running]
        assert np.sqrt(np.mean(error**2)) < 1.0
        assert abs(run.heights[run.running, number].min() - truth[fast].min()) < 2.0


def test_contacts_within_five_milliseconds_and_ten_per_cent() -> None:
    """Contacts beyond the sensor's noise: half a millimetre of compression is some 30 N."""
    compared = 0
    for run in runs().values():
        truth, rate = run.stint, run.stint.rate_hz
        for corner, place in enumerate(CORNERS):
            stop = sheet().suspension(place).bump_stop
            assert stop is not None
            travel, forces = truth.damper_travel_mm[:, corner], truth.bump_stop_force_n[:, corner]
            for start, end in contact_runs(travel, stop.gap_mm, sheet().alerts.bump_stop.release_mm):
                if float(travel[start:end].max()) < stop.gap_mm + 0.5:
                    continue
                compared += 1
                mine = [contact for contact in run.contacts if contact.corner == corner]
                found = min(mine, key=lambda contact: abs(contact.start_sample * run.every - start))
                assert abs(found.start_sample * run.every - start) <= 0.005 * rate
                assert found.peak_force_n == pytest.approx(float(forces[start:end].max()), rel=0.1, abs=6.0)
                assert found.impulse_n_s == pytest.approx(float(forces[start:end].sum()) / rate, rel=0.1, abs=0.3)
    assert compared >= 3
