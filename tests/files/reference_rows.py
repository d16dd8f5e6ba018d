"""Rows of the tables in docs/reference that a settings model must agree with."""

from __future__ import annotations

from pacer.files._schema import Table
from pacer.files.templates import _MEANING, _expected


def key_rows(model: type[Table]) -> list[str]:
    """Give for each key of a table the beginning of its row: key, range, meaning."""
    return [
        f"| `{key}` | {_expected(field)} | {_MEANING[model][key]} |"
        for key, field in model.model_fields.items()
    ]
