"""Small CSV tables that a user writes: a header row of known columns, one record a line."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pacer.errors import SettingsError
from pacer.files._content import read_text

__all__ = ["Limits", "Record", "read_table"]

_LARGEST_FILE: Final = 5_000_000
_MOST_RECORDS: Final = 100_000


@dataclass(frozen=True, slots=True)
class Limits:
    """What a number may be."""

    low: float
    high: float
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Record:
    """One line: where it stands, and its fields, empty ones left out."""

    where: str
    fields: dict[str, str]

    def number(self, column: str, limits: Limits) -> float | None:
        """Give a number within its limits, None where the field is empty.

        Raises
        ------
        SettingsError
            Naming line, column, value and range.
        """
        field = self.fields.get(column)
        if field is None:
            return None
        try:
            value = float(field)
        except ValueError:
            value = math.nan
        if not limits.low <= value <= limits.high:
            what = f"must be a number from {limits.low:g} to {limits.high:g} {limits.unit}".rstrip()
            raise SettingsError(what, where=f"{self.where}, {column}", found=repr(field[:40]))
        return value


def read_table(
    path: Path, known: Sequence[str], *, needed: Sequence[str] = (), bad: list[SettingsError] | None = None
) -> list[Record]:
    """Read a table.

    Parameters
    ----------
    known, needed : sequences of str
        Columns that may stand in it, and those that must.
    bad : list, optional
        Gets the faults of single lines, which are then left out, instead of the first being raised.

    Raises
    ------
    SettingsError
        By line and column, where the file can't be read, isn't CSV in UTF-8, lacks a column, has an unknown
        one, or a line has too many or too few fields.
    """
    lines = _lines(path)
    where, header = next(lines, (str(path), []))
    _check_header(header, where, known, needed)
    found: list[Record] = []
    for where, row in lines:
        if len(row) != len(header):
            fault = SettingsError(f"must have {len(header)} fields", where=where, found=str(len(row)))
            if bad is None:
                raise fault
            bad.append(fault)
            continue
        if len(found) >= _MOST_RECORDS:
            raise SettingsError(f"has more than {_MOST_RECORDS} records", where=str(path))
        fields = {name: field.strip() for name, field in zip(header, row, strict=True) if field.strip()}
        found.append(Record(where, fields))
    if not found and not bad:
        raise SettingsError("has no record", where=str(path), do="write one a line under the header")
    return found


def _lines(path: Path) -> Iterator[tuple[str, list[str]]]:
    """Yield the place and the fields of every line that isn't empty or a comment."""
    text = read_text(path, most=_LARGEST_FILE, kind="such a table", error=SettingsError)
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        where = f"{path}, line {number}"
        try:
            yield where, next(csv.reader([line], strict=True))
        except csv.Error as error:
            raise SettingsError("is not a line of CSV", where=where, found=str(error)) from None


def _check_header(header: list[str], where: str, known: Sequence[str], needed: Sequence[str]) -> None:
    header[:] = [name.strip() for name in header]
    for name in header:
        if name not in known:
            do = "known columns: " + ",".join(known)
            raise SettingsError("has an unknown column", where=where, found=repr(name[:40]), do=do)
        if header.count(name) > 1:
            raise SettingsError("has a column twice", where=where, found=name)
    missing = [name for name in needed if name not in header]
    if missing:
        raise SettingsError("lacks a column", where=where, found="no " + ", ".join(missing))
