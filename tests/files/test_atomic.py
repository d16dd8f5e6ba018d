"""Nothing that stood on the disk is lost, whatever fails while results are written."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from pacer.errors import OutputError
from pacer.files._atomic import write_file, write_files

NEW = {"plan.json": b"new plan", "segments.csv": b"new segments", "cue-card.pdf": b"new card"}


def old_folder(tmp_path: Path) -> Path:
    """Make a folder with two of the three results and a file of the user's own."""
    folder = tmp_path / "race-plan"
    folder.mkdir()
    (folder / "plan.json").write_bytes(b"old plan")
    (folder / "segments.csv").write_bytes(b"old segments")
    (folder / "notes.txt").write_bytes(b"the user's own")
    return folder


def content(folder: Path) -> dict[str, bytes]:
    """Read everything in a folder."""
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_all_files_are_written_and_others_left_alone(tmp_path: Path) -> None:
    """Results replace results, and the user's own file stays."""
    folder = old_folder(tmp_path)
    write_files(folder, NEW)
    assert content(folder) == {**NEW, "notes.txt": b"the user's own"}


def test_missing_folders_are_made(tmp_path: Path) -> None:
    """A folder that doesn't exist is made with its parents."""
    write_files(tmp_path / "a" / "b", {"x.txt": b"x"})
    assert content(tmp_path / "a" / "b") == {"x.txt": b"x"}


class Fault:
    """Let a system call work `good` times and then fail."""

    def __init__(self, real: Callable[..., object], good: int, error: BaseException) -> None:
        self.real, self.left, self.error = real, good, error
        self.struck = False

    def __call__(self, *args: object, **kwargs: object) -> object:
        """Do as the real one until the time has come."""
        self.left -= 1
        if self.left == -1:
            self.struck = True
            raise self.error
        return self.real(*args, **kwargs)


FAULTS = [OSError(errno.ENOSPC, "No space left on device"), OSError(errno.EROFS, "Read-only file system")]


@pytest.mark.parametrize("error", [*FAULTS, KeyboardInterrupt()], ids=["full", "read-only", "interrupt"])
@pytest.mark.parametrize("call", ["open", "fsync", "replace", "rename", "link"])
@pytest.mark.parametrize("good", range(4))
def test_a_fault_at_any_point_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, good: int, error: BaseException
) -> None:
    """Whichever system call fails, the old files stay whole and nothing else is left behind."""
    folder = old_folder(tmp_path)
    before = content(folder)
    fault = Fault(getattr(os, call), good, error)
    with monkeypatch.context() as patch:
        patch.setattr(os, call, fault)
        told = attempt(folder)
    if told is None:
        # a failed link falls back on a copy, a failed sync of the folder itself is of no account
        assert not fault.struck or call in {"link", "fsync", "open"}
        assert content(folder) == {**NEW, "notes.txt": b"the user's own"}
    else:
        assert content(folder) == before
        assert told == "interrupt" or (str(folder) in told and "nothing was changed" in told)
        assert "\n" not in told


def attempt(folder: Path) -> str | None:
    """Write, and give back what was said if that failed."""
    try:
        write_files(folder, NEW)
    except OutputError as error:
        return str(error)
    except KeyboardInterrupt:
        return "interrupt"
    return None


def test_faults_do_strike(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that fills up on the second file ends in one line that says so."""
    folder = old_folder(tmp_path)
    monkeypatch.setattr(os, "fsync", Fault(os.fsync, 1, OSError(errno.ENOSPC, "No space left on device")))
    with pytest.raises(OutputError, match=r"race-plan: can't write: No space left on device"):
        write_files(folder, NEW)


def test_a_folder_that_was_made_is_removed_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A failed write into a new folder leaves no empty folder behind."""
    monkeypatch.setattr(os, "fsync", Fault(os.fsync, 0, KeyboardInterrupt()))
    with pytest.raises(KeyboardInterrupt):
        write_files(tmp_path / "a" / "b", {"x.txt": b"x"})
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_the_folders_place_is_told(tmp_path: Path) -> None:
    """A path that is a file can't become a folder, and the file stays."""
    (tmp_path / "plan").write_bytes(b"mine")
    with pytest.raises(OutputError, match="a file, not a folder"):
        write_files(tmp_path / "plan", {"x": b"x"})
    assert (tmp_path / "plan").read_bytes() == b"mine"


def test_a_folder_in_a_files_place_is_told(tmp_path: Path) -> None:
    """A result can't replace a folder."""
    (tmp_path / "plan.json").mkdir()
    with pytest.raises(OutputError, match="isn't an ordinary file"):
        write_files(tmp_path, {"a.txt": b"a", "plan.json": b"x"})
    assert [path.name for path in tmp_path.iterdir()] == ["plan.json"]


@pytest.mark.parametrize("name", ["", ".", "..", "../x", "a/b", "/etc/x", "a\0b", "..\\x"])
def test_only_plain_names_are_taken(tmp_path: Path, name: str) -> None:
    """No name leads out of the folder."""
    with pytest.raises(ValueError, match="plain file name"):
        write_files(tmp_path, {name: b"x"})


def test_a_link_is_followed_and_the_mode_kept(tmp_path: Path) -> None:
    """A linked result is replaced where it points to, with the permissions that it had."""
    real = tmp_path / "real.json"
    real.write_bytes(b"old")
    real.chmod(0o640)
    (tmp_path / "plan.json").symlink_to(real)
    write_file(tmp_path / "plan.json", b"new")
    assert real.read_bytes() == b"new"
    assert (tmp_path / "plan.json").is_symlink()
    assert stat.S_IMODE(real.stat().st_mode) == 0o640


def test_one_file_needs_a_name(tmp_path: Path) -> None:
    """A path without a file name is told in one line."""
    with pytest.raises(OutputError, match="give a file name"):
        write_file("/", b"x")
    write_file(tmp_path / "one.txt", b"1")
    assert content(tmp_path) == {"one.txt": b"1"}
