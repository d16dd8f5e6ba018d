"""Read a TOML file into plain tables, or say in one line why it can't be read."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Final

from pacer.errors import SettingsError

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
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_FILE + 1)
    except OSError as error:
        raise SettingsError("can't be read", where=where, found=error.strerror or "") from None
    except ValueError:
        raise SettingsError("is not the name of a file", where=where) from None
    if len(content) > _LARGEST_FILE:
        raise SettingsError("is too large for a settings file", where=where, found="over 1 MB")
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise SettingsError(
            "is not UTF-8", where=where, found=f"byte {error.start}", do="save it as UTF-8"
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"is not TOML: {error}", where=where, do="pacer init writes one to start from"
        ) from None
    except (RecursionError, ValueError) as error:
        raise SettingsError("is not usable TOML", where=where, found=type(error).__name__) from None
