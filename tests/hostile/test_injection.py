"""Names from files stay names: in HTML, CSV, XML, on the screen and in paths."""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree
from xml.sax.saxutils import escape

import pytest

from tests.cli.run import run

EVIL = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</title></style><b onclick='x'>",
    "]]></name><trk/>",
    "&lt;i&gt; &amp;amp; &#60;u&#62;",
    "=1+1",
    '=HYPERLINK("http://example.invalid")',
    "+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(A1:A9)",
    "\t=1+1",
    "one\ntwo\r\nthree",
    "\u202egnp.exe\u202c",
    "\u2066a\u2069 \u200b \ufeff \u2028",
    "../../../etc/passwd",
    "C:\\con\\nul",
    "%s %n {0} {{7*7}} ${HOME} `id`",
    "東京 ✓ Ω \U0001d518",
)
CONTROLS = ("\x1b[31mred", "bell\x07 null\x00 back\x08", "\x9b2J")
"""Not allowed in XML, so only in TOML and JSON."""


def toml(text: str) -> str:
    """A text as TOML has it."""
    quoted = json.dumps(text, ensure_ascii=False)
    return "".join(f"\\u{ord(c):04x}" if "\x7f" <= c <= "\x9f" else c for c in quoted)


def write_inputs(folder: Path, name: str, *, in_xml: bool) -> None:
    """A route with waypoints, a race with zones, a rider with positions, all called `name`."""
    points = "".join(
        f'<trkpt lat="{50 + 2e-4 * i:.6f}" lon="5"><ele>{100 + 5 * abs(i % 40 - 20) / 20:.1f}</ele></trkpt>'
        for i in range(120)
    )
    shown = escape(name) if in_xml else "waypoint"
    waypoint = f'<wpt lat="50.012" lon="5"><name>{shown}</name><desc>{shown}</desc><type>no-tuck</type></wpt>'
    (folder / "course.gpx").write_text(
        f"<gpx><metadata><name>{shown}</name></metadata>{waypoint}"
        f"<trk><name>{shown}</name><trkseg>{points}</trkseg></trk></gpx>",
        encoding="utf-8",
    )
    zones = "".join(
        f'[[zones]]\nkind = "{kind}"\nstart_km = {km}\nend_km = {km + 0.1}\nnote = {toml(name)}\n{more}\n'
        for kind, km, more in (
            ("no-tuck", 0.8, ""),
            ("feed", 1.2, ""),
            ("note", 1.5, ""),
            ("speed-limit", 1.7, "limit_kmh = 20.0"),
        )
    )
    (folder / "race.toml").write_text(f"[race]\nname = {toml(name)}\n{zones}", encoding="utf-8")
    position = toml(name) if name.isprintable() and 0 < len(name) <= 24 else '"bars"'
    (folder / "rider.toml").write_text(
        '[rider]\nmass_kg = 70.0\ncritical_power_w = 250.0\nskill = "expert"\n'
        '[[positions]]\nname = "hoods"\ncda_m2 = 0.35\nhands_on_brakes = true\n'
        f"[[positions]]\nname = {position}\ncda_m2 = 0.25\nhands_on_brakes = false\n",
        encoding="utf-8",
    )


class Structure(HTMLParser):
    """The elements and attributes of a page, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: Counter[str] = Counter()
        self.attributes: set[str] = set()
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Count it."""
        self.tags[tag] += 1
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data: str) -> None:
        """Keep it."""
        self.text += data


def plan(folder: Path, name: str, capsys: pytest.CaptureFixture[str], *, in_xml: bool) -> dict[str, str]:
    """Plan with `name` everywhere; the text files written, and what was said."""
    folder.mkdir()
    write_inputs(folder, name, in_xml=in_xml)
    done = run(
        capsys,
        *("plan", folder / "course.gpx", "--race", folder / "race.toml", "--rider", folder / "rider.toml"),
        *("--out", folder / "out", "--splits", "1", "-q"),
    )
    assert done.code == 0, done.err
    written = {path.name: path.read_bytes() for path in (folder / "out").iterdir()}
    card = written.pop("cue-card.pdf")
    assert card.startswith(b"%PDF")
    assert not re.search(rb"/JavaScript|/JS\b|/Launch|/URI|/EmbeddedFile", card)
    return {key: value.decode("utf-8") for key, value in written.items()} | {"out": done.out, "err": done.err}


@pytest.mark.parametrize("name", [*EVIL, *CONTROLS])
def test_a_name_stays_a_name_in_every_output(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No name adds an element, an attribute, a formula, a line or an invisible character to any output."""
    plain = plan(tmp_path / "plain", "plain", capsys, in_xml=name in EVIL)
    found = plan(tmp_path / "evil", name, capsys, in_xml=name in EVIL)
    expected, page = Structure(plain["report.html"]), Structure(found["report.html"])
    assert page.tags == expected.tags
    assert page.attributes == expected.attributes
    for kind, text in found.items():
        hidden = Counter(c for c in text if not c.isprintable() and c != "\n")
        # The report keeps numbers and their units together; a name adds nothing to that.
        meant = Counter(c for c in plain[kind] if c == "\u00a0") if kind == "report.html" else Counter()
        assert hidden == meant, (kind, hidden)
    for table in ("segments.csv", "splits.csv"):
        rows = list(csv.reader(io.StringIO(found[table]), strict=True))
        assert len({len(row) for row in rows}) == 1
        assert not [cell for row in rows for cell in row if is_formula(cell)]
    for document in ("cues.gpx", "course.tcx"):
        tags = Counter(item.tag for item in ElementTree.fromstring(found[document]).iter())
        assert tags == Counter(item.tag for item in ElementTree.fromstring(plain[document]).iter())
    assert json.loads(found["plan.json"])["schema"] == "pacer-plan/1"


def is_formula(cell: str) -> bool:
    """Whether a spreadsheet would calculate this cell; a plain number is none."""
    if re.fullmatch(r"-?\d+(\.\d+)?(e-?\d+)?", cell):
        return False
    return cell.lstrip().startswith(("=", "+", "-", "@", "|", "%"))


def test_a_name_can_be_read_in_the_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What looks like markup is shown as it stands in the file."""
    found = plan(tmp_path / "evil", "<b>A & B</b>", capsys, in_xml=True)
    assert "<b>A & B</b>" in Structure(found["report.html"]).text


PATHS = (
    "../../../../../../etc/passwd",
    "/etc/passwd",
    "/dev/zero",
    "/dev/null",
    ".",
    "..",
    "",
    "nul\x00byte",
    "\u202egnp",
    "x" * 5000,
    "a/" * 2000,
    "~root/x",
    "http://example.invalid/zones",
    "-",
)


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("place", ["zones", "forecast"])
def test_path_tricks_in_a_race_file_end_in_one_line(
    place: str, path: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file named in the race file that isn't one of its kind is refused, whatever it is, and soon."""
    write_inputs(tmp_path, "plain", in_xml=True)
    table = f"zones = {toml(path)}\n" if place == "zones" else f"[weather]\nforecast = {toml(path)}\n"
    (tmp_path / "race.toml").write_text(table, encoding="utf-8")
    before = sorted(tmp_path.rglob("*"))
    done = run(
        capsys,
        *("plan", tmp_path / "course.gpx", "--race", tmp_path / "race.toml"),
        *("--out", tmp_path / "out", "-q"),
    )
    assert done.code == 1
    line = done.err.removesuffix("\n")
    assert line.startswith("pacer: ")
    assert line.isprintable()
    assert len(line) < 500
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize("name", ["...gpx", "..gpx", "-rf.gpx", "a b;c.gpx", "\u202e.gpx", "con.gpx"])
def test_the_folder_of_results_lies_beside_whatever_the_route_is_called(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without --out the results go into one new folder where the user stands."""
    write_inputs(tmp_path, "plain", in_xml=True)
    here = tmp_path / "here"
    here.mkdir()
    (tmp_path / "course.gpx").rename(here / name)
    monkeypatch.chdir(here)
    assert run(capsys, "plan", f"./{name}", "-q").code == 0
    new = [path for path in here.iterdir() if path.name != name]
    assert [path.is_dir() for path in new] == [True]
    assert (new[0] / "plan.json").is_file()
    assert {path.name for path in tmp_path.iterdir()} == {"here", "race.toml", "rider.toml"}
