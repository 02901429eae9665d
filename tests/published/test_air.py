"""Density of moist air against the formula's published constants and values, and against simpler laws."""

from __future__ import annotations

import math

import pytest

from dsp.air import STANDARD_DENSITY_KG_M3, moist_air_density_kg_m3, saturation_pressure_pa


@pytest.mark.parametrize(
    ("temperature_c", "pressure_hpa", "humidity_percent", "density_kg_m3"),
    [
        (20.0, 1013.25, 50.0, 1.199314),
        (15.0, 1013.25, 0.0, 1.225521),
        (20.0, 1013.25, 0.0, 1.204557),
        (25.0, 1013.25, 60.0, 1.175922),
        (30.0, 980.0, 70.0, 1.113613),
        (20.0, 1000.0, 50.0, 1.183557),
    ],
)
def test_cipm_2007(temperature_c: float, pressure_hpa: float, humidity_percent: float, density_kg_m3: float) -> None:
    # Picard, Davis, Glaeser & Fujii, Revised formula for the density of moist air (CIPM-2007), Metrologia 45 (2008)
    # 149: the constants are the paper's; the values were computed from it by an independent program.
    assert moist_air_density_kg_m3(temperature_c, pressure_hpa, humidity_percent) == pytest.approx(
        density_kg_m3, abs=5e-7
    )


def test_saturation_pressure() -> None:
    # The same paper, appendix A.1.1: about 2339 Pa at 20 C; computed: 2339.163.
    assert saturation_pressure_pa(20.0) == pytest.approx(2339.163, abs=5e-4)


@pytest.mark.parametrize(
    ("temperature_c", "pressure_hpa", "humidity_percent", "expected"),
    [(20.0, 1013.25, 50.0, 1.199294), (30.0, 980.0, 70.0, 1.113584)],
)
def test_the_approximation_used_for_weighing_agrees(
    temperature_c: float, pressure_hpa: float, humidity_percent: float, expected: float
) -> None:
    # OIML R 111-1 (2004), annex E, approximation (from memory): (0.34848 p - 0.009 h exp(0.061 t))/(273.15 + t).
    humid = 0.009 * humidity_percent * math.exp(0.061 * temperature_c)
    approximate = (0.34848 * pressure_hpa - humid) / (273.15 + temperature_c)
    assert approximate == pytest.approx(expected, abs=5e-7)
    # It is stated to be good to 2 parts in 10 000.
    assert moist_air_density_kg_m3(temperature_c, pressure_hpa, humidity_percent) == pytest.approx(
        approximate, rel=2e-4
    )


def test_an_ideal_mixture_is_a_little_lighter() -> None:
    # Gas constants 287.05287 (ISO 2533) and 461.523 J/(kg K): 1.198852 kg/m3 at the first state, 4e-4 below.
    vapour = 0.5 * saturation_pressure_pa(20.0)
    ideal = ((101325.0 - vapour) / 287.05287 + vapour / 461.523) / 293.15
    assert ideal == pytest.approx(1.198852, abs=2e-6)
    assert ideal / moist_air_density_kg_m3(20.0, 1013.25, 50.0) == pytest.approx(1.0 - 4e-4, abs=5e-5)


def test_standard_atmosphere() -> None:
    # ISO 2533:1975, sea level: 288.15 K, 101 325 Pa, 1.225 kg/m3; and the dynamic pressures that follow.
    assert pytest.approx(101325.0 / (287.05287 * 288.15), abs=1e-6) == STANDARD_DENSITY_KG_M3
    for speed_km_h, pressure_pa in ((100.0, 472.608), (200.0, 1890.432), (300.0, 4253.472)):
        assert 0.5 * STANDARD_DENSITY_KG_M3 * (speed_km_h / 3.6) ** 2 == pytest.approx(pressure_pa, abs=5e-4)


@pytest.mark.parametrize(
    ("height_m", "density_kg_m3", "ratio"),
    [(500.0, 1.16727, 0.95287), (1000.0, 1.11164, 0.90746), (2000.0, 1.00649, 0.82163)],
)
def test_dry_air_higher_up(height_m: float, density_kg_m3: float, ratio: float) -> None:
    # ISO 2533:1975, table of densities (.9529, .9075, .8217 of sea level); its formula from memory.
    kelvin = 288.15 - 0.0065 * height_m
    pressure_pa = 101325.0 * (kelvin / 288.15) ** 5.25588
    assert pressure_pa / (287.05287 * kelvin) == pytest.approx(density_kg_m3, abs=5e-6)
    assert density_kg_m3 / STANDARD_DENSITY_KG_M3 == pytest.approx(ratio, abs=1e-5)
    # The full formula knows what an ideal gas does not: half a part in a thousand.
    found = moist_air_density_kg_m3(kelvin - 273.15, pressure_pa / 100.0, 0.0)
    assert found == pytest.approx(density_kg_m3, rel=6e-4)
