"""Numbers and names as the rider reads them; every output uses these, so that they agree."""

from __future__ import annotations

import math
import unicodedata
from typing import Final

from pacer.planning.plan import Plan, Reason
from pacer.units import KMH

__all__ = [
    "ascii_name",
    "clean",
    "clock",
    "kilometres",
    "kilometres_before",
    "kilometres_from",
    "percent",
    "reason_words",
    "route_name",
    "seconds",
    "speed_kmh",
    "watts",
]

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


def kilometres(distance: float, digits: int = 2) -> str:
    """Write metres as kilometres."""
    return f"{distance / 1000.0:.{digits}f}"


def kilometres_before(distance: float) -> str:
    """Write metres as kilometres, never later than they are: for hands that must be back by there."""
    return f"{math.floor(distance / 10.0 + 1e-6) / 100.0:.2f}"


def kilometres_from(distance: float) -> str:
    """Write metres as kilometres, never earlier than they are: for a tuck that is allowed from there on."""
    return f"{math.ceil(distance / 10.0 - 1e-6) / 100.0:.2f}"


def watts(power: float) -> str:
    """Write a power to the nearest watt."""
    return f"{power:.0f}"


def speed_kmh(speed: float) -> str:
    """Write m/s as km/h, one decimal."""
    return f"{speed / KMH:.1f}"


def percent(share: float, digits: int = 0) -> str:
    """Write a share as a percentage."""
    return f"{100.0 * share:.{digits}f} %"


def reason_words(reason: Reason) -> str:
    """Say a refusal with its numbers: "steep descent 6.2 % down (limit 5.0)"."""
    rule = clean(reason.rule, 80)
    if reason.unit == "zone" or not math.isfinite(reason.value):
        return rule
    unit = clean(reason.unit, 20).removesuffix(" radius")
    digits = {"g": 2, "m": 0}.get(unit, 1)
    limit = f" (limit {reason.limit:.{digits}f})" if math.isfinite(reason.limit) else ""
    return f"{rule} {reason.value:.{digits}f} {unit}{limit}"
