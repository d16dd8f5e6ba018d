"""A page in a real browser, with everything it says and asks for written down."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
needs_chromium = pytest.mark.skipif(
    CHROMIUM is None, reason="the report is tested in Chromium: apt install chromium"
)

_ARGUMENTS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
)


@dataclass(slots=True)
class Heard:
    """What a page said on the console, and what it asked the network for."""

    console: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


@contextmanager
def browser() -> Iterator[Any]:
    """Start a browser, and stop it."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as running:
        started = running.chromium.launch(executable_path=CHROMIUM, args=list(_ARGUMENTS))
        try:
            yield started
        finally:
            started.close()


def opened(started: Any, html: bytes, folder: Path, **options: Any) -> tuple[Any, Heard]:
    """Open a page from a file and listen to it."""
    path = folder / "report.html"
    path.write_bytes(html)
    page = started.new_page(**options)
    heard = Heard()
    page.on("console", lambda message: heard.console.append(message.text))
    page.on("pageerror", lambda error: heard.errors.append(str(error)))
    page.on("request", lambda request: heard.requests.append(request.url))
    page.goto(path.as_uri())
    return page, heard
