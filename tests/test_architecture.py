"""The house: who may import whom, what a room may touch, how long a module and a function may be."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "pacer"
MOST_LINES = 400
MOST_BODY_LINES = 60

GROUND = {"errors", "units"}
CORE = {"course", "air", "physics", "planning", "rides"}
WIRING = {"workflow", "days", "decide", "replan"}

MAY_IMPORT: dict[str, set[str]] = {
    "errors": set(),
    "units": set(),
    "course": GROUND,
    "air": GROUND,
    "physics": GROUND | {"course", "air"},
    "planning": GROUND | {"course", "air", "physics"},
    "rides": GROUND | {"course", "air", "physics", "planning"},
    "workflow": GROUND | CORE,
    "days": GROUND | CORE | {"workflow"},
    "decide": GROUND | CORE | {"workflow"},
    "replan": GROUND | CORE | {"workflow"},
    "files": GROUND | CORE,
    "render": GROUND | CORE,
    "cli": GROUND | CORE | WIRING | {"files", "render"},
    "__main__": {"cli"},
    "__init__": GROUND | CORE | WIRING | {"files", "render"},
}
"""Rooms of `pacer` that a room may import besides itself."""

DATA = {
    "pacer.course.track",
    "pacer.course.zones",
    "pacer.air.weather",
    "pacer.air.shift",
    "pacer.physics.rider",
    "pacer.physics.defaults",
    "pacer.planning.plan",
    "pacer.planning.race",
    "pacer.planning.limits",
    "pacer.planning.inputs",
    "pacer.planning.members",
}
"""Modules that hold data: what files and pages may know of the core."""

RESULTS = {
    "pacer.planning.comparing",
    "pacer.planning.cues",
    "pacer.planning.outlook",
    "pacer.planning.practice",
    "pacer.planning.splits",
    "pacer.rides.calibrate",
    "pacer.rides.critical_power",
    "pacer.rides.field_test",
    "pacer.rides.position_power",
    "pacer.rides.review",
    "pacer.rides.ride",
}
"""Modules whose result types are written or drawn."""

MODULES_ONLY: dict[str, set[str]] = {
    "files": DATA | RESULTS,
    "render": DATA | RESULTS,
}
"""Where a room may see only some modules of the core."""

RIDES_SEE_OF_PLANNING = {"pacer.planning.plan", "pacer.planning.limits"}

OUTSIDE: dict[str, set[str]] = {
    "errors": set(),
    "units": {"numpy"},
    "course": {"numpy", "scipy", "pyproj", "shapely"},
    "air": {"numpy"},
    "physics": {"numpy"},
    "planning": {"numpy", "scipy", "clarabel"},
    "rides": {"numpy", "scipy", "pyproj"},
    "workflow": {"numpy"},
    "days": {"numpy"},
    "decide": {"numpy"},
    "replan": {"numpy"},
    "files": {"numpy", "pydantic", "fitdecode"},
    "render": {"numpy", "reportlab", "PIL"},
    "cli": {"typer", "numpy", "distributed"},
    "__main__": set(),
    "__init__": set(),
}
"""Packages from elsewhere that a room may import."""

PURE = CORE | WIRING | GROUND | {"render"}
"""Rooms that see no disk, screen, clock, environment or network."""

BANNED_MODULES = {"os", "io", "pathlib", "socket", "ssl", "subprocess", "time", "random", "logging"}
BANNED_MODULES |= {"urllib", "http", "requests", "shutil", "tempfile", "sys", "threading", "multiprocessing"}
STREAMS_IN_MEMORY = {"io", "pathlib"}
"""`render` builds its pages in memory and reads its own fonts."""

BANNED_CALLS = {"open", "print", "input", "exec", "eval", "breakpoint", "compile", "__import__"}
BANNED_ATTRIBUTES = {
    ("datetime", "now"),
    ("datetime", "today"),
    ("datetime", "utcnow"),
    ("date", "today"),
    ("np", "load"),
    ("np", "save"),
    ("np", "savetxt"),
    ("np", "loadtxt"),
    ("np", "genfromtxt"),
    ("np", "fromfile"),
}
SEEDED = {"default_rng", "Generator"}
"""All that may be used of `numpy.random`, and the first only with a seed."""

MODULES = sorted(PACKAGE.rglob("*.py"))


def named(path: Path) -> str:
    """A module's path in the package."""
    return path.relative_to(PACKAGE).as_posix()


def room_of(path: Path) -> str:
    """The room that a module stands in; a module at the top is a room by itself."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@cache
def parsed(path: Path) -> ast.Module:
    """The syntax tree of a module."""
    return ast.parse(path.read_text(encoding="utf-8"))


def imported(path: Path) -> Iterator[tuple[str, int]]:
    """Modules that a module imports, wherever in it, with the line."""
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{named(path)}:{node.lineno}: a relative import"
            yield node.module or "", node.lineno


@pytest.mark.parametrize("path", MODULES, ids=named)
def test_imports(path: Path) -> None:
    """A module imports from the rooms below its own, and from the packages of its room, nothing else."""
    room = room_of(path)
    assert room in MAY_IMPORT, f"{room} is no room: give it a row in the table"
    wrong = []
    for module, line in imported(path):
        top = module.split(".")[0]
        if top == "pacer":
            target = module.split(".")[1] if "." in module else "__init__"
            allowed = target == room or target in MAY_IMPORT[room]
            seen = MODULES_ONLY.get(room, {module}) | {module if target in GROUND | {room} else ""}
            if room == "rides" and target == "planning":
                allowed &= module in RIDES_SEE_OF_PLANNING
            if not allowed or module not in seen:
                wrong.append(f"line {line}: {module}")
        elif top not in sys.stdlib_module_names and top not in OUTSIDE[room]:
            wrong.append(f"line {line}: {module}")
    assert not wrong


@pytest.mark.parametrize("path", [p for p in MODULES if room_of(p) in PURE], ids=named)
def test_core_rooms_touch_nothing_outside(path: Path) -> None:
    """No disk, screen, clock, environment, network or unseeded chance in a room that computes."""
    allowed = STREAMS_IN_MEMORY if room_of(path) == "render" else set()
    wrong = [
        f"line {line}: import {module}"
        for module, line in imported(path)
        if module.split(".")[0] in BANNED_MODULES - allowed
    ]
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.Call):
            wrong += [f"line {node.lineno}: {what}" for what in banned(node)]
    assert not wrong


def banned(call: ast.Call) -> Iterator[str]:
    """What a call does that a room that computes may not."""
    function = call.func
    if isinstance(function, ast.Name) and function.id in BANNED_CALLS:
        yield function.id
    if not isinstance(function, ast.Attribute):
        return
    owner = function.value
    if isinstance(owner, ast.Name) and (owner.id, function.attr) in BANNED_ATTRIBUTES:
        yield f"{owner.id}.{function.attr}"
    if isinstance(owner, ast.Attribute) and owner.attr == "random" and function.attr not in SEEDED:
        yield f"random.{function.attr}"
    if function.attr == "default_rng" and not (call.args or call.keywords):
        yield "default_rng without a seed"


@pytest.mark.parametrize("path", MODULES, ids=named)
def test_modules_and_functions_are_short(path: Path) -> None:
    """A module has 400 lines at most, a function's body without its docstring 60."""
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_LINES
    long = {}
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            first = node.body[1] if ast.get_docstring(node) and len(node.body) > 1 else node.body[0]
            lines = (node.end_lineno or 0) - first.lineno + 1
            if lines > MOST_BODY_LINES:
                long[node.name] = lines
    assert not long


def listed(path: Path) -> set[str] | None:
    """The names that a module says it exports; None where it says nothing."""
    for node in parsed(path).body:
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.List):
            names = [target.id for target in node.targets if isinstance(target, ast.Name)]
            if names == ["__all__"]:
                return {ast.literal_eval(item) for item in node.value.elts}
    return None


@pytest.mark.parametrize("path", [p for p in MODULES if p.name != "__init__.py"], ids=named)
def test_exports_are_there(path: Path) -> None:
    """What a module says that it exports is defined in it or imported."""
    defined = set()
    for node in parsed(path).body:
        if isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names = [name for target in targets for name in ast.walk(target)]
            defined |= {name.id for name in names if isinstance(name, ast.Name)}
        elif isinstance(node, ast.FunctionDef | ast.ClassDef):
            defined.add(node.name)
        elif isinstance(node, ast.ImportFrom | ast.Import):
            defined |= {alias.asname or alias.name for alias in node.names}
    assert (listed(path) or set()) <= defined


@pytest.mark.parametrize("path", MODULES, ids=named)
def test_only_exported_names_are_imported(path: Path) -> None:
    """From another module of the package, a module takes what that one exports, nothing private."""
    wrong = []
    for node in ast.walk(parsed(path)):
        if not isinstance(node, ast.ImportFrom) or not (node.module or "").startswith("pacer."):
            continue
        source = PACKAGE.parent / ((node.module or "").replace(".", "/") + ".py")
        exported = listed(source) if source.is_file() else None
        if exported is not None:
            wrong += [f"{node.module}.{a.name}" for a in node.names if a.name not in exported]
    assert not wrong


def test_the_tables_have_no_dead_rows() -> None:
    """Every room and every module named in the tables exists."""
    rooms = {room_of(path) for path in MODULES}
    assert set(MAY_IMPORT) == set(OUTSIDE) == rooms
    for module in DATA | RESULTS | RIDES_SEE_OF_PLANNING:
        assert (PACKAGE.parent / (module.replace(".", "/") + ".py")).is_file(), module


def test_no_room_imports_in_a_circle() -> None:
    """Following the table downwards never comes back."""

    def below(room: str, path: tuple[str, ...]) -> None:
        assert room not in path, " ← ".join((*path, room))
        for lower in MAY_IMPORT[room]:
            below(lower, (*path, room))

    for room in MAY_IMPORT:
        below(room, ())
