"""`pacer squad` as a coach meets it."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from pacer.workflow import Request
from tests.cli.run import Run, run
from tests.workflow.races import ROUTES

HEAD = "name,bib,mass_kg,critical_power_w,skill,start_time\n"
ANN = "Ann Ö,7,61,225,practised,2026-06-14T07:30:00+01:00\n"
BEA = "Bea,8,66,240,expert,2026-06-14T07:31:00+01:00\n"
LIGHT = "Too Light,9,6,240,expert,\n"
WEAK = "Too Weak,10,120,51,new,\n"


def _squad(capsys: pytest.CaptureFixture[str], folder: Path, text: str, *more: str) -> Run:
    path = folder / "start.csv"
    path.write_text(text, encoding="utf-8")
    route = ROUTES / "orlibeck-tri.gpx"
    common = ("--end-km", "3.6", "--jobs", "1", "--out", folder / "out")
    return run(capsys, "squad", path, route, *common, *more)


def test_every_rider_gets_plan_and_card_and_all_one_summary(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A folder each, named after bib and name, and a summary with times in the order of the list."""
    done = _squad(capsys, tmp_path, HEAD + ANN + BEA)
    assert done.code == 0
    for slug in ("7-ann-o", "8-bea"):
        names = {path.name for path in (tmp_path / "out" / slug).iterdir()}
        assert {"plan.json", "cue-card.pdf", "report.html"} <= names
    rows = list(csv.DictReader((tmp_path / "out" / "summary.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["name"] for row in rows] == ["Ann Ö", "Bea"]
    plan = json.loads((tmp_path / "out" / "8-bea" / "plan.json").read_text(encoding="utf-8"))
    assert float(rows[1]["time_s"]) == pytest.approx(plan["totals"]["time_s"], abs=0.1)
    assert rows[0]["finish_time"].startswith("2026-06-14T07:3")
    assert plan["inputs"]["race"]["name"].startswith("8 Bea, ")
    assert "<h1>8 Bea, " in (tmp_path / "out" / "8-bea" / "report.html").read_text(encoding="utf-8")


def test_a_bad_line_is_named_and_the_rest_go_on(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Exit 1, the line and its fault on stderr, plans for all others."""
    done = _squad(capsys, tmp_path, HEAD + ANN + LIGHT + BEA)
    assert done.code == 1
    assert "Too Light: " in done.err
    assert "line 3" in done.err
    assert "2 of 3 riders planned" in done.out
    assert (tmp_path / "out" / "8-bea" / "plan.json").exists()
    assert not (tmp_path / "out" / "9-too-light").exists()


def test_a_rider_without_a_possible_plan_is_named(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Exit 3 where the only trouble is that no plan meets somebody's limits."""
    done = _squad(capsys, tmp_path, HEAD + ANN + WEAK, "--effort", "0.3")
    assert done.code == 3
    assert "Too Weak: no plan meets the limits" in done.err
    assert "1 of 2 riders planned" in done.out


def test_run_again_it_leaves_what_stands(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Unchanged riders are left as they are; a changed one, or one whose plan is gone, is done again."""
    _squad(capsys, tmp_path, HEAD + ANN + BEA)
    ann, bea = (tmp_path / "out" / slug / "plan.json" for slug in ("7-ann-o", "8-bea"))
    before = ann.stat().st_mtime_ns
    old = json.loads(bea.read_text(encoding="utf-8"))["totals"]["time_s"]
    done = _squad(capsys, tmp_path, HEAD + ANN + BEA.replace("240", "250"))
    assert "1 of them left as they were" in done.out
    assert ann.stat().st_mtime_ns == before
    assert json.loads(bea.read_text(encoding="utf-8"))["totals"]["time_s"] < old
    ann.unlink()
    done = _squad(capsys, tmp_path, HEAD + ANN + BEA.replace("240", "250"))
    assert ann.exists()
    assert done.code == 0


def test_an_interruption_loses_only_what_was_not_written(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped after the first rider, the next run keeps that one and makes the others."""
    from pacer.cli import squad_commands

    real = squad_commands._work
    calls = []

    def stopped(request: Request) -> object:
        calls.append(request)
        if len(calls) > 1:
            raise KeyboardInterrupt
        return real(request)

    monkeypatch.setattr(squad_commands, "_work", stopped)
    done = _squad(capsys, tmp_path, HEAD + ANN + BEA)
    assert done.code == 130
    assert "1 of 2 riders are written" in done.err
    monkeypatch.undo()
    done = _squad(capsys, tmp_path, HEAD + ANN + BEA)
    assert done.code == 0
    assert "2 of 2 riders planned, 1 of them left as they were" in done.out


def test_same_names_get_folders_of_their_own(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Two riders of one name don't write over each other; a name without Latin letters has a folder too."""
    text = "name,mass_kg,critical_power_w\nAnn,60,220\nAnn,64,230\n山,70,240\n../up,70,241\n"
    done = _squad(capsys, tmp_path, text)
    assert done.code == 0
    folders = {path.name for path in (tmp_path / "out").iterdir() if path.is_dir()}
    assert folders == {"ann", "ann-2", "rider", "up"}


def test_a_formula_in_a_name_stays_text(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A spreadsheet that opens the summary meets no formula."""
    _squad(capsys, tmp_path, "name,mass_kg,critical_power_w\n=1+1,60,220\n")
    row = (tmp_path / "out" / "summary.csv").read_text(encoding="utf-8").splitlines()[1]
    assert row.startswith("'=1+1")
