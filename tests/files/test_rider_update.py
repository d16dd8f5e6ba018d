"""A rider file with calibrated numbers: the user's comments stay, and the file can be used as it is."""

from __future__ import annotations

import math
import tomllib

import pytest

from pacer.errors import SettingsError
from pacer.files.rider_update import updated_rider_toml
from pacer.rides.calibrate import Calibration, Estimate, PositionArea, Told
from pacer.rides.critical_power import fit_critical_power
from pacer.rides.efforts import Trial

ORIGINAL = """# my file, do not lose
[rider]
mass_kg = 74.0                # body and kit
critical_power_w = 250.0      # guessed
skill = "practised"

[bike]
mass_kg = 9.0
crr = 0.0045   # tyre test

[[positions]]
name = "hoods"
cda_m2 = 0.36
hands_on_brakes = true
[[positions]]
name = "aero bars"            # the clip-ons
cda_m2 = 0.29                 # from a photo
power_factor = 0.97
hands_on_brakes = false
"""


def calibration(crr_told: Told = Told.BOTH) -> Calibration:
    """One that moved the aero bars and perhaps the rolling resistance."""
    none = Estimate(0.36, float("nan"), Told.FILE)
    moved = Estimate(0.2812, 0.006, Told.RIDES)
    return Calibration(
        crr=Estimate(0.00512, 0.0004, crr_told),
        positions=(PositionArea("hoods", none, 0, 0, 0), PositionArea("aero bars", moved, 3000, 0, 0)),
        covariance=None,
        rides=(None, None),
        notes=(),
    )


def test_numbers_change_and_comments_stay():
    """Only what the rides told is replaced; its comment gets the error before the user's own words."""
    text = updated_rider_toml(ORIGINAL, calibration())
    table = tomllib.loads(text)
    assert table["bike"]["crr"] == 0.00512
    assert [p["cda_m2"] for p in table["positions"]] == [0.36, 0.2812]
    for kept in ("# my file, do not lose", "# body and kit", "# guessed", "# the clip-ons"):
        assert kept in text
    assert "cda_m2 = 0.2812  # ± 0.0118 (95 %) from 2 rides; from a photo" in text
    assert "crr = 0.00512  # ± 0.00078 (95 %) from 2 rides; tyre test" in text


def test_a_held_value_is_not_touched():
    """What came from the file stays as the user wrote it."""
    assert "crr = 0.0045   # tyre test" in updated_rider_toml(ORIGINAL, calibration(Told.FILE))


def test_updating_twice_does_not_pile_up_comments():
    """The second calibration's words replace the first's."""
    twice = updated_rider_toml(updated_rider_toml(ORIGINAL, calibration()), calibration())
    assert twice == updated_rider_toml(ORIGINAL, calibration())


def test_a_missing_key_is_added_to_its_table():
    """W' and the power factor go where they belong."""
    fit = fit_critical_power([Trial(180, 390), Trial(300, 342), Trial(720, 298)])
    text = updated_rider_toml(ORIGINAL, critical_power=fit, power_factors={"hoods": 1.0, "aero bars": 0.955})
    table = tomllib.loads(text)
    assert table["rider"]["critical_power_w"] == 267.0
    assert table["rider"]["w_prime_j"] == 22266.0
    assert [p["power_factor"] for p in table["positions"]] == [1.0, 0.955]
    assert text.index("w_prime_j") < text.index("[bike]")


def test_critical_power_has_the_ranges_of_the_screen():
    """95 % of Student's t: 12.706 standard errors with the one degree of freedom of three efforts."""
    fit = fit_critical_power([Trial(180, 390), Trial(300, 342), Trial(720, 298)])
    text = updated_rider_toml(ORIGINAL, critical_power=fit)
    wide = math.tan(0.475 * math.pi)
    assert f"# ± {wide * fit.critical_power_error:.0f} W (95 %) from 3 efforts" in text
    assert f"# ± {wide * fit.w_prime_error:.0f} J (95 %) from 3 efforts" in text
    old = text.replace("(95 %)", "(standard error)")
    assert updated_rider_toml(old, critical_power=fit) == text


def test_a_missing_table_is_made():
    """A file without [bike] gets one for the rolling resistance."""
    text = updated_rider_toml(
        ORIGINAL.replace("[bike]\nmass_kg = 9.0\ncrr = 0.0045   # tyre test\n", ""), calibration()
    )
    assert tomllib.loads(text)["bike"] == {"crr": 0.00512}


def test_line_ends_of_the_file_stay():
    """A file with carriage returns keeps them."""
    text = updated_rider_toml(ORIGINAL.replace("\n", "\r\n"), calibration())
    assert text.count("\r\n") == text.count("\n")


def test_a_file_in_inline_tables_is_refused():
    """A number that can't be put in its place is an error, not a silent loss."""
    inline = (
        'positions = [{ name = "aero bars", cda_m2 = 0.29, hands_on_brakes = false }]\n[bike]\ncrr = 0.004\n'
    )
    with pytest.raises(SettingsError, match=r"can't put cda_m2 = 0.2812 into \[\[positions\]\] number 1"):
        updated_rider_toml(inline, calibration(), source="me.toml")


def test_not_toml_is_told():
    """A broken file ends in one line."""
    with pytest.raises(SettingsError, match="not a TOML file"):
        updated_rider_toml("[rider\nx", calibration())


def test_the_updated_file_is_a_rider_file(tmp_path):
    """The settings reader takes it as it is."""
    from pacer.files.settings import read_rider_file

    path = tmp_path / "updated.toml"
    path.write_text(updated_rider_toml(ORIGINAL, calibration()), encoding="utf-8")
    settings = read_rider_file(path)
    assert settings.setup.bike.crr == 0.00512
    assert settings.setup.positions[1].cda == 0.2812
