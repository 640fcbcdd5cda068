"""Labels for a label printer: pictures of one bit a dot, in ZPL's graphic field, and their way there over the network.

Source: ZPL II, `^GF` (graphic field), format A: hexadecimal digits row after row, eight dots a byte, 1 for black.
"""

from __future__ import annotations

import contextlib
import io
import socket
import time
from collections.abc import Sequence
from typing import Final

from pipemetal.errors import FileFormatError
from pipemetal.texts import Text

__all__ = ["PORT", "address_of", "send", "zpl_of"]

PORT: Final = 9100
"""Where printers on a network take what is to be printed as it is (common practice, no source)."""
DARK: Final = 128
PATIENCE_S: Final = 5.0
ANSWER: Final = 4096


def zpl_of(images: Sequence[bytes]) -> bytes:
    """PNG pictures as labels of one copy each.

    >>> from PIL import Image
    >>> out = io.BytesIO()
    >>> Image.new("L", (10, 2), 0).save(out, "PNG")
    >>> zpl_of([out.getvalue()])
    b'^XA^FO0,0^GFA,4,4,2,FFC0FFC0^FS^PQ1^XZ\\n'
    """
    from PIL import Image

    labels = []
    for image in images:
        with Image.open(io.BytesIO(image)) as picture:
            grey = picture.convert("L")
            # a set bit is black here, and rows are filled up to whole bytes with white
            wide = (grey.width + 7) // 8 * 8
            bits = Image.new("1", (wide, grey.height), 0)
            bits.paste(grey.point(lambda value: 255 if value < DARK else 0).convert("1"), (0, 0))
            data = bits.tobytes()
        row = wide // 8
        labels.append(f"^XA^FO0,0^GFA,{len(data)},{len(data)},{row},{data.hex().upper()}^FS^PQ1^XZ\n".encode("ascii"))
    return b"".join(labels)


def address_of(printer: str) -> tuple[str, int]:
    """Host and port of `HOST` or `HOST:PORT`. Raises: FileFormatError."""
    host, _, port = printer.partition(":")
    if not host or (port and not (port.isdecimal() and 0 < int(port) < 65536)):
        raise FileFormatError(
            "is no address of a printer",
            field="printer",
            value=printer,
            allowed="HOST or HOST:PORT",
            example="192.168.1.40",
        )
    return host, int(port) if port else PORT


def send(data: bytes, printer: str) -> None:
    """Send what a printer understands to `HOST` or `HOST:PORT`.

    Raises: FileFormatError where it cannot be reached, or the address is none.
    """
    address = address_of(printer)
    try:
        with socket.create_connection(address, timeout=PATIENCE_S) as connection:
            connection.sendall(data)
            connection.shutdown(socket.SHUT_WR)
            # one that goes away before it has read all is heard here; one that never answers cannot be told from a slow one,
            # and one that talks without end is not listened to
            until = time.monotonic() + PATIENCE_S
            with contextlib.suppress(TimeoutError):
                while connection.recv(ANSWER) and time.monotonic() < until:
                    connection.settimeout(max(until - time.monotonic(), 0.01))
    except OSError as error:
        raise FileFormatError(
            Text("cannot be reached: {why}", why=str(error)),
            field="printer",
            value=printer,
            allowed=Text("a printer that is on and takes port {port}", port=PORT),
        ) from None
