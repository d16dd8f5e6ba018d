"""The limits that keep the rider upright, in every sense: defaults by skill, tightened when wet.

Every default is common practice with no source unless its field says otherwise; each can be overridden
in the rider file's `[safety]` table, and the plan shows which values applied.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from pacer.physics.rider import Skill
from pacer.units import GRAVITY, KMH

__all__ = ["DEFAULT_LIMITS", "SAFETY_KEYS", "Limits", "limits_for", "safety_table"]


@dataclass(frozen=True, slots=True)
class Limits:
    """What the plan may ask of the rider's bike handling, SI.

    Attributes
    ----------
    corner_lateral : float
        Lateral acceleration in a corner with the hands on the brakes [m/s²]. 15° and 20° of lean (0.27 g
        and 0.36 g) are the design values of the AASHTO Guide for the Development of Bicycle Facilities.
    braking : float
        Deceleration by the brakes that the plan counts on [m/s²]; well under the 4.9 to 5.9 m/s² at
        which a bicycle pitches over (W. Pein's note on bicycle braking, after the AASHTO Green Book).
    top_speed : float
        Hands on the brakes [m/s].
    tuck_top_speed : float
        Hands off the brakes [m/s].
    tuck_steepest_descent : float
        Fall over run, positive.
    tuck_lateral : float
        Lateral acceleration with the hands off the brakes [m/s²].
    tuck_min_radius : float
        Corners tighter than this are never ridden with the hands off the brakes [m].
    tuck_gust_crosswind : float
        Crosswind in a gust at the rider's height [m/s]; a design choice, no published limit was found.
    hands_back : float
        Seconds from letting go of the aero bars to braking; the AASHTO guide's reaction time is 2.5 s.
    tuck_shortest_stay : float
        A shorter stay isn't worth the two hand changes [s].
    tuck_slowest : float
        Below this the bicycle isn't steady with the hands off the brakes [m/s].
    tuck_roughest : float
        Rolling resistance of a surface zone over the bicycle's own; rougher is ridden with the hands on the
        brakes. Rough asphalt has up to twice the rolling resistance of smooth, gravel and cobbles more.
    start_upright, finish_upright : float
        After the start and before the finish [m].
    wet_factor : float
        On speeds tucked, cornering, braking and what a surface may be worse than the bicycle's own, when it
        is wet; the AASHTO guide halves friction when wet.
    """

    corner_lateral: float
    braking: float
    top_speed: float
    tuck_top_speed: float
    tuck_steepest_descent: float
    tuck_lateral: float
    tuck_min_radius: float
    tuck_gust_crosswind: float
    hands_back: float
    tuck_shortest_stay: float
    tuck_slowest: float
    tuck_roughest: float
    start_upright: float
    finish_upright: float
    wet_factor: float

    def when_wet(self) -> Limits:
        """Tighten what a wet surface tightens."""
        return replace(
            self,
            corner_lateral=self.corner_lateral * self.wet_factor,
            braking=self.braking * self.wet_factor,
            tuck_top_speed=self.tuck_top_speed * self.wet_factor,
            tuck_lateral=self.tuck_lateral * self.wet_factor,
            tuck_roughest=1.0 + (self.tuck_roughest - 1.0) * self.wet_factor,
        )


_ROWS: Final = (
    # key of the [safety] table, field, SI value of one unit of the key; new, practised, expert
    ("corner_lateral_g", "corner_lateral", GRAVITY, 0.20, 0.27, 0.36),
    ("braking_m_s2", "braking", 1.0, 1.5, 2.0, 2.5),
    ("top_speed_kmh", "top_speed", KMH, 45.0, 60.0, 75.0),
    ("tuck_top_speed_kmh", "tuck_top_speed", KMH, 42.0, 52.0, 62.0),
    ("tuck_steepest_descent", "tuck_steepest_descent", 1.0, 0.03, 0.05, 0.07),
    ("tuck_lateral_g", "tuck_lateral", GRAVITY, 0.05, 0.10, 0.15),
    ("tuck_min_radius_m", "tuck_min_radius", 1.0, 60.0, 40.0, 25.0),
    ("tuck_gust_crosswind_m_s", "tuck_gust_crosswind", 1.0, 4.0, 6.0, 8.0),
    ("hands_back_s", "hands_back", 1.0, 4.0, 3.0, 2.0),
    ("tuck_shortest_stay_s", "tuck_shortest_stay", 1.0, 30.0, 20.0, 12.0),
    ("tuck_slowest_kmh", "tuck_slowest", KMH, 20.0, 17.0, 14.0),
    ("tuck_roughest_crr_factor", "tuck_roughest", 1.0, 1.2, 1.4, 1.6),
    ("start_upright_m", "start_upright", 1.0, 300.0, 200.0, 100.0),
    ("finish_upright_m", "finish_upright", 1.0, 300.0, 200.0, 100.0),
    ("wet_factor", "wet_factor", 1.0, 0.6, 0.6, 0.6),
)
"""One limit a row."""

SAFETY_KEYS: Final[Mapping[str, tuple[str, float]]] = {key: (field, unit) for key, field, unit, *_ in _ROWS}
"""Key of the `[safety]` table: field of `Limits`, and the SI value of one unit of the key."""

DEFAULT_LIMITS: Final[Mapping[Skill, Limits]] = {
    skill: Limits(**{field: unit * defaults[column] for _, field, unit, *defaults in _ROWS})
    for column, skill in enumerate((Skill.NEW, Skill.PRACTISED, Skill.EXPERT))
}
"""The dry-road defaults."""


def limits_for(skill: Skill, overrides: Mapping[str, float], *, wet: bool) -> Limits:
    """Limits of a rider on the day.

    Parameters
    ----------
    skill : Skill
        Sets the defaults.
    overrides : mapping
        Keys and units of the rider file's `[safety]` table; they replace the dry-road defaults.
    wet : bool
        Tightens what a wet surface tightens, overrides included.

    Raises
    ------
    KeyError
        For a key that is not one of `SAFETY_KEYS`.
    """
    given = {}
    for key, value in overrides.items():
        field, unit = SAFETY_KEYS[key]
        given[field] = float(value) * unit
    limits = replace(DEFAULT_LIMITS[skill], **given)
    return limits.when_wet() if wet else limits


def safety_table(limits: Limits) -> dict[str, float]:
    """The limits back in the keys and units of the `[safety]` table."""
    return {key: getattr(limits, field) / unit for key, (field, unit) in SAFETY_KEYS.items()}
