"""What the readers of XML share: moments, and the guard against what no file of a course or ride needs."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Final
from xml.parsers import expat

__all__ = ["DEEPEST", "defines_entities", "parse_moment"]

DEEPEST: Final = 100
"""Elements within each other; real files stay below 20."""

_CHUNK: Final = 65_536


def parse_moment(text: str | None) -> float:
    """Seconds since 1970-01-01 UTC of an ISO 8601 moment, UTC where it names no offset; NaN for none."""
    try:
        moment = datetime.fromisoformat((text or "").strip())
    except ValueError:
        return math.nan
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


class _RootReachedError(Exception):
    """The part of a file where entities are defined has ended."""


class _EntityFoundError(Exception):
    """The file defines an entity."""


def defines_entities(file: Path) -> bool:
    """Whether an XML file defines entities before its root; False where it isn't XML."""

    def root(*_: object) -> None:
        raise _RootReachedError

    def entity(*_: object) -> None:
        raise _EntityFoundError

    parser = expat.ParserCreate()
    parser.StartElementHandler = root
    parser.EntityDeclHandler = entity
    try:
        with file.open("rb") as stream:
            while chunk := stream.read(_CHUNK):
                parser.Parse(chunk, False)
    except _EntityFoundError:
        return True
    except (_RootReachedError, expat.ExpatError, ValueError, LookupError):
        return False
    return False
