"""Directions in words and back."""

from __future__ import annotations

import pytest

from pacer.render.words import compass, from_compass


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
