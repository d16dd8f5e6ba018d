"""`pacer plan`, `pacer check`, `pacer route`, `pacer card`, `pacer init`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pacer.cli import options as o
from pacer.cli.inputs import PlanInputs, takes_plan_inputs

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    for command in (plan, check, route, card, init):
        app.command()(command)


@takes_plan_inputs
def plan(
    inputs: PlanInputs,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Folder for the results; ROUTE-plan unless given."),
    ] = None,
    png: Annotated[bool, typer.Option("--png", help="Also draw profile and map as plan.png.")] = False,
    splits: Annotated[
        float | None,
        typer.Option("--splits", min=0.1, metavar="KM", help="Also write splits.csv, every so many km."),
    ] = None,
    ensemble: Annotated[
        Path | None,
        typer.Option(
            "--ensemble",
            metavar="DAYS.csv",
            help="Also live through these days and write what becomes of the plan; see `pacer ensemble`.",
        ),
    ] = None,
) -> None:
    """Plan a race: power and position for every stretch.

    Writes the plan, a table, the cue card, a report and two files for a head unit into a folder, and prints a
    summary: time, power, where the tuck pays, where the hands stay on the brakes, and how good the plan is
    proven to be. Nothing is written unless the finished plan passes its own safety check.
    """
    from pacer.cli.outputs import plan_files
    from pacer.files._atomic import write_files
    from pacer.render.summary import plan_summary
    from pacer.workflow import make_plan

    progress = inputs.progress
    days = None
    if ensemble is None:
        made = make_plan(inputs.read(), progress)
    else:
        from pacer.cli.day_commands import Draw, lived

        days = lived(inputs, Draw(ensemble))
        made = days.plan
    progress("drawing")
    folder = out or Path(f"{inputs.route.stem}-plan")
    files, notes = plan_files(made, png=png, splits_km=splits)
    if days is not None:
        from pacer.render.outlook import outlook_json, outlook_summary

        files["ensemble.json"] = f"{outlook_json(days)}\n".encode()
    write_files(folder, files)
    progress.done()
    for note in notes:
        typer.echo(f"pacer: {note}", err=True)
    typer.echo(plan_summary(made))
    if days is not None:
        typer.echo(f"\n{outlook_summary(days)}\n")
    typer.echo(f"Written to {folder}: {', '.join(sorted(files))}")


@takes_plan_inputs
def check(
    inputs: PlanInputs,
    json_: Annotated[bool, typer.Option("--json", help="Print it as JSON.")] = False,
) -> None:
    """Show where it is unsafe to be tucked, why, and what it costs.

    For each stretch the point by which the hands are back on the brakes, the rules that refuse the tuck with
    their numbers, and the seconds that they cost. Nothing is written.
    """
    from pacer.files.plans import check_to_json
    from pacer.render.summary import check_summary
    from pacer.workflow import make_plan

    made = make_plan(inputs.read(), inputs.progress)
    inputs.progress.done()
    typer.echo(check_to_json(made).decode() if json_ else check_summary(made))


def route(
    route: o.Route,
    laps: Annotated[
        int, typer.Option("--laps", min=1, metavar="N", help="How often the course is ridden.")
    ] = 1,
    reverse: Annotated[bool, typer.Option("--reverse", help="Ride it from its end to its start.")] = False,
    track: o.Track = None,
    flat: o.Flat = False,
    start_km: o.StartKm = None,
    end_km: o.EndKm = None,
    picture: Annotated[
        Path | None,
        typer.Option("--picture", metavar="FILE", help="Draw profile and map into FILE.svg or FILE.png."),
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Every climb, corner and segment of a long course too.")
    ] = False,
) -> None:
    """Show the course: length, climbs, corners, what was cleaned.

    Of a course with many corners the tight ones to look at first are shown, after a descent before others;
    `--all` shows the rest. Corners that the file draws too coarsely to be measured are named, and so is
    everything that reading changed, with its reason.
    """
    from pacer.cli.loading import CourseOptions, load_course
    from pacer.cli.outputs import course_picture
    from pacer.course.cells import make_cells
    from pacer.course.segment import course_segments
    from pacer.files._atomic import write_file
    from pacer.render.course_text import route_summary

    course = load_course(route, CourseOptions(track, flat, start_km, end_km), laps=laps, reverse=reverse)
    cells = make_cells(course)
    cuts = course_segments(cells)
    if picture is not None:
        write_file(picture, course_picture(course, cells, cuts, picture))
    typer.echo(route_summary(course, cells, cuts, everything=everything))
    if picture is not None:
        typer.echo(f"Written to {picture}")


def card(
    plan_file: Annotated[Path, typer.Argument(metavar="PLAN.json", help="A plan written by `pacer plan`.")],
    size: Annotated[
        str, typer.Option("--size", metavar="WxH", help="In mm, or one of: card, strip, pocket.")
    ] = "card",
    paper: Annotated[str, typer.Option("--paper", metavar="NAME", help="A4 or Letter.")] = "A4",
    most_cues: Annotated[
        int | None,
        typer.Option("--most-cues", metavar="N", min=1, help="At most so many lines; others are merged."),
    ] = None,
    font: Annotated[
        Path | None, typer.Option("--font", metavar="FILE.ttf", help="For names in other scripts.")
    ] = None,
    out: Annotated[Path, typer.Option("--out", metavar="FILE.pdf", help="Where to write it.")] = Path(
        "cue-card.pdf"
    ),
) -> None:
    """Print the cue card again, in another size or shorter."""
    from pacer.cli.outputs import card_file
    from pacer.files._atomic import write_file
    from pacer.files.plans import read_plan

    content, notes = card_file(read_plan(plan_file), size=size, paper=paper, most_cues=most_cues, font=font)
    write_file(out, content)
    for note in notes:
        typer.echo(f"pacer: {note}", err=True)
    typer.echo(f"Written to {out}")


def init(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="Where to put them; here unless given.")
    ] = Path(),
) -> None:
    """Write a rider file and a race file to fill in.

    Existing files are never written over.
    """
    from pacer.errors import OutputError
    from pacer.files._atomic import write_files
    from pacer.files.templates import race_template, rider_template

    files = {"rider.toml": rider_template().encode(), "race.toml": race_template().encode()}
    for name in files:
        if (folder / name).exists() or (folder / name).is_symlink():
            raise OutputError(f"{folder / name} exists already and was left as it is; give another folder")
    write_files(folder, files)
    typer.echo(f"Written to {folder}: {', '.join(files)}")
