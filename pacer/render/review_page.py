"""The review as one HTML file: why time was won and lost, where, and every segment. No network, no script."""

from __future__ import annotations

import base64
import hashlib
from importlib import resources
from typing import Final

import numpy as np

from pacer.render._html import Html, data_table, el, join
from pacer.render._strip import (
    X_UNITS,
    Y_UNITS,
    distance_axis,
    lane,
    line_path,
    lines,
    marks,
    roof,
)
from pacer.render.words import clean, clock, kilometres
from pacer.rides.review import PARTS, Review, SegmentReview
from pacer.units import FloatArray

__all__ = ["draw_review"]

_PLACES: Final = 1200
_MEANING: Final = {
    "power": "more or less power than planned",
    "position": "sat otherwise than planned",
    "drag and wind": "the air and the road held more, or less, than the plan thought",
    "braking": "slowed where the plan doesn't",
    "stops": "stood still",
    "left over": "what none of these explains",
}


def draw_review(review: Review, race: str = "") -> bytes:
    """Write the review as one HTML page, UTF-8; the same review always gives the same bytes.

    Parameters
    ----------
    race : str
        What the plan is called.
    """
    style = Html((resources.files("pacer.render") / "report.css").read_text(encoding="utf-8"))
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    head = join(
        [
            el("meta", charset="utf-8"),
            el("meta", http_equiv="Content-Security-Policy", content=policy),
            el("meta", name="viewport", content="width=device-width, initial-scale=1"),
            el("meta", name="color-scheme", content="light"),
            el("title", f"{clean(review.name, 80)}: the ride against the plan"),
            el("style", style),
        ]
    )
    sections = [
        _section("why", "Why", _why(review)),
        _section("where", "Where", _where(review)),
        _section("model", "Is the model right?", *_model(review)),
        _section("segments", "Every segment", _segments(review)),
        *(
            [_section("notes", "Mind", el("ul", *(el("li", n) for n in review.notes)))]
            if review.notes
            else []
        ),
    ]
    body = join([_header(review, race), el("main", *sections)])
    page = el("html", el("head", head), el("body", body), lang="en")
    return f"<!doctype html>\n{page}\n".encode("utf-8", errors="replace")


def _section(name: str, title: str, *content: object) -> Html:
    return el("section", el("h2", title), *content, id=name)


def _bare(time: float) -> str:
    if abs(time) < 0.05:
        return "–"
    text = f"{time:+.0f}" if abs(time) >= 9.95 else f"{time:+.1f}"
    return text.replace("-", "−")


def _signed(time: float) -> str:
    told = _bare(time)
    return told if told == "–" else f"{told} s"


def _percent(share: float) -> str:
    return f"{100.0 * share:+.1f} %".replace("-", "−")


def _header(review: Review, race: str) -> Html:
    gap = review.ridden_s - review.planned_s
    moving = review.ridden_s - review.stopped_s
    over = review.fourth_power_mean_w / review.budget_w - 1.0
    figures = [
        ("ridden", clock(review.ridden_s), f"planned {clock(review.planned_s)}"),
        ("slower" if gap > 0 else "faster", clock(abs(gap)), f"{100.0 * abs(gap) / review.planned_s:.1f} %"),
        ("power", f"{review.mean_power_w:.0f} W", f"planned {review.planned_mean_power_w:.0f} W"),
        ("effort", f"{review.fourth_power_mean_w:.0f} W", f"{_percent(over)} against the budget"),
        (
            "W' at its least",
            f"{review.min_w_balance_j / 1000.0:.1f} kJ",
            f"{review.reserve_j / 1000.0:.1f} kJ kept back",
        ),
        (
            "model against ride",
            _percent(review.model_error),
            f"{clock(review.modelled_s)}, ridden {clock(moving)} without stops",
        ),
    ]
    boxes = [el("div", el("dt", n), el("dd", el("b", v), el("span", note))) for n, v, note in figures]
    start, end = (kilometres(float(review.distance_m[k])) for k in (0, -1))
    course = f"km {start} to {end} of the plan{f' for {clean(race, 80)}' if race else ''}"
    answer = el("p", el("b", _verdict(review)), class_="answer")
    return el("header", el("h1", review.name), el("p", course), answer, el("dl", *boxes, class_="figures"))


def _verdict(review: Review) -> str:
    """Say in one sentence how far off the ride was and what most of it went to."""
    gap = review.ridden_s - review.planned_s
    if abs(gap) < 0.5:
        return "On the plan to the second."
    side = "slower" if gap > 0.0 else "faster"
    ranked = sorted(PARTS, key=lambda name: -review.parts_s[name] * np.sign(gap))
    mostly = [f"{name} ({_signed(review.parts_s[name])})" for name in ranked[:3]]
    kept = [told for name, told in zip(ranked, mostly, strict=False) if review.parts_s[name] * gap > 0.0]
    return f"{clock(abs(gap))} {side} than planned, most of it by {', '.join(kept)}."


def _why(review: Review) -> Html:
    """Parts as a table with bars that add up to the whole."""
    shown = [name for name in PARTS if name != "position" or review.parts_s[name] != 0.0]
    largest = max(max(abs(review.parts_s[name]) for name in shown), 1.0)
    rows: list[tuple[object, ...]] = [
        (name, _signed(review.parts_s[name]), _bar(review.parts_s[name], largest), _MEANING[name])
        for name in shown
    ]
    rows.append(("together", _signed(sum(review.parts_s[name] for name in PARTS)), "", "ridden less planned"))
    return data_table(
        "Seconds lost (+) and won (−)",
        ("cause", "time", "won | lost", "meaning"),
        rows,
        words=(0, 3),
        marked=(len(shown) - 1,),
        stacked=True,
    )


def _bar(value: float, largest: float) -> Html:
    """A bar to the right for time lost, to the left for time won."""
    width = 50.0 * abs(value) / largest
    start = 50.0 if value > 0.0 else 50.0 - width
    bar = el(
        "rect",
        x=f"{start:.2f}%",
        y="2",
        width=f"{width:.2f}%",
        height="10",
        class_="wedge" if value > 0 else "tuck",
    )
    middle = el("line", x1="50%", x2="50%", y1="0", y2="14", class_="zero")
    return el("svg", bar, middle, width="160", height="14", aria_hidden="true")


def _thinned(review: Review) -> tuple[FloatArray, FloatArray, np.ndarray]:
    """Shares of the way at the ends and middles of cells, and which cells are drawn."""
    distance = review.distance_m - review.distance_m[0]
    keep = np.unique(np.linspace(0, distance.size - 2, min(_PLACES, distance.size - 1)).round().astype(int))
    middle = 0.5 * (distance[1:] + distance[:-1]) / distance[-1]
    return distance / distance[-1], middle, keep


def _where(review: Review) -> Html:
    """Strips over distance: seconds behind or ahead, power and speed as planned and as ridden."""
    ends, middle, keep = _thinned(review)
    gained = review.gained_s[keep + 1]
    reach = roof(float(np.abs(gained).max()), 10.0)
    zero = Y_UNITS // 2
    area = f"{line_path(ends[keep + 1], gained, -reach, reach)}V{zero}H{round(ends[keep[0] + 1] * X_UNITS)}z"
    behind = join(
        [
            lines(el("path", d=area, class_="fill-wind")),
            el("line", x1="0", x2="100%", y1="50%", y2="50%", class_="zero"),
            el("text", "behind the plan", x="50", y="11", class_="hint"),
            el("text", "ahead of it", x="50", y="100", class_="hint"),
        ]
    )
    power = _smooth(review.ridden_power_w, np.diff(review.distance_m))
    power_top = roof(max(float(power.max()), float(review.planned_power_w.max())), 50.0)
    speed = 3.6 * review.ridden_speed_m_s
    speed_top = roof(max(float(speed.max()), 3.6 * float(review.planned_speed_m_s.max())), 10.0)
    strips = [
        lane("Behind or ahead", "s", behind, 110, marks(-reach, reach, 4)),
        lane(
            "Power, ridden over planned",
            "W",
            _pair(middle, keep, power, review.planned_power_w, power_top),
            110,
            marks(0.0, power_top, 4),
        ),
        lane(
            "Speed, ridden over planned",
            "km/h",
            _pair(middle, keep, speed, 3.6 * review.planned_speed_m_s, speed_top),
            110,
            marks(0.0, speed_top, 4),
        ),
        lane("km", "", distance_axis(float(review.distance_m[-1] - review.distance_m[0])), 24, ()),
    ]
    hint = el(
        "p",
        "Dark line: as ridden, power averaged over about 200 m. Red and dashed: as planned.",
        class_="hint",
    )
    return join([el("div", el("div", *strips, id="wide"), class_="strips"), hint])


def _smooth(values: FloatArray, length: FloatArray) -> FloatArray:
    """Mean over about 200 m."""
    half = max(int(100.0 / max(float(np.median(length)), 1.0)), 0)
    padded = np.pad(values, half, mode="edge")
    return np.asarray(np.convolve(padded, np.full(2 * half + 1, 1.0 / (2 * half + 1)), mode="valid"))


def _pair(share: FloatArray, keep: np.ndarray, ridden: FloatArray, planned: FloatArray, top: float) -> Html:
    """Ridden as a dark line, planned as a red, dashed one."""
    return lines(
        el("path", d=line_path(share[keep], ridden[keep], 0.0, top), class_="line-main"),
        el("path", d=line_path(share[keep], planned[keep], 0.0, top, steps=True), class_="line-plan"),
    )


def _model(review: Review) -> list[Html]:
    moving = review.ridden_s - review.stopped_s
    told = (
        "Given the power that was really ridden, on the plan's road, in its wind and positions, the model "
        f"needs {clock(review.modelled_s)}. Ridden, without stops, were {clock(moving)}: the model is "
        f"{100.0 * abs(review.model_error):.1f} % {'slow' if review.model_error > 0 else 'fast'}."
    )
    meaning = (
        "Within 2 % drag, mass and wind were about right. Beyond it look at drag and wind above, and "
        "calibrate from this ride before planning the next."
    )
    return [el("p", told), el("p", meaning)]


def _segments(review: Review) -> Html:
    shown = [name for name in PARTS if any(abs(s.parts_s[name]) >= 0.05 for s in review.segments)]
    rows = [_segment(segment, shown) for segment in review.segments]
    head = ("km", "planned", "ridden", "lost", "W", "km/h", "position", *(f"by {name}" for name in shown))
    told = (
        "Watts and km/h: planned/ridden. Lost, and by what: seconds lost (+) and won (−). A "
        "position in brackets is the planned one, where another was told."
    )
    table = data_table("Every segment", head, rows, words=(0, 6), quiet=True)
    return el("div", el("p", told, class_="hint"), table)


def _segment(segment: SegmentReview, shown: list[str]) -> tuple[object, ...]:
    position = segment.planned_position
    if segment.ridden_position and segment.ridden_position != position:
        position = f"{segment.ridden_position} ({position})"
    return (
        el("span", f"{kilometres(segment.start_m)}–{kilometres(segment.end_m)}", class_="nowrap"),
        clock(segment.planned_s),
        clock(segment.ridden_s),
        _bare(segment.ridden_s - segment.planned_s),
        f"{segment.planned_power_w:.0f}/{segment.ridden_power_w:.0f}",
        f"{3.6 * segment.planned_speed_m_s:.1f}/{3.6 * segment.ridden_speed_m_s:.1f}",
        position,
        *(_bare(segment.parts_s[name]) for name in shown),
    )
