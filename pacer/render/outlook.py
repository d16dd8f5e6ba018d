"""What many days make of a plan, for the terminal and for machines."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any, Final

from pacer.planning.outlook import Choice, Ensemble, Outlook, Robust, Sign, SignKind
from pacer.render.words import (
    clean,
    clock,
    kilometres_before,
    kilometres_from,
    percent,
    route_name,
    seconds,
    wind_speed,
    wrap,
)

__all__ = ["outlook_json", "outlook_summary", "sign_words"]

_WORTH_TELLING: Final = 0.3
"""Stretches with less at stake are counted but not told of [s]."""

_MOST_CHOICES: Final = 12

_FLAGS: Final = (
    (1.6, "flags hang"),
    (3.4, "flags stir, leaves rustle"),
    (5.5, "flags lift and fall"),
    (8.0, "flags stand out, twigs move"),
    (10.8, "small trees sway"),
    (math.inf, "whole trees move"),
)
"""Upper limits of the Beaufort scale's forces 1 to 5 [m/s, mean at 10 m] (WMO), with signs in our own words.

In open country a gust at the rider's height is as strong as the mean wind at 10 m, within a tenth."""


def outlook_summary(found: Ensemble, width: int = 80) -> str:
    """Say how the days turn out, which choices hang on the day, and what certainty costs."""
    return "\n".join(
        [
            f"{route_name(found.plan, 50)}: {found.outlook.days} days",
            *_times(found.outlook, width),
            "",
            *_splits(found.outlook),
            "",
            *_choices(found.choices, found.stable, width),
            "",
            *_robust(found.robust, found.why_not, width),
        ]
    )


def _times(outlook: Outlook, width: int) -> Iterator[str]:
    yield f"  Time       {clock(outlook.middle)} on the middle day, {clock(outlook.planned)} planned"
    yield f"             one day in twenty is under {clock(outlook.early)}, one over {clock(outlook.late)}"
    yield f"  Budget     held on {percent(outlook.holds)} of the days"
    yield f"  Spent      before the end on {percent(outlook.runs_out)} of the days"
    if math.isfinite(outlook.regret):
        told = f"where it is held, knowing the day beforehand would have saved {seconds(outlook.regret)}"
        yield from wrap(told, width, first="  Foresight  ", rest=" " * 13)


def _splits(outlook: Outlook) -> Iterator[str]:
    yield "     km     plan    early   middle     late"
    for split in outlook.splits:
        times = "".join(f"{clock(t):>9}" for t in (split.planned, split.early, split.middle, split.late))
        yield f"{split.distance / 1000:7.1f}{times}"


def _choices(choices: tuple[Choice, ...], stable: float, width: int) -> Iterator[str]:
    if math.isfinite(stable):
        yield f"Tucked or upright alike on nine days of ten: {percent(stable)} of the road"
    told = sorted((c for c in choices if c.stake >= _WORTH_TELLING), key=lambda c: -c.stake)[:_MOST_CHOICES]
    if not told:
        yield "Nothing worth telling hangs on the day."
        return
    yield "What hangs on the day"
    for choice in sorted(told, key=lambda c: c.start):
        head = f"  km {kilometres_from(choice.start)} to {kilometres_before(choice.end)}  "
        yield from wrap(
            f"{sign_words(choice)} ({seconds(choice.stake)} at stake, tuck best on "
            f"{percent(choice.tucked_share)} of days)",
            width,
            first=head,
            rest="      ",
        )


def sign_words(choice: Choice) -> str:
    """Say what decides on the day whether to be tucked on a stretch."""
    sign = choice.sign
    if sign is None:
        return (
            "no sign on the road tells: stay upright" if not choice.planned else "no sign tells: as planned"
        )
    if sign.kind is SignKind.WET:
        return f"tuck only on a {'dry' if sign.below else 'wet'} road"
    limit = max(sign.limit, 0.0)
    if sign.kind is SignKind.GUST and sign.below:
        flags = next(words for top, words in _FLAGS if limit < top)
        return f"tuck only while side gusts stay under {wind_speed(limit)}: {flags}"
    if sign.kind is SignKind.GUST:  # what sorts these days is something else that comes with the gusts
        return "no sign on the road tells: stay upright"
    return f"tuck only {_along(sign)}"


def _along(sign: Sign) -> str:
    limit = abs(sign.limit)
    against = (sign.kind is SignKind.HEADWIND) == (sign.limit >= 0.0)
    what = "against you" if against else "from behind"
    more = sign.below == (sign.limit < 0.0)
    return f"if it blows {what} with {'more' if more else 'less'} than {wind_speed(limit)}"


def _robust(robust: Robust | None, why_not: str, width: int) -> Iterator[str]:
    if robust is None:
        yield from wrap(f"No robust plan: {clean(why_not)}", width)
        return
    plan, outlook = robust.plan, robust.outlook
    budget = plan.model.fourth_power_budget_w
    times = f"{clock(outlook.middle)} on the middle day, {clock(outlook.early)} to {clock(outlook.late)}"
    yield f"The robust plan holds the budget on {percent(outlook.holds)} of the days"
    yield f"  Asks for   {budget:.0f} W, {percent(robust.share, 1)} of the planned budget"
    yield f"  Price      {seconds(robust.price)} on the planned day: {clock(plan.totals.time_s)}"
    yield f"  Time       {times}"
    yield f"  Spent      before the end on {percent(outlook.runs_out)} of the days"


# ---------------------------------------------------------------- for machines


def outlook_json(found: Ensemble) -> str:
    """Give all of it as JSON, each day's times with it."""
    robust = None
    if found.robust is not None:
        robust = {
            "budget_share": _number(found.robust.share, 5),
            "price_s": _number(found.robust.price, 3),
            **_outlook(found.robust.outlook),
        }
    days = zip(found.members, found.times.tolist(), found.best_times.tolist(), strict=True)
    document: dict[str, Any] = {
        "schema": "pacer-ensemble/1",
        **_outlook(found.outlook),
        "stable_distance_share": _number(found.stable, 5),
        "choices": [_choice(choice) for choice in found.choices],
        "robust": robust,
        "no_robust_plan": found.why_not,
        "days": [
            {"name": clean(member.name, 60), "time_s": _number(time, 3), "best_s": _number(best, 3)}
            for member, time, best in days
        ],
    }
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)


def _outlook(outlook: Outlook) -> dict[str, Any]:
    return {
        "day_count": outlook.days,
        "planned_s": _number(outlook.planned, 3),
        "early_s": _number(outlook.early, 3),
        "middle_s": _number(outlook.middle, 3),
        "late_s": _number(outlook.late, 3),
        "mean_s": _number(outlook.mean, 3),
        "standard_deviation_s": _number(outlook.deviation, 3),
        "budget_held_share": _number(outlook.holds, 5),
        "spent_share": _number(outlook.runs_out, 5),
        "foresight_s": _number(outlook.regret, 3),
        "splits": [
            {
                "at_m": _number(split.distance, 1),
                "planned_s": _number(split.planned, 3),
                "early_s": _number(split.early, 3),
                "middle_s": _number(split.middle, 3),
                "late_s": _number(split.late, 3),
            }
            for split in outlook.splits
        ],
    }


def _choice(choice: Choice) -> dict[str, Any]:
    found: dict[str, Any] = {
        "start_m": _number(choice.start, 1),
        "end_m": _number(choice.end, 1),
        "tuck_best_share": _number(choice.tucked_share, 5),
        "planned_tucked": choice.planned,
        "stake_s": _number(choice.stake, 3),
        "text": sign_words(choice),
    }
    if choice.sign is not None:
        sign = choice.sign
        found["sign"] = {
            "what": sign.kind.value,
            "tuck_below": sign.below,
            "limit_m_s": _number(sign.limit, 3),
            "right_share": _number(sign.right, 5),
        }
    return found


def _number(value: float, digits: int) -> float | None:
    return round(float(value), digits) + 0.0 if math.isfinite(value) else None
