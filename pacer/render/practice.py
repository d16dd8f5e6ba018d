"""Where and how to practise, for the terminal and as waypoints."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from pacer.physics.rider import Skill
from pacer.planning.practice import Stage, Stretch, Week
from pacer.render.words import ascii_name, clean, kilometres, wrap

__all__ = ["STOP_FOR", "practice_gpx", "practice_summary"]

STOP_FOR: Final = (
    "traffic from behind or ahead, people, animals, parked cars, a junction",
    "a wet road, leaves, gravel, poor light, gusts that move the front wheel",
    "a wobble, numb hands, a stiff neck, a bar or pad that gives",
    "other riders: never tucked in a group or right behind someone",
)

_LOOK_FIRST: Final = (
    "Straight, calm and of the right slope by the map. Whether a stretch is smooth and quiet no file tells: "
    "ride each upright first."
)

_DEFER: Final = (
    "Common practice, no source. A coach who sees you ride knows better than this list, and the law of the "
    "road overrules both: where it or your club forbids the aero bars, don't. Have the bars fitted and their "
    "bolts set first; wear a helmet; tell someone where you ride."
)

_LOOK_FOR: Final = {
    Stage.CLIMB: "a straight, quiet, smooth climb of 2 to 3 %, 300 m or more, without corners or side wind",
    Stage.FLAT: "a straight, quiet, smooth level road of 500 m or more",
    Stage.HANDS: "a level straight of 250 m or more that leads to a bend you can see early",
    Stage.DESCENT: "a straight, gentle descent of 1 to 2 % with a free run-out",
    Stage.BEND: "a wide, open bend on level road that you can see through",
}


def practice_summary(
    skill: Skill, found: Mapping[Stage, Sequence[Stretch]], weeks: Sequence[Week], width: int = 80
) -> str:
    """Say where to practise what, why there, in which weeks, and what to stop for."""
    lines = [f"Practising on the aero bars, skill: {skill.value}"]
    lines += [*wrap(_LOOK_FIRST, width), ""]
    # Where all places are on one road its name is told once.
    roads = {stretch.road for stretches in found.values() for stretch in stretches}
    if len(roads) == 1:
        lines += [f"On {clean(next(iter(roads)), width - 3)}", ""]
    several = len(roads) > 1
    for stage in Stage:
        lines += _stage(stage, found.get(stage, ()), width, several)
    lines.append("")
    for week in weeks:
        lines += _week(week, found, width, several)
    lines += ["Sit up, hands on the brakes, and stop for"]
    lines += [line for text in STOP_FOR for line in _point(text, width)]
    lines += ["", *wrap(_DEFER, width)]
    return "\n".join(lines)


def _stage(stage: Stage, stretches: Sequence[Stretch], width: int, several: bool) -> Iterator[str]:
    yield f"{stage.value.capitalize()}"
    if not stretches:
        yield from _point(f"none on these roads; look for {_LOOK_FOR[stage]}", width)
    for stretch in stretches:
        yield from _point(f"{_place(stretch, several)}: {_why(stretch)}", width)


def _place(stretch: Stretch, named: bool = True) -> str:
    place = f"km {kilometres(stretch.start)} to {kilometres(stretch.end)}"
    return f"{clean(stretch.road, 30)}, {place}" if named else place


def _why(stretch: Stretch) -> str:
    """Say why there, in numbers."""
    parts = [f"{100 * stretch.grade:+.1f} % over {stretch.length:.0f} m"]
    if stretch.stage is Stage.BEND:
        parts.append(f"radius {stretch.radius:.0f} m")
    elif stretch.stage is Stage.HANDS:
        parts.append("a bend at its end")
    else:
        parts.append(f"turns {math.degrees(stretch.turn):.0f}° at most")
    parts.append(f"side gusts {stretch.gust:.1f} m/s (at most {stretch.gust_limit:.0f})")
    if stretch.quiet:
        parts.append("noted as quiet")
    return ", ".join(parts)


def _week(week: Week, found: Mapping[Stage, Sequence[Stretch]], width: int, several: bool) -> Iterator[str]:
    yield f"Week {week.number}: {week.title}"
    for stage in week.stages:
        stretches = found.get(stage)
        where = _place(stretches[0], several) if stretches else f"none here; look for {_LOOK_FOR[stage]}"
        yield from _point(f"{stage.value}: {where}", width)
    for task in week.tasks:
        yield from _point(task, width)
    yield ""


def _point(text: str, width: int) -> list[str]:
    return wrap(text, width, first="  - ", rest="    ")


_GPX: Final = "http://www.topografix.com/GPX/1/1"


def practice_gpx(found: Mapping[Stage, Sequence[Stretch]]) -> bytes:
    """Write the beginnings of the stretches as GPX 1.1 waypoints."""
    root = ET.Element("gpx", {"xmlns": _GPX, "version": "1.1", "creator": "pacer"})
    for stage in Stage:
        for number, stretch in enumerate(found.get(stage, ()), 1):
            place = {"lat": f"{stretch.latitude_deg:.6f}", "lon": f"{stretch.longitude_deg:.6f}"}
            point = ET.SubElement(root, "wpt", place)
            ET.SubElement(point, "name").text = ascii_name(f"{stage.name} {number}", 10)
            ET.SubElement(point, "desc").text = f"{stage.value}: {_place(stretch)}, {_why(stretch)}"
            ET.SubElement(point, "type").text = "practice"
    ET.indent(root)
    text: bytes = ET.tostring(root, encoding="UTF-8", xml_declaration=True)
    return text + b"\n"
