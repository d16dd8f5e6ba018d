"""Reading the hourly forecast."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pacer.errors import WeatherError
from pacer.files.weather import COLUMNS, read_forecast

HEADER = "time,wind_from_deg,wind_speed_m_s,gust_m_s,temperature_c,pressure_hpa,relative_humidity"
FIRST = "2026-06-14T07:00:00+01:00,240,5.0,9.0,14.5,1015.2,0.72"
SECOND = "2026-06-14T08:00:00+01:00,250,6.0,10.0,15.5,1015.0,0.70"


@pytest.fixture
def write(tmp_path: Path):
    """Write the lines of a forecast."""

    def _write(*lines: str, encoding: str = "utf-8") -> Path:
        path = tmp_path / "forecast.csv"
        path.write_text("\n".join(lines) + "\n", encoding=encoding)
        return path

    return _write


def test_every_column_arrives_in_si(write) -> None:
    """Kelvins, pascals, fractions, vector components, seconds since 1970."""
    weather = read_forecast(write(HEADER, FIRST, SECOND)).weather
    assert weather.time[0] == datetime(2026, 6, 14, 6, tzinfo=UTC).timestamp()
    np.testing.assert_allclose(np.diff(weather.time), 3600.0)
    np.testing.assert_allclose(weather.temperature, [287.65, 288.65])
    np.testing.assert_allclose(weather.pressure, [101_520.0, 101_500.0])
    np.testing.assert_allclose(weather.relative_humidity, [0.72, 0.70])
    np.testing.assert_allclose(weather.gust, [9.0, 10.0])
    np.testing.assert_allclose(np.hypot(weather.wind_east, weather.wind_north), [5.0, 6.0])
    assert weather.wind_east[0] == pytest.approx(5.0 * np.sin(np.radians(60.0)))
    assert weather.start is None


def test_comments_order_and_offsets_are_free(write) -> None:
    """Columns in any order, lines with #, a mark at the beginning, Z for an offset."""
    path = write(
        "# made up", "wind_speed_m_s, time ,wind_from_deg", "", "5,2026-06-14T06:00:00Z,240",
        "6,2026-06-14T08:00:00+01:00,250", encoding="utf-8-sig",
    )  # fmt: skip
    forecast = read_forecast(path)
    np.testing.assert_allclose(np.diff(forecast.weather.time), 3600.0)
    told = " ".join(forecast.assumed)
    for words in ("1.66 times", "15 °C", "1013.25 hPa", "50 % humidity"):
        assert words in told


def test_an_empty_gust_is_filled_and_said(write) -> None:
    """Only that hour gets the factor."""
    forecast = read_forecast(write(HEADER, FIRST, SECOND.replace("10.0", "")))
    np.testing.assert_allclose(forecast.weather.gust, [9.0, 9.96])
    assert "some or all hours" in forecast.assumed[0]


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ([], "line 1: lacks a column (found no time, wind_from_deg, wind_speed_m_s)"),
        ([HEADER], "must have at least two moments (found 0)"),
        ([HEADER, FIRST], "must have at least two moments (found 1)"),
        ([HEADER.replace("gust_m_s", "gust"), FIRST, SECOND], "line 1: has an unknown column (found 'gust')"),
        ([HEADER + ",time", FIRST, SECOND], "has a column twice (found time)"),
        (["time,wind_from_deg", FIRST], "found no wind_speed_m_s"),
        ([HEADER, FIRST, SECOND + ",1"], "line 3: must have 7 fields (found 8)"),
        (
            [HEADER, FIRST, SECOND.replace("+01:00", "")],
            "line 3, time: must be a date and time with its offset",
        ),
        (
            [HEADER, FIRST, SECOND.replace("2026-06-14T08", "8 o'clock")],
            "line 3, time: must be a date and time",
        ),
        ([HEADER, SECOND, FIRST], "line 3, time: must be later than that of the line before"),
        ([HEADER, FIRST, FIRST], "line 3, time: must be later"),
        (
            [HEADER, "# x", FIRST, SECOND.replace("250", "400")],
            "line 4, wind_from_deg: must be a number from 0 to 360",
        ),
        (
            [HEADER, FIRST, SECOND.replace("6.0", "-1")],
            "line 3, wind_speed_m_s: must be a number from 0 to 40 m/s",
        ),
        (
            [HEADER, FIRST, SECOND.replace("15.5", "nan")],
            "line 3, temperature_c: must be a number from -30 to 50 °C",
        ),
        ([HEADER, FIRST, SECOND.replace("15.5", "")], "(found '')"),
        ([HEADER, FIRST, SECOND.replace("15.5", "=1+1")], "(found '=1+1')"),
        ([HEADER, FIRST, SECOND.replace("0.70", "70")], "70 % is written 0.7"),
        (
            [HEADER, FIRST, SECOND.replace("10.0", "5.0")],
            "line 3, gust_m_s: can't be below the mean wind, 6 m/s",
        ),
        ([HEADER, FIRST, '"2026'], "line 3: is not a line of CSV"),
        ([HEADER, FIRST, SECOND.replace("2026", "0001").replace("08:00", "00:00")], "line 3, time:"),
    ],
)
def test_a_fault_is_named_with_line_and_column(write, lines: list[str], words: str) -> None:
    """One line says file, line, column, what was found and what is allowed."""
    with pytest.raises(WeatherError) as caught:
        read_forecast(write(*lines))
    line = str(caught.value)
    assert words in line
    assert "\n" not in line
    assert "forecast.csv" in line


def test_what_can_not_be_read_is_refused(tmp_path: Path) -> None:
    """Missing, a folder, not UTF-8, too large."""
    with pytest.raises(WeatherError, match="can't be read"):
        read_forecast(tmp_path / "none.csv")
    with pytest.raises(WeatherError, match="a folder, not a file"):
        read_forecast(tmp_path)
    path = tmp_path / "f.csv"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(WeatherError, match="not UTF-8"):
        read_forecast(path)
    path.write_bytes(b"#" * 5_000_001)
    with pytest.raises(WeatherError, match="too large"):
        read_forecast(path)


@given(st.text(alphabet=st.sampled_from([*HEADER, *FIRST, "\n", '"', "\0", ";", "é"]), max_size=300))
def test_any_text_is_read_or_refused_in_one_line(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    """No content ends in another error."""
    path = tmp_path_factory.mktemp("f") / "f.csv"
    path.write_text(HEADER + "\n" + text, encoding="utf-8")
    with pytest.raises(WeatherError) as caught:
        read_forecast(path)
    assert "\n" not in str(caught.value)


def test_the_columns_are_those_of_the_contract() -> None:
    """Time first, then these."""
    assert ",".join(("time", *COLUMNS)) == HEADER
