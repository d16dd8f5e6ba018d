"""`pacer squad`: plans and cards for a start list."""

from __future__ import annotations

import hashlib
import json
from concurrent.futures import Future, as_completed
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias

import typer

from pacer.cli import options as o
from pacer.cli.inputs import PlanInputs, takes_plan_inputs
from pacer.errors import InfeasibleError, InputError, PacerError

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from pacer.files._csv import Record
    from pacer.render.squad import SquadLine
    from pacer.workflow import Request

__all__ = ["register"]

EXIT_SOME_UNUSABLE = 1
EXIT_SOME_INFEASIBLE = 3
EXIT_INTERRUPTED = 130
_STATE = "squad.json"
_LONGEST_NAME = 120

_Planned: TypeAlias = "Future[tuple[dict[str, bytes], dict[str, float]]]"


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command()(squad)


@takes_plan_inputs
def squad(
    inputs: PlanInputs,
    start_list: Annotated[
        Path, typer.Argument(metavar="START.csv", help="One rider a line: a rider file each, or columns.")
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="DIR", help="Folder for the riders' folders; START-squad unless given."
        ),
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Plan again what is planned already from the same inputs.")
    ] = False,
    jobs: o.Jobs = None,
    cluster: o.Cluster = None,
) -> None:
    """Plan a race for every rider of a start list.

    Each gets a folder with plan and card; one summary tells of all.
    A line that can't be used, or a rider for whom no plan meets the limits, is named and the rest go on. Run
    again after an interruption, it goes on where it stopped.
    """
    from pacer.cli.executors import open_executor
    from pacer.files._atomic import write_file
    from pacer.render.squad import squad_csv, squad_summary

    folder = out or Path(f"{start_list.stem}-squad")
    riders = _riders(inputs, start_list)
    done = {} if again else _finished(folder)
    todo = [rider for rider in riders if rider.request is not None and not _stands(rider, done, folder)]
    with open_executor(jobs, cluster, len(todo)) as executor:
        try:
            _plan_all(executor, todo, done, folder, inputs)
        except KeyboardInterrupt:
            written = sum(_stands(rider, done, folder) for rider in riders)
            told = f"pacer: interrupted; {written} of {len(riders)} riders are written; run it again to go on"
            typer.echo(told, err=True)
            raise typer.Exit(EXIT_INTERRUPTED) from None
    lines = [_line(rider, done, rider not in todo) for rider in riders]
    write_file(folder / "summary.csv", squad_csv(lines))
    inputs.progress.done()
    typer.echo(squad_summary(lines))
    typer.echo(f"Written to {folder}")
    if any(rider.unusable for rider in riders):
        raise typer.Exit(EXIT_SOME_UNUSABLE)
    if any(line.time_s is None for line in lines):
        raise typer.Exit(EXIT_SOME_INFEASIBLE)


@dataclass(slots=True, eq=False)
class _Rider:
    """One line of the list on its way: what is asked, and why nothing comes of it where nothing does."""

    name: str
    bib: str
    slug: str
    request: Request | None = None
    fingerprint: str = ""
    problem: str = ""
    unusable: bool = False


def _riders(inputs: PlanInputs, start_list: Path) -> list[_Rider]:
    """Read the list; faults of single lines are kept with their rider and told at once."""
    from pacer.cli.loading import CourseOptions, Loader, load_settings
    from pacer.files.settings import read_rider_file
    from pacer.files.start_list import read_start_list, row_settings

    inputs.progress("reading")
    records, faults = read_start_list(start_list)
    loader = Loader(inputs.route, CourseOptions(**inputs.course))
    _, racing = load_settings(None, inputs.race, inputs.overrides)
    riding = None if inputs.rider is None else read_rider_file(inputs.rider)
    loader.course(racing.race.laps, racing.race.reverse)  # a route that can't be used ends it here
    found = []
    slugs: set[str] = set()
    for record in records:
        rider = _Rider(record.fields["name"], record.fields.get("bib", ""), _slug(record, slugs))
        try:
            request = loader.request(*row_settings(record, riding, racing, start_list.parent))
            rider.request = _named(request, f"{rider.bib} {rider.name}")
            rider.fingerprint = _fingerprint(rider.request, inputs.course)
        except InputError as error:
            _refuse(rider, error)
        found.append(rider)
    for fault in faults:
        rider = _Rider("(a line)", "", "")
        _refuse(rider, fault)
        found.append(rider)
    return found


def _named(request: Request, rider: str) -> Request:
    """Put the rider's name before the race's, so that cards and reports can't be taken for another's."""
    from pacer.render.words import clean

    race = request.race
    whose = f"{clean(rider, 60)}, {race.name or request.course.name or 'the race'}"
    return replace(request, race=replace(race, name=clean(whose, _LONGEST_NAME)))


def _refuse(rider: _Rider, error: PacerError) -> None:
    rider.problem, rider.unusable = str(error), True
    typer.echo(f"pacer: {rider.name}: {error}", err=True)


def _slug(record: Record, taken: set[str]) -> str:
    """A folder's name from bib and name: plain letters, digits and hyphens, each once."""
    from pacer.render.words import ascii_name

    text = ascii_name(f"{record.fields.get('bib', '')} {record.fields['name']}", 60).lower()
    base = "-".join("".join(c if c.isalnum() else " " for c in text).split()) or "rider"
    slug, number = base, 1
    while slug in taken:
        number += 1
        slug = f"{base}-{number}"
    taken.add(slug)
    return slug


def _fingerprint(request: Request, course: dict[str, Any]) -> str:
    """What a plan depends on, in 64 characters."""
    from importlib.metadata import version

    from pacer.planning.inputs import race_table, setup_tables, weather_table, zone_tables
    from pacer.planning.limits import safety_table

    parts = {
        "version": version("pacer"),
        "route": request.route_sha256,
        "course": course,
        **setup_tables(request.setup),
        "race": race_table(request.race),
        "weather": weather_table(request.weather),
        "zones": zone_tables(request.zones),
        "safety": safety_table(request.limits),
        "extra": dict(request.extra),
        "assumed": request.assumed,
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()


def _finished(folder: Path) -> dict[str, dict[str, Any]]:
    """What an earlier run finished; a state that can't be read counts as none."""
    try:
        state = json.loads((folder / _STATE).read_text(encoding="utf-8"))
        riders = state["riders"]
        return {
            slug: entry
            for slug, entry in riders.items()
            if isinstance(entry, dict) and isinstance(entry.get("time_s"), int | float)
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _stands(rider: _Rider, done: dict[str, dict[str, Any]], folder: Path) -> bool:
    """Whether the rider's plan is there, made from the same inputs."""
    known = done.get(rider.slug, {}).get("fingerprint") == rider.fingerprint
    return known and (folder / rider.slug / "plan.json").is_file()


def _work(request: Request) -> tuple[dict[str, bytes], dict[str, float]]:
    """Plan one rider and draw everything; runs in a worker."""
    from pacer.cli.outputs import plan_files
    from pacer.workflow import make_plan

    plan = make_plan(request)
    totals = plan.totals
    figures = {
        "time_s": round(totals.time_s, 1),
        "mean_power_w": round(totals.mean_power_w, 1),
        "tucked_time_share": round(totals.tucked_time_share, 4),
    }
    return plan_files(plan)[0], figures


def _plan_all(
    executor: Executor,
    riders: list[_Rider],
    done: dict[str, dict[str, Any]],
    folder: Path,
    inputs: PlanInputs,
) -> None:
    """Plan the riders and write each as soon as it is ready, so that an interruption loses little."""
    waiting: dict[_Planned, _Rider] = {}
    ready = 0

    def finish(future: _Planned) -> None:
        nonlocal ready
        ready += 1
        _finish(waiting.pop(future), future, done, folder, inputs)
        inputs.progress.counted("planning the riders", ready, len(riders))

    try:
        for rider in riders:
            done.pop(rider.slug, None)
            if rider.request is not None:
                waiting[executor.submit(_work, rider.request)] = rider
            for future in [future for future in waiting if future.done()]:
                finish(future)
        for future in as_completed(list(waiting)):
            finish(future)
    except BaseException:
        for future in waiting:
            future.cancel()
        raise


def _finish(
    rider: _Rider, future: _Planned, done: dict[str, dict[str, Any]], folder: Path, inputs: PlanInputs
) -> None:
    """Write one rider's files and note it, or keep why there are none."""
    from pacer.files._atomic import write_file, write_files

    try:
        files, figures = future.result()
    except InfeasibleError as error:
        rider.problem = str(error)
        typer.echo(f"pacer: {rider.name}: {error}", err=True)
        return
    except PacerError as error:
        _refuse(rider, error)
        return
    write_files(folder / rider.slug, files)
    done[rider.slug] = {"name": rider.name, "fingerprint": rider.fingerprint, **figures}
    state = {"schema": "pacer-squad/1", "riders": dict(sorted(done.items()))}
    text = json.dumps(state, ensure_ascii=False, indent=1)
    write_file(folder / _STATE, f"{text}\n".encode("utf-8", errors="replace"))


def _line(rider: _Rider, done: dict[str, dict[str, Any]], kept: bool) -> SquadLine:
    from pacer.render.squad import SquadLine

    start = None if rider.request is None else rider.request.race.start_time
    blank = SquadLine(
        rider.name, rider.bib, "" if start is None else start.isoformat(), problem=rider.problem
    )
    entry = done.get(rider.slug)
    if entry is None or rider.request is None or rider.problem:
        return blank
    return replace(
        blank,
        time_s=float(entry["time_s"]),
        mean_power_w=entry.get("mean_power_w"),
        tucked_time_share=entry.get("tucked_time_share"),
        folder=rider.slug,
        kept=kept,
    )
