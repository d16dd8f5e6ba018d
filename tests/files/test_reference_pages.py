"""The reference pages say what the readers do."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from pacer.files._race_settings import OPTIONS
from pacer.files._schema import Table
from pacer.files._settings_models import (
    BikeTable,
    CockpitTable,
    FeedingTable,
    PositionTable,
    RaceTable,
    RiderTable,
    SafetyTable,
    WeatherTable,
    ZoneTable,
)
from pacer.files.settings import race_from_tables, rider_from_tables
from pacer.files.weather import COLUMNS
from tests.files.reference_rows import key_rows

_PAGES = Path(__file__).parents[2] / "docs" / "reference"


def page(name: str) -> str:
    """Read a reference page."""
    return (_PAGES / name).read_text(encoding="utf-8")


def block(text: str, language: str) -> str:
    """Give the first fenced block in a language."""
    return text.split(f"```{language}\n", 1)[1].split("```", 1)[0]


@pytest.mark.parametrize(
    ("name", "model"),
    [
        ("rider-file.md", RiderTable),
        ("rider-file.md", BikeTable),
        ("rider-file.md", PositionTable),
        ("rider-file.md", SafetyTable),
        ("rider-file.md", CockpitTable),
        ("rider-file.md", FeedingTable),
        ("race-file.md", RaceTable),
        ("race-file.md", WeatherTable),
    ],
)
def test_every_key_stands_with_its_range(name: str, model: type[Table]) -> None:
    """The rows are those of the models, to the letter."""
    text = page(name)
    for row in key_rows(model):
        assert row in text


def test_the_zone_keys_stand_there() -> None:
    """Every key of a zone has a row."""
    for key in ZoneTable.model_fields:
        assert f"| `{key}` |" in page("race-file.md")


def test_every_option_stands_there() -> None:
    """The single values and the keys they stand for."""
    for key, option in OPTIONS.items():
        assert any(f"`{option}`" in line and key in line for line in page("race-file.md").splitlines())


def test_every_column_stands_with_its_range() -> None:
    """The forecast's columns."""
    for name, column in COLUMNS.items():
        assert f"| `{name}` | {column.low:g} to {column.high:g}" in page("forecast-file.md")


def test_the_examples_are_read() -> None:
    """What the pages show works."""
    assert rider_from_tables(tomllib.loads(block(page("rider-file.md"), "toml"))).setup.rider.mass == 74.0
    assert race_from_tables(tomllib.loads(block(page("race-file.md"), "toml"))).race.laps == 2
