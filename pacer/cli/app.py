"""The typer application and the one place where an error becomes a message and an exit code."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from typing import Annotated, Any, Final, NoReturn

import typer
from typer.core import TyperGroup

from pacer.cli import (
    compare_commands,
    day_commands,
    plan_commands,
    practise_commands,
    ride_commands,
    squad_commands,
)
from pacer.cli.help import ExplainedCommand
from pacer.errors import InfeasibleError, PacerError, one_line
from pacer.files._content import Touched, remembering_files

__all__ = ["app", "entrypoint"]

EXIT_INPUT: Final = 1
EXIT_INFEASIBLE: Final = 3
EXIT_INTERRUPTED: Final = 130


class _StoppedError(Exception):
    """The user stopped the program."""


class _ReaderGoneError(Exception):
    """Whoever read the results has closed the pipe."""


class _Group(TyperGroup):
    """Brings an interrupt and a closed pipe to `entrypoint`; typer would end the program wordlessly."""

    def make_context(self, *args: Any, **kwargs: Any) -> Any:
        """Read the options before the command, `--help` and `--version` among them."""
        with _brought_out():
            return super().make_context(*args, **kwargs)

    def invoke(self, ctx: Any) -> Any:
        """Read the command's options and run it."""
        with _brought_out():
            return super().invoke(ctx)


@contextlib.contextmanager
def _brought_out() -> Iterator[None]:
    try:
        yield
    except KeyboardInterrupt:
        raise _StoppedError from None
    except BrokenPipeError:
        raise _ReaderGoneError from None


app = typer.Typer(
    name="pacer",
    cls=_Group,
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
    registered.cls = ExplainedCommand


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
    """Keep Python from complaining at exit about results that nobody takes."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _end(message: str, code: int) -> NoReturn:
    """Say why on stderr, if anyone still reads it, and end."""
    with contextlib.suppress(OSError):
        typer.echo(f"pacer: {message}", err=True)
    raise SystemExit(code) from None


THREADS: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def _one_thread() -> None:
    """Keep linear algebra on one thread unless the user says otherwise: on small matrices more only wait."""
    for name in THREADS:
        os.environ.setdefault(name, "1")


def entrypoint() -> None:
    """Run the program: 0 done, 1 unusable input, 2 wrong usage, 3 no plan meets the limits."""
    _one_thread()
    with remembering_files() as touched:
        _run(touched)


def _run(touched: Touched) -> None:
    try:
        app(prog_name="pacer")
    except InfeasibleError as error:
        _end(str(error), EXIT_INFEASIBLE)
    except PacerError as error:
        _end(str(error), EXIT_INPUT)
    except (_StoppedError, KeyboardInterrupt):
        whole = ", ".join(sorted(map(str, touched.written)))
        left = f"the results stand whole in {whole}" if whole else "nothing was written"
        _end(one_line(f"interrupted; {left}"), EXIT_INTERRUPTED)
    except MemoryError:
        _end("not enough memory for a file of this size", EXIT_INPUT)
    except (_ReaderGoneError, BrokenPipeError) as gone:
        # Whoever has read enough is content; wrong usage that nobody wants to hear of stays wrong.
        _silence_stdout()
        raise SystemExit(getattr(gone.__context__, "exit_code", 0)) from None
    except OSError as error:
        _silence_stdout()
        _end(one_line(f"{error.filename or 'results'}: {error.strerror or type(error).__name__}"), EXIT_INPUT)
