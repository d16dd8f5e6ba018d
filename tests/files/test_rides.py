"""Recorded rides: what is read, what is handled and said, what is refused in one line."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from pacer.errors import RideError
from pacer.files.rides import read_recording
from pacer.rides.prepare import require_road_ride
from pacer.rides.recording import make_ride
from pacer.rides.ride import Place
from tests.files.fit_writer import FitWriter

START = 1_750_000_000.0


def moment(seconds: float) -> str:
    """ISO 8601 of a time after the start."""
    from datetime import UTC, datetime

    return datetime.fromtimestamp(START + seconds, UTC).isoformat().replace("+00:00", "Z")


def tcx(points: str, sport: str = "Biking") -> str:
    """A TCX file of one activity."""
    return (
        '<?xml version="1.0"?><TrainingCenterDatabase xmlns="urn:x"><Activities>'
        f'<Activity Sport="{sport}"><Lap StartTime="{moment(0)}"><TotalTimeSeconds>60</TotalTimeSeconds>'
        "<Track>"
        f"{points}</Track></Lap></Activity></Activities></TrainingCenterDatabase>"
    )


def tcx_point(second: float, power: int | None = 200, distance: float | None = None) -> str:
    """One point of it."""
    metres = 8.0 * second if distance is None else distance
    watts = (
        ""
        if power is None
        else f"<Extensions><e:TPX xmlns:e='urn:e'><e:Watts>{power}</e:Watts></e:TPX></Extensions>"
    )
    return (
        f"<Trackpoint><Time>{moment(second)}</Time><Position><LatitudeDegrees>{47 + second * 7e-5:.6f}"
        "</LatitudeDegrees><LongitudeDegrees>-28.0</LongitudeDegrees></Position><AltitudeMeters>12.5</AltitudeMeters>"
        f"<DistanceMeters>{metres}</DistanceMeters><HeartRateBpm><Value>140</Value></HeartRateBpm>{watts}</Trackpoint>"
    )


def save(folder: Path, name: str, text: str) -> Path:
    """Write a file to read."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def gpx(points: str, kind: str = "cycling") -> str:
    """A GPX file of one track."""
    return (
        '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="t" xmlns:p="urn:p"><trk>'
        f"<type>{kind}</type><trkseg>{points}</trkseg></trk></gpx>"
    )


def gpx_point(second: float, extension: str, latitude: float | None = None) -> str:
    """One point of it."""
    place = 47 + second * 7e-5 if latitude is None else latitude
    return (
        f'<trkpt lat="{place:.6f}" lon="{-28.0 if latitude is None else 0.0}"><ele>5</ele>'
        f"<time>{moment(second)}</time><extensions>{extension}</extensions></trkpt>"
    )


def test_tcx_gives_every_channel(tmp_path):
    """Distance, heart rate, power and the lap are read; a speed is taken from the distance."""
    path = save(tmp_path, "a.tcx", tcx("".join(tcx_point(s) for s in range(60))))
    ride = make_ride(read_recording(path))
    assert len(ride) == 60
    assert ride.power == pytest.approx(np.full(60, 200.0))
    assert ride.heart_rate == pytest.approx(np.full(60, 140.0))
    assert ride.speed[10:50] == pytest.approx(np.full(40, 8.0))
    assert ride.distance[-1] == pytest.approx(59 * 8.0)
    assert [(lap.end - lap.start, lap.name) for lap in ride.laps] == [(60.0, "lap 1")]
    assert any("no speed recorded" in note for note in ride.notes)


@pytest.mark.parametrize(
    "extension",
    [
        "<power>211</power>",
        "<p:power>211</p:power>",
        "<p:PowerInWatts>211</p:PowerInWatts>",
        "<p:TrackPointExtension><p:deep><p:Watts>211</p:Watts></p:deep></p:TrackPointExtension>",
    ],
)
def test_gpx_power_is_found_in_any_namespace_at_any_depth(tmp_path, extension):
    """Power stands in extensions under several names."""
    path = save(tmp_path, "a.gpx", gpx("".join(gpx_point(s, extension) for s in range(30))))
    ride = make_ride(read_recording(path))
    assert ride.power == pytest.approx(np.full(30, 211.0))
    assert ride.distance[-1] == pytest.approx(29 * 7e-5 * 111_170.0, rel=2e-3)


def test_first_fix_at_zero_is_dropped_and_said(tmp_path):
    """A device that starts at 0,0 doesn't add half a planet."""
    points = gpx_point(0, "<power>1</power>", latitude=0.0) + "".join(
        gpx_point(s, "<power>200</power>") for s in range(1, 40)
    )
    ride = make_ride(read_recording(save(tmp_path, "a.gpx", gpx(points))))
    assert np.isnan(ride.latitude_deg[0])
    assert ride.distance[-1] < 400.0
    assert any("0,0" in note for note in ride.notes)


def test_stray_fix_is_dropped(tmp_path):
    """One fix far from both its neighbours isn't ridden."""
    points = "".join(
        gpx_point(s, "<power>200</power>", latitude=(48.0 if s == 20 else None)) for s in range(40)
    )
    ride = make_ride(read_recording(save(tmp_path, "a.gpx", gpx(points))))
    assert np.isnan(ride.latitude_deg[20])
    assert np.isfinite(ride.latitude_deg[19])
    assert np.isfinite(ride.latitude_deg[21])


def test_several_sports_give_the_cycling_part(tmp_path):
    """Of a file with a swim and a ride only the ride is used."""
    ride = "".join(tcx_point(100 + s) for s in range(40))
    swim = "".join(tcx_point(s, power=None) for s in range(40))
    text = tcx(ride).replace(
        "<Activities>",
        f'<Activities><Activity Sport="Other"><Lap><Track>{swim}</Track></Lap></Activity>',
    )
    recording = read_recording(save(tmp_path, "tri.tcx", text))
    assert recording.time.size == 40
    assert recording.time[0] == START + 100
    assert any("cycling part" in note for note in recording.notes)


def test_an_unknown_type_is_taken_for_a_ride(tmp_path):
    """A GPX type is free text; only the names of other sports are refused."""
    points = "".join(gpx_point(s, "<power>200</power>") for s in range(30))
    assert read_recording(save(tmp_path, "a.gpx", gpx(points, kind="club event"))).time.size == 30
    with pytest.raises(RideError, match="no cycling"):
        read_recording(save(tmp_path, "b.gpx", gpx(points, kind="trail running")))


def test_a_run_is_refused(tmp_path):
    """A file without cycling is refused by its sport."""
    path = save(tmp_path, "run.tcx", tcx("".join(tcx_point(s) for s in range(30)), sport="Running"))
    with pytest.raises(RideError, match=r"run\.tcx: no cycling in the file \(found running\)"):
        read_recording(path)


def test_a_file_that_breaks_off_is_read_as_far_as_it_goes(tmp_path):
    """A flat battery doesn't cost the ride."""
    text = tcx("".join(tcx_point(s) for s in range(60)))
    recording = read_recording(save(tmp_path, "a.tcx", text[: text.index("</Track>") - 400]))
    assert 50 < recording.time.size < 60
    assert any("breaks off" in note for note in recording.notes)


def test_csv_gives_channels_and_laps(tmp_path):
    """Own CSV: units in the names, empty fields missing, a new lap where its name changes."""
    rows = "\n".join(
        f"{s},{s * 36.0 / 3.6:.1f},36,{'' if s == 5 else 210},{'A' if s < 20 else 'B'}" for s in range(40)
    )
    path = save(tmp_path, "a.csv", f"# invented\ntime_s,distance_m,speed_kmh,power_w,lap\n{rows}\n")
    ride = make_ride(read_recording(path))
    assert ride.speed == pytest.approx(np.full(40, 10.0))
    assert np.isnan(ride.power[5])
    assert [lap.name for lap in ride.laps] == ["A", "B"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("power_w,speed_kmh\n1,2\n", "no column of time"),
        (
            "time_s,power_w\n0,200\n1,two hundred\n2,1\n",
            r"line 3: power_w isn't a number \(found 'two hundred'\)",
        ),
        ("time,power_w\nyesterday,200\ntoday,1\n", "no moment of the column time can be read"),
        ("time_s,power_w\n0,200\n", "fewer than two records"),
        ("", "empty"),
        ("hello", "neither FIT, TCX, GPX nor CSV"),
        ("<html><p>x</p></html>", r"not a TCX or GPX file \(found <html>\)"),
        ("<gpx><trk><trkseg>", "no recorded points|damaged"),
    ],
)
def test_what_can_not_be_read_is_told_in_one_line(tmp_path, text, message):
    """Each fault has its line: what, where, what was found."""
    with pytest.raises(RideError, match=message) as error:
        make_ride(read_recording(save(tmp_path, "fault.csv", text)))
    assert "\n" not in str(error.value)


def test_a_missing_file_and_a_folder_are_told(tmp_path):
    """Neither ends in a traceback."""
    with pytest.raises(RideError, match="can't be read"):
        read_recording(tmp_path / "none.fit")
    with pytest.raises(RideError, match="a folder"):
        read_recording(tmp_path)


def fit_ride(folder: Path, *, sub_sport: int = 0, cut: int = 0, corrupt: bool = False) -> Path:
    """A FIT file written from the published layout of the format, with 120 records."""
    writer = FitWriter()
    writer.user(weight=71.5)
    for s in range(120):
        writer.record(
            START + s,
            latitude=47.0 + s * 7e-5,
            longitude=-28.0,
            altitude=30.0,
            metres=8.0 * s,
            speed=8.0,
            power=205,
            heart=141,
            cadence=88,
            temperature=17,
        )
    writer.lap(START, 60.0)
    writer.lap(START + 60, 60.0)
    writer.session(START, 120.0, sport=2, sub_sport=sub_sport)
    data = writer.finish()
    if corrupt:
        data = data[:-1] + bytes([data[-1] ^ 0xFF])
    path = folder / "a.fit"
    path.write_bytes(data[: len(data) - cut])
    return path


def test_fit_gives_every_channel(tmp_path):
    """Units of the format are undone: semicircles, scaled altitude, distance and speed."""
    ride = make_ride(read_recording(fit_ride(tmp_path)))
    assert len(ride) == 120
    assert ride.latitude_deg[100] == pytest.approx(47.007, abs=1e-6)
    assert ride.elevation == pytest.approx(np.full(120, 30.0), abs=0.11)
    assert ride.distance[-1] == pytest.approx(8.0 * 119, abs=0.01)
    assert ride.speed == pytest.approx(np.full(120, 8.0), abs=1e-3)
    assert ride.power == pytest.approx(np.full(120, 205.0))
    assert ride.temperature == pytest.approx(np.full(120, 290.15))
    assert ride.rider_mass == pytest.approx(71.5)
    assert len(ride.laps) == 2
    assert ride.place is Place.OUTDOORS


@pytest.mark.parametrize(("code", "place"), [(6, Place.INDOORS), (58, Place.VIRTUAL)])
def test_fit_tells_where_it_was_ridden(tmp_path, code, place):
    """Indoor and virtual rides are known by their sub-sport and refused for calibration."""
    ride = make_ride(read_recording(fit_ride(tmp_path, sub_sport=code)))
    assert ride.place is place
    with pytest.raises(RideError, match="ridden in"):
        require_road_ride(ride)


def test_truncated_fit_is_read_as_far_as_it_goes(tmp_path):
    """Half a file gives half a ride, and says so."""
    recording = read_recording(fit_ride(tmp_path, cut=1500))
    assert 40 < recording.time.size < 120
    assert any("breaks off" in note for note in recording.notes)


def test_wrong_check_sum_is_said(tmp_path):
    """A damaged check sum doesn't hide the records."""
    recording = read_recording(fit_ride(tmp_path, corrupt=True))
    assert recording.time.size == 120
    assert any("check sum" in note for note in recording.notes)


def test_fit_of_nothing_is_refused(tmp_path):
    """A header alone isn't a ride."""
    path = tmp_path / "empty.fit"
    path.write_bytes(struct.pack("<BBHI4sH", 14, 16, 100, 0, b".FIT", 0))
    with pytest.raises(RideError, match=r"empty\.fit"):
        read_recording(path)


def test_reading_fit_without_the_extra_says_what_to_install(tmp_path, monkeypatch):
    """Without fitdecode the user is told which extra is missing."""
    import builtins

    real = builtins.__import__

    def without(name, *rest, **more):
        if name == "fitdecode":
            raise ModuleNotFoundError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(RideError, match="pip install fitdecode"):
        read_recording(fit_ride(tmp_path))


def test_damaged_files_end_in_a_ride_or_in_one_line(tmp_path):
    """Whatever bytes are changed, added or lost: never a traceback, never a warning."""
    import random

    rng = random.Random(11)
    points = "".join(gpx_point(s, "<power>200</power>") for s in range(40))
    table = "time_s,speed_kmh,power_w,lap\n" + "\n".join(f"{s},36,200,A" for s in range(40))
    sources = [
        fit_ride(tmp_path).read_bytes(),
        tcx("".join(tcx_point(s) for s in range(40))).encode(),
        gpx(points).encode(),
        table.encode(),
    ]
    rides, refusals = 0, []
    for _ in range(400):
        data = bytearray(rng.choice(sources))
        for _ in range(rng.choice((1, 3, 20))):
            at, kind = rng.randrange(len(data)), rng.random()
            if kind < 0.6:
                data[at] = rng.randrange(256)
            elif kind < 0.8:
                del data[at : at + rng.randrange(1, 20)]
            else:
                data[at:at] = rng.randbytes(4)
        path = tmp_path / "damaged"
        path.write_bytes(data)
        try:
            make_ride(read_recording(path))
            rides += 1
        except RideError as error:
            refusals.append(str(error))
    assert rides > 50
    assert len(refusals) > 50
    assert not any("\n" in line for line in refusals)
