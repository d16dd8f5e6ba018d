"""The profile: grade and climb against the truth, and each fault of recorded elevation."""

import numpy as np
import pytest

from pacer.course.elevation import smooth_profile, total_climb
from pacer.course.repair import close_loop, known_elevation, repair_elevation
from pacer.errors import CourseError
from tests.course import truth as t

KINDS = {
    "rolling": {"spread": 0.025},
    "mountain": {"spread": 0.05, "piece": (80.0, 500.0), "ease": 40.0},
}
NOISES = {
    "white 0.5 m": {"elevation_noise": 0.5},
    "rounded to 1 m": {"quantum": 1.0},
    "white 0.5 m, rounded to 1 m": {"elevation_noise": 0.5, "quantum": 1.0},
    "rounded to 0.2 m": {"quantum": 0.2},
}


def road(kind, seed=5, length=25_000.0):
    """Make a straight road of known grade."""
    return t.build([t.straight(length)], t.rolling_grades(np.random.default_rng(seed), length, **KINDS[kind]))


def sample(truth, spacing, seed=2, **noise):
    """Record it: distance and elevation."""
    rng = np.random.default_rng(seed)
    at = t.planned_at(rng, truth) if spacing == "planned" else np.arange(0.0, truth.s[-1], spacing)
    return at, np.array(t.track(truth, at, rng, **noise).elevation)


def error(profile, truth, window=100.0):
    """Grade error over `window` metres along the course."""
    s = np.arange(window, truth.s[-1] - window, 5.0)
    low, high = s - window / 2, s + window / 2
    found = np.interp(high, profile.s, profile.z) - np.interp(low, profile.s, profile.z)
    true = np.interp(high, truth.s, truth.z) - np.interp(low, truth.s, truth.z)
    return (found - true) / window


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("spacing", [8.0, "planned"])
@pytest.mark.parametrize("kind", KINDS)
def test_grade_and_climb_are_true_under_noise(kind, spacing, noise):
    """Grade over 100 m is within 0.55 % RMS (0.5 % for the two required noises), climb within 5 %."""
    truth = road(kind)
    at, z = sample(truth, spacing, **NOISES[noise])
    profile = smooth_profile(at, z, float(at[-1]), [])
    bound = 0.0055 if "," in noise else 0.005
    assert np.sqrt(np.mean(error(profile, truth) ** 2)) < bound
    assert total_climb(profile.z, 0.5 * profile.noise) == pytest.approx(truth.climb, rel=0.05)


@pytest.mark.parametrize("sigma", [0.3, 0.6, 1.2])
def test_the_noise_is_estimated(sigma):
    """The stated noise is that of the file."""
    truth = road("rolling")
    at, z = sample(truth, 8.0, elevation_noise=sigma)
    assert smooth_profile(at, z, float(at[-1]), []).noise == pytest.approx(sigma, rel=0.08)


def test_correlated_noise_is_told_from_the_road():
    """A barometer's jitter over 60 m makes no hills on a flat road, and costs a rolling one little."""
    flat = t.build([t.straight(20_000.0)], t.rolling_grades(np.random.default_rng(5), 20_000.0, spread=0.004))
    for truth, bound in ((flat, 0.003), (road("rolling"), 0.004)):
        at, z = sample(truth, 8.0, elevation_jitter=0.5)
        profile = smooth_profile(at, z, float(at[-1]), [])
        assert np.sqrt(np.mean(error(profile, truth) ** 2)) < bound
        assert total_climb(profile.z) < 1.05 * truth.climb
        assert total_climb(z) > 1.5 * truth.climb


def test_a_real_ramp_is_not_flattened():
    """A 12 % ramp of 200 m keeps its steepness under 0.5 m of noise."""
    truth = t.build([t.straight(6000.0)], lambda s: np.where((s > 3000.0) & (s < 3200.0), 0.12, 0.0))
    at, z = sample(truth, 8.0, elevation_noise=0.5)
    profile = smooth_profile(at, z, float(at[-1]), [])
    rise = np.interp([3050.0, 3150.0], profile.s, profile.z)
    assert (rise[1] - rise[0]) / 100.0 == pytest.approx(0.12, abs=0.01)
    assert total_climb(profile.z, 0.25) == pytest.approx(24.0, rel=0.1)


def test_a_long_plateau_of_rounded_heights_is_flat():
    """Where the rounded height doesn't change for a kilometre, the profile stays within half a step of it."""
    at = np.arange(0.0, 4000.0, 8.0)
    z = np.round(100.0 + 0.04 * np.minimum(at, 1500.0))
    profile = smooth_profile(at, z, float(at[-1]), [])
    assert np.abs(profile.z[profile.s > 1700.0] - 160.0).max() < 0.7


@pytest.fixture
def rolling():
    """Give a rolling road recorded each 8 m with 0.3 m of noise."""
    truth = road("rolling")
    return truth, *sample(truth, 8.0, elevation_noise=0.3)


def spoil_spikes(at, z):
    """Set twenty heights 10 to 60 m off."""
    rng = np.random.default_rng(7)
    z[rng.integers(10, z.size - 10, 20)] += rng.choice([-1.0, 1.0], 20) * rng.uniform(10.0, 60.0, 20)


def spoil_step(at, z):
    """Let the barometer start anew 13 m higher."""
    z[at > 7000.0] += 13.0


def spoil_bridge(at, z):
    """Put a gorge of 25 m under a bridge of 200 m."""
    inside = (at > 5000.0) & (at < 5200.0)
    z[inside] -= 25.0 * np.sqrt(np.sin(np.pi * (at[inside] - 5000.0) / 200.0))


def spoil_tunnel(at, z):
    """Put a ridge of 120 m over a tunnel of 1200 m."""
    inside = (at > 5000.0) & (at < 6200.0)
    z[inside] += np.minimum(np.minimum(at[inside] - 5000.0, 6200.0 - at[inside]) * 0.35, 120.0)


@pytest.mark.parametrize(
    ("spoil", "words", "bound"),
    [
        (spoil_spikes, "elevation spikes were dropped", 0.002),
        (spoil_step, "sudden step in elevation was levelled", 0.002),
        (spoil_bridge, "taken for a bridge and levelled", 0.003),
        (spoil_tunnel, "taken for a tunnel and levelled", 0.006),
    ],
)
def test_faults_are_mended_and_told(rolling, spoil, words, bound):
    """Each fault is found, told loudly with its place, and leaves the grade as it was."""
    truth, at, z = rolling
    spoil(at, z)
    changes = []
    mended = repair_elevation(at, z, changes)
    profile = smooth_profile(at, mended, float(at[-1]), changes)
    assert any(words in change.what and change.loud and change.start is not None for change in changes)
    assert np.sqrt(np.mean(error(profile, truth) ** 2)) < bound
    assert np.abs(np.gradient(profile.z, profile.s)).max() < 0.1


def test_hairpins_across_a_coarse_terrain_model_make_no_walls(rolling):
    """Heights that jump 8 m up and down each 80 m don't become walls."""
    _, at, z = rolling
    inside = (at > 9000.0) & (at < 10_000.0)
    z[inside] += 8.0 * np.sign(np.sin(at[inside] / 25.0))
    changes = []
    profile = smooth_profile(at, repair_elevation(at, z, changes), float(at[-1]), changes)
    grade = np.abs(np.gradient(profile.z, profile.s))
    assert grade.max() < 0.28
    assert 5.0 * np.sum(grade > 0.15) < 100.0
    assert any(change.loud for change in changes)


def test_a_good_recording_is_left_alone(rolling):
    """Without a fault nothing is changed and nothing told."""
    _, at, z = rolling
    changes = []
    assert np.array_equal(repair_elevation(at, z, changes), z)
    assert changes == []


def valley(s):
    """Down 14 % for 200 m, 1600 m along the river, up 14 % again."""
    down, up = np.abs(s - 700.0) < 100.0, np.abs(s - 2500.0) < 100.0
    return 0.14 * up.astype(float) - 0.14 * down


@pytest.mark.parametrize("seed", range(6))
def test_a_valley_under_noise_is_no_bridge(seed):
    """Noise of 1.5 m on points 8 m apart makes ramps of 14 % look steeper than 20 %; they stay ramps."""
    truth = t.build([t.straight(3200.0)], valley)
    at, z = sample(truth, 8.0, elevation_noise=1.5, seed=seed)
    changes = []
    profile = smooth_profile(at, repair_elevation(at, z, changes), float(at[-1]), changes)
    assert not any("levelled" in change.what for change in changes)
    bottom = np.abs(profile.s - 1600.0) < 500.0
    assert np.abs(profile.z[bottom] - np.interp(profile.s[bottom], truth.s, truth.z)).max() < 2.0


def test_a_long_valley_between_steep_ramps_is_no_bridge():
    """Ramps of 24 % on either side of 1500 m of road are steep road, not the ends of a bridge."""
    truth = t.build(
        [t.straight(3200.0)],
        lambda s: 0.24 * ((np.abs(s - 2500.0) < 60.0).astype(float) - (np.abs(s - 700.0) < 60.0)),
    )
    at, z = sample(truth, 8.0, elevation_noise=0.1)
    changes = []
    assert np.array_equal(repair_elevation(at, z, changes), z)


def test_a_real_steep_hill_is_left_alone():
    """15 % up and 15 % down is a hill."""
    truth = t.build(
        [t.straight(3000.0)],
        lambda s: (
            np.where(np.abs(s - 1000.0) < 200.0, 0.15, 0.0) - np.where(np.abs(s - 1500.0) < 200.0, 0.15, 0.0)
        ),
    )
    at, z = sample(truth, 8.0, elevation_noise=0.3)
    changes = []
    profile = smooth_profile(at, repair_elevation(at, z, changes), float(at[-1]), changes)
    assert changes == []
    assert profile.z.max() - profile.z.min() == pytest.approx(60.0, abs=2.0)


def test_short_holes_are_filled_and_told():
    """Missing heights over 200 m lie on the straight between their neighbours."""
    at = np.arange(0.0, 3000.0, 10.0)
    z = 50.0 + 0.02 * at
    holed = np.where((at > 1000.0) & (at < 1200.0), np.nan, z)
    changes = []
    assert np.allclose(known_elevation(at, holed, "f", changes), z)
    assert [c.what for c in changes] == ["missing elevation was filled by straight lines"]


def test_long_holes_are_refused():
    """Half a kilometre without heights is refused, naming the place and the way out."""
    at = np.arange(0.0, 3000.0, 10.0)
    z = np.where((at > 1000.0) & (at < 1700.0), np.nan, 50.0)
    with pytest.raises(CourseError, match=r"f, km 1\.0: 0\.7 km without elevation .* --flat"):
        known_elevation(at, z, "f", [])


@pytest.mark.parametrize(("value", "words"), [(0.0, "elevations of 0"), (-32768.0, "no road has")])
def test_placeholders_are_holes(value, words):
    """Zeros among other heights and a terrain model's no-data value are dropped, loudly."""
    at = np.arange(0.0, 3000.0, 10.0)
    z = np.full(at.size, 250.0)
    z[[5, 100, 101]] = value
    changes = []
    assert np.all(known_elevation(at, z, "f", changes) == 250.0)
    assert any(words in c.what and c.loud for c in changes)


def test_a_course_at_sea_level_keeps_its_zeros():
    """Zeros among heights near 0 are heights."""
    at = np.arange(0.0, 3000.0, 10.0)
    z = np.round(2.0 * np.sin(at / 300.0))
    changes = []
    assert np.array_equal(known_elevation(at, z, "f", changes), z)
    assert changes == []


def test_drift_is_spread_over_a_loop():
    """A loop that ends 12 m above its start loses the drift, evenly, and says so."""
    at = np.linspace(0.0, 10_000.0, 1000)
    angle = 2.0 * np.pi * at / at[-1]
    xy = 1600.0 * np.column_stack((np.cos(angle), np.sin(angle)))
    z = 100.0 + 30.0 * np.sin(angle)
    changes = []
    mended = close_loop(xy, at, z + 12.0 * at / at[-1], changes)
    assert np.abs(mended - z).max() < 0.2
    assert changes[0].amount == pytest.approx(12.0, abs=0.3)
    assert close_loop(xy, at, z, changes) is z


def test_grades_that_no_road_has_are_cut_or_refused():
    """A single wall of 50 % is cut to 30 % and told; a course of them is refused."""
    at = np.arange(0.0, 5000.0, 10.0)
    wall = np.clip((at - 2500.0) * 0.5, 0.0, 45.0)
    changes = []
    profile = smooth_profile(at, wall, float(at[-1]), changes)
    assert np.abs(np.diff(profile.z)).max() <= 0.3 * 5.0 + 1e-9
    assert changes[-1].loud
    with pytest.raises(CourseError, match="steeper than 30 %"):
        smooth_profile(at, 0.4 * at, float(at[-1]), [], "f")


@pytest.mark.parametrize(
    ("z", "ignore", "climb"),
    [
        ([0.0, 1.0, 0.0, 2.0, 1.9, 5.0, 0.0], 0.0, 6.1),
        ([0.0, 1.0, 0.0, 2.0, 1.9, 5.0, 0.0], 0.5, 6.0),
        ([0.0, 0.3, 0.0, 0.3, 0.0], 0.5, 0.0),
        ([5.0, 4.0, 3.0], 0.0, 0.0),
        ([5.0, 0.0, 0.4, 0.1, 3.0], 0.5, 3.0),
    ],
)
def test_climb_adds_up_what_counts(z, ignore, climb):
    """Rises and falls below the limit don't count, rises across them do."""
    assert total_climb(np.array(z), ignore) == pytest.approx(climb)
