"""Renew the excerpts of the documentation: run as `python -m tests.docs.renew`.

Each quoted line is replaced by the line with the same words that the command prints now; a line that is no
longer printed is left and told.
"""

from __future__ import annotations

import tempfile
from difflib import SequenceMatcher
from pathlib import Path

from tests.docs.desk import lay_out, type_in
from tests.docs.pages import PAGES, ROOT, fences, text_of, words_of


def renewed(body: str, printed: list[str]) -> tuple[str, list[str]]:
    """The excerpt with today's numbers, and the lines that weren't found."""
    words = [words_of(line) for line in printed]
    lines, lost, at = [], [], 0
    for line in body.splitlines():
        wanted = words_of(line)
        if wanted and wanted != "..." and wanted in words[at:]:
            alike = [k for k in range(at, len(words)) if words[k] == wanted]
            # Rows of a table have the same words: the one with the same label and the likest numbers counts.
            at = max(alike, key=lambda k: _likeness(line, printed[k])) + 1
            line = printed[at - 1]
        elif wanted and wanted != "...":
            lost.append(line)
        lines.append(line)
    return "\n".join(lines) + "\n", lost


def _likeness(old: str, new: str) -> tuple[bool, float]:
    return old.split()[0] == new.split()[0], SequenceMatcher(None, old, new).ratio()


def main() -> None:
    """Renew all pages."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lay_out(folder)
        type_in(folder, "pacer plan course.gpx --rider rider.toml --race race.toml --out race-plan")
        for page in PAGES:
            text = text_of(page)
            for fence in fences(page):
                if fence.mark == "from":
                    body, lost = renewed(fence.body, type_in(folder, fence.told).stdout.splitlines())
                    text = text.replace(fence.body, body)
                    for line in lost:
                        print(f"{page}, line {fence.line}: no longer printed: {line}")
            (ROOT / page).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
