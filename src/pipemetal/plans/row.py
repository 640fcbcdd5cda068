"""What the rows of a plan's record are made of: numbers that can be, texts, and how a row is checked when it is read."""

from __future__ import annotations

from typing import Annotated, ClassVar, Final

from pydantic import ConfigDict, Field, PlainValidator

from pipemetal.plans.said import said

__all__ = ["Amount", "ByElement", "Count", "Name", "Number", "Point", "Row", "Said", "Turn"]

MOST: Final = 1e9
"""No size, mass or time of a pipe shop comes near this."""

Number = Annotated[float, Field(gt=-MOST, lt=MOST)]
Amount = Annotated[float, Field(ge=0.0, lt=MOST)]
Count = Annotated[int, Field(ge=0, lt=10**9)]
Name = Annotated[str, Field(min_length=1, pattern=r"\S")]
Turn = Annotated[int, Field(ge=0, lt=360)]
Point = tuple[Number, Number]
Said = Annotated[str, PlainValidator(said)]
"""What a room has to say: a text with its template and values, or plain words from an older plan."""
ByElement = dict[str, Number]


class Row:
    """How a record is checked when it is read: no infinity, no nonsense, whole numbers stay whole."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(allow_inf_nan=False, extra="ignore")
    leaves_out_none: ClassVar[bool] = False
    """Whether a value that is None is left out of the file; elsewhere it is written as null."""
    flat: ClassVar[dict[str, str]] = {}
    """Fields whose own fields stand beside them in the file, each with a name that tells that they are there."""
