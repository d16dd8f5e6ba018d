"""Rides with known truth: an invented rider on invented roads, ridden with the equation of motion.

The world is rougher than the estimator's model of it: gusts and slow changes of the wind, a rider whose power
wanders, coasting and braking, a power meter with noise and drift, a barometer with drift, lag, noise and
steps of 0.2 m, a speed sensor with noise. Many seeds are ridden at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np

from pacer.physics.forces import resisting_force
from pacer.rides.ride import Ride
from pacer.units import ZERO_CELSIUS

STEP = 0.5
METRES_PER_DEGREE = 111_320.0


@dataclass(frozen=True)
class Scenario:
    """What is ridden, by whom, in what air; `cda` by position name, `blocks` position by kilometre."""

    length: float = 40_000.0
    shape: str = "out and back"  # "out and back", "laps", "one way"
    hills: float = 1.0
    cda: tuple[tuple[str, float], ...] = (("hoods", 0.36), ("aero bars", 0.29))
    block: float = 2500.0
    crr: float = 0.0045
    mass: float = 83.0
    inertia: float = 1.25
    efficiency: float = 0.976
    density: float = 1.19
    wind_speed: float = 3.0
    wind_from: float = 0.7
    wind_spread: float = 0.0  # of each component of the mean wind, from ride to ride
    gustiness: float = 0.2
    power: float = 215.0
    power_swing: float = 0.15
    speed_noise: float = 0.10
    altitude_noise: float = 0.15
    altitude_drift: float = 1.5
    meter_noise: float = 0.015
    meter_drift: float = 0.005
    braking: bool = True
    drafts: tuple[tuple[float, float, float], ...] = ()  # from, to in metres; share of the drag left
    draft_power: float = 0.9  # the rider eases up in another's lee

    def positions(self) -> list[tuple[float, float, str]]:
        """Stretches (start, end, name) in metres, positions in turn."""
        names = [name for name, _ in self.cda]
        edges = np.arange(0.0, self.length + self.block, self.block)
        return [(a, b, names[i % len(names)]) for i, (a, b) in enumerate(pairwise(edges.tolist()))]


def road(scenario: Scenario, at: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Elevation, grade and heading of the invented road at distances."""
    s = at
    if scenario.shape == "out and back":
        half = scenario.length / 2.0
        s = np.where(at > half, scenario.length - at, at)
    elif scenario.shape == "laps":
        s = np.mod(at, 8000.0)
    waves = ((14.0, 8000.0, 0.3), (9.0, 4000.0, 1.1), (4.0, 1600.0, 2.0), (1.5, 800.0, 0.5))
    z = sum(scenario.hills * a * np.sin(2 * np.pi * s / w + p) for a, w, p in waves)
    # distances lie along the road, so that this is the sine of the slope
    sine = sum(scenario.hills * a * 2 * np.pi / w * np.cos(2 * np.pi * s / w + p) for a, w, p in waves)
    grade = sine / np.sqrt(1.0 - np.square(sine))
    heading = 0.9 + 0.35 * np.sin(2 * np.pi * s / 4000.0) + 0.15 * np.sin(2 * np.pi * s / 1000.0)
    if scenario.shape == "laps":
        heading = heading + 2 * np.pi * s / 8000.0
    if scenario.shape == "out and back":
        back = at > scenario.length / 2.0
        grade, heading = np.where(back, -grade, grade), np.where(back, heading + np.pi, heading)
    return 120.0 + z, grade, heading


def lee(scenario: Scenario, at: np.ndarray) -> np.ndarray:
    """Share of the drag that is left at distances."""
    left = np.ones_like(at)
    for start, end, share in scenario.drafts:
        left[(at >= start) & (at < end)] = share
    return left


def _wander(
    rng: np.random.Generator, sd: np.ndarray | float, memory: float, steps: int, n: int
) -> np.ndarray:
    """Ornstein-Uhlenbeck noise, shape (steps, n)."""
    from scipy.signal import lfilter

    keep = np.exp(-STEP / memory)
    white = rng.standard_normal((steps, n)) * np.sqrt(1 - keep**2)
    white[0] = rng.standard_normal(n)
    return np.asarray(sd * lfilter([1.0], [1.0, -keep], white, axis=0))


def _mean_wind(scenario: Scenario, seeds: int, first_seed: int) -> tuple[np.ndarray, np.ndarray]:
    """East and north component of each ride's mean wind, from a stream of its own."""
    blowing = -scenario.wind_speed * np.array([np.sin(scenario.wind_from), np.cos(scenario.wind_from)])
    drawn = np.random.default_rng(500 + first_seed).standard_normal((2, seeds))
    east, north = blowing[:, None] + scenario.wind_spread * drawn
    return east, north


def _force(speed: np.ndarray, *, drive: np.ndarray, brake: np.ndarray | float, **road: object) -> np.ndarray:
    return drive / np.maximum(speed, 1.0) - brake - resisting_force(speed, **road)  # type: ignore[arg-type]


def simulate(scenario: Scenario, seeds: int, first_seed: int = 1) -> list[Ride]:
    """Ride the scenario once for each seed."""
    rng = np.random.default_rng(first_seed)
    steps = int(scenario.length / 3.0 / STEP)
    mean_e, mean_n = _mean_wind(scenario, seeds, first_seed)
    k = np.hypot(mean_e, mean_n) * scenario.gustiness + 0.2
    gust_e = _wander(rng, k, 15.0, steps, seeds) + _wander(rng, 0.5 * k, 300.0, steps, seeds)
    gust_n = _wander(rng, k, 15.0, steps, seeds) + _wander(rng, 0.5 * k, 300.0, steps, seeds)
    swing = _wander(rng, scenario.power_swing, 40.0, steps, seeds) + _wander(rng, 0.06, 600.0, steps, seeds)
    effect = _wander(rng, 1.0, 60.0, steps, seeds)
    wind_e, wind_n = mean_e + gust_e, mean_n + gust_n

    lap = np.linspace(0.0, scenario.length, 8001)
    _, grade_table, heading_table = road(scenario, lap)
    names = [name for name, _ in scenario.cda]
    areas = np.array([area for _, area in scenario.cda])
    lee_table = lee(scenario, lap)
    # a gap that opens and closes; its own stream, so that rides without drafts stay as they were
    gap = (
        _wander(np.random.default_rng(900 + first_seed), 0.15, 20.0, steps, seeds)
        if scenario.drafts
        else None
    )
    v = np.full(seeds, 3.0)
    s = np.zeros(seeds)
    out: dict[str, list[np.ndarray]] = {key: [] for key in ("v", "s", "p", "active")}
    for i in range(steps):
        middle = s + 0.5 * STEP * v
        where = np.minimum(np.rint(middle / scenario.length * 8000).astype(int), 8000)
        grade, heading = grade_table[where], heading_table[where]
        index = np.minimum((middle / scenario.block).astype(int), 10_000) % len(names)
        head = -(wind_e[i] * np.sin(heading) + wind_n[i] * np.cos(heading))
        cross = -wind_e[i] * np.cos(heading) + wind_n[i] * np.sin(heading)
        wanted = scenario.power * np.maximum(1.0 + swing[i] + 6.0 * grade, 0.0)
        coasting = ((grade < -0.03) & (v > 13.0)) | (v > 17.0) | (effect[i] < -2.2)
        area = areas[index]
        if gap is not None:
            saved = (1.0 - lee_table[where]) * np.clip(1.0 + gap[i], 0.0, 1.5)
            area = area * (1.0 - saved)
            wanted = np.where(saved > 0.0, scenario.draft_power * wanted, wanted)
        power = np.where(coasting, 0.0, wanted)
        brake = np.where(coasting & (effect[i] > 1.4) & (v > 8.0), 60.0, 0.0) if scenario.braking else 0.0
        active = s < scenario.length - 1.0

        force = partial(
            _force,
            drive=scenario.efficiency * power,
            brake=brake,
            grade=grade,
            headwind=head,
            crosswind=cross,
            density=scenario.density,
            drag_area=area,
            mass=scenario.mass,
            crr=scenario.crr,
        )
        m = scenario.mass + scenario.inertia
        a1 = force(v) / m
        a2 = force(np.maximum(v + STEP * a1, 0.5)) / m
        new = np.maximum(v + 0.5 * STEP * (a1 + a2), 0.5)
        s = np.where(active, s + 0.5 * STEP * (v + new), s)
        v = np.where(active, new, v)
        for key, value in (("v", v), ("s", s), ("p", power), ("active", active)):
            out[key].append(np.broadcast_to(value, seeds).copy())
        if not active.any():
            break
    tables = {key: np.array(value) for key, value in out.items()}
    return [
        _record(scenario, tables, i, np.random.default_rng(7000 + first_seed * 1000 + i))
        for i in range(seeds)
    ]


def _record(scenario: Scenario, tables: dict[str, np.ndarray], i: int, rng: np.random.Generator) -> Ride:
    last = int(np.argmin(tables["active"][:, i])) or len(tables["active"])
    last -= last % 2
    v, s, p = (tables[key][:last, i] for key in ("v", "s", "p"))
    speed, along = v[1::2], s[1::2]
    power = p.reshape(-1, 2).mean(axis=1)
    n = speed.size
    z, _, _ = road(scenario, along)
    time = np.arange(1, n + 1, dtype=float)
    drift = np.interp(
        time, time[::60], _wander(rng, scenario.altitude_drift, 1800.0, 2 * n, 1)[1::2, 0][::60]
    )
    lagged = np.convolve(np.concatenate((np.full(4, z[0]), z)), np.full(5, 0.2), mode="valid")
    recorded_z = np.round((lagged + drift + scenario.altitude_noise * rng.standard_normal(n)) / 0.2) * 0.2
    scale = 1.0 + _wander(rng, scenario.meter_drift, 1200.0, 2 * n, 1)[1::2, 0]
    recorded_p = np.round(power * scale * (1.0 + scenario.meter_noise * rng.standard_normal(n)))
    recorded_v = np.maximum(np.round(speed + scenario.speed_noise * rng.standard_normal(n), 3), 0.0)
    fine = np.linspace(0.0, scenario.length, 8001)
    _, _, heading = road(scenario, fine)
    ds = fine[1]
    north = np.append(0.0, np.cumsum(np.cos(heading[:-1]) * ds))
    east = np.append(0.0, np.cumsum(np.sin(heading[:-1]) * ds))
    latitude = 0.5 + np.interp(along, fine, north) / METRES_PER_DEGREE
    longitude = -30.0 + np.interp(along, fine, east) / METRES_PER_DEGREE
    return Ride(
        name=f"simulated {i}",
        source=f"simulated-{i}",
        time=1.8e9 + time,
        distance=along - along[0],
        speed=recorded_v,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation=recorded_z,
        power=np.maximum(recorded_p, 0.0),
        heart_rate=np.full(n, np.nan),
        cadence=np.where(power > 0, 88.0, 0.0),
        temperature=np.full(n, ZERO_CELSIUS + 20.0),
    )


def flat(scenario: Scenario) -> Scenario:
    """Give the same without hills."""
    return replace(scenario, hills=0.0)
