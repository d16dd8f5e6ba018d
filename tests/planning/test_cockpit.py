"""Bolts against the limits entered."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pacer.planning.cockpit import cockpit_cautions
from pacer.workflow import make_plan
from tests.workflow.races import race

BOTH = {"clamp_torque_limit_nm": 10.0, "bar_torque_limit_nm": 8.0}


@pytest.mark.parametrize(
    ("torque", "told"),
    [(8.0, None), (5.6, None), (8.1, "over the 8 N·m"), (9.9, "over the 8 N·m"), (5.5, "may slip")],
)
def test_the_lower_of_two_limits_rules(torque: float, told: str | None) -> None:
    """With 10 N·m for the clamp and 8 for the handlebar, 8 is the limit, and under 5.6 a bolt is slack."""
    found = cockpit_cautions({**BOTH, "clamp_torque_nm": torque})
    if told is None:
        assert found == ()
    else:
        (sentence,) = found
        assert told in sentence
        assert "handlebar maker" in sentence


def test_each_kind_of_bolt_has_its_own_limit() -> None:
    """Extension, pad and stem bolts are each held to their maker's limit."""
    for name in ("extension", "pad", "stem"):
        table = {f"{name}_torque_nm": 7.0, f"{name}_torque_limit_nm": 5.0}
        (sentence,) = cockpit_cautions(table)
        assert f"The {name} bolts" in sentence
        assert "over the 5 N·m" in sentence


def test_a_missing_limit_is_told() -> None:
    """Tightened without any limit entered, or with one of two: said; no torque, nothing to say."""
    (sentence,) = cockpit_cautions({"clamp_torque_nm": 8.0})
    assert "no limit is entered" in sentence
    (sentence,) = cockpit_cautions({"clamp_torque_nm": 8.0, "clamp_torque_limit_nm": 9.0})
    assert "handlebar maker isn't entered" in sentence
    assert cockpit_cautions({**BOTH, "reach_mm": 480.0}) == ()
    assert cockpit_cautions({}) == ()


def test_a_bolt_over_its_limit_is_a_caution_of_the_plan() -> None:
    """The plan says it, and with it card and report, which print its cautions; the settings go along."""
    request = race("marnhythe-tt", part=(0.0, 5.0))
    table = {**BOTH, "clamp_torque_nm": 12.0}
    plan = make_plan(replace(request, extra={"cockpit": table}))
    assert any("12 N·m, over the 8 N·m" in caution for caution in plan.cautions)
    assert plan.inputs["cockpit"] == table
