"""`pacer ensemble`, `pacer replan`: days that differ from the forecast, before and on the road."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from pacer.cli import options as o
from pacer.cli.inputs import PlanInputs, takes_plan_inputs
from pacer.errors import SettingsError

if TYPE_CHECKING:
    from pacer.files.settings import RaceSettings
    from pacer.planning.members import Member, Spreads
    from pacer.planning.outlook import Ensemble
    from pacer.planning.plan import Plan

__all__ = ["Draw", "lived", "register"]

_SPREADS: Final = ("wind_speed", "wind_from_deg", "temperature_c", "drag", "crr", "critical_power")
"""What may stand in `--spread`; without a unit they are shares."""


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command()(ensemble)
    app.command()(replan)


@takes_plan_inputs
def ensemble(
    inputs: PlanInputs,
    members: Annotated[
        Path | None,
        typer.Option(
            "--members", metavar="FILE.csv", help="The days, one a line; without it they are drawn."
        ),
    ] = None,
    spread: Annotated[
        str | None,
        typer.Option(
            "--spread",
            metavar="SPREADS",
            help="Standard deviations of the draw, as 'wind_speed=25%, wind_from_deg=20, drag=3%'.",
        ),
    ] = None,
    days: Annotated[
        int, typer.Option("--days", metavar="N", min=2, max=100_000, help="How many days to draw.")
    ] = 200,
    seed: Annotated[
        int, typer.Option("--seed", metavar="N", min=0, help="Of the draw: the same seed, the same days.")
    ] = 1,
    splits: Annotated[
        float, typer.Option("--splits", min=0.1, metavar="KM", help="Distance between the times told.")
    ] = 5.0,
    jobs: o.Jobs = None,
    cluster: o.Cluster = None,
    json_: Annotated[bool, typer.Option("--json", help="Print it as JSON.")] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="DIR",
            help="Folder for ensemble.json, the days and the robust plan; default none.",
        ),
    ] = None,
) -> None:
    """Live through many possible days with the plan.

    Says how its time spreads, early and late times for every split, and what hangs on the wind.

    The robust plan keeps within what you can pay on 95 % of the days; its price is stated.
    """
    from pacer.render.outlook import outlook_json, outlook_summary

    if members is not None and spread is not None:
        raise SettingsError("can't go with --members", where="--spread", do="keep one of the two")
    draw = Draw(members, _spreads(spread), days, seed)
    found = lived(inputs, draw, split_every=1000.0 * splits, jobs=jobs, cluster=cluster)
    _write(found, out, drawn=members is None)
    inputs.progress.done()
    typer.echo(outlook_json(found) if json_ else outlook_summary(found))
    if out is not None and not json_:
        typer.echo(f"Written to {out}")


@dataclass(frozen=True, slots=True)
class Draw:
    """Where the days come from: a file of them, or spreads, how many, and the seed."""

    members: Path | None
    spreads: Spreads | None = None
    days: int = 200
    seed: int = 1


def lived(
    inputs: PlanInputs,
    draw: Draw,
    *,
    split_every: float = 5000.0,
    jobs: int | None = None,
    cluster: str | None = None,
) -> Ensemble:
    """Read everything and live through the days."""
    from pacer.cli.executors import open_executor
    from pacer.cli.loading import CourseOptions, Loader, load_settings
    from pacer.days import CHUNK, live_through

    inputs.progress("reading")
    loader = Loader(inputs.route, CourseOptions(**inputs.course))
    riding, racing = load_settings(inputs.rider, inputs.race, inputs.overrides)
    chosen = _members(draw, racing)
    request = loader.request(riding, racing)
    with open_executor(jobs, cluster, math.ceil(len(chosen) / CHUNK)) as executor:
        return live_through(
            request,
            chosen,
            executor,
            split_every=split_every,
            progress=inputs.progress,
            counted=inputs.progress.counted,
        )


def _members(draw: Draw, racing: RaceSettings) -> tuple[Member, ...]:
    from pacer.files.members import read_members
    from pacer.planning.members import Spreads, draw_members

    if draw.members is not None:
        return read_members(draw.members, racing)
    return draw_members(draw.spreads or Spreads(), draw.days, draw.seed)


def _write(found: Ensemble, out: Path | None, *, drawn: bool) -> None:
    """Write everything at once: the result, the days where they were drawn, and the robust plan's files."""
    if out is None:
        return
    from pacer.cli.outputs import plan_files
    from pacer.files._atomic import write_files
    from pacer.files.members import members_to_csv
    from pacer.render.outlook import outlook_json

    files = {} if found.robust is None else dict(plan_files(_named(found.robust.plan))[0])
    files["ensemble.json"] = f"{outlook_json(found)}\n".encode()
    if drawn:
        files["members.csv"] = members_to_csv(found.members)
    write_files(out, files)


def _named(plan: Plan) -> Plan:
    """Name the robust plan as such, so that its card can't be taken for the plan's."""
    from pacer.render.words import clean, route_name

    race = {**plan.inputs["race"], "name": clean(f"Robust: {route_name(plan)}", 120)}
    return replace(plan, inputs={**plan.inputs, "race": race})


def _spreads(text: str | None) -> Spreads | None:
    """Read `--spread`.

    Raises
    ------
    SettingsError
        For an unknown quantity or a value that isn't a number from 0 on.
    """
    from pacer.planning.members import Spreads

    if text is None:
        return None
    values: dict[str, float] = {}
    for part in text.split(","):
        if not part.strip():
            continue
        key, _, value = (piece.strip() for piece in part.partition("="))
        if key not in _SPREADS:
            do = "known: " + ", ".join(_SPREADS)
            raise SettingsError("is not a known quantity", where="--spread", found=repr(key[:40]), do=do)
        values[key] = _spread(key, value)
    names = {"wind_from_deg": "wind_from", "temperature_c": "temperature"}
    given = {names.get(key, key): value for key, value in values.items()}
    if "wind_from" in given:
        given["wind_from"] = math.radians(given["wind_from"])
    return Spreads(**given)


def _spread(key: str, value: str) -> float:
    percent = value.endswith("%")
    try:
        number = float(value.rstrip("% ")) / (100.0 if percent else 1.0)
    except ValueError:
        number = math.nan
    shares = not key.endswith(("_deg", "_c"))
    top = 2.0 if shares else 180.0
    if not 0.0 <= number <= top or (percent and not shares):
        what = (
            f"{key} must be a share up to {top:g}" if shares else f"{key} must be a number from 0 to {top:g}"
        )
        raise SettingsError(what, where="--spread", found=repr(value[:40]))
    return number


def replan(
    plan_file: Annotated[Path, typer.Argument(metavar="PLAN.json", help="The plan you set out with.")],
    at_km: Annotated[float, typer.Option("--at-km", metavar="KM", help="Where you are.")],
    elapsed: Annotated[
        str, typer.Option("--elapsed", metavar="H:MM:SS", help="Time since the start, as 41:10 or 1:02:30.")
    ],
    stopped: Annotated[
        str, typer.Option("--stopped", metavar="MM:SS", help="Time of it that you stood still.")
    ] = "0:00",
    power_so_far: Annotated[
        float | None,
        typer.Option(
            "--power-so-far", metavar="W", min=1.0, help="Mean power so far; the plan's unless given."
        ),
    ] = None,
    power_left: Annotated[
        float | None,
        typer.Option(
            "--power-left",
            metavar="W",
            min=20.0,
            help="Fourth-power mean that you can still hold; what the budget leaves unless given.",
        ),
    ] = None,
    w_left: Annotated[
        float | None,
        typer.Option("--w-left", metavar="J", min=0.0, help="What is left of W', if your head unit tells."),
    ] = None,
    as_planned: Annotated[
        bool,
        typer.Option("--as-planned", help="Take the day as planned, whatever the road so far took."),
    ] = False,
    json_: Annotated[bool, typer.Option("--json", help="Print it as JSON.")] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Also write plan.json and a card for the rest."),
    ] = None,
    quiet: o.Quiet = False,
    verbose: o.Verbose = False,
) -> None:
    """Say what to hold from here, behind or ahead of the plan.

    The time so far tells how slow or fast the day is, the power so far what is left of the budget; the rest
    of the road is planned anew with both.
    """
    from pacer.cli.loading import resolved_from_plan
    from pacer.files.plans import read_plan
    from pacer.render.replanned import replanned_json, replanned_summary
    from pacer.replan import Moment
    from pacer.replan import replan as plan_the_rest

    progress = o.Progress(quiet, verbose)
    progress("reading")
    old = read_plan(plan_file)
    moment = Moment(
        at=1000.0 * at_km,
        elapsed=_seconds(elapsed, "--elapsed"),
        stopped=_seconds(stopped, "--stopped"),
        power_so_far=power_so_far,
        power_left=power_left,
        w_prime_left=w_left,
        as_ridden=not as_planned,
    )
    found = plan_the_rest(old, resolved_from_plan(old, str(plan_file)), moment, progress)
    if out is not None:
        from pacer.cli.outputs import card_file
        from pacer.files._atomic import write_files
        from pacer.files.plans import plan_to_json

        card, _ = card_file(found.plan, size="card", paper="A4", most_cues=None, font=None)
        write_files(out, {"plan.json": plan_to_json(found.plan), "cue-card.pdf": card})
    progress.done()
    typer.echo(replanned_json(found) if json_ else replanned_summary(found))
    if out is not None and not json_:
        typer.echo(f"Written to {out}: cue-card.pdf, plan.json")


def _seconds(text: str, option: str) -> float:
    """Read a duration as h:mm:ss, m:ss or seconds.

    Raises
    ------
    SettingsError
        For anything else.
    """
    parts = text.strip().split(":")
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        numbers = []
    fits = 1 <= len(numbers) <= 3 and all(math.isfinite(n) and n >= 0.0 for n in numbers)
    if not fits or any(n >= 60.0 for n in numbers[1:]):
        raise SettingsError("must be a time like 41:10 or 1:02:30", where=option, found=repr(text[:40]))
    return sum(n * 60.0**k for k, n in enumerate(reversed(numbers)))
