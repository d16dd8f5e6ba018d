"""Recorded rides: FIT, TCX, GPX and CSV, told apart by what stands in them."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from pacer.errors import RideError
from pacer.files._content import remember
from pacer.rides.ride import Recording

__all__ = ["CYCLING_WORDS", "LARGEST", "read_recording"]

LARGEST: Final = 200_000_000
"""A file above this many bytes isn't read; a day's ride takes a few million."""

CYCLING_WORDS: Final = frozenset({"cycling", "biking", "bike", "ride", "e_biking", "road_biking"})
"""What files call the sport."""


def read_recording(path: str | os.PathLike[str]) -> Recording:
    """Read the records of a ride; of a file with several sports, the cycling part.

    Parameters
    ----------
    path : path
        FIT, TCX, GPX or CSV.

    Returns
    -------
    Recording
        As it stands in the file; `pacer.rides.recording.make_ride` makes a ride of it.

    Raises
    ------
    RideError
        In one line, where it can't be read.
    """
    file = Path(path)
    head = _head(file)
    if head[8:12] == b".FIT":
        from pacer.files.rides_fit import read_fit

        return read_fit(file)
    text = head.decode("utf-8", errors="replace").lstrip("\ufeff \t\r\n").lower()
    if text.startswith("<"):
        from pacer.files.rides_xml import read_xml

        return read_xml(file)
    lines = [line for line in text.splitlines() if line.strip() and line[0] != "#"]
    if b"\0" not in head and lines and "," in lines[0]:
        from pacer.files.rides_csv import read_csv

        return read_csv(file)
    raise RideError(
        "not a recorded ride that can be read",
        where=str(path),
        found="neither FIT, TCX, GPX nor CSV",
        do="export the ride in one of these formats",
    )


def _head(file: Path) -> bytes:
    remember(file, RideError)
    try:
        size = file.stat().st_size
        if file.is_dir():
            raise RideError("a folder, not a file", where=str(file), do="give the file of the ride")
        with file.open("rb") as stream:
            head = stream.read(4096)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise RideError(f"can't be read: {reason}", where=str(file), do="check the name") from error
    if size == 0:
        raise RideError("the file is empty", where=str(file), do="export the ride again")
    if size > LARGEST:
        raise RideError(
            "too large to be a ride", where=str(file), found=f"{size / 1e6:.0f} MB", do="export one ride"
        )
    return head
