"""Codes on a photo: a tablet's camera takes a picture of a label, and here it is read (QR and the usual bar codes)."""

from __future__ import annotations

import io
import warnings
from typing import Final

from pipemetal.errors import FileFormatError
from pipemetal.texts import Text

__all__ = ["codes_in"]

MOST_SIDE_PX: Final = 2400
"""Larger photos are made smaller: the code fills enough of them still, and reading stays quick."""
MOST_PX: Final = 120_000_000
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
    import zxingcpp
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(photo)) as opened:
                if opened.width * opened.height > MOST_PX:
                    raise FileFormatError(
                        "is too large",
                        field="photo",
                        value=Text("{w} x {h} dots", w=opened.width, h=opened.height),
                        allowed=Text("{n} million dots", n=MOST_PX // 1_000_000),
                    )
                picture = ImageOps.exif_transpose(opened).convert("L")
    except FileFormatError:
        raise
    except Exception:  # what a file that is no picture does to a reader of pictures has no end
        raise FileFormatError("is no photo", field="photo", allowed="JPEG, PNG or WebP") from None
    picture.thumbnail((MOST_SIDE_PX, MOST_SIDE_PX))
    middle = (picture.width / 2, picture.height / 2)
    found: list[tuple[float, str]] = []
    for code in zxingcpp.read_barcodes(picture):
        corners = (code.position.top_left, code.position.bottom_right)
        x, y = (sum(getattr(corner, axis) for corner in corners) / 2 for axis in "xy")
        text = code.text.strip()
        if text and text.isprintable():
            found.append((abs(x - middle[0]) + abs(y - middle[1]), text[:LETTERS]))
    return list(dict.fromkeys(text for _, text in sorted(found)))
