"""plan.json: a plan to bytes, and back with everything that was read checked."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Iterable, Mapping
from enum import Enum
from pathlib import Path, PurePath
from typing import Any, Final

import numpy as np

from pacer.errors import PlanFileError
from pacer.files import _plan_schema as schema
from pacer.files._content import is_folder, read_text
from pacer.files._plan_reader import PlanReader, refusal
from pacer.files._plan_schema import Flag, Kind, Number, Whole
from pacer.planning.plan import SCHEMA, Plan, Reason

__all__ = ["check_to_json", "plan_as_written", "plan_to_json", "read_plan"]

_LARGEST_FILE: Final = 256_000_000


def plan_to_json(plan: Plan) -> bytes:
    """Write a plan as the text of plan.json, UTF-8.

    Numbers are rounded to the digits of the schema (fine enough that the written power, replayed on the
    written cells, gives the written times); NaN becomes null; the same plan always gives the same bytes.

    Parameters
    ----------
    plan : Plan
    """
    parts = {
        "schema": _text(SCHEMA),
        "inputs": _text(_plain(plan.inputs), indent=1),
        "model": _text(_record(plan.model, schema.MODEL), indent=1),
        "cells": _lines(_columns(plan.cells, schema.CELL_COLUMNS)),
        "nodes": _lines(_columns(plan.nodes, schema.NODE_COLUMNS)),
        "segments": _rows(
            {**_record(item, schema.SEGMENT), "reasons": _reasons(item.reasons)} for item in plan.segments
        ),
        "unsafe_to_tuck": _unsafe(plan),
        "cues": _rows(_record(item, schema.CUE) for item in plan.cues),
        "totals": _text(_record(plan.totals, schema.TOTALS), indent=1),
        "optimality": _text(_record(plan.optimality, schema.OPTIMALITY), indent=1),
        "cautions": _rows(plan.cautions),
        "changes": _rows(plan.changes),
    }
    return _object(parts)


def check_to_json(plan: Plan) -> bytes:
    """Write where it is unsafe to be tucked, in the terms of plan.json, with what safety costs in all."""
    parts = {
        "schema": _text("pacer-check/1"),
        "route_sha256": _text(_plain(plan.inputs.get("route_sha256", ""))),
        "safety": _text(_plain(plan.inputs.get("safety", {})), indent=1),
        "unsafe_to_tuck": _unsafe(plan),
        "cost_s": _text(_number(math.fsum(stretch.cost_s for stretch in plan.unsafe_to_tuck), 4)),
        "time_s": _text(_number(plan.totals.time_s, 4)),
        "cautions": _rows(plan.cautions),
    }
    return _object(parts)


def _object(parts: Mapping[str, str]) -> bytes:
    body = ",\n".join(f"{_text(key)}: {value}" for key, value in parts.items())
    return f"{{\n{body}\n}}\n".encode("utf-8", errors="backslashreplace")


def _unsafe(plan: Plan) -> str:
    return _rows(
        {**_record(item, schema.UNSAFE), "reasons": _reasons(item.reasons)} for item in plan.unsafe_to_tuck
    )


def _text(value: object, indent: int | None = None) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, indent=indent)


def _rows(items: Iterable[object]) -> str:
    rows = ",\n".join(f" {_text(item)}" for item in items)
    return f"[\n{rows}\n]" if rows else "[]"


def _lines(columns: Mapping[str, list[Any]]) -> str:
    lines = ",\n".join(
        f" {_text(name)}: {json.dumps(column, ensure_ascii=False, allow_nan=False, separators=(',', ':'))}"
        for name, column in columns.items()
    )
    return f"{{\n{lines}\n}}"


def _number(value: float, digits: int) -> float | int | None:
    """Round for the file: whole numbers without a decimal point, null where there is none."""
    if not math.isfinite(value):
        return None
    rounded = round(float(value), digits)
    return int(rounded) if rounded.is_integer() else rounded


def _value(value: Any, kind: Kind) -> object:
    if isinstance(kind, Number):
        return _number(value, kind.digits)
    if isinstance(kind, Whole):
        return int(value)
    return bool(value) if isinstance(kind, Flag) else str(value)


def _record(record: object, kinds: Mapping[str, Kind]) -> dict[str, object]:
    return {name: _value(getattr(record, name), kind) for name, kind in kinds.items()}


def _reasons(reasons: Iterable[Reason]) -> list[dict[str, object]]:
    return [_record(reason, schema.REASON) for reason in reasons]


def _columns(record: object, kinds: Mapping[str, Kind]) -> dict[str, list[Any]]:
    return {name: [_value(v, kind) for v in _listed(getattr(record, name))] for name, kind in kinds.items()}


def _listed(column: Any) -> list[Any]:
    return column.tolist() if isinstance(column, np.ndarray) else list(column)


def _plain(value: Any) -> Any:
    """Bring the inputs, as resolved, into what JSON can say."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, Enum):
        return _plain(value.value)
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, PurePath):
        return str(value)
    raise TypeError(f"inputs hold a {type(value).__name__}, which plan.json can't say")


def read_plan(path: Path | str) -> Plan:
    """Read a plan.json and check everything in it.

    Parameters
    ----------
    path : Path or str

    Raises
    ------
    PlanFileError
        In one line, where the file can't be read, isn't a plan of this schema, lacks a key, holds a wrong
        type, a value out of its range or arrays that don't fit each other.
    """
    path = Path(path)
    if is_folder(path):
        raise PlanFileError("a folder, not a plan file", where=str(path), do=f"give {path / 'plan.json'}")
    text = read_text(path, most=_LARGEST_FILE, kind="a plan file", error=PlanFileError)
    return _parse(text, str(path))


def plan_as_written(content: bytes) -> Plan:
    """The plan that others will read from these bytes of `plan_to_json`, rounded as it stands there."""
    return _parse(content.decode("utf-8"), "plan.json")


def _parse(text: str, where: str) -> Plan:
    try:
        data = json.loads(text, parse_constant=_refuse_constant)
    except RecursionError as error:
        raise refusal("isn't a plan file", where, "nesting too deep") from error
    except ValueError as error:
        if not text.lstrip().startswith("{"):
            do = "give the plan.json that 'pacer plan' wrote"
            raise PlanFileError(
                "isn't a plan file", where=where, found=repr(text.strip()[:30]), do=do
            ) from error
        raise refusal("isn't readable JSON", where, str(error)[:200]) from error
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        found = data.get("schema") if isinstance(data, dict) else data
        raise refusal(f'isn\'t a plan file: "schema" must be "{SCHEMA}"', where, found)
    return PlanReader(where).plan(data)


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is not a JSON number")
