"""The program as a user meets it: exit codes, one-line errors, streams, and files all or none."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.run import Run, run
from tests.demo import ROUTES

ROUTE = ROUTES / "marnhythe-tt.gpx"
POINT = re.compile(r"\s*<trkpt.*?</trkpt>", re.DOTALL)
SHORT = (ROUTE, "--rider", ROUTES / "rider-practised.toml", "--end-km", "3")
WRITTEN = {"plan.json", "segments.csv", "cue-card.pdf", "report.html", "cues.gpx", "course.tcx"}
ESCAPE = "\x1b"
HEAVY = ("numpy", "scipy", "clarabel", "pyproj", "shapely", "reportlab", "PIL", "dask")


def program(*arguments: object, cwd: Path | None = None, **environment: str) -> Run:
    """Run `python -m pacer` in a process of its own, with pipes for a terminal."""
    done = subprocess.run(
        [sys.executable, "-m", "pacer", *map(str, arguments)],
        capture_output=True,
        cwd=cwd or ROUTES,
        env={**os.environ, **environment},
        check=False,
    )
    return Run(done.returncode, done.stdout.decode(), done.stderr.decode())


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Run]:
    """A short plan, made once in a process of its own; its folder and what the run said."""
    folder = tmp_path_factory.mktemp("planned") / "out"
    return folder, program("plan", *SHORT, "--out", folder, "--png", "--splits", "1")


def test_help_loads_nothing_heavy() -> None:
    """`pacer --help` answers without importing any numerical or drawing library."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "pacer", "--help"],
        capture_output=True,
        text=True,
        check=True,
    )
    imported = {line.rsplit("|", 1)[-1].strip().split(".")[0] for line in done.stderr.splitlines()}
    assert "typer" in imported
    assert not imported & set(HEAVY)


def test_every_command_explains_itself_in_80_columns(capsys: pytest.CaptureFixture[str]) -> None:
    """The list of commands cuts no sentence short, and the help of each names its options in plain words."""
    overview = run(capsys, "--help")
    assert overview.code == 0
    assert "..." not in overview.out.replace("[ARGS]...", "")
    commands = re.findall(r"^  ([a-z][a-z-]+)  ", overview.out.split("Commands:")[1], re.MULTILINE)
    assert {"plan", "check", "route", "card", "init", "calibrate", "compare", "review"} <= set(commands)
    for command in commands:
        told = run(capsys, command, "--help")
        assert told.code == 0
        assert max(map(len, told.out.splitlines())) <= 80
        assert f"pacer {command} [OPTIONS]" in told.out
        for jargon in ("<float", "<int", "<path", "<str", "list[", "{"):
            assert jargon not in told.out, f"{command}: {jargon}"


def test_module_and_script_are_the_same_program() -> None:
    """`pacer` and `python -m pacer` print the same."""
    script = Path(sys.executable).with_name("pacer")
    for argument in ("--version", "--help", "check"):
        one = subprocess.run([script, argument], capture_output=True, text=True, check=False)
        two = program(argument)
        assert (one.returncode, one.stdout, one.stderr) == (two.code, two.out, two.err)


def test_version_is_that_of_the_project(capsys: pytest.CaptureFixture[str]) -> None:
    """`--version` and `-V` print the name and the version of pyproject.toml."""
    project = (ROUTES.parent / "pyproject.toml").read_text("utf-8")
    version = re.search(r'^version = "(.+)"', project, re.MULTILINE)
    assert version is not None
    for flag in ("--version", "-V"):
        assert run(capsys, flag) == Run(0, f"pacer {version[1]}\n", "")


def test_plan_writes_all_its_files(planned: tuple[Path, Run]) -> None:
    """Exit 0; every file of the contract and those asked for, and no other; the summary says which."""
    folder, done = planned
    assert done.code == 0
    names = {path.name for path in folder.iterdir()}
    assert names == WRITTEN | {"plan.png", "splits.csv"}
    assert all(name in done.out for name in names)
    assert all(path.stat().st_size > 100 for path in folder.iterdir())
    heads = {"cue-card.pdf": b"%PDF", "report.html": b"<!doctype html", "plan.png": b"\x89PNG"}
    for name, head in heads.items():
        assert (folder / name).read_bytes().lower().startswith(head.lower())


def test_same_input_same_bytes(planned: tuple[Path, Run], tmp_path: Path) -> None:
    """A second run, in a process with another hash seed, writes and prints the same bytes."""
    folder, first = planned
    again = program(
        "plan", *SHORT, "--out", tmp_path / "out", "--png", "--splits", "1", PYTHONHASHSEED="12345"
    )
    assert again.out.replace(str(tmp_path / "out"), "") == first.out.replace(str(folder), "")
    for path in folder.iterdir():
        assert (tmp_path / "out" / path.name).read_bytes() == path.read_bytes(), path.name


def test_pipes_get_plain_text(planned: tuple[Path, Run]) -> None:
    """Without a terminal there are no colours, no progress, nothing but the notes on stderr."""
    _, done = planned
    assert ESCAPE not in done.out + done.err
    assert "\r" not in done.out + done.err
    assert all(line.startswith("pacer: ") for line in done.err.splitlines())


def test_verbose_timings_go_to_stderr_and_quiet_says_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    """Standard output is the same with `--verbose` and `--quiet`: results alone."""
    loud, still = (run(capsys, "check", *SHORT, flag) for flag in ("--verbose", "--quiet"))
    assert loud.out == still.out
    assert still.err == ""
    assert "s reading" in loud.err
    assert "s in all" in loud.err


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_progress_on_a_terminal_only_and_never_coloured(tmp_path: Path) -> None:
    """On a terminal the progress line appears; with `--quiet` there is none; no colour at all."""
    import pty

    for flags, expected in (((), True), (("--quiet",), False)):
        ours, theirs = pty.openpty()
        done = subprocess.run(
            [sys.executable, "-m", "pacer", "check", *map(str, SHORT), *flags],
            stdout=subprocess.PIPE,
            stderr=theirs,
            env={**os.environ, "NO_COLOR": "1"},
            check=True,
        )
        os.write(theirs, b"end\n")
        shown = b""
        while not shown.endswith(b"end\r\n"):
            shown += os.read(ours, 65536)
        os.close(ours)
        os.close(theirs)
        assert (b"reading" in shown) is expected
        assert not re.search(rb"\x1b\[[0-9;]*m", shown)
        assert ESCAPE.encode() not in done.stdout


def test_check_prints_json(capsys: pytest.CaptureFixture[str]) -> None:
    """`pacer check --json` prints one JSON document with the stretches, their reasons and their cost."""
    found = json.loads(run(capsys, "check", *SHORT, "--json").out)
    assert found["schema"] == "pacer-check/1"
    stretch = found["unsafe_to_tuck"][0]
    assert stretch["up_by_m"] <= stretch["start_m"] < stretch["end_m"]
    assert {"rule", "value", "limit", "unit"} <= set(stretch["reasons"][0])


def test_check_and_plan_agree(capsys: pytest.CaptureFixture[str], planned: tuple[Path, Run]) -> None:
    """The stretches that `check` prints are those of the plan."""
    found = json.loads(run(capsys, "check", *SHORT, "--json").out)
    plan = json.loads((planned[0] / "plan.json").read_text("utf-8"))
    assert found["unsafe_to_tuck"] == plan["unsafe_to_tuck"]
    assert found["route_sha256"] == plan["inputs"]["route_sha256"]


def test_card_is_printed_again(
    capsys: pytest.CaptureFixture[str], planned: tuple[Path, Run], tmp_path: Path
) -> None:
    """From plan.json alone: the same card byte for byte, or another size with fewer lines."""
    folder = planned[0]
    same, small = tmp_path / "same.pdf", tmp_path / "small.pdf"
    assert run(capsys, "card", folder / "plan.json", "--out", same).code == 0
    assert same.read_bytes() == (folder / "cue-card.pdf").read_bytes()
    done = run(capsys, "card", folder / "plan.json", "--size", "strip", "--most-cues", "4", "--out", small)
    assert done.code == 0
    assert small.read_bytes().startswith(b"%PDF")
    assert small.read_bytes() != same.read_bytes()


def test_route_is_shown_and_drawn(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """`pacer route` prints length, corners and what was cleaned, and draws an SVG or a PNG."""
    for name, head in (("course.svg", b"<svg"), ("course.png", b"\x89PNG")):
        done = run(capsys, "route", ROUTE, "--end-km", "6", "--picture", tmp_path / name)
        assert done.out.endswith(f"\nWritten to {tmp_path / name}\n")
        assert done.code == 0
        assert "km" in done.out
        assert "dead turn" in done.out
        assert (tmp_path / name).read_bytes().startswith(head)


def test_init_gives_files_that_work_and_leaves_others_alone(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The files can be used as they are; a second `init` there changes nothing and exits 1."""
    assert run(capsys, "init", tmp_path).code == 0
    mine = tmp_path / "rider.toml"
    mine.write_text(mine.read_text("utf-8") + "# mine\n", "utf-8")
    again = run(capsys, "init", tmp_path)
    assert again.code == 1
    assert "exists already" in again.err
    assert mine.read_text("utf-8").endswith("# mine\n")
    used = run(
        capsys, "check", ROUTE, "--end-km", "3", "--rider", mine, "--race", tmp_path / "race.toml", "-q"
    )
    assert used.code == 0


def test_folder_is_named_after_the_route(tmp_path: Path) -> None:
    """Without `--out` the results go into ROUTE-plan in the folder where the program is run."""
    done = program("plan", *SHORT, cwd=tmp_path)
    assert done.code == 0
    assert {path.name for path in tmp_path.iterdir()} == {"marnhythe-tt-plan"}
    assert {path.name for path in (tmp_path / "marnhythe-tt-plan").iterdir()} == WRITTEN


BROKEN = {
    "words.gpx": "hello",
    "empty.gpx": "",
    "half.gpx": "<gpx><trk><trkseg><trkpt lat='1' lon='2'>",
    "key.toml": "[rider]\nmass_kg = 70\ncritical_power_w = 250\nweight = 3\n",
    "type.toml": '[rider]\nmass_kg = "heavy"\ncritical_power_w = 250\n',
    "range.toml": "[rider]\nmass_kg = 7\ncritical_power_w = 250\n",
    "syntax.toml": "[rider\n",
    "both.toml": "[race]\neffort = 0.9\ntarget_power_w = 200\n",
    "empty.json": "{}",
    "words.json": "hello",
}

UNUSABLE = [
    (("plan", "none.gpx"), ("none.gpx", "No such file")),
    (("plan", "."), ("can't be read",)),
    (("plan", "words.gpx"), ("words.gpx: not a GPX file",)),
    (("plan", "empty.gpx"), ("empty.gpx", "empty")),
    (("plan", "half.gpx"), ("half.gpx",)),
    (("route", "words.gpx"), ("words.gpx: not a GPX file",)),
    (("check", "words.gpx", "--json"), ("words.gpx: not a GPX file",)),
    (("plan", ROUTE, "--rider", "none.toml"), ("none.toml", "No such file")),
    (("plan", ROUTE, "--rider", "."), ("a folder, not a file",)),
    (("plan", ROUTE, "--rider", "key.toml"), ("key.toml", "[rider] weight", "known keys")),
    (("plan", ROUTE, "--rider", "type.toml"), ("type.toml", "[rider] mass_kg", "from 30 to 200 kg", "heavy")),
    (("plan", ROUTE, "--rider", "range.toml"), ("[rider] mass_kg", "from 30 to 200 kg", "found 7")),
    (("plan", ROUTE, "--rider", "syntax.toml"), ("syntax.toml", "line 1")),
    (("plan", ROUTE, "--race", "none.toml"), ("none.toml",)),
    (("plan", ROUTE, "--race", "both.toml"), ("both.toml", "effort", "target_power_w")),
    (("plan", ROUTE, "--effort", "9"), ("--effort", "0.3 to 1.3", "found 9")),
    (("plan", ROUTE, "--effort", "0.9", "--target-power", "200"), ("--effort", "keep one")),
    (("plan", ROUTE, "--wind-from", "400", "--wind-speed", "3"), ("--wind-from", "found 400")),
    (("plan", ROUTE, "--wind-speed", "3"), ("--wind-from", "missing")),
    (("plan", ROUTE, "--wind-from", "90", "--wind-speed", "5", "--gust", "4"), ("--gust",)),
    (("plan", ROUTE, "--humidity", "70"), ("--humidity", "0.7")),
    (("plan", ROUTE, "--temperature", "nan"), ("--temperature", "nan")),
    (("plan", ROUTE, "--start-time", "yesterday"), ("--start-time", "2026-06-14T07:30:00+01:00")),
    (("plan", ROUTE, "--laps", "0"), ("--laps", "1 to 100")),
    (("plan", ROUTE, "--track", "5"), ("marnhythe-tt.gpx", "--track 5")),
    (("plan", ROUTE, "--start-km", "30"), ("marnhythe-tt.gpx", "km 30")),
    (("plan", ROUTE, "--start-km", "5", "--end-km", "3"), ("km 5 to 3",)),
    (("plan", *SHORT, "--out", "words.gpx"), ("words.gpx", "not a folder")),
    (("route", ROUTE, "--picture", "course.gif"), ("--picture", "course.gif", ".svg or .png")),
    (("card", "none.json"), ("none.json", "No such file")),
    (("card", "words.json"), ("words.json", "pacer plan")),
    (("card", "empty.json"), ("empty.json", "pacer-plan/1", "pacer plan")),
    (("review", ROUTE, "empty.json"), ("empty.json", "pacer plan")),
    (("calibrate", "none.fit", "--rider", ROUTES / "rider-practised.toml"), ("none.fit",)),
]


@pytest.mark.parametrize(("arguments", "told"), UNUSABLE, ids=lambda value: " ".join(map(str, value))[-60:])
def test_unusable_input_is_one_line_and_nothing_is_written(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[object, ...],
    told: tuple[str, ...],
) -> None:
    """Exit 1, one line on stderr that says what and where, an empty stdout, and no new file."""
    monkeypatch.chdir(tmp_path)
    for name, content in BROKEN.items():
        Path(name).write_text(content, "utf-8")
    done = run(capsys, *arguments)
    assert done.code == 1
    assert done.out == ""
    assert done.err.startswith("pacer: ")
    assert done.err.count("\n") == 1
    assert "Traceback" not in done.err
    for words in told:
        assert words in done.err
    assert {path.name: path.read_text("utf-8") for path in tmp_path.iterdir()} == BROKEN


@pytest.mark.parametrize(
    "arguments",
    [
        ("frobnicate",),
        ("plan",),
        ("plan", ROUTE, "another.gpx"),
        ("plan", ROUTE, "--lapse", "3"),
        ("plan", ROUTE, "--laps", "two"),
        ("plan", ROUTE, "--effort"),
        ("plan", ROUTE, "--splits", "0"),
        ("plan", ROUTE, "--start-km", "-1"),
        ("check", ROUTE, "--png"),
        ("card",),
        ("calibrate", ROUTE),
    ],
    ids=lambda value: " ".join(map(str, value))[-40:],
)
def test_wrong_usage_exits_2(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[object, ...],
) -> None:
    """An unknown command or option, or a missing or superfluous argument: exit 2, told on stderr alone."""
    monkeypatch.chdir(tmp_path)
    done = run(capsys, *arguments)
    assert done.code == 2
    assert done.out == ""
    assert "Error: " in done.err
    assert "Traceback" not in done.err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("arguments", "wanted"),
    [
        (("--laps", "two"), "'--laps': must be a whole number (found 'two')"),
        (("--laps=2.5",), "'--laps': must be a whole number (found '2.5')"),
        (("--laps", "0"), "'--laps': must be 1 or more (found '0')"),
        (("--end-km", "12km"), "'--end-km': must be a number, without its unit (found '12km')"),
    ],
)
def test_a_value_that_cannot_be_one_is_told(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], wanted: str
) -> None:
    """Wrong usage says what the option takes and what was found, in plain words."""
    done = run(capsys, "route", ROUTE, *arguments)
    assert done.code == 2
    assert done.err.splitlines()[-1] == f"Error: Invalid value for {wanted}"


def test_files_in_each_others_place_are_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A rider file given as the race, a race file as the rider, a folder as a plan: one line that says so."""
    rider, race = ROUTES / "rider-practised.toml", ROUTES / "orlibeck-tri.race.toml"
    swapped = run(capsys, "check", ROUTE, "--rider", race)
    assert swapped.code == 1
    assert "is a race file, not a rider file; give it with --race" in swapped.err
    swapped = run(capsys, "check", ROUTE, "--race", rider)
    assert swapped.code == 1
    assert "is a rider file, not a race file; give it with --rider" in swapped.err
    folder = run(capsys, "card", tmp_path)
    assert folder.code == 1
    assert folder.err == f"pacer: {tmp_path}: a folder, not a plan file; give {tmp_path / 'plan.json'}\n"
    folder = run(capsys, "check", ROUTE, "--rider", tmp_path)
    assert folder.code == 1
    assert "a folder, not a file" in folder.err


def test_no_plan_within_the_limits_exits_3(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A rider too weak for the climb: exit 3, one line with the limit and by how much, nothing written."""
    rider = tmp_path / "weak.toml"
    rider.write_text("[rider]\nmass_kg = 160\ncritical_power_w = 50\nmax_power_w = 100\n", "utf-8")
    monkeypatch.chdir(tmp_path)
    done = run(
        capsys, "plan", ROUTES / "scarnow-pass.gpx", "--rider", rider, "--start-km", "15", "--end-km", "18"
    )
    assert done.code == 3
    assert done.out == ""
    assert done.err.startswith("pacer: no plan meets the limits: ")
    assert "missed by" in done.err
    assert done.err.count("\n") == 1
    assert [path.name for path in tmp_path.iterdir()] == ["weak.toml"]


def test_a_wind_from_a_point_of_the_compass_is_one_from_its_degrees(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """`--wind-from sw` checks as `--wind-from 225` does; a word that is no direction is wrong usage."""
    wind = ("--wind-speed", "4", "--wind-from")
    found = [run(capsys, "check", *SHORT, *wind, direction, "--json").out for direction in ("sw", "225")]
    assert found[0] == found[1] != ""
    wrong = run(capsys, "check", *SHORT, *wind, "downhill")
    assert wrong.code == 2
    assert "'downhill' is neither degrees nor a point of the compass such as SW" in " ".join(
        wrong.err.split()
    )


def test_a_plan_is_upright_where_the_file_has_no_road(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Sixty points are missing: their road is bridged, said, and never planned tucked."""
    text = ROUTE.read_text(encoding="utf-8")
    points = list(POINT.finditer(text))
    route = tmp_path / "hole.gpx"
    route.write_text(text[: points[60].start()] + text[points[120].start() :], encoding="utf-8")
    done = run(capsys, "plan", route, *SHORT[1:], "--out", tmp_path / "out")
    assert done.code == 0
    assert "A hole was bridged by a straight line" in " ".join(done.out.split())
    plan = json.loads((tmp_path / "out" / "plan.json").read_text(encoding="utf-8"))
    (zone,) = (zone for zone in plan["inputs"]["zones"] if zone["note"] == "unknown road")
    assert zone["end_km"] - zone["start_km"] > 0.5
    inside = [
        segment["position"]
        for segment in plan["segments"]
        if segment["end_m"] > 1000.0 * zone["start_km"] + 1.0
        and segment["start_m"] < 1000.0 * zone["end_km"] - 1.0
    ]
    assert inside
    assert set(inside) == {"hoods"}
