"""Every exception that `pacer` raises on purpose.

::

    PacerError
    ├── InputError            the input can't be used: exit 1
    │   ├── CourseError       the GPX file, or a zone on it
    │   ├── SettingsError     the rider file, the race file, an option
    │   ├── WeatherError      the forecast
    │   ├── RideError         a recorded ride
    │   └── PlanFileError     a plan.json read back
    ├── InfeasibleError       no plan meets the limits: exit 3
    └── OutputError           a result can't be written: exit 1

Misuse by a programmer is a `ValueError` or `TypeError`, as everywhere in Python.
"""

from __future__ import annotations

__all__ = [
    "CourseError",
    "InfeasibleError",
    "InputError",
    "OutputError",
    "PacerError",
    "PlanFileError",
    "RideError",
    "SettingsError",
    "WeatherError",
    "one_line",
]

_LONGEST_LINE = 480
_LONGEST_PLACE = 200
_LONGEST_FOUND = 120
"""Letters of a message, of the place in it and of what was found there."""


def one_line(text: str) -> str:
    """Bring a text onto one line, without characters that can't be seen or that steer a screen."""
    if not text.isprintable():
        text = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(text.split())


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else text[: longest - 1].rstrip() + "…"


def _cut_middle(text: str, longest: int) -> str:
    half = (longest - 1) // 2
    return text if len(text) <= longest else f"{text[:half]}…{text[-half:]}"


class PacerError(Exception):
    """The root of the tree."""


class InputError(PacerError):
    """An input that can't be used, told in one line.

    Parameters
    ----------
    what : str
        What is wrong.
    where : str
        File, and line, key, point or kilometre in it.
    found : str
        What stands there; empty where nothing more can be said.
    do : str
        What the user can do about it.
    """

    def __init__(self, what: str, *, where: str = "", found: str = "", do: str = "") -> None:
        self.what = what
        self.where = where
        self.found = found
        self.do = do
        super().__init__(str(self))

    def __str__(self) -> str:
        where = _cut_middle(one_line(self.where), _LONGEST_PLACE)
        head = f"{where}: {self.what}" if where else self.what
        found = f" (found {_cut(one_line(self.found), _LONGEST_FOUND)})" if self.found else ""
        do = f"; {self.do}" if self.do else ""
        return _cut(one_line(f"{head}{found}{do}"), _LONGEST_LINE)


class CourseError(InputError):
    """The course can't be used."""


class SettingsError(InputError):
    """A rider file, a race file or an option can't be used."""


class WeatherError(InputError):
    """The forecast can't be used."""


class RideError(InputError):
    """A recorded ride can't be used."""


class PlanFileError(InputError):
    """A plan file can't be used."""


class InfeasibleError(PacerError):
    """No plan meets the limits.

    Parameters
    ----------
    limit : str
        Which limit can't be met, with its place on the course.
    by : str
        By how much it is missed, with unit.
    do : str
        What the user can change.
    """

    def __init__(self, limit: str, *, by: str, do: str = "") -> None:
        self.limit = limit
        self.by = by
        self.do = do
        super().__init__(f"no plan meets the limits: {limit}, missed by {by}" + (f"; {do}" if do else ""))


class OutputError(PacerError):
    """A result can't be written; what stood there before is unchanged."""
