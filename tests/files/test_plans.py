"""plan.json goes out as the contract says and comes back whole, or is refused in one line."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pacer.errors import PlanFileError
from pacer.files.plans import check_to_json, plan_to_json, read_plan
from pacer.planning.plan import Cue, Plan
from tests.render.sample import sample_plan

CONTRACT = {
    "model": "total_mass_kg inertial_mass_kg drivetrain_efficiency gravity_m_s2 critical_power_w w_prime_j "
    "w_prime_reserve_j fourth_power_budget_w max_power_w",
    "cells": "start_m length_m grade heading_deg latitude_deg longitude_deg elevation_m corner_radius_m "
    "air_density_kg_m3 headwind_m_s crosswind_m_s gust_crosswind_m_s speed_limit_m_s tuck_allowed "
    "tuck_speed_limit_m_s position cda_m2 crr power_factor power_w brake_n segment",
    "nodes": "distance_m time_s speed_m_s w_balance_j",
    "totals": "time_s distance_m climb_m mean_power_w fourth_power_mean_w work_j min_w_balance_j "
    "tucked_time_share tucked_distance_share max_speed_m_s",
    "optimality": "bound_s gap status rounds",
}
ROWS = {
    "segments": "index start_m end_m mean_grade heading_deg headwind_m_s power_w position speed_m_s "
    "duration_s gain_s reasons",
    "unsafe_to_tuck": "start_m end_m up_by_m reasons cost_s",
    "cues": "at_m text power_w position kind",
}


@pytest.fixture
def plan() -> Plan:
    """Give a plan with a cue that holds quotes, a line break and letters of several scripts."""
    cue = Cue(123.4, 'crest, "Æ Ω Ж" \n </script>', 240.0, "aero bars", True, "tuck")
    return replace(sample_plan(), cues=(cue,))


@pytest.fixture
def written(plan: Plan) -> dict[str, Any]:
    """Give the plan as any JSON reader sees it."""
    data = json.loads(plan_to_json(plan))
    assert isinstance(data, dict)
    return data


def test_every_key_of_the_contract_is_there(written: dict[str, Any]) -> None:
    """Each key that other programs rely on stands in the file."""
    assert written["schema"] == "pacer-plan/1"
    for part, names in CONTRACT.items():
        assert set(names.split()) <= set(written[part])
    for part, names in ROWS.items():
        assert all(set(names.split()) <= set(row) for row in written[part])
        assert written[part]
    reasons = [reason for row in written["unsafe_to_tuck"] for reason in row["reasons"]]
    assert {"rule", "value", "limit", "unit"} == set(reasons[0])
    inputs = "route_sha256 rider bike positions race weather zones safety"
    assert set(inputs.split()) <= set(written["inputs"])


def test_arrays_have_one_entry_a_cell_or_a_node(plan: Plan, written: dict[str, Any]) -> None:
    """The columns of cells are n long, those of nodes n + 1, and no NaN is written."""
    n = plan.cells.start_m.size
    assert {len(column) for column in written["cells"].values()} == {n}
    assert {len(column) for column in written["nodes"].values()} == {n + 1}
    assert b"NaN" not in plan_to_json(plan)
    straight = written["cells"]["corner_radius_m"]
    assert [value is None for value in straight] == np.isnan(plan.cells.corner_radius_m).tolist()


def test_a_plan_of_before_there_were_two_radii_is_read(written: dict[str, Any], tmp_path: Path) -> None:
    """Without `tightest_radius_m` the one radius counts for both."""
    cells = {name: column for name, column in written["cells"].items() if name != "tightest_radius_m"}
    path = tmp_path / "plan.json"
    path.write_text(json.dumps({**written, "cells": cells}), "utf-8")
    found = read_plan(path).cells
    assert np.array_equal(found.tightest_radius_m, found.corner_radius_m, equal_nan=True)


def test_what_is_written_twice_agrees(written: dict[str, Any]) -> None:
    """Segment durations add up to the total, and the last node stands at the end, after rounding."""
    total = written["totals"]["time_s"]
    assert math.fsum(row["duration_s"] for row in written["segments"]) == pytest.approx(total, abs=0.01)
    assert written["nodes"]["time_s"][-1] == pytest.approx(total, abs=1e-3)
    assert written["nodes"]["distance_m"][-1] == pytest.approx(written["totals"]["distance_m"], abs=1e-3)


def test_round_trip(plan: Plan, tmp_path: Path) -> None:
    """A plan that is read back equals the one written to rounding, and writes the same bytes again."""
    path = tmp_path / "plan.json"
    path.write_bytes(plan_to_json(plan))
    again = read_plan(path)
    assert plan_to_json(again) == plan_to_json(plan)
    for item in fields(plan.cells):
        ours, theirs = getattr(plan.cells, item.name), getattr(again.cells, item.name)
        if isinstance(ours, np.ndarray) and ours.dtype == np.float64:
            np.testing.assert_allclose(theirs, ours, rtol=0.0, atol=6e-4)
        else:
            assert list(theirs) == list(ours)
    np.testing.assert_allclose(again.nodes.time_s, plan.nodes.time_s, atol=6e-5)
    np.testing.assert_allclose(again.cells.latitude_deg, plan.cells.latitude_deg, atol=6e-8)
    assert again.cues == plan.cues
    assert again.inputs == plan.inputs
    assert again.cautions == plan.cautions
    assert again.segments[3].reasons == plan.segments[3].reasons


def test_lone_surrogates_survive(plan: Plan, tmp_path: Path) -> None:
    """A name that isn't valid Unicode is written and read back as it was."""
    odd = replace(plan, cautions=("odd \udc80 name",))
    path = tmp_path / "plan.json"
    path.write_bytes(plan_to_json(odd))
    assert read_plan(path).cautions == odd.cautions


def test_inputs_that_json_cannot_say(plan: Plan) -> None:
    """An object of an unknown kind among the inputs is a mistake of the programmer, not a broken file."""
    with pytest.raises(TypeError, match="inputs hold a set"):
        plan_to_json(replace(plan, inputs={"race": {1, 2}}))


Edit = Callable[[dict[str, Any]], object]


def put(*path: Any) -> Edit:
    """Make an edit that puts the last of `path` at the place that the others name."""

    def edit(data: dict[str, Any]) -> None:
        place: Any = data
        for step in path[:-2]:
            place = place[step]
        place[path[-2]] = path[-1]

    return edit


BROKEN: list[tuple[str, Edit, str]] = [
    ("no schema", lambda d: d.pop("schema"), '"schema" must be "pacer-plan/1" .found nothing'),
    ("other schema", put("schema", "pacer-plan/9"), "pacer-plan/9"),
    ("no cells", lambda d: d.pop("cells"), "cells is missing"),
    ("cells a list", put("cells", [1]), r"cells: must be an object \(found a list of 1\)"),
    ("column missing", lambda d: d["cells"].pop("power_w"), "cells.power_w is missing"),
    ("column short", lambda d: d["cells"]["grade"].pop(), "cells.grade: must have as many entries"),
    ("column empty", put("nodes", "distance_m", []), "nodes.distance_m: must have as many entries"),
    ("text for number", put("cells", "power_w", 7, "250"), r"cells.power_w\[7\]: must be a number"),
    ("true for number", put("cells", "power_w", 7, True), r"cells.power_w\[7\]: must be a number"),
    ("null for number", put("cells", "power_w", 7, None), r"cells.power_w\[7\].*found nothing"),
    ("number for flag", put("cells", "tuck_allowed", 3, 1), r"tuck_allowed\[3\]: must be true or false"),
    ("number for text", put("cells", "position", 3, 1), r"position\[3\]: must be a text"),
    ("fraction for index", put("cells", "segment", 3, 0.5), r"segment\[3\]: must be a whole number"),
    ("huge whole number", put("cells", "power_w", 0, 10**300 * 10**100), r"power_w\[0\]: must be a number"),
    ("negative power", put("cells", "power_w", 0, -5), r"power_w\[0\]: must be a number from 0"),
    (
        "latitude 95",
        put("cells", "latitude_deg", 0, 95),
        r"latitude_deg\[0\]: must be a number from -90 to 90",
    ),
    ("segment index too high", put("cells", "segment", -1, 999), "cells.segment: must count up"),
    ("segments shuffled", put("cells", "segment", 5, 3), "cells.segment: must count up"),
    ("time runs backwards", put("nodes", "time_s", 9, 0.1), r"nodes.time_s\[9\]: must not run backwards"),
    (
        "time stands still",
        lambda d: d["nodes"].update(time_s=[0] * len(d["nodes"]["time_s"])),
        "or stand still",
    ),
    ("total off the nodes", put("totals", "time_s", 5000), "totals.time_s: must agree with the last node"),
    ("no distance", put("totals", "distance_m", 0), "totals.distance_m: must be a number from 0.001"),
    (
        "nodes off the cells",
        put("nodes", "distance_m", 9, 9999),
        r"nodes.distance_m\[9\]: must stand at the ends",
    ),
    ("cells off each other", put("cells", "length_m", 4, 500), r"cells.length_m\[4\]: must lead"),
    ("segment not an object", put("segments", 2, []), r"segments\[2\]: must be an object"),
    ("segment lacks power", lambda d: d["segments"][2].pop("power_w"), r"segments\[2\].power_w is missing"),
    ("segment ends early", put("segments", 2, "end_m", 0.0), r"segments\[2\].end_m: must not lie before"),
    ("reasons no list", put("segments", 2, "reasons", 1), r"segments\[2\].reasons: must be a list"),
    ("reason without rule", put("unsafe_to_tuck", 0, "reasons", [{}]), r"reasons\[0\].rule is missing"),
    ("caution a number", put("cautions", [4]), r"cautions\[0\]: must be a text"),
    ("text too long", put("cautions", ["x" * 10_001]), "at most 10000 characters"),
    ("inputs a text", put("inputs", "rider"), "inputs: must be an object"),
    ("zones an object", put("inputs", "zones", {}), "inputs.zones: must be a list"),
    ("rider a list", put("inputs", "rider", []), "inputs.rider: must be an object"),
    ("share over one", put("totals", "tucked_time_share", 1.2), "totals.tucked_time_share: must be a number"),
]


@pytest.mark.parametrize(("edit", "said"), [case[1:] for case in BROKEN], ids=[case[0] for case in BROKEN])
def test_broken_content(written: dict[str, Any], tmp_path: Path, edit: Edit, said: str) -> None:
    """One fault in the file gives one line that names the file, the place and what stands there."""
    edit(written)
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(written), encoding="utf-8")
    with pytest.raises(PlanFileError, match=said) as told:
        read_plan(path)
    assert "\n" not in str(told.value)
    assert "plan.json" in str(told.value)


UNREADABLE = {
    "empty": b"",
    "not JSON": b"<gpx/>",
    "cut short": b'{"schema": "pacer-plan/1", "cells": {',
    "a list": b"[]",
    "a number": b"3",
    "not UTF-8": b'{"schema": "\xff\xfe"}',
    "NaN": b'{"schema": "pacer-plan/1", "x": NaN}',
    "infinity": b'{"schema": "pacer-plan/1", "x": -Infinity}',
    "deep": b"[" * 200_000,
    "deep objects": b'{"a":' * 100_000,
    "endless digits": b'{"schema": ' + b"9" * 10_000 + b"}",
}


@pytest.mark.parametrize("raw", UNREADABLE.values(), ids=UNREADABLE.keys())
def test_what_is_no_plan_file(tmp_path: Path, raw: bytes) -> None:
    """Anything else than a plan file is refused in one line."""
    path = tmp_path / "other.json"
    path.write_bytes(raw)
    with pytest.raises(PlanFileError) as told:
        read_plan(path)
    assert "\n" not in str(told.value)
    assert "other.json" in str(told.value)


def test_numbers_beyond_a_float(written: dict[str, Any], tmp_path: Path) -> None:
    """A number that overflows to infinity is out of range."""
    text = json.dumps(written).replace('"gravity_m_s2": 9.80665', '"gravity_m_s2": 1e999')
    assert "1e999" in text
    (tmp_path / "plan.json").write_text(text, encoding="utf-8")
    with pytest.raises(PlanFileError, match="gravity_m_s2"):
        read_plan(tmp_path / "plan.json")


def test_no_file(tmp_path: Path) -> None:
    """A file that isn't there, and a folder, are told in one line."""
    with pytest.raises(PlanFileError, match="can't be read"):
        read_plan(tmp_path / "nothing.json")
    with pytest.raises(PlanFileError, match=r"a folder, not a plan file.*plan\.json"):
        read_plan(tmp_path)
    with pytest.raises(PlanFileError, match="can't be read"):
        read_plan("nul\0name")


def test_unknown_keys_are_let_pass(written: dict[str, Any], tmp_path: Path) -> None:
    """A file with fields that a later version added can still be read."""
    written["novelty"] = {"a": 1}
    written["totals"]["novelty"] = 3
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(written), encoding="utf-8")
    assert read_plan(path).totals.time_s == pytest.approx(written["totals"]["time_s"])


def test_the_check_for_machines(plan: Plan, written: dict[str, Any]) -> None:
    """The check says of the unsafe stretches what plan.json says, and what they cost together."""
    check = json.loads(check_to_json(plan))
    assert check["schema"] == "pacer-check/1"
    assert check["unsafe_to_tuck"] == written["unsafe_to_tuck"]
    assert check["cost_s"] == pytest.approx(
        math.fsum(row["cost_s"] for row in written["unsafe_to_tuck"]), abs=1e-3
    )
    assert check["cautions"] == written["cautions"]
    assert check["route_sha256"] == written["inputs"]["route_sha256"]
