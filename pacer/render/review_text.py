"""What the terminal shows of a ride against its plan; plain text, 80 columns."""

from __future__ import annotations

from pacer.render.words import clean, clock, wrap
from pacer.rides.review import PARTS, Review, SegmentReview

__all__ = ["review_summary"]

_WIDTH = 80
_MOST_SEGMENTS = 10


def _signed(time: float) -> str:
    return f"{time:+.0f} s" if abs(time) >= 9.95 else f"{time:+.1f} s"


def review_summary(review: Review, width: int = _WIDTH) -> str:
    """Say where time was won and lost against the plan, and why."""
    return "\n".join(
        [*_times(review, width), *_effort(review), *_segment_table(review), *_notes(review, width)]
    )


def _times(review: Review, width: int) -> list[str]:
    gap = review.ridden_s - review.planned_s
    side = "slower" if gap > 0.0 else "faster"
    shown = [name for name in PARTS if name != "position" or review.parts_s[name] != 0.0]
    moving = clock(review.ridden_s - review.stopped_s)
    return [
        clean(review.name, width),
        f"ridden {clock(review.ridden_s)}, planned {clock(review.planned_s)}: {clock(abs(gap))} {side}",
        "",
        "Why (seconds lost +, won -; the parts add up)",
        *(f"  {name:<15} {_signed(review.parts_s[name]):>8}" for name in shown),
        "",
        "Is the model right?",
        f"  with the power really ridden it says {clock(review.modelled_s)}, ridden without stops",
        f"  {moving}: {100.0 * review.model_error:+.1f} %",
    ]


def _effort(review: Review) -> list[str]:
    lowest, kept = review.min_w_balance_j / 1000.0, review.reserve_j / 1000.0
    return [
        "",
        "Effort",
        f"  mean power {review.mean_power_w:.0f} W, planned {review.planned_mean_power_w:.0f} W",
        f"  fourth-power mean {review.fourth_power_mean_w:.0f} W (body), budget {review.budget_w:.0f} W",
        f"  W' down to {lowest:.1f} kJ, kept back {kept:.1f} kJ",
    ]


def _segment_table(review: Review) -> list[str]:
    ranked = sorted(review.segments, key=lambda s: -abs(s.ridden_s - s.planned_s))[:_MOST_SEGMENTS]
    return [
        "",
        "Segments with the largest differences (power: planned/ridden)",
        "   km              planned   ridden     diff     power       mostly",
        *(_segment_line(segment) for segment in sorted(ranked, key=lambda s: s.start_m)),
    ]


def _notes(review: Review, width: int) -> list[str]:
    if not review.notes:
        return []
    found = [wrap(clean(note, 600), width, first="  - ", rest="    ") for note in review.notes]
    return ["", "Mind", *(line for lines in found for line in lines)]


def _segment_line(segment: SegmentReview) -> str:
    why = max(PARTS, key=lambda name: abs(segment.parts_s[name]))
    return (
        f"  {segment.start_m / 1000.0:6.2f}-{segment.end_m / 1000.0:<6.2f} {clock(segment.planned_s):>9} "
        f"{clock(segment.ridden_s):>8} {_signed(segment.ridden_s - segment.planned_s):>8} "
        f"{segment.planned_power_w:7.0f}/{segment.ridden_power_w:<5.0f}  {why}"
    )
