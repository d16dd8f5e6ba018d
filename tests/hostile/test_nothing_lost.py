"""What stood on the disk stays whole, whatever fails at any stage of a command."""

from __future__ import annotations

import errno
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import pytest

from pacer.errors import CourseError, OutputError, RideError
from pacer.files._atomic import write_file, write_files
from pacer.files._content import remembering_files
from pacer.files._unfinished import NOTE, Replacing, note_text, put_back_cut_off
from pacer.files.gpx import read_gpx
from pacer.files.plans import plan_to_json, read_plan
from pacer.files.rides import read_recording
from tests.cli.run import Run, run
from tests.render.sample import sample_plan

RESULTS = ("course.tcx", "cue-card.pdf", "cues.gpx", "plan.json", "report.html", "segments.csv")
OLD = {name: f"old {name}".encode() for name in RESULTS} | {"notes.txt": b"the user's own"}
RIDER = Path(__file__).parents[2] / "routes" / "rider-practised.toml"


def route(points: int = 60) -> bytes:
    """A road to the north, 22 m between points, up and down."""
    body = "".join(
        f'<trkpt lat="{50 + 2e-4 * i:.6f}" lon="5"><ele>{100 + 8 * abs(i % 40 - 20) / 20:.1f}</ele></trkpt>'
        for i in range(points)
    )
    return f'<gpx version="1.1"><trk><name>North</name><trkseg>{body}</trkseg></trk></gpx>'.encode()


@lru_cache(maxsize=1)
def plan_bytes() -> bytes:
    """A plan file of the invented sample."""
    return plan_to_json(sample_plan())


def ride_bytes() -> bytes:
    """An hour on a flat road at changing power, in still air, with speeds that fit it."""
    from tests.rides.simulated import Scenario, simulate

    calm = Scenario(length=12_000.0, cda=(("aero bars", 0.29),), wind_speed=0.0, gustiness=0.0, braking=False)
    ride = simulate(calm, 1)[0]
    columns = {
        "time_s": ride.elapsed,
        "distance_m": ride.distance,
        "speed_m_s": ride.speed,
        "latitude_deg": ride.latitude_deg,
        "longitude_deg": ride.longitude_deg,
        "elevation_m": ride.elevation,
        "power_w": ride.power,
    }
    rows = zip(*(column.tolist() for column in columns.values()), strict=True)
    return "\n".join([",".join(columns), *(",".join(map(repr, row)) for row in rows)]).encode()


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in: a route, a plan, a rider, a folder with old results and a file of the user's."""
    (tmp_path / "north.gpx").write_bytes(route())
    (tmp_path / "made.json").write_bytes(plan_bytes())
    (tmp_path / "rider.toml").write_bytes(RIDER.read_bytes())
    (tmp_path / "ride.csv").write_bytes(ride_bytes())
    folder = tmp_path / "out"
    folder.mkdir()
    for name, content in OLD.items():
        (folder / name).write_bytes(content)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def everything(folder: Path) -> dict[str, bytes]:
    """All files below a folder."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


PLAN = ("plan", "north.gpx", "--rider", "rider.toml", "--out", "out")
COMMANDS: dict[str, tuple[str, ...]] = {
    "plan": PLAN,
    "card": ("card", "made.json", "--out", "out/cue-card.pdf"),
    "calibrate": (
        *("calibrate", "ride.csv", "--rider", "rider.toml", "--position", "aero bars"),
        *("--hold", "crr", "--out", "out/notes.txt"),
    ),
    "init": ("init", "fresh"),
    "route": ("route", "north.gpx", "--picture", "out/north.svg"),
}
commands = pytest.mark.parametrize("command", COMMANDS)


@commands
def test_the_commands_write_where_they_are_told_and_nowhere_else(
    command: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a fault each command ends well, and only what it announces has changed."""
    before = everything(home)
    done = run(capsys, *COMMANDS[command])
    assert done.code == 0, done.err
    changed = {name for name, content in everything(home).items() if before.get(name) != content}
    expected = {
        "plan": {f"out/{name}" for name in RESULTS},
        "card": {"out/cue-card.pdf"},
        "calibrate": {"out/notes.txt"},
        "init": {"fresh/rider.toml", "fresh/race.toml"},
        "route": {"out/north.svg"},
    }
    assert changed == expected[command]
    assert set(before) <= set(everything(home))


class Fault:
    """A call that works `good` times, then fails `times` times, then works again."""

    def __init__(
        self, real: Callable[..., object], error: BaseException, good: int = 0, times: int = 1
    ) -> None:
        self.real, self.error, self.left, self.times, self.struck = real, error, good, times, False

    def __call__(self, *args: object, **kwargs: object) -> object:
        """Do as the real one until the time has come."""
        self.left -= 1
        if -self.times <= self.left < 0:
            self.struck = True
            raise self.error
        return self.real(*args, **kwargs)


ERRORS = {
    "full disk": OSError(errno.ENOSPC, "No space left on device"),
    "read-only": OSError(errno.EROFS, "Read-only file system"),
    "no permission": PermissionError(errno.EACCES, "Permission denied"),
    "broken disk": OSError(errno.EIO, "Input/output error"),
    "interrupt": KeyboardInterrupt(),
    "memory": MemoryError(),
}


@commands
@pytest.mark.parametrize(
    ("call", "name"),
    [(call, name) for call in ("fsync", "replace") for name in ERRORS]
    + [("replace twice", "interrupt"), ("replace twice", "memory")],
)
def test_a_disk_that_fails_leaves_everything_as_it_was(
    command: str,
    call: str,
    name: str,
    home: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Full, read-only or broken disks and interrupts while writing: old files whole, no traceback."""
    before, error = everything(home), ERRORS[name]
    # of six files the third fails, of one the only one
    times, call = (2, "replace") if call == "replace twice" else (1, call)
    fault = Fault(getattr(os, call), error, good=2 if command == "plan" else 0, times=times)
    with monkeypatch.context() as patch:
        patch.setattr(os, call, fault)
        done = run(capsys, *COMMANDS[command])
    assert fault.struck
    assert everything(home) == before
    assert_told(done, 130 if isinstance(error, KeyboardInterrupt) else 1)
    assert not (home / "fresh").exists()


def test_what_can_not_even_be_put_back_is_kept_beside(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A disk that turns read-only between two renames: the old files stay, under the names that are told."""
    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", Fault(os.replace, ERRORS["read-only"], good=2, times=1000))
        done = run(capsys, *PLAN)
    assert_told(done, 1)
    found = everything(home / "out")
    for name, content in OLD.items():
        kept = [other for other, found_there in found.items() if found_there == content]
        assert kept, name
        assert name in kept or any(other in done.err for other in kept)


def assert_told(done: Run, code: int) -> None:
    """The last line of the messages is the program's own, alone, and there is no traceback."""
    assert done.code == code
    lines = done.err.strip().replace("\r", "\n").splitlines()
    assert lines[-1].startswith("pacer: ")
    assert "Traceback" not in done.err
    assert "Written" not in done.out


STAGES = {
    "reading": "pacer.cli.loading.read_gpx",
    "building the course": "pacer.cli.loading.build_course",
    "cutting cells": "pacer.workflow.make_cells",
    "looking for places to eat": "pacer.workflow.optimise",
    "optimising": "pacer.planning.proven.optimise",
    "making it followable": "pacer.planning.proven.followable",
    "proving it": "pacer.planning.proven.relax",
    "pricing the tuck": "pacer.planning.proven.worth_of_tuck",
    "assembling": "pacer.workflow.assemble",
    "checking": "pacer.workflow.recheck",
    "drawing the card": "pacer.render.card.draw_card",
    "drawing the report": "pacer.render.report.draw_report",
    "listing": "pacer.render.export.segments_csv",
    "as text": "pacer.files.plans.plan_to_json",
    "opening files": "os.open",
    "keeping the old": "pathlib.Path.hardlink_to",
}


@pytest.mark.parametrize("stage", STAGES)
@pytest.mark.parametrize("error", [KeyboardInterrupt(), MemoryError()], ids=["interrupt", "memory"])
def test_an_interrupt_at_any_stage_leaves_the_old_plan(
    stage: str,
    error: BaseException,
    home: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Ctrl-C, or memory that runs out, while reading, optimising, drawing or writing changes no file."""
    before = everything(home)
    module, _, name = STAGES[stage].rpartition(".")
    with monkeypatch.context() as patch:
        patch.setattr(STAGES[stage], Fault(lambda: None, error))
        done = run(capsys, *PLAN)
    assert everything(home) == before, (module, name)
    assert_told(done, 130 if isinstance(error, KeyboardInterrupt) else 1)


def test_an_interrupt_after_the_last_file_doesnt_say_that_nothing_was_written(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ctrl-C while the summary is drawn: all results are new, and the line says where they are."""
    with monkeypatch.context() as patch:
        patch.setattr("pacer.render.summary.plan_summary", Fault(lambda: None, KeyboardInterrupt()))
        done = run(capsys, *PLAN)
    assert done.code == 130
    assert done.err.splitlines()[-1] == "pacer: interrupted; the results stand whole in out"
    found = everything(home / "out")
    assert all(found[name] != OLD[name] for name in RESULTS)


def started(home: Path, before: Callable[[], None] | None = None) -> subprocess.Popen[str]:
    """The program as its own process."""
    process: subprocess.Popen[str] = subprocess.Popen(
        [sys.executable, "-m", "pacer", *PLAN],
        cwd=home,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=before,
    )
    return process


@pytest.mark.parametrize("step", range(6))
def test_a_real_interrupt_leaves_all_old_or_all_new(step: int, home: Path) -> None:
    """A signal at any time of a run ends it with every old file whole, or comes too late and all are new."""
    (home / "north.gpx").write_bytes(route(150))
    process = started(home)
    time.sleep(0.15 + 0.25 * step)
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=60)
    found = everything(home / "out")
    assert set(found) == set(OLD)
    assert found["notes.txt"] == OLD["notes.txt"]
    old = [name for name in RESULTS if found[name] == OLD[name]]
    assert old in ([], list(RESULTS))
    # While the interpreter still starts, the message is its own; the stages above test the program's.
    assert process.returncode == 0 or old == list(RESULTS)


@pytest.fixture
def little_room() -> Callable[[], None]:
    """The most that a process may write into one file, set by the system: 20 kB."""
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))


def test_a_file_that_the_system_cuts_short_replaces_nothing(
    home: Path, little_room: Callable[[], None]
) -> None:
    """A real limit of the system on the size of files ends in one line, with every old file whole."""
    before = everything(home)
    process = started(home, little_room)
    _, told = process.communicate(timeout=60)
    assert process.returncode == 1
    assert everything(home) == before
    assert told.strip().splitlines()[-1] == "pacer: out: can't write: File too large; nothing was changed"


@commands
def test_a_file_where_a_folder_should_be_is_left_alone(
    command: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder that is a file is told, and the file stays."""
    arguments = list(COMMANDS[command])
    arguments[-1] = "rider.toml" if command in ("plan", "init") else "rider.toml/result.svg"
    before = everything(home)
    done = run(capsys, *arguments)
    assert everything(home) == before
    assert_told(done, 1)
    assert "rider.toml" in done.err


def test_links_among_the_results_lead_nowhere(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A result that links to a file elsewhere, or to nothing, becomes a file; elsewhere nothing changes."""
    outside = home / "outside"
    outside.mkdir()
    (outside / "precious.txt").write_bytes(b"precious")
    for name, target in {"plan.json": "precious.txt", "report.html": "not-yet.txt"}.items():
        (home / "out" / name).unlink()
        (home / "out" / name).symlink_to(outside / target)
    assert run(capsys, *PLAN).code == 0
    assert everything(outside) == {"precious.txt": b"precious"}
    assert not (home / "out" / "plan.json").is_symlink()
    assert (home / "out" / "report.html").read_bytes().startswith(b"<!")


def test_a_link_that_was_replaced_is_put_back(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """After a fault half-way through, a link among the results is the link that it was."""
    link = home / "out" / "cue-card.pdf"
    link.unlink()
    link.symlink_to(home / "nowhere.pdf")
    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", Fault(os.replace, ERRORS["full disk"], good=5))
        done = run(capsys, *PLAN)
    assert_told(done, 1)
    assert link.is_symlink()
    assert link.readlink() == home / "nowhere.pdf"
    assert not (home / "nowhere.pdf").exists()


def test_a_folder_that_is_a_link_is_the_folder_named(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Results go into the folder that the user's link names."""
    (home / "link").symlink_to(home / "out", target_is_directory=True)
    assert run(capsys, *PLAN[:-1], "link").code == 0
    assert (home / "link").is_symlink()
    assert (home / "out" / "plan.json").read_bytes().startswith(b"{")


@pytest.mark.parametrize(
    ("arguments", "kept"),
    [
        (("plan", "out/cues.gpx", "--out", "out"), "out/cues.gpx"),
        (("plan", "north.gpx", "--race", "out/plan.json", "--out", "out"), "out/plan.json"),
        (("card", "made.json", "--out", "made.json"), "made.json"),
        (("card", "made.json", "--out", "./out/../made.json"), "made.json"),
        (("calibrate", "ride.csv", "--rider", "rider.toml", "--out", "rider.toml"), "rider.toml"),
        (
            ("calibrate", "ride.csv", "--rider", "rider.toml", "--position", "hoods", "--out", "ride.csv"),
            "ride.csv",
        ),
        (("route", "north.svg", "--picture", "north.svg"), "north.svg"),
        (("compare", "north.svg", "--without-tuck", "--picture", "north.svg"), "north.svg"),
        (("practise", "north.gpx", "--gpx", "north.gpx"), "north.gpx"),
        (("plan", "north.gpx", "--race", "zoned.toml", "--out", "out"), "out/cues.gpx"),
        (("ensemble", "north.gpx", "--members", "out/ensemble.json", "--out", "out"), "out/ensemble.json"),
        (
            ("ensemble", "north.gpx", "--days", "2", "--race", "out/plan.json", "--out", "out"),
            "out/plan.json",
        ),
    ],
)
def test_what_a_plan_is_made_of_is_never_written_over(
    arguments: tuple[str, ...], kept: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An input in the place of a result is spared, by whatever name it goes, and the user is told."""
    (home / "out" / "cues.gpx").write_bytes(route())
    (home / "out" / "plan.json").write_bytes(b"[race]\n")
    (home / "out" / "ensemble.json").write_bytes(b"wind_speed_factor\n1.0\n1.1\n")
    (home / "north.svg").write_bytes(route())
    (home / "zoned.toml").write_text('zones = "out/cues.gpx"\n', "utf-8")
    if "zoned.toml" in arguments:
        (home / "out" / "cues.gpx").write_bytes(b'{"type": "FeatureCollection", "features": []}')
    before = everything(home)
    done = run(capsys, *arguments)
    assert everything(home) == before
    assert_told(done, 1)
    assert "write over" in done.err or "written over" in done.err
    assert Path(kept).name in done.err or "--out" in done.err


def test_whatever_was_read_is_spared(home: Path) -> None:
    """A file that any reader opened isn't written over, by any of its names; outside of a run it may be."""
    (home / "link.json").symlink_to(home / "made.json")
    with remembering_files():
        read_plan(home / "made.json")
        for name in ("made.json", "link.json", "out/../made.json"):
            with pytest.raises(OutputError, match="can't write over a file that was read"):
                write_file(name, b"")
        write_file("other.json", b"")
    assert (home / "made.json").read_bytes() == plan_bytes()
    write_file("made.json", b"")
    assert (home / "made.json").read_bytes() == b""


def test_a_squads_start_list_is_spared(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A start list in the place of the squad's summary stays as it is."""
    listed = home / "out" / "summary.csv"
    listed.write_text("name,critical_power_w,mass_kg\nA,250,74\n", "utf-8")
    before = listed.read_bytes()
    done = run(capsys, "squad", "out/summary.csv", "north.gpx", "--jobs", "1", "--out", "out")
    assert_told(done, 1)
    assert listed.read_bytes() == before


def cut_off_after(renames: int, home: Path, *more: str) -> None:
    """Plan into `out` in a process that ends, as at a power cut, once so many files are in place."""
    code = f"""
import os, sys
real, left = os.replace, [{renames}]
def replace(*names):
    if not left[0]:
        os._exit(77)
    left[0] -= 1
    real(*names)
os.replace = replace
sys.argv[1:] = {[*PLAN, *more]!r}
from pacer.__main__ import entrypoint
entrypoint()
"""
    done = subprocess.run([sys.executable, "-c", code], cwd=home, capture_output=True, text=True, check=False)
    assert done.returncode == 77, done.stderr


@pytest.mark.parametrize("renames", range(len(RESULTS)))
def test_a_power_cut_between_renames_is_noticed_and_undone(
    renames: int, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of a cut-off set of files a note tells, plan.json is the last to change, and the next run undoes it."""
    (home / "out" / "cues.gpx").unlink()
    before = everything(home / "out")
    cut_off_after(renames, home, "--png")
    found = everything(home / "out")
    visible = {name: content for name, content in found.items() if not name.startswith(".")}
    assert found["plan.json"] == OLD["plan.json"]
    assert sum(visible.get(name) != before.get(name) for name in (*RESULTS, "plan.png")) == renames
    note = (home / "out" / NOTE).read_text("utf-8")
    assert note.startswith("These files were being replaced when the program was cut off")
    assert all(name in note for name in RESULTS)
    # No command takes a plan from there, and a run that fails later leaves the old files as they were.
    done = run(capsys, "card", "out/plan.json")
    assert_told(done, 1)
    assert "run the command that wrote it again" in done.err
    with pytest.raises(CourseError, match="was being replaced when the program was cut off"):
        read_gpx(home / "out" / "cues.gpx")
    with pytest.raises(RideError, match="was being replaced when the program was cut off"):
        read_recording(home / "out" / "course.tcx")
    put_back_cut_off(home / "out")
    assert everything(home / "out") == before


@pytest.mark.parametrize("renames", [0, 3, 6])
def test_a_run_after_a_power_cut_leaves_one_whole_set(
    renames: int, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same command again: all new, nothing of the cut-off run's, no note, no hidden file."""
    cut_off_after(renames, home, "--png")
    assert run(capsys, *PLAN).code == 0
    found = everything(home / "out")
    assert set(found) == set(OLD)
    assert all(found[name] != OLD[name] for name in RESULTS)
    assert run(capsys, "card", "out/plan.json", "--out", "card.pdf").code == 0


def test_a_note_of_a_run_that_goes_on_is_left_alone(home: Path) -> None:
    """Another process still writing, or a note that isn't the program's: nothing is put back."""
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as other:
        stem = f".pacer-{other.pid}-0"
        note = home / "out" / NOTE
        note.write_bytes(note_text([Replacing("plan.json", stem, kept=True)]))
        (home / "out" / f"{stem}.old").write_bytes(b"older")
        put_back_cut_off(home / "out")
        assert (home / "out" / "plan.json").read_bytes() == OLD["plan.json"]
        other.communicate(b"\n")
    put_back_cut_off(home / "out")
    assert (home / "out" / "plan.json").read_bytes() == b"older"
    note.symlink_to(home / "made.json")
    before = everything(home)
    put_back_cut_off(home / "out")
    with pytest.raises(OutputError, match="another run writes here"):
        write_files(home / "out", {"plan.json": b"1", "cues.gpx": b"2"})
    assert everything(home) == before
    assert note.is_symlink()


@pytest.mark.parametrize("target", ["../made.json", "/etc/passwd", "..", "a/b"])
def test_a_forged_note_leads_nowhere(target: str, home: Path) -> None:
    """What a note says of other folders is not done."""
    forged = [Replacing(target, ".pacer-999999999-0", kept=False)]
    (home / "out" / NOTE).write_bytes(note_text(forged))
    before = everything(home)
    put_back_cut_off(home / "out")
    assert everything(home) == before


@pytest.mark.parametrize("name", ["rider.toml", "race.toml"])
def test_init_spares_what_is_there(name: str, home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Neither a file nor a link to nothing is replaced by a template."""
    folder = home / "fresh"
    folder.mkdir()
    (folder / name).symlink_to(home / "later.toml")
    done = run(capsys, "init", "fresh")
    assert_told(done, 1)
    assert (folder / name).is_symlink()
    assert [path.name for path in folder.iterdir()] == [name]
