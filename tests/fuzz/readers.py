"""Every reader of files from outside, as one call from bytes, with valid files to start from.

Shared by the property tests in `tests/hostile` and the coverage-guided fuzzing of `tests.fuzz.run`.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from pacer.errors import InputError

ROUTES: Final = Path(__file__).parents[2] / "routes"
LONGEST_LINE: Final = 500


@dataclass(frozen=True)
class Reader:
    """One reader: what a file of its kind is called, how it is read, what a valid one looks like."""

    name: str
    file: str
    read: Callable[[Path], object]
    seeds: Callable[[], tuple[bytes, ...]]

    def outcome(self, content: bytes) -> str | None:
        """Read these bytes: None where they pass, else the line that the user gets.

        Whatever isn't an `InputError` comes out as it is.
        """
        path = _folder() / self.file
        path.write_bytes(content)
        try:
            self.read(path)
        except InputError as error:
            return str(error)
        return None


def faults_of_line(line: str) -> list[str]:
    """What is wrong with a line that a user is to read."""
    faults = []
    if not line.isprintable():
        faults.append("holds characters that can't be printed")
    if len(line) >= LONGEST_LINE:
        faults.append(f"is {len(line)} characters long")
    if not line.strip():
        faults.append("is empty")
    return faults


@lru_cache(maxsize=1)
def _folder() -> Path:
    return Path(tempfile.mkdtemp(prefix="pacer-hostile-"))


def _gpx(path: Path) -> object:
    from pacer.files.gpx import read_gpx

    return read_gpx(path)


def _course(path: Path) -> object:
    from pacer.course.build import build_course
    from pacer.course.cells import make_cells
    from pacer.course.zones import waypoint_zones

    course = build_course(_short(_gpx(path)))
    waypoint_zones(course)
    return make_cells(course)


def _short(track: Any) -> Any:
    """Refuse what would only take long: the course's own tests hold large ones to a time."""
    import numpy as np

    span = np.ptp(track.latitude_deg) + np.ptp(track.longitude_deg)
    if span > 1.0:
        raise InputError("further than this test goes")
    return track


def _rider(path: Path) -> object:
    from pacer.files.settings import read_rider_file

    return read_rider_file(path)


def _race(path: Path) -> object:
    from pacer.files.settings import override_race, read_race_file

    return override_race(read_race_file(path), wind_speed_m_s=2.0, wind_from_deg=20.0, laps=2)


def _forecast(path: Path) -> object:
    from pacer.files.weather import read_forecast

    return read_forecast(path)


def _zones(path: Path) -> object:
    from pacer.files.zones import read_zones_geojson

    return read_zones_geojson(path)


def _ride(path: Path) -> object:
    from pacer.files.rides import read_recording
    from pacer.rides.recording import make_ride

    return make_ride(read_recording(path))


def _plan(path: Path) -> object:
    from pacer.files.plans import read_plan

    return read_plan(path)


def _gpx_seeds() -> tuple[bytes, ...]:
    point = (
        '<trkpt lat="{:.6f}" lon="5.{:06d}"><ele>{:.1f}</ele><time>2026-05-01T08:00:{:02d}Z</time></trkpt>'
    )
    points = "".join(point.format(50 + 3e-4 * i, 100 * i, 100 + i % 5, i) for i in range(40))
    waypoint = '<wpt lat="50.003" lon="5.0001"><name>Feed</name><desc>left</desc><sym>Food</sym></wpt>'
    head = '<?xml version="1.0" encoding="UTF-8"?>'
    track = (
        f'{head}<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">{waypoint}'
        f"<trk><name>Morning</name><trkseg>{points}</trkseg></trk></gpx>"
    )
    shape = '<extensions><x:rpt lat="50.0002" lon="5"/></extensions>'
    route = (
        '<gpx version="1.0"><rte><name>R</name>'
        f'<rtept lat="50" lon="5"><ele>10</ele>{shape}</rtept>'
        '<rtept lat="50.001" lon="5"><ele>12</ele></rtept>'
        '<rtept lat="50.003" lon="5.001"><ele>9</ele></rtept></rte></gpx>'
    )
    wide = f'<?xml version="1.0" encoding="UTF-16"?>{route}'.encode("utf-16")
    return track.encode(), route.encode(), wide


def _files(pattern: str) -> Callable[[], tuple[bytes, ...]]:
    return lambda: tuple(path.read_bytes() for path in sorted(ROUTES.glob(pattern)))


def _rider_seeds() -> tuple[bytes, ...]:
    from pacer.files.templates import rider_template

    return (*_files("rider-*.toml")(), rider_template().encode())


def _race_seeds() -> tuple[bytes, ...]:
    from pacer.files.templates import race_template

    (_folder() / "scarnow-pass.forecast.csv").write_bytes((ROUTES / "scarnow-pass.forecast.csv").read_bytes())
    return (*_files("*.race.toml")(), race_template().encode())


def _zones_seeds() -> tuple[bytes, ...]:
    shapes = {
        "MultiPoint": [[5.0, 50.0], [5.0, 50.001]],
        "MultiLineString": [[[5.0, 50.0], [5.0, 50.01]]],
        "MultiPolygon": [[[[5, 50], [5.1, 50], [5.1, 50.1], [5, 50]]]],
    }
    features = [
        {
            "type": "Feature",
            "properties": {"kind": "no-tuck", "note": name, "heading_deg": 90.0, "both_ways": True},
            "geometry": {"type": name, "coordinates": coordinates},
        }
        for name, coordinates in shapes.items()
    ]
    drawn = json.dumps({"type": "FeatureCollection", "features": features}).encode()
    return (*_files("*.zones.geojson")(), drawn)


def _ride_xml_seeds() -> tuple[bytes, ...]:
    from tests.files.test_rides import gpx, gpx_point, tcx, tcx_point

    power = "<p:Power>210</p:Power><p:hr>150</p:hr><p:atemp>18</p:atemp>"
    return (
        tcx("".join(tcx_point(s) for s in range(25))).encode(),
        gpx("".join(gpx_point(s, power) for s in range(25))).encode(),
    )


def _ride_csv_seeds() -> tuple[bytes, ...]:
    head = "time_s,distance_m,speed_m_s,latitude_deg,longitude_deg,elevation_m,power_w,heart_rate_bpm,lap"
    rows = [f"{s},{8 * s},8.0,{47 + 7e-5 * s:.6f},-28.0,12.5,200,140,{s // 20}" for s in range(40)]
    moments = [f"2026-05-01T08:00:{s:02d}Z,29.5,21" for s in range(30)]
    return (
        "\n".join([head, *rows]).encode(),
        "\n".join(["time,speed_kmh,temperature_c", "# note", *moments]).encode(),
    )


def _fit_seeds() -> tuple[bytes, ...]:
    from tests.files.test_rides import fit_ride

    return (fit_ride(_folder()).read_bytes(), fit_ride(_folder(), sub_sport=6, cut=40).read_bytes())


@lru_cache(maxsize=1)
def small_plan() -> bytes:
    """A plan file of ten cells, cut from the invented sample."""
    from pacer.files.plans import plan_to_json
    from tests.render.sample import sample_plan

    data = json.loads(plan_to_json(sample_plan()))
    cells, nodes = data["cells"], data["nodes"]
    data["cells"] = {name: column[:10] for name, column in cells.items()}
    data["nodes"] = {name: column[:11] for name, column in nodes.items()}
    end, time = nodes["distance_m"][10], nodes["time_s"][10]
    data["totals"] |= {"time_s": time, "distance_m": end}
    data["segments"] = data["segments"][: 1 + max(data["cells"]["segment"])]
    data["segments"][-1] |= {"end_m": end}
    data["cues"] = [cue for cue in data["cues"] if cue["at_m"] <= end] or data["cues"][:1]
    data["unsafe_to_tuck"] = data["unsafe_to_tuck"][:1]
    return json.dumps(data, ensure_ascii=False).encode()


READERS: Final = {
    reader.name: reader
    for reader in (
        Reader("gpx", "course.gpx", _gpx, _gpx_seeds),
        Reader("course", "course.gpx", _course, _gpx_seeds),
        Reader("rider", "rider.toml", _rider, _rider_seeds),
        Reader("race", "race.toml", _race, _race_seeds),
        Reader("forecast", "forecast.csv", _forecast, _files("*.forecast.csv")),
        Reader("zones", "zones.geojson", _zones, _zones_seeds),
        Reader("ride-xml", "ride.tcx", _ride, _ride_xml_seeds),
        Reader("ride-csv", "ride.csv", _ride, _ride_csv_seeds),
        Reader("ride-fit", "ride.fit", _ride, _fit_seeds),
        Reader("plan", "plan.json", _plan, lambda: (small_plan(),)),
    )
}
