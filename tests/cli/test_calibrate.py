"""What a calibration writes, and what it doesn't, by what was told of the positions."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from tests.cli.run import run
from tests.demo import ROUTES

RIDE, RIDER = ROUTES / "orlibeck-ride.csv", ROUTES / "rider-practised.toml"
EFFORTS = ("--trial", "390:3:00", "--trial", "342:5:00", "--trial", "298:12:00")


def test_untold_positions_leave_no_rider_file(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Two positions were ridden, and nobody says where: one drag area is shown, none written."""
    out = tmp_path / "new.toml"
    found = run(capsys, "calibrate", RIDE, "--rider", RIDER, "--out", out)
    assert found.code == 1
    assert "drag area untold position" in found.out
    assert "hoods" not in found.out
    assert found.err.count("\n") == 1
    for word in ("orlibeck-ride.csv", "no positions were told", "--position", "--stretch", "--lap-positions"):
        assert word in found.err
    assert not out.exists()


def test_untold_positions_leave_drag_areas_as_they_were(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Efforts that were told are written all the same, and nothing else is."""
    out = tmp_path / "new.toml"
    found = run(capsys, "calibrate", RIDE, "--rider", RIDER, "--out", out, *EFFORTS)
    assert found.code == 0
    assert "drag areas and rolling resistance as they were" in found.out
    old, new = tomllib.loads(RIDER.read_text("utf-8")), tomllib.loads(out.read_text("utf-8"))
    assert new["rider"].pop("critical_power_w") == 267.0
    assert new["rider"].pop("w_prime_j") == 22266.0
    del old["rider"]["critical_power_w"], old["rider"]["w_prime_j"]
    assert new == old


def test_an_untold_ride_is_not_mixed_with_told_ones(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Of two rides the untold one is named and left out, and the values are those of the other alone."""
    told = ("--stretch", "hoods: 22.3-24.6", "--stretch", "hoods: 31.3-37.8")
    told += ("--stretch", "1/aero bars: 0.3-22.0", "--hold", "crr")
    alone, both = tmp_path / "alone.toml", tmp_path / "both.toml"
    first = run(capsys, "calibrate", RIDE, "--rider", RIDER, "--out", alone, *told)
    second = run(capsys, "calibrate", RIDE, RIDE, "--rider", RIDER, "--out", both, *told)
    assert (first.code, second.code) == (0, 0)
    assert "orlibeck-ride.csv: no positions were told: left out of the drag areas" in second.err
    assert both.read_text("utf-8") == alone.read_text("utf-8")
