"""How the sheet's air becomes a density."""

from __future__ import annotations

import pytest

from dsp.air import density_of, moist_air_density_kg_m3
from ingest.sheet_air import Air


def test_a_given_density_is_taken() -> None:
    assert density_of(Air(density_kg_m3=1.18)) == (1.18, "given")


def test_the_weather_gives_a_density() -> None:
    density, how = density_of(Air(temperature_c=25.0, pressure_hpa=1013.25, humidity_percent=60.0))
    assert how == "from temperature, pressure and humidity"
    assert density == pytest.approx(1.175922, abs=5e-7)  # as in the published checks


def test_with_nothing_the_standard_atmosphere_is_assumed_and_said() -> None:
    assert density_of(Air()) == (1.225, "standard atmosphere assumed")


@pytest.mark.parametrize("temperature_c", [-30.0, 0.0, 20.0, 60.0])
@pytest.mark.parametrize("pressure_hpa", [500.0, 1100.0])
def test_density_falls_with_heat_and_damp_and_rises_with_pressure(temperature_c: float, pressure_hpa: float) -> None:
    here = moist_air_density_kg_m3(temperature_c, pressure_hpa, 50.0)
    assert 0.4 < here < 1.7
    assert moist_air_density_kg_m3(temperature_c + 1.0, pressure_hpa, 50.0) < here
    assert moist_air_density_kg_m3(temperature_c, pressure_hpa, 60.0) < here
    assert moist_air_density_kg_m3(temperature_c, pressure_hpa * 1.01, 50.0) > here
