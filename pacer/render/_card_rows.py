"""The card's lines: what each cue says, before anything is drawn."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pacer.planning.plan import Cue, Plan
from pacer.render.digest import table
from pacer.render.words import clean, clock, cue_kilometres, kilometres_before, watts

__all__ = ["Row", "card_rows"]

_INFORMS: Final = {"feed": "FEED", "note": "SEE"}
_TURN: Final = re.compile(r"\b(corner|bend|hairpin|roundabout|wind) (left|right)\b")


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the card.

    Attributes
    ----------
    where : str
        Kilometres.
    action : str
        UP or TUCK, and which way of it where the plan has several; FEED or SEE where nothing changes.
    seen : str
        What the eye sees there; arrows for left and right.
    detail : str
        For how long, and where the hands go back.
    watts : str
        Empty where nothing changes.
    tucked : bool
        What the rider is from here on.
    warns : bool
        Hands back on the brakes.
    """

    where: str
    action: str
    seen: str
    detail: str
    watts: str
    tucked: bool
    warns: bool


def card_rows(plan: Plan, cues: Sequence[Cue]) -> tuple[Row, ...]:
    """Write the cues as lines of a card."""
    several = _several_positions(cues)
    return tuple(_row(plan, cues, k, several) for k in range(len(cues)))


def _several_positions(cues: Sequence[Cue]) -> frozenset[bool]:
    """Which of tucked and upright stand for more than one position, so that the word alone won't do."""
    used = {(cue.tucked, cue.position) for cue in cues}
    return frozenset(tucked for tucked in (True, False) if sum(t is tucked for t, _ in used) > 1)


def _row(plan: Plan, cues: Sequence[Cue], k: int, several: frozenset[bool]) -> Row:
    cue = cues[k]
    informs = cue.kind in _INFORMS
    action = _INFORMS.get(cue.kind, "TUCK" if cue.tucked else "UP")
    if cue.tucked in several and not informs:
        action = f"{action} {clean(cue.position, 14)}"
    return Row(
        where=cue_kilometres(cue),
        action=action,
        seen=_seen(cue.text),
        detail="" if informs else _detail(plan, cues, k),
        watts="" if informs else watts(cue.power_w),
        tucked=cue.tucked,
        warns=cue.kind == "up",
    )


def _seen(text: str) -> str:
    return _TURN.sub(lambda found: f"{found[1]} {'←' if found[2] == 'left' else '→'}", clean(text, 60))


def _detail(plan: Plan, cues: Sequence[Cue], k: int) -> str:
    """Say how long this line holds and, of a tucked one, where the hands go back."""
    end = float(plan.nodes.distance_m[-1])
    following = [cue for cue in cues[k + 1 :] if cue.kind not in _INFORMS]
    until = following[0].at_m if following else end
    at = np.interp([cues[k].at_m, until], plan.nodes.distance_m, plan.nodes.time_s)
    lasts = clock(float(at[1] - at[0]))
    if not cues[k].tucked:
        line = "dismount line" if table(plan, "race").get("finish") == "stop" else "finish"
        return lasts if following else f"{lasts} to the {line}"
    up = next((cue for cue in following if not cue.tucked), None)
    return f"{lasts}, up at {kilometres_before(up.at_m if up is not None else end)}"
