"""Key-by-key validation of the rider and race files: pydantic models in, one clear line out.

The models live at this boundary only; what passes is turned into the frozen dataclasses of the core.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, time
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic.fields import FieldInfo

from pacer.errors import SettingsError

__all__ = [
    "Fault",
    "Table",
    "choice",
    "moment",
    "number",
    "refuse",
    "show",
    "text",
    "validate",
    "whole",
    "yes_no",
]

_LONGEST_LINE: Final = 300
"""Faults after the first are told in full while the line stays below this, otherwise by key alone."""

_MOST_KEYS_NAMED: Final = 6


class Table(BaseModel):
    """A table of a settings file: no key unknown, no value coerced, no NaN or infinity."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True)


TableT = TypeVar("TableT", bound=Table)


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in a file: at which key, what, what stands there, what to do."""

    place: str
    what: str
    found: str = ""
    do: str = ""

    @property
    def short(self) -> str:
        """The fault in half a line."""
        found = f" (found {self.found})" if self.found else ""
        return f"{self.place} {self.what}{found}" + (f", {self.do}" if self.do else "")


def number(low: float, high: float, unit: str = "", default: Any = ..., *, hint: str = "") -> Any:
    """Declare a number within a closed range."""
    expected = f"a number from {low:g} to {high:g}" + (f" {unit}" if unit else "")
    return Field(default, ge=low, le=high, json_schema_extra={"expected": expected, "hint": hint})


def whole(low: int, high: int, default: Any = ...) -> Any:
    """Declare a whole number within a closed range."""
    expected = f"a whole number from {low} to {high}"
    return Field(default, ge=low, le=high, json_schema_extra={"expected": expected})


def text(longest: int, default: Any = ..., *, shortest: int = 0) -> Any:
    """Declare a text."""
    expected = (
        f"a text of {shortest} to {longest} characters"
        if shortest
        else f"a text of up to {longest} characters"
    )
    return Field(default, min_length=shortest, max_length=longest, json_schema_extra={"expected": expected})


def choice(words: Iterable[str], default: Any = ...) -> Any:
    """Declare one of several words (the annotation is the matching Literal)."""
    expected = "one of " + ", ".join(f'"{word}"' for word in words)
    return Field(default, json_schema_extra={"expected": expected})


def yes_no(default: Any = ...) -> Any:
    """Declare a true or false."""
    return Field(default, json_schema_extra={"expected": "true or false, without quotes"})


def moment(default: Any = ...) -> Any:
    """Declare a date and time with offset."""
    expected = "a date and time with its offset, such as 2026-06-14T07:30:00+01:00, without quotes"
    return Field(default, json_schema_extra={"expected": expected})


def show(value: Any) -> str:
    """Write a value the way the file has it, cut to a readable length."""
    if value is None:
        return ""
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if isinstance(value, (date, time)):
        shown = value.isoformat()
    elif isinstance(value, float):
        shown = f"{value:.15g}"
    elif isinstance(value, int) and not isinstance(value, bool):
        shown = str(value) if abs(value) < 10**30 else "a number of more than 30 digits"
    else:
        shown = json.dumps(value, ensure_ascii=False, default=str)
    return shown if len(shown) <= 40 else shown[:39] + "…"


def refuse(source: str, faults: list[Fault]) -> SettingsError:
    """Make one error, one line, of all faults of a file: the first in full, the others as far as they fit."""
    first, *others = faults
    do = first.do
    if others:
        told = "also: " + "; ".join(fault.short for fault in others)
        if len(told) > _LONGEST_LINE:
            named = ", ".join(fault.place for fault in others[:_MOST_KEYS_NAMED])
            left = len(others) - _MOST_KEYS_NAMED
            told = f"and {len(others)} more: {named}" + (f" and {left} others" if left > 0 else "")
        do = f"{do}; {told}" if do else told
    where = f"{source}: {first.place}" if source else first.place
    return SettingsError(first.what, where=where, found=first.found, do=do)


def validate(
    model: type[TableT], data: Any, *, name: str, known: Mapping[str, type[Table]]
) -> tuple[TableT | None, list[Fault]]:
    """Validate one table.

    Parameters
    ----------
    model : type of Table
        What the table must be.
    data : object
        What the file has there.
    name : str
        How the table is called in messages, such as ``[rider]``.
    known : mapping of str to type of Table
        All tables of the file, to tell where a misplaced key belongs.

    Returns
    -------
    Table or None, list of Fault
        The table, or why it can't be used.
    """
    if not isinstance(data, Mapping):
        return None, [Fault(name, "must be a table", show(data))]
    try:
        return model.model_validate(dict(data)), []
    except ValidationError as error:
        found = [
            _fault(model, data, str(item["loc"][0]), str(item["type"]), name, known)
            for item in error.errors()
        ]
        return None, list(dict.fromkeys(found))


def _fault(
    model: type[Table],
    data: Mapping[str, Any],
    key: str,
    kind: str,
    name: str,
    known: Mapping[str, type[Table]],
) -> Fault:
    place = f"{name} {key if len(key) <= 40 else key[:39] + '…'}"
    if kind == "extra_forbidden":
        return Fault(place, "is not a known key", do=_suggestion(model, key, name, known))
    field = model.model_fields[key]
    expected = _told(field, "expected")
    if kind == "missing":
        return Fault(place, f"is missing: it must be {expected}")
    return Fault(place, f"must be {expected}", show(data.get(key)), _told(field, "hint"))


def _told(field: FieldInfo, what: str) -> str:
    extra = field.json_schema_extra
    return str(extra.get(what, "")) if isinstance(extra, dict) else ""


def _suggestion(model: type[Table], key: str, name: str, known: Mapping[str, type[Table]]) -> str:
    for other, table in known.items():
        if other != name and key in table.model_fields:
            return f"it belongs in {other}"
    near = difflib.get_close_matches(key, model.model_fields, n=1, cutoff=0.55)
    if near:
        return f"did you mean {near[0]}?"
    return "known keys: " + ", ".join(model.model_fields)
