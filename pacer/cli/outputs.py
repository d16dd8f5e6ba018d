"""From a finished plan to the files that are written, all in memory."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pacer.errors import SettingsError

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from pacer.course.track import Cells, Course
    from pacer.planning.plan import Plan

__all__ = ["card_file", "course_picture", "picture_kind", "plan_files"]


def plan_files(
    plan: Plan, *, png: bool = False, splits_km: float | None = None
) -> tuple[dict[str, bytes], tuple[str, ...]]:
    """Everything that `pacer plan` writes, by name, and what to tell the user about it.

    All of it is drawn from the plan as it stands in plan.json, so that it can be drawn again from there.
    """
    from pacer.files.plans import plan_as_written, plan_to_json
    from pacer.render.card import draw_card
    from pacer.render.export import cues_gpx, segments_csv, splits_csv, tcx_course
    from pacer.render.report import draw_report

    written = plan_to_json(plan)
    plan = plan_as_written(written)
    card = draw_card(plan)
    files = {
        "plan.json": written,
        "segments.csv": segments_csv(plan),
        "cue-card.pdf": card.pdf,
        "report.html": draw_report(plan),
        "cues.gpx": cues_gpx(plan),
        "course.tcx": tcx_course(plan),
    }
    if splits_km is not None:
        files["splits.csv"] = splits_csv(plan, splits_km)
    if png:
        from pacer.render.picture import plan_picture

        files["plan.png"] = plan_picture(plan)
    return files, card.notes


def card_file(
    plan: Plan, *, size: str, paper: str, most_cues: int | None, font: Path | None
) -> tuple[bytes, tuple[str, ...]]:
    """A card drawn again, and what to tell the user about it.

    Raises
    ------
    SettingsError
        Where the size, the paper or the font can't be used.
    """
    from pacer.render.card import card_size, draw_card

    drawn = draw_card(
        plan,
        size=card_size(size),
        paper=paper,
        most_cues=most_cues,
        font=None if font is None else _bytes_of(font),
    )
    return drawn.pdf, drawn.notes


def _bytes_of(path: Path) -> bytes:
    from pacer.files._content import remember

    remember(path, SettingsError)
    try:
        return path.read_bytes()
    except OSError as error:
        found = str(error.strerror)
        raise SettingsError(
            "the font can't be read", where=str(path), found=found, do="check the name"
        ) from None


def course_picture(course: Course, cells: Cells, cuts: npt.NDArray[np.int64], path: Path) -> bytes:
    """A picture of the course in the format that the file's name asks for.

    Raises
    ------
    SettingsError
        For a name that ends neither in .svg nor in .png.
    """
    from pacer.render.course_picture import route_picture

    return route_picture(course, cells, cuts, picture_kind(path))


def picture_kind(path: Path) -> str:
    """The format that a picture's name asks for: "svg" or "png".

    Raises
    ------
    SettingsError
        For any other.
    """
    kind = {".svg": "svg", ".png": "png"}.get(path.suffix.lower())
    if kind is None:
        raise SettingsError(
            "a picture is an SVG or a PNG",
            where="--picture",
            found=path.name,
            do="end the name in .svg or .png",
        )
    return kind
