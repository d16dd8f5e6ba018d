"""What kind of race it is: frozen data, no maths."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

__all__ = ["DEFAULT_W_PRIME_RESERVE", "FinishKind", "Race", "StartKind"]

DEFAULT_W_PRIME_RESERVE: Final = 2000.0
"""What is left of W' at its emptiest when the race file says nothing [J]; common practice, no source."""


class StartKind(StrEnum):
    """How the race begins."""

    STANDING = "standing"
    ROLLING = "rolling"


class FinishKind(StrEnum):
    """How it ends: over a line at speed, or with both feet down at a dismount line."""

    ROLLING = "rolling"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class Race:
    """The race, apart from its course and its weather.

    Attributes
    ----------
    start_time : datetime or None
        With its offset from UTC; only a forecast needs it.
    laps : int
        How often the course is ridden.
    reverse : bool
        Whether it is ridden from its end to its start.
    effort : float or None
        Fourth-power mean power over critical power.
    target_power : float or None
        Fourth-power mean power [W]; where it and `effort` are None, the planned duration decides.
    w_prime_reserve : float
        W' never falls under it [J].
    """

    name: str = ""
    start_time: datetime | None = None
    laps: int = 1
    reverse: bool = False
    start: StartKind = StartKind.STANDING
    finish: FinishKind = FinishKind.ROLLING
    effort: float | None = None
    target_power: float | None = None
    w_prime_reserve: float = DEFAULT_W_PRIME_RESERVE
