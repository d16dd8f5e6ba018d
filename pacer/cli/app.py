"""The typer application and the one place where an error becomes a message and an exit code."""

from __future__ import annotations

import os
import sys
from typing import Annotated, Any, Final

import typer

from pacer.cli import (
    compare_commands,
    day_commands,
    plan_commands,
    practise_commands,
    ride_commands,
    squad_commands,
)
from pacer.cli.help import ExplainedCommand
from pacer.errors import InfeasibleError, PacerError

__all__ = ["app", "entrypoint"]

EXIT_INPUT: Final = 1
EXIT_INFEASIBLE: Final = 3
EXIT_INTERRUPTED: Final = 130


class _StoppedError(Exception):
    """The user stopped the program."""


class _ReaderGoneError(Exception):
    """Whoever read the results has closed the pipe."""


class _Command(ExplainedCommand):
    """Brings an interrupt and a closed pipe to `entrypoint`; typer would end the program wordlessly."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise _StoppedError from None
        except BrokenPipeError:
            raise _ReaderGoneError from None


app = typer.Typer(
    name="pacer",
    help="Where to go tucked, where to be upright and what power to hold, from a GPX file of the course.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
for register in (
    plan_commands.register,
    compare_commands.register,
    day_commands.register,
    squad_commands.register,
    practise_commands.register,
    ride_commands.register,
):
    register(app)
for registered in app.registered_commands:
    registered.cls = _Command


def _version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        typer.echo(f"pacer {version('pacer')}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool,
        typer.Option("--version", "-V", callback=_version, is_eager=True, help="Show the version and exit."),
    ] = False,
) -> None:
    pass


def _silence_stdout() -> None:
    """Keep Python from complaining at exit about a reader that has gone away."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


THREADS: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def _one_thread() -> None:
    """Keep linear algebra on one thread unless the user says otherwise: on small matrices more only wait."""
    for name in THREADS:
        os.environ.setdefault(name, "1")


def entrypoint() -> None:
    """Run the program: 0 done, 1 unusable input, 2 wrong usage, 3 no plan meets the limits."""
    _one_thread()
    try:
        app(prog_name="pacer")
    except InfeasibleError as error:
        typer.echo(f"pacer: {error}", err=True)
        raise SystemExit(EXIT_INFEASIBLE) from None
    except PacerError as error:
        typer.echo(f"pacer: {error}", err=True)
        raise SystemExit(EXIT_INPUT) from None
    except (_ReaderGoneError, BrokenPipeError):
        _silence_stdout()
        raise SystemExit(0) from None
    except (_StoppedError, KeyboardInterrupt):
        typer.echo("pacer: interrupted; nothing was written", err=True)
        raise SystemExit(EXIT_INTERRUPTED) from None
    except MemoryError:
        typer.echo("pacer: not enough memory for a file of this size", err=True)
        raise SystemExit(EXIT_INPUT) from None
