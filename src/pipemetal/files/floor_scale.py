"""A scale that tells its reading over a serial line or the network: one reading when it is asked for, with its unit.

Scales differ in what they send; almost all send lines with the mass and its unit, and before them whether the load is at rest
(`ST,GS,+  12.34kg`, `S S 12.34 kg`; common practice, no source). A line without a number and a known unit is passed over.
"""

from __future__ import annotations

import contextlib
import re
import socket
import threading
import time
from collections.abc import Generator
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import FileFormatError
from pipemetal.texts import Amount, Text
from pipemetal.units import MASS_KG

__all__ = ["ScaleReading", "check_address", "read_line", "read_scale"]

UNITS_KG: Final = {"kg": 1.0, "g": 1e-3, "lb": MASS_KG["lb"], "lbs": MASS_KG["lb"]}
_LINE: Final = re.compile(
    r"""\s*
    (?:(?P<rest>ST|SS|S\s+S|US|SD|S\s+D|\?)(?=[\s,;]))?[\s,;]*   # at rest or not
    (?:(?P<kind>GS|NT|G|N|B|GROSS|NET)(?=[\s,;:+-]))?[\s,;:]*      # gross or net
    (?P<sign>[+-]?)\s*(?P<number>\d{1,6}(?:[.,]\d{1,4})?)\s*
    (?P<unit>kg|g|lbs?)\s*(?:G|N|B|GROSS|NET)?\s*""",
    re.IGNORECASE | re.VERBOSE,
)
"""A whole line: whatever else stands on it (a tare, an article, two masses) makes it none."""
_THOUSANDS: Final = re.compile(r"\d,\d{3}$")
"""A comma before three digits may part thousands: nobody can tell."""
MOST_KG: Final = 5000.0
"""No scale of a pipe shop carries more (an estimate)."""
_NETWORK: Final = re.compile(r"(?P<host>[A-Za-z0-9.-]+|\[[0-9A-Fa-f:]+\]):(?P<port>\d{1,5})")
_SERIAL: Final = re.compile(r"(?P<line>/dev/[^\s@]+|COM\d+)(?:@(?P<baud>\d{3,6}))?", re.IGNORECASE)
BAUD: Final = 9600
PATIENCE_S: Final = 3.0
STEADY_S: Final = 2.0
"""So long a load that is not at rest is waited for."""
LONGEST: Final = 400
_ONE_AT_A_TIME: Final = threading.Lock()
"""Two who ask at once would each take some of what a serial line sends."""


@dataclass(frozen=True)
class ScaleReading:
    """What a scale said: kilograms, and whether the load was at rest."""

    mass_kg: float
    steady: bool
    said: str


def read_line(line: str) -> ScaleReading | None:
    """A whole line that a scale sent; None where it tells no mass for sure.

    >>> read_line("ST,GS,+  12.34kg")
    ScaleReading(mass_kg=12.34, steady=True, said='ST,GS,+  12.34kg')
    >>> read_line("OL") is read_line("ST,TR,+ 12.34kg") is read_line("+1,234kg") is None
    True
    """
    found = _LINE.fullmatch(line)
    if found is None or _THOUSANDS.search(found["number"]):
        return None
    kg = float(found["number"].replace(",", ".")) * UNITS_KG[found["unit"].lower()]
    if kg > MOST_KG:
        return None
    steady = (found["rest"] or "S").upper().replace(" ", "") in ("S", "ST", "SS")
    return ScaleReading(-kg if found["sign"] == "-" else kg, steady, line.strip()[:80])


def _begins(line: str) -> bool:
    """Whether a line says of itself where it begins: half a line that was joined in its midst does not."""
    found = _LINE.fullmatch(line)
    return found is not None and found["rest"] is not None


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
    with _ONE_AT_A_TIME:
        return _read(address)


def _read(address: str) -> ScaleReading:
    until, latest, sent = time.monotonic() + STEADY_S, None, ""
    before: ScaleReading | None = None
    try:
        with contextlib.closing(_lines(address)) as lines:
            for number, line in enumerate(lines):
                sent = line.strip() or sent
                found = read_line(line) if number or _begins(line) else None
                # a line that does not say where it begins counts when the next one says the same
                sure = found is not None and (_begins(line) or found == before)
                before = found
                if found is None or not sure:
                    continue
                latest = found
                if latest.steady or time.monotonic() > until:
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
            value=sent[:80] or address,
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
