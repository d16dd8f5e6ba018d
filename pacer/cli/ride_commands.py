"""`pacer calibrate`, `pacer field-test`, `pacer review`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeAlias

import typer

from pacer.cli import options as o

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pacer.physics.rider import Setup
    from pacer.rides.calibrate import Calibration, CalibrationRide
    from pacer.rides.critical_power import CriticalPowerFit
    from pacer.rides.ride import Ride

__all__ = ["register"]

Rides: TypeAlias = Annotated[
    list[Path], typer.Argument(metavar="RIDE", help="Recordings: FIT, TCX, GPX or CSV.")
]
Stretches: TypeAlias = Annotated[
    list[str] | None,
    typer.Option(
        "--stretch",
        metavar="'NAME: FROM-TO'",
        help="A part ridden in this position, in km or time; may be repeated.",
    ),
]
LapPositions: TypeAlias = Annotated[
    str | None,
    typer.Option(
        "--lap-positions", metavar="NAME,NAME,-", help="The position of each lap; '-' leaves one out."
    ),
]
Everywhere: TypeAlias = Annotated[
    str | None,
    typer.Option("--position", metavar="NAME", help="The position wherever none is told."),
]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command()(calibrate)
    app.command("field-test")(field_test)
    app.command()(review)


def _read(path: Path) -> Ride:
    from pacer.files.rides import read_recording
    from pacer.rides.recording import make_ride

    ride = make_ride(read_recording(path))
    for note in ride.notes:
        typer.echo(f"pacer: {ride.source}: {note}", err=True)
    return ride


_TELL = "say --position NAME where one was held throughout, else --stretch or --lap-positions"


def _with_positions(
    rides: Sequence[Ride],
    setup: Setup,
    stretches: Sequence[str],
    laps: str | None,
    everywhere: str | None,
    race: Path | None,
    drafted: Sequence[str] = (),
) -> tuple[list[CalibrationRide], list[CalibrationRide]]:
    """The rides of which the user, or failing that the data, say the positions; and those untold."""
    from pacer.cli.stretches import read_drafted, read_lap_positions, read_stretches
    from pacer.files.settings import read_race_file
    from pacer.rides.calibrate import CalibrationRide
    from pacer.rides.split import with_split

    weather = None if race is None else read_race_file(race).weather
    only = setup.positions[0].name if len(setup.positions) == 1 else None
    told: list[CalibrationRide] = []
    untold: list[CalibrationRide] = []
    spans = read_drafted(drafted, len(rides))
    for ride, named, lee in zip(rides, read_stretches(stretches, len(rides)), spans, strict=True):
        parts = (*named, *(read_lap_positions(laps, ride) if laps is not None else ()))
        item = CalibrationRide(ride, parts, everywhere or only, weather, lee)
        if parts or item.default is not None:
            told.append(item)
            continue
        split, item = with_split(item, setup)
        (told if split.supported else untold).append(item)
        if split.supported:
            typer.echo(
                f"pacer: {ride.source}: no positions were told; the data themselves split into two "
                f"({100.0 * split.share_low:.0f} % in the lower one)",
                err=True,
            )
    return told, untold


def _estimated(
    told: Sequence[CalibrationRide], untold: Sequence[CalibrationRide], setup: Setup, hold: Sequence[str]
) -> Calibration:
    """From the rides with positions; without any, one drag area for whatever was ridden."""
    from dataclasses import replace

    from pacer.rides.calibrate import calibrate as estimate

    if told:
        for item in untold:
            typer.echo(
                f"pacer: {item.ride.source}: no positions were told: left out of the drag areas; {_TELL}",
                err=True,
            )
        return estimate(told, setup, hold=hold)
    whatever = replace(setup.positions[0], name="untold position")
    alone = replace(setup, positions=(whatever,))
    return estimate([replace(item, default=whatever.name) for item in untold], alone, hold=hold)


def _critical_power(rides: Sequence[Ride], trials: Sequence[str]) -> CriticalPowerFit | None:
    """From entered trials, or from the rides' best efforts where they tell."""
    from pacer.cli.stretches import read_trial
    from pacer.errors import RideError
    from pacer.rides.critical_power import fit_critical_power
    from pacer.rides.efforts import best_efforts

    if trials:
        return fit_critical_power([read_trial(text) for text in trials])
    try:
        return fit_critical_power(best_efforts(rides), "the rides' best efforts")
    except RideError as error:
        typer.echo(f"pacer: critical power stays as it is: {error}", err=True)
        return None


def _power_factors(items: Sequence[CalibrationRide], setup: Setup) -> tuple[dict[str, float], str]:
    """Power at the same heart rate in each position against the first with the hands on the brakes."""
    from pacer.render.calibration_text import power_factor_summary
    from pacer.rides.position_power import power_factor
    from pacer.rides.prepare import label_positions

    names = [position.name for position in setup.positions]
    reference = next(i for i, position in enumerate(setup.positions) if not position.tucked)
    rides = [(i.ride, label_positions(i.ride, i.stretches, names, i.default)) for i in items]
    found = [power_factor(rides, names, i, reference) for i in range(len(names)) if i != reference]
    usable = {f.position: f.factor for f in found if f.usable}
    return usable, power_factor_summary(found)


def _beside(rider: Path) -> Path:
    """A name beside the rider file that is not taken."""
    for number in range(1, 1000):
        tail = "-calibrated" if number == 1 else f"-calibrated-{number}"
        path = rider.with_name(f"{rider.stem}{tail}{rider.suffix or '.toml'}")
        if not path.exists():
            return path
    return path


def calibrate(
    rides: Rides,
    rider: Annotated[Path, typer.Option("--rider", metavar="R.toml", help="The rider file to start from.")],
    stretch: Stretches = None,
    lap_positions: LapPositions = None,
    position: Everywhere = None,
    drafted: Annotated[
        list[str] | None,
        typer.Option(
            "--drafted",
            metavar="FROM-TO",
            help="A part ridden behind somebody, left out, in km or time; may be repeated.",
        ),
    ] = None,
    race: o.RaceFile = None,
    hold: Annotated[
        list[str] | None,
        typer.Option("--hold", metavar="NAME", help="Keep 'crr' or a position's drag area; may be repeated."),
    ] = None,
    trial: Annotated[
        list[str] | None,
        typer.Option(
            "--trial", metavar="W:TIME", help="An effort held to the end, as 342:5:00; may be repeated."
        ),
    ] = None,
    efforts: Annotated[
        bool,
        typer.Option("--efforts", help="Take over critical power and W' from the rides' best efforts."),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FILE.toml", help="Updated rider file; RIDER-calibrated.toml unless given."
        ),
    ] = None,
    quiet: o.Quiet = False,
    verbose: o.Verbose = False,
) -> None:
    """Find drag areas, rolling resistance, power from rides.

    Each with its uncertainty. Writes an updated rider file beside the old one, never over it.
    """
    from pacer.errors import RideError, SettingsError
    from pacer.files._atomic import write_file
    from pacer.files.rider_update import updated_rider_toml
    from pacer.files.settings import read_rider_file
    from pacer.render.calibration_text import calibration_summary, critical_power_summary

    progress = o.Progress(quiet, verbose)
    progress("reading")
    setup = read_rider_file(rider).setup
    read = [_read(path) for path in rides]
    target = out or _beside(rider)
    if target.resolve() == rider.resolve():
        raise SettingsError("the rider file is never written over", where="--out", do="give another name")
    progress("telling positions")
    told, untold = _with_positions(read, setup, stretch or (), lap_positions, position, race, drafted or ())
    progress("estimating")
    found = _estimated(told, untold, setup, hold or ())
    power = _critical_power(read, trial or ())
    factors, factor_text = _power_factors(told, setup) if told else ({}, "")
    # Best efforts of ordinary rides are seldom all-out: they are shown, and written only when asked for.
    written = power if trial or efforts else None
    progress.done()
    sections = [calibration_summary(found), critical_power_summary(power) if power else "", factor_text]
    typer.echo("\n\n".join(section for section in sections if section))
    if not told and not written:
        raise RideError(
            "no rider file is written: no positions were told, and the forces don't show whether the drag "
            "area is that of one or of several mixed",
            where=", ".join(item.ride.source for item in untold),
            do=_TELL,
        )
    text = updated_rider_toml(
        rider.read_text(encoding="utf-8-sig"), found if told else None, written, factors, source=str(rider)
    )
    write_file(target, text.encode())
    kept = [
        *([] if told else ["drag areas and rolling resistance as they were"]),
        *(
            []
            if written or not power
            else ["critical power and W' as they were; --efforts takes those above"]
        ),
    ]
    typer.echo(f"Written to {target}" + (f" ({'; '.join(kept)})" if kept else ""))


def field_test(
    ride: Annotated[
        Path | None, typer.Argument(metavar="RIDE", help="The recording; without it, what to ride is said.")
    ] = None,
    rider: o.RiderFile = None,
    run: Annotated[
        list[str] | None,
        typer.Option(
            "--run", metavar="'NAME: FROM-TO'", help="An out-and-back run, in time; may be repeated."
        ),
    ] = None,
    difference: Annotated[
        float,
        typer.Option("--difference", metavar="M2", min=0.001, max=0.2, help="Drag area to tell apart, m²."),
    ] = 0.02,
    speed: Annotated[
        float, typer.Option("--speed", metavar="KM/H", min=15.0, max=70.0, help="Of the runs, km/h.")
    ] = 36.0,
    run_length: Annotated[
        float, typer.Option("--run-length", metavar="M", min=400.0, help="Out and back, m.")
    ] = 3000.0,
    wind_change: Annotated[
        float,
        typer.Option(
            "--wind-change", metavar="M/S", min=0.0, max=5.0, help="Of the mean wind within a run, m/s."
        ),
    ] = 0.3,
    race: o.RaceFile = None,
) -> None:
    """Tell two positions apart by runs on a quiet road.

    Without a recording it says how many runs of which length are needed; with one, which position is faster
    and how sure that is.
    """
    from pacer.errors import SettingsError
    from pacer.files.settings import default_rider, read_race_file, read_rider_file

    setup = (default_rider() if rider is None else read_rider_file(rider)).setup
    if ride is None:
        from pacer.render.calibration_text import field_test_plan_summary
        from pacer.rides.field_test import plan_field_test

        plan = plan_field_test(
            setup, difference, speed=speed / 3.6, run_length=run_length, wind_change=wind_change
        )
        typer.echo(field_test_plan_summary(plan, difference, [p.name for p in setup.positions]))
        return
    from pacer.cli.stretches import read_stretches
    from pacer.render.calibration_text import field_test_summary
    from pacer.rides.calibrate import CalibrationRide
    from pacer.rides.field_test import Run, analyse_field_test

    (parts,) = read_stretches(run or (), 1)
    if any(part.by_distance for part in parts):
        raise SettingsError("runs are told in time", where="--run", do="as in 'hoods: 0:10:00-0:14:30'")
    item = CalibrationRide(_read(ride), weather=None if race is None else read_race_file(race).weather)
    runs = [Run(part.start, part.end, part.position) for part in parts]
    typer.echo(field_test_summary(analyse_field_test(item, runs, setup)))


def review(
    ride: Annotated[Path, typer.Argument(metavar="RIDE", help="The recording of the race.")],
    plan: Annotated[Path, typer.Argument(metavar="PLAN.json", help="The plan that was followed.")],
    stretch: Stretches = None,
    lap_positions: LapPositions = None,
    position: Everywhere = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE.html", help="Also draw it as one page.")
    ] = None,
) -> None:
    """Lay a ride on its plan: why time was won or lost."""
    from pacer.cli.stretches import read_lap_positions, read_stretches
    from pacer.files._atomic import write_file
    from pacer.files.plans import read_plan
    from pacer.render.review_page import draw_review
    from pacer.render.review_text import review_summary
    from pacer.render.words import route_name
    from pacer.rides.review import review_ride

    made = read_plan(plan)
    read = _read(ride)
    (told,) = read_stretches(stretch or (), 1)
    parts = (*told, *(read_lap_positions(lap_positions, read) if lap_positions is not None else ()))
    found = review_ride(read, made, parts, position)
    if out is not None:
        write_file(out, draw_review(found, route_name(made)))
    typer.echo(review_summary(found))
    if out is not None:
        typer.echo(f"Written to {out}")
