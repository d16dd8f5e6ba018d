"""Directions in words and back."""

from __future__ import annotations

import pytest

from pacer.render.words import compass, from_compass, ground, minutes, wind_speed, wrap


@pytest.mark.parametrize("degrees", [22.5 * k for k in range(16)])
def test_a_point_of_the_compass_comes_back_as_its_degrees(degrees: float) -> None:
    """All sixteen, in capitals or not, 22.5° apart from north by east."""
    assert from_compass(compass(degrees)) == degrees
    assert from_compass(f" {compass(degrees).lower()} ") == degrees


def test_degrees_are_degrees_and_other_words_nothing() -> None:
    """A number is taken as it stands; what is no direction raises."""
    assert from_compass("240.5") == 240.5
    for word in ("", "NEN", "up", "240 deg"):
        with pytest.raises(ValueError, match=r".*"):
            from_compass(word)


def test_winds_and_slopes_are_said_alike() -> None:
    """A wind comes in both units that forecasts use, a slope by what it does."""
    assert wind_speed(5.0) == "5.0 m/s (18 km/h)"
    assert [ground(grade) for grade in (0.0, -0.007, 0.042, -0.05)] == [
        "flat",
        "flat",
        "climb 4.2 %",
        "descent 5.0 %",
    ]
    assert [minutes(time) for time in (0.26, 29.0, 59.4, 59.6, 139.2, -95.0)] == [
        "0.3 s",
        "29 s",
        "59 s",
        "1:00",
        "2:19",
        "−1:35",
    ]


def test_a_number_stays_with_its_unit() -> None:
    """Lines are broken before a number and its unit, never between them, nor at a hyphen."""
    text = "the no-tuck zone ends where it blows with less than 1.8 m/s (6 km/h) at km 12.3 of 40 km for 20 %"
    whole = ("no-tuck", "1.8 m/s", "(6 km/h)", "km 12.3", "40 km", "20 %")
    for width in range(12, 60):
        lines = wrap(text, width)
        assert all(any(part in line for line in lines) for part in whole), width
        assert max(map(len, lines)) <= width
        assert " ".join(lines) == text
    assert wrap("a b", 4, first="- ", rest="  ") == ["- a", "  b"]
