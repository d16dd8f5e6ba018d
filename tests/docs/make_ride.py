"""The ride of the tutorial: `orlibeck-tri` ridden from its plan, on a day that went otherwise.

Run as `python -m tests.docs.make_ride FOLDER` it writes `orlibeck-ride.csv`. The plan is made from the demo
files; the ride is stepped through time (a quarter of a second), so that neither the optimiser nor the plan's
own simulation is used. What went otherwise, and is therefore known, stands in `TRUTH`.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from pacer.physics.forces import resisting_force
from pacer.planning.plan import Plan
from pacer.workflow import make_plan
from tests.demo import demo_request

STEP: Final = 0.25
BRAKING: Final = 2.5
METRES_PER_DEGREE: Final = 111_320.0


@dataclass(frozen=True)
class Truth:
    """What is true of the day."""

    cda: tuple[tuple[str, float], ...] = (("hoods", 0.365), ("aero bars", 0.300))
    crr: float = 0.0045
    wind: float = 1.08
    eager_until_m: float = 8000.0
    eager: float = 1.07
    tired_from_m: float = 28000.0
    tired: float = 0.96
    upright_m: tuple[float, float] = (31_200.0, 33_900.0)
    stop_m: float = 37_990.0
    stop_s: float = 21.0


TRUTH: Final = Truth()


class _Road:
    """The cells of the plan, looked up by distance."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.ends = plan.nodes.distance_m[1:]
        self.length = float(self.ends[-1])
        cells = plan.cells
        slowed = (cells.brake_n > 0.0) | np.isfinite(cells.corner_radius_m) & (cells.corner_radius_m < 60.0)
        self.cap = np.where(np.isfinite(cells.speed_limit_m_s), cells.speed_limit_m_s, np.inf)
        self.cap[slowed] = plan.nodes.speed_m_s[1:][slowed] + 0.3

    def cell(self, at: float) -> int:
        return min(int(np.searchsorted(self.ends, at, side="right")), self.ends.size - 1)


def _wandering(rng: np.random.Generator, size: float, memory: float, n: int, step: float) -> np.ndarray:
    """Noise that forgets itself over `memory` seconds."""
    keep = np.exp(-step / memory)
    fresh = rng.standard_normal(n) * size * np.sqrt(1.0 - keep**2)
    out = np.empty(n)
    value = 0.0
    for i in range(n):
        value = keep * value + fresh[i]
        out[i] = value
    return out


def _mood(truth: Truth, at: float) -> float:
    if at < truth.eager_until_m:
        return truth.eager
    return truth.tired if at > truth.tired_from_m else 1.0


def ride(plan: Plan, truth: Truth, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Step through time; one row a second of true distance, speed, power and cell."""
    road, cells, model = _Road(plan), plan.cells, plan.model
    most = int(8000.0 / STEP)
    gust, swing = _wandering(rng, 0.18, 20.0, most, STEP), _wandering(rng, 0.05, 15.0, most, STEP)
    area = dict(truth.cda)
    at, speed, pause = 0.0, max(float(plan.nodes.speed_m_s[0]), 0.5), truth.stop_s
    rows: list[tuple[float, float, float, float]] = []
    for i in range(most):
        c = road.cell(at)
        name = str(cells.position[c])
        if truth.upright_m[0] <= at < truth.upright_m[1]:
            name = "hoods"
        power = float(cells.power_w[c]) * _mood(truth, at) * (1.0 + swing[i])
        stopping = pause > 0.0 and truth.stop_m - at < 0.5 * speed**2 / 1.5 + 0.5
        if stopping:
            power = 0.0
        push = min(model.drivetrain_efficiency * power / max(speed, 0.8), 200.0)
        wind = truth.wind + gust[i]
        force = push - float(
            resisting_force(
                speed,
                grade=cells.grade[c],
                headwind=cells.headwind_m_s[c] * wind,
                crosswind=cells.crosswind_m_s[c] * wind,
                density=cells.air_density_kg_m3[c],
                drag_area=area[name],
                mass=model.total_mass_kg,
                crr=truth.crr * cells.crr[c] / 0.0045,
            )
        )
        new = max(speed + STEP * force / model.inertial_mass_kg, 0.5)
        if new > road.cap[c]:
            new, power = max(road.cap[c], speed - STEP * BRAKING), 0.0
        if stopping:
            new = max(speed - STEP * 1.5, 0.0)
            if new == 0.0:
                pause -= STEP
        at += STEP * 0.5 * (speed + new)
        speed = new
        rows.append((at, speed, power, c))
        if at >= road.length:
            break
    table = np.array(rows)
    whole = table[: len(table) // 4 * 4].reshape(-1, 4, 4)
    return {
        "at": whole[:, -1, 0],
        "speed": whole[:, -1, 1],
        "power": whole[:, :, 2].mean(axis=1),
    }


def _heart_rate(power: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    rate, out = 118.0, []
    for watts in power:
        rate += (92.0 + 0.31 * watts - rate) / 35.0
        out.append(rate)
    drift = np.linspace(0.0, 5.0, power.size)
    return np.rint(np.array(out) + drift + _wandering(rng, 1.2, 30.0, power.size, 1.0))


def record(plan: Plan, true: dict[str, np.ndarray], rng: np.random.Generator) -> str:
    """What a device makes of it: a CSV file, one record a second."""
    cells, n = plan.cells, true["at"].size
    middle = cells.start_m + 0.5 * cells.length_m
    north, east = (_wandering(rng, 1.2, 15.0, n, 1.0) for _ in range(2))
    latitude = np.interp(true["at"], middle, cells.latitude_deg) + north / METRES_PER_DEGREE
    shrink = np.cos(np.radians(latitude))
    longitude = np.interp(true["at"], middle, cells.longitude_deg) + east / (METRES_PER_DEGREE * shrink)
    height = np.interp(true["at"], middle, cells.elevation_m)
    height = height + _wandering(rng, 1.0, 1500.0, n, 1.0) + 0.1 * rng.standard_normal(n)
    meter = 1.0 + _wandering(rng, 0.005, 1200.0, n, 1.0) + 0.012 * rng.standard_normal(n)
    power = np.rint(np.maximum(true["power"] * meter, 0.0))
    speed = np.maximum(true["speed"] + np.where(true["speed"] > 0.3, 0.05 * rng.standard_normal(n), 0.0), 0.0)
    rate = _heart_rate(power, rng)
    lines = [
        "# Simulated by tests/docs/make_ride.py; nobody rode this.",
        "time_s,latitude_deg,longitude_deg,elevation_m,distance_m,speed_m_s,power_w,heart_rate_bpm",
    ]
    lines += [
        f"{i},{latitude[i]:.6f},{longitude[i]:.6f},{round(height[i] * 5) / 5:.1f},{true['at'][i]:.0f},"
        f"{speed[i]:.2f},{power[i]:.0f},{rate[i]:.0f}"
        for i in range(n)
    ]
    return "\n".join(lines) + "\n"


def make_ride() -> str:
    """The file's text."""
    rng = np.random.default_rng(20260614)
    plan = make_plan(demo_request("orlibeck-tri"))
    return record(plan, ride(plan, TRUTH, rng), rng)


if __name__ == "__main__":
    (Path(sys.argv[1]) / "orlibeck-ride.csv").write_text(make_ride(), encoding="utf-8", newline="\n")
