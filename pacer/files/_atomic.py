"""Writing results so that what stood there before is never lost half-way.

Every file is first written whole beside its place, in the same folder, and brought to the disk; only when
all of them are ready are they renamed into place, the first named last. Where a rename fails, or the user
interrupts, those already made are taken back. A power cut between two renames leaves a note, see
`_unfinished.py`.

Nothing that was read since `remembering_files` began is ever written over.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from pacer.errors import OutputError, one_line
from pacer.files._content import remember_written, remembered
from pacer.files._unfinished import NOTE, Replacing, note_text, put_back_cut_off

__all__ = ["write_file", "write_files"]

_TRIES: Final = 1000


@dataclass(slots=True)
class _Pending:
    """One file on its way: its place, the new one beside it, and whether the old one is kept as well."""

    target: Path
    temp: Path
    kept: bool = False
    placed: bool = False

    @property
    def aside(self) -> Path:
        """Second name of the old file until all is done."""
        return self.temp.with_suffix(".old")

    def put_back(self) -> None:
        """Bring back what stood at the target, if anything did."""
        if self.kept and os.path.lexists(self.aside):
            self.aside.replace(self.target)
        elif self.placed and not self.kept:
            self.target.unlink(missing_ok=True)

    def tidy(self) -> None:
        """Remove what isn't a result; never raises."""
        for path in (self.temp, self.aside):
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)


@dataclass(slots=True)
class _Batch:
    """What has been done so far, so that it can be undone."""

    made_folders: list[Path] = field(default_factory=list)
    pending: list[_Pending] = field(default_factory=list)
    note: Path | None = None

    def take_back(self) -> list[Path]:
        """Put every old file back and remove what was made; give what couldn't be put back; never raises."""
        left = []
        for item in reversed(self.pending):
            if _insist(item.put_back):
                _insist(item.tidy)
            else:
                left.append(item.aside)
        if self.note is not None and not left:
            _insist(self.note.unlink)
        for folder in reversed(self.made_folders):
            _insist(folder.rmdir)
        return left


def _insist(action: Callable[[], object]) -> bool:
    """Do it in spite of an interrupt or two; whether the system let it be done."""
    for _ in range(_TRIES):
        try:
            action()
        except OSError:
            return False
        except (KeyboardInterrupt, MemoryError):
            continue
        return True
    return False


def write_files(folder: str | os.PathLike[str], files: Mapping[str, bytes]) -> None:
    """Write all of `files` into `folder`, or none of them.

    Parameters
    ----------
    folder : path
        Made where it doesn't exist, with its parents; other files in it are left alone. A link among the
        results is replaced by the result: what it points to may lie elsewhere.
    files : mapping of str to bytes
        Plain file names, without any folder, and what goes into each. The first is the last to be replaced:
        where it is new, so are the others.

    Raises
    ------
    OutputError
        In one line, where anything can't be written or is a file that was read; then nothing has changed.
    ValueError
        Where a name isn't a plain file name.
    """
    for name in files:
        if name in {"", ".", ".."} or Path(name).name != name or "\0" in name or "\\" in name:
            raise ValueError(f"not a plain file name: {name!r}")
    place = Path(folder)
    for name in files:
        _spare(place / name)
    batch = _Batch()
    try:
        _make_folder(place, batch)
        with _told(place, "write"):
            put_back_cut_off(place)
            for name, content in files.items():
                _write_beside(place / name, content, batch)
            _replace_all(place, batch)
    except BaseException:
        if left := batch.take_back():
            names = ", ".join(path.name for path in left)
            told = f"{place}: can't write, nor put back what stood there: it is kept as {names}"
            raise OutputError(one_line(told)) from None
        raise
    remember_written(place)
    for item in batch.pending:
        _insist(item.tidy)


def _replace_all(place: Path, batch: _Batch) -> None:
    """Rename the new files into place, those named first last, with a note on the disk meanwhile."""
    for item in batch.pending:
        _keep_old(item)
    if len(batch.pending) > 1:
        if os.path.lexists(place / NOTE):
            told = f"{place / NOTE}: another run writes here; wait for it, or remove this file"
            raise OutputError(one_line(told))
        batch.note = place / NOTE
        _write_note(batch.note, batch.pending)
        _sync_folder(place)
    for item in reversed(batch.pending):
        item.placed = True  # noted first, so that an interrupt at any point can be taken back
        item.temp.replace(item.target)
    _sync_folder(place)
    if batch.note is not None:
        batch.note.unlink()


def _write_note(note: Path, pending: Iterable[_Pending]) -> None:
    files = (Replacing(item.target.name, item.temp.stem, item.kept) for item in pending)
    with note.open("xb") as stream:
        stream.write(note_text(files))
        stream.flush()
        os.fsync(stream.fileno())


def write_file(path: str | os.PathLike[str], content: bytes) -> None:
    """Write one file whole, or leave what stood there; a link is followed, for it is what the user named.

    Raises
    ------
    OutputError
        In one line, where it can't be written or is a file that was read.
    """
    target = Path(path)
    if not target.name:
        raise OutputError(one_line(f"{path}: can't write here: this is a folder; give a file name"))
    if target.is_symlink():
        target = target.resolve()
    write_files(target.parent, {target.name: content})


def _spare(target: Path) -> None:
    """Refuse to write over what was read."""
    for path in remembered():
        if target.exists() and path.exists() and target.samefile(path):
            raise OutputError(
                one_line(f"{target}: can't write over a file that was read; give another --out")
            )


def _make_folder(place: Path, batch: _Batch) -> None:
    missing: list[Path] = []
    with _told(place, "make the folder"):
        step = place
        while not step.exists() and step != step.parent:
            missing.append(step)
            step = step.parent
        for step in reversed(missing):
            step.mkdir(exist_ok=True)
            batch.made_folders.append(step)
        if not place.is_dir():
            raise OutputError(one_line(f"{place}: can't write into it: it is a file, not a folder"))


def _write_beside(path: Path, content: bytes, batch: _Batch) -> None:
    """Write `content` next to `path`, all the way to the disk."""
    if path.exists() and not path.is_file():
        raise OutputError(one_line(f"{path}: can't write here: it isn't an ordinary file"))
    temp, handle = _open_new(path)
    batch.pending.append(_Pending(path, temp))
    with os.fdopen(handle, "wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    if path.exists() and not path.is_symlink():
        temp.chmod(path.stat().st_mode & 0o7777)


def _open_new(target: Path) -> tuple[Path, int]:
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    for attempt in range(_TRIES):
        temp = target.with_name(f".pacer-{os.getpid()}-{attempt}.new")
        try:
            return temp, os.open(temp, flags, 0o666)
        except FileExistsError:
            continue
    left = f"{target.parent}: too many files of interrupted runs (.pacer-*.new); remove them"
    raise OutputError(one_line(left))


def _keep_old(item: _Pending) -> None:
    """Give the old file a second name until all are in place."""
    if item.target.is_symlink():
        item.aside.symlink_to(item.target.readlink())
        item.kept = True
    elif item.target.exists():
        try:
            item.aside.hardlink_to(item.target)
        except OSError:  # a file system without links: a copy does the same
            _copy(item.target, item.aside)
        item.kept = True


def _copy(source: Path, target: Path) -> None:
    with target.open("wb") as stream:
        stream.write(source.read_bytes())
        stream.flush()
        os.fsync(stream.fileno())


def _sync_folder(folder: Path) -> None:
    """Bring the renames to the disk where the system can (POSIX)."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextlib.contextmanager
def _told(place: Path, action: str) -> Iterator[None]:
    """Turn what the system says into the one line that the user gets."""
    try:
        yield
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise OutputError(one_line(f"{place}: can't {action}: {reason}; nothing was changed")) from error
