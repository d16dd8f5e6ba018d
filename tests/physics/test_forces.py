"""The equation of motion against the published worked example, terminal speeds and its own derivatives."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pacer.physics.forces import (
    aerodynamic_curvature,
    aerodynamic_force,
    aerodynamic_slope,
    bearing_force,
    gravity_force,
    pedal_power,
    resisting_force,
    rolling_force,
)
from pacer.physics.rider import Bike, Rider, Setup, Skill
from tests.reference_tables import read_table
from tests.roads import (
    MARTIN_CDA,
    MARTIN_CRR,
    MARTIN_DENSITY,
    MARTIN_EFFICIENCY,
    MARTIN_INERTIA,
    MARTIN_RADIUS,
    MARTIN_WHEELS,
    weight_as,
)

_SPEED = 471.8 / 56.42
_GRADE = 0.003
_HEADWIND = 2.94 * math.cos(math.radians(310.0 - 340.0))
_INERTIAL_MASS = 90.0 + MARTIN_INERTIA / MARTIN_RADIUS**2


def worked_example() -> dict[str, float]:
    """Power at the wheel that each part of the worked example takes [W]."""
    mass = weight_as(90.0)
    area = MARTIN_CDA + MARTIN_WHEELS
    force = {
        # Its drag area is measured along the bicycle at the yaw of the run: the axial wind alone counts.
        "air": aerodynamic_force(_SPEED, _HEADWIND, 0.0, MARTIN_DENSITY, area),
        "rolling": rolling_force(mass, MARTIN_CRR, _GRADE),
        "bearings": bearing_force(_SPEED),
        "potential": gravity_force(mass, _GRADE),
        "kinetic": _INERTIAL_MASS * (8.45**2 - 8.28**2) / 2.0 / 471.8,
    }
    return {part: float(newtons) * _SPEED for part, newtons in force.items()}


@pytest.mark.parametrize(
    ("part", "watts"),
    [("air", 158.8), ("rolling", 23.6), ("bearings", 1.4), ("potential", 22.1), ("kinetic", 2.3)],
)
def test_parts_of_the_worked_example_of_1998(part: str, watts: float) -> None:
    """Each part is within 0.1 W of the printed one.

    Source: Martin et al. 1998, appendix, doi:10.1123/jab.14.3.276, as transcribed in two public test files.
    """
    assert worked_example()[part] == pytest.approx(watts, abs=0.1)


def test_total_of_the_worked_example_of_1998() -> None:
    """The whole is 213.3 W at the pedals, within 0.3 W (same source)."""
    total = sum(worked_example().values())
    assert float(pedal_power(1.0, total, MARTIN_EFFICIENCY)) == pytest.approx(213.3, abs=0.3)


def test_inertial_mass_counts_the_wheels() -> None:
    """0.14 kg m² on a radius of 0.311 m adds 1.4475 kg: 91.447 kg in the worked example."""
    rider = Rider(mass=82.0, critical_power=250.0, w_prime=2e4, max_power=700.0, skill=Skill.NEW)
    bike = Bike(
        mass=8.0,
        crr=MARTIN_CRR,
        drivetrain_efficiency=MARTIN_EFFICIENCY,
        wheel_inertia=MARTIN_INERTIA,
        wheel_radius=MARTIN_RADIUS,
        wheel_drag_area=MARTIN_WHEELS,
    )
    assert Setup(rider, bike, ()).inertial_mass == pytest.approx(91.447, abs=5e-4)


@pytest.mark.parametrize(("head", "cross", "ratio"), [(0, 5, 1.1180), (3, 4, 1.7682), (-3, 4, 0.5644)])
def test_wind_from_the_side(head: float, cross: float, ratio: float) -> None:
    """At 10 m/s, drag over that in still air is V (v + h) / v².

    Values by an independent script from that formula, to four decimals.
    """
    still = aerodynamic_force(10.0, 0.0, 0.0, 1.2, 0.3)
    assert float(aerodynamic_force(10.0, head, cross, 1.2, 0.3) / still) == pytest.approx(ratio, abs=5e-5)


def test_a_tailwind_faster_than_the_rider_pushes() -> None:
    """Drag has the sign of the air's way past the rider, and none where both go alike."""
    assert aerodynamic_force(5.0, -8.0, 0.0, 1.2, 0.3) == pytest.approx(-0.5 * 1.2 * 0.3 * 9.0)
    assert aerodynamic_force(5.0, -5.0, 3.0, 1.2, 0.3) == 0.0


@pytest.mark.parametrize("row", read_table("terminal_speed.csv"), ids=lambda r: f"{r['grade']}-{r['cda_m2']}")
def test_forces_balance_at_the_terminal_speed(row: dict[str, float]) -> None:
    """Coasting at the terminal speed of the table, only the bearings are left: 1 mm/s of speed."""
    common = {"grade": row["grade"], "headwind": 0.0, "crosswind": 0.0}
    common |= {"density": 1.225, "drag_area": row["cda_m2"], "mass": 80.0, "crr": 0.004}

    def left(speed: float) -> float:
        return float(resisting_force(speed, **common) - bearing_force(speed))

    assert left(row["speed"] - 1e-3) < 0.0 < left(row["speed"] + 1e-3)


def test_steepness_is_an_angle() -> None:
    """On a 100 % grade the road stands at 45°: weight and load on the tyres are both m g / √2."""
    weight = 80.0 * 9.80665 / math.sqrt(2.0)
    assert float(gravity_force(80.0, 1.0)) == pytest.approx(weight)
    assert float(gravity_force(80.0, -1.0)) == pytest.approx(-weight)
    assert float(rolling_force(80.0, 0.01, 1.0)) == pytest.approx(0.01 * weight)


_WINDS = st.floats(-15.0, 15.0)


@given(speed=st.floats(0.0, 25.0), head=_WINDS, cross=_WINDS)
def test_slope_and_curvature_are_the_drags_derivatives(speed: float, head: float, cross: float) -> None:
    """Central differences of force and slope agree with the closed forms, away from still air."""
    if math.hypot(speed + head, cross) < 0.5:
        return
    step = 1e-4
    around = np.array([speed - step, speed + step])
    force = aerodynamic_force(around, head, cross, 1.2, 0.3)
    slope = aerodynamic_slope(around, head, cross, 1.2, 0.3)
    found = (force[1] - force[0]) / (2.0 * step), (slope[1] - slope[0]) / (2.0 * step)
    assert found[0] == pytest.approx(float(aerodynamic_slope(speed, head, cross, 1.2, 0.3)), abs=1e-5)
    assert found[1] == pytest.approx(float(aerodynamic_curvature(speed, head, cross, 1.2, 0.3)), abs=1e-5)
