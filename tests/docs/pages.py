"""What the pages of the documentation hold: links, commands, and excerpts of what commands print."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).parents[2]
PAGES: Final = tuple(
    path.relative_to(ROOT).as_posix()
    for path in sorted((ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")))
)

_FENCE: Final = re.compile(
    r"(?:<!-- (?P<mark>from|not run): (?P<told>.*?) -->\n+)?^```(?P<kind>\w*)\n(?P<body>.*?)^```$",
    re.MULTILINE | re.DOTALL,
)


@dataclass(frozen=True)
class Fence:
    """A block of code, with what the comment before it says.

    `mark` is "from" (an excerpt of what the command `told` prints), "not run" (`told` is the reason) or "".
    """

    kind: str
    body: str
    mark: str
    told: str
    line: int

    @property
    def commands(self) -> list[str]:
        """Lines of a shell block, continued ones joined; without comments and lines with an ellipsis."""
        joined = self.body.replace("\\\n", " ")
        lines = (re.sub(r"(^|\s)#.*$", "", line).strip() for line in joined.splitlines())
        return [line for line in lines if line and "..." not in line]


def text_of(page: str) -> str:
    """The page."""
    return (ROOT / page).read_text("utf-8")


def fences(page: str) -> list[Fence]:
    """All its blocks of code."""
    text = text_of(page)
    return [
        Fence(m["kind"], m["body"], m["mark"] or "", m["told"] or "", text.count("\n", 0, m.start()) + 1)
        for m in _FENCE.finditer(text)
    ]


def links(page: str) -> list[str]:
    """Targets of its links and pictures that aren't on the web."""
    plain = re.sub(r"```.*?```", "", text_of(page), flags=re.DOTALL)
    return [target for target in re.findall(r"\]\(([^)\s]+)\)", plain) if "://" not in target]


def anchors(page: Path) -> set[str]:
    """Headings as others link to them."""
    heads = re.findall(r"^#+ (.+)$", page.read_text("utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


def words_of(line: str) -> str:
    """A line of output without its numbers: they move with every improvement; words and signs may not."""
    bare = re.sub(r"\d[\d:.,]*", "0", line)
    return " ".join(re.sub(r"#+", "", bare).split())
