"""A logged cast: what the crew wrote down."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.casting.model import Sled
from pipemetal.errors import CastingError
from pipemetal.texts import Text

__all__ = ["NO_GATE_OPENING_MM", "NUMBERS", "VERDICTS", "LoggedCast"]

VERDICTS = ("too cold", "good", "too hot")
# The gap of a box without a gate, for the law; the level that the log finds takes up what it is off (estimate).
NO_GATE_OPENING_MM = 3.0
_USUAL_SUPERHEAT_K = 25.0
NUMBERS: Final = (
    "gate_mm",
    "charge_kg",
    "length_mm",
    "push_time_s",
    "leftover_kg",
    "run_up_mm",
    "pour_temperature_c",
    "table_temperature_c",
    "air_temperature_c",
    "wait_s",
    "seconds_to_matt",
    "lift_after_s",
    "timing_sd_s",
    "gauge_sd_mm",
    "lip_mm",
    "wanted_start_mm",
    "wanted_end_mm",
    "slope_mm_m",
)
"""The numbers of a logged cast, as `pipemetal.quantities.CAST` defines them."""


@dataclass(frozen=True, slots=True)
class LoggedCast:
    """One cast as it was logged. What was not logged is None or empty.

    Needed: ``id``, ``composition``, ``gate_mm``, ``charge_kg``, ``sled``, ``length_mm``, ``thickness_mm`` (readings
    of the solid sheet: distance from its beginning, thickness; several at one distance are averaged) and either marks
    or ``push_time_s``. ``marks`` are distance in m and time in s since the gate passed the sheet's beginning.
    ``gate_mm`` by feeler gauge. ``charge_kg`` is the metal in the sled when the push began; ``leftover_kg`` what was
    weighed after. ``pour_temperature_c`` is that of the metal in the sled; ``seconds_to_matt`` from laying to the
    loss of shine. ``gate_mm`` is zero for a box without a gate; ``slope_mm_m`` is the fall of the table in the
    direction of the push. ``gate_name``, ``sled_name``, ``cloth_name``, ``table_name`` and ``crew`` tell them apart;
    ``wanted_start_mm`` and ``wanted_end_mm`` are the solid sheet that was meant. ``timing_sd_s``: 0.02 from video,
    0.08 by hand. ``gauge_sd_mm`` of one averaged reading. ``asked_marks`` are the card's own marks, in the form of
    ``marks``: how the push was meant to go, where nobody timed how it went. ``set_aside`` tells which readings were
    dropped because nobody can have read them, ``spoiled`` why the whole row cannot be used.
    """

    id: str
    composition: Composition
    gate_mm: float
    charge_kg: float
    sled: Sled
    length_mm: float
    thickness_mm: tuple[tuple[float, float], ...]
    marks: tuple[tuple[float, float], ...] = ()
    push_time_s: float | None = None
    leftover_kg: float | None = None
    run_up_mm: float | None = None
    pour_temperature_c: float | None = None
    table_temperature_c: float | None = None
    air_temperature_c: float | None = None
    wait_s: float | None = None
    seconds_to_matt: float | None = None
    lift_after_s: float | None = None
    verdict: str | None = None
    timing_sd_s: float = 0.08
    gauge_sd_mm: float = 0.01
    lip_mm: float = 20.0
    day: str = ""
    crew: str = ""
    note: str = ""
    gate_name: str = ""
    sled_name: str = ""
    cloth_name: str = ""
    wanted_start_mm: float | None = None
    wanted_end_mm: float | None = None
    table_name: str = ""
    slope_mm_m: float = 0.0
    asked_marks: tuple[tuple[float, float], ...] = ()
    set_aside: tuple[Text, ...] = ()
    spoiled: Text | None = None

    def __post_init__(self) -> None:
        where = Text("cast {id}", id=self.id)
        numbers: list[tuple[str, float | None]] = [(n, getattr(self, n)) for n in NUMBERS if n != "slope_mm_m"]
        numbers += [("thickness_mm", v) for pair in self.thickness_mm for v in pair]
        numbers += [("marks", v) for pair in self.marks for v in pair]
        numbers += [("asked_marks", v) for pair in self.asked_marks for v in pair]
        if not -60.0 <= self.slope_mm_m <= 60.0:
            raise CastingError(
                "is out of range",
                field="slope_mm_m",
                value=self.slope_mm_m,
                allowed="-60 to 60 mm a metre",
                where=where,
            )
        for name, value in numbers:
            if value is not None and not math.isfinite(value):
                raise CastingError("is not a number", field=name, value=value, where=where)
            if value is not None and value < 0.0 and not name.endswith("temperature_c"):
                raise CastingError("is negative", field=name, value=value, where=where)
        if self.verdict is not None and self.verdict not in VERDICTS:
            raise CastingError(
                "is not a verdict", field="verdict", value=self.verdict, allowed=", ".join(VERDICTS), where=where
            )

    @property
    def opening_mm(self) -> float:
        """The gate's opening; a usual gap for a box without a gate."""
        return self.gate_mm or NO_GATE_OPENING_MM

    @property
    def superheat_k(self) -> float:
        """How far the metal was above its liquidus; the usual 25 K where it was not logged."""
        if self.pour_temperature_c is None:
            return _USUAL_SUPERHEAT_K
        return self.pour_temperature_c - liquidus(self.composition).temperature_c
