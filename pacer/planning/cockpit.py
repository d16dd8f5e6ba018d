"""The bars as they are set, against what their makers allow: where two limits meet, the lower one rules."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

__all__ = ["cockpit_cautions"]

CLEARLY_UNDER: Final = 0.7
"""Share of the lower limit under which a bolt is told to be slack; common practice, no source."""

_BOLTS: Final = (
    (
        "clip-on clamp",
        "clamp_torque_nm",
        (("clamp maker", "clamp_torque_limit_nm"), ("handlebar maker", "bar_torque_limit_nm")),
    ),
    ("extension", "extension_torque_nm", (("maker", "extension_torque_limit_nm"),)),
    ("pad", "pad_torque_nm", (("maker", "pad_torque_limit_nm"),)),
    ("stem", "stem_torque_nm", (("maker", "stem_torque_limit_nm"),)),
)
"""Which bolts, the key of how they are tightened, and whose limits hold for them."""


def cockpit_cautions(table: Mapping[str, Any]) -> tuple[str, ...]:
    """What the rider should look at before riding with these settings.

    Parameters
    ----------
    table : mapping
        Keys of the `[cockpit]` table, torques in N·m.
    """
    return tuple(sentence for bolt in _BOLTS for sentence in _bolt(table, *bolt))


def _bolt(
    table: Mapping[str, Any], name: str, key: str, limits: tuple[tuple[str, str], ...]
) -> Iterator[str]:
    torque = table.get(key)
    given = [(float(table[limit]), maker) for maker, limit in limits if table.get(limit) is not None]
    missing = [maker for maker, limit in limits if table.get(limit) is None]
    if torque is None:
        return
    set_to = f"The {name} bolts are tightened to {torque:g} N·m"
    if not given:
        yield f"{set_to}, but no limit is entered: look it up before you ride."
        return
    lowest, maker = min(given)
    allowed = f"the {lowest:g} N·m that the {maker} allows"
    if torque > lowest:
        yield f"{set_to}, over {allowed}: loosen them, and have the part looked at for cracks."
    elif torque < CLEARLY_UNDER * lowest:
        yield f"{set_to}, well under {allowed}: they may slip; lean on the bars hard before you ride."
    if missing:
        whose = " and the ".join(missing)
        yield f"For the {name} bolts the limit of the {whose} isn't entered: the lower one rules."
