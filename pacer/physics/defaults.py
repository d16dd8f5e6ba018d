"""A stated typical rider, for the parts of a rider file that are missing.

Every number is common practice with no source, apart from the drivetrain efficiency and the wheel
inertia [1].

References
----------
[1] Martin JC, Milliken DL, Cobb JE, McFadden KL, Coggan AR (1998). Validation of a mathematical model for
    road cycling power. J. Appl. Biomech. 14(3):276-291. doi:10.1123/jab.14.3.276 (its worked example)
"""

from __future__ import annotations

from typing import Final

from pacer.physics.rider import Bike, Position, Rider, Setup, Skill

__all__ = ["TYPICAL_ASSUMED", "TYPICAL_BIKE", "TYPICAL_POSITIONS", "TYPICAL_RIDER", "typical_setup"]

TYPICAL_RIDER: Final = Rider(
    mass=74.0, critical_power=250.0, w_prime=18_000.0, max_power=700.0, skill=Skill.NEW
)
"""An age-group rider with kit, taken as new to the aero bars: nobody said otherwise."""

TYPICAL_BIKE: Final = Bike(
    mass=9.0,
    crr=0.0045,
    drivetrain_efficiency=0.976,
    wheel_inertia=0.14,
    wheel_radius=0.334,
    wheel_drag_area=0.0,
)
"""A road bicycle with clip-on bars and everyday racing tyres (25-622)."""

TYPICAL_POSITIONS: Final = (
    Position(name="hoods", cda=0.36, power_factor=1.0, hands_on_brakes=True),
    Position(name="aero bars", cda=0.29, power_factor=0.97, hands_on_brakes=False, max_continuous=1500.0),
)
"""Hands on the hoods, and tucked on the clip-on bars."""

TYPICAL_ASSUMED: Final = (
    "No rider file was given: a typical rider of 74 kg with a critical power of 250 W, a W' of 18 kJ, a "
    "maximum of 700 W is assumed, and new to the aero bars, so that the strictest safety limits apply.",
    "The bicycle is assumed to weigh 9 kg with a rolling resistance of 0.0045.",
    "Drag areas are assumed: 0.36 m² on the hoods, 0.29 m² on the aero bars with 3 % less power.",
)
"""What a plan says when it is made for the typical rider."""


def typical_setup() -> Setup:
    """Give the stated typical rider with bicycle and positions."""
    return Setup(rider=TYPICAL_RIDER, bike=TYPICAL_BIKE, positions=TYPICAL_POSITIONS)
