"""The stints that are shipped, by name: one with nothing wrong, and four with one thing wrong each."""

from __future__ import annotations

from typing import Final

from replay_logs.settings import DamperFault, SensorFault, StintSettings

SHIPPED: Final[tuple[StintSettings, ...]] = (
    StintSettings("healthy", "Nothing wrong.", timed_laps=7),
    StintSettings(
        "rebound_misset",
        "The front left damper's rebound adjuster is far too soft from the start.",
        damper_faults=(DamperFault("FL", ("rebound",), scale=0.60),),
    ),
    StintSettings(
        "damper_fades",
        "The rear right damper loses a third of its force during lap 4.",
        timed_laps=9,
        damper_faults=(DamperFault("RR", scale=0.66, from_lap=4.0, over_laps=1.0),),
    ),
    StintSettings(
        "too_low",
        "The car was sent out 8 mm too low at the front dampers and 6 mm at the rear; the sensors kept their zero.",
        platform_lowered_mm=(8.0, 8.0, 6.0, 6.0),
    ),
    StintSettings(
        "sensor_faults",
        "Broken wire, stuck sensor, spikes, a slipped zero, missing rows and empty cells; the car is healthy.",
        log_rate_hz=1000,
        sensor_faults=(
            SensorFault("null_cells", "RL", lap=1, lap_share=0.30, duration_s=20.0, count=60),
            SensorFault("open_circuit", "RR", lap=2, lap_share=0.40, duration_s=9.0),
            SensorFault("stuck", "FL", lap=3, lap_share=0.25, duration_s=6.0),
            SensorFault("missing_rows", "", lap=3, lap_share=0.70, duration_s=2.0),
            SensorFault("spikes", "RL", lap=4, lap_share=0.50, duration_s=2.0, count=12),
            SensorFault("step_offset", "FR", lap=5, lap_share=0.35, size_mm=9.0),
        ),
    ),
)
