"""What the terminal shows: plain text within 80 columns, ASCII but for names, the same when piped."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final

import numpy as np

from pacer.planning.plan import Plan, UnsafeStretch
from pacer.planning.splits import expected_splits
from pacer.render.digest import (
    decision,
    enough_for,
    rider_words,
    rule_costs,
    table,
    terrain,
    tucked_stretches,
    weather_words,
)
from pacer.render.reasons import rule_words, stretch_reasons
from pacer.render.words import (
    clean,
    clock,
    ground,
    kilometres,
    kilometres_before,
    kilometres_from,
    minutes,
    percent,
    route_name,
    seconds,
    wrap,
)

__all__ = ["bullets", "check_summary", "plan_summary"]

_BEST: Final = 5
_MOST_UNSAFE: Final = 8
_MOST_REASONS: Final = 2
_LABEL: Final = 11


def plan_summary(plan: Plan, width: int = 80) -> str:
    """Say what the plan is: time and range, power, where the minutes are, what matters, what to look out for.

    Parameters
    ----------
    width : int
        Columns, at least 40.

    Returns
    -------
    str
        Lines without a final line break.
    """
    return "\n".join(
        [
            *_heading(plan, width),
            "",
            *_decision(plan, width),
            *_key_figures(plan, width),
            "",
            *_where_the_minutes_are(plan, width),
            "",
            *_best_stretches(plan, width),
            "",
            *_unsafe_lines(plan, width, _MOST_UNSAFE, _MOST_REASONS),
            *bullets("Cautions", plan.cautions, width),
            *bullets("Assumed", _sentences(plan.inputs.get("assumed")), width),
        ]
    )


def check_summary(plan: Plan, width: int = 80) -> str:
    """Say where it is unsafe to be tucked: every stretch, its reasons with numbers, what each rule costs."""
    stretches = plan.unsafe_to_tuck
    return "\n".join(
        [
            *_heading(plan, width),
            "",
            *_decision(plan, width),
            "",
            *_unsafe_lines(plan, width, len(stretches)),
            *_rule_lines(stretches),
            *bullets("Cautions", plan.cautions, width),
        ]
    )


# ---------------------------------------------------------------- parts


def _heading(plan: Plan, width: int) -> Iterator[str]:
    totals = plan.totals
    yield route_name(plan, width)
    road = f"{kilometres(totals.distance_m)} km, {totals.climb_m:.0f} m of climbing"
    for said in (road, weather_words(plan), rider_words(plan)):
        yield from wrap(said, width)


def _decision(plan: Plan, width: int) -> Iterator[str]:
    """Answer first what the rider asks first."""
    answer = decision(plan)
    yield from _figure("Tuck?", answer.pays, width)
    yield from _figure("Tucked", answer.where, width)
    yield from _figure("Upright", answer.where_not, width)
    if answer.by_choice:
        yield from _figure("", answer.by_choice, width)


def _key_figures(plan: Plan, width: int) -> Iterator[str]:
    totals, model, proof = plan.totals, plan.model, plan.optimality
    finish = expected_splits(plan, totals.distance_m)[-1]
    likely = f"likely {clock(finish.early_s)} to {clock(finish.late_s)}"
    yield from _figure("Time", f"{clock(totals.time_s)}, {likely}", width)
    fourth = f"{totals.fourth_power_mean_w:.0f} W fourth-power mean"
    budget = f"(budget {model.fourth_power_budget_w:.0f} W)"
    yield from _figure("Power", f"{totals.mean_power_w:.0f} W mean, {fourth} {budget}", width)
    least = f"{totals.min_w_balance_j / 1000:.1f} of {model.w_prime_j / 1000:.1f} kJ"
    yield from _figure("W' left", f"{least} at its lowest", width)
    yield from _feeding(plan, width)
    if np.isfinite(proof.gap) and np.isfinite(proof.bound_s):
        slower = f"{percent(proof.gap, 2)} ({seconds(totals.time_s - proof.bound_s)})"
        yield from _figure("Proven", f"at most {slower} slower than any plan within these limits", width)


def _feeding(plan: Plan, width: int) -> Iterator[str]:
    """Say where to eat and drink, and what sitting up for it costs against the same race without."""
    wish = table(plan, "feeding")
    stops, without = wish.get("stops"), wish.get("free_optimum_without_s")
    if not isinstance(stops, list) or not stops or not isinstance(without, int | float):
        return
    known = [stop for stop in stops if isinstance(stop, dict)]
    places = [f"{km:.2f}" for km in (stop.get("start_km") for stop in known) if isinstance(km, int | float)]
    what = clean(known[0].get("what", "feed"), 40) if known else "feed"
    cost = max(plan.optimality.free_optimum_s - without, 0.0)
    told = f"{what} at km {', '.join(places)}; {seconds(cost)} in all"
    yield from _figure("Feeding", told, width)


def _figure(label: str, text: str, width: int) -> Iterator[str]:
    yield from wrap(text, width, first=f"  {label:<{_LABEL}}", rest=" " * (_LABEL + 2))


def _where_the_minutes_are(plan: Plan, width: int) -> Iterator[str]:
    yield "Where the minutes are          km      time   share    power   tucked"
    bars = max(0, width - 70)
    for part in terrain(plan):
        if part.duration_s <= 0.0:
            continue
        share = part.duration_s / plan.totals.time_s
        line = (
            f"  {part.name:<22} {part.length_m / 1000:8.1f} {clock(part.duration_s):>9} {percent(share):>7} "
            f"{part.mean_power_w:6.0f} W {percent(part.tucked_s / part.duration_s):>8}"
        )
        yield f"{line}  {'#' * round(share * bars)}".rstrip()


def _best_stretches(plan: Plan, width: int) -> Iterator[str]:
    stretches = tucked_stretches(plan)
    if not stretches:
        yield "Never tucked on this course."
        return
    best = sorted(stretches, key=lambda s: -s.gain_s)[:_BEST]
    yield "Where the tuck pays most       km    from      to  holding    saves"
    for s in best:
        yield (
            f"  {ground(s.mean_grade):<22} {(s.end_m - s.start_m) / 1000:8.1f} {kilometres(s.start_m):>7} "
            f"{kilometres(s.end_m):>7} {clock(s.duration_s):>8} {seconds(s.gain_s):>8}"
        )
    enough = enough_for(stretches)
    if enough:
        total = minutes(sum(max(s.gain_s, 0.0) for s in stretches))
        told = f"The best {enough} give 80 % of what all {len(stretches)} tucked stretches save ({total})."
        yield from wrap(told, width, first="  ", rest="  ")


def _unsafe_lines(plan: Plan, width: int, most: int, most_reasons: int | None = None) -> Iterator[str]:
    """List the dearest stretches in the order of the road, each with its first few reasons."""
    stretches = plan.unsafe_to_tuck
    if not stretches:
        yield "Nowhere do the safety rules refuse the tuck."
        return
    yield "Hands on the brakes"
    yield "  up by    from      to    costs  why"
    shown = sorted(sorted(stretches, key=lambda s: -s.cost_s)[:most], key=lambda s: s.start_m)
    for s in shown:
        ends = kilometres_before(s.up_by_m), kilometres(s.start_m), kilometres_from(s.end_m)
        places = " ".join(f"{end:>7}" for end in ends)
        head = f"{places} {seconds(s.cost_s):>8}  "
        told = [_ascii(words) for words in stretch_reasons(plan, s)] or ["not told"]
        kept = told[:most_reasons]
        more = f"; {len(told) - len(kept)} more" if len(kept) < len(told) else ""
        yield from wrap("; ".join(kept) + more, width, first=head, rest=" " * len(head))
    if len(shown) < len(stretches):
        yield f"  ... and {len(stretches) - len(shown)} that cost less; all of them: pacer check"
    elif most_reasons is not None:
        yield "  every reason: pacer check"


def _rule_lines(stretches: Sequence[UnsafeStretch]) -> Iterator[str]:
    rules = rule_costs(stretches)
    if rules:
        yield ""
        yield "What each rule costs              stretches  by itself   with others"
        for rule in rules:
            name = clean(rule_words(rule.rule), 32)
            yield f"  {name:<32} {rule.stretches:8d} {seconds(rule.alone_s):>10} {seconds(rule.shared_s):>13}"


def bullets(title: str, sentences: Iterable[str], width: int) -> Iterator[str]:
    """Write sentences under a title, cautions with a mark of their own; nothing where there are none."""
    found = [clean(sentence) for sentence in sentences]
    if found:
        yield ""
        yield title
        mark = "  ! " if title == "Cautions" else "  - "
        for sentence in found:
            yield from wrap(sentence, width, first=mark, rest="    ")


def _sentences(value: Any) -> list[str]:
    return [str(item) for item in value] if isinstance(value, list | tuple) else []


def _ascii(text: str) -> str:
    return text.replace("–", "-")
