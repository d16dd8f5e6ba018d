"""Expected times are the plan's, and their bounds are what a ride with the stated errors gives."""

from __future__ import annotations

import numpy as np
import pytest

from pacer.planning.elasticity import time_elasticities
from pacer.planning.splits import expected_splits
from tests.render.sample import sample_plan, sample_time


def test_times_are_the_plans() -> None:
    """Each split lies on the plan's own time line, and the last is the finish."""
    plan = sample_plan()
    splits = expected_splits(plan, 5000.0)
    assert [round(s.distance_m) for s in splits] == [5000, 10000, 15000, 20000, 25000, 30000, 35000, 38861]
    assert splits[-1].time_s == pytest.approx(plan.totals.time_s)
    for split in splits:
        assert split.time_s == pytest.approx(
            np.interp(split.distance_m, plan.nodes.distance_m, plan.nodes.time_s)
        )
        assert split.early_s < split.time_s < split.late_s


@pytest.mark.parametrize(
    ("what", "factor"), [("power", 1.02), ("power", 0.98), ("drag", 1.03), ("drag", 0.97)]
)
def test_effects_against_a_ride(what: str, factor: float) -> None:
    """Riding with other power or drag changes the time by what the elasticities say, within a tenth."""
    ridden = sample_time(**{what: factor}) - sample_time()
    said = float(getattr(time_elasticities(sample_plan()), what).sum()) * (factor - 1.0)
    assert said == pytest.approx(ridden, rel=0.1)


def test_wind_against_a_ride() -> None:
    """Ten per cent more wind changes the time of the first, upwind, part as said, within a fifth."""
    said = float(time_elasticities(sample_plan()).wind.sum()) * 0.1
    assert said == pytest.approx(sample_time(wind=1.1) - sample_time(), abs=3.5)


def test_no_spread_no_bounds() -> None:
    """Without errors the bounds are the plan itself."""
    for split in expected_splits(sample_plan(), 10000.0, power_spread=0.0, drag_spread=0.0, wind_spread=0.0):
        assert split.early_s == split.time_s == split.late_s


@pytest.mark.parametrize("every", [0.0, -1.0, float("nan"), float("inf")])
def test_distances_that_make_no_sense(every: float) -> None:
    """A distance that isn't positive is a mistake of the programmer."""
    with pytest.raises(ValueError, match="positive"):
        expected_splits(sample_plan(), every)
