"""Air density against published tables."""

from __future__ import annotations

import numpy as np
import pytest

from pacer.air.density import air_density, pressure_at_elevation, temperature_at_elevation
from tests.reference_tables import read_table

_MOIST = read_table("moist_air.csv")
_STANDARD = read_table("standard_atmosphere.csv")


@pytest.mark.parametrize("row", _MOIST, ids=lambda row: f"{row['temperature_c']:g}C")
def test_density_is_that_of_the_published_formula(row: dict[str, float]) -> None:
    """CIPM-2007 is met to 5 parts in a million, its table's rounding."""
    found = air_density(row["temperature_c"] + 273.15, row["pressure_pa"], row["relative_humidity"])
    assert float(found) == pytest.approx(row["cipm"], rel=5e-6)


@pytest.mark.parametrize("row", _MOIST, ids=lambda row: f"{row['temperature_c']:g}C")
def test_density_agrees_with_an_independent_formulation(row: dict[str, float]) -> None:
    """A formulation of humid air that shares no constant gives the same within 0.006 %."""
    found = air_density(row["temperature_c"] + 273.15, row["pressure_pa"], row["relative_humidity"])
    assert float(found) == pytest.approx(row["real_gas"], rel=6e-5)


def test_psychrometric_handbook_values() -> None:
    """Dry air of 20 °C weighs 1.204478 and at 70 % humidity 1.197144 kg/m³.

    Source: documentation of a public psychrometric package after the ASHRAE formulas.
    """
    assert float(air_density(293.15, 101325.0, 0.0)) == pytest.approx(1.204478, rel=1e-4)
    assert float(air_density(293.15, 101325.0, 0.7)) == pytest.approx(1.197144, rel=1e-4)


def test_humid_air_is_lighter() -> None:
    """Saturating air of 20 °C lowers its density by 0.87 %."""
    dry, wet = air_density(293.15, 101325.0, [0.0, 1.0])
    assert 1.0 - wet / dry == pytest.approx(0.0087, abs=1e-4)


@pytest.mark.parametrize("row", _STANDARD, ids=lambda row: f"{row['height_m']:g}m")
def test_standard_atmosphere(row: dict[str, float]) -> None:
    """Pressure and density of the standard column come back within 0.03 %.

    The table goes by geometric height, the function takes it for geopotential: at 3000 m that is 1.4 m,
    0.02 %.
    """
    temperature = temperature_at_elevation(288.15, 0.0, row["height_m"])
    assert float(temperature) == pytest.approx(row["temperature_k"], abs=0.01)
    pressure = pressure_at_elevation(101325.0, row["height_m"], temperature)
    assert float(pressure) == pytest.approx(row["pressure_pa"], rel=2e-4)
    # real-gas air is 0.04 % denser than the ideal gas of the standard at sea level
    density = float(air_density(temperature, pressure, 0.0))
    assert density == pytest.approx(row["density"], rel=6e-4)
    ideal = float(pressure) * 28.9644e-3 / (8.31432 * float(temperature))
    assert ideal == pytest.approx(row["density"], rel=3e-4)


def test_pressure_of_standard_column_by_geopotential_height() -> None:
    """At a geopotential height the standard's own closed formula is met to a millionth."""
    height = np.array([0.0, 250.0, 1000.0, 2500.0])
    expected = 101325.0 * (1.0 - 0.0065 * height / 288.15) ** 5.25588
    found = pressure_at_elevation(101325.0, height, 288.15 - 0.0065 * height)
    np.testing.assert_allclose(found, expected, rtol=1e-6)


def test_pressure_falls_with_height_and_less_when_warm() -> None:
    """A warm column is lighter: its pressure falls more slowly."""
    cold = pressure_at_elevation(101325.0, 1000.0, 268.15)
    warm = pressure_at_elevation(101325.0, 1000.0, 298.15)
    assert float(cold) < float(warm) < 101325.0
