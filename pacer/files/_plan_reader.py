"""The content of a plan file, checked piece by piece on its way to a `Plan`."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, Final, TypeVar

import numpy as np
import numpy.typing as npt

from pacer.errors import PlanFileError
from pacer.files import _plan_schema as schema
from pacer.files._plan_schema import Flag, Kind, Number, Text, Whole
from pacer.planning.plan import (
    Cue,
    Optimality,
    Plan,
    PlanCells,
    PlanModel,
    PlanNodes,
    PlanSegment,
    PlanTotals,
    Reason,
    UnsafeStretch,
)

__all__ = ["PlanReader", "refusal"]

_MOST_ITEMS: Final = 1_000_000
_AGREE_M: Final = 0.5

Record = TypeVar("Record")


def refusal(what: str, where: str, *found: object) -> PlanFileError:
    """Make the error that names what is wrong, where, and what stands there, if anything."""
    shown = ", ".join(_shown(item) for item in found)
    return PlanFileError(what, where=where, found=shown, do="make the plan again with 'pacer plan'")


def _shown(value: object) -> str:
    """Show a value in an error line, cut short."""
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    text = str(value) if isinstance(value, int) and abs(value) < 10**18 else repr(value)[:60]
    return "nothing" if value is None else text


class PlanReader:
    """Checks one file's content; every complaint names the place in it."""

    def __init__(self, source: str) -> None:
        self.source = source

    def fail(self, what: str, key: str, found: object) -> PlanFileError:
        return refusal(what, f"{self.source}: {key}", found)

    def member(self, data: Mapping[str, Any], key: str, prefix: str = "") -> Any:
        if key not in data:
            raise refusal(f"{prefix}{key} is missing", self.source)
        return data[key]

    def mapping(self, data: Mapping[str, Any], key: str) -> dict[str, Any]:
        value = self.member(data, key)
        if not isinstance(value, dict):
            raise self.fail("must be an object", key, value)
        return value

    def listing(self, data: Mapping[str, Any], key: str, prefix: str = "") -> list[Any]:
        value = self.member(data, key, prefix)
        if not isinstance(value, list):
            raise self.fail("must be a list", prefix + key, value)
        if len(value) > _MOST_ITEMS:
            raise self.fail(f"must have at most {_MOST_ITEMS} entries", prefix + key, value)
        return value

    def value(self, value: object, kind: Kind, key: str) -> Any:
        if isinstance(kind, Number):
            return self.number(value, kind, key)
        if isinstance(kind, Whole):
            if isinstance(value, bool) or not isinstance(value, int) or not kind.low <= value <= kind.high:
                raise self.fail(f"must be a whole number from {kind.low} to {kind.high}", key, value)
        elif isinstance(kind, Flag):
            if not isinstance(value, bool):
                raise self.fail("must be true or false", key, value)
        elif not isinstance(value, str) or len(value) > kind.longest:
            raise self.fail(f"must be a text of at most {kind.longest} characters", key, value)
        return value

    def number(self, value: object, kind: Number, key: str) -> float:
        if value is None and kind.nullable:
            return math.nan
        if not isinstance(value, bool) and isinstance(value, int | float) and kind.low <= value <= kind.high:
            try:
                number = float(value)
            except OverflowError:
                number = math.inf
            if math.isfinite(number):
                return number
        raise self.fail(f"must be a number from {kind.low:g} to {kind.high:g}", key, value)

    def record(self, make: Callable[..., Record], data: Any, kinds: Mapping[str, Kind], key: str) -> Record:
        """Make a record of plain values; `reasons` are read where the kinds of the record want them."""
        if not isinstance(data, dict):
            raise self.fail("must be an object", key, data)
        prefix = f"{key}."
        found = {
            name: self.value(self.member(data, name, prefix), kind, prefix + name)
            for name, kind in kinds.items()
        }
        if kinds is schema.SEGMENT or kinds is schema.UNSAFE:
            found["reasons"] = self.records(
                Reason, self.listing(data, "reasons", prefix), schema.REASON, prefix + "reasons"
            )
        return make(**found)

    def records(
        self, make: Callable[..., Record], items: list[Any], kinds: Mapping[str, Kind], key: str
    ) -> tuple[Record, ...]:
        return tuple(self.record(make, item, kinds, f"{key}[{i}]") for i, item in enumerate(items))

    def columns(self, data: dict[str, Any], kinds: Mapping[str, Kind], key: str) -> dict[str, Any]:
        """Read arrays of one length."""
        table: dict[str, Any] = {}
        size: int | None = None
        for name, kind in kinds.items():
            column = self.listing(data, name, f"{key}.")
            size = len(column) if size is None else size
            if len(column) != size or size == 0:
                raise self.fail(
                    f"must have as many entries as the first column ({size}), and one at least",
                    f"{key}.{name}",
                    column,
                )
            place = f"{key}.{name}"
            values = [self.value(value, kind, f"{place}[{i}]") for i, value in enumerate(column)]
            table[name] = _as_column(values, kind)
        return table

    def texts(self, data: Mapping[str, Any], key: str) -> tuple[str, ...]:
        return tuple(
            self.value(item, Text(), f"{key}[{i}]") for i, item in enumerate(self.listing(data, key))
        )

    def plan(self, data: dict[str, Any]) -> Plan:
        found = Plan(
            inputs=self.inputs(data),
            model=self.record(PlanModel, self.member(data, "model"), schema.MODEL, "model"),
            cells=PlanCells(**self.columns(self.cells(data), schema.CELL_COLUMNS, "cells")),
            nodes=PlanNodes(**self.columns(self.mapping(data, "nodes"), schema.NODE_COLUMNS, "nodes")),
            segments=self.records(PlanSegment, self.listing(data, "segments"), schema.SEGMENT, "segments"),
            unsafe_to_tuck=self.records(
                UnsafeStretch, self.listing(data, "unsafe_to_tuck"), schema.UNSAFE, "unsafe_to_tuck"
            ),
            cues=self.records(Cue, self.listing(data, "cues"), schema.CUE, "cues"),
            totals=self.record(PlanTotals, self.member(data, "totals"), schema.TOTALS, "totals"),
            optimality=self.record(
                Optimality, self.member(data, "optimality"), schema.OPTIMALITY, "optimality"
            ),
            cautions=self.texts(data, "cautions"),
            changes=self.texts(data, "changes") if "changes" in data else (),
        )
        self.fit(found)
        return found

    def cells(self, data: dict[str, Any]) -> dict[str, Any]:
        """Take the columns of the cells; plans of before there was a second radius have one for both."""
        cells = self.mapping(data, "cells")
        one = {"tightest_radius_m": cells["corner_radius_m"]} if "corner_radius_m" in cells else {}
        return {**one, **cells}

    def inputs(self, data: dict[str, Any]) -> dict[str, Any]:
        """Take the inputs as they stand, each part of the right make."""
        inputs = self.mapping(data, "inputs")
        makes: dict[str, tuple[type, str]] = {
            **dict.fromkeys(("rider", "bike", "race", "weather", "safety"), (dict, "an object")),
            **dict.fromkeys(("positions", "zones", "assumed"), (list, "a list")),
            **dict.fromkeys(("route", "route_sha256"), (str, "a text")),
        }
        for name, (make, said) in makes.items():
            if name in inputs and not isinstance(inputs[name], make):
                raise self.fail(f"must be {said}", f"inputs.{name}", inputs[name])
        return inputs

    def fit(self, plan: Plan) -> None:
        """Check that the parts of the file speak of the same road."""
        cells, nodes = plan.cells, plan.nodes
        count = cells.start_m.size
        if nodes.distance_m.size != count + 1:
            raise self.fail(
                f"must have one entry more than the cells ({count})", "nodes", nodes.distance_m.tolist()
            )
        ends = np.append(cells.start_m, cells.start_m[-1] + cells.length_m[-1])
        self.steady(
            nodes.distance_m - ends, "nodes.distance_m", "must stand at the ends of the cells", _AGREE_M
        )
        self.steady(
            cells.start_m[1:] - ends[:-2] - cells.length_m[:-1] if count > 1 else np.zeros(1),
            "cells.length_m",
            "must lead from one start to the next",
            _AGREE_M,
        )
        steps = np.diff(nodes.time_s)
        if np.any(steps < 0.0) or float(nodes.time_s[-1]) <= float(nodes.time_s[0]):
            at = int(np.argmin(steps)) + 1
            raise self.fail(
                "must not run backwards or stand still", f"nodes.time_s[{at}]", float(nodes.time_s[at])
            )
        self.agree(plan.totals.time_s, float(nodes.time_s[-1]), "totals.time_s")
        self.agree(plan.totals.distance_m, float(nodes.distance_m[-1]), "totals.distance_m")
        if int(cells.segment.max()) >= len(plan.segments) or np.any(np.diff(cells.segment) < 0):
            raise self.fail("must count up through the segments", "cells.segment", int(cells.segment.max()))
        for i, item in enumerate(plan.segments):
            if item.end_m < item.start_m:
                raise self.fail("must not lie before its start", f"segments[{i}].end_m", item.end_m)

    def agree(self, stated: float, last: float, key: str) -> None:
        if abs(stated - last) > 1e-3 * max(1.0, last):
            raise self.fail(f"must agree with the last node ({last:.6g})", key, stated)

    def steady(self, off: npt.NDArray[np.float64], key: str, what: str, limit: float) -> None:
        worst = int(np.argmax(np.abs(off)))
        if abs(off[worst]) > limit:
            raise self.fail(what, f"{key}[{worst}]", f"off by {off[worst]:.1f} m")


def _as_column(values: list[Any], kind: Kind) -> Any:
    if isinstance(kind, Number):
        return np.array(values, dtype=np.float64)
    if isinstance(kind, Whole):
        return np.array(values, dtype=np.int64)
    return np.array(values, dtype=np.bool_) if isinstance(kind, Flag) else tuple(values)
