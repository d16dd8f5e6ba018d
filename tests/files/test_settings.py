"""Rider file, race file, single values, templates."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pacer.air.weather import CALM_ASSUMED, Surface
from pacer.course.track import ZoneKind
from pacer.errors import InputError, SettingsError, WeatherError
from pacer.files._schema import Table
from pacer.files._settings_models import BikeTable, RaceTable, RiderTable, SafetyTable, WeatherTable
from pacer.files.settings import (
    RaceSettings,
    default_race,
    default_rider,
    override_race,
    race_from_tables,
    read_race_file,
    read_rider_file,
    rider_from_tables,
)
from pacer.files.templates import race_template, rider_template, rider_text
from pacer.physics.defaults import typical_setup
from pacer.physics.rider import Position, Setup, Skill
from pacer.planning.inputs import race_table, setup_tables, weather_table, zone_tables
from pacer.planning.limits import SAFETY_KEYS
from pacer.planning.race import FinishKind, StartKind

CONTRACT_RIDER = """
[rider]
mass_kg = 74.0                # body and kit
critical_power_w = 250.0
w_prime_j = 18000.0
max_power_w = 700.0
skill = "practised"
[bike]
mass_kg = 9.0
crr = 0.0045
drivetrain_efficiency = 0.976
wheel_inertia_kg_m2 = 0.14
wheel_radius_m = 0.334
wheel_drag_area_m2 = 0.0
[[positions]]
name = "hoods"
cda_m2 = 0.36
power_factor = 1.0
hands_on_brakes = true
[[positions]]
name = "aero bars"
cda_m2 = 0.29
power_factor = 0.97
hands_on_brakes = false
max_continuous_s = 1500.0
[safety]
"""

CONTRACT_RACE = """
[race]
name = "Ring of Skerra"
start_time = 2026-06-14T07:30:00+01:00
laps = 2
reverse = true
start = "rolling"
finish = "stop"
effort = 0.95
w_prime_reserve_j = 2500.0
[weather]
wind_from_deg = 240.0
wind_speed_m_s = 5.0
gust_m_s = 9.0
temperature_c = 16.0
pressure_hpa = 1015.0
relative_humidity = 0.7
surface = "wet"
roughness_length_m = 0.1
[[zones]]
kind = "no-tuck"
start_km = 12.3
end_km = 12.6
note = "school gate"
[[zones]]
kind = "speed-limit"
start_km = 1
end_km = 2
limit_kmh = 36
[[zones]]
kind = "feed"
start_km = 20.0
"""

MINIMAL = "[rider]\nmass_kg = 70\ncritical_power_w = 240\n"

FORECAST = """time,wind_from_deg,wind_speed_m_s,gust_m_s,temperature_c,pressure_hpa,relative_humidity
2026-06-14T07:00:00+01:00,350,4.0,7.0,12.0,1014,0.85
2026-06-14T08:00:00+01:00,10,6.0,9.0,14.0,1013,0.80
"""


def rider(text: str) -> Any:
    """Read the text of a rider file."""
    return rider_from_tables(tomllib.loads(text), "rider.toml")


def race(text: str) -> RaceSettings:
    """Read the text of a race file."""
    return race_from_tables(tomllib.loads(text), "race.toml")


def refused(text: str, reader: Any = rider) -> str:
    """Give the one line with which a file is refused."""
    with pytest.raises(SettingsError) as caught:
        reader(text)
    line = str(caught.value)
    assert "\n" not in line
    assert line.startswith(("rider.toml: ", "race.toml: "))
    return line


def told(reader: Any, data: dict[str, Any]) -> str:
    """Give the line of an error that a user may see, or nothing; any other error goes through."""
    try:
        reader(data, "file.toml")
    except InputError as error:
        return str(error)
    return ""


def practised_setup() -> Setup:
    """The typical rider, used to the aero bars."""
    typical = typical_setup()
    return replace(typical, rider=replace(typical.rider, skill=Skill.PRACTISED))


class TestRiderFile:
    """Reading the rider file."""

    def test_every_key_of_the_contract_is_read(self, tmp_path: Path) -> None:
        """The contract's example gives the typical rider, but practised, and nothing is assumed."""
        path = tmp_path / "rider.toml"
        path.write_text(CONTRACT_RIDER, encoding="utf-8")
        settings = read_rider_file(path)
        assert settings.setup == practised_setup()
        assert settings.assumed == ()
        assert settings.safety == settings.cockpit == settings.feeding == {}

    def test_what_is_left_out_is_assumed_and_said(self) -> None:
        """Mass and critical power are enough; every other number is told."""
        settings = rider(MINIMAL)
        assert settings.setup.rider.mass == 70.0
        assert settings.setup.positions == typical_setup().positions
        told = " ".join(settings.assumed)
        for key in ("w_prime_j", "max_power_w", "crr", "skill", "positions", "wheel_radius_m"):
            assert key in told

    def test_a_missing_skill_is_the_least(self) -> None:
        """Where the safety data are missing the cautious limits hold."""
        assert rider(MINIMAL).setup.rider.skill is Skill.NEW

    def test_safety_keys_come_back_in_the_terms_of_the_file(self) -> None:
        """Only what is given is handed on, unconverted."""
        settings = rider(MINIMAL + "[safety]\ntuck_top_speed_kmh = 48\nhands_back_s = 3.5\n")
        assert settings.safety == {"tuck_top_speed_kmh": 48.0, "hands_back_s": 3.5}

    def test_every_safety_key_of_the_planner_can_be_given(self) -> None:
        """File and planner know the same keys."""
        assert set(SafetyTable.model_fields) == set(SAFETY_KEYS)

    def test_cockpit_and_feeding_are_plain_tables(self) -> None:
        """They are checked and kept as they stand."""
        settings = rider(MINIMAL + "[cockpit]\nclamp_torque_nm = 6\n[feeding]\nevery_min = 20\n")
        assert settings.cockpit == {"clamp_torque_nm": 6.0}
        assert settings.feeding == {"every_min": 20.0}

    def test_no_file_is_a_stated_typical_rider(self) -> None:
        """The plan can show what was assumed."""
        assert default_rider().setup == typical_setup()
        assert "74 kg" in default_rider().assumed[0]

    @pytest.mark.parametrize(
        ("change", "words"),
        [
            (
                ("mass_kg = 74.0", "mass_kg = 300"),
                "[rider] mass_kg: must be a number from 30 to 200 kg (found 300)",
            ),
            (("mass_kg = 74.0", "mass_kg = -1"), "(found -1)"),
            (("mass_kg = 74.0", "mass_kg = nan"), "(found nan)"),
            (("mass_kg = 74.0", "mass_kg = 1e999"), "(found inf)"),
            (("mass_kg = 74.0", 'mass_kg = "74"'), '(found "74")'),
            (("mass_kg = 74.0", "mass_kg = true"), "(found true)"),
            (("mass_kg = 74.0", "mass_kg = [74]"), "(found a list of 1)"),
            (("mass_kg = 74.0", "mass = 74"), "did you mean mass_kg?"),
            (("mass_kg = 74.0", "crr = 0.004"), "it belongs in [bike]"),
            (("mass_kg = 74.0", ""), "[rider] mass_kg: is missing: it must be a number from 30 to 200 kg"),
            (("critical_power_w = 250.0", "critical_power_w = 900"), "from 50 to 600 W (found 900)"),
            (
                ("max_power_w = 700.0", "max_power_w = 240"),
                "above critical_power_w, which is 250 W (found 240)",
            ),
            (('skill = "practised"', 'skill = "pro"'), 'one of "new", "practised", "expert" (found "pro")'),
            (("crr = 0.0045", "crr = 0.45"), "[bike] crr: must be a number from 0.001 to 0.03 (found 0.45)"),
            (("drivetrain_efficiency = 0.976", "drivetrain_efficiency = 97.6"), "97.6 % is written 0.976"),
            (
                ("cda_m2 = 0.29", "cda_m2 = 0.029"),
                "[[positions]] no. 2 cda_m2: must be a number from 0.1 to 1 m²",
            ),
            (("hands_on_brakes = true", "hands_on_brakes = false"), "at least one position"),
            (("hands_on_brakes = true", 'hands_on_brakes = "yes"'), "true or false, without quotes"),
            (('name = "aero bars"', 'name = "HOODS"'), "no. 2 name: must differ"),
            (('name = "aero bars"', 'name = "\\u0007"'), "no. 2 name: must be printable"),
            (('name = "aero bars"', 'name = ""'), "a text of 1 to 40 characters"),
            (
                ("[safety]", "[safety]\nhands_back_s = 0"),
                "[safety] hands_back_s: must be a number from 0.5 to 20 s",
            ),
            (("[safety]", "[safety]\ntuck_steepest_descent = 5"), "a descent of 5 % is written 0.05"),
            (("[safety]", "[saftey]"), "saftey: is not a known table"),
            (("[rider]\n", ""), "mass_kg: stands outside every table (found 74); it belongs in [rider]"),
        ],
    )
    def test_a_fault_is_named_with_key_value_and_range(self, change: tuple[str, str], words: str) -> None:
        """One line says file, key, what was found and what is allowed."""
        assert change[0] in CONTRACT_RIDER
        assert words in refused(CONTRACT_RIDER.replace(*change, 1))

    def test_all_faults_are_told_at_once(self) -> None:
        """The first in full, the others after it."""
        text = CONTRACT_RIDER.replace("mass_kg = 74.0", "mass_kg = 300").replace("crr = 0.0045", "crr = 1")
        line = refused(text)
        assert line == (
            "rider.toml: [rider] mass_kg: must be a number from 30 to 200 kg (found 300); "
            "also: [bike] crr must be a number from 0.001 to 0.03 (found 1)"
        )

    def test_many_faults_are_told_by_key(self) -> None:
        """A long list is cut to its keys, and counted."""
        lines = "\n".join(f"k{i} = {i}" for i in range(30))
        line = refused(MINIMAL + lines)
        assert "and 29 more: [rider] k1, [rider] k2" in line
        assert line.endswith("and 23 others")
        assert len(line) < 800

    @pytest.mark.parametrize("key", ["mass_kg", "critical_power_w"])
    @pytest.mark.parametrize("table", [RiderTable])
    def test_the_ends_of_a_range_belong_to_it(self, table: type[Table], key: str) -> None:
        """A range is closed: its ends pass and the next number beyond is refused."""
        low, high = _range(table, key)
        base = {"mass_kg": 70.0, "critical_power_w": 90.0}
        for value in (low, high):
            rider_from_tables({"rider": base | {key: value}})
        for value in (np.nextafter(low, -1e9), np.nextafter(high, 1e9)):
            with pytest.raises(SettingsError):
                rider_from_tables({"rider": base | {key: float(value)}})

    def test_the_rider_table_is_needed(self) -> None:
        """An empty file isn't a rider."""
        assert refused("") == "rider.toml: [rider]: is missing; pacer init writes a file to start from"

    @pytest.mark.parametrize(
        ("content", "words"),
        [
            (b"[rider\n", "is not TOML"),
            (b"\xff\xfe[rider]", "is not UTF-8"),
            (b"x = " + b"[" * 20_000, "TOML"),
            (b"#" * 1_000_001, "too large"),
            (b"x = " + b"9" * 5000, "TOML"),
        ],
    )
    def test_what_is_not_toml_is_refused_in_one_line(
        self, tmp_path: Path, content: bytes, words: str
    ) -> None:
        """Neither nesting, nor size, nor encoding ends in a traceback."""
        path = tmp_path / "rider.toml"
        path.write_bytes(content)
        with pytest.raises(SettingsError, match=words) as caught:
            read_rider_file(path)
        assert "\n" not in str(caught.value)

    @pytest.mark.parametrize("name", ["missing.toml", ".", "nul\0byte"])
    def test_what_can_not_be_opened_is_refused(self, tmp_path: Path, name: str) -> None:
        """A missing file, a folder and an impossible name are told."""
        with pytest.raises(SettingsError, match=r"can't be read|not the name of a file|a folder, not"):
            read_rider_file(tmp_path / name)

    def test_a_byte_order_mark_is_no_fault(self, tmp_path: Path) -> None:
        """Editors that write one are not punished."""
        path = tmp_path / "rider.toml"
        path.write_text(CONTRACT_RIDER, encoding="utf-8-sig")
        assert read_rider_file(path).setup == practised_setup()

    @given(
        st.dictionaries(
            st.sampled_from(["rider", "bike", "positions", "safety", "cockpit", "feeding", "x"]),
            st.recursive(
                st.none()
                | st.booleans()
                | st.floats()
                | st.integers()
                | st.text(max_size=20)
                | st.datetimes(),
                lambda inner: (
                    st.lists(inner, max_size=3)
                    | st.dictionaries(
                        st.sampled_from([*RiderTable.model_fields, *BikeTable.model_fields, "", "\n", "é"]),
                        inner,
                        max_size=4,
                    )
                ),
                max_leaves=12,
            ),
        )
    )
    def test_anything_is_read_or_refused_in_one_line(self, data: dict[str, Any]) -> None:
        """No content of the tables ends in another error."""
        assert "\n" not in told(rider_from_tables, data)


def _range(table: type[Table], key: str) -> tuple[float, float]:
    bounds = {type(item).__name__: item for item in table.model_fields[key].metadata}
    return float(bounds["Ge"].ge), float(bounds["Le"].le)


class TestRaceFile:
    """Reading the race file."""

    def test_every_key_of_the_contract_is_read(self, tmp_path: Path) -> None:
        """Race, weather and zones arrive in SI."""
        path = tmp_path / "race.toml"
        path.write_text(CONTRACT_RACE, encoding="utf-8")
        settings = read_race_file(path)
        found = settings.race
        assert (found.name, found.laps, found.reverse) == ("Ring of Skerra", 2, True)
        assert (found.start, found.finish) == (StartKind.ROLLING, FinishKind.STOP)
        assert (found.effort, found.target_power, found.w_prime_reserve) == (0.95, None, 2500.0)
        assert found.start_time == datetime(2026, 6, 14, 6, 30, tzinfo=UTC)
        weather = settings.weather
        assert weather.wind_east[0] == pytest.approx(5.0 * np.sin(np.radians(60.0)))
        assert weather.wind_north[0] == pytest.approx(2.5)
        assert (weather.gust[0], weather.temperature[0], weather.pressure[0]) == (9.0, 289.15, 101_500.0)
        assert (weather.surface, weather.roughness_length) == (Surface.WET, 0.1)
        first, second, third = settings.zones
        assert (first.kind, first.start, first.end) == (ZoneKind.NO_TUCK, 12_300.0, 12_600.0)
        assert first.note == "school gate"
        assert second.value == pytest.approx(10.0)
        assert third.start == third.end == 20_000.0
        assert settings.assumed == ()

    def test_no_file_is_calm_air_and_said(self) -> None:
        """Standard air, no wind, one lap, standing start."""
        settings = default_race()
        assert settings.assumed == (CALM_ASSUMED,)
        assert settings.race.laps == 1
        assert settings.weather.temperature[0] == 288.15

    def test_what_is_left_out_of_the_weather_is_said(self) -> None:
        """A wind without gust, temperature or surface names each."""
        settings = race("[weather]\nwind_speed_m_s = 5\nwind_from_deg = 90\n")
        told = " ".join(settings.assumed)
        for words in ("1.66 times the mean wind", "8.3 m/s", "15 °C", "dry road", "open country"):
            assert words in told

    def test_rough_country_is_said_to_be_nominal(self) -> None:
        """The log law isn't trusted at rider height over hedges."""
        assert "nominal" in race("[weather]\nroughness_length_m = 0.5\n").assumed[-1]

    @pytest.mark.parametrize(
        "text",
        [
            'zones = "z.geojson"\n[race]\n',
            '[race]\nzones = "z.geojson"\n',
            '[weather]\nzones = "z.geojson"\n',
        ],
    )
    def test_a_zones_file_is_found_under_any_table(self, text: str) -> None:
        """TOML puts the last line into the table above it; the meaning is plain."""
        settings = race_from_tables(tomllib.loads(text), "race.toml", folder=Path("there"))
        assert settings.zones_file == Path("there") / "z.geojson"
        assert settings.zones == ()

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("[race]\nlaps = 0", "[race] laps: must be a whole number from 1 to 100 (found 0)"),
            ("[race]\nlaps = 1.5", "(found 1.5)"),
            ("[race]\neffort = 95", "95 % of critical power is written 0.95"),
            ("[race]\neffort = 0.9\ntarget_power_w = 200", "keep one of the two"),
            ("[race]\nstart_time = 2026-06-14T07:30:00", "needs its offset"),
            ("[race]\nstart_time = 2026-06-14", "(found 2026-06-14)"),
            ('[race]\nstart_time = "2026-06-14T07:30:00Z"', "without quotes"),
            ('[race]\nstart = "flying"', 'one of "standing", "rolling"'),
            ("[race]\nlap = 2", "did you mean laps?"),
            ("[race]\ngust_m_s = 2", "it belongs in [weather]"),
            ("[weather]\nwind_speed_m_s = 5", "wind_from_deg: is missing"),
            ("[weather]\nwind_from_deg = 5", "wind_speed_m_s: is missing"),
            (
                "[weather]\nwind_from_deg = 5\nwind_speed_m_s = 5\ngust_m_s = 4",
                "can't be below the mean wind, 5 m/s",
            ),
            ("[weather]\nrelative_humidity = 70", "70 % is written 0.7"),
            ("[weather]\npressure_hpa = 101500", "reduced to mean sea level"),
            ('[weather]\nforecast = "f.csv"\ngust_m_s = 9', "together with gust_m_s"),
            ('[[zones]]\nkind = "school"\nstart_km = 1', "[[zones]] no. 1 kind: must be one of"),
            ('[[zones]]\nkind = "no-tuck"\nstart_km = 1', "end_km: is missing"),
            (
                '[[zones]]\nkind = "no-tuck"\nstart_km = 2\nend_km = 1',
                "must be beyond start_km, 2 km (found 1)",
            ),
            ('[[zones]]\nkind = "speed-limit"\nstart_km = 1\nend_km = 2', "limit_kmh: is missing"),
            ('[[zones]]\nkind = "note"\nstart_km = 1\nwind_factor = 0.5', "has no meaning"),
            ("zones = 3", "zones: must be tables"),
            ("[wether]\nwind_speed_m_s = 5", "known tables: [race], [weather], [[zones]]"),
        ],
    )
    def test_a_fault_is_named(self, text: str, words: str) -> None:
        """One line says file, key, what was found and what to do."""
        assert words in refused(text, race)

    def test_a_forecast_is_read_beside_the_race_file(self, tmp_path: Path) -> None:
        """Its name starts from the folder of the race file, and the start time goes into the weather."""
        (tmp_path / "forecast.csv").write_text(FORECAST, encoding="utf-8")
        path = tmp_path / "race.toml"
        path.write_text(
            '[race]\nstart_time = 2026-06-14T07:30:00+01:00\n[weather]\nforecast = "forecast.csv"\n',
            encoding="utf-8",
        )
        settings = read_race_file(path)
        state = settings.weather.at(0.0)
        assert state.wind_east[0] == pytest.approx(-np.sin(np.radians(10.0)))  # halfway: (4 - 6) / 2 east
        assert state.temperature[0] == pytest.approx(286.15)
        assert settings.weather.source == "forecast.csv"

    def test_a_missing_forecast_is_named(self, tmp_path: Path) -> None:
        """The line names the forecast, not the race file."""
        path = tmp_path / "race.toml"
        path.write_text('[weather]\nforecast = "none.csv"\n', encoding="utf-8")
        with pytest.raises(WeatherError, match=r"none\.csv: the file can't be read"):
            read_race_file(path)

    def test_a_name_loses_its_control_characters(self) -> None:
        """What is printed later can't move a terminal's cursor."""
        assert race('[race]\nname = "a\\u001b[2Jb\\nc"').race.name == "a [2Jb c"

    @given(
        st.dictionaries(
            st.sampled_from(["race", "weather", "zones", "x"]),
            st.recursive(
                st.none()
                | st.booleans()
                | st.floats()
                | st.integers()
                | st.text(max_size=20)
                | st.datetimes(),
                lambda inner: (
                    st.lists(inner, max_size=3)
                    | st.dictionaries(
                        st.sampled_from(
                            [
                                *RaceTable.model_fields,
                                *(k for k in WeatherTable.model_fields if k != "forecast"),
                                "zones",
                                "kind",
                            ]
                        ),
                        inner,
                        max_size=4,
                    )
                ),
                max_leaves=12,
            ),
        )
    )
    def test_anything_is_read_or_refused_in_one_line(self, data: dict[str, Any]) -> None:
        """No content of the tables ends in another error."""
        assert "\n" not in told(race_from_tables, data)


class TestSingleValues:
    """Options of the command line over the race file."""

    def test_nothing_given_changes_nothing(self) -> None:
        """The same settings come back."""
        settings = race(CONTRACT_RACE)
        assert override_race(settings) is settings

    def test_each_value_replaces_the_file_s(self) -> None:
        """All twelve, zones kept."""
        settings = override_race(
            race(CONTRACT_RACE),
            wind_from_deg=90.0,
            wind_speed_m_s=3.0,
            gust_m_s=6.0,
            temperature_c=20.0,
            pressure_hpa=1000.0,
            relative_humidity=0.4,
            wet=False,
            laps=3,
            reverse=False,
            target_power_w=210.0,
            start_time="2026-07-01T09:00:00Z",
        )
        weather = settings.weather
        assert weather.wind_east[0] == pytest.approx(-3.0)
        assert (weather.gust[0], weather.temperature[0], weather.pressure[0]) == (6.0, 293.15, 100_000.0)
        assert (weather.relative_humidity[0], weather.surface) == (0.4, Surface.DRY)
        assert (settings.race.laps, settings.race.reverse) == (3, False)
        assert settings.race.start_time == datetime(2026, 7, 1, 9, tzinfo=UTC)
        assert len(settings.zones) == 3

    def test_effort_and_target_power_put_each_other_aside(self) -> None:
        """Only the one given last counts."""
        with_target = override_race(race(CONTRACT_RACE), target_power_w=210.0)
        assert (with_target.race.effort, with_target.race.target_power) == (None, 210.0)
        with_effort = override_race(with_target, effort=0.8)
        assert (with_effort.race.effort, with_effort.race.target_power) == (0.8, None)

    def test_a_stronger_wind_keeps_the_file_s_gust_factor(self) -> None:
        """9 m/s of gust in 5 m/s of wind are 18 in 10; a gust given stands as it is."""
        assert override_race(race(CONTRACT_RACE), wind_speed_m_s=10.0).weather.gust[0] == pytest.approx(18.0)
        assert override_race(race(CONTRACT_RACE), wind_speed_m_s=10.0, gust_m_s=11.0).weather.gust[0] == 11.0

    def test_what_is_given_is_no_longer_assumed(self) -> None:
        """Only the rest is told."""
        settings = override_race(default_race(), temperature_c=20.0, wet=True)
        told = " ".join(settings.assumed)
        assert "calm" in told
        assert "15 °C" not in told
        assert "dry" not in told

    @pytest.mark.parametrize(
        ("values", "words"),
        [
            ({"laps": 0}, "--laps: must be a whole number from 1 to 100 (found 0)"),
            ({"wind_speed_m_s": 400.0}, "--wind-speed: must be a number from 0 to 40 m/s"),
            ({"wind_from_deg": 361.0}, "--wind-from: must be a number from 0 to 360 degrees"),
            ({"gust_m_s": 2.0}, "--gust: can't be below the mean wind, 5 m/s"),
            (
                {"relative_humidity": 70.0},
                "--humidity: must be a number from 0 to 1 (found 70); 70 % is written 0.7",
            ),
            ({"effort": float("nan")}, "--effort: must be a number from 0.3 to 1.3 (found nan)"),
            (
                {"effort": 0.9, "target_power_w": 200.0},
                "--effort: can't be given together with target_power_w",
            ),
            ({"start_time": "tomorrow"}, '--start-time: must be a date and time (found "tomorrow")'),
            ({"start_time": "2026-06-14T07:30:00"}, "--start-time: needs its offset"),
        ],
    )
    def test_a_fault_names_the_option(self, values: dict[str, Any], words: str) -> None:
        """The same ranges as in the file, told in the terms of the command line."""
        with pytest.raises(SettingsError) as caught:
            override_race(race(CONTRACT_RACE), **values)
        assert str(caught.value).startswith(words)

    def test_over_a_forecast_a_value_holds_for_all_hours(self, tmp_path: Path) -> None:
        """Direction, speed, gust factor and temperature, each by itself."""
        (tmp_path / "f.csv").write_text(FORECAST, encoding="utf-8")
        path = tmp_path / "race.toml"
        path.write_text('[weather]\nforecast = "f.csv"\n', encoding="utf-8")
        settings = read_race_file(path)
        changed = override_race(
            settings,
            wind_from_deg=270.0,
            wind_speed_m_s=8.0,
            temperature_c=5.0,
            start_time="2026-06-14T06:30Z",
        )
        np.testing.assert_allclose(changed.weather.wind_east, 8.0)
        np.testing.assert_allclose(changed.weather.wind_north, 0.0, atol=1e-12)
        np.testing.assert_allclose(changed.weather.gust, [8.0 * 7.0 / 4.0, 8.0 * 9.0 / 6.0])
        np.testing.assert_allclose(changed.weather.temperature, 278.15)
        np.testing.assert_allclose(changed.weather.pressure, [101_400.0, 101_300.0])
        only_direction = override_race(settings, wind_from_deg=0.0)
        np.testing.assert_allclose(only_direction.weather.wind_north, [-4.0, -6.0])
        with pytest.raises(WeatherError, match="start_time"):
            only_direction.weather.at(0.0)


class TestTemplates:
    """The files that `pacer init` writes."""

    def test_the_rider_template_reads_back_as_the_typical_rider(self) -> None:
        """As it stands it plans for the typical rider, with nothing assumed."""
        settings = rider(rider_template())
        assert settings.setup == typical_setup()
        assert settings.assumed == ()

    def test_the_race_template_changes_nothing(self) -> None:
        """As it stands it is the race without a file, but for its name."""
        settings = race(race_template())
        assert settings.assumed == default_race().assumed
        assert race_table(settings.race) == race_table(default_race().race) | {"name": "My race"}

    def test_every_commented_key_is_valid_when_uncommented(self) -> None:
        """What a user is told to take the # away from is accepted."""
        text = _uncommented(rider_template())
        settings = rider(text)
        assert set(settings.safety) == set(SAFETY_KEYS)
        assert settings.cockpit
        assert settings.feeding
        race_text = _uncommented(
            race_template(), leave_out=("forecast", "target_power_w", "limit_kmh", "crr_factor")
        )
        race_text = race_text.replace('kind = "no-tuck"', 'kind = "sheltered"')
        assert len(race(race_text).zones) == 1

    def test_every_line_says_unit_or_choice(self) -> None:
        """Each key has its range behind it."""
        for line in (rider_template() + race_template()).splitlines():
            if " = " in line and not line.startswith("# Any"):
                assert " # " in line
                assert line.rsplit(" # ", 1)[1]

    def test_a_rider_s_text_reads_back_with_tables_and_remarks(self) -> None:
        """Another rider, with tables and remarks."""
        setup = typical_setup()
        positions = (*setup.positions, Position('drops "low" #1', 0.315, 0.985, hands_on_brakes=True))
        other = type(setup)(setup.rider, setup.bike, positions)
        text = rider_text(
            other,
            safety={"hands_back_s": 4.0},
            cockpit={"note": "pads at ½"},
            feeding={"every_min": 15.0},
            remarks={"positions.aero bars.cda_m2": "0.29 ± 0.01, from two rides", "bike.crr": "held"},
        )
        settings = rider(text)
        assert settings.setup == other
        assert (settings.safety, settings.feeding) == ({"hands_back_s": 4.0}, {"every_min": 15.0})
        assert settings.cockpit == {"note": "pads at ½"}
        assert "# 0.29 ± 0.01, from two rides\ncda_m2 = 0.29" in text


def _uncommented(text: str, leave_out: tuple[str, ...] = ()) -> str:
    """Take the # from every line that is a key behind one."""
    lines = []
    for line in text.splitlines():
        bare = line.removeprefix("# ")
        is_key = (
            bare != line
            and (" = " in bare.split(" # ")[0] or bare == "[[zones]]")
            and not bare.startswith("Any")
        )
        lines.append(bare if is_key and not bare.startswith(leave_out or ("\0",)) else line)
    return "\n".join(lines)


class TestTables:
    """The inputs of a plan in the terms of the files."""

    def test_a_setup_goes_to_tables_and_back(self) -> None:
        """Nothing is lost on the way."""
        assert rider_from_tables(setup_tables(typical_setup())).setup == typical_setup()

    def test_a_race_goes_to_tables_and_back(self) -> None:
        """The file's own numbers come out, without the dust of conversion."""
        settings = race(CONTRACT_RACE)
        tables = tomllib.loads(CONTRACT_RACE)
        found = weather_table(settings.weather)
        assert found.pop("surface") == tables["weather"].pop("surface")
        assert found == pytest.approx(tables["weather"], rel=1e-9)
        assert found["temperature_c"] == 16.0
        written = race_table(settings.race)
        assert written | {"start_time": 0} == tables["race"] | {"start_time": 0}
        assert written["start_time"] == "2026-06-14T07:30:00+01:00"
        zones = zone_tables(settings.zones)
        again = race_from_tables({"zones": zones})
        assert again.zones == settings.zones
