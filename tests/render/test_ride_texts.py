"""The text of a calibration, a field test and a review: whole, in order, within 80 columns."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pacer.physics.defaults import typical_setup
from pacer.render.calibration_text import (
    calibration_summary,
    critical_power_summary,
    field_test_plan_summary,
    field_test_summary,
    power_factor_summary,
)
from pacer.render.review_page import draw_review
from pacer.render.review_text import review_summary
from pacer.rides.calibrate import Calibration, Estimate, PositionArea, RideFit, Told
from pacer.rides.critical_power import fit_critical_power
from pacer.rides.efforts import Trial
from pacer.rides.field_test import FieldTest, Run, RunResult, plan_field_test
from pacer.rides.position_power import PowerFactor
from pacer.rides.prepare import Fate
from pacer.rides.review import review_ride
from tests.render.sample import sample_plan
from tests.rides.raced import Otherwise, race


def narrow(text: str) -> bool:
    """Whether every line fits into 80 columns."""
    return max(len(line) for line in text.splitlines()) <= 80


def made_calibration() -> Calibration:
    """Two positions, one held rolling resistance, one ride."""
    ride = RideFit("ride-1", 3000.0, 4000.0, {Fate.COASTING: 300.0}, 2.0, 1.0, 0.3, 0.0, 1.5, 3015.0, 0.5)
    return Calibration(
        crr=Estimate(0.0045, 0.001, Told.FILE),
        positions=(
            PositionArea("hoods", Estimate(0.361, 0.008, Told.RIDES), 1500.0, 0.004, -0.001),
            PositionArea("aero bars", Estimate(0.288, 0.007, Told.RIDES), 1500.0, 0.004, -0.001),
        ),
        covariance=np.diag([1e-6, 6.4e-5, 4.9e-5]),
        rides=(ride,),
        notes=("Rolling resistance is held.",),
    )


def test_a_calibration_is_told_with_its_errors():
    """Values with 95 % ranges, the difference with whether it is sure, the ride's own test."""
    text = calibration_summary(made_calibration())
    assert "0.361 m² ± 0.016  from the rides" in text
    assert "0.0045 ± 0.0020  held" in text
    assert "0.073 m² ± 0.021  (sure)" in text
    assert "(+0.5 %)" in text
    assert "coasting" in text
    assert "Rolling resistance is held." in text
    assert narrow(text)


def test_critical_power_is_told_by_both_forms():
    """Both forms, the efforts, and the ones left out with their reason."""
    fit = fit_critical_power([Trial(180, 390), Trial(300, 342), Trial(720, 298), Trial(30, 700, "sprint")])
    text = critical_power_summary(fit)
    assert "267.1 W" in text
    assert "267.7 W" in text
    assert "standard error" not in text
    # three efforts leave one degree of freedom: t = tan(0.475 pi) = 12.706
    wide = math.tan(0.475 * math.pi)
    assert text.startswith("Critical power (± 95 %)")
    assert f"267 W ± {wide * fit.critical_power_error:.0f}, W' 22.3 kJ ± " in text
    assert f"22.3 kJ ± {wide * fit.w_prime_error / 1000:.1f}\n" in text
    assert f"± {wide * fit.by_inverse_time.critical_power_error:.1f}, " in text
    assert "not used, shorter than 2 min" in text
    assert narrow(text)


def test_a_field_test_is_told_plainly():
    """Faster and sure, or not to be told; what to ride, or that it can't be told."""
    run = RunResult(Run(0, 300, "hoods"), 0.36, 10.0, 230.0, 3000.0)
    sure = FieldTest(
        (run,) * 4, "hoods", "aero bars", 0.03, 0.006, 0.015, 0.045, 0.9996, 0.008, True, 118.0, ()
    )
    text = field_test_summary(sure)
    assert "aero bars is faster than hoods: 0.030 m² less drag area" in text
    unsure = FieldTest(
        (run,) * 4, "hoods", "aero bars", 0.01, 0.01, -0.015, 0.035, 0.8, 0.02, False, 40.0, ()
    )
    assert "can't tell hoods and aero bars apart" in field_test_summary(unsure)
    plan = field_test_plan_summary(plan_field_test(typical_setup(), 0.03), 0.03, ["hoods", "aero bars"])
    assert "A B B A" in plan
    assert "A and B are the positions to compare: hoods and aero bars." in plan
    windy = plan_field_test(typical_setup(), 0.003, wind_change=1.0)
    hopeless = field_test_plan_summary(windy, 0.003, ["hoods", "drops", "aero bars"])
    assert "can't be told like this" in hopeless
    assert all(narrow(t) for t in (text, plan, hopeless))


def test_power_in_position_says_why_a_default_stays():
    """A usable factor with its range, an unusable one with its reason."""
    good = PowerFactor("aero bars", "hoods", 0.962, 0.008, True, (20, 20), "")
    bad = PowerFactor("drops", "hoods", float("nan"), float("nan"), False, (20, 2), "needs 8 steady pieces")
    text = power_factor_summary([good, bad])
    assert text.startswith("Power in position (± 95 %)")
    assert "0.962 ± 0.016 of the power at the same heart rate" in text
    assert "the rider file's value stays; needs 8 steady pieces" in text
    assert power_factor_summary([]) == ""


def test_a_review_is_told_from_the_whole_to_its_segments():
    """The total, its parts, the model's own test, the effort, and the segments that matter."""
    plan = sample_plan()
    review = review_ride(race(plan, Otherwise(power=1.04, stop=(9000.0, 45.0))), plan)
    text = review_summary(review)
    shown = {
        name: float(line.split()[-2])
        for line in text.splitlines()
        for name in ("power", "stops")
        if line.strip().startswith(name + " ") and line.endswith(" s")
    }
    assert shown["stops"] == pytest.approx(review.parts_s["stops"], abs=0.6)
    assert shown["power"] == pytest.approx(review.parts_s["power"], abs=0.6)
    assert "Is the model right?" in text
    assert text.count("stops") >= 2
    assert narrow(text)


def test_a_review_page_is_one_file_that_asks_for_nothing():
    """No script, no address, the parts and every segment in it, the same bytes each time; names are text."""
    plan = sample_plan()
    review = replace(
        review_ride(race(plan, Otherwise(power=1.04, stop=(9000.0, 45.0))), plan),
        name="<script>alert(1)</script>",
    )
    page = draw_review(review)
    assert page == draw_review(review)
    text = page.decode()
    assert "<script" not in text
    assert "&lt;script&gt;" in text
    assert "default-src &#x27;none&#x27;" in text
    assert "http:" not in text
    assert "https:" not in text
    assert all(name in text for name in ("power", "drag and wind", "braking", "stops", "left over"))
    assert text.count("<tr>") >= len(review.segments)
    assert len(page) < 300_000
