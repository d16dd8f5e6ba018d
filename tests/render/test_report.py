"""The report works in a real browser without a network, and says what the plan says."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pacer.planning.plan import Cue, Plan
from pacer.render.digest import tucked_stretches
from pacer.render.reasons import stretch_reasons
from pacer.render.report import draw_report
from pacer.render.words import clock, kilometres, seconds
from tests.render.browser import browser, needs_chromium, opened
from tests.render.sample import sample_plan

HOSTILE = '</script><img src=x onerror="document.title=1"> & "quotes" \u202e\x00<b>bold</b>'


def hostile(plan: Plan) -> Plan:
    """Put markup wherever a plan holds a text."""
    first = plan.segments[0]
    reasons = tuple(replace(r, rule=HOSTILE, unit=HOSTILE) for r in plan.segments[2].reasons)
    inputs = {
        **plan.inputs,
        "race": {"name": HOSTILE, HOSTILE: HOSTILE},
        "assumed": [HOSTILE],
        "positions": [{"name": HOSTILE}],
    }
    return replace(
        plan,
        inputs=inputs,
        cautions=(HOSTILE,),
        changes=(HOSTILE,),
        cues=(*plan.cues, Cue(1000.0, HOSTILE, 1.0, HOSTILE, True, HOSTILE)),
        segments=(replace(first, position=HOSTILE), *plan.segments[1:]),
        unsafe_to_tuck=(replace(plan.unsafe_to_tuck[0], reasons=reasons), *plan.unsafe_to_tuck[1:]),
        optimality=replace(plan.optimality, status=HOSTILE),
    )


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """Give one browser for all tests."""
    with browser() as started:
        yield started


def data_of(html: bytes) -> dict[str, Any]:
    """Read what the script knows, as the script does."""
    found = re.search(r'<script type="application/json" id="plan">(.*?)</script>', html.decode(), re.DOTALL)
    assert found is not None
    data = json.loads(found[1])
    for key in "dtegvphcwxys":
        data[key] = np.cumsum(data[key])
    assert isinstance(data, dict)
    return data


class Elements(HTMLParser):
    """Collect the elements of a page, and the rows of its tables."""

    def __init__(self, html: bytes) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.rows: dict[str, list[list[str]]] = {}
        self.caption = ""
        self.inside = ""
        self.feed(html.decode())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        self.found.append((tag, dict(attrs)))
        if tag == "caption":
            self.caption, self.inside = "", tag
        if tag == "tr":
            self.rows.setdefault(self.caption, []).append([])
        if tag in {"td", "th"}:
            self.rows[self.caption][-1].append("")
            self.inside = tag

    def handle_endtag(self, tag: str) -> None:
        """Leave a cell."""
        if tag in {"td", "th", "caption"}:
            self.inside = ""

    def handle_data(self, data: str) -> None:
        """Add a text to its cell."""
        if self.inside == "caption":
            self.caption += data
        elif self.inside:
            self.rows[self.caption][-1][-1] += data


def test_tables_say_what_the_plan_says() -> None:
    """Segments, tucked and unsafe stretches and splits stand in real tables with the plan's numbers."""
    plan = sample_plan()
    rows = Elements(draw_report(plan)).rows
    segments = rows["Segments: one power and one position each"][1:]
    assert len(segments) == len(plan.segments)
    for row, segment in zip(segments, plan.segments, strict=True):
        assert row[1] == f"{kilometres(segment.start_m)}–{kilometres(segment.end_m)}"
        assert row[2:6] == [
            segment.position,
            f"{segment.power_w:.0f}",
            f"{segment.speed_m_s * 3.6:.1f}",
            clock(segment.duration_s),
        ]
    worth = rows["What each tucked stretch is worth, best first"][1:]
    gains = sorted((s.gain_s for s in tucked_stretches(plan)), reverse=True)
    assert [row[2] for row in worth] == [seconds(gain) for gain in gains]
    assert [row[3] for row in worth] == [seconds(total) for total in np.cumsum(gains)]
    assert worth[-1][4].strip() == "100 %"
    unsafe = rows["Where it is unsafe to be tucked"][1:]
    for row, stretch in zip(unsafe, plan.unsafe_to_tuck, strict=True):
        assert stretch.up_by_m - 10.0 < 1000.0 * float(row[0]) <= stretch.up_by_m + 1e-6
        told = row[3].replace("\u00a0", " ")
        assert all(words in told for words in stretch_reasons(plan, stretch))
    assert rows["When to be where"][-1][2] == clock(plan.totals.time_s)


def test_the_script_knows_what_the_plan_says() -> None:
    """The read-out's columns are the plan's cells, rounded."""
    plan = sample_plan()
    data = data_of(draw_report(plan))
    middle = plan.cells.start_m + plan.cells.length_m / 2
    cell = np.searchsorted(middle, data["d"] - 0.6)
    np.testing.assert_allclose(data["d"], middle[cell], atol=0.51)
    np.testing.assert_allclose(data["p"], plan.cells.power_w[cell], atol=0.51)
    np.testing.assert_allclose(data["e"], plan.cells.elevation_m[cell], atol=0.51)
    np.testing.assert_allclose(data["h"] / 10, plan.cells.headwind_m_s[cell], atol=0.051)
    np.testing.assert_array_equal(data["s"], plan.cells.segment[cell])
    assert data["seg"][4][2] == plan.segments[4].power_w


@pytest.mark.parametrize("make", [sample_plan, lambda: hostile(sample_plan())], ids=["plain", "hostile"])
def test_the_policy_names_the_one_script_and_style(make: Any) -> None:
    """The policy's hashes are those of the page's own script and style, and nothing else could run."""
    html = draw_report(make())
    text = html.decode()
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', text)
    assert policy is not None
    script = re.findall(r"<script>(.*?)</script>", text, re.DOTALL)
    style = re.findall(r"<style>(.*?)</style>", text, re.DOTALL)
    assert len(script) == len(style) == 1
    allowed = unescape(policy[1])
    for kind, content in (("script", script[0]), ("style", style[0])):
        digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in allowed
    assert allowed.startswith("default-src 'none'")
    for tag, attributes in Elements(html).found:
        assert tag not in {"img", "iframe", "object", "link", "form", "b onerror"}
        assert not any(name.startswith("on") or name in {"style", "src"} for name in attributes)
        assert not str(attributes.get("href", "#")).startswith(("http", "//", "javascript"))


def test_hostile_texts_stay_text() -> None:
    """Markup in names is shown as it was written, without invisible or direction-changing characters."""
    text = draw_report(hostile(sample_plan())).decode()
    assert "<img" not in text
    assert "<b>bold" not in text
    assert "\x00" not in text
    assert "\u202e" not in text
    assert "&lt;/script&gt;&lt;img" in text


def test_broken_unicode_and_missing_numbers() -> None:
    """A name that isn't Unicode, and a plan without bound or comparison, still give a page."""
    plan = sample_plan()
    bare = replace(
        plan,
        inputs={"route": "\ud800"},
        totals=replace(plan.totals, upright_time_s=float("nan")),
        optimality=replace(
            plan.optimality, bound_s=float("nan"), gap=float("nan"), free_optimum_s=float("nan")
        ),
        unsafe_to_tuck=(),
        cautions=(),
        changes=(),
    )
    text = draw_report(bare).decode()
    assert "nan" not in re.sub(r"<script>.*?</script>", "", text, flags=re.DOTALL).lower()
    assert "No bound was proven" in text


def test_size_and_sameness() -> None:
    """The page of a 190 km course stays under 300 kB, and drawing twice gives the same bytes."""
    long = sample_plan(5)
    assert long.totals.distance_m > 180_000.0
    html = draw_report(long)
    assert len(html) < 300_000
    assert html == draw_report(long)


@needs_chromium
@pytest.mark.parametrize("make", [sample_plan, lambda: hostile(sample_plan())], ids=["plain", "hostile"])
def test_no_error_and_no_request(chromium: Any, tmp_path: Path, make: Any) -> None:
    """The page loads without a word on the console, without an error and without asking for anything."""
    page, heard = opened(chromium, draw_report(make()), tmp_path)
    page.mouse.move(600, 700)
    assert heard.errors == []
    assert heard.console == []
    assert [url for url in heard.requests if not url.endswith("/report.html")] == []
    assert page.title() != "1"
    assert page.locator("img").count() == 0
    page.close()


@needs_chromium
def test_the_policy_holds(chromium: Any, tmp_path: Path) -> None:
    """A script or a style slipped into the page afterwards doesn't run."""
    slipped = b"<script>document.title='1'</script><style>body{display:none}</style></body>"
    page, heard = opened(chromium, draw_report(sample_plan()).replace(b"</body>", slipped), tmp_path)
    assert page.title() != "1"
    assert page.locator("h1").is_visible()
    assert any("Content Security Policy" in line for line in heard.console)
    page.close()


@needs_chromium
def test_pointing_shows_the_place(chromium: Any, tmp_path: Path) -> None:
    """Pointing at a strip shows that place's numbers, marks it on the map and moves the slider."""
    plan = sample_plan()
    html = draw_report(plan)
    data = data_of(html)
    page, _ = opened(chromium, html, tmp_path)
    page.locator("#wide").scroll_into_view_if_needed()
    box = page.locator("#wide").bounding_box()
    for share in (0.1, 0.35, 0.9):
        page.mouse.move(box["x"] + share * box["width"], box["y"] + 50)
        index = int(page.locator("#place").input_value())
        assert data["d"][index] == pytest.approx(share * plan.totals.distance_m, abs=60.0)
        assert page.locator("#r-km").inner_text() == f"km {data['d'][index] / 1000:.2f}"
        segment = plan.segments[int(data["s"][index])]
        assert page.locator("#r-task").inner_text() == f"{segment.position}, {segment.power_w:.0f} W"
        assert page.locator("#r-speed").inner_text() == f"{data['v'][index] / 10:.1f} km/h"
        assert float(page.locator("#dot").get_attribute("cx")) == data["x"][index]
        assert page.locator("#cursor").is_visible()
    page.close()


@needs_chromium
def test_pointing_at_the_map(chromium: Any, tmp_path: Path) -> None:
    """Pointing at the road on the map shows the place there."""
    html = draw_report(sample_plan())
    data = data_of(html)
    page, _ = opened(chromium, html, tmp_path)
    page.locator("#map").scroll_into_view_if_needed()
    wanted = len(data["d"]) // 4
    x, y = page.evaluate(
        "([x, y]) => { const m = document.getElementById('map').getScreenCTM();"
        " const p = new DOMPoint(x, y).matrixTransform(m); return [p.x, p.y]; }",
        [float(data["x"][wanted]), float(data["y"][wanted])],
    )
    page.mouse.move(x, y)
    index = int(page.locator("#place").input_value())
    assert abs(data["d"][index] - data["d"][wanted]) < 100.0
    page.close()


@needs_chromium
def test_keys(chromium: Any, tmp_path: Path) -> None:
    """Slider and strips are reached by the tab key; arrows move, plus, minus and 0 zoom."""
    page, _ = opened(chromium, draw_report(sample_plan()), tmp_path)
    reached = []
    for _ in range(24):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.id || document.activeElement.hash"))
    links = [name for name in reached if name and name.startswith("#")]
    assert links[0] == "#cautions"
    assert all(page.locator(link).count() == 1 for link in links)
    assert len(links) == page.locator("main > section").count()
    assert [name for name in reached if name in {"place", "out", "in", "whole", "strips"}] == [
        "place",
        "out",
        "in",
        "whole",
        "strips",
    ]
    page.locator("#strips").focus()
    slider = page.locator("#place")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    assert slider.input_value() == "2"
    assert "watts" in slider.get_attribute("aria-valuetext")
    page.keyboard.press("Shift+ArrowRight")
    assert slider.input_value() == "12"
    page.keyboard.press("End")
    assert slider.input_value() == slider.get_attribute("max")
    page.keyboard.press("Home")
    assert slider.input_value() == "0"
    before = page.locator("#wide").bounding_box()["width"]
    page.keyboard.press("+")
    assert page.locator("#wide").bounding_box()["width"] == pytest.approx(2 * before, rel=0.01)
    page.keyboard.press("-")
    page.keyboard.press("+")
    page.keyboard.press("0")
    assert page.locator("#wide").bounding_box()["width"] == pytest.approx(before, rel=0.01)
    slider.focus()
    page.keyboard.press("ArrowRight")
    assert page.locator("#r-km").inner_text() != "km 0.01"
    page.close()


def _contrast(one: str, other: str) -> float:
    """Contrast of two colours by WCAG 2.2, relative luminance of sRGB."""

    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("ground", ["paper", "wash"])
@pytest.mark.parametrize(("ink", "least"), [("ink", 7.0), ("soft", 4.5), ("must", 4.5), ("wind", 4.5)])
def test_letters_stand_out(ink: str, ground: str, least: float) -> None:
    """Every colour that words are written in reaches WCAG 2.2 AA (4.5), the main one AAA (7)."""
    style = (resources.files("pacer.render") / "report.css").read_text(encoding="utf-8")
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", style))
    assert _contrast(colours[ink], colours[ground]) >= least
    focus = re.search(r":focus-visible \{ outline: 3px solid (#[0-9a-f]{6})", style)
    assert focus is not None
    assert _contrast(focus[1], colours[ground]) >= 3.0


@needs_chromium
def test_on_a_phone_the_reasons_have_the_whole_width(chromium: Any, tmp_path: Path) -> None:
    """On a narrow screen reasons go below their stretch, in sight without scrolling, and stay table cells."""
    page, _ = opened(chromium, draw_report(sample_plan()), tmp_path, viewport={"width": 390, "height": 844})
    why = page.locator("#unsafe table.stacked tbody tr:first-child td:last-child")
    box = why.bounding_box()
    assert box["width"] > 300.0
    assert box["x"] >= 0.0
    assert box["x"] + box["width"] <= 390.0
    assert why.get_attribute("role") == "cell"
    watts = page.locator("#segments tbody tr:first-child td:nth-child(4)").bounding_box()
    assert watts["x"] + watts["width"] <= 390.0
    page.close()


@needs_chromium
def test_scale_and_wind_keep_clear_of_the_road(chromium: Any, tmp_path: Path) -> None:
    """On a phone, with its large letters, scale and wind touch neither each other nor the ends' names."""
    page, _ = opened(chromium, draw_report(sample_plan()), tmp_path, viewport={"width": 390, "height": 844})
    texts = page.locator("#map text")
    boxes = [texts.nth(k).bounding_box() for k in range(texts.count())]
    bars = page.locator("#map .furniture")
    assert bars.count() == 2
    for k in range(2):
        inside = bars.nth(k).text_content()
        mine = bars.nth(k).bounding_box()
        others = [box for n, box in enumerate(boxes) if texts.nth(n).text_content() != inside]
        assert not any(_overlap(mine, box) for box in others)
    road = page.locator("#map .road.under").first.bounding_box()
    assert not any(_overlap(bars.nth(k).bounding_box(), road) for k in range(2))
    page.close()


def _overlap(a: dict[str, float], b: dict[str, float]) -> bool:
    return (
        a["x"] < b["x"] + b["width"]
        and b["x"] < a["x"] + a["width"]
        and a["y"] < b["y"] + b["height"]
        and b["y"] < a["y"] + a["height"]
    )


@needs_chromium
def test_zoom_moves_the_map_along(chromium: Any, tmp_path: Path) -> None:
    """Showing a stretch from a table zooms strips and map to it; the whole course brings both back."""
    plan = sample_plan()
    page, heard = opened(chromium, draw_report(plan), tmp_path)
    home = page.locator("#map").get_attribute("viewBox")
    button = page.locator("#unsafe button").nth(3)
    assert "tuck" not in button.inner_text()
    button.click()
    box = [float(v) for v in page.locator("#map").get_attribute("viewBox").split()]
    assert box[2] < float(home.split()[2]) / 2
    start = float(button.get_attribute("data-from"))
    assert page.locator("#r-km").inner_text().startswith(f"km {start / 1000:.1f}")
    x, y = (float(page.locator("#dot").get_attribute(name)) for name in ("cx", "cy"))
    assert box[0] <= x <= box[0] + box[2]
    assert box[1] <= y <= box[1] + box[3]
    page.locator("#whole").click()
    assert [float(v) for v in page.locator("#map").get_attribute("viewBox").split()] == [
        float(v) for v in home.split()
    ]
    assert heard.errors == []
    page.close()


@needs_chromium
def test_touch_on_a_phone(chromium: Any, tmp_path: Path) -> None:
    """On a phone nothing is wider than the screen, and a tap on a strip shows the place."""
    page, heard = opened(
        chromium,
        draw_report(sample_plan()),
        tmp_path,
        viewport={"width": 390, "height": 844},
        is_mobile=True,
        has_touch=True,
    )
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    page.locator("#wide").scroll_into_view_if_needed()
    box = page.locator("#wide").bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + 60)
    assert float(page.locator("#r-km").inner_text().split()[1]) == pytest.approx(19.4, abs=0.5)
    assert heard.errors == []
    page.close()


@needs_chromium
def test_it_prints(chromium: Any, tmp_path: Path) -> None:
    """Printed, the page has the tables and the drawings but no controls, zoomed out."""
    page, _ = opened(chromium, draw_report(sample_plan()), tmp_path)
    page.locator("#in").click()
    page.emulate_media(media="print")
    assert not page.locator(".controls").is_visible()
    assert not page.locator("#readout").is_visible()
    assert page.locator("#map").is_visible()
    assert page.locator("#segments table").is_visible()
    pdf = page.pdf(prefer_css_page_size=True)
    assert pdf.startswith(b"%PDF")
    page.close()


@needs_chromium
def test_names_roles_and_contrast(chromium: Any, tmp_path: Path) -> None:
    """Every control has a name, every table a caption and heads, and every text stands out by 4.5 to 1."""
    page, _ = opened(chromium, draw_report(sample_plan()), tmp_path)
    unnamed = page.evaluate(
        "[...document.querySelectorAll('button, input')].filter("
        "e => !(e.innerText || e.getAttribute('aria-label') || '').trim()).length"
    )
    assert unnamed == 0
    tables = page.locator("table")
    assert page.locator("table > caption").count() == tables.count()
    assert page.locator("table th[scope=col]").count() > 0
    assert page.locator("html").get_attribute("lang") == "en"
    assert page.locator("h1").count() == 1
    faint = page.evaluate(CONTRAST)
    assert faint == []
    page.close()


CONTRAST = """() => {
  const light = (c) => {
    const [r, g, b] = c.map((v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const parse = (text) => text.match(/[\\d.]+/g).map(Number);
  const ground = (e) => {
    for (; e; e = e.parentElement) {
      const c = parse(getComputedStyle(e).backgroundColor);
      if (c.length < 4 || c[3] > 0.99) return c.slice(0, 3);
    }
    return [255, 255, 255];
  };
  const faint = [];
  const texts = 'h1, h2, h3, p, dt, dd, dd b, dd span, li, th, td, td span, button, caption';
  for (const e of document.querySelectorAll(texts)) {
    if (!e.innerText.trim()) continue;
    const a = light(parse(getComputedStyle(e).color).slice(0, 3)), b = light(ground(e));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) faint.push(`${e.tagName} ${e.innerText.slice(0, 30)} ${ratio.toFixed(2)}`);
  }
  return faint;
}"""
"""Contrast ratio as WCAG 2 defines it (relative luminance, 4.5 to 1 for body text)."""
