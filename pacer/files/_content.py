"""Files from outside, read whole up to a size, as bytes or as text."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from pacer.errors import InputError
from pacer.files._unfinished import cut_off

__all__ = [
    "Touched",
    "is_folder",
    "read_content",
    "read_text",
    "remember",
    "remember_written",
    "remembered",
    "remembering_files",
]


@dataclass(slots=True)
class Touched:
    """Files that were read, and folders into which results were written whole."""

    read: set[Path] = field(default_factory=set)
    written: set[Path] = field(default_factory=set)


_TOUCHED: Final[ContextVar[Touched | None]] = ContextVar("files touched", default=None)


@contextlib.contextmanager
def remembering_files() -> Iterator[Touched]:
    """Remember what is read meanwhile, so that no result is written over it, and what is written."""
    touched = Touched()
    token = _TOUCHED.set(touched)
    try:
        yield touched
    finally:
        _TOUCHED.reset(token)


def remember(path: Path, error: type[InputError]) -> None:
    """Note that a file is about to be read, where anyone wants to know.

    Raises
    ------
    InputError
        Of the kind given, where the file was being replaced when a run was cut off.
    """
    found = _TOUCHED.get()
    if found is not None:
        found.read.add(path.absolute())
    if cut_off(path):
        what = "was being replaced when the program was cut off: it may not go with the files beside it"
        raise error(what, where=str(path), do="run the command that wrote it again")


def remembered() -> frozenset[Path]:
    """What was read since `remembering_files` began; nothing outside of it."""
    found = _TOUCHED.get()
    return frozenset(found.read if found else ())


def remember_written(folder: Path) -> None:
    """Note that results stand whole in a folder."""
    found = _TOUCHED.get()
    if found is not None:
        found.written.add(folder)


_MEGABYTE = 1_000_000


def is_folder(path: Path) -> bool:
    """Whether a folder stands there; False for what can't be the name of anything."""
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def read_content(path: Path, *, most: int, kind: str, error: type[InputError]) -> bytes:
    """Read a file, but never more than `most` bytes of it, so that a device in its place ends too.

    Parameters
    ----------
    path : Path
    most : int
        Bytes.
    kind : str
        What the file is to be, with its article, for the message.
    error : type of InputError
        What to raise.
    """
    where = str(path)
    try:
        remember(path, error)
        with path.open("rb") as file:
            content = file.read(most + 1)
    except OSError as fault:
        if is_folder(path):
            raise error("a folder, not a file", where=where, do="give the file in it") from None
        reason = fault.strerror or type(fault).__name__
        raise error("the file can't be read", where=where, found=reason, do="check the name") from None
    except ValueError:  # a null character in the path
        raise error("the file can't be read", where=where, found="not the name of a file") from None
    if len(content) > most:
        raise error(f"too large for {kind}", where=where, found=f"over {most // _MEGABYTE} MB")
    return content


def read_text(path: Path, *, most: int, kind: str, error: type[InputError]) -> str:
    """Read a file of UTF-8 text, with or without a byte-order mark; parameters as for `read_content`."""
    content = read_content(path, most=most, kind=kind, error=error)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        raise error(
            "is not UTF-8", where=str(path), found=f"byte {fault.start}", do="save it as UTF-8"
        ) from None
