"""Numbers and names as the rider reads them; every output uses these, so that they agree."""

from __future__ import annotations

import math
import re
import textwrap
import unicodedata
from typing import Final

from pacer.planning.plan import Cue, Plan
from pacer.units import KMH

__all__ = [
    "as_typed",
    "ascii_name",
    "clean",
    "clock",
    "compass",
    "cue_kilometres",
    "from_compass",
    "ground",
    "kilometres",
    "kilometres_before",
    "kilometres_from",
    "labelled",
    "minutes",
    "percent",
    "route_name",
    "seconds",
    "signed_seconds",
    "speed_kmh",
    "together",
    "watts",
    "wind_speed",
    "wrap",
]

_POINTS: Final = (
    *("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE"),
    *("S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"),
)
_UNITS: Final = {
    "kg_m2": "kg m²",
    "m_s2": "m/s²",
    "m_s": "m/s",
    "kg": "kg",
    "kmh": "km/h",
    "km": "km",
    "mm": "mm",
    "m2": "m²",
    "nm": "N·m",
    "hpa": "hPa",
    "deg": "°",
    "w": "W",
    "j": "J",
    "m": "m",
    "c": "°C",
    "g": "g",
    "s": "s",
}
_FLAT: Final = 0.0075
"""Grade under which the road is called flat; a choice of display."""

_SHARES: Final = {"relative_humidity", "tuck_steepest_descent", "drivetrain_efficiency"}
"""Keys whose value is a share of one, said in percent."""
_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|°C|W|kJ|kg|g|km|m|km/h|m/s|m²|s)(?![\w/]))|(?<=\bkm) (?=\d)")
_NO_BREAK: Final = "\u00a0"
_HIDDEN: Final = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
_FOLDED: Final = {
    "ß": "ss",
    "æ": "ae",
    "Æ": "AE",
    "ø": "o",
    "Ø": "O",
    "œ": "oe",
    "Œ": "OE",
    "ł": "l",
    "Ł": "L",
    "đ": "d",
    "Đ": "D",
    "ı": "i",
}


def clean(text: object, longest: int = 400) -> str:
    """Bring a text from a file onto one line: no control, invisible or direction-changing characters.

    Longer ones end in an ellipsis.
    """
    shown = "".join(" " if unicodedata.category(c) in _HIDDEN else c for c in str(text))
    line = " ".join(shown.split())
    return line if len(line) <= longest else line[: longest - 1].rstrip() + "…"


def together(text: str) -> str:
    """Put no-break spaces between numbers and their units, so that no line is broken there."""
    return _UNIT.sub(_NO_BREAK, text)


def as_typed(text: str) -> str:
    """Put plain spaces back in place of those of `together`."""
    return text.replace(_NO_BREAK, " ")


def wrap(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    """Break a text at spaces into lines of at most so many columns, never between a number and its unit.

    Parameters
    ----------
    first, rest : str
        What the first and the other lines begin with.
    """
    lines = textwrap.wrap(
        together(text), width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    )
    return [as_typed(line) for line in lines]


def ascii_name(text: str, longest: int) -> str:
    """Bring a text into plain ASCII of at most so many characters, for small screens."""
    folded = "".join(_FOLDED.get(c, c) for c in clean(text))
    plain = unicodedata.normalize("NFKD", folded).encode("ascii", "ignore").decode()
    return " ".join(plain.split())[:longest].rstrip()


def route_name(plan: Plan, longest: int = 80) -> str:
    """Give the race's name, else the route's."""
    race = plan.inputs.get("race")
    name = race.get("name") if isinstance(race, dict) else ""
    return clean(name or plan.inputs.get("route") or "route", longest) or "route"


def clock(time: float) -> str:
    """Write a duration as h:mm:ss, or m:ss under an hour, to the nearest second."""
    if not math.isfinite(time):
        return "–"
    whole = round(abs(time))
    hours, rest = divmod(whole, 3600)
    minutes, second = divmod(rest, 60)
    sign = "−" if time < 0 and whole else ""
    return f"{sign}{hours}:{minutes:02d}:{second:02d}" if hours else f"{sign}{minutes}:{second:02d}"


def seconds(time: float) -> str:
    """Write a small gain or cost in seconds, one decimal under ten."""
    if not math.isfinite(time):
        return "–"
    return f"{time:.1f} s" if abs(time) < 9.95 else f"{time:.0f} s"


def minutes(time: float) -> str:
    """Write a larger gain or cost: "43 s" under a minute, "2:19" from there on."""
    return seconds(time) if abs(time) < 59.5 else clock(time)


def signed_seconds(time: float) -> str:
    """Write seconds won (-) or lost (+), one decimal under a hundred, without the unit."""
    if not math.isfinite(time):
        return "-"
    text = f"{time:+.1f}" if abs(time) < 99.95 else f"{time:+.0f}"
    return "0.0" if text in ("+0.0", "-0.0") else text


def kilometres(distance: float, digits: int = 2) -> str:
    """Write metres as kilometres."""
    return f"{distance / 1000.0:.{digits}f}"


def kilometres_before(distance: float) -> str:
    """Write metres as kilometres, never later than they are: for hands that must be back by there."""
    return f"{math.floor(distance / 10.0 + 1e-6) / 100.0:.2f}"


def kilometres_from(distance: float) -> str:
    """Write metres as kilometres, never earlier than they are: for a tuck that is allowed from there on."""
    return f"{math.ceil(distance / 10.0 - 1e-6) / 100.0:.2f}"


def cue_kilometres(cue: Cue) -> str:
    """Write where a cue stands: hands never back later, never tucked earlier than the plan says."""
    if cue.kind == "up":
        return kilometres_before(cue.at_m)
    return kilometres_from(cue.at_m) if cue.kind == "tuck" else kilometres(cue.at_m)


def watts(power: float) -> str:
    """Write a power to the nearest watt."""
    return f"{power:.0f}"


def speed_kmh(speed: float) -> str:
    """Write m/s as km/h, one decimal."""
    return f"{speed / KMH:.1f}"


def wind_speed(speed: float) -> str:
    """Write a wind as forecasts have it, in either unit: "5.0 m/s (18 km/h)"."""
    return f"{speed:.1f} m/s ({speed / KMH:.0f} km/h)"


def ground(grade: float) -> str:
    """Say what the road does: "flat", "climb 4.2 %", "descent 5.0 %"."""
    if abs(grade) < _FLAT:
        return "flat"
    return f"{'climb' if grade > 0 else 'descent'} {percent(abs(grade), 1)}"


def percent(share: float, digits: int = 0) -> str:
    """Write a share as a percentage."""
    return f"{100.0 * share:.{digits}f} %"


def compass(heading: float) -> str:
    """Write a heading in degrees as one of sixteen points: "NNE"."""
    return _POINTS[round(heading / 22.5) % 16] if math.isfinite(heading) else "–"


def from_compass(text: str) -> float:
    """The direction of one of sixteen points, or of a number of degrees [deg].

    Raises
    ------
    ValueError
        Where it is neither.
    """
    word = text.strip().upper()
    return 22.5 * _POINTS.index(word) if word in _POINTS else float(word)


def labelled(key: str, value: object) -> tuple[str, str]:
    """Write a key of the rider or race file and its value for people: "critical power", "250 W"."""
    words, unit = key, ""
    for suffix, said in _UNITS.items():
        if key.endswith(f"_{suffix}"):
            words, unit = key.removesuffix(f"_{suffix}"), said
            break
    if isinstance(value, int | float) and not isinstance(value, bool):
        if key in _SHARES:
            value, unit = round(100.0 * value, 6), "%"
        elif unit == "J" and abs(value) >= 1000.0:
            value, unit = value / 1000.0, "kJ"
    shown = _plain_value(value)
    name = (
        words.replace("_", " ")
        .replace("w prime", "W'")
        .replace("cda", "drag area (CdA)")
        .replace("crr", "Crr")
    )
    return clean(name, 60), f"{shown} {unit}".strip()


def _plain_value(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:.6g}"
    if isinstance(value, list | tuple):
        if value and all(isinstance(item, int | float) for item in value):
            return f"{min(value):.4g} to {max(value):.4g} ({len(value)} values)"
        return f"{len(value)} values"
    return "–" if value is None else clean(value, 120)
