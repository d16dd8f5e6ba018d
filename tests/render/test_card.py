"""The card measures what it says, says what the plan says, and names what it can't draw."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pacer.errors import SettingsError
from pacer.planning.cues import merge_cues
from pacer.planning.plan import Plan
from pacer.render._card_front import draw_front, lines_on
from pacer.render._card_rows import Row, card_rows
from pacer.render._fonts import load_typeface
from pacer.render._pen import MM, Box, Pen
from pacer.render.card import PAPERS, SIZES, card_size, draw_card
from pacer.render.words import clock
from tests.render.sample import sample_plan

PDFTOTEXT, PDFINFO, PDFTOPPM = (shutil.which(name) for name in ("pdftotext", "pdfinfo", "pdftoppm"))
needs_poppler = pytest.mark.skipif(
    None in (PDFTOTEXT, PDFINFO, PDFTOPPM),
    reason="poppler-utils reads the PDF back: apt install poppler-utils",
)


def read_back(pdf: bytes, folder: Path) -> str:
    """Read the text of a PDF with another program."""
    path = folder / "card.pdf"
    path.write_bytes(pdf)
    done = subprocess.run([str(PDFTOTEXT), "-raw", str(path), "-"], check=True, capture_output=True)
    return done.stdout.decode()


def picture(pdf: bytes, folder: Path, dpi: int = 254) -> np.ndarray:
    """Draw the first page with another program; grey values, 10 pixels a millimetre at 254 dpi."""
    path = folder / "card.pdf"
    path.write_bytes(pdf)
    subprocess.run(
        [str(PDFTOPPM), "-gray", "-r", str(dpi), "-singlefile", str(path), str(folder / "card")], check=True
    )
    raw = (folder / "card.pgm").read_bytes()
    match = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", raw)
    assert match is not None
    return np.frombuffer(raw[match.end() :], dtype=np.uint8).reshape(int(match[2]), int(match[1]))


def named(plan: Plan, name: str) -> Plan:
    """Give the plan another race name."""
    return replace(plan, inputs={**plan.inputs, "race": {**plan.inputs["race"], "name": name}})


@needs_poppler
def test_every_number_is_the_plans(tmp_path: Path) -> None:
    """Distance, power and times of every line can be read back from the PDF and stand in the plan."""
    plan = sample_plan()
    card = draw_card(plan, most_cues=len(plan.cues))
    text = read_back(card.pdf, tmp_path)
    assert card.cues == plan.cues
    assert card.merging_cost_s == 0.0
    rows = card_rows(plan, plan.cues)
    for cue, row in zip(plan.cues, rows, strict=True):
        assert abs(float(row.where) * 1000.0 - cue.at_m) <= 10.0
        if cue.kind == "up":
            assert float(row.where) * 1000.0 <= cue.at_m + 1e-6
        if cue.kind == "tuck":
            assert float(row.where) * 1000.0 >= cue.at_m - 1e-6
        if row.watts:
            assert float(row.watts) == cue.power_w
            assert re.search(rf"{re.escape(row.where)}\s*\n?{row.watts}\b", text), row
        else:
            assert row.where in text
    assert clock(plan.totals.time_s) in text
    assert "\n".join(("early", "plan", "late")) in text or "early plan late" in text


@needs_poppler
def test_durations_follow_from_the_plan(tmp_path: Path) -> None:
    """How long each line holds adds up to the time of the race."""
    plan = sample_plan()
    rows = card_rows(plan, plan.cues)
    total = 0
    for row in rows:
        lasts = re.match(r"(?:(\d+):)?(\d+):(\d\d)", row.detail)
        if lasts:
            total += 3600 * int(lasts[1] or 0) + 60 * int(lasts[2]) + int(lasts[3])
    assert total == pytest.approx(plan.totals.time_s, abs=len(rows) / 2)
    text = read_back(draw_card(plan, most_cues=99).pdf, tmp_path)
    assert all(row.detail in text for row in rows)


@needs_poppler
def test_what_stands_on_the_back(tmp_path: Path) -> None:
    """Checklist, own bar settings, cautions and splits with bounds are on the back."""
    plan = sample_plan()
    plan = replace(plan, inputs={**plan.inputs, "safety": {"tuck_top_speed_kmh": 52.0}})
    text = " ".join(
        read_back(draw_card(plan, extras=["Tape the spare key"], size=(74, 105)).pdf, tmp_path).split()
    )
    for wanted in (
        "makers' torque",
        "bar ends plugged",
        "reach 440 mm",
        "clamp bolts 8 N·m",
        "bar limit 8 N·m",
        "left pad one spacer higher",
        "Tape the spare key",
        "ride the course before the race",
        "Tucked never above 52 km/h",
        f"1 % off, {plan.totals.distance_m / 100.0:.0f} m at the finish",
        "power ±2 %, drag ±3 %",
        "5.0 9:22 9:31 9:39",
    ):
        assert wanted in text, wanted


@needs_poppler
@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("size", [*SIZES.values(), (60.0, 60.0), (130.0, 90.0)])
def test_true_size(tmp_path: Path, size: tuple[float, float], paper: str) -> None:
    """The sheet has the paper's size and the cut marks stand as far apart as the card is wide and high."""
    pdf = draw_card(sample_plan(), size=size, paper=paper).pdf
    (tmp_path / "card.pdf").write_bytes(pdf)
    info = subprocess.run(
        [str(PDFINFO), str(tmp_path / "card.pdf")], check=True, capture_output=True
    ).stdout.decode()
    match = re.search(r"Page size:\s+([\d.]+) x ([\d.]+) pts", info)
    assert match is not None
    sides = sorted((float(match[1]) / MM, float(match[2]) / MM))
    assert sides == pytest.approx(sorted(PAPERS[paper]), abs=0.05)
    gray = picture(pdf, tmp_path)
    top = int(7.0 * 10)
    marks = np.flatnonzero(gray[top - 25] < 160)  # 2.5 mm above the cards nothing but cut marks
    edges = [run.mean() for run in np.split(marks, np.flatnonzero(np.diff(marks) > 3) + 1)]
    assert np.diff(edges) == pytest.approx(size[0] * 10.0, abs=1.5)
    left = round(edges[0])
    side = np.flatnonzero(gray[:, left - 25] < 160)
    rows = [run.mean() for run in np.split(side, np.flatnonzero(np.diff(side) > 3) + 1)]
    rows = [row for row in rows if row < gray.shape[0] - 90]  # without the ruler at the foot
    assert np.diff(rows) == pytest.approx(size[1] * 10.0, abs=1.5)


@needs_poppler
def test_the_ruler_is_fifty_millimetres(tmp_path: Path) -> None:
    """The long ticks of the check ruler are 10 mm apart and span 50."""
    gray = picture(draw_card(sample_plan()).pdf, tmp_path)
    row = gray[gray.shape[0] - 50 - 19]  # 1.9 mm above its foot: only the long ticks reach there
    ticks = np.flatnonzero(row[: row.size // 2] < 160)
    places = [run.mean() for run in np.split(ticks, np.flatnonzero(np.diff(ticks) > 3) + 1)][:6]
    assert np.diff(places) == pytest.approx(100.0, abs=1.2)


@needs_poppler
def test_tucked_lines_are_black(tmp_path: Path) -> None:
    """A tucked line is mostly black and an upright one mostly white, so that nothing hangs on colour."""
    plan = sample_plan()
    upright = tuple(replace(cue, tucked=False, kind="power") for cue in plan.cues[:8])
    tucked = tuple(replace(cue, tucked=True, kind="power") for cue in plan.cues[:8])
    dark = [
        float((picture(draw_card(replace(plan, cues=cues)).pdf, tmp_path)[200:800, 200:600] < 128).mean())
        for cues in (upright, tucked)
    ]
    assert dark[0] < 0.3
    assert dark[1] > 0.7


def test_same_plan_same_bytes() -> None:
    """Drawing twice gives the same file."""
    assert draw_card(sample_plan()).pdf == draw_card(sample_plan()).pdf


def test_as_few_fronts_as_lose_little() -> None:
    """By default there are as few fronts as keep the loss by merging under a thousandth of the time."""
    plan = sample_plan()
    room = lines_on(60 * MM, 90 * MM)
    card = draw_card(plan)
    assert card.merging_cost_s <= 0.001 * plan.totals.time_s
    fronts = -(-len(card.cues) // room)
    assert merge_cues(plan, (fronts - 1) * room)[1] > 0.001 * plan.totals.time_s


def test_many_fronts_come_with_a_way_to_need_fewer() -> None:
    """A course of many cues keeps them all, and the rider hears of the longer card and of merging."""
    plan = sample_plan()
    task = [cue for cue in plan.cues if cue.kind in ("up", "tuck")]
    length = plan.totals.distance_m
    many = tuple(
        replace(task[k % 2], at_m=length * k / 140, kind="start" if k == 0 else task[k % 2].kind)
        for k in range(140)
    )
    told = [note for note in draw_card(replace(plan, cues=many)).notes if "fronts" in note]
    assert len(told) == 1
    assert "--size strip" in told[0]
    assert "--most-cues" in told[0]
    assert not any("fronts" in note for note in draw_card(plan).notes)


@pytest.mark.parametrize(("finish", "line"), [("stop", "dismount line"), ("rolling", "finish")])
def test_the_last_line_says_where_to_stop(finish: str, line: str) -> None:
    """A race that ends at a dismount line, where the brakes are needed, ends there on the card too."""
    plan = sample_plan()
    plan = replace(plan, inputs={**plan.inputs, "race": {**plan.inputs["race"], "finish": finish}})
    assert card_rows(plan, plan.cues)[-1].detail.endswith(f"to the {line}")


def test_several_positions_are_named() -> None:
    """Where upright may mean two positions, the line says which; TUCK alone is enough where there is one."""
    plan = sample_plan()
    cues = tuple(replace(c, position="drops") if c.at_m > 20_000 and not c.tucked else c for c in plan.cues)
    actions = {row.action for row in card_rows(plan, cues)}
    assert actions == {"UP hoods", "UP drops", "TUCK", "FEED", "SEE"}


@needs_poppler
@pytest.mark.parametrize("size", [(60.0, 90.0), (52.0, 60.0), (104.0, 50.0), (25.0, 40.0)])
def test_a_long_name_never_cuts_where_the_hands_go_back(tmp_path: Path, size: tuple[float, float]) -> None:
    """With several tucked positions it is the name that gives way, not the kilometre behind it."""
    plan = sample_plan()
    tucks = [cue for cue in plan.cues if cue.tucked]
    cues = tuple(
        replace(cue, position=f"aero bars, {'low' if cue is tucks[0] else 'high'}") if cue.tucked else cue
        for cue in plan.cues
    )
    text = read_back(draw_card(replace(plan, cues=cues), size=size, most_cues=len(cues)).pdf, tmp_path)
    details = {row.detail for row in card_rows(plan, cues) if "up at" in row.detail}
    assert details
    assert all(detail in text for detail in details)


def test_too_many_cues_are_merged_and_the_price_told() -> None:
    """With more cues than asked for they are merged, and what that costs is said."""
    plan = sample_plan()
    card = draw_card(plan, most_cues=24)
    assert len(card.cues) <= 24 < len(plan.cues)
    assert card.merging_cost_s > 0.0
    lost = f"about {card.merging_cost_s:.1f} s slower than the full plan."
    assert card.notes == (f"{len(plan.cues)} cues merged into {len(card.cues)}: {lost}",)


@needs_poppler
def test_letters_of_many_scripts(tmp_path: Path) -> None:
    """Latin, Greek and Cyrillic names are drawn and can be read back."""
    name = "Żółć Ærø Ἀθήνα Ωμέγα Жлтый"
    card = draw_card(named(sample_plan(), "Żółć Ærø Ωμέγα Жлтый"), size=(100, 100))
    assert "Żółć Ærø Ωμέγα Жлтый" in read_back(card.pdf, tmp_path)
    assert not any("lacks" in note for note in card.notes)
    assert any("U+1F08" in note for note in draw_card(named(sample_plan(), name)).notes)


def test_a_letter_that_the_font_lacks_is_named() -> None:
    """A name in a script that the font doesn't have is told with the letter, its number and what to do."""
    (note,) = [note for note in draw_card(named(sample_plan(), "島一周")).notes if "lacks" in note]
    assert "島 (U+5CF6, in “島一周”)" in note
    assert "--font" in note


@needs_poppler
def test_another_font(tmp_path: Path) -> None:
    """A font of the user's own draws the card, and one that is broken is refused in one line."""
    from pacer.render._fonts import font_bytes

    card = draw_card(sample_plan(), font=font_bytes("DejaVuSans.ttf"))
    assert "Gannet Island" in read_back(card.pdf, tmp_path)
    for broken in (b"", b"not a font", font_bytes("DejaVuSans.ttf")[:3000]):
        with pytest.raises(SettingsError, match="can't be used as a font") as told:
            draw_card(sample_plan(), font=broken)
        assert "\n" not in str(told.value)


@needs_poppler
@pytest.mark.parametrize("name", ["a\x00b\x1b[31m", "x" * 5000, "‮evil‬", "\ud800", "", "(\\) <b>&amp;"])
def test_hostile_names(tmp_path: Path, name: str) -> None:
    """Control characters, endless names and broken Unicode give a card like any other."""
    text = read_back(draw_card(named(sample_plan(), name)).pdf, tmp_path)
    assert "BEFORE THE START" in text
    assert "\x1b" not in text
    assert "\u202e" not in text


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("60x90", (60.0, 90.0)),
        (" 25.5 × 240 mm", (25.5, 240.0)),
        ("STRIP", SIZES["strip"]),
        ("pocket", SIZES["pocket"]),
    ],
)
def test_sizes(text: str, size: tuple[float, float]) -> None:
    """Sizes are given by name or in millimetres."""
    assert card_size(text) == size


@pytest.mark.parametrize(
    "text", ["", "60", "60x", "axb", "0x0", "60x900", "nanx60", "-60x90", "60x90x2", "1e9x3"]
)
def test_sizes_that_make_no_sense(text: str) -> None:
    """Anything else is refused in one line that says what to give."""
    with pytest.raises(SettingsError, match="card") as told:
        card_size(text)
    assert "mm" in str(told.value)


def test_what_does_not_fit() -> None:
    """A card larger than the sheet, and a sheet that isn't known, are refused."""
    with pytest.raises(SettingsError, match="doesn't fit on A4"):
        draw_card(sample_plan(), size=(250.0, 250.0))
    with pytest.raises(SettingsError, match="not a paper"):
        draw_card(sample_plan(), paper="A3")


@pytest.mark.parametrize("most", [1, 3, 60])
@pytest.mark.parametrize("size", [(25.0, 25.0), (25.0, 270.0), (190.0, 25.0), (190.0, 270.0)])
def test_extreme_cards(size: tuple[float, float], most: int) -> None:
    """The smallest, longest and largest cards are drawn with one line or with all."""
    card = draw_card(sample_plan(), size=size, most_cues=most)
    assert card.pdf.startswith(b"%PDF-")
    assert len(card.cues) <= most


def test_a_plan_without_cues() -> None:
    """A plan whose file lists no cues, or notes alone, still gives a card with its back."""
    plan = sample_plan()
    notes = tuple(cue for cue in plan.cues if cue.kind == "note")
    for cues in ((), notes):
        assert draw_card(replace(plan, cues=cues), most_cues=1).pdf.startswith(b"%PDF-")


@needs_poppler
@pytest.mark.parametrize("size", ["card", "strip", "pocket"])
def test_cards_for_two_winds_can_be_told_apart(tmp_path: Path, size: str) -> None:
    """Every front says the wind that it is for, and the back all of the weather."""
    plan = sample_plan()
    windy = {**plan.inputs["weather"], "wind_from_deg": 300.0, "wind_speed_m_s": 9.0, "gust_m_s": 15.0}
    for weather, sign, whole in (
        (plan.inputs["weather"], "WSW 4 m/s", "wind 4.2 m/s (15 km/h) from WSW (240°)"),
        (windy, "WNW 9 m/s", "gusts 15.0 m/s (54 km/h)"),
        ({**windy, "wind_speed_m_s": 0.0}, "no wind", "Planned for no wind"),
    ):
        card = draw_card(replace(plan, inputs={**plan.inputs, "weather": weather}), size=SIZES[size])
        text = " ".join(read_back(card.pdf, tmp_path).split())
        assert sign in text
        assert whole in text


class Recorder:
    """Stands in for a canvas: keeps each text with the size of its letters."""

    def __init__(self) -> None:
        self.said: list[tuple[str, float]] = []
        self.size = 0.0

    def beginText(self, *_: float) -> Recorder:  # noqa: N802  # reportlab's name
        """Begin a text."""
        return self

    def setFont(self, _: str, size: float) -> None:  # noqa: N802  # reportlab's name
        """Keep the size."""
        self.size = size

    def textOut(self, text: str) -> None:  # noqa: N802  # reportlab's name
        """Keep the text."""
        self.said.append((text, self.size))

    def __getattr__(self, name: str) -> Callable[..., Recorder]:
        return lambda *_, **__: self


def seen_on_a_front(seen: str) -> tuple[str, float]:
    """Draw a front of twelve lines with these words to see: what stands there, and how large."""
    row = Row("108.22", "UP", seen, "0:34", "235", tucked=False, warns=True)
    recorder = Recorder()
    box = Box(0.0, 0.0, *(side * MM for side in SIZES["card"]))
    draw_front(Pen(recorder, load_typeface(None)), box, sample_plan(), [row] * 12, number="", span=(0.0, 1.0))
    return next((text, size) for text, size in recorder.said if text[:4] == seen[:4])


def test_words_are_left_out_before_they_are_small() -> None:
    """Where two things to see don't fit, the first alone is written, large; a single one isn't cut."""
    whole, size = seen_on_a_front("bend ←")
    assert whole == "bend ←"
    for seen, wanted in (
        ("bend ← and 1 more, side wind ←", "bend ← and 1 more"),
        ("bend →, side wind ←", "bend →, side wind ←"),
        ("roundabout ← and 2 more, side wind →", "roundabout ← and 2 more"),
    ):
        told, small = seen_on_a_front(seen)
        assert told == wanted
        assert small >= 0.7 * size
