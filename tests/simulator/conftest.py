"""A car sheet and three short stints, simulated once for all tests here."""

from __future__ import annotations

import pytest

from ingest.sheet import Sheet, load_sheet
from replay_logs.settings import DamperFault, SensorFault, StintSettings
from replay_logs.simulate import SHEET
from replay_logs.stint import Stint, simulate

SEED = 11
PLAIN = StintSettings("plain", "One lap with nothing wrong.", timed_laps=1)
SPOILT = StintSettings(
    "spoilt",
    "One lap with a soft damper and sensor faults.",
    timed_laps=1,
    log_rate_hz=1000,
    platform_lowered_mm=(6.0, 6.0, 4.0, 4.0),
    damper_faults=(DamperFault("RL", scale=0.6, from_lap=1.0),),
    sensor_faults=(
        SensorFault("open_circuit", "FL", lap=1, lap_share=0.1, duration_s=3.0),
        SensorFault("short_circuit", "FR", lap=1, lap_share=0.2, duration_s=3.0),
        SensorFault("stuck", "RL", lap=1, lap_share=0.3, duration_s=3.0),
        SensorFault("spikes", "RR", lap=1, lap_share=0.4, duration_s=2.0, count=9),
        SensorFault("null_cells", "FR", lap=1, lap_share=0.5, duration_s=2.0, count=20),
        SensorFault("missing_rows", "", lap=1, lap_share=0.6, duration_s=1.5),
        SensorFault("step_offset", "FL", lap=1, lap_share=0.8, size_mm=8.0),
    ),
)

WINGED = StintSettings(
    "winged",
    "One lap with other downforce, in thinner air, on another road.",
    timed_laps=1,
    downforce_area_front_m2=0.6,
    downforce_area_rear_m2=2.2,
    air_density_kg_m3=1.1,
    road_seed=5,
)


@pytest.fixture(scope="session")
def sheet() -> Sheet:
    return load_sheet(SHEET)


@pytest.fixture(scope="session")
def all_stints(sheet: Sheet) -> list[Stint]:
    return simulate(sheet, [PLAIN, SPOILT, WINGED], SEED)


@pytest.fixture(scope="session")
def stints(all_stints: list[Stint]) -> tuple[Stint, Stint]:
    plain, spoilt, _ = all_stints
    return plain, spoilt


@pytest.fixture(scope="session")
def winged(all_stints: list[Stint]) -> Stint:
    return all_stints[2]
