"""The walks of the guide, walked: the files that it names are enough, and none of them is needless."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.walks.copy import Copy, files_of_walk

RIDER = """
[rider]
mass_kg = 74.0
critical_power_w = 250.0
w_prime_j = 18000.0
skill = "expert"
[[positions]]
name = "hoods"
cda_m2 = 0.36
hands_on_brakes = true
[[positions]]
name = "aero bars"
cda_m2 = 0.29
power_factor = 0.97
hands_on_brakes = false
"""


@pytest.fixture
def copy(tmp_path: Path) -> Copy:
    """A copy of the package."""
    return Copy(tmp_path)


def test_a_safety_rule(copy: Copy) -> None:
    """A limit on the climb that may be ridden tucked refuses it, is told, overridden and checked again."""
    assert "aero bars" in positions_uphill(copy.plan(RIDER))
    copy.insert("planning/limits.py", "    tuck_lateral: float\n", "    tuck_steepest_climb: float\n")
    copy.insert(
        "planning/limits.py",
        '    ("tuck_lateral_g", ',
        '    ("tuck_steepest_climb", "tuck_steepest_climb", 1.0, 0.02, 0.025, 0.03),\n',
    )
    copy.insert(
        "files/_settings_models.py",
        "    tuck_lateral_g: float",
        '    tuck_steepest_climb: float | None = number(0, 0.3, "of rise over run", None)\n',
    )
    copy.insert(
        "files/templates.py",
        '        "tuck_lateral_g": ',
        '        "tuck_steepest_climb": "steepest climb while tucked",\n',
    )
    copy.insert("planning/safety.py", '    GUST = "gust', '    STEEP_CLIMB = "steep climb"\n')
    copy.insert(
        "planning/safety.py",
        "    def corner_rules(self)",
        "    def climbs(self) -> None:\n"
        "        limit = self.limits.tuck_steepest_climb\n"
        "        grade = self.cells.grade\n"
        '        self.add(Rule.STEEP_CLIMB, grade > limit, 100.0 * grade, 100.0 * limit, "%")\n\n',
    )
    copy.insert("planning/safety.py", "    judge_.road()\n", "    judge_.climbs()\n")
    copy.insert(
        "planning/recheck.py",
        "        gust = cells.gust",
        "        limit = limits.tuck_steepest_climb\n"
        '        self.refuse("tucked on a climb", cells.grade > limit, cells.grade, limit, "")\n',
    )
    plan = copy.plan(RIDER)
    assert positions_uphill(plan) == {"hoods"}
    assert "steep climb" in {r["rule"] for s in plan["unsafe_to_tuck"] for r in s["reasons"]}
    assert plan["inputs"]["safety"]["tuck_steepest_climb"] == 0.03
    assert "aero bars" in positions_uphill(copy.plan(RIDER + "[safety]\ntuck_steepest_climb = 0.2\n"))
    assert copy.run("init", "fresh").returncode == 0
    assert "tuck_steepest_climb" in (copy.folder / "fresh" / "rider.toml").read_text(encoding="utf-8")
    assert copy.touched == files_of_walk("Add a safety rule")


def positions_uphill(plan: dict) -> set[str]:
    """Positions of a plan on its climb."""
    cells = plan["cells"]
    return {p for p, grade in zip(cells["position"], cells["grade"], strict=True) if grade > 0.035}


def test_a_position(copy: Copy) -> None:
    """A third position in the rider file is planned with; one that does better takes the others' place."""
    lower = (
        '[[positions]]\nname = "lower bars"\ncda_m2 = 0.26\npower_factor = 0.97\nhands_on_brakes = false\n'
    )
    assert "lower bars" in copy.plan(RIDER + lower)["cells"]["position"]
    assert copy.touched == files_of_walk("Add a position")


def test_a_property_of_positions(copy: Copy) -> None:
    """A steepest climb for a position keeps the plan out of it there, and is written with the plan."""
    copy.insert("physics/rider.py", "    max_continuous: float", "    steepest_climb: float = 1.0\n")
    copy.insert(
        "files/_settings_models.py",
        "    max_continuous_s: float",
        '    steepest_climb: float = number(0, 1, "of rise over run", 1.0)\n',
    )
    copy.insert(
        "files/templates.py",
        '        "max_continuous_s": "comfort',
        '        "steepest_climb": "steepest climb that it suits",\n',
    )
    copy.insert(
        "files/_rider_settings.py",
        "            max_continuous=table",
        "            steepest_climb=table.steepest_climb,\n",
    )
    copy.insert(
        "planning/inputs.py",
        "                max_continuous_s=position",
        "                steepest_climb=position.steepest_climb,\n",
    )
    copy.insert(
        "planning/scenario.py",
        "        problem = Problem(\n",
        "        suits = self.cells.grade[:, None] <= np.array([p.steepest_climb for p in positions])\n",
    )
    copy.replace(
        "planning/scenario.py",
        "allowed=~tucked | may_tuck[:, None],",
        "allowed=~tucked | (may_tuck[:, None] & suits),",
    )
    assert "aero bars" in positions_uphill(copy.plan(RIDER))
    plan = copy.plan(RIDER + "steepest_climb = 0.02\n")
    assert positions_uphill(plan) == {"hoods"}
    assert "aero bars" in plan["cells"]["position"]
    assert plan["inputs"]["positions"][1]["steepest_climb"] == 0.02
    assert copy.touched == files_of_walk("Add a property of positions")


def test_an_output(copy: Copy) -> None:
    """A function from plan to bytes, named where the outputs are, is written with the rest."""
    copy.make(
        "render/new.py",
        '"""A list of the segments\' powers."""\n\n'
        "from __future__ import annotations\n\n"
        "from pacer.planning.plan import Plan\n\n"
        '__all__ = ["powers_txt"]\n\n\n'
        "def powers_txt(plan: Plan) -> bytes:\n"
        '    """One power a line [W]."""\n'
        '    return "".join(f"{s.power_w:.0f}\\n" for s in plan.segments).encode()\n',
    )
    copy.insert(
        "cli/outputs.py",
        "    from pacer.render.report import draw_report\n",
        "    from pacer.render.new import powers_txt\n",
    )
    copy.insert("cli/outputs.py", '        "cues.gpx": ', '        "powers.txt": powers_txt(plan),\n')
    plan = copy.plan(RIDER)
    written = (copy.folder / "out" / "powers.txt").read_text(encoding="utf-8").split()
    assert written == [f"{segment['power_w']:.0f}" for segment in plan["segments"]]
    assert copy.touched == files_of_walk("Add an output")


def test_a_fatigue_model(copy: Copy) -> None:
    """A store of fuel binds the programme, the ride and the last check; too little is told by its name."""
    before = copy.plan(RIDER)["totals"]["work_j"]
    add_fuel_key(copy)
    add_fuel_model(copy)
    fuel = 0.85 * before / 1000.0
    plan = copy.plan(RIDER.replace("skill", f"fuel_kj = {fuel:.1f}\nskill"))
    work = sum(
        p / f * (after - at)
        for p, f, at, after in zip(
            plan["cells"]["power_w"],
            plan["cells"]["power_factor"],
            plan["nodes"]["time_s"],
            plan["nodes"]["time_s"][1:],
            strict=False,
        )
    )
    assert 0.95 * fuel < work / 1000.0 < 1.001 * fuel
    assert plan["totals"]["time_s"] > plan["optimality"]["bound_s"] > 0.97 * plan["totals"]["time_s"]
    (copy.folder / "rider.toml").write_text(
        RIDER.replace("skill", "fuel_kj = 100.0\nskill"), encoding="utf-8"
    )
    done = copy.run("plan", "north.gpx", "--rider", "rider.toml", "--out", "out")
    assert done.returncode == 3
    assert "the fuel of 100000 J is too little" in done.stderr
    assert copy.touched == files_of_walk("Add a fatigue model")


def add_fuel_key(copy: Copy) -> None:
    """A number of the rider, from the file to the plan."""
    copy.replace(
        "physics/rider.py", "    skill: Skill\n", "    skill: Skill\n    fuel: float | None = None\n"
    )
    copy.insert(
        "files/_settings_models.py",
        "    skill: Literal",
        '    fuel_kj: float | None = number(50, 50000, "kJ", None)\n',
    )
    copy.insert(
        "files/templates.py", '        "skill": "on the', '        "fuel_kj": "work that you carry",\n'
    )
    copy.insert(
        "files/_rider_settings.py",
        "        skill=Skill(skill),\n",
        "        fuel=None if table.fuel_kj is None else 1000.0 * table.fuel_kj,\n",
    )
    copy.replace(
        "planning/inputs.py",
        '            "skill": rider.skill.value,\n        },',
        '            "skill": rider.skill.value,\n'
        '            **({} if rider.fuel is None else {"fuel_kj": rider.fuel / 1000.0}),\n        },',
    )


def add_fuel_model(copy: Copy) -> None:
    """The work of the body is no more than the fuel."""
    copy.insert(
        "physics/fatigue.py",
        "def fourth_power_mean(",
        "def fuel_left(power: npt.ArrayLike, duration: npt.ArrayLike, fuel: float) -> float:\n"
        '    """What body power leaves of the fuel [J]."""\n'
        "    return fuel - float(np.sum(np.asarray(power) * np.asarray(duration)))\n\n\n",
    )
    copy.insert("physics/fatigue.py", '    "fourth_power_mean",\n', '    "fuel_left",\n')
    copy.insert("planning/problem.py", "    w_prime_start: float", "    fuel: float | None = None\n")
    copy.insert("planning/scenario.py", "            w_prime_start=self", "            fuel=rider.fuel,\n")
    copy.replace(
        "planning/formulation.py",
        "        return [self.endurance(), *self.w_prime(recovery)]\n",
        "        return [self.endurance(), *self.w_prime(recovery), *self.fuel()]\n\n"
        "    def fuel(self) -> list[Affine]:\n"
        '        """Fuel less the work of the body, over the fuel, one row."""\n'
        "        fuel = self.problem.fatigue.fuel\n"
        "        if fuel is None:\n"
        "            return []\n"
        "        joule = self.problem.road.length[self.branches.cell] * self.force_scale / fuel\n"
        "        return [1.0 - self.F.mapped(sparse.csr_array(joule[None, :]))]\n",
    )
    copy.replace(
        "planning/followable.py",
        "import fourth_power_mean, w_balance\n",
        "import fourth_power_mean, fuel_left, w_balance\n",
    )
    copy.replace(
        "planning/followable.py",
        "    return bool(enough and",
        "    if fatigue.fuel is not None:\n"
        "        enough &= fuel_left(result.body_power, result.trace.duration, fatigue.fuel) >= 0.0\n"
        "    return bool(enough and",
    )
    copy.insert(
        "planning/recheck.py",
        "        # A plan from the middle",
        '        fuel = 1000.0 * self.plan.inputs["rider"].get("fuel_kj", np.inf)\n'
        "        work = float(np.sum(body * seconds))\n"
        '        self.whole("over the fuel", work > fuel * 1.0005, work, fuel, "J")\n',
    )
    copy.insert(
        "planning/feasibility.py",
        '    (\n        "the rider\'s power in all"',
        '    (\n        "the fuel",\n        "J",\n'
        "        lambda fatigue, factor: replace(fatigue, fuel=fatigue.fuel and fatigue.fuel * factor),\n"
        "        lambda fatigue: fatigue.fuel or 0.0,\n"
        '        "check fuel_kj in the rider file",\n    ),\n',
    )
