"""Many days by whatever does the work: at once, in processes, on a cluster."""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import Executor

import numpy as np
import pytest

from pacer.air.weather import constant_weather
from pacer.cli.executors import AtOnce, open_executor
from pacer.days import live_through
from pacer.planning.members import Member, Spreads, draw_members
from pacer.planning.outlook import Ensemble
from pacer.planning.recheck import recheck
from pacer.render.outlook import outlook_json, outlook_summary
from pacer.workflow import Request
from tests.workflow.races import race

DAYS = draw_members(Spreads(wind_speed=0.4, critical_power=0.03), 40, 3)


@pytest.fixture(scope="module")
def request_() -> Request:
    """A short windy race."""
    return race("marnhythe-tt", part=(0.0, 6.0), effort=0.9, wind_speed_m_s=6.0, gust_m_s=9.5)


@pytest.fixture(scope="module")
def lived(request_: Request) -> Ensemble:
    """The days, lived through in this process."""
    return live_through(request_, DAYS, AtOnce(), split_every=2000.0)


@pytest.fixture(scope="module")
def processes() -> Iterator[Executor]:
    """Two processes."""
    with open_executor(2, None, 10) as executor:
        yield executor


def test_processes_give_the_same_numbers(request_: Request, lived: Ensemble, processes: Executor) -> None:
    """Two processes give every time and choice to the last bit, in the order of the days."""
    again = live_through(request_, DAYS, processes, split_every=2000.0)
    assert outlook_json(again) == outlook_json(lived)


def test_a_cluster_gives_the_same_numbers(request_: Request, lived: Ensemble) -> None:
    """A real local cluster of two workers, reached over its address, gives every number to the last bit."""
    from distributed import LocalCluster

    with (
        LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address=None,
            silence_logs=50,
        ) as cluster,
        open_executor(None, cluster.scheduler_address, 10) as executor,
    ):
        again = live_through(request_, DAYS, executor, split_every=2000.0)
        workers = len(cluster.workers)
    assert workers == 2
    assert outlook_json(again) == outlook_json(lived)


def test_same_seed_gives_the_same_quantiles(request_: Request, lived: Ensemble) -> None:
    """Drawn again from the same seed, bounds agree exactly; from another seed they differ a little."""
    days = draw_members(Spreads(wind_speed=0.4, critical_power=0.03), 40, 3)
    same = live_through(request_, days, AtOnce(), split_every=2000.0).outlook
    assert same == lived.outlook
    days = draw_members(Spreads(wind_speed=0.4, critical_power=0.03), 40, 4)
    other = live_through(request_, days, AtOnce(), split_every=2000.0).outlook
    assert other != lived.outlook
    assert other.middle == pytest.approx(lived.outlook.middle, rel=0.01)


def test_bounds_enclose_the_days(lived: Ensemble) -> None:
    """Nine days of ten lie between the early and the late bound, at the finish as at each split."""
    outlook = lived.outlook
    inside = (lived.times >= outlook.early) & (lived.times <= outlook.late)
    assert 0.85 <= inside.mean() <= 0.95
    assert outlook.splits[-1].late == pytest.approx(outlook.late)
    assert [split.distance for split in outlook.splits[:2]] == [2000.0, 4000.0]
    for split in outlook.splits:
        assert split.early < split.middle < split.late


def test_the_robust_plan_holds_on_the_days_it_says(lived: Ensemble) -> None:
    """It keeps the budget on 95 % of the days, where the plan doesn't, and that costs time."""
    robust = lived.robust
    assert robust is not None
    assert lived.outlook.holds < 0.95 <= robust.outlook.holds
    assert robust.outlook.runs_out <= lived.outlook.runs_out
    assert 0.8 < robust.share < 1.0
    assert robust.price == pytest.approx(robust.plan.totals.time_s - lived.plan.totals.time_s)
    assert robust.price > 0.0


def test_the_robust_plan_is_a_plan_like_any_other(request_: Request, lived: Ensemble) -> None:
    """The check from scratch finds nothing wrong with it."""
    assert lived.robust is not None
    assert recheck(lived.robust.plan, request_.limits) == ()


def test_the_robust_plan_sits_up_where_a_tuck_is_often_refused(request_: Request) -> None:
    """Where one day in ten is too gusty for the tuck, the robust plan isn't tucked although the plan is."""
    storm = constant_weather(wind_speed=9.0, wind_from=np.radians(340.0), gust=16.0)
    days = [Member(f"fair {k}") for k in range(18)] + [Member("storm", storm), Member("storm too", storm)]
    found = live_through(request_, days, AtOnce())
    assert found.robust is not None
    assert found.robust.plan.totals.tucked_time_share < 0.7 * found.plan.totals.tucked_time_share


def test_work_done_is_counted(request_: Request) -> None:
    """The caller is told how many of how many days are done, up to all of them."""
    told: list[tuple[str, int, int]] = []
    live_through(request_, DAYS[:10], AtOnce(), counted=lambda *step: told.append(step))
    first = [step for step in told if step[0] == told[0][0]]
    counts = [step[1] for step in first]
    assert counts == sorted(counts)
    assert counts[-1] == 10
    assert all(step[2] == 10 for step in told)


def test_outputs_say_what_was_found(lived: Ensemble) -> None:
    """The summary fits 80 columns and tells times, chances and the robust plan; the JSON holds every day."""
    text = outlook_summary(lived)
    assert max(map(len, text.splitlines())) <= 80
    for words in ("middle day", "Budget", "robust plan", "nine days of ten"):
        assert words in text
    found = json.loads(outlook_json(lived))
    assert len(found["days"]) == 40
    assert found["robust"]["budget_held_share"] >= 0.95
