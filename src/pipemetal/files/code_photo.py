"""Codes on a photo: a tablet's camera takes a picture of a label, and here it is read (QR and the usual bar codes)."""

from __future__ import annotations

import io
import threading
import warnings
from typing import Final

from pipemetal.errors import FileFormatError
from pipemetal.texts import Text

__all__ = ["codes_in"]

MOST_SIDE_PX: Final = 2400
"""Larger photos are made smaller: the code fills enough of them still, and reading stays quick."""
MOST_PX: Final = 40_000_000
MOST_JPEG_PX: Final = 250_000_000
"""A JPEG is read at an eighth of its size where that is enough; other kinds must be unpacked whole."""
_ONE_AT_A_TIME: Final = threading.Lock()
LETTERS: Final = 200


def codes_in(photo: bytes) -> list[str]:
    """The texts of the codes on a photo, the one nearest its middle first.

    >>> import segno
    >>> out = io.BytesIO()
    >>> segno.make("R101", micro=False).save(out, kind="png", scale=8)
    >>> codes_in(out.getvalue())
    ['R101']

    Raises: FileFormatError for what is no photo, or one that is too large.
    """
    with _ONE_AT_A_TIME:
        return _codes_in(photo)


def _codes_in(photo: bytes) -> list[str]:
    import zxingcpp
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # the limit below is our own
            with Image.open(io.BytesIO(photo)) as opened:
                most = MOST_JPEG_PX if opened.format == "JPEG" else MOST_PX
                if opened.width * opened.height > most:
                    raise FileFormatError(
                        "is too large",
                        field="photo",
                        value=Text("{w} x {h} dots", w=opened.width, h=opened.height),
                        allowed=Text("{n} million dots", n=most // 1_000_000),
                    )
                opened.draft("L", (MOST_SIDE_PX, MOST_SIDE_PX))
                opened.thumbnail((MOST_SIDE_PX, MOST_SIDE_PX))
                picture = opened.convert("L")
    except FileFormatError:
        raise
    except Exception:  # what a file that is no picture does to a reader of pictures has no end
        raise FileFormatError("is no photo", field="photo", allowed="JPEG, PNG or WebP") from None
    middle = (picture.width / 2, picture.height / 2)
    found: list[tuple[float, str]] = []
    for code in zxingcpp.read_barcodes(picture):
        corners = (code.position.top_left, code.position.bottom_right)
        x, y = (sum(getattr(corner, axis) for corner in corners) / 2 for axis in "xy")
        text = code.text.strip()
        if text and text.isprintable():
            found.append((abs(x - middle[0]) + abs(y - middle[1]), text[:LETTERS]))
    return list(dict.fromkeys(text for _, text in sorted(found)))
