"""The file of days."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pacer.air.weather import Surface
from pacer.errors import SettingsError, WeatherError
from pacer.files.members import members_to_csv, read_members
from pacer.files.settings import RaceSettings, default_race, override_race
from pacer.planning.members import Member, Spreads, draw_members


def _racing() -> RaceSettings:
    return override_race(default_race(), wind_from_deg=270.0, wind_speed_m_s=5.0, gust_m_s=8.0)


def _read(tmp_path: Path, text: str) -> tuple[Member, ...]:
    path = tmp_path / "days.csv"
    path.write_text(text)
    return read_members(path, _racing())


def test_drawn_days_come_back_as_written(tmp_path: Path) -> None:
    """A draw written and read again is the same draw, to nine digits."""
    drawn = draw_members(Spreads(), 12, 5)
    again = _read(tmp_path, members_to_csv(drawn).decode())
    for one, two in zip(drawn, again, strict=True):
        assert one.name == two.name
        assert two.shift.speed_factor == pytest.approx(one.shift.speed_factor, rel=1e-8)
        assert two.shift.turn == pytest.approx(one.shift.turn, rel=1e-8)
        assert two.shift.temperature == pytest.approx(one.shift.temperature, rel=1e-8)
        assert two.drag_factor == pytest.approx(one.drag_factor, rel=1e-8)
        assert two.critical_power_factor == pytest.approx(one.critical_power_factor, rel=1e-8)


def test_values_go_over_the_planned_weather(tmp_path: Path) -> None:
    """A field replaces its value alone, an empty one leaves the plan's; gusts follow a stronger wind."""
    windy, cold = _read(tmp_path, "name,wind_speed_m_s,temperature_c\nwindy,7.5,\ncold,,4\n")
    assert windy.name == "windy"
    assert windy.weather is not None
    assert np.hypot(windy.weather.wind_east, windy.weather.wind_north)[0] == pytest.approx(7.5)
    assert windy.weather.gust[0] == pytest.approx(12.0)
    assert cold.weather is not None
    assert cold.weather.temperature[0] == pytest.approx(277.15)
    assert np.hypot(cold.weather.wind_east, cold.weather.wind_north)[0] == pytest.approx(5.0)


def test_a_day_may_be_wet(tmp_path: Path) -> None:
    """The road of a day may be wet although the planned one is dry; all else stays the plan's."""
    wet, dry = _read(tmp_path, "surface,drag_factor\nwet,1\n,1\n")
    assert wet.weather is not None
    assert wet.weather.surface is Surface.WET
    assert wet.weather.gust[0] == pytest.approx(8.0)
    assert dry.weather is None


def test_a_day_may_have_a_forecast_of_its_own(tmp_path: Path) -> None:
    """A forecast named in a line is read from the folder of the file."""
    (tmp_path / "m1.csv").write_text(
        "time,wind_from_deg,wind_speed_m_s\n2026-06-14T07:00:00Z,200,3\n2026-06-14T12:00:00Z,220,6\n"
    )
    (day,) = _read(tmp_path, "forecast,drag_factor\nm1.csv,1.02\n")
    assert day.weather is not None
    assert day.weather.time.size == 2
    assert day.drag_factor == 1.02
    with pytest.raises(WeatherError, match="can't be read"):
        _read(tmp_path, "forecast\nm9.csv\n")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "lacks|no record"),
        ("name\n", "no record"),
        ("wind_kmh\n5\n", "unknown column"),
        ("drag_factor,drag_factor\n1,1\n", "column twice"),
        ("surface\nicy\n", "line 2, surface: must be wet or dry"),
        ("drag_factor\nmuch\n", "line 2, drag_factor: must be a number from 0.5 to 2"),
        ("drag_factor\nnan\n", "must be a number"),
        ("drag_factor\n7\n", "must be a number from 0.5 to 2"),
        ("wind_speed_m_s,gust_m_s\n9,4\n", "line 2: can't be below the mean wind"),
        ("drag_factor,name\n1\n", "must have 2 fields"),
        ("forecast,temperature_c\nm1.csv,5\n", "can't go with constants"),
        ('name\n"open\n', "not a line of CSV"),
    ],
)
def test_faults_are_told_by_line_and_column(tmp_path: Path, text: str, told: str) -> None:
    """One line that says where, what was found, and what it must be."""
    with pytest.raises(SettingsError, match=told) as caught:
        _read(tmp_path, text)
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    """A file that isn't there is one clear line."""
    with pytest.raises(SettingsError, match="can't be read"):
        read_members(tmp_path / "none.csv", _racing())


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    """A picture instead of a table is refused."""
    path = tmp_path / "days.csv"
    path.write_bytes(b"\x89PNG\r\n\x1a\n\x00\xff")
    with pytest.raises(SettingsError, match="UTF-8"):
        read_members(path, _racing())
