"""The race file: from TOML to the core's race, weather and zones; and single values over it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from pacer.air.weather import CALM_ASSUMED, Weather, constant_weather
from pacer.course.track import Zone
from pacer.errors import SettingsError, one_line
from pacer.files._race_weather import override_series, resolve_weather, weather_faults
from pacer.files._schema import Fault, Table, refuse, show, validate
from pacer.files._settings_models import RaceTable, WeatherTable, ZoneTable
from pacer.files._toml import load_toml
from pacer.files._zones import zones_from_tables
from pacer.files.weather import Forecast, read_forecast
from pacer.planning.race import DEFAULT_W_PRIME_RESERVE, FinishKind, Race, StartKind

__all__ = ["RaceSettings", "default_race", "override_race", "race_from_tables", "read_race_file"]

_KNOWN: Final[Mapping[str, type[Table]]] = {
    "[race]": RaceTable,
    "[weather]": WeatherTable,
    "[[zones]]": ZoneTable,
}

OPTIONS: Final[Mapping[str, str]] = {
    "wind_from_deg": "--wind-from",
    "wind_speed_m_s": "--wind-speed",
    "gust_m_s": "--gust",
    "temperature_c": "--temperature",
    "pressure_hpa": "--pressure",
    "relative_humidity": "--humidity",
    "surface": "--wet",
    "laps": "--laps",
    "reverse": "--reverse",
    "effort": "--effort",
    "target_power_w": "--target-power",
    "start_time": "--start-time",
}
"""Which option of the command line stands for which key of the race file."""


@dataclass(frozen=True, slots=True, eq=False)
class RaceSettings:
    """What a race file says.

    Attributes
    ----------
    race : Race
    weather : Weather
        Constants or the forecast, SI, with the start of the race in it.
    zones : tuple of Zone
        Those written in the file by kilometre.
    zones_file : Path or None
        A GeoJSON file with more, as yet unread.
    assumed : tuple of str
        A sentence for each thing that the file doesn't give.
    source : str
        Name of the file, empty without one.
    given : mapping
        The validated keys as they stand in the file, `race` and `weather`.
    forecast : Forecast or None
        The forecast as read.
    turned : bool
        Whether the course is ridden the other way than the one along which the zones count.
    """

    race: Race
    weather: Weather
    zones: tuple[Zone, ...] = ()
    zones_file: Path | None = None
    assumed: tuple[str, ...] = ()
    source: str = ""
    given: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    forecast: Forecast | None = None
    turned: bool = False


def default_race() -> RaceSettings:
    """One lap from a standing start in calm air, for a plan without a race file."""
    return RaceSettings(
        race=Race(), weather=constant_weather(), assumed=(CALM_ASSUMED,), given={"race": {}, "weather": {}}
    )


def read_race_file(path: Path) -> RaceSettings:
    """Read and check a race file, and the forecast that it names.

    Parameters
    ----------
    path : Path
        TOML; names of other files in it start from its folder.

    Raises
    ------
    SettingsError
        If it can't be read; or all that is wrong in it, in one line.
    WeatherError
        If the forecast can't be used.
    """
    data = load_toml(path)
    if "rider" in data and not {"race", "weather"} & set(data):
        do = "give it with --rider, and with --race a file with [race] or [weather]"
        raise SettingsError("is a rider file, not a race file", where=str(path), do=do)
    return race_from_tables(data, str(path), folder=path.parent)


def race_from_tables(
    data: Mapping[str, Any], source: str = "", *, folder: Path = Path(), forecast: Forecast | None = None
) -> RaceSettings:
    """Check the tables of a race file, wherever they were read.

    Parameters
    ----------
    data : mapping
        `race`, `weather`, `zones`, each optional.
    source : str
        What to call the file in an error.
    folder : Path
        Where the names of a forecast and of a zones file start from.
    forecast : Forecast or None
        A forecast already read, instead of the file that is named.

    Raises
    ------
    SettingsError
        All that is wrong, in one line.
    WeatherError
        If the forecast can't be used.
    """
    race_data, weather_data, zones_data = _tables(data)
    faults = _unknown_tables(data)
    race, found = validate(RaceTable, race_data, name="[race]", known=_KNOWN)
    faults += found
    weather, found = validate(WeatherTable, weather_data, name="[weather]", known=_KNOWN)
    faults += found
    zones, zones_file, found = zones_from_tables(zones_data, folder)
    faults += found
    if race is not None:
        faults += _race_faults(race)
    if weather is not None:
        faults += weather_faults(weather)
    if race is None or weather is None or faults:
        raise refuse(source, faults)
    if weather.forecast is not None and forecast is None:
        forecast = read_forecast(folder / weather.forecast)
    settings = _settings(race, weather, forecast)
    return replace(settings, zones=zones, zones_file=zones_file, source=source)


def _tables(data: Mapping[str, Any]) -> tuple[Any, Any, Any]:
    """Take the three parts; a ``zones = "file"`` after a table header fell into that table: lift it out."""
    race, weather, zones = data.get("race", {}), data.get("weather", {}), data.get("zones")
    for table in (race, weather):
        if zones is None and isinstance(table, Mapping) and isinstance(table.get("zones"), str):
            zones = table["zones"]
    if isinstance(race, Mapping):
        race = {key: value for key, value in race.items() if key != "zones" or value is not zones}
    if isinstance(weather, Mapping):
        weather = {key: value for key, value in weather.items() if key != "zones" or value is not zones}
    return race, weather, zones


def _unknown_tables(data: Mapping[str, Any]) -> list[Fault]:
    return [
        Fault(key, "is not a known table", do="known tables: " + ", ".join(_KNOWN))
        for key in data
        if f"[{key}]" not in _KNOWN and f"[[{key}]]" not in _KNOWN
    ]


def _race_faults(race: RaceTable) -> list[Fault]:
    faults = []
    if race.effort is not None and race.target_power_w is not None:
        what = "can't be given together with target_power_w"
        faults.append(Fault("[race] effort", what, show(race.effort), "keep one of the two"))
    if race.start_time is not None and race.start_time.tzinfo is None:
        do = "write it as 2026-06-14T07:30:00+01:00"
        what = "needs its offset from universal time"
        faults.append(Fault("[race] start_time", what, show(race.start_time), do))
    return faults


def _settings(race: RaceTable, weather: WeatherTable, forecast: Forecast | None) -> RaceSettings:
    start = race.start_time.timestamp() if race.start_time is not None else None
    resolved, assumed = resolve_weather(weather, forecast, start)
    return RaceSettings(
        race=_race(race),
        weather=resolved,
        assumed=assumed,
        given={
            "race": race.model_dump(exclude_unset=True),
            "weather": weather.model_dump(exclude_none=True),
        },
        forecast=forecast,
    )


def _race(table: RaceTable) -> Race:
    reserve = table.w_prime_reserve_j
    return Race(
        name=one_line(table.name),
        start_time=table.start_time,
        laps=table.laps,
        reverse=table.reverse,
        start=StartKind(table.start),
        finish=FinishKind(table.finish),
        effort=table.effort,
        target_power=table.target_power_w,
        w_prime_reserve=DEFAULT_W_PRIME_RESERVE if reserve is None else reserve,
    )


def override_race(
    settings: RaceSettings,
    *,
    wind_from_deg: float | None = None,
    wind_speed_m_s: float | None = None,
    gust_m_s: float | None = None,
    temperature_c: float | None = None,
    pressure_hpa: float | None = None,
    relative_humidity: float | None = None,
    wet: bool | None = None,
    laps: int | None = None,
    reverse: bool | None = None,
    effort: float | None = None,
    target_power_w: float | None = None,
    start_time: str | datetime | None = None,
) -> RaceSettings:
    """Put single values over those of the race file, under the same checks.

    A value over a forecast holds for all its hours. A wind speed over the file's keeps the file's ratio of
    gust to mean, unless a gust is given too. An effort puts the file's target power aside, and the other way
    round.

    Raises
    ------
    SettingsError
        Naming the option.
    """
    race_over = _only_given(
        laps=laps,
        reverse=reverse,
        effort=effort,
        target_power_w=target_power_w,
        start_time=_start(start_time),
    )
    weather_over = _only_given(
        wind_from_deg=wind_from_deg,
        wind_speed_m_s=wind_speed_m_s,
        gust_m_s=gust_m_s,
        temperature_c=temperature_c,
        pressure_hpa=pressure_hpa,
        relative_humidity=relative_humidity,
        surface=None if wet is None else ("wet" if wet else "dry"),
    )
    if not race_over and not weather_over:
        return settings
    race_data = dict(settings.given["race"])
    for key, rival in (("effort", "target_power_w"), ("target_power_w", "effort")):
        if key in race_over and rival not in race_over:
            race_data.pop(rival, None)
    race_data |= race_over
    weather_data = dict(settings.given["weather"])
    if settings.forecast is None:
        weather_data |= weather_over
        _keep_gust_factor(weather_data, settings.given["weather"], weather_over)
    _check_options(race_over, weather_over, race_data, weather_data)
    race, weather = RaceTable.model_validate(race_data), WeatherTable.model_validate(weather_data)
    changed = _settings(race, weather, settings.forecast)
    if settings.forecast is not None:
        changed = replace(changed, weather=override_series(changed.weather, weather_over))
    return replace(
        changed,
        zones=settings.zones,
        zones_file=settings.zones_file,
        source=settings.source,
        turned=settings.turned != (race.reverse != settings.race.reverse),
    )


def _only_given(**values: Any) -> dict[str, Any]:
    return {key: value for key, value in values.items() if value is not None}


def _start(value: str | datetime | None) -> datetime | None:
    if not isinstance(value, str):
        return value
    try:
        return datetime.fromisoformat(value)
    except ValueError:
        do = "write it as 2026-06-14T07:30:00+01:00"
        raise SettingsError(
            "must be a date and time", where="--start-time", found=show(value), do=do
        ) from None


def _keep_gust_factor(data: dict[str, Any], before: Mapping[str, Any], over: Mapping[str, Any]) -> None:
    """Scale the file's gust with the wind speed put over the file's."""
    if "wind_speed_m_s" not in over or "gust_m_s" in over or "gust_m_s" not in before:
        return
    mean = before.get("wind_speed_m_s", 0.0)
    if mean > 0.0:
        data["gust_m_s"] = min(before["gust_m_s"] * over["wind_speed_m_s"] / mean, 60.0)
    else:
        del data["gust_m_s"]


def _check_options(
    race_over: Mapping[str, Any],
    weather_over: Mapping[str, Any],
    race_data: Mapping[str, Any],
    weather_data: Mapping[str, Any],
) -> None:
    """Check the options alone for their ranges, then with the file for contradictions."""
    faults: list[Fault] = []
    for model, over in ((RaceTable, race_over), (WeatherTable, weather_over)):
        faults += validate(model, over, name="", known={})[1]
    if not faults:
        faults += _race_faults(RaceTable.model_validate(dict(race_data)))
        faults += weather_faults(WeatherTable.model_validate(dict(weather_data)))
    if faults:
        raise refuse("", [replace(fault, place=_option(fault.place)) for fault in faults])


def _option(place: str) -> str:
    return OPTIONS.get(place.split()[-1], place)
