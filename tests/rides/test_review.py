"""A ride against its plan: laid by position, parts that add up, causes that are the true ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pacer.errors import RideError
from pacer.rides.lay import lay_ride
from pacer.rides.prepare import Stretch
from pacer.rides.review import PARTS, review_ride
from pacer.rides.ridden import ridden_course, tuck_not_ridden
from tests.render.sample import sample_plan
from tests.rides.raced import Otherwise, race

PLAN = sample_plan()


@pytest.fixture(scope="module")
def as_planned():
    """The plan ridden exactly, reviewed."""
    return review_ride(race(PLAN, Otherwise()), PLAN)


@pytest.mark.parametrize(
    "how",
    [
        Otherwise(),
        Otherwise(power=0.93, noise=1.0),
        Otherwise(power_first_half=1.06, drag=1.05, stop=(9000.0, 40.0), brake=(25_500.0, 4.0), noise=1.0),
    ],
)
def test_the_parts_add_up_to_the_total(how):
    """Over all parts, segments and the whole: exactly the difference of the two times."""
    found = review_ride(race(PLAN, how), PLAN)
    assert set(found.parts_s) == set(PARTS)
    assert sum(found.parts_s.values()) == pytest.approx(found.ridden_s - found.planned_s, abs=1e-6)
    for segment in found.segments:
        assert sum(segment.parts_s.values()) == pytest.approx(segment.ridden_s - segment.planned_s, abs=1e-6)
    for name in PARTS:
        assert sum(s.parts_s[name] for s in found.segments) == pytest.approx(found.parts_s[name], abs=1e-6)
    assert sum(s.ridden_s for s in found.segments) == pytest.approx(found.ridden_s)
    assert found.gained_s[-1] == pytest.approx(found.ridden_s - found.planned_s)


def test_a_ride_as_planned_has_nothing_to_explain(as_planned):
    """The model's own ride differs by what its finer steps differ."""
    for name in ("power", "drag and wind", "braking", "stops"):
        assert abs(as_planned.parts_s[name]) < 3.0
    assert abs(as_planned.model_error) < 0.001


@pytest.mark.parametrize(
    ("how", "part"),
    [
        (Otherwise(power=1.05), "power"),
        (Otherwise(power=0.9), "power"),
        (Otherwise(drag=1.08), "drag and wind"),
        (Otherwise(drag=0.94), "drag and wind"),
    ],
)
def test_the_cause_is_the_true_one(as_planned, how, part):
    """What was changed in the ride explains its difference to the plan's own ride within 12 %."""
    found = review_ride(race(PLAN, how), PLAN)
    made = found.ridden_s - as_planned.ridden_s
    assert abs(made) > 50.0
    assert found.parts_s[part] == pytest.approx(made, rel=0.12)
    for other in {"power", "drag and wind", "braking"} - {part}:
        assert abs(found.parts_s[other]) < 0.08 * abs(made)


def test_a_stop_is_a_stop(as_planned):
    """Sixty seconds standing are stops; slowing to it and starting again is braking."""
    found = review_ride(race(PLAN, Otherwise(stop=(9000.0, 60.0))), PLAN)
    assert found.stopped_s == pytest.approx(60.0, abs=3.0)
    assert found.parts_s["stops"] == found.stopped_s
    rest = found.ridden_s - as_planned.ridden_s - found.stopped_s
    assert found.parts_s["braking"] == pytest.approx(rest, abs=4.0)
    (segment,) = [s for s in found.segments if s.start_m <= 9000.0 < s.end_m]
    assert segment.parts_s["stops"] == pytest.approx(60.0, abs=3.0)


def test_a_told_position_is_a_cause_of_its_own():
    """Riding the hoods where the plan was tucked: the position's drag is lost, the air shows no more."""
    upright = PLAN.cells.cda_m2.max() / PLAN.cells.cda_m2
    slow = replace(PLAN, cells=replace(PLAN.cells, cda_m2=PLAN.cells.cda_m2 * upright))
    ride = race(slow, Otherwise())
    found = review_ride(ride, PLAN, default="hoods")
    assert found.parts_s["position"] > 100.0
    assert abs(found.parts_s["drag and wind"]) < 0.05 * found.parts_s["position"]
    assert {s.ridden_position for s in found.segments} == {"hoods"}
    untold = review_ride(ride, PLAN)
    assert untold.parts_s["position"] == 0.0
    assert untold.parts_s["drag and wind"] == pytest.approx(found.parts_s["position"], rel=0.1)


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
@pytest.mark.parametrize(
    "how", [Otherwise(noise=1.0), Otherwise(drag=1.08, noise=1.0), Otherwise(power=0.93)]
)
def test_untold_positions_are_told_by_the_drag_where_it_can(share, how):
    """None, half or all of the tuck missing is seen within the stated range, whatever the air did."""
    area = PLAN.cells.cda_m2
    otherwise = replace(PLAN, cells=replace(PLAN.cells, cda_m2=area + share * (area.max() - area)))
    ride = race(otherwise, how)
    laid = lay_ride(ride, PLAN)
    found = tuck_not_ridden(PLAN, laid, ridden_course(PLAN, laid, ("",) * (laid.last - laid.first)))
    assert found is not None
    assert found.share == pytest.approx(share, abs=2.5 * found.error)
    assert found.error < 0.1
    assert found.seconds > 100.0
    (note,) = [n for n in review_ride(ride, PLAN).notes if "No positions were told" in n]
    assert ("agrees with the tuck" in note) == (share == 0.0)
    assert not any("No positions" in n for n in review_ride(ride, PLAN, default="hoods").notes)


def test_the_budget_is_judged_by_body_power(as_planned):
    """Fourth-power mean and W' of the ride as planned are the plan's."""
    assert as_planned.fourth_power_mean_w == pytest.approx(PLAN.totals.fourth_power_mean_w, rel=0.01)
    assert as_planned.min_w_balance_j == pytest.approx(PLAN.totals.min_w_balance_j, abs=400.0)
    harder = review_ride(race(PLAN, Otherwise(power=1.05)), PLAN)
    assert harder.fourth_power_mean_w == pytest.approx(1.05 * as_planned.fourth_power_mean_w, rel=0.01)
    assert harder.min_w_balance_j < as_planned.min_w_balance_j


def test_without_positions_it_is_laid_by_distance(as_planned):
    """The same ride without fixes gives the same segments within a second or two."""
    ride = race(PLAN, Otherwise())
    none = np.full(len(ride), np.nan)
    found = review_ride(replace(ride, latitude_deg=none, longitude_deg=none), PLAN)
    assert any("by distance" in note for note in found.notes)
    for a, b in zip(found.segments, as_planned.segments, strict=True):
        assert a.ridden_s == pytest.approx(b.ridden_s, abs=3.0)


def test_a_way_to_the_start_is_left_out():
    """Three kilometres to the start line before the race aren't reviewed."""
    ride = race(PLAN, Otherwise())
    n = 400
    away = np.linspace(3000.0, 0.0, n)
    degrees = away / 111_200.0
    before = {
        "time": ride.time[0] - np.arange(n, 0, -1.0),
        "distance": (3000.0 - away),
        "speed": np.full(n, 7.5),
        "latitude_deg": ride.latitude_deg[0] - degrees,
        "longitude_deg": np.full(n, ride.longitude_deg[0]),
        "power": np.full(n, 120.0),
    }
    joined = {}
    for name in (
        "time",
        "distance",
        "speed",
        "latitude_deg",
        "longitude_deg",
        "power",
        "elevation",
        "heart_rate",
        "cadence",
        "temperature",
    ):
        values = getattr(ride, name) + (3000.0 if name == "distance" else 0.0)
        joined[name] = np.concatenate((before.get(name, np.full(n, np.nan)), values))
    found = review_ride(replace(ride, **joined), PLAN)
    assert found.ridden_s == pytest.approx(ride.elapsed[-1], abs=5.0)


def test_half_a_ride_is_reviewed_as_far_as_it_goes():
    """A ride that ends early covers what it covers, and says so."""
    ride = race(PLAN, Otherwise())
    half = {
        name: getattr(ride, name)[: len(ride) // 2]
        for name in (
            "time",
            "distance",
            "speed",
            "latitude_deg",
            "longitude_deg",
            "power",
            "elevation",
            "heart_rate",
            "cadence",
            "temperature",
        )
    }
    found = review_ride(replace(ride, **half), PLAN)
    assert any("only km 0.0 to" in note for note in found.notes)
    assert found.distance_m[-1] < 0.6 * PLAN.nodes.distance_m[-1]
    assert sum(found.parts_s.values()) == pytest.approx(found.ridden_s - found.planned_s, abs=1e-6)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"power": np.nan}, "no power recorded"),
        ({"distance": np.nan}, "no speed or distance"),
        ({"latitude_deg": 10.0}, "isn't on the plan's course"),
    ],
)
def test_another_ride_is_refused(change, message):
    """No power, no distance, another road: one line each."""
    ride = race(PLAN, Otherwise())
    filled = {name: np.full(len(ride), value) for name, value in change.items()}
    with pytest.raises(RideError, match=message):
        lay_ride(replace(ride, **filled), PLAN)


def test_a_shorter_ride_without_positions_is_refused():
    """By distance alone only a ride of the same length can be laid."""
    ride = race(PLAN, Otherwise())
    none = np.full(len(ride), np.nan)
    with pytest.raises(RideError, match="as long as the plan's course"):
        lay_ride(replace(ride, latitude_deg=none, longitude_deg=none, distance=ride.distance * 0.8), PLAN)


def test_an_unknown_position_is_told():
    """A position that the plan doesn't have ends in one line."""
    with pytest.raises(RideError, match="found 'superman'"):
        review_ride(race(PLAN, Otherwise()), PLAN, [Stretch(0.0, 1000.0, "superman")])
