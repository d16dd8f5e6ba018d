"""From many days to what a rider can use: bounds on every split, chances, choices that hang on the day."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.planning.ensemble import BestOfDay, DayResult
from pacer.planning.members import Member
from pacer.planning.plan import Plan
from pacer.units import FloatArray

__all__ = [
    "EARLY",
    "LATE",
    "Choice",
    "DaySplit",
    "Ensemble",
    "Outlook",
    "Robust",
    "Sign",
    "SignKind",
    "choices_of",
    "outlook_of",
    "quantile",
    "stable_share",
]

EARLY, LATE = 0.05, 0.95
"""Bounds told for a split: one day in twenty is earlier, one later."""

SURE: Final = 0.9
"""Share of days from which a choice counts as the same on any of them."""

SHORTEST: Final = 8.0
"""Stretches over in less than this aren't told of [s]."""

NEAR: Final = 4.0
"""Stretches this near to each other are one [s]."""

TELLING: Final = 0.8
"""Share of days that a sign must sort rightly to be worth looking for."""


class SignKind(StrEnum):
    """What the rider can look at on the day."""

    GUST = "gusts from the side"
    HEADWIND = "wind against you"
    TAILWIND = "wind from behind"
    WET = "a wet road"


@dataclass(frozen=True, slots=True)
class Sign:
    """What tells on the day whether to be tucked: the wind at the rider's height against a limit.

    Attributes
    ----------
    below : bool
        Whether the tuck goes with less than the limit.
    limit : float
        [m/s]; of a wet road between 0 for dry and 1.
    right : float
        Share of days that it sorts as the day's own best plan would.
    """

    kind: SignKind
    below: bool
    limit: float
    right: float


@dataclass(frozen=True, slots=True)
class Choice:
    """A stretch where the best position differs from day to day.

    Attributes
    ----------
    tucked_share : float
        Share of days on which the tuck is best.
    planned : bool
        Whether the plan is tucked there.
    stake : float
        Seconds between the two, at the planned day's prices.
    sign : Sign or None
        None where nothing that can be seen tells.
    """

    start: float
    end: float
    tucked_share: float
    planned: bool
    stake: float
    sign: Sign | None


@dataclass(frozen=True, slots=True)
class DaySplit:
    """A place [m], and when the rider is there: planned, bounds `EARLY` and `LATE`, on the middle day [s]."""

    distance: float
    planned: float
    early: float
    middle: float
    late: float


@dataclass(frozen=True, slots=True)
class Outlook:
    """What the days come to.

    Attributes
    ----------
    days : int
    planned : float
        Time on the planned day [s].
    early, middle, late, mean, deviation : float
        Of the time over all days [s].
    holds, runs_out : float
        Shares of days on which the budget is held, and on which the rider is spent before the end.
    regret : float
        Mean seconds that knowing the day beforehand would have saved, over the days that hold the budget; NaN
        where that wasn't asked.
    splits : tuple of DaySplit
    """

    days: int
    planned: float
    early: float
    middle: float
    late: float
    mean: float
    deviation: float
    holds: float
    runs_out: float
    regret: float
    splits: tuple[DaySplit, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Robust:
    """The plan that holds on nearly all days.

    Attributes
    ----------
    plan : Plan
    share : float
        Of the planned budget that it asks for.
    price : float
        Seconds that it is slower than the plan on the planned day.
    outlook : Outlook
        Of it over the same days.
    """

    plan: Plan
    share: float
    price: float
    outlook: Outlook


@dataclass(frozen=True, slots=True, eq=False)
class Ensemble:
    """A plan and what many days make of it.

    Attributes
    ----------
    plan : Plan
    members : tuple of Member
    times, best_times : FloatArray, shape (m,)
        Of the plan, and of each day's own best at that day's own budget [s]; NaN where a day has none.
    outlook : Outlook
    choices : tuple of Choice
        Where the best position hangs on the day.
    stable : float
        Share of the road where it is the same on nine days of ten.
    robust : Robust or None
        None where no plan holds the budget on that many days.
    why_not : str
        Why there is no robust plan.
    """

    plan: Plan
    members: tuple[Member, ...]
    times: FloatArray
    best_times: FloatArray
    outlook: Outlook
    choices: tuple[Choice, ...]
    stable: float
    robust: Robust | None
    why_not: str = ""


def quantile(values: FloatArray, share: float) -> float:
    """Empirical quantile that stays a number where some days never finish (infinite)."""
    ordered = np.sort(values)
    place = share * (ordered.size - 1)
    low, high = ordered[math.floor(place)], ordered[math.ceil(place)]
    if not np.isfinite(high):
        return float(high if place > math.floor(place) else low)
    return float(low + (place - math.floor(place)) * (high - low))


def outlook_of(
    results: Sequence[DayResult],
    bests: Sequence[BestOfDay | None],
    planned: float,
    places: FloatArray,
    planned_splits: FloatArray,
) -> Outlook:
    """Sum the days up.

    Parameters
    ----------
    planned : float
        Time of the plan on the planned day [s].
    places, planned_splits : FloatArray, shape (k,)
        Where the clock is read [m], and what the plan says there [s].
    """
    times = np.array([result.time for result in results])
    split_times = np.array([result.split_time for result in results])
    finished = times[np.isfinite(times)]
    regrets = [
        result.time - best.time
        for result, best in zip(results, bests, strict=True)
        if best is not None and result.holds
    ]
    splits = tuple(
        DaySplit(float(place), float(at), *(quantile(split_times[:, k], q) for q in (EARLY, 0.5, LATE)))
        for k, (place, at) in enumerate(zip(places, planned_splits, strict=True))
    )
    return Outlook(
        days=times.size,
        planned=planned,
        early=quantile(times, EARLY),
        middle=quantile(times, 0.5),
        late=quantile(times, LATE),
        mean=float(finished.mean()) if finished.size else math.inf,
        deviation=float(finished.std()) if finished.size else math.inf,
        holds=float(np.mean([result.holds for result in results])),
        runs_out=float(np.mean([result.runs_out for result in results])),
        regret=float(np.mean(regrets)) if regrets else math.nan,
        splits=splits,
    )


def _tucked_share(bests: Sequence[BestOfDay | None]) -> FloatArray:
    return np.asarray(np.mean([best.tucked for best in bests if best is not None], axis=0))


def stable_share(bests: Sequence[BestOfDay | None], length: FloatArray) -> float:
    """Share of the road on which the best position is the same on `SURE` of the days."""
    share = _tucked_share(bests)
    return float(length[(share >= SURE) | (share <= 1.0 - SURE)].sum() / length.sum())


def choices_of(
    results: Sequence[DayResult],
    bests: Sequence[BestOfDay | None],
    *,
    nodes: FloatArray,
    seconds: FloatArray,
    planned: npt.NDArray[np.bool_],
    stake: FloatArray,
) -> tuple[Choice, ...]:
    """Stretches where the best position hangs on the day, with what tells on the day.

    Parameters
    ----------
    nodes : FloatArray, shape (n + 1,)
        Of the cells [m].
    seconds : FloatArray, shape (n,)
        Planned time in each cell.
    planned : bool array, shape (n,)
        Where the plan is tucked.
    stake : FloatArray, shape (n,)
        Seconds between upright and tucked in each cell.
    """
    known = [(result, best) for result, best in zip(results, bests, strict=True) if best is not None]
    if not known:
        return ()
    share = _tucked_share(bests)
    time = np.concatenate(([0.0], np.cumsum(seconds)))
    found = []
    for first, last in _runs((share < SURE) & (share > 1.0 - SURE), time):
        part = slice(first, last)
        if time[last] - time[first] < SHORTEST:
            continue
        weight = seconds[part] / seconds[part].sum()
        tucked = np.array([best.tucked[part] @ weight > 0.5 for _, best in known])
        found.append(
            Choice(
                start=float(nodes[first]),
                end=float(nodes[last]),
                tucked_share=float(share[part] @ weight),
                planned=bool(planned[part] @ weight > 0.5),
                stake=float(np.abs(stake[part]).sum()),
                sign=_sign([result for result, _ in known], part, weight, tucked),
            )
        )
    return tuple(found)


def _runs(flag: npt.NDArray[np.bool_], time: FloatArray) -> list[tuple[int, int]]:
    """Runs of cells as pairs of nodes, those near to each other joined."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flag, [False])).astype(int)))
    joined: list[tuple[int, int]] = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if joined and time[first] - time[joined[-1][1]] < NEAR:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def _sign(
    results: Sequence[DayResult], part: slice, weight: FloatArray, tucked: npt.NDArray[np.bool_]
) -> Sign | None:
    """The limit on something felt on the road that sorts the days best."""
    if tucked.all() or not tucked.any():
        return None
    head = np.array([result.air.headwind[part] @ weight for result in results])
    gust = np.array([result.air.gust_crosswind[part] @ weight for result in results])
    blows_against = float(np.median(head)) >= 0.0
    along = (SignKind.HEADWIND, head) if blows_against else (SignKind.TAILWIND, -head)
    wet = np.array([float(result.air.wet) for result in results])
    # Where two signs tell alike, the one that the rules look at comes first.
    options = [_limit(SignKind.GUST, gust, tucked), _limit(*along, tucked)]
    if 0.0 < wet.mean() < 1.0:
        options.insert(0, _limit(SignKind.WET, wet, tucked))
    best = max(options, key=lambda sign: sign.right)
    return best if best.right >= TELLING else None


def _limit(kind: SignKind, values: FloatArray, tucked: npt.NDArray[np.bool_]) -> Sign:
    """The one limit that sorts most days rightly."""
    order = np.argsort(values, kind="stable")
    x, y = values[order], tucked[order]
    # Days with less than the limit are the first k; tucked there, upright beyond, or the other way round.
    tucked_below = np.concatenate(([0], np.cumsum(y)))
    upright_above = np.concatenate((np.cumsum((~y)[::-1])[::-1], [0]))
    right = tucked_below + upright_above
    low, high = int(right.argmax()), int(right.argmin())
    below = right[low] >= y.size - right[high]
    k = low if below else high
    score = right[low] if below else y.size - right[high]
    edge = x[min(max(k, 1), x.size - 1) - 1 : min(max(k, 1), x.size - 1) + 1].mean()
    return Sign(kind, bool(below), float(edge), float(score) / y.size)
