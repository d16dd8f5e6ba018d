"""Read a TOML file into plain tables, or say in one line why it can't be read."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Final

from pacer.errors import SettingsError
from pacer.files._content import read_text

__all__ = ["load_toml"]

_LARGEST_FILE: Final = 1_000_000


def load_toml(path: Path) -> dict[str, Any]:
    """Read a settings file.

    Raises
    ------
    SettingsError
        If it can't be opened, is larger than 1 MB, isn't UTF-8 or isn't TOML.
    """
    where = str(path)
    text = read_text(path, most=_LARGEST_FILE, kind="a settings file", error=SettingsError)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"is not TOML: {error}", where=where, do="pacer init writes one to start from"
        ) from None
    except (RecursionError, ValueError) as error:
        raise SettingsError("is not usable TOML", where=where, found=type(error).__name__) from None
