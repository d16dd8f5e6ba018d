"""Files made hostile: bytes changed at random, and values put where a program wouldn't expect them."""

from __future__ import annotations

import re
from typing import Final

from hypothesis import strategies as st

TOKEN: Final = re.compile(rb'-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?|"[^"\n]{0,80}"|[A-Za-z_]{2,}')
"""What stands for a value or a name in any of the text formats."""

VALUES: Final = tuple(
    value if isinstance(value, bytes) else value.encode("utf-8", errors="surrogatepass")
    for value in (
        *("nan", "NaN", "-nan", "inf", "Infinity", "-inf", "1e999", "-1e308", "5e-324", "1_000", "0x1F"),
        *("0", "-0.0", "-1", "1e-9", "9" * 30, "9" * 400, "1" * 5000, "18446744073709551616", "٣"),
        *("", '""', "null", "true", "[]", "{}", "[[[[]]]]", "[null]", '{"a":{}}', "[" * 3000),
        *('"\\ud800"', '"\\u0000"', '"\u202egnp.exe\u202c"', '"line\\nbreak"', '"../../../etc/passwd"'),
        *("=1+1", "\"=cmd|' /C calc'!A0\"", "<script>alert(1)</script>", "&lt;", "&boom;", "]]>", "<!--"),
        *("0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "2026-02-30T25:61:61Z", "é" * 600),
        *("\u2028", "\x00", "\x1b[31m", "\r", "\t", ",", '"', "'", "\ufeff", "#", b"\xff\xfe", b"\xc0\x80"),
    )
)


@st.composite
def broken(draw: st.DrawFn, seed: bytes) -> bytes:
    """Change bytes of a valid file: flip, cut, repeat, move, cut short."""
    raw = bytearray(seed)
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, max(len(raw) - 1, 0)))
        size = draw(st.integers(1, 60))
        kind = draw(st.sampled_from(["flip", "cut", "repeat", "insert", "end"]))
        if kind == "flip" and raw:
            raw[at] = draw(st.integers(0, 255))
        elif kind == "cut":
            del raw[at : at + size]
        elif kind == "repeat":
            raw[at:at] = raw[at : at + size] * draw(st.integers(1, 40))
        elif kind == "insert":
            raw[at:at] = draw(st.binary(min_size=1, max_size=20))
        elif draw(st.integers(0, 9)) == 0:
            del raw[at:]
    return bytes(raw)


@st.composite
def odd(draw: st.DrawFn, seed: bytes) -> bytes:
    """Put hostile values in the place of values and names, or move lines about."""
    tokens = list(TOKEN.finditer(seed))
    chosen = draw(st.lists(st.integers(0, len(tokens) - 1), min_size=1, max_size=4, unique=True))
    raw = seed
    for number in sorted(chosen, reverse=True):
        token = tokens[number]
        quoted = token.group().startswith(b'"') and draw(st.booleans())
        value = draw(st.sampled_from(VALUES))
        if quoted:
            value = b'"' + value.replace(b'"', b"") + b'"'
        raw = raw[: token.start()] + value + raw[token.end() :]
    if draw(st.integers(0, 3)) == 0:
        lines = raw.split(b"\n")
        at = draw(st.integers(0, len(lines) - 1))
        lines[at:at] = lines[at : at + 1] * draw(st.integers(1, 3)) if draw(st.booleans()) else [b""]
        raw = b"\n".join(lines)
    return raw
