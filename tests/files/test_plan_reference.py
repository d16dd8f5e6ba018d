"""The page that describes plan.json and the schema that the code obeys name the same fields."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pacer.files import _plan_schema as schema

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "plan-file.md"

PARTS = {
    "model": schema.MODEL,
    "cells": schema.CELL_COLUMNS,
    "nodes": schema.NODE_COLUMNS,
    "segments": schema.SEGMENT,
    "unsafe_to_tuck": schema.UNSAFE,
    "cues": schema.CUE,
    "totals": schema.TOTALS,
    "optimality": schema.OPTIMALITY,
}


@pytest.mark.parametrize("part", PARTS)
def test_every_field_is_described(part: str) -> None:
    """Each field of the schema stands in the part of the page that describes it."""
    sections = re.split(r"^#+ ", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    (section,) = [text for text in sections if re.match(rf"{part}(,|\n)", text)]
    assert set(PARTS[part]) <= set(re.findall(r"`([a-z0-9_]+)`", section))
