"""What other programs may import from `pacer`, and that it is documented and light."""

from __future__ import annotations

import inspect
import subprocess
import sys

import pytest

import pacer

PUBLIC = [
    "CalibrationRide",
    "InfeasibleError",
    "InputError",
    "Plan",
    "Request",
    "Variant",
    "build_course",
    "calibrate",
    "compare_variants",
    "constant_weather",
    "default_race",
    "draw_card",
    "draw_report",
    "make_plan",
    "make_ride",
    "plan_to_json",
    "read_gpx",
    "read_plan",
    "read_race_file",
    "read_recording",
    "read_rider_file",
    "recheck",
    "review_ride",
    "segments_csv",
    "typical_setup",
]


def test_the_public_names_are_these() -> None:
    """A name that is added, renamed or taken away is a change that others notice: this list says so."""
    assert pacer.__all__ == PUBLIC
    assert len(PUBLIC) <= 25
    assert set(PUBLIC) <= set(dir(pacer))


@pytest.mark.parametrize("name", PUBLIC)
def test_a_public_name_says_what_it_takes(name: str) -> None:
    """Every parameter of a public function and every field of a public class stands in its docstring."""
    found = getattr(pacer, name)
    said = inspect.getdoc(found)
    assert said
    if inspect.isclass(found):
        sections = ["Attributes", "Parameters"]
        taken = [n for n in inspect.signature(found).parameters if n not in ("args", "kwargs")]
    else:
        sections = ["Parameters"]
        taken = list(inspect.signature(found).parameters)
        assert inspect.signature(found).return_annotation not in (inspect.Signature.empty, None)
    if taken:
        assert any(f"{section}\n---" in said for section in sections), said
    assert not [n for n in taken if n not in said]


def test_an_unknown_name_is_an_attribute_error() -> None:
    """A misspelt name is told as usual."""
    with pytest.raises(AttributeError, match="no attribute 'make_plam'"):
        _ = pacer.make_plam


def test_importing_pacer_loads_nothing_heavy() -> None:
    """Numerical libraries are loaded when a name needs them, not before."""
    heavy = ("numpy", "scipy", "pydantic", "clarabel")
    code = f"import sys, pacer; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
