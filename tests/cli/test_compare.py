"""`pacer compare` as a user meets it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.run import run
from tests.workflow.races import ROUTES

SHORT = (
    ROUTES / "marnhythe-tt.gpx",
    "--rider",
    ROUTES / "rider-practised.toml",
    "--end-km",
    "6",
    "--wind-from",
    "250",
    "--wind-speed",
    "4",
)


def test_usual_questions_without_any_variant(capsys: pytest.CaptureFixture[str]) -> None:
    """Asked for nothing, it answers what riders ask: tuck, pacing, skill, drag, mass, tyres, wind, rain."""
    done = run(capsys, "compare", *SHORT, "--json")
    assert done.code == 0
    found = json.loads(done.out)
    labels = " | ".join(variant["label"] for variant in found["variants"])
    for word in ("never tucked", "steady power", "skill", "CdA", "mass", "Crr", "wind speed", "wet"):
        assert word in labels
    assert found["sensitivity"]["time_s_per_w"] < 0.0 < found["sensitivity"]["time_s_per_kg"]


def test_named_change_of_several_keys(capsys: pytest.CaptureFixture[str]) -> None:
    """A variant may change several things under a name; a value with a sign is added."""
    done = run(capsys, "compare", *SHORT, "--json", "--try", "new wheels: cda_m2=-0.02, bike_mass_kg=+0.4")
    assert done.code == 0
    (variant,) = json.loads(done.out)["variants"]
    assert variant["label"] == "new wheels"
    assert variant["difference_s"] < 0.0


def test_table_fits_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    """No line of the table is wider than 80 columns."""
    done = run(capsys, "compare", *SHORT, "--try", "a name as long as can be, really: mass_kg=+3")
    assert done.code in (0, 1)
    done = run(capsys, "compare", *SHORT, "--mass", "3", "--cda", "-0.01")
    assert done.code == 0
    assert max(map(len, done.out.splitlines())) <= 80
    assert "mass +3 kg" in done.out


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("mass_kg", "must be key=value"),
        ("weight=-2", "is not a known key"),
        ("mass_kg=light", "must be a number"),
        ("mass_kg=-70", "must be a number from 30 to 200 kg"),
        ("surface=icy", "must be wet or dry"),
        ("skill=master", "must be one of"),
    ],
)
def test_unusable_change_is_told_in_one_line(
    capsys: pytest.CaptureFixture[str], text: str, told: str
) -> None:
    """Exit 1 and one line that names the option and what it must be."""
    done = run(capsys, "compare", *SHORT, "--try", text)
    assert done.code == 1
    assert done.out == ""
    assert done.err.count("\n") == 1
    assert told in done.err
    assert "--try" in done.err


def test_picture_in_the_format_of_its_name(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """An SVG or a PNG is drawn; another name is refused before anything is computed."""
    for name, head in (("gap.svg", b"<svg"), ("gap.png", b"\x89PNG")):
        done = run(capsys, "compare", *SHORT, "--without-tuck", "--picture", tmp_path / name)
        assert done.code == 0
        assert (tmp_path / name).read_bytes().startswith(head)
    done = run(capsys, "compare", *SHORT, "--without-tuck", "--picture", tmp_path / "gap.gif")
    assert done.code == 1
    assert "SVG or a PNG" in done.err
    assert not (tmp_path / "gap.gif").exists()
