"""The rider, the bicycle and the positions, as frozen parameter sets."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Bike", "Position", "Rider", "Setup", "Skill"]


class Skill(StrEnum):
    """How used the rider is to steering from the aero bars; sets the safety defaults."""

    NEW = "new"
    PRACTISED = "practised"
    EXPERT = "expert"


@dataclass(frozen=True, slots=True)
class Rider:
    """The engine: mass with kit [kg], critical power [W], W' [J], maximum power [W]."""

    mass: float
    critical_power: float
    w_prime: float
    max_power: float
    skill: Skill


@dataclass(frozen=True, slots=True)
class Bike:
    """The machine.

    Attributes
    ----------
    mass : float
        [kg].
    crr : float
        Rolling-resistance coefficient.
    drivetrain_efficiency : float
        Power at the rear wheel over power at the pedals.
    wheel_inertia : float
        Both wheels together [kg m²].
    wheel_radius : float
        [m].
    wheel_drag_area : float
        Spokes turning in the air, added to every position's drag area [m²].
    """

    mass: float
    crr: float
    drivetrain_efficiency: float
    wheel_inertia: float
    wheel_radius: float
    wheel_drag_area: float


@dataclass(frozen=True, slots=True)
class Position:
    """A way of sitting on the bicycle.

    Attributes
    ----------
    cda : float
        Drag area of rider and bicycle [m²].
    power_factor : float
        Power that can be sustained in it over that in the best position.
    hands_on_brakes : bool
        False makes the position "tucked": the safety rules are about these.
    max_continuous : float or None
        Longest comfortable stay [s].
    """

    name: str
    cda: float
    power_factor: float
    hands_on_brakes: bool
    max_continuous: float | None = None

    @property
    def tucked(self) -> bool:
        """Whether the hands are away from the brakes."""
        return not self.hands_on_brakes


@dataclass(frozen=True, slots=True)
class Setup:
    """Rider, bicycle and positions together; at least one position has the hands on the brakes."""

    rider: Rider
    bike: Bike
    positions: tuple[Position, ...]

    @property
    def total_mass(self) -> float:
        """Rider, kit and bicycle [kg]."""
        return self.rider.mass + self.bike.mass

    @property
    def inertial_mass(self) -> float:
        """Total mass plus the wheels' inertia over radius squared [kg]."""
        return self.total_mass + self.bike.wheel_inertia / self.bike.wheel_radius**2

    def drag_area(self, position: Position) -> float:
        """Drag area of a position with the turning wheels [m²]."""
        return position.cda + self.bike.wheel_drag_area
