"""Read a course from a GPX file: parse and validate, repair nothing."""

from __future__ import annotations

import itertools
import math
from array import array
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Final
from xml.parsers import expat

import numpy as np

from pacer.course.track import RawTrack, Waypoint
from pacer.errors import CourseError, one_line
from pacer.files._content import remember
from pacer.files._xml import DEEPEST, parse_moment

__all__ = ["read_gpx"]

_MOST_POINTS: Final = 3_000_000
_MOST_WAYPOINTS: Final = 20_000
_MOST_LINES: Final = 10_000
_MOST_NAMES: Final = 10_000
_JOIN_M: Final = 200.0
"""Tracks whose ends are nearer than this are one course (common practice, no source) [m]."""

_MAGIC: Final = {
    b"PK\x03\x04": "a zip archive",
    b"\x1f\x8b": "a gzip archive",
    b"%PDF": "a PDF",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
}
_ROOTS: Final = {"trainingcenterdatabase": "a TCX file", "kml": "a KML file", "html": "a web page"}
_POINTS: Final = frozenset({"trkpt", "rtept", "rpt", "wpt"})
_POINT_TEXTS: Final = frozenset({"ele", "time"})
_WAYPOINT_TEXTS: Final = frozenset({"name", "desc", "cmt", "type", "sym"})


def read_gpx(path: str | Path, track: int | None = None) -> RawTrack:
    """Read the track or route of a GPX file.

    GPX 1.0, 1.1 and files without a namespace are read alike. Tracks come before routes; parts of one
    track, and tracks that begin where the one before ends, are joined.

    Parameters
    ----------
    path : str or Path
    track : int, optional
        Which track (counted from 1, tracks before routes) where the file has several.

    Returns
    -------
    RawTrack
        Every point as it stands in the file. Elevation is NaN where the file has none; time is NaN where it
        has none or one that isn't a date.

    Raises
    ------
    CourseError
        If the file can't be read, isn't GPX, holds a point that isn't on the Earth, has nothing to ride on,
        or has several tracks that don't join and `track` isn't given.
    """
    path = Path(path)
    reader = _Reader(str(path.name))
    remember(path, CourseError)
    try:
        with path.open("rb") as file:
            _refuse_other_formats(file, path.name)
            _parse(reader, file, path.name)
    except OSError as error:
        raise CourseError(
            "the file can't be read", where=str(path), found=error.strerror or str(error)
        ) from None
    lines = [line for line in reader.tracks if line.count > 1] or [
        line for line in reader.routes if line.count > 1
    ]
    chosen = _choose(lines, reader, path.name, track)
    return _raw_track(chosen, reader, path)


@dataclass(slots=True)
class _Line:
    """A track or a route: where its points and the parts of them begin in the reader's arrays."""

    kind: str
    name: str = ""
    parts: list[int] = field(default_factory=list)
    start: int = 0
    end: int = 0

    @property
    def count(self) -> int:
        return self.end - self.start


class _Reader:
    """Handlers of the XML parser, and what they have collected."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.parser: expat.XMLParserType | None = None
        self.latitude = array("d")
        self.longitude = array("d")
        self.elevation = array("d")
        self.time = array("d")
        self.tracks: list[_Line] = []
        self.routes: list[_Line] = []
        self.waypoints: list[dict[str, str]] = []
        self.name = ""
        self.saw_root = False
        self._stack: list[str] = []
        self._local: dict[str, str] = {}
        self._line: _Line | None = None
        self._waypoint: dict[str, str] | None = None
        self._text: list[str] = []

    def error(self, what: str, found: str = "", do: str = "") -> CourseError:
        line = self.parser.CurrentLineNumber if self.parser is not None else 0
        return CourseError(what, where=f"{self.where}, line {line}", found=found[:60], do=do)

    def attach(self, parser: expat.XMLParserType) -> None:
        """Set the handlers of `parser`."""
        self.parser = parser
        parser.buffer_text = True
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.EntityDeclHandler = self._refuse_entity

    def _refuse_entity(self, *_: object) -> None:
        raise self.error(
            "the file defines XML entities, which no GPX file needs", do="export the course again"
        )

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = self._local.get(tag)
        if name is None:
            name = self._local[tag] = tag.rsplit(":", 1)[-1]
            self._count(len(self._local), _MOST_NAMES, "kinds of element")
        stack = self._stack
        parent = stack[-1] if stack else ""
        stack.append(name)
        self._count(len(stack), DEEPEST, "elements within each other")
        if not self.saw_root:
            self._check_root(name)
        if name in _POINTS:
            self._start_point(name, attributes)
        elif parent in _POINTS:
            if name in _POINT_TEXTS or (parent == "wpt" and name in _WAYPOINT_TEXTS):
                self._collect()
        elif name in ("trk", "rte"):
            self._line = _Line(name, start=len(self.latitude), end=len(self.latitude))
            (self.tracks if name == "trk" else self.routes).append(self._line)
            self._count(len(self.tracks) + len(self.routes), _MOST_LINES, "tracks and routes")
        elif name == "trkseg" and self._line is not None:
            self._line.parts.append(len(self.latitude))
        elif name == "name" and parent in ("trk", "rte", "metadata", "gpx"):
            self._collect()

    def _count(self, count: int, most: int, things: str) -> None:
        if count > most:
            raise self.error(f"more than {most} {things}", do="simplify the course first")

    def _check_root(self, name: str) -> None:
        self.saw_root = True
        if name != "gpx":
            what = _ROOTS.get(name.lower(), f"an XML file of another kind, <{name}>")
            raise CourseError("not a GPX file", where=self.where, found=what, do="export the course as GPX")

    def _start_point(self, name: str, attributes: dict[str, str]) -> None:
        latitude = self._coordinate(attributes, "lat", 90.0)
        longitude = self._coordinate(attributes, "lon", 180.0)
        if name == "wpt":
            self._waypoint = {"lat": repr(latitude), "lon": repr(longitude)}
            self._count(len(self.waypoints), _MOST_WAYPOINTS, "waypoints")
            return
        if self._line is None:
            raise self.error(f"a <{name}> stands outside a track or route")
        self.latitude.append(latitude)
        self.longitude.append(longitude)
        self.elevation.append(math.nan)
        self.time.append(math.nan)
        self._line.end = len(self.latitude)
        self._count(len(self.latitude), _MOST_POINTS, "points")

    def _coordinate(self, attributes: dict[str, str], key: str, bound: float) -> float:
        text = attributes.get(key)
        full = "latitude" if key == "lat" else "longitude"
        if text is None:
            raise self.error(f"a point has no {full} ({key})")
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not -bound <= value <= bound or "_" in text:
            raise self.error(
                f"the {full} of a point must be a number from {-bound:.0f} to {bound:.0f}",
                found=repr(text),
                do="correct or remove the point",
            )
        return value

    def _collect(self) -> None:
        self._text = []
        if self.parser is not None:
            self.parser.CharacterDataHandler = self._text.append

    def _end(self, _tag: str) -> None:
        name = self._stack.pop()
        if name == "wpt" and self._waypoint is not None:
            self.waypoints.append(self._waypoint)
            self._waypoint = None
        if self.parser is None or self.parser.CharacterDataHandler is None:
            return
        self.parser.CharacterDataHandler = None
        text = one_line("".join(self._text))
        parent = self._stack[-1] if self._stack else ""
        if parent == "wpt":
            if self._waypoint is not None:
                self._waypoint.setdefault(name, text[:200])
        elif name == "ele":
            self.elevation[-1] = self._elevation(text)
        elif name == "time":
            self.time[-1] = parse_moment(text)
        elif parent in ("trk", "rte") and self._line is not None:
            self._line.name = text[:200]
        else:
            self.name = text[:200]

    def _elevation(self, text: str) -> float:
        if not text or text.lower() == "nan":
            return math.nan
        try:
            value = float(text)
        except ValueError:
            value = math.inf
        if not math.isfinite(value):
            raise self.error("an elevation isn't a number", found=repr(text), do="correct or remove it")
        return value


def _refuse_other_formats(file: BinaryIO, where: str) -> None:
    head = file.read(12)
    file.seek(0)
    if not head:
        raise CourseError("the file is empty", where=where, do="export the course again")
    kind = next((kind for magic, kind in _MAGIC.items() if head.startswith(magic)), "")
    if head[8:12] == b".FIT":
        kind = "a FIT file"
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if not kind and text.isascii() and b"\0" not in text and text[:1] not in (b"", b"<"):
        kind = "a text that doesn't begin as XML does"
    if kind:
        raise CourseError("not a GPX file", where=where, found=kind, do="export the course as GPX")


def _parse(reader: _Reader, file: BinaryIO, where: str) -> None:
    """Run the parser; where it doesn't know the encoding, decode first."""
    try:
        _run(reader, file, None)
    except (expat.ExpatError, ValueError, LookupError) as error:
        encoding = _declared_encoding(file)
        _check_bytes(error, file, encoding or "utf-8", where)
        if not _is_about_encoding(error) or encoding is None:
            raise _malformed(error, where) from None
        fresh = _Reader(where)
        reader.__dict__.update(fresh.__dict__)
        file.seek(0)
        try:
            text = file.read().decode(encoding)
            parser = expat.ParserCreate("utf-8")
            reader.attach(parser)
            parser.Parse(text.encode(), True)
        except (expat.ExpatError, ValueError, LookupError) as second:
            raise _malformed(second, where) from None


def _run(reader: _Reader, file: BinaryIO, encoding: str | None) -> None:
    parser = expat.ParserCreate(encoding)
    reader.attach(parser)
    parser.ParseFile(file)


def _declared_encoding(file: BinaryIO) -> str | None:
    file.seek(0)
    head = file.read(200).decode("ascii", errors="ignore")
    _, found, rest = head.partition("encoding=")
    return rest[1:].split(rest[0], 1)[0] if found and rest[:1] in ("'", '"') else None


def _check_bytes(error: Exception, file: BinaryIO, encoding: str, where: str) -> None:
    """Say so if what the parser calls an invalid token is a byte that the encoding doesn't have."""
    if not isinstance(error, expat.ExpatError) or error.code != 4:
        return
    file.seek(0)
    try:
        file.read().decode(encoding)
    except UnicodeDecodeError as fault:
        raise CourseError(
            f"the text isn't in the encoding that the file claims, {encoding}",
            where=f"{where}, line {error.lineno}",
            found=f"byte 0x{fault.object[fault.start]:02x}",
            do="save it as UTF-8",
        ) from None
    except (LookupError, ValueError):
        return


def _is_about_encoding(error: Exception) -> bool:
    return not isinstance(error, expat.ExpatError) or error.code == 18


def _malformed(error: Exception, where: str) -> CourseError:
    if not isinstance(error, expat.ExpatError):
        return CourseError(
            "the file's text can't be decoded", where=where, found=str(error), do="save it as UTF-8"
        )
    reason = expat.ErrorString(error.code) or "unknown"
    cut_short = error.code in (3, 5)
    return CourseError(
        "the file ends too early" if cut_short else "not well-formed XML",
        where=f"{where}, line {error.lineno}",
        found=reason,
        do="export or download the course again",
    )


def _choose(lines: list[_Line], reader: _Reader, where: str, track: int | None) -> list[_Line]:
    if not lines:
        points = len(reader.latitude)
        found = ", ".join(
            f"{count} {word}{'s' if count != 1 else ''}"
            for count, word in (
                (len(reader.tracks), "track"),
                (len(reader.routes), "route"),
                (points, "point"),
            )
        )
        raise CourseError("no track or route with at least two points", where=where, found=found)
    if track is not None:
        if not 1 <= track <= len(lines):
            raise CourseError(
                "no such track", where=where, found=f"--track {track}", do=f"choose from 1 to {len(lines)}"
            )
        return [lines[track - 1]]
    gaps = [_gap(reader, before, after) for before, after in itertools.pairwise(lines)]
    if max(gaps, default=0.0) > _JOIN_M:
        listed = ", ".join(f"{i} {line.name!r}" for i, line in enumerate(lines[:4], 1))
        raise CourseError(
            f"{len(lines)} tracks or routes that don't join end to end",
            where=where,
            found=listed + (", …" if len(lines) > 4 else ""),
            do=f"choose one with --track 1 to {len(lines)}",
        )
    return lines


def _gap(reader: _Reader, before: _Line, after: _Line) -> float:
    """Metres from the end of one line to the start of the next, good enough to tell near from far."""
    last, first = before.end - 1, after.start
    middle = math.radians(0.5 * (reader.latitude[last] + reader.latitude[first]))
    east = math.remainder(reader.longitude[first] - reader.longitude[last], 360.0) * math.cos(middle)
    north = reader.latitude[first] - reader.latitude[last]
    return math.hypot(east, north) * 111_195.0


def _raw_track(lines: list[_Line], reader: _Reader, path: Path) -> RawTrack:
    index = np.concatenate([np.arange(line.start, line.end) for line in lines])
    starts = sorted({start for line in lines for start in (line.start, *line.parts)})
    part = np.searchsorted(np.array(starts), index, side="right")
    _, part = np.unique(part, return_inverse=True)
    name = next((line.name for line in lines if line.name), "") or reader.name or path.stem
    return RawTrack(
        name=name,
        source=path.name,
        latitude_deg=np.frombuffer(reader.latitude)[index],
        longitude_deg=np.frombuffer(reader.longitude)[index],
        elevation=np.frombuffer(reader.elevation)[index],
        time=np.frombuffer(reader.time)[index],
        part=part.astype(np.int64),
        waypoints=tuple(_waypoint(item) for item in reader.waypoints),
    )


def _waypoint(item: dict[str, str]) -> Waypoint:
    return Waypoint(
        latitude_deg=float(item["lat"]),
        longitude_deg=float(item["lon"]),
        name=item.get("name", ""),
        description=item.get("desc") or item.get("cmt", ""),
        kind=item.get("type") or item.get("sym", ""),
    )
