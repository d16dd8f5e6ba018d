"""Zones that a race file gives by kilometre, where options change the road along which they count."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pacer.cli.loading import CourseOptions, load_request
from pacer.course.track import ZoneKind
from pacer.errors import SettingsError
from pacer.workflow import Request

ROAD = "".join(f'<trkpt lat="{50 + 1e-4 * i:.6f}" lon="5"><ele>100</ele></trkpt>' for i in range(400))
"""4.4 km to the north."""

RACE = """[race]
reverse = {reverse}
[[zones]]
kind = "no-tuck"
start_km = 1.0
end_km = 1.2
note = "gate"
"""


def gate(
    folder: Path, *, file: bool = False, options: CourseOptions | None = None, **over: Any
) -> tuple[float, float, Request]:
    """Where the gate lies on the road as ridden [m], and the request."""
    route, race = folder / "north.gpx", folder / "race.toml"
    route.write_text(f'<gpx version="1.1"><trk><trkseg>{ROAD}</trkseg></trk></gpx>', encoding="utf-8")
    race.write_text(RACE.format(reverse=str(file).lower()), encoding="utf-8")
    request = load_request(route, None, race, options=options, overrides=over)
    (zone,) = [z for z in request.zones if z.kind is ZoneKind.NO_TUCK]
    return zone.start, zone.end, request


def told(request: Request, words: str) -> bool:
    """Whether the user is told, loudly."""
    return any(words in change.what and change.loud for change in request.course.changes)


@pytest.mark.parametrize("file", [False, True])
def test_an_option_that_turns_the_course_turns_its_zones(tmp_path: Path, file: bool) -> None:
    """The gate stays on its piece of road, and the plan says so; the file's own way round changes nothing."""
    for over in ({}, {"reverse": file}):
        start, end, request = gate(tmp_path, file=file, **over)
        assert (start, end) == (1000.0, 1200.0)
        assert not told(request, "other way")
    length = request.course.length
    start, end, request = gate(tmp_path, file=file, reverse=not file)
    assert (start, end) == pytest.approx((length - 1200.0, length - 1000.0), abs=0.1)
    assert told(request, "other way")


def test_zones_on_a_part_of_the_course(tmp_path: Path) -> None:
    """They count from where the part begins, which is said; with a course turned round nobody knows."""
    part = CourseOptions(start_km=0.5)
    start, end, request = gate(tmp_path, options=part)
    assert (start, end) == (1000.0, 1200.0)
    assert told(request, "where this part begins")
    with pytest.raises(SettingsError, match="zones by kilometre"):
        gate(tmp_path, options=part, reverse=True)
