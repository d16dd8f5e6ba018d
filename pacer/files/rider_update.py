"""A rider file with calibrated numbers in the place of the old ones; comments and layout stay as they are."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any, Final

from pacer.errors import SettingsError
from pacer.rides.calibrate import Calibration, Told
from pacer.rides.critical_power import CriticalPowerFit

__all__ = ["updated_rider_toml"]

_HEADER: Final = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\-]+)\s*\]\]?\s*(#.*)?$")
_SAID: Final = re.compile(
    r"^(± [\d.]+( W| J)? (\((95 %|standard error)\) )?)?from (\d+ (rides?|efforts)|the rides)(; )?"
)
"""What an earlier calibration wrote into the comment."""

_KEY: Final = re.compile(r"^(\s*)([A-Za-z0-9_\-]+)(\s*=\s*)([^#\n]*?)(\s*(?:#.*)?)$")

Place = tuple[str, int]
"""A table and which of its kind: ("bike", 0), ("positions", 1)."""


def updated_rider_toml(
    original: str,
    calibration: Calibration | None = None,
    critical_power: CriticalPowerFit | None = None,
    power_factors: Mapping[str, float] | None = None,
    source: str = "rider file",
) -> str:
    """Put what the rides told into the text of a rider file.

    Parameters
    ----------
    original : str
        The text of the file as the user wrote it.
    calibration : Calibration, optional
        Rolling resistance and drag areas that the rides told; what was held isn't touched.
    critical_power : CriticalPowerFit, optional
    power_factors : mapping of str to float, optional
        By name of position.
    source : str
        Name of the file, for messages.

    Returns
    -------
    str
        To be written beside the old file, never over it.

    Raises
    ------
    SettingsError
        Where the text isn't laid out in tables, so that a number can't be put in its place.
    """
    old = _parse(original, source)
    names = [str(position.get("name", "")) for position in _positions(old)]
    wanted: dict[tuple[Place, str], tuple[str, str]] = {}
    if calibration is not None:
        _want_calibration(calibration, names, wanted)
    if critical_power is not None:
        fit = critical_power
        wide, told = fit.confidence, f"(95 %) from {len(fit.used)} efforts"
        said = f"± {wide * fit.critical_power_error:.0f} W {told}"
        wanted[("rider", 0), "critical_power_w"] = (f"{fit.critical_power:.0f}.0", said)
        said = f"± {wide * fit.w_prime_error:.0f} J {told}"
        wanted[("rider", 0), "w_prime_j"] = (f"{fit.w_prime:.0f}.0", said)
    for name, factor in (power_factors or {}).items():
        if name in names:
            wanted[("positions", names.index(name)), "power_factor"] = (f"{factor:.3f}", "from the rides")
    if not wanted:
        return original
    text = _rewrite(original, wanted)
    _check(_parse(text, source), wanted, source)
    return text


def _want_calibration(
    calibration: Calibration, names: list[str], wanted: dict[tuple[Place, str], tuple[str, str]]
) -> None:
    rides = len(calibration.rides)
    told = f"from {rides} ride" + ("s" if rides != 1 else "")
    if calibration.crr.told is not Told.FILE:
        said = f"± {calibration.crr.reach:.5f} (95 %) {told}"
        wanted[("bike", 0), "crr"] = (f"{calibration.crr.value:.5f}", said)
    for position in calibration.positions:
        if position.cda.told is Told.RIDES and position.name in names:
            place = ("positions", names.index(position.name))
            said = f"± {position.cda.reach:.4f} (95 %) {told}"
            wanted[place, "cda_m2"] = (f"{position.cda.value:.4f}", said)


def _parse(text: str, source: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError("not a TOML file", where=source, found=str(error)) from error


def _positions(table: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    positions = table.get("positions", [])
    return [p for p in positions if isinstance(p, Mapping)] if isinstance(positions, list) else []


def _rewrite(text: str, wanted: Mapping[tuple[Place, str], tuple[str, str]]) -> str:
    """Replace the value of each wanted key in its table; a missing key goes to the table's end."""
    newline = "\r\n" if "\r\n" in text else "\n"
    lines = text.replace("\r\n", "\n").split("\n")
    out: list[str] = []
    seen: dict[str, int] = {}
    place: Place = ("", 0)
    left = dict(wanted)

    def finish() -> None:
        missing = [key for key in left if key[0] == place]
        at = len(out)
        while at > 0 and not out[at - 1].strip():
            at -= 1
        for key in missing:
            value, said = left.pop(key)
            out.insert(at, f"{key[1]} = {value}  # {said}")
            at += 1

    for line in lines:
        header = _HEADER.match(line)
        if header:
            finish()
            name = header.group(2)
            seen[name] = seen.get(name, -1) + 1
            place = (name, seen[name] if header.group(1) == "[[" else 0)
        match = _KEY.match(line)
        key = (place, match.group(2)) if match else None
        if match and key in left:
            value, said = left.pop(key)
            line = _replaced(match, value, said)
        out.append(line)
    finish()
    for (table, _), name in [k for k in left if k[0][0] in {"rider", "bike"} and k[0][0] not in seen]:
        value, said = left.pop(((table, 0), name))
        if f"[{table}]" not in out:
            out += ["", f"[{table}]"]
        out.append(f"{name} = {value}  # {said}")
    return newline.join(out)


def _replaced(match: re.Match[str], value: str, said: str) -> str:
    indent, key, equals, _, tail = match.groups()
    comment = _SAID.sub("", tail.strip().lstrip("#").strip())
    comment = f"{said}; {comment}" if comment else said
    return f"{indent}{key}{equals}{value}  # {comment}"


def _check(new: Mapping[str, Any], wanted: Mapping[tuple[Place, str], tuple[str, str]], source: str) -> None:
    for ((table, index), key), (value, _) in wanted.items():
        place: Any = new.get(table)
        if table == "positions":
            place = place[index] if isinstance(place, list) and index < len(place) else None
        if not isinstance(place, Mapping) or place.get(key) != float(value):
            name = f"[[positions]] number {index + 1}" if table == "positions" else f"[{table}]"
            raise SettingsError(
                f"can't put {key} = {value} into {name}",
                where=source,
                do="write the file in tables, as pacer init does, or change the number by hand",
            )
