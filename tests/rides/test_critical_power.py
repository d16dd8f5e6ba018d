"""Critical power and W': both linear forms, errors, misfits, refusals; best efforts."""

from __future__ import annotations

import numpy as np
import pytest

from pacer.errors import RideError
from pacer.rides.critical_power import fit_critical_power
from pacer.rides.efforts import Trial, best_efforts
from pacer.rides.ride import Ride


def ride_of(power, step=1.0, name="r") -> Ride:
    """A ride of nothing but power."""
    n = len(power)
    none = np.full(n, np.nan)
    return Ride(
        name,
        name,
        np.arange(n) * step,
        none,
        none,
        none,
        none,
        none,
        np.asarray(power, float),
        none,
        none,
        none,
    )


def exact(critical_power: float, w_prime: float, durations) -> list[Trial]:
    """Trials on the hyperbola."""
    return [Trial(t, critical_power + w_prime / t) for t in durations]


def test_both_linear_forms_give_the_published_example():
    """Invented trials 390 W for 180 s, 342 W for 300 s, 298 W for 720 s.

    Computed independently: work against time CP 267.134 W, W' 22 266.3 J; power against 1/t CP 267.728 W,
    W' 22 068.6 J; tolerance 1e-3.
    """
    fit = fit_critical_power([Trial(180, 390), Trial(300, 342), Trial(720, 298)])
    assert fit.by_work.critical_power == pytest.approx(267.134, rel=1e-5)
    assert fit.by_work.w_prime == pytest.approx(22_266.3, rel=1e-5)
    assert fit.by_inverse_time.critical_power == pytest.approx(267.728, rel=1e-5)
    assert fit.by_inverse_time.w_prime == pytest.approx(22_068.6, rel=1e-5)
    assert fit.critical_power == fit.by_work.critical_power


def test_trials_on_the_hyperbola_are_fitted_exactly():
    """Both forms agree and the errors vanish."""
    fit = fit_critical_power(exact(250.0, 18_000.0, (150, 300, 600, 1200)))
    for form in (fit.by_work, fit.by_inverse_time):
        assert form.critical_power == pytest.approx(250.0)
        assert form.w_prime == pytest.approx(18_000.0)
        assert form.critical_power_error < 1e-6


def test_errors_cover_the_truth():
    """With 2 % of scatter in power the truth lies within the t interval in about 95 of 100 draws."""
    from scipy.stats import t

    rng = np.random.default_rng(3)
    durations = (150, 240, 400, 700, 1200)
    hits = 0
    for _ in range(300):
        trials = [
            Trial(d, p.power * (1 + 0.01 * rng.standard_normal()))
            for d, p in zip(durations, exact(250, 18e3, durations), strict=True)
        ]
        form = fit_critical_power(trials).by_inverse_time
        hits += abs(form.critical_power - 250) < t.ppf(0.975, 3) * form.critical_power_error
    assert 0.90 <= hits / 300 <= 0.99


def test_an_effort_that_was_not_all_out_is_named():
    """One effort 12 % under the curve of the others is left out, and said."""
    trials = exact(250.0, 18_000.0, (150, 240, 400, 700, 1200))
    trials[2] = Trial(400, trials[2].power * 0.88, "an easy day")
    fit = fit_critical_power(trials)
    assert [m.trial.name for m in fit.misfits] == ["an easy day"]
    assert fit.misfits[0].ratio == pytest.approx(0.88, abs=1e-6)
    assert fit.critical_power == pytest.approx(250.0)


def test_efforts_outside_the_hyperbola_are_named():
    """A sprint and an hour aren't used."""
    fit = fit_critical_power([Trial(20, 900), *exact(250.0, 18_000.0, (180, 360, 720)), Trial(3600, 240)])
    assert [m.trial.duration for m in fit.misfits] == [20, 3600]
    assert len(fit.used) == 3


@pytest.mark.parametrize(
    ("trials", "message"),
    [
        (exact(250, 18e3, (180, 720)), "too few efforts"),
        (exact(250, 18e3, (300, 360, 420)), r"too alike in duration \(found 5.0 min, 6.0 min, 7.0 min\)"),
        ([Trial(180, 200), Trial(360, 210), Trial(720, 220)], "don't make a curve"),
        ([Trial(180, 60), Trial(360, 50), Trial(720, 45)], "don't make a curve"),
    ],
)
def test_it_refuses_when_the_efforts_can_not_tell(trials, message):
    """Too few, too alike or senseless efforts end in one line."""
    with pytest.raises(RideError, match=message):
        fit_critical_power(trials)


def test_best_efforts_are_found_where_they_are():
    """The best four minutes of two rides, with place and name."""
    easy, hard = np.full(2000, 150.0), np.full(2000, 140.0)
    hard[700:940] = 320.0
    (found,) = best_efforts([ride_of(easy, name="easy"), ride_of(hard, name="hard")], durations=[240.0])
    assert (found.name, found.power) == ("hard", pytest.approx(320.0))
    assert found.start == pytest.approx(699.0, abs=1.0)


def test_an_effort_holds_no_pause():
    """Power before and after a pause isn't one effort."""
    time = np.append(np.arange(200.0), np.arange(200.0) + 1000.0)
    none = np.full(400, np.nan)
    ride = Ride("r", "r", time, none, none, none, none, none, np.full(400, 300.0), none, none, none)
    assert [t.duration for t in best_efforts([ride])] == [150.0]


def test_missing_power_is_not_an_effort():
    """A drop-out of seconds is bridged, one of half a minute isn't."""
    power = np.full(400, 250.0)
    power[100:103] = np.nan
    (short,) = best_efforts([ride_of(power)], durations=[390.0])
    assert short.power == pytest.approx(250.0)
    power[100:130] = np.nan
    assert best_efforts([ride_of(power)], durations=[390.0]) == ()
