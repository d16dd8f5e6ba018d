"""A FIT file written byte by byte from the published layout of the format, for invented rides in tests.

Only what the tests need: local message types with fixed definitions, little-endian, the 16-bit check sum.
"""

from __future__ import annotations

import struct

EPOCH = 631_065_600
"""The format counts seconds from 1989-12-31 00:00 UTC."""

_CRC = (
    0x0000, 0xCC01, 0xD801, 0x1400, 0xF001, 0x3C00, 0x2800, 0xE401,
    0xA001, 0x6C00, 0x7800, 0xB401, 0x5000, 0x9C01, 0x8801, 0x4400,
)  # fmt: skip

_TYPES = {"B": (0x02, 1), "b": (0x01, 1), "H": (0x84, 2), "I": (0x86, 4), "i": (0x85, 4), "e": (0x00, 1)}

_MESSAGES = {
    "user": (3, [(4, "H")]),
    "record": (
        20,
        [
            (253, "I"),
            (0, "i"),
            (1, "i"),
            (2, "H"),
            (5, "I"),
            (6, "H"),
            (7, "H"),
            (3, "B"),
            (4, "B"),
            (13, "b"),
        ],
    ),
    "lap": (19, [(253, "I"), (2, "I"), (7, "I")]),
    "session": (18, [(253, "I"), (2, "I"), (7, "I"), (5, "e"), (6, "e")]),
}


def check_sum(data: bytes) -> int:
    """Give the format's 16-bit check sum."""
    crc = 0
    for byte in data:
        for nibble in (byte & 0xF, byte >> 4):
            crc = (crc >> 4) & 0x0FFF ^ _CRC[crc & 0xF] ^ _CRC[nibble]
    return crc


class FitWriter:
    """Collect messages, then give the bytes of the file."""

    def __init__(self) -> None:
        self._body = bytearray()
        self._local: dict[str, int] = {}

    def _write(self, name: str, *values: int) -> None:
        number, fields = _MESSAGES[name]
        if name not in self._local:
            local = self._local[name] = len(self._local)
            self._body += struct.pack("<BBBHB", 0x40 | local, 0, 0, number, len(fields))
            for field, kind in fields:
                base, size = _TYPES[kind]
                self._body += struct.pack("<BBB", field, size, base)
        codes = "".join("B" if kind == "e" else kind for _, kind in fields)
        self._body += struct.pack("<B" + codes, self._local[name], *values)

    def user(self, weight: float) -> None:
        """Write the rider's mass [kg]."""
        self._write("user", round(weight * 10))

    def record(
        self, time, *, latitude, longitude, altitude, metres, speed, power, heart, cadence, temperature
    ):
        """Write one record, SI units and degrees."""
        semi = 2**31 / 180.0
        self._write(
            "record",
            int(time) - EPOCH,
            round(latitude * semi),
            round(longitude * semi),
            round((altitude + 500.0) * 5.0),
            round(metres * 100.0),
            round(speed * 1000.0),
            power,
            heart,
            cadence,
            temperature,
        )

    def lap(self, start: float, seconds: float) -> None:
        """Write a lap."""
        self._write("lap", int(start + seconds) - EPOCH, int(start) - EPOCH, round(seconds * 1000))

    def session(self, start: float, seconds: float, sport: int, sub_sport: int) -> None:
        """Write the message of this name, with its sport (2 is cycling, 1 running, 5 swimming)."""
        self._write(
            "session",
            int(start + seconds) - EPOCH,
            int(start) - EPOCH,
            round(seconds * 1000),
            sport,
            sub_sport,
        )

    def finish(self) -> bytes:
        """Put header, messages and check sums together."""
        header = struct.pack("<BBHI4s", 14, 0x10, 2100, len(self._body), b".FIT")
        header += struct.pack("<H", check_sum(header))
        return header + bytes(self._body) + struct.pack("<H", check_sum(header + bytes(self._body)))
