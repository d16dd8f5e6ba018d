"""The modelled force of a ride's windows, its derivatives, and the ride as the model would have ridden it.

Wind that the model doesn't know slows the rider: speed and the error of the force go together, and a plain
regression on the recorded speed would take drag for rolling resistance. The derivatives that weigh the
windows are therefore taken at the speed that the model itself rides with the recorded power (`replay`), which
the unknown wind hasn't touched: the method of instrumental variables [1].

References
----------
[1] Bowden RJ, Turkington DA (1984). Instrumental Variables. Cambridge University Press (from memory).
[2] Panofsky HA, Dutton JA (1984). Atmospheric Turbulence. Wiley: standard deviations of the wind components
    near the ground in neutral air, 2.4 u* along and 1.9 u* across the mean wind (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.air.wind import RIDER_HEIGHT, wind_components
from pacer.physics.forces import aerodynamic_force
from pacer.physics.rider import Setup
from pacer.physics.simulate import Machine, Road, Schedule, ride
from pacer.rides.prepare import Fate
from pacer.rides.signals import runs
from pacer.rides.windows import Windows
from pacer.units import GRAVITY, FloatArray

__all__ = ["LOCALS", "RideModel", "gust_intensity"]

LOCALS: Final = ("wind_east", "wind_north", "drift", "lag")
"""What each ride has of its own: the wind at the rider's height [m/s], the drift of the recorded elevation
[m/s], and by how much it comes late [s]."""

_DRIFT_SPREAD: Final = 4.0 / 3600.0
"""Standard deviation of a barometer's drift [m/s]: about half a hectopascal an hour; a design choice."""

_LAG_SPREAD: Final = 2.0
"""Standard deviation of the lag of recorded elevation [s]; a design choice."""

_TURBULENCE: Final = 1.6
"""Standard deviation of the wind over friction velocity, mean of along and across, [2]."""

_KARMAN: Final = 0.4


def gust_intensity(roughness_length: float) -> float:
    """Give the standard deviation of the wind at the rider's height over its mean, by the log law and [2]."""
    return _TURBULENCE * _KARMAN / math.log(RIDER_HEIGHT / roughness_length)


@dataclass(frozen=True, slots=True, eq=False)
class RideModel:
    """A ride's windows with what is needed to model them.

    Attributes
    ----------
    windows : Windows
    setup : Setup
    wind_prior : tuple of float
        Expected wind at the rider's height, towards east and north [m/s].
    wind_error : float
        Standard error of each component [m/s].
    intensity : float
        From `gust_intensity`.
    """

    windows: Windows
    setup: Setup
    wind_prior: tuple[float, float]
    wind_error: float
    intensity: float

    @property
    def has_heading(self) -> bool:
        """Whether the ride has positions, without which a wind can't be laid on the road."""
        return bool(np.isfinite(self.windows.steps.heading).any())

    @property
    def own_precision(self) -> FloatArray:
        """How well its own unknowns are known before the ride is looked at, one over variance, shape (4,)."""
        return np.array([self.wind_error, self.wind_error, _DRIFT_SPREAD, _LAG_SPREAD]) ** -2

    def wind(self, east: float, north: float) -> tuple[FloatArray, FloatArray]:
        """Headwind and crosswind of each step, shape (n - 1,) [m/s]."""
        heading = self.windows.steps.heading
        if not self.has_heading:
            return np.zeros_like(heading), np.zeros_like(heading)
        return wind_components(math.hypot(east, north), math.atan2(-east, -north), np.nan_to_num(heading))

    def air(self, east: float, north: float, speed: FloatArray | None = None) -> FloatArray:
        """Mean drag of one square metre in each window, gusts averaged in, shape (N,) [N].

        The mean over gusts is that of four equally likely gusts (±σ along, ±σ across), which is exact to
        second order.
        """
        steps = self.windows.steps
        v = steps.speed if speed is None else speed
        head, cross = self.wind(east, north)
        sigma = self.intensity * math.hypot(east, north)
        density = self.windows.density
        total = np.zeros_like(v)
        for along in (-sigma, sigma):
            for across in (-sigma, sigma):
                total += aerodynamic_force(v, head + along, cross + across, density, 1.0)
        return self.windows.mean(0.25 * total)

    def evaluate(
        self, crr: float, areas: FloatArray, local: FloatArray, speed: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Modelled force of each window and its derivatives.

        Parameters
        ----------
        crr : float
            Rolling-resistance coefficient.
        areas : FloatArray, shape (p,)
            Drag area of each position, wheels included [m²].
        local : FloatArray, shape (4,)
            In the order of `LOCALS`.
        speed : FloatArray, shape (n - 1,), optional
            Speed of each step to use instead of the recorded one.

        Returns
        -------
        force : FloatArray, shape (N,)
            [N].
        common : FloatArray, shape (N, 1 + p)
            By crr and the areas.
        own : FloatArray, shape (N, 4)
            By the locals.
        """
        w = self.windows
        east, north, drift, lag = local.tolist()
        area = areas[w.position]
        unit = self.air(east, north, speed)
        weight = self.setup.total_mass * GRAVITY
        rise, by_lag = w.rise_if_late(lag)
        drifting = -weight * w.duration / w.length
        h = 1e-3
        common = np.zeros((len(w), 1 + areas.size))
        common[:, 0] = w.rolling
        common[np.arange(len(w)), 1 + w.position] = unit
        own = np.zeros((len(w), len(LOCALS)))
        if self.has_heading:
            own[:, 0] = area * (self.air(east + h, north, speed) - self.air(east - h, north, speed)) / (2 * h)
            own[:, 1] = area * (self.air(east, north + h, speed) - self.air(east, north - h, speed)) / (2 * h)
        own[:, 2] = drifting
        own[:, 3] = weight * by_lag / w.length
        late = weight * rise / w.length
        return crr * w.rolling + area * unit + drift * drifting + late, common, own

    def replay(
        self, crr: float, areas: FloatArray, local: FloatArray, kept: npt.NDArray[np.bool_] | None = None
    ) -> FloatArray:
        """Speed of each step if the model rides the recorded power, shape (n - 1,) [m/s].

        Each unbroken stretch of kept steps starts at the recorded speed; other steps keep the recorded speed.
        """
        steps = self.windows.steps
        east, north, _, lag = local.tolist()
        head, cross = self.wind(east, north)
        grade = steps.grade_at(lag)
        bike = self.setup.bike
        machine = Machine(
            self.setup.total_mass, self.setup.inertial_mass, bike.drivetrain_efficiency, 1000.0, 500.0
        )
        area = areas[np.maximum(steps.position, 0)]
        speed = steps.speed.copy()
        usable = steps.fate == Fate.KEPT if kept is None else kept
        for a, b in runs(usable & (steps.length > 0.1)):
            road = Road(
                length=steps.length[a:b],
                grade=grade[a:b],
                density=self.windows.density[a:b],
                headwind=head[a:b],
                crosswind=cross[a:b],
                crr=np.full(b - a, crr),
            )
            schedule = Schedule(
                power=steps.power[a:b],
                drag_area=area[a:b],
                can_brake=np.zeros(b - a, dtype=np.bool_),
                speed_limit=np.full(b - a + 1, np.inf),
                start_speed=float(steps.node_speed[a]),
            )
            speed[a:b] = steps.length[a:b] / ride(road, machine, schedule).duration
        return speed
