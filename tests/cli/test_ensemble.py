"""`pacer ensemble` as a user meets it."""

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
    "5",
    "--wind-from",
    "250",
    "--wind-speed",
    "5",
    "--effort",
    "0.9",
    "--jobs",
    "1",
)


def test_days_are_drawn_and_everything_written(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """It prints the outlook and leaves the result, the days and the robust plan with its card in a folder."""
    done = run(capsys, "ensemble", *SHORT, "--days", "12", "--seed", "4", "--out", tmp_path / "days")
    assert done.code == 0
    assert "12 days" in done.out
    names = {path.name for path in (tmp_path / "days").iterdir()}
    assert {"ensemble.json", "members.csv", "plan.json", "cue-card.pdf"} <= names
    robust = json.loads((tmp_path / "days" / "plan.json").read_text("utf-8"))
    assert robust["inputs"]["race"]["name"].startswith("Robust: ")
    result = json.loads((tmp_path / "days" / "ensemble.json").read_text())
    again = run(capsys, "ensemble", *SHORT, "--members", tmp_path / "days" / "members.csv", "--json")
    assert again.code == 0
    other = json.loads(again.out)
    assert other["middle_s"] == pytest.approx(result["middle_s"], abs=0.01)


def test_the_result_does_not_depend_on_who_does_the_work(capsys: pytest.CaptureFixture[str]) -> None:
    """One process or two: the same bytes on stdout."""
    arguments = [*SHORT[:-2], "--days", "8", "--json"]
    one, two = (run(capsys, "ensemble", *arguments, "--jobs", jobs) for jobs in ("1", "2"))
    assert one.code == two.code == 0
    assert one.out == two.out


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--spread", "rain=3"), "not a known quantity"),
        (("--spread", "drag=lots"), "must be a share"),
        (("--spread", "wind_from_deg=20%"), "must be a number from 0 to 180"),
        (("--spread", "drag=3%", "--members", "days.csv"), "can't go with --members"),
        (("--members", "nowhere.csv"), "can't be read"),
        (("--cluster", "tcp://127.0.0.1:9", "--days", "4"), "no scheduler answers"),
    ],
)
def test_unusable_options_are_one_line(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], told: str
) -> None:
    """Exit 1, nothing on stdout, one line on stderr."""
    done = run(capsys, "ensemble", *SHORT, *arguments)
    assert done.code == 1
    assert done.out == ""
    assert told in done.err
    assert "Traceback" not in done.err


def test_plan_with_days_writes_both(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """`pacer plan --ensemble` writes the plan as ever, and beside it what the days make of it."""
    days = tmp_path / "days.csv"
    days.write_text("name,wind_speed_m_s,drag_factor\nfair,4,\nwindy,7,1.02\nstill,1,0.99\n")
    done = run(capsys, "plan", *SHORT[:-2], "--ensemble", days, "--out", tmp_path / "plan")
    assert done.code == 0
    assert "3 days" in done.out
    names = {path.name for path in (tmp_path / "plan").iterdir()}
    assert {"plan.json", "cue-card.pdf", "ensemble.json"} <= names
    found = json.loads((tmp_path / "plan" / "ensemble.json").read_text())
    assert [day["name"] for day in found["days"]] == ["fair", "windy", "still"]
