"""How hypothesis runs here: the same examples every time, and no clock that fails a busy machine."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("steady", deadline=None, derandomize=True)
settings.load_profile("steady")
