"""The documentation is true: links lead somewhere, commands run, excerpts are what the program prints."""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from pacer.files.rides import read_recording
from pacer.rides.recording import make_ride
from pacer.rides.review import review_ride
from tests.demo import ROUTES, demo_plan
from tests.docs.desk import lay_out, type_in
from tests.docs.make_commands import PAGE, commands_page
from tests.docs.make_ride import TRUTH
from tests.docs.pages import PAGES, ROOT, anchors, fences, links, text_of, words_of

INSTALL = re.compile(r"^python3 -m venv \.venv && \.venv/bin/pip install .*? && \.venv/bin/")
"""How the README's commands begin; `.ci/run` installs for real."""

TYPED = [page for page in PAGES if page != "DEVELOPERS.md" and any(f.kind == "sh" for f in fences(page))]
QUOTED = [page for page in PAGES if any(f.mark == "from" for f in fences(page))]
Desk = tuple[Path, Callable[[str], str]]


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    """A folder with the demo files and an earlier plan, and a way to run a command there, once each."""
    folder = tmp_path_factory.mktemp("desk")
    lay_out(folder)

    @cache
    def typed(command: str) -> str:
        done = type_in(folder, command)
        assert done.returncode == 0, f"{command}\n{done.stderr[-2000:]}"
        return done.stdout

    typed("pacer plan course.gpx --rider rider.toml --race race.toml --out race-plan")
    return folder, typed


@pytest.mark.parametrize("page", PAGES)
def test_every_link_leads_somewhere(page: str) -> None:
    """Files exist, and so do the headings that links name."""
    for target in links(page):
        name, _, anchor = target.partition("#")
        path = ((ROOT / page).parent / name) if name else ROOT / page
        assert path.exists(), f"{page}: {target}"
        if anchor:
            assert anchor in anchors(path), f"{page}: {target}"


def test_every_page_is_in_the_index() -> None:
    """docs/README.md leads to every page of its rooms."""
    found = {(ROOT / "docs" / link.partition("#")[0]).resolve() for link in links("docs/README.md")}
    rooms = [page for page in PAGES if page.startswith("docs/") and "/decisions/" not in page]
    missing = [page for page in rooms if (ROOT / page).resolve() not in found]
    assert missing == ["docs/README.md"]


@pytest.mark.parametrize("page", TYPED)
def test_every_command_runs(page: str, desk: Desk) -> None:
    """Each line of each shell block exits 0; a block that isn't run says why."""
    _, typed = desk
    for fence in fences(page):
        if fence.mark == "not run":
            assert len(fence.told) > 10, f"{page}, line {fence.line}: no reason"
        elif fence.kind == "sh":
            for command in fence.commands:
                command = INSTALL.sub("", command)
                if command != "pytest":  # these tests
                    typed(command)


@pytest.mark.parametrize("page", QUOTED)
def test_excerpts_are_what_the_program_prints(page: str, desk: Desk) -> None:
    """Lines quoted from a command are among those that it prints, in order; numbers may have moved."""
    _, typed = desk
    for fence in fences(page):
        if fence.mark == "from":
            printed = [words_of(line) for line in typed(fence.told).splitlines()]
            at = 0
            for line in filter(None, map(words_of, fence.body.splitlines())):
                if line == "...":
                    continue
                assert line in printed[at:], f"{page}, line {fence.line}: {line!r} isn't printed"
                at = printed.index(line, at) + 1


def test_contributors_commands_exist() -> None:
    """Modules that DEVELOPERS.md runs are there; the commands themselves take minutes or need a network."""
    modules = re.findall(r"python -m (tests[\w.]*)", text_of("DEVELOPERS.md"))
    assert modules
    for module in modules:
        assert importlib.util.find_spec(module) is not None, module


def test_page_of_commands_is_made_from_the_program() -> None:
    """docs/reference/commands.md is what `python -m tests.docs.make_commands` writes."""
    assert PAGE.read_text("utf-8") == commands_page(), "run python -m tests.docs.make_commands"


def test_every_doi_in_the_code_is_among_the_sources() -> None:
    """docs/reference/sources.md names each publication that a docstring or a table of the tests does."""
    listed = text_of("docs/reference/sources.md")
    cited: set[str] = set()
    for path in (*(ROOT / "pacer").rglob("*.py"), *(ROOT / "tests" / "reference").glob("*.csv")):
        cited |= set(re.findall(r"doi:(10\.\S+?[\w-](?=[.,;)\s]*(?:\s|$|\))))", path.read_text("utf-8")))
    assert len(cited) > 8
    assert {doi for doi in cited if doi not in listed} == set()


def test_the_ride_of_the_tutorial_was_as_it_says() -> None:
    """The recording holds what its maker put in: the stop, the eager start, the tired end, the sitting up."""
    plan = demo_plan("orlibeck-tri")
    review = review_ride(make_ride(read_recording(ROUTES / "orlibeck-ride.csv")), plan)
    assert review.stopped_s == pytest.approx(TRUTH.stop_s, abs=4.0)
    middle = 0.5 * (review.distance_m[1:] + review.distance_m[:-1])
    hard = review.planned_power_w > 180.0
    for where, factor in (
        (middle < TRUTH.eager_until_m, TRUTH.eager),
        (middle > TRUTH.tired_from_m, TRUTH.tired),
    ):
        ratio = np.nanmedian(review.ridden_power_w[where & hard] / review.planned_power_w[where & hard])
        assert ratio == pytest.approx(factor, abs=0.02)
    lost = {segment.index: segment.parts_s["drag and wind"] for segment in review.segments}
    up = [
        s.index
        for s in review.segments
        if s.start_m > TRUTH.upright_m[0] and s.end_m < TRUTH.upright_m[1] + 200
    ]
    assert up
    assert max(lost, key=lambda index: lost[index]) in range(min(up) - 1, max(up) + 2)
