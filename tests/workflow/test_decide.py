"""Comparisons of whole races."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pacer.decide import Variant, compare_variants
from pacer.planning.comparing import Comparison, Difference
from pacer.workflow import Request
from tests.workflow.races import race


@pytest.fixture(scope="module")
def base() -> Request:
    """A short race on rolling roads in a wind."""
    return race("orlibeck-tri", laps=1)


@pytest.fixture(scope="module")
def comparison(base: Request) -> Comparison:
    """The race, and what people ask about it."""
    upright = tuple(p for p in base.setup.positions if p.hands_on_brakes)
    weak = replace(base.setup.rider, max_power=60.0, critical_power=50.0)
    bike = replace(base.setup.bike, crr=base.setup.bike.crr - 0.0005)
    variants = (
        Variant("the same", replace(base)),
        Variant("never tucked", replace(base, setup=replace(base.setup, positions=upright))),
        Variant("steady", base, steady=True),
        Variant("better tyres", replace(base, setup=replace(base.setup, bike=bike))),
        Variant("too weak", replace(base, setup=replace(base.setup, rider=weak))),
        Variant("two laps", race("orlibeck-tri", laps=2)),
    )
    return compare_variants("a race", Variant("as given", base), variants)


def _named(comparison: Comparison, label: str) -> Difference:
    return next(d for d in comparison.differences if d.label == label)


def test_the_same_race_differs_by_nothing(comparison: Comparison) -> None:
    """Comparing a race with itself gives zero everywhere along the road."""
    same = _named(comparison, "the same")
    assert same.seconds == 0.0
    assert np.all(same.gap == 0.0)


def test_shares_add_up_both_ways(comparison: Comparison) -> None:
    """Climbs, flat and descents make up the whole difference, and so do head-, side- and tailwind."""
    for label in ("never tucked", "steady", "better tyres"):
        difference = _named(comparison, label)
        shares = difference.shares
        assert shares is not None
        by_slope = shares.climb + shares.flat + shares.descent
        by_wind = shares.headwind + shares.sidewind + shares.tailwind
        assert by_slope == pytest.approx(difference.seconds, abs=1e-6)
        assert by_wind == pytest.approx(difference.seconds, abs=1e-6)
        assert difference.gap[-1] == pytest.approx(difference.seconds, abs=1e-6)


def test_a_choice_taken_away_never_helps(comparison: Comparison) -> None:
    """Without the tuck, or with one power for all roads, the same rider is slower."""
    assert _named(comparison, "never tucked").seconds > 10.0
    assert _named(comparison, "steady").seconds > 5.0


def test_steady_power_pays_the_same_budget(comparison: Comparison) -> None:
    """One constant power costs the body no more than the best ride does, and nearly as much."""
    steady = _named(comparison, "steady").outcome
    assert steady is not None
    assert 0.999 * comparison.base.body_power < steady.body_power <= comparison.base.body_power * 1.001


def test_the_price_foretells_a_small_change(comparison: Comparison) -> None:
    """Better tyres bring what the derivative promises, to 2 %, with positions and rules free to move."""
    promised = -0.0005 * comparison.sensitivity.crr
    assert _named(comparison, "better tyres").seconds == pytest.approx(promised, rel=0.02)


def test_what_cannot_be_ridden_is_told_in_its_row(comparison: Comparison) -> None:
    """A variant without a plan says which limit stands in the way; the others are compared all the same."""
    weak = _named(comparison, "too weak")
    assert weak.outcome is None
    assert "no plan meets the limits" in weak.why_not


def test_another_road_has_a_time_but_no_shares(comparison: Comparison) -> None:
    """Two laps against one: the time is told, places aren't compared."""
    two = _named(comparison, "two laps")
    assert two.outcome is not None
    assert two.outcome.seconds > 1.9 * comparison.base.seconds
    assert two.shares is None
    assert two.gap.size == 0
