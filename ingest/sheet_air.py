"""The part of a car sheet about the air: its density, what counts as steady running, and driving regimes.

Each is a frozen pydantic model. Defaults are starting points (common practice, no source, unless a reason stands
beside the number); a wrong value raises pydantic's ValidationError, which `ingest.sheet` turns into lines.
"""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from ingest.sheet_parts import Part, Positive, within


class Air(Part):
    """The day's air: its density, or temperature, pressure and humidity from which it follows.

    With neither, the standard atmosphere at sea level is taken, and results say so.
    """

    density_kg_m3: Annotated[float, within(0.5, 1.6, "kg/m3", {"g/m3": 0.001})] | None = None
    # The range in which the CIPM-2007 formula is stated to hold is 600 to 1100 hPa and 15 to 27 C; a race meets
    # more, at some loss of accuracy that does not matter here.
    temperature_c: Annotated[float, within(-30.0, 60.0, "C", {})] | None = None
    pressure_hpa: Annotated[float, within(500.0, 1100.0, "hPa", {"Pa": 0.01, "bar": 1000.0})] | None = None
    humidity_percent: Annotated[float, Field(ge=0, le=100)] = 50.0

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.temperature_c is None) != (self.pressure_hpa is None):
            raise ValueError("give temperature_c and pressure_hpa both, or neither")
        if self.density_kg_m3 is not None and self.temperature_c is not None:
            raise ValueError("give either density_kg_m3, or temperature_c and pressure_hpa")
        if "humidity_percent" in self.model_fields_set and self.temperature_c is None:
            raise ValueError("humidity_percent says something only beside temperature_c and pressure_hpa")
        return self


class Regimes(Part):
    """What the car is doing: braking or cornering beyond these accelerations, otherwise straight running."""

    braking_above_m_s2: Positive = 3.0
    cornering_above_m_s2: Positive = 3.0


class DownforceSettings(Part):
    """Which stretches are steady enough to weigh the air with, and how many are needed."""

    # A stretch averages a few periods of the body (1 to 4 Hz) and many of the wheels.
    window_s: Annotated[float, Field(ge=0.1, le=5)] = 0.5
    slowest_m_s: Positive = 20.0
    most_lateral_m_s2: Positive = 5.0
    most_longitudinal_m_s2: Positive = 4.0
    most_damper_speed_mm_s: Positive = 150.0  # RMS over the stretch: kerbs and landings are not steady
    most_stop_share: Annotated[float, Field(ge=0, le=1)] = 0.3  # of the axle's load, carried by its bump stops
    least_windows: Annotated[int, Field(ge=8, le=10_000)] = 30
    # Fastest over slowest stretch: the dynamic pressure then differs by its square.
    least_speed_ratio: Annotated[float, Field(gt=1, le=5)] = 1.3
