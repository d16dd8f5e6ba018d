"""Sums over days, on made-up days whose truth is known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pacer.planning.ensemble import BestOfDay, DayAir, DayResult
from pacer.planning.outlook import (
    Choice,
    Sign,
    SignKind,
    choices_of,
    outlook_of,
    quantile,
    stable_share,
)
from pacer.render.outlook import sign_words

CELLS = 40
NODES = np.linspace(0.0, 4000.0, CELLS + 1)
SECONDS = np.full(CELLS, 10.0)


def _day(time: float, *, gust: float = 0.0, head: float = 0.0, holds: bool = True) -> DayResult:
    air = DayAir(np.full(CELLS, head, dtype=np.float32), np.full(CELLS, gust, dtype=np.float32))
    return DayResult(
        time=time,
        split_time=np.array([0.5 * time, time]),
        load=1.0,
        lowest_balance=5000.0,
        holds=holds,
        runs_out=not holds,
        scale=1.0,
        refused=np.zeros(CELLS, dtype=bool),
        air=air,
    )


def _best(tucked: np.ndarray, time: float = 400.0) -> BestOfDay:
    return BestOfDay(time, tucked)


def _choice(days: list[DayResult], bests: list[BestOfDay], planned: np.ndarray) -> Choice:
    """The one choice that these days leave, with a tenth of a second at stake in each cell."""
    (choice,) = choices_of(
        days, bests, nodes=NODES, seconds=SECONDS, planned=planned, stake=np.full(CELLS, 0.1)
    )
    return choice


def test_quantiles_of_known_numbers() -> None:
    """Quantiles interpolate between days, and days that never finish lie at the late end."""
    values = np.array([10.0, 20.0, 30.0, 40.0, 50.0])
    assert quantile(values, 0.0) == 10.0
    assert quantile(values, 0.5) == 30.0
    assert quantile(values, 0.95) == pytest.approx(48.0)
    assert quantile(np.array([1.0, 2.0, math.inf]), 0.5) == 2.0
    assert math.isinf(quantile(np.array([1.0, 2.0, math.inf]), 0.95))


def test_outlook_counts_and_bounds() -> None:
    """Shares are counts over days; splits have the bounds of their own times."""
    days = [_day(400.0 + k, holds=k < 75) for k in range(101)]
    bests = [_best(np.zeros(CELLS, dtype=bool)) for _ in days]
    found = outlook_of(days, bests, 450.0, np.array([2000.0, 4000.0]), np.array([225.0, 450.0]))
    assert (found.early, found.middle, found.late) == pytest.approx((405.0, 450.0, 495.0))
    assert found.holds == pytest.approx(75 / 101)
    assert found.runs_out == pytest.approx(26 / 101)
    assert found.splits[0].late == pytest.approx(247.5)
    assert found.splits[1].planned == 450.0
    assert found.regret == pytest.approx(37.0)  # mean of 0 to 74


def test_the_sign_that_decides_is_found() -> None:
    """Where the tuck is best exactly under 5 m/s of side gust, that limit is found and sorts every day."""
    gusts = np.linspace(2.0, 8.0, 50)
    days = [_day(400.0, gust=g, head=1.0) for g in gusts]
    stretch = (NODES[:-1] >= 1000.0) & (NODES[:-1] < 2000.0)
    bests = [_best(stretch & (g < 5.0)) for g in gusts]
    (choice,) = choices_of(
        days, bests, nodes=NODES, seconds=SECONDS, planned=stretch, stake=np.full(CELLS, 0.2)
    )
    assert (choice.start, choice.end) == (1000.0, 2000.0)
    assert choice.planned
    assert choice.tucked_share == pytest.approx(0.5)
    assert choice.stake == pytest.approx(2.0)
    assert choice.sign is not None
    assert choice.sign.kind is SignKind.GUST
    assert choice.sign.below
    assert choice.sign.limit == pytest.approx(5.0, abs=0.1)
    assert choice.sign.right == 1.0


def test_a_headwind_can_be_the_sign_and_its_sense_is_kept() -> None:
    """Where the tuck is best only against more than 2 m/s, the sign is the headwind, tucked above it."""
    rng = np.random.default_rng(2)
    heads = np.linspace(-1.0, 5.0, 60)
    days = [_day(400.0, gust=float(rng.uniform(2.0, 8.0)), head=h) for h in heads]
    bests = [_best(np.full(CELLS, h > 2.0)) for h in heads]
    choice = _choice(days, bests, np.ones(CELLS, dtype=bool))
    assert choice.sign is not None
    assert choice.sign.kind is SignKind.HEADWIND
    assert not choice.sign.below
    assert choice.sign.limit == pytest.approx(2.0, abs=0.1)


def test_a_wet_road_can_be_the_sign() -> None:
    """Where the tuck is best exactly on dry days, the road itself is the sign."""
    rng = np.random.default_rng(6)
    days, bests = [], []
    for k in range(40):
        day = _day(400.0, gust=float(rng.uniform(2.0, 8.0)), head=float(rng.uniform(-2.0, 4.0)))
        days.append(replace(day, air=replace(day.air, wet=k % 3 == 0)))
        bests.append(_best(np.full(CELLS, k % 3 != 0)))
    choice = _choice(days, bests, np.ones(CELLS, dtype=bool))
    assert choice.sign is not None
    assert choice.sign.kind is SignKind.WET
    assert choice.sign.right == 1.0
    assert sign_words(choice) == "tuck only on a dry road"


def test_no_sign_is_made_up() -> None:
    """Where the choice has nothing to do with the wind on the road, no sign is told."""
    rng = np.random.default_rng(4)
    days = [
        _day(400.0, gust=float(rng.uniform(2.0, 8.0)), head=float(rng.uniform(-2.0, 4.0))) for _ in range(200)
    ]
    bests = [_best(np.full(CELLS, rng.random() < 0.5)) for _ in days]
    choice = _choice(days, bests, np.ones(CELLS, dtype=bool))
    assert choice.sign is None


def test_what_is_alike_on_nine_days_of_ten_is_no_choice() -> None:
    """Cells tucked on 95 % or on 5 % of days are sure; only the rest is told, and counted in the share."""
    share = np.concatenate((np.full(20, 0.95), np.full(10, 0.5), np.full(10, 0.05)))
    bests = [_best(k / 100.0 < share) for k in range(100)]
    days = [_day(400.0, gust=3.0) for _ in bests]
    assert stable_share(bests, np.diff(NODES)) == pytest.approx(0.75)
    choice = _choice(days, bests, share > 0.5)
    assert (choice.start, choice.end) == (2000.0, 3000.0)


def test_a_day_without_a_plan_counts_for_the_time_alone() -> None:
    """Days whose own best is unknown are left out of the choices."""
    days = [_day(400.0), _day(410.0)]
    bests = [_best(np.ones(CELLS, dtype=bool)), None]
    assert stable_share(bests, np.diff(NODES)) == 1.0
    found = choices_of(
        days,
        bests,
        nodes=NODES,
        seconds=SECONDS,
        planned=np.ones(CELLS, dtype=bool),
        stake=np.zeros(CELLS),
    )
    assert found == ()


def test_gusts_never_ask_for_the_tuck() -> None:
    """Where more gust goes with the tuck, something else sorts the days: the answer is upright."""
    below, above = (
        Choice(0.0, 900.0, 0.6, True, 4.0, Sign(SignKind.GUST, tucked_below, 5.9, 0.9))
        for tucked_below in (True, False)
    )
    assert sign_words(below).startswith("tuck only while side gusts stay under 5.9 m/s (21 km/h)")
    assert "tuck" not in sign_words(above)
    assert "upright" in sign_words(above)
