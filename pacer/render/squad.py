"""The summary of many riders' plans: a table for the terminal, a CSV file."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from pacer.render.words import clean, clock, percent, wrap

__all__ = ["SquadLine", "squad_csv", "squad_summary"]


@dataclass(frozen=True, slots=True)
class SquadLine:
    """What is told of one rider.

    Attributes
    ----------
    start : str
        ISO 8601 with offset, empty where none is given.
    time_s, mean_power_w, tucked_time_share : float or None
        None where there is no plan.
    folder : str
        Of the rider's files; empty where there is no plan.
    kept : bool
        Whether the plan stood there already and was left as it is.
    problem : str
        Why there is no plan.
    """

    name: str
    bib: str = ""
    start: str = ""
    time_s: float | None = None
    mean_power_w: float | None = None
    tucked_time_share: float | None = None
    folder: str = ""
    kept: bool = False
    problem: str = ""

    @property
    def finish(self) -> str:
        """When the rider is expected at the finish, in the offset of the start; empty where unknown."""
        if not self.start or self.time_s is None:
            return ""
        moment = datetime.fromisoformat(self.start) + timedelta(seconds=round(self.time_s))
        return moment.isoformat()


def squad_summary(lines: Sequence[SquadLine], width: int = 80) -> str:
    """Say what became of each rider, in the order of the list."""
    planned = [line for line in lines if line.time_s is not None]
    kept = sum(line.kept for line in planned)
    told = f"{len(planned)} of {len(lines)} riders planned"
    told += f", {kept} of them left as they were" if kept else ""
    return "\n".join([told, *_rows(planned), *_problems(lines, width)])


def _rows(lines: Sequence[SquadLine]) -> Iterator[str]:
    if not lines:
        return
    yield f"{'':26}{'bib':>6}{'time':>9}{'power':>8}{'tucked':>8}  expected at the finish"
    for line in lines:
        assert line.time_s is not None
        power = "-" if line.mean_power_w is None else f"{line.mean_power_w:.0f} W"
        tucked = "-" if line.tucked_time_share is None else percent(line.tucked_time_share)
        finish = datetime.fromisoformat(line.finish).strftime("%H:%M:%S") if line.finish else ""
        yield (
            f"{clean(line.name, 25):26}{clean(line.bib, 6):>6}{clock(line.time_s):>9}{power:>8}{tucked:>8}"
            f"  {finish}"
        ).rstrip()


def _problems(lines: Sequence[SquadLine], width: int) -> Iterator[str]:
    failed = [line for line in lines if line.time_s is None]
    if failed:
        yield ""
        yield "Without a plan"
    for line in failed:
        text = f"{clean(line.name, 40)}: {clean(line.problem)}"
        yield from wrap(text, width, first="  - ", rest="    ")


def squad_csv(lines: Sequence[SquadLine]) -> bytes:
    """Write the summary, one rider a line, in the order of the list."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(
        [
            *("name", "bib", "start_time", "time_s", "finish_time", "mean_power_w", "tucked_time_share"),
            *("folder", "problem"),
        ]
    )
    for line in lines:
        numbers = (line.time_s, line.mean_power_w, line.tucked_time_share)
        time, power, tucked = (
            "" if n is None else f"{n:.{d}f}" for n, d in zip(numbers, (1, 1, 4), strict=True)
        )
        row = [line.name, line.bib, line.start, time, line.finish, power, tucked, line.folder, line.problem]
        writer.writerow([_harmless(cell) for cell in row])
    return stream.getvalue().encode()


def _harmless(cell: str) -> str:
    """Keep a spreadsheet from taking a name for a formula."""
    text = clean(cell, 400)
    return f"'{text}" if text[:1] in ("=", "+", "-", "@") else text
