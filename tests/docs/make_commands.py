"""The page `docs/reference/commands.md`, made from the program itself.

Run as `python -m tests.docs.make_commands` it writes the page; a test holds the page to it.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import typer

from pacer.cli.app import app
from pacer.cli.help import argument_rows, option_groups, usage_pieces

PAGE: Final = Path(__file__).parents[2] / "docs" / "reference" / "commands.md"

HEAD: Final = """\
# Commands

Made from the program by `python -m tests.docs.make_commands`; `pacer COMMAND --help` prints the same.

`python -m pacer` is `pacer`. Results go to the standard output, all else to the standard error; a progress
line is shown on a terminal only, and never in colour, so that `NO_COLOR` is honoured without being asked.
There is no prompt, no network and no clock: the same input gives the same bytes. Files are written all or
none; what stood there before stays whole if anything fails.

| exit code | meaning |
| --- | --- |
| 0 | done |
| 1 | the input can't be used, or a result can't be written: one line says what, where, and what to do |
| 2 | wrong usage: an unknown option, a missing argument |
| 3 | no plan meets the limits: the line says which limit and by how much |
| 130 | interrupted; nothing was written, or the line says where results stand whole |

`pacer --version` prints the version.
"""


def _commands() -> list[Any]:
    group: Any = typer.main.get_command(app)
    return list(group.commands.values())


def _table(rows: list[tuple[str, str]]) -> Iterator[str]:
    yield "| | |"
    yield "| --- | --- |"
    for name, text in rows:
        escaped = text.replace("|", "\\|")
        yield f"| `{name}` | {escaped} |"


def _paragraphs(text: str) -> Iterator[str]:
    for part in inspect.cleandoc(text).split("\n\n"):
        yield ""
        yield " ".join(part.split())


def _shared(commands: list[Any]) -> dict[str, list[tuple[str, str]]]:
    """Groups of options that several commands have, word for word."""
    seen: dict[str, list[list[tuple[str, str]]]] = {}
    for command in commands:
        for name, rows in option_groups(command).items():
            seen.setdefault(name, []).append(rows)
    return {
        name: found[0]
        for name, found in seen.items()
        if name != "Options" and sum(rows == found[0] for rows in found) > 1
    }


def _command(command: Any, shared: dict[str, list[tuple[str, str]]]) -> Iterator[str]:
    yield ""
    yield f"## pacer {command.name}"
    yield from _paragraphs(command.help)
    yield ""
    yield "```text"
    yield f"pacer {command.name} {' '.join(usage_pieces(command))}"
    yield "```"
    rows = argument_rows(command)
    groups = option_groups(command)
    if rows or "Options" in groups:
        yield ""
        yield from _table([*rows, *groups.pop("Options", [])])
    as_below = [name for name in groups if shared.get(name) == groups[name]]
    for name in groups:
        if name not in as_below:
            yield ""
            yield f"{name}:"
            yield ""
            yield from _table(groups[name])
    if as_below:
        yield ""
        yield f"And [the shared options](#shared-options): {'; '.join(name.lower() for name in as_below)}."


def commands_page() -> str:
    """The whole page."""
    commands = _commands()
    shared = _shared(commands)
    lines = [HEAD.rstrip()]
    for command in commands:
        lines += _command(command, shared)
    lines += ["", "## Shared options"]
    for name, rows in shared.items():
        lines += ["", f"### {name}", "", *_table(rows)]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.write_text(commands_page(), encoding="utf-8", newline="\n")
