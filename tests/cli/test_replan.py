"""`pacer replan` as someone at the roadside meets it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pacer.files.plans import read_plan
from tests.cli.run import run


@pytest.fixture(scope="module")
def plan_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plan as `pacer plan` writes it."""
    from pacer.files.plans import plan_to_json
    from pacer.workflow import make_plan
    from tests.workflow.races import race

    path = tmp_path_factory.mktemp("plan") / "plan.json"
    path.write_bytes(plan_to_json(make_plan(race("marnhythe-tt", wet=True))))
    return path


def test_it_says_what_to_hold_and_when_to_be_where(
    capsys: pytest.CaptureFixture[str], plan_file: Path
) -> None:
    """A summary within 80 columns: how the race stands, what to hold, the cues from here on."""
    done = run(capsys, "replan", plan_file, "--at-km", "8", "--elapsed", "14:40")
    assert done.code == 0
    for words in ("behind the plan", "Hold", "Finish", "from here"):
        assert words in done.out
    assert max(map(len, done.out.splitlines())) <= 80
    places = [float(line.split()[0]) for line in done.out.splitlines()[8:]]
    assert places == sorted(places)
    assert places[0] >= 8.0


def test_hands_are_never_told_to_go_back_later_than_planned(
    capsys: pytest.CaptureFixture[str], plan_file: Path, tmp_path: Path
) -> None:
    """The kilometres of the terminal round as on the card: down for the hands, up for the tuck."""
    out = tmp_path / "rest"
    done = run(capsys, "replan", plan_file, "--at-km", "8", "--elapsed", "14:40", "--out", out)
    lines = [line.split() for line in done.out.splitlines()[8:] if line[:7].strip()[:1].isdigit()]
    cues = read_plan(out / "plan.json").cues
    assert {"up", "tuck"} <= {cue.kind for cue in cues}
    for words, cue in zip(lines, cues, strict=True):
        told = 1000.0 * float(words[0])
        assert abs(told - cue.at_m) < 10.0 + 1e-6
        assert not (cue.kind == "up" and told > cue.at_m + 1e-3)
        assert not (cue.kind == "tuck" and told < cue.at_m - 1e-3)


def test_json_and_files(capsys: pytest.CaptureFixture[str], plan_file: Path, tmp_path: Path) -> None:
    """The JSON's segments add up to the rest; the written plan can be read and planned from again."""
    out = tmp_path / "rest"
    arguments = ("replan", plan_file, "--at-km", "8", "--elapsed", "14:40", "--json", "--out", out)
    done = run(capsys, *arguments)
    assert done.code == 0
    found = json.loads(done.out)
    assert sum(s["duration_s"] for s in found["segments"]) == pytest.approx(
        found["finish_s"] - found["elapsed_s"], abs=3.0
    )
    assert read_plan(out / "plan.json").nodes.distance_m[0] >= 8000.0
    assert (out / "cue-card.pdf").read_bytes().startswith(b"%PDF")
    again = run(capsys, "replan", out / "plan.json", "--at-km", "12", "--elapsed", "7:00", "--as-planned")
    assert again.code == 0


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--at-km", "8", "--elapsed", "fast"), "must be a time like"),
        (("--at-km", "8", "--elapsed", "14:75"), "must be a time like"),
        (("--at-km", "88", "--elapsed", "14:40"), "must lie between km"),
    ],
)
def test_unusable_options_are_one_line(
    capsys: pytest.CaptureFixture[str], plan_file: Path, arguments: tuple[str, ...], told: str
) -> None:
    """Exit 1 and one line."""
    done = run(capsys, "replan", plan_file, *arguments)
    assert done.code == 1
    assert done.out == ""
    assert told in done.err
    assert done.err.count("\n") == 1


def test_a_plan_whose_inputs_were_changed_is_refused(
    capsys: pytest.CaptureFixture[str], plan_file: Path, tmp_path: Path
) -> None:
    """Inputs that no rider file could say are told by key, like those of a rider file."""
    data = json.loads(plan_file.read_text(encoding="utf-8"))
    for change, told in (
        ({"rider": {**data["inputs"]["rider"], "mass_kg": -4}}, "mass_kg"),
        ({"safety": {}}, "safety"),
        ({"positions": []}, "positions"),
    ):
        wrong = tmp_path / "wrong.json"
        wrong.write_text(json.dumps({**data, "inputs": {**data["inputs"], **change}}))
        done = run(capsys, "replan", wrong, "--at-km", "8", "--elapsed", "14:40")
        assert done.code == 1
        assert told in done.err
        assert "Traceback" not in done.err


def test_a_plan_from_before_a_limit_was_added_is_read(
    capsys: pytest.CaptureFixture[str], plan_file: Path, tmp_path: Path
) -> None:
    """It lacks that key; what its rules refused stays refused."""
    data = json.loads(plan_file.read_text(encoding="utf-8"))
    safety = {key: value for key, value in data["inputs"]["safety"].items() if "roughest" not in key}
    old = tmp_path / "old.json"
    old.write_text(json.dumps({**data, "inputs": {**data["inputs"], "safety": safety}}))
    now = run(capsys, "replan", plan_file, "--at-km", "8", "--elapsed", "14:40")
    before = run(capsys, "replan", old, "--at-km", "8", "--elapsed", "14:40")
    assert before.code == now.code == 0
    assert before.out == now.out
