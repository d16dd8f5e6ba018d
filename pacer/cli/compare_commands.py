"""`pacer compare`: is it worth it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pacer.cli.inputs import PlanInputs, takes_plan_inputs

if TYPE_CHECKING:
    from pacer.decide import Variant

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command()(compare)


@takes_plan_inputs
def compare(
    inputs: PlanInputs,
    tries: Annotated[
        list[str] | None,
        typer.Option(
            "--try",
            metavar="CHANGES",
            help="A variant, as 'crr=0.0038' or 'new wheels: mass_kg=+0.3, cda_m2=-0.004'; "
            "a value with a sign is added. May be repeated.",
        ),
    ] = None,
    against_rider: Annotated[
        list[Path] | None,
        typer.Option("--against-rider", metavar="R.toml", help="The same race with another rider file."),
    ] = None,
    against_race: Annotated[
        list[Path] | None,
        typer.Option("--against-race", metavar="C.toml", help="The same rider with another race file."),
    ] = None,
    without_tuck: Annotated[bool, typer.Option("--without-tuck", help="Never tucked.")] = False,
    steady: Annotated[bool, typer.Option("--steady", help="One constant power all the way.")] = False,
    skill_up: Annotated[bool, typer.Option("--skill-up", help="One step more skilled.")] = False,
    mass: Annotated[
        float | None, typer.Option("--mass", metavar="KG", help="So much heavier, or lighter if negative.")
    ] = None,
    cda: Annotated[
        float | None, typer.Option("--cda", metavar="M2", help="So much more drag area in every position.")
    ] = None,
    crr: Annotated[
        float | None, typer.Option("--crr", metavar="X", help="So much more rolling resistance.")
    ] = None,
    json_: Annotated[bool, typer.Option("--json", help="Print it as JSON.")] = False,
    picture: Annotated[
        Path | None,
        typer.Option("--picture", metavar="FILE", help="Draw it into FILE.svg or FILE.png."),
    ] = None,
) -> None:
    """Compare the race with variants of it: seconds won or lost.

    Says where they are won or lost, and what one unit of power, drag area, mass and so on is worth.
    Without any variant it tries: never tucked, steady power, more skill, less drag, mass and rolling
    resistance, more wind, a wet road.
    """
    from pacer.cli.outputs import picture_kind
    from pacer.decide import compare_variants
    from pacer.files._atomic import write_file
    from pacer.render.comparison import comparison_json, comparison_summary
    from pacer.render.comparison_picture import comparison_picture

    kind = None if picture is None else picture_kind(picture)
    steps = (("mass_kg", mass), ("cda_m2", cda), ("crr", crr))
    asked = [*(tries or ()), *(f"{key}={value:+g}" for key, value in steps if value is not None)]
    variants = _variants(
        inputs,
        asked,
        against_rider or [],
        against_race or [],
        [name for name, on in (("tuck", without_tuck), ("steady", steady), ("skill", skill_up)) if on],
    )
    base, others = variants[0], variants[1:]
    request = base.request
    name = request.race.name or request.course.name or inputs.route.stem
    found = compare_variants(name, base, others, inputs.progress)
    if picture is not None and kind is not None:
        write_file(picture, comparison_picture(found, kind))
    inputs.progress.done()
    typer.echo(comparison_json(found) if json_ else comparison_summary(found))
    if picture is not None and not json_:
        typer.echo(f"Written to {picture}")


_USUAL = (
    "cda_m2=-0.01",
    "mass_kg=-1",
    "crr=-0.0005",
    "wind_speed_m_s=+2",
    "surface=wet",
)


def _variants(
    inputs: PlanInputs, tries: list[str], riders: list[Path], races: list[Path], named: list[str]
) -> list[Variant]:
    """The base first, then what was asked for, or the usual questions."""
    from pacer.cli.loading import CourseOptions, Loader, load_settings
    from pacer.cli.variants import apply_changes, parse_changes, skill_up, tuckless
    from pacer.decide import Variant
    from pacer.files.settings import override_race, read_race_file, read_rider_file

    changes = [parse_changes(text) for text in tries]
    inputs.progress("reading")
    loader = Loader(inputs.route, CourseOptions(**inputs.course))
    riding, racing = load_settings(inputs.rider, inputs.race, inputs.overrides)
    base = loader.request(riding, racing)
    found = [Variant("as given", base)]
    if not (changes or riders or races or named):
        named = ["tuck", "steady", "skill"]
        changes = [parse_changes(text) for text in _USUAL]
    found += [Variant(path.stem, loader.request(read_rider_file(path), racing)) for path in riders]
    for path in races:
        other = override_race(read_race_file(path), **inputs.overrides)
        found.append(Variant(path.stem, loader.request(riding, other)))
    if "tuck" in named and (plain := tuckless(riding)) is not None:
        found.append(Variant("never tucked", loader.request(plain, racing)))
    if "steady" in named:
        found.append(Variant("steady power", base, steady=True))
    if "skill" in named and (better := skill_up(riding)) is not None:
        found.append(Variant(f"skill: {better.setup.rider.skill.value}", loader.request(better, racing)))
    found += [
        Variant(change.label, loader.request(*apply_changes(change, riding, racing))) for change in changes
    ]
    return found
