"""The pictures of the documentation: run as `python -m tests.docs.make_pictures`.

Plan, card and report of the demo triathlon, as a rider gets them; needs Chromium and poppler-utils.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Final

from PIL import Image

from tests.docs.desk import lay_out, type_in
from tests.docs.pages import ROOT

PICTURES: Final = ROOT / "docs" / "pictures"


def _save_small(
    source: Path, name: str, *, colours: int, box: tuple[int, int, int, int] | None = None
) -> None:
    with Image.open(source) as picture:
        part = picture.convert("RGB").crop(box)
        part.quantize(colours, dither=Image.Dither.NONE).save(PICTURES / name, optimize=True)


def main() -> None:
    """Draw all of them."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lay_out(folder)
        type_in(folder, "pacer plan course.gpx --rider rider.toml --race race.toml --png --out plan")
        shutil.copy(folder / "plan" / "plan.png", PICTURES / "orlibeck-tri.png")
        subprocess.run(
            ["pdftoppm", "-png", "-r", "110", "-f", "1", "-l", "1", "plan/cue-card.pdf", "card"],
            cwd=folder,
            check=True,
        )
        _save_small(next(folder.glob("card*.png")), "cue-card.png", colours=48, box=(40, 0, 870, 835))
        subprocess.run(
            [
                *("chromium", "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"),
                *("--window-size=1200,1500", "--screenshot=report.png"),
                (folder / "plan" / "report.html").as_uri(),
            ],
            cwd=folder,
            check=True,
            capture_output=True,
        )
        _save_small(folder / "report.png", "report.png", colours=96)


if __name__ == "__main__":
    main()
