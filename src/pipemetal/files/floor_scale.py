"""A scale that tells its reading over a serial line or the network: one reading when it is asked for, with its unit.

Scales differ in what they send; almost all send lines with the mass and its unit, and before them whether the load is at rest
(`ST,GS,+  12.34kg`, `S S 12.34 kg`; common practice, no source). A line without a number and a known unit is passed over.
"""

from __future__ import annotations

import contextlib
import re
import socket
import time
from collections.abc import Generator
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import FileFormatError
from pipemetal.texts import Amount, Text
from pipemetal.units import MASS_KG

__all__ = ["ScaleReading", "check_address", "read_line", "read_scale"]

UNITS_KG: Final = {"kg": 1.0, "g": 1e-3, "lb": MASS_KG["lb"], "lbs": MASS_KG["lb"], "t": 1000.0}
_MASS: Final = re.compile(r"([+-]?)\s*(\d+(?:[.,]\d+)?)\s*(kg|g|lbs?|t)\b", re.IGNORECASE)
_MOVING: Final = re.compile(r"^\s*(?:US|SD|S\s+D|\?|M)(?=[\s,;]|$)", re.IGNORECASE)
_WRONG: Final = re.compile(r"^\s*(?:OL|UL|S\s+[+-]|EL|ERR)(?=[\s,;]|$)", re.IGNORECASE)
_NETWORK: Final = re.compile(r"(?P<host>[A-Za-z0-9.-]+|\[[0-9A-Fa-f:]+\]):(?P<port>\d{1,5})")
_SERIAL: Final = re.compile(r"(?P<line>/dev/[^\s@]+|COM\d+)(?:@(?P<baud>\d{3,6}))?", re.IGNORECASE)
BAUD: Final = 9600
PATIENCE_S: Final = 3.0
STEADY_S: Final = 2.0
"""So long a load that is not at rest is waited for."""
LONGEST: Final = 400


@dataclass(frozen=True)
class ScaleReading:
    """What a scale said: kilograms, and whether the load was at rest."""

    mass_kg: float
    steady: bool
    said: str


def read_line(line: str) -> ScaleReading | None:
    """A line that a scale sent; None where it tells no mass.

    >>> read_line("ST,GS,+  12.34kg")
    ScaleReading(mass_kg=12.34, steady=True, said='ST,GS,+  12.34kg')
    >>> read_line("OL") is read_line("hello") is None
    True
    """
    found = _MASS.search(line)
    if found is None or _WRONG.match(line):
        return None
    sign, number, unit = found.groups()
    kg = float(number.replace(",", ".")) * UNITS_KG[unit.lower()]
    return ScaleReading(-kg if sign == "-" else kg, _MOVING.match(line) is None, line.strip()[:80])


def check_address(address: str) -> None:
    """Raises: FileFormatError for what names no scale."""
    network = _NETWORK.fullmatch(address)
    if (network and 0 < int(network["port"]) < 65536) or _SERIAL.fullmatch(address):
        return
    raise FileFormatError(
        "is no address of a scale",
        field="scale",
        value=address,
        allowed="HOST:PORT of the network, or a serial line, with @ and its speed where that is not 9600",
        example="192.168.1.50:4001 or /dev/ttyUSB0@9600",
    )


def read_scale(address: str) -> ScaleReading:
    """One reading, at rest where it comes to rest within two seconds.

    Raises: FileFormatError where the scale cannot be reached or says nothing that is a mass.
    """
    check_address(address)
    until, latest = time.monotonic() + STEADY_S, None
    try:
        with contextlib.closing(_lines(address)) as lines:
            for line in lines:
                latest = read_line(line) or latest
                if latest is not None and (latest.steady or time.monotonic() > until):
                    break
    except (OSError, ValueError) as error:
        if latest is None:
            raise FileFormatError(
                Text("cannot be reached: {why}", why=str(error)),
                field="scale",
                value=address,
                allowed="a scale that is on and sends its reading",
            ) from None
    if latest is None:
        raise FileFormatError(
            "tells no mass",
            field="scale",
            value=address,
            allowed=Text("lines with a number and its unit, within {seconds} s", seconds=Amount(PATIENCE_S)),
            example="ST,GS,+  12.34kg",
        )
    return latest


def _lines(address: str) -> Generator[str, None, None]:
    """What the scale sends, line by line, for as long as there is patience for it."""
    network = _NETWORK.fullmatch(address)
    until, held = time.monotonic() + PATIENCE_S, b""
    chunks = _from_network(network["host"].strip("[]"), int(network["port"])) if network else _from_serial(address)
    with contextlib.closing(chunks):
        for chunk in chunks:
            *whole, held = re.split(rb"[\r\n]+", held + chunk)
            for line in whole:
                yield line.decode("ascii", "replace")
            held = held[-LONGEST:]
            if time.monotonic() > until:
                return
    if held:
        yield held.decode("ascii", "replace")


def _from_network(host: str, port: int) -> Generator[bytes, None, None]:
    with socket.create_connection((host, port), timeout=PATIENCE_S) as connection:
        connection.settimeout(PATIENCE_S)
        with contextlib.suppress(TimeoutError):
            while chunk := connection.recv(LONGEST):
                yield chunk


def _from_serial(address: str) -> Generator[bytes, None, None]:
    try:
        import serial
    except ImportError:
        raise FileFormatError(
            "needs a library for serial lines", field="scale", value=address, allowed="pip install pipemetal[scale]"
        ) from None
    named = _SERIAL.fullmatch(address)
    assert named is not None
    with serial.Serial(named["line"], int(named["baud"] or BAUD), timeout=0.5) as line:
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            yield line.read(max(line.in_waiting, 1))
