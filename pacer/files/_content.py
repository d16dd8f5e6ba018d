"""Files from outside, read whole up to a size, as bytes or as text."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from contextvars import ContextVar
from pathlib import Path
from typing import Final

from pacer.errors import InputError
from pacer.files._unfinished import cut_off

__all__ = ["read_content", "read_text", "remember", "remembered", "remembering_inputs"]

_READ: Final[ContextVar[set[Path] | None]] = ContextVar("files read", default=None)


@contextlib.contextmanager
def remembering_inputs() -> Iterator[None]:
    """Remember what is read meanwhile, so that no result is written over it."""
    token = _READ.set(set())
    try:
        yield
    finally:
        _READ.reset(token)


def remember(path: Path) -> None:
    """Note that a file is read, where anyone wants to know."""
    found = _READ.get()
    if found is not None:
        found.add(path.absolute())


def remembered() -> frozenset[Path]:
    """What was read since `remembering_inputs` began; nothing outside of it."""
    return frozenset(_READ.get() or ())


_MEGABYTE = 1_000_000


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
    remember(path)
    try:
        if cut_off(path):
            what = "was being replaced when the program was cut off: it may not go with the files beside it"
            raise error(what, where=where, do="run the command that wrote it again")
        with path.open("rb") as file:
            content = file.read(most + 1)
    except OSError as fault:
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
