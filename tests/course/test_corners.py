"""Corners: all found, few invented, and their radius true or assumed tight."""

import numpy as np
import pytest

from pacer.course.arcs import fit_arcs
from pacer.course.build import build_course
from pacer.course.track import CornerKind
from tests.course import truth as t
from tests.course.measure import make, score_corners

ONE_METRE = "1 m position, 0.5 m elevation"


@pytest.fixture(scope="module")
def scored():
    """Score the corners of one case, once."""
    known = {}

    def score(road, file, fault, seed):
        key = road, file, fault, seed
        if key not in known:
            truth, raw = make(*key)
            course = build_course(raw)
            known[key] = (*score_corners(course, truth), truth)
        return known[key]

    return score


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("file", ["recorded each second", "a point every 8 m", "planned, 20 to 50 m"])
@pytest.mark.parametrize("road", ["mountain", "out-and-back", "country"])
def test_every_hairpin_dead_turn_and_junction_is_found(scored, road, file, seed):
    """Under 1 m of position and 0.5 m of elevation noise not one tight corner is missed."""
    scores, _, _ = scored(road, file, ONE_METRE, seed)
    tight = [k for k in scores if k in (CornerKind.HAIRPIN, CornerKind.DEAD_TURN, CornerKind.CORNER)]
    assert tight
    for kind in tight:
        assert all(scores[kind].found), kind


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("road", ["mountain", "country"])
def test_bends_are_found_and_few_corners_invented(scored, road, seed):
    """At least 95 % of the bends are found, and at most one corner in 15 km isn't there."""
    scores, wrong, _ = scored(road, "recorded each second", ONE_METRE, seed)
    assert np.mean(scores[CornerKind.BEND].found) >= 0.95
    assert len(wrong) <= 1


def test_without_noise_radii_are_close_and_nothing_is_invented(scored):
    """On clean points the median radius is right to 4 %, and the tightest is never above the true one."""
    for road in ("mountain", "country"):
        scores, wrong, _ = scored(road, "a point every 8 m", "none", 0)
        assert wrong == []
        for score in scores.values():
            likely, tightest = (np.array(x)[score.measured] for x in (score.ratio, score.tightest))
            assert np.median(likely) == pytest.approx(1.0, abs=0.04)
            assert tightest.max() < 1.02
            assert np.percentile(tightest, 10) > 0.75


def test_hairpin_radius_is_true_under_noise(scored):
    """The median hairpin is right to 5 % under 1 m of noise; the tightest 80 to 100 %, few over 110 %."""
    scores = [
        scored("mountain", "recorded each second", ONE_METRE, seed)[0][CornerKind.HAIRPIN]
        for seed in range(3)
    ]
    assert np.median(np.concatenate([s.ratio for s in scores])) == pytest.approx(1.0, abs=0.05)
    tightest = np.concatenate([s.tightest for s in scores])
    assert 0.8 < np.median(tightest) <= 1.0
    assert np.mean(tightest < 1.1) >= 0.9
    assert np.mean(tightest > 0.7) >= 0.9


def test_corners_that_are_not_measured_are_assumed_tight(scored):
    """Where points are too coarse or noisy the hands count on less than the true radius."""
    for file in ("planned, 20 to 50 m", "recorded each second"):
        scores, _, _ = scored("country", file, ONE_METRE, 1)
        for score in scores.values():
            tightest = np.array(score.tightest)[~np.array(score.measured, dtype=bool)]
            assert np.all(tightest < 1.0)


@pytest.mark.parametrize("file", ["recorded each second", "a point every 8 m"])
@pytest.mark.parametrize("road", ["mountain", "country"])
def test_few_radii_are_above_the_true_one(scored, road, file):
    """Under 1 m of noise 15 in 100 corners at most are tighter than the tightest given, 5 by a tenth."""
    ratio = np.concatenate(
        [s.tightest for seed in range(4) for s in scored(road, file, ONE_METRE, seed)[0].values()]
    )
    assert np.mean(ratio > 1.0) <= 0.15
    assert np.mean(ratio > 1.1) <= 0.05


@pytest.mark.parametrize("file", ["recorded each second", "a point every 8 m"])
@pytest.mark.parametrize("road", ["mountain", "country"])
def test_the_speeds_of_corners_are_right_on_the_whole(scored, road, file):
    """Under 1 m of noise speeds by the expected radius are right to 5 % on average, most to 20 %."""
    ratio = np.sqrt(
        np.concatenate(
            [s.ratio for seed in range(4) for s in scored(road, file, ONE_METRE, seed)[0].values()]
        )
    )
    assert np.mean(ratio) == pytest.approx(1.0, abs=0.05)
    assert np.mean(np.abs(ratio - 1.0) < 0.2) >= 0.9


def test_the_tightest_radius_is_apart_where_points_are_few():
    """It is never above the expected; near it where that is measured, and far below elsewhere."""
    _, raw = make("mountain", "a point every 8 m", ONE_METRE, 0)
    corners = build_course(raw).corners
    assert all(c.tightest <= c.radius for c in corners)
    assert all(c.tightest > 0.6 * c.radius for c in corners if c.measured)
    assert any(c.tightest < 0.6 * c.radius for c in corners if not c.measured)


def test_kinds_are_told_apart(scored):
    """A hairpin is a hairpin, a turn about on one road a dead turn, a junction a corner."""
    for road, file in (("mountain", "recorded each second"), ("out-and-back", "recorded each second")):
        scores, _, _ = scored(road, file, ONE_METRE, 0)
        for kind in (CornerKind.HAIRPIN, CornerKind.DEAD_TURN, CornerKind.CORNER):
            if kind in scores:
                assert np.mean(scores[kind].kind_right) >= 0.9


def course_of(pieces, *, at=None, noise=0.0, seed=0, spacing=8.0):
    """Build a flat course of some pieces."""
    truth = t.build(pieces)
    rng = np.random.default_rng(seed)
    at = np.append(np.arange(0.0, truth.s[-1] - 3.0, spacing), truth.s[-1]) if at is None else at
    return truth, build_course(t.track(truth, at, rng, position_noise=noise))


@pytest.mark.parametrize(("noise", "most"), [(0.0, 0), (1.0, 0), (3.0, 8)])
def test_a_straight_road_has_no_corners(noise, most):
    """Noise of a metre makes no corners on 20 km of straight road, noise of 3 m a few."""
    _, course = course_of([t.straight(20_000.0)], noise=noise)
    assert len(course.corners) <= most


@pytest.mark.parametrize("seed", range(4))
def test_one_point_that_is_off_makes_no_corner(seed):
    """A fix 7 m beside a straight road under 1 m of noise makes no turns of 40 to 110° and back."""
    xy = np.column_stack((np.zeros(160), 9.0 * np.arange(160)))
    xy += np.random.default_rng(seed).normal(0.0, 1.0, xy.shape)
    xy[80, 0] += 7.0
    assert all(abs(np.degrees(c.turn)) < 20.0 for c in build_course(t.raw(xy, np.full(160, 10.0))).corners)


@pytest.mark.parametrize("seed", range(3))
def test_a_wide_bend_is_measured_whole(seed):
    """A bend of 220 m radius under 1 m of noise is one corner with all of its turn, not two halves."""
    pieces = [t.straight(400.0), t.arc(220.0, 50.0), t.straight(400.0)]
    _, course = course_of(pieces, noise=1.0, seed=seed, spacing=9.0)
    bend = course.corners[0]
    assert np.degrees(bend.turn) == pytest.approx(50.0, rel=0.15)
    assert bend.radius == pytest.approx(220.0, rel=0.15)
    assert bend.measured


@pytest.mark.parametrize("seed", range(6))
def test_the_line_swings_out_beside_a_hairpin_and_no_corner_is_there(seed):
    """Long straights and one hairpin under 1 m of noise, a point every 8 m: one corner."""
    pieces = [t.straight(300.0), t.arc(9.0, 170.0), t.straight(300.0)]
    _, course = course_of(pieces, noise=1.0, seed=seed)
    assert [c.kind for c in course.corners] == [CornerKind.HAIRPIN]


@pytest.mark.parametrize("seed", range(6))
def test_a_slight_bend_before_a_hairpin_is_a_corner_of_its_own(seed):
    """The road does turn the other way by 30° on 12 m there: both are found under 0.3 m of noise."""
    pieces = [t.straight(300.0), t.arc(12.0, -30.0), t.straight(14.0), t.arc(9.0, 170.0), t.straight(300.0)]
    _, course = course_of(pieces, noise=0.3, seed=seed, spacing=6.0)
    first, second = course.corners
    assert first.turn < 0.0 < second.turn


def test_turning_about_on_the_very_line_is_a_dead_turn():
    """A planner's line that runs back over itself turns about on an assumed radius of 3 m."""
    out = np.column_stack((np.zeros(41), 40.0 * np.arange(41)))
    xy = np.concatenate((out, out[-2::-1]))
    (corner,) = build_course(t.raw(xy, np.full(81, 10.0))).corners
    assert corner.kind is CornerKind.DEAD_TURN
    assert corner.radius == 3.0
    assert not corner.measured
    assert corner.apex == pytest.approx(1600.0, abs=10.0)


def test_a_junction_drawn_by_one_point_is_a_tight_corner():
    """One vertex of 90° between straights of 45 m: found, not measured, 6 m or hardly more."""
    leg = np.column_stack((np.zeros(12), 45.0 * np.arange(12)))
    xy = np.concatenate((leg, [[45.0 * (i + 1), leg[-1, 1]] for i in range(12)]))
    (corner,) = build_course(t.raw(xy, np.full(24, 10.0))).corners
    assert corner.turn == pytest.approx(np.pi / 2, abs=0.1)
    assert corner.kind is CornerKind.CORNER
    assert not corner.measured
    assert corner.tightest == 6.0
    assert corner.radius < 7.0


def test_a_chicane_has_two_corners_of_opposite_hand():
    """Right, then left: both found with their radius."""
    pieces = [t.straight(300), t.arc(25, 60), t.straight(30), t.arc(25, -60), t.straight(300)]
    _, course = course_of(pieces, spacing=6.0)
    right, left = course.corners
    assert right.turn > 0.8
    assert left.turn < -0.8
    assert right.radius == pytest.approx(25.0, rel=0.15)
    assert left.radius == pytest.approx(25.0, rel=0.15)


@pytest.mark.parametrize("out_deg", [0.0, 90.0, 180.0])
def test_a_roundabout_is_told(out_deg):
    """Straight over, to the far side, and right round: called a roundabout, on at most its radius."""
    _, course = course_of(
        [t.straight(300), *t.roundabout(15.0, out_deg=out_deg), t.straight(300)], spacing=5.0
    )
    round_ = [c for c in course.corners if c.kind is CornerKind.ROUNDABOUT]
    assert len(round_) == 1
    assert round_[0].radius < 1.15 * 15.0


@pytest.mark.parametrize(("noise", "least"), [(0.5, 0.98), (1.0, 0.9), (1.5, 0.55)])
def test_roundabouts_ridden_straight_over_show_under_noise(noise, least):
    """Nearly all of them still refuse a tuck with 1 m of noise, more than half with 1.5 m."""
    shown = total = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        pieces = [t.straight(250.0)]
        for _ in range(6):
            pieces += [*t.roundabout(rng.uniform(12.0, 20.0)), t.straight(rng.uniform(200.0, 400.0))]
        truth = t.build(pieces)
        at, period = t.recorded_at(truth)
        course = build_course(t.track(truth, at, rng, position_noise=noise, period=period))
        scale = truth.s[-1] / course.length
        for corner in (c for c in truth.corners if c.kind is CornerKind.ROUNDABOUT):
            total += 1
            near = (
                scale * c.end > corner.start - 20 and scale * c.start < corner.end + 20
                for c in course.corners
            )
            shown += any(near)
    assert shown >= least * total


@pytest.mark.parametrize(("radius", "turn_deg"), [(8.0, 170.0), (12.0, 90.0), (60.0, 50.0)])
def test_the_arc_fit_is_unbiased(radius, turn_deg):
    """From guesses 30 % off and points with 0.3 m of noise the mean radius comes out right to 5 %."""
    rng = np.random.default_rng(3)
    data, first, last, guess = [], [], [], []
    for _ in range(60):
        hand = rng.choice([-1.0, 1.0])
        truth = t.build(
            [t.straight(60), t.arc(radius, hand * turn_deg), t.straight(60)], heading_deg=rng.uniform(0, 360)
        )
        at = np.arange(rng.uniform(0.0, 6.0), truth.s[-1], 6.0)
        xy = np.column_stack([np.interp(at, truth.s, truth.xy[:, i]) for i in range(2)])
        first.append(sum(len(d) for d in data))
        data.append(xy + rng.normal(0.0, 0.3, xy.shape))
        last.append(first[-1] + len(xy) - 1)
        middle = truth.s.size // 2
        guess.append(
            [
                *(truth.xy[middle] + rng.normal(size=2)),
                truth.heading[middle] + rng.normal(0.0, 0.05),
                np.radians(turn_deg) * hand * rng.uniform(0.8, 1.2),
                radius * np.exp(rng.normal(0.0, 0.3)),
            ]
        )
    fit = fit_arcs(np.concatenate(data), np.array(first), np.array(last), np.array(guess), np.full(60, 0.3))
    assert np.mean(np.log(fit.radius / radius)) == pytest.approx(0.0, abs=0.05)
    assert np.median(np.abs(fit.turn)) == pytest.approx(np.radians(turn_deg), rel=0.03)
    assert 0.5 < np.median(fit.misfit) < 1.1
