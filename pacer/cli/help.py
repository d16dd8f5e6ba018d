"""How a command explains itself, and an option mistyped: plain text whatever version draws the rest."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import typer
from typer.core import TyperCommand

__all__ = ["ExplainedCommand", "argument_rows", "option_groups", "usage_pieces"]

_OTHERS: Final = "Options"

_SAID: Final = (
    (re.compile(r"^Input should be a valid integer.*"), "must be a whole number"),
    (re.compile(r"^Input should be a valid number.*"), "must be a number, without its unit"),
    (re.compile(r"^Input should be greater than or equal to (\S+)$"), r"must be \1 or more"),
)
"""What the option parser says of a value, and what is said instead."""


def _is_option(parameter: Any) -> bool:
    return bool(parameter.param_type_name == "option")


def _value_name(parameter: Any) -> str:
    """What stands for the value: the metavar, or the bare name."""
    return str(parameter.metavar or parameter.name.upper())


def usage_pieces(command: Any) -> list[str]:
    """Arguments of a command as its usage line shows them, optional ones in brackets."""
    pieces = ["[OPTIONS]"]
    for parameter in command.params:
        if not _is_option(parameter):
            name = _value_name(parameter)
            name = name if parameter.required else f"[{name}]"
            pieces.append(f"{name}..." if parameter.nargs == -1 else name)
    return pieces


def argument_rows(command: Any) -> list[tuple[str, str]]:
    """Name and explanation of each argument."""
    return [(_value_name(p), _help_of(p)) for p in command.params if not _is_option(p)]


def option_groups(command: Any, also: tuple[Any, ...] = ()) -> dict[str, list[tuple[str, str]]]:
    """Spelling and explanation of each option, by group: those without one first, else as declared."""
    groups: dict[str, list[tuple[str, str]]] = {}
    for parameter in (*command.params, *also):
        if _is_option(parameter) and not parameter.hidden:
            group = getattr(parameter, "rich_help_panel", None) or _OTHERS
            groups.setdefault(group, []).append((_spelling(parameter), _help_of(parameter)))
    return {group: groups[group] for group in sorted(groups, key=lambda group: group != _OTHERS)}


def _spelling(option: Any) -> str:
    names = ", ".join(sorted(option.opts, key=len))
    if option.secondary_opts:
        names += " / " + ", ".join(option.secondary_opts)
    return names if option.is_flag else f"{names} {_value_name(option)}"


def _help_of(parameter: Any) -> str:
    return " ".join([parameter.help or "", *_remarks(parameter)]).strip()


def _remarks(parameter: Any) -> Iterator[str]:
    if parameter.required and _is_option(parameter):
        yield "[needed]"
    default = parameter.default
    if (
        isinstance(default, str | int | float | Path)
        and not isinstance(default, bool)
        and str(default) != "."
    ):
        yield f"[default: {default:g}]" if isinstance(default, float) else f"[default: {default}]"


class ExplainedCommand(TyperCommand):
    """A command whose help is drawn here."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the options; a value that can't be one is told with what was found."""
        given = list(args)
        try:
            return super().parse_args(ctx, args)
        except typer.BadParameter as error:
            for parsers, ours in _SAID:
                if parsers.match(error.message):
                    error.message = f"{parsers.sub(ours, error.message)}{_found(error.param, given)}"
                    break
            raise

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Pieces of the usage line after the program's name."""
        return usage_pieces(self)

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write the arguments and the options in their groups."""
        rows = argument_rows(self)
        if rows:
            with formatter.section("Arguments"):
                formatter.write_dl(rows)
        help_option = self.get_help_option(ctx)
        also = () if help_option is None or help_option in self.params else (help_option,)
        for group, options in option_groups(self, also).items():
            with formatter.section(group):
                formatter.write_dl(options)


def _found(parameter: Any, args: Sequence[str]) -> str:
    """What was given for an option, as it was typed last."""
    for name in getattr(parameter, "opts", ()):
        for at in range(len(args) - 1, -1, -1):
            if args[at].startswith(f"{name}="):
                return f" (found {args[at].partition('=')[2]!r})"
            if args[at] == name and at + 1 < len(args):
                return f" (found {args[at + 1]!r})"
    return ""
