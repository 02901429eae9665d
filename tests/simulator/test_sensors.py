"""Readings: the calibration inverted and taken back by hand, noise, and every sensor fault in its place."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest.sheet import Sheet
from replay_logs.sensors import HIGHEST_COUNT, InjectedFault, reading_of_travel
from replay_logs.stint import Stint


def travel_by_hand(sheet: Sheet, corner: str, reading: float) -> float:
    """Damper travel from a reading, following the sheet's words step by step."""
    sensor = sheet.sensor(corner)
    assert sensor.points is not None
    (r0, p0), (r1, p1) = sensor.points
    position = p0 + (reading - r0) / (r1 - r0) * (p1 - p0)
    if sensor.kind == "rotary":
        assert sensor.lever is not None
        zero = math.radians(sensor.lever.angle_at_zero_deg)
        position = sensor.lever.radius_mm * (math.sin(zero + math.radians(position)) - math.sin(zero))
    assert isinstance(sensor.damper_per_sensor, float)
    travel = position * sensor.damper_per_sensor
    return (travel if sensor.compression == "increases" else -travel) - sensor.zero_mm


@pytest.mark.parametrize("corner", ["FL", "FR", "RL", "RR"])
@pytest.mark.parametrize("travel_mm", [-38.0, -7.5, 0.0, 12.0, 45.0])
def test_calibration_by_hand_returns_the_travel(sheet: Sheet, corner: str, travel_mm: float) -> None:
    sensor = sheet.sensor(corner)
    reading = float(reading_of_travel(sensor, np.array([travel_mm]))[0])
    assert travel_by_hand(sheet, corner, reading) == pytest.approx(travel_mm, abs=1e-9)
    assert sensor.reading_range is not None
    assert sensor.reading_range[0] < reading < sensor.reading_range[1]


def test_a_linear_reading_worked_out(sheet: Sheet) -> None:
    # Front left: 205 counts at 0 mm, 3890 at 100 mm, zero at 47.3 mm: 36.85 counts a mm.
    assert reading_of_travel(sheet.sensor("FL"), np.array([0.0, 10.0])) == pytest.approx([1948.005, 2316.505])
    # Front right runs the other way: 211 + 36.73 x 52.1 at rest.
    assert reading_of_travel(sheet.sensor("FR"), np.array([0.0, 10.0])) == pytest.approx([2124.633, 1757.333])


def test_readings_are_the_true_travel_within_noise(sheet: Sheet, stints: tuple[Stint, Stint]) -> None:
    plain, _ = stints
    truth = plain.damper_travel_mm[::2]
    for i, corner in enumerate(("FL", "FR", "RL", "RR")):
        rows = slice(40_000, 40_400)
        back = np.array([travel_by_hand(sheet, corner, float(c)) for c in plain.readings.counts[rows, i]])
        error = back - truth[rows, i]
        assert abs(error.mean()) < 0.01
        assert 0.01 < error.std() < 0.05


def test_faults_are_where_they_say(sheet: Sheet, stints: tuple[Stint, Stint]) -> None:
    _, spoilt = stints
    readings = spoilt.readings
    fault: dict[str, InjectedFault] = {one.kind: one for one in readings.faults}
    assert len(fault) == 7

    def cells(kind: str, corner: int) -> NDArray[np.int64]:
        inside = (readings.sample >= fault[kind].start_sample) & (readings.sample < fault[kind].end_sample)
        part: NDArray[np.int64] = readings.counts[inside, corner]
        return part

    assert (cells("open_circuit", 0) == HIGHEST_COUNT).all()
    assert (cells("short_circuit", 1) == 0).all()
    assert np.ptp(cells("stuck", 2)) == 0
    assert cells("open_circuit", 0).size == cells("stuck", 2).size == 3000
    assert cells("missing_rows", 0).size == 0
    assert np.diff(readings.sample).max() == 1501
    assert readings.missing.sum() == readings.missing[:, 1].sum() == 20
    rows = np.searchsorted(readings.sample, fault["spikes"].samples)
    assert rows.size == 9
    jumps = np.abs(readings.counts[rows, 3] - readings.counts[rows - 1, 3])
    assert (jumps > 300).all()
    start = int(np.searchsorted(readings.sample, fault["step_offset"].start_sample))
    for row, size in ((start - 1, 0.0), (start, 8.0), (readings.sample.size - 1, 8.0)):
        true = spoilt.damper_travel_mm[readings.sample[row], 0]
        read = travel_by_hand(sheet, "FL", float(readings.counts[row, 0]))
        assert read - true == pytest.approx(size, abs=0.12)


def test_side_channels_carry_the_motion(stints: tuple[Stint, Stint]) -> None:
    plain, _ = stints
    r, path = plain.readings, plain.timeline
    assert np.abs(r.speed / 100.0 / 3.6 - path.speed_m_s[::2]).max() < 0.3
    assert np.abs(r.lap_distance / 10.0 - path.lap_distance_m[::2]).max() <= 0.1001
    assert (r.lap == path.lap[::2]).all()
    assert np.std(r.acceleration_x / 1000.0 - path.acceleration_x_m_s2[::2] / 9.80665) < 0.03
    assert np.std(r.acceleration_y / 1000.0 - path.acceleration_y_m_s2[::2] / 9.80665) < 0.03
