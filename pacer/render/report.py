"""The report: one HTML file that needs no network, for the evening before on a screen, a phone or on paper.

A content-security policy lets run exactly the one script and the one style sheet that are in it, by their
hashes, and forbids everything else; whatever comes from files is escaped text.
"""

from __future__ import annotations

import base64
import hashlib
import json
from importlib import resources
from typing import Any, Final

import numpy as np

from pacer.planning.plan import Plan
from pacer.planning.splits import expected_splits
from pacer.render import _report_tables as tables
from pacer.render._html import Html, el, join
from pacer.render._report_lanes import distance_lanes, patterns, time_lanes
from pacer.render._report_map import MapFrame, draw_map, legend, map_frame
from pacer.render._view import View, make_view
from pacer.render.digest import decision, rider_words, weather_words
from pacer.render.words import clean, clock, kilometres, percent, route_name
from pacer.units import FloatArray

__all__ = ["draw_report"]

_PLACES: Final = 1000
"""Places that the drawings and the read-out know: every cell of a short course, every 180 m of a long one."""


def draw_report(plan: Plan) -> bytes:
    """Write the report as one HTML page, UTF-8.

    The same plan always gives the same bytes.

    Parameters
    ----------
    plan : Plan
    """
    view = make_view(plan, _PLACES)
    frame = map_frame(view)
    style, script = _asset("report.css"), _asset("report.js")
    body = join(
        [patterns(), _header(plan), _main(plan, view, frame), _data(plan, view, frame), el("script", script)]
    )
    head = join(
        [
            el("meta", charset="utf-8"),
            el("meta", http_equiv="Content-Security-Policy", content=_policy(style, script)),
            el("meta", name="viewport", content="width=device-width, initial-scale=1"),
            el("meta", name="color-scheme", content="light"),
            el("title", f"{route_name(plan)}: pacing and position plan"),
            el("style", style),
        ]
    )
    page = el("html", el("head", head), el("body", body), lang="en")
    return f"<!doctype html>\n{page}\n".encode("utf-8", errors="replace")


def _asset(name: str) -> Html:
    return Html((resources.files("pacer.render") / name).read_text(encoding="utf-8"))


def _policy(style: str, script: str) -> str:
    style_hash, script_hash = (
        base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode() for text in (style, script)
    )
    return (
        f"default-src 'none'; style-src 'sha256-{style_hash}'; script-src 'sha256-{script_hash}'; "
        "base-uri 'none'; form-action 'none'"
    )


# ---------------------------------------------------------------- the page


def _header(plan: Plan) -> Html:
    totals, budget = plan.totals, plan.model.fourth_power_budget_w
    finish = expected_splits(plan, totals.distance_m)[-1]
    road = f"{kilometres(totals.distance_m, 1)} km, {totals.climb_m:.0f} m of climbing"
    course = el("p", f"{road}, {weather_words(plan)}", el("br"), rider_words(plan))
    saved = totals.upright_time_s - totals.time_s
    answer = decision(plan)
    told = el(
        "p",
        el("b", f"Tuck here? {answer.pays}."),
        f" Tucked on {answer.where}." if answer.where != "nowhere" else "",
        f" Upright on {answer.where_not}." if plan.unsafe_to_tuck else f" {answer.where_not.capitalize()}.",
        f" Upright on {answer.by_choice}." if answer.by_choice else "",
        class_="answer",
    )
    figures = [
        ("time", clock(totals.time_s), f"likely {clock(finish.early_s)} to {clock(finish.late_s)}"),
        (
            "power",
            f"{totals.mean_power_w:.0f} W",
            f"fourth-power mean {totals.fourth_power_mean_w:.0f} of {budget:.0f} W",
        ),
        ("tucked", percent(totals.tucked_time_share), "of the time"),
        ("the tuck saves", clock(saved), "against never tucked"),
        ("proven within", percent(plan.optimality.gap, 2), "of the fastest possible")
        if np.isfinite(plan.optimality.gap)
        else ("proven", "–", "no bound"),
    ]
    boxes = [
        el("div", el("dt", name), el("dd", el("b", value), el("span", note))) for name, value, note in figures
    ]
    return el(
        "header",
        el("h1", route_name(plan)),
        course,
        told,
        el("dl", *boxes, class_="figures"),
        _contents(),
    )


_CONTENTS: Final = (
    ("cautions", "Cautions"),
    ("road", "Map and strips"),
    ("worth", "What the tuck is worth"),
    ("unsafe", "Where it is unsafe"),
    ("splits", "Times"),
    ("fatigue", "Effort"),
    ("segments", "Segments"),
    ("proof", "How good"),
    ("assumed", "Made from"),
)


def _contents() -> Html:
    """Lead to each part; a phone shows a long page."""
    links = [el("li", el("a", name, href=f"#{to}")) for to, name in _CONTENTS]
    return el("nav", el("ul", *links), aria_label="On this page")


def _main(plan: Plan, view: View, frame: MapFrame) -> Html:
    splits = expected_splits(plan, _split_distance(plan))
    unsafe = el("div", tables.unsafe_table(plan), tables.rules_table(plan), class_="pair uneven")
    times = el("div", tables.splits_table(splits), tables.terrain_table(plan), class_="pair")
    sections = [
        _section("cautions", "Before anything else", _cautions(plan)),
        _section("road", "The plan on the road", _road(plan, view, frame)),
        _section("worth", "What the tuck is worth", tables.worth_table(plan)),
        _section("unsafe", "Where it is unsafe to be tucked", unsafe),
        _section("splits", "When to be where", times),
        _section("fatigue", "What it takes out of you", _fatigue(plan)),
        _section("segments", "Every segment", tables.segments_table(plan)),
        _section("proof", "How good it is", tables.proof(plan)),
        _section("assumed", "What it was made from", tables.assumptions(plan), _changes(plan)),
    ]
    return el("main", *sections)


def _section(name: str, title: str, *content: object) -> Html:
    return el("section", el("h2", title), *content, id=name)


def _cautions(plan: Plan) -> Html:
    if not plan.cautions:
        return el(
            "p", "This plan came without cautions: ride the course first, and be upright where in doubt."
        )
    return el("ul", *(el("li", line) for line in plan.cautions))


def _road(plan: Plan, view: View, frame: MapFrame) -> Html:
    last = view.distance_m.size - 1
    slider = el(
        "input", type="range", id="place", min="0", max=str(last), value="0", aria_label="Place on the course"
    )
    zoom = el(
        "div",
        *(
            el("button", sign, type="button", id=name, title=title, aria_label=title)
            for name, sign, title in (
                ("out", "−", "Show more of the course"),
                ("in", "+", "Show less of the course"),
                ("whole", "whole course", "Show the whole course"),
            )
        ),
        class_="zoom",
    )
    cursor = el("div", id="cursor", hidden=True)
    wide = el("div", distance_lanes(plan, view), cursor, id="wide")
    strips = el(
        "div",
        wide,
        id="strips",
        tabindex="0",
        role="group",
        aria_label="Strips over distance; arrow keys move along",
    )
    hint = (
        "Point at a strip or the map, drag the slider, or use the arrow keys; + and − zoom, 0 shows the "
        "whole course; kilometres in the tables below lead back here. In Power the line is what to hold, "
        "the grey what the pedals get at each place, coasting and braking included. In Speed the thin line "
        "is the limit with the hands on the brakes. Arrows show the wind as felt by a rider who faces up."
    )
    return el(
        "div",
        el("noscript", el("p", "Pointing and zooming need JavaScript; everything else is here without it.")),
        el("div", el("div", draw_map(plan, view, frame), legend(), id="mapbox"), _readout(), class_="upper"),
        el("div", slider, zoom, class_="controls"),
        strips,
        el("p", hint, class_="hint"),
    )


def _readout() -> Html:
    """Make room for the numbers of the place that is pointed at, filled by the script."""
    names = (
        ("km", "Place"),
        ("time", "Time"),
        ("task", "Do"),
        ("next", "Then"),
        ("speed", "Speed"),
        ("power", "Power here"),
        ("grade", "Road"),
        ("wind", "Wind on you"),
        ("left", "W' left"),
    )
    rows = [el("div", el("dt", name), el("dd", "–", id=f"r-{key}")) for key, name in names]
    return el("dl", *rows, id="readout")


def _fatigue(plan: Plan) -> Html:
    totals, model = plan.totals, plan.model
    said = (
        f"Fourth-power mean {totals.fourth_power_mean_w:.0f} W of a budget of "
        f"{model.fourth_power_budget_w:.0f} W; W' never under {totals.min_w_balance_j / 1000:.1f} of "
        f"{model.w_prime_j / 1000:.1f} kJ, with {model.w_prime_reserve_j / 1000:.1f} kJ kept in reserve; "
        f"work at the pedals {totals.work_j / 1000:.0f} kJ. The fourth-power mean counts hard minutes for "
        "more than easy ones; W' is the work that you can do above your critical power; it comes back below."
    )
    strips = el(
        "div", el("div", time_lanes(plan), el("div", id="moment", hidden=True), id="times"), class_="strips"
    )
    return el("div", el("p", said), strips)


def _changes(plan: Plan) -> Html:
    if not plan.changes:
        return join([])
    return el(
        "div",
        el("h3", "What reading the course changed"),
        el("ul", *(el("li", line) for line in plan.changes)),
    )


def _split_distance(plan: Plan) -> float:
    steps = (500.0, 1000.0, 2500.0, 5000.0, 10_000.0, 20_000.0)
    return next((step for step in steps if plan.totals.distance_m / step <= 18), 50_000.0)


# ---------------------------------------------------------------- what the script knows


def _data(plan: Plan, view: View, frame: MapFrame) -> Html:
    """Give the thinned columns and the segments as JSON that can't end its own element.

    Columns hold the differences from one place to the next, which are shorter to write.
    """
    columns: dict[str, Any] = {
        "d": _steps(view.distance_m),
        "t": _steps(view.time_s),
        "e": _steps(view.elevation_m),
        "g": _steps(view.grade * 1000.0),
        "v": _steps(view.speed_kmh * 10.0),
        "p": _steps(view.power_w),
        "h": _steps(view.headwind_m_s * 10.0),
        "c": _steps(view.crosswind_m_s * 10.0),
        "w": _steps(view.w_balance_j / 100.0),
        "x": _steps(frame.x),
        "y": _steps(frame.y),
        "s": _steps(view.segment.astype(np.float64)),
        "total": round(float(plan.nodes.distance_m[-1]), 1),
        "time": round(float(plan.nodes.time_s[-1]), 1),
        "seg": [
            [round(s.start_m), round(s.end_m), s.power_w, clean(s.position, 60), int(s.tucked)]
            for s in plan.segments
        ],
        "up": [[round(s.up_by_m), round(s.end_m)] for s in plan.unsafe_to_tuck],
    }
    text = json.dumps(columns, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    safe = text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
    return el("script", Html(safe), type="application/json", id="plan")


def _steps(values: FloatArray) -> list[int]:
    whole = np.round(np.nan_to_num(values)).astype(np.int64)
    return [int(step) for step in np.diff(whole, prepend=0)]
