"""The written plan ridden again from plan.json alone, by an adaptive integrator and equations stated anew."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from pacer.units import FloatArray
from tests.demo import RIDERS, demo_file, demo_plan


def column(file: dict[str, Any], table: str, name: str) -> FloatArray:
    """A column of the file, NaN where it holds null."""
    return np.array([math.nan if x is None else x for x in file[table][name]], dtype=np.float64)


def replay(file: dict[str, Any]) -> tuple[FloatArray, FloatArray]:
    """Speed and time at the cell ends, from the written power and brakes on the written cells."""
    model = file["model"]
    names = ("length_m", "grade", "air_density_kg_m3", "headwind_m_s", "crosswind_m_s", "crr", "cda_m2")
    table = [column(file, "cells", name) for name in (*names, "power_w", "brake_n")]
    weight = model["total_mass_kg"] * model["gravity_m_s2"]
    # At rest power would be an endless force: half the weight at most, from a creep.
    square = max(column(file, "nodes", "speed_m_s")[0], 0.05) ** 2
    speeds, times = [math.sqrt(square)], [0.0]
    for length, grade, density, head, cross, crr, area, power, brake in zip(*table, strict=True):
        theta = math.atan(grade)
        held = weight * (math.sin(theta) + crr * math.cos(theta)) + 0.091 + brake

        cell = (density * area / 2, head, cross, held, power)

        def rates(_s: float, state: FloatArray, c: tuple[float, ...] = cell) -> list[float]:
            k, h, side, steady, watts = c
            v = math.sqrt(max(state[0], 1e-6))
            push = min(model["drivetrain_efficiency"] * watts / v, 0.5 * weight)
            force = push - k * math.hypot(v + h, side) * (v + h) - 0.0087 * v - steady
            return [2.0 * force / model["inertial_mass_kg"], 1.0 / v]

        found = solve_ivp(rates, (0.0, length), [square, times[-1]], rtol=1e-8, atol=1e-8)
        square = found.y[0, -1]
        speeds.append(math.sqrt(max(square, 0.0)))
        times.append(float(found.y[1, -1]))
    return np.array(speeds), np.array(times)


REPLAYED: dict[str, tuple[FloatArray, FloatArray]] = {}


def replayed(name: str) -> tuple[FloatArray, FloatArray]:
    """Replay each route once."""
    if name not in REPLAYED:
        REPLAYED[name] = replay(demo_file(name))
    return REPLAYED[name]


@pytest.mark.parametrize("name", RIDERS)
def test_written_power_gives_written_times_and_speeds(name: str) -> None:
    """From start to finish: times within 0.01 % and speeds within 0.1 m/s (asked: 0.1 % and 0.2 m/s)."""
    file = demo_file(name)
    speed, time = replayed(name)
    assert time[-1] == pytest.approx(file["totals"]["time_s"], rel=1e-4)
    np.testing.assert_allclose(time, column(file, "nodes", "time_s"), atol=1e-4 * time[-1])
    np.testing.assert_allclose(speed[1:], column(file, "nodes", "speed_m_s")[1:], atol=0.1)


@pytest.mark.parametrize("name", RIDERS)
def test_the_budget_holds_on_the_replay(name: str) -> None:
    """Fourth-power mean at most 0.05 % over the budget, W' above its reserve, power under the maximum."""
    file, model = demo_file(name), demo_file(name)["model"]
    _, time = replayed(name)
    seconds = np.diff(time)
    body = column(file, "cells", "power_w") / column(file, "cells", "power_factor")
    mean = (float(body**4 @ seconds) / float(time[-1])) ** 0.25
    assert mean <= model["fourth_power_budget_w"] * 1.0005
    left, lowest = model["w_prime_j"], model["w_prime_j"]
    for watts, dt in zip(body, seconds, strict=True):
        excess = watts - model["critical_power_w"]
        if excess > 0.0:
            left -= excess * dt
        else:
            full = model["w_prime_j"]
            left = full - (full - left) * math.exp(excess * dt / full)
        lowest = min(lowest, left)
    assert lowest >= model["w_prime_reserve_j"] - 0.005 * model["w_prime_j"]
    assert lowest == pytest.approx(file["totals"]["min_w_balance_j"], abs=0.005 * model["w_prime_j"])
    assert column(file, "cells", "power_w").max() <= model["max_power_w"] + 0.5


@pytest.mark.parametrize("name", RIDERS)
def test_limits_hold_on_the_replay(name: str) -> None:
    """No limit, corner or cap of the tuck is passed by more than 0.1 m/s; no rule refuses a tucked cell."""
    file = demo_file(name)
    speed, _ = replayed(name)
    fast = np.maximum(speed[:-1], speed[1:])
    hands = {p["name"]: p["hands_on_brakes"] for p in file["inputs"]["positions"]}
    tucked = np.array([not hands[p] for p in file["cells"]["position"]])
    assert tucked.any()
    assert not np.any(tucked & ~np.array(file["cells"]["tuck_allowed"]))
    limit = column(file, "cells", "speed_limit_m_s")
    assert not np.any(fast > limit + 0.1)
    cap = column(file, "cells", "tuck_speed_limit_m_s")
    assert not np.any(tucked & (fast > cap + 0.1))
    safety = file["inputs"]["safety"]
    radius = column(file, "cells", "corner_radius_m")
    assert not np.any(np.maximum(fast - 0.1, 0.0) ** 2 / radius > safety["corner_lateral_g"] * 9.80665)
    tightest = column(file, "cells", "tightest_radius_m")
    assert not np.any(tightest > radius)
    assert not np.any(tucked & (tightest < safety["tuck_min_radius_m"]))
    assert not np.any(tucked & (-column(file, "cells", "grade") > safety["tuck_steepest_descent"]))
    gust = column(file, "cells", "gust_crosswind_m_s")
    assert not np.any(tucked & (gust > safety["tuck_gust_crosswind_m_s"]))
    brake = column(file, "cells", "brake_n")
    assert not np.any(tucked & (brake > 0.0))
    assert not np.any((brake > 0.0) & (column(file, "cells", "power_w") > 0.0))


@pytest.mark.parametrize("name", RIDERS)
def test_no_cell_is_tucked_inside_an_unsafe_stretch(name: str) -> None:
    """From where the hands must be back to the end of each unsafe stretch everything is upright."""
    file, plan = demo_file(name), demo_plan(name)
    start, length = column(file, "cells", "start_m"), column(file, "cells", "length_m")
    hands = {p["name"]: p["hands_on_brakes"] for p in file["inputs"]["positions"]}
    tucked = np.array([not hands[p] for p in file["cells"]["position"]])
    assert file["unsafe_to_tuck"]
    for stretch in file["unsafe_to_tuck"]:
        assert stretch["up_by_m"] <= stretch["start_m"] < stretch["end_m"]
        assert stretch["reasons"]
        inside = (start < stretch["end_m"] - 1e-3) & (start + length > stretch["up_by_m"] + 1e-3)
        assert not np.any(tucked & inside)
    assert len(plan.unsafe_to_tuck) == len(file["unsafe_to_tuck"])


@pytest.mark.parametrize("name", RIDERS)
def test_the_file_agrees_with_itself(name: str) -> None:
    """Node times, segment durations and the total add up; so do distances and the cells of segments."""
    file = demo_file(name)
    total = file["totals"]["time_s"]
    assert column(file, "nodes", "time_s")[-1] == pytest.approx(total, abs=0.01)
    assert sum(s["duration_s"] for s in file["segments"]) == pytest.approx(total, abs=0.05)
    ends = [s["end_m"] for s in file["segments"]]
    starts = [s["start_m"] for s in file["segments"]]
    assert starts[1:] == pytest.approx(ends[:-1], abs=0.01)
    assert ends[-1] == pytest.approx(file["totals"]["distance_m"], abs=0.01)
    segment = np.array(file["cells"]["segment"])
    power = np.array([s["power_w"] for s in file["segments"]])[segment]
    # A limit may bid less than the segment's number, never more.
    assert np.all(column(file, "cells", "power_w") <= power + 0.01)
    named = np.array([s["position"] for s in file["segments"]])[segment]
    assert named.tolist() == file["cells"]["position"]
