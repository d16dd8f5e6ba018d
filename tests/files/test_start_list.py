"""Start lists, line by line."""

from __future__ import annotations

from pathlib import Path

import pytest

from pacer.errors import SettingsError
from pacer.files.settings import RaceSettings, RiderSettings, default_race, default_rider, read_rider_file
from pacer.files.start_list import read_start_list, row_settings
from pacer.physics.rider import Skill
from tests.workflow.races import ROUTES


def _rows(
    tmp_path: Path, text: str, riding: RiderSettings | None = None
) -> list[tuple[RiderSettings, RaceSettings]]:
    path = tmp_path / "start.csv"
    path.write_text(text, encoding="utf-8")
    records, faults = read_start_list(path)
    assert not faults
    return [row_settings(record, riding, default_race(), tmp_path) for record in records]


def test_columns_alone_make_a_rider_and_the_rest_is_assumed_aloud(tmp_path: Path) -> None:
    """Mass and critical power are enough; everything else is taken from the typical rider, and said."""
    ((riding, _),) = _rows(tmp_path, "name,mass_kg,critical_power_w\nAnn,62,230\n")
    assert riding.setup.rider.mass == 62.0
    assert riding.setup.rider.critical_power == 230.0
    assert riding.setup.rider.skill is Skill.NEW
    assert any("skill" in sentence for sentence in riding.assumed)


def test_columns_go_over_the_rider_file(tmp_path: Path) -> None:
    """A file named in the line is read, and the line's values replace its own."""
    file = ROUTES / "rider-practised.toml"
    ((riding, _),) = _rows(tmp_path, f"name,rider,tucked_cda_m2,crr\nAnn,{file},0.265,\n")
    plain = read_rider_file(file)
    assert riding.setup.rider == plain.setup.rider
    assert riding.setup.bike == plain.setup.bike
    assert [p.cda for p in riding.setup.positions] == [0.36, 0.265]
    assert riding.cockpit == plain.cockpit


def test_a_common_rider_file_serves_lines_without_one(tmp_path: Path) -> None:
    """What all share comes from one file; lines say what differs."""
    ((riding, racing),) = _rows(
        tmp_path, "name,critical_power_w,effort\nAnn,240,0.9\n", riding=default_rider()
    )
    assert riding.setup.rider.critical_power == 240.0
    assert riding.setup.rider.mass == default_rider().setup.rider.mass
    assert racing.race.effort == 0.9


def test_start_times_belong_to_the_line(tmp_path: Path) -> None:
    """Every rider has an own start."""
    (one, two) = _rows(
        tmp_path,
        "name,mass_kg,critical_power_w,start_time\n"
        "Ann,60,200,2026-06-14T07:30:00+01:00\nBea,61,210,2026-06-14T07:31:00+01:00\n",
    )
    assert one[1].race.start_time is not None
    assert two[1].race.start_time is not None
    assert (two[1].race.start_time - one[1].race.start_time).total_seconds() == 60.0


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("Ann,12,230,,,", r"line 2: \[rider\] mass_kg: must be a number from 30 to 200 kg"),
        ("Ann,-62,230,,,", "line 2, mass_kg: must be a number from 0"),
        ("Ann,62,much,,,", "line 2, critical_power_w: must be a number"),
        ("Ann,62,230,master,,", "line 2: .*skill"),
        ("Ann,62,230,,never,", "line 2, start_time: must be a date and time"),
        ("Ann,62,230,,,7", "line 2, effort: must be a number from 0.3 to 1.3"),
        ("Ann,,,,,", "line 2: .*mass_kg"),
    ],
)
def test_a_bad_value_names_its_line(tmp_path: Path, line: str, told: str) -> None:
    """Line, column, what it must be, what stands there."""
    with pytest.raises(SettingsError, match=told):
        _rows(tmp_path, f"name,mass_kg,critical_power_w,skill,start_time,effort\n{line}\n")


def test_lines_that_cannot_be_read_are_kept_apart(tmp_path: Path) -> None:
    """A line with a field too few or without a name is a fault of its own; the others are read."""
    path = tmp_path / "start.csv"
    path.write_text("name,mass_kg\nAnn,60\nBea\n,70\nCid,80\n")
    records, faults = read_start_list(path)
    assert [record.fields["name"] for record in records] == ["Ann", "Cid"]
    assert ["line 3" in str(faults[0]), "line 4" in str(faults[1])] == [True, True]


def test_an_unusable_file_is_one_error(tmp_path: Path) -> None:
    """Without a name column, or with an unknown one, nothing is planned."""
    path = tmp_path / "start.csv"
    for text, told in (("mass_kg\n60\n", "no name"), ("name,weight\nAnn,60\n", "unknown column")):
        path.write_text(text)
        with pytest.raises(SettingsError, match=told):
            read_start_list(path)
