"""What a shop can cast: limits of its sheets, the widths of its sleds, and how sheets scatter about what is wanted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipemetal.errors import LayoutError
from pipemetal.sheets.checks import checked_number, checked_text

__all__ = ["LIMITED_BY", "CastSpread", "CastWidth", "Castable"]


def _num(value: object, field: str, where: str, **limits: float) -> float:
    return checked_number(value, field=field, where=where, error=LayoutError, **limits)


LIMITED_BY: Final = ("sled", "pot", "charge")
"""What keeps a sheet from being longer or thicker: what the sled holds, what the pot holds, or what is usually ladled."""


def _known_limit(name: str, where: str) -> None:
    if name not in LIMITED_BY:
        raise LayoutError("is not known", field="limited_by", value=name, allowed=", ".join(LIMITED_BY), where=where)


@dataclass(frozen=True)
class CastWidth:
    """A width that sheets are cast in, with the longest sheet of it and the most length times mean thickness of one filling.

    `limited_by` is what that most comes from, one of LIMITED_BY.

    >>> CastWidth(600.0, 4000.0).max_section_mm2 is None
    True
    """

    width_mm: float
    max_length_mm: float
    max_section_mm2: float | None = None
    limited_by: str = "sled"

    def __post_init__(self) -> None:
        where = "castable, widths"
        _known_limit(self.limited_by, where)
        _num(self.width_mm, "width_mm", where, above=0.0, high=20000.0)
        _num(self.max_length_mm, "max_length_mm", where, above=0.0, high=20000.0)
        if self.max_section_mm2 is not None:
            _num(self.max_section_mm2, "max_section_mm2", where, above=0.0)


@dataclass(frozen=True)
class CastSpread:
    """How sheets to cast of an alloy scatter about what is wanted, in shares of the thickness as cast (one standard deviation).

    `level`: the whole sheet, `taper`: its ends against each other, `scatter`: from place to place. Sheets are cast
    `planing_mm` thicker than they are wanted.

    >>> CastSpread("A", 0.04, 0.01, 0.02).planing_mm
    0.0
    """

    alloy: str
    level: float
    taper: float
    scatter: float
    planing_mm: float = 0.0

    def __post_init__(self) -> None:
        where = "castable, spread"
        checked_text(self.alloy, field="alloy", where=where, error=LayoutError)
        for name in ("level", "taper", "scatter"):
            _num(getattr(self, name), name, where, low=0.0, high=1.0)
        _num(self.planing_mm, "planing_mm", where, low=0.0, high=30.0)


@dataclass(frozen=True)
class Castable:
    """What the shop can cast. `alloys` None: every alloy that the blanks ask for.

    Lengths and widths are those of the sheet before its edges are trimmed, chosen in steps from the least upwards
    (the greatest is always a choice too). The thickness runs straight from one end to the other, both ends within
    `min_thickness_mm` to `max_thickness_mm` and falling or rising by at most `max_taper_mm_m`. `max_section_mm2` is the most
    length times mean thickness that one filling of the sled gives, `max_sheets` the most sheets of all alloys together; None
    where there is no such limit. `limited_by` as that of a width.

    `widths` are the only widths that can be cast, each with limits of its own within the others; none: any width between the
    least and the greatest. `width_change_mm2` is what casting in one width more costs, as metal. `spread` says how sheets of an
    alloy scatter about what is wanted; without one they are taken as sure. Where a certainty is wanted that no sheet to cast
    gives, its blanks lie within `least_room` of their tolerance about the middle (a share), and one that will not fit costs
    `misfit_costs` times its own area.

    >>> Castable(max_width_mm=900.0, max_length_mm=4000.0).max_taper_mm_m
    0.15
    """

    alloys: tuple[str, ...] | None = None
    min_width_mm: float = 300.0
    max_width_mm: float = 1000.0
    width_step_mm: float = 50.0
    min_length_mm: float = 1000.0
    max_length_mm: float = 5000.0
    length_step_mm: float = 100.0
    min_thickness_mm: float = 0.3
    max_thickness_mm: float = 4.0
    max_taper_mm_m: float = 0.15
    trim_mm: float = 15.0
    max_sheets: int | None = None
    max_section_mm2: float | None = None
    widths: tuple[CastWidth, ...] = ()
    width_change_mm2: float = 0.0
    spread: tuple[CastSpread, ...] = ()
    least_room: float = 0.7
    misfit_costs: float = 2.0
    limited_by: str = "sled"

    def __post_init__(self) -> None:
        where = "castable"
        _known_limit(self.limited_by, where)
        _num(self.width_change_mm2, "width_change_mm2", where, low=0.0)
        _num(self.misfit_costs, "misfit_costs", where, low=0.0, high=100.0)
        _num(self.least_room, "least_room", where, low=0.1, high=1.0)
        if self.max_section_mm2 is not None:
            _num(self.max_section_mm2, "max_section_mm2", where, low=self.min_length_mm * self.min_thickness_mm)
        for low, high in (
            ("min_width_mm", "max_width_mm"),
            ("min_length_mm", "max_length_mm"),
            ("min_thickness_mm", "max_thickness_mm"),
        ):
            least = _num(getattr(self, low), low, where, above=0.0, high=20000.0)
            _num(getattr(self, high), high, where, low=least, high=20000.0)
        _num(self.width_step_mm, "width_step_mm", where, above=0.0)
        _num(self.length_step_mm, "length_step_mm", where, above=0.0)
        _num(self.max_taper_mm_m, "max_taper_mm_m", where, low=0.0, high=10.0)
        _num(self.trim_mm, "trim_mm", where, low=0.0)
        if 2.0 * self.trim_mm >= min(self.min_width_mm, self.min_length_mm):
            raise LayoutError("leaves nothing of the least sheet", field="trim_mm", value=self.trim_mm, where=where)
        if self.max_sheets is not None and self.max_sheets < 0:
            raise LayoutError("is negative", field="max_sheets", value=self.max_sheets, where=where)
        if len({w.width_mm for w in self.widths}) != len(self.widths):
            raise LayoutError("names a width twice", field="widths", where=where)
        for one in self.widths:
            _num(one.width_mm, "width_mm", f"{where}, widths", low=self.min_width_mm, high=self.max_width_mm)
            _num(
                one.max_length_mm, "max_length_mm", f"{where}, widths", low=self.min_length_mm, high=self.max_length_mm
            )

    @property
    def choices(self) -> tuple[CastWidth, ...]:
        """The widths to choose among; the greatest alone, where every width can be cast up to it."""
        return self.widths or (CastWidth(self.max_width_mm, self.max_length_mm, self.max_section_mm2, self.limited_by),)

    def spread_of(self, alloy: str) -> CastSpread | None:
        """How sheets of an alloy scatter; None where nothing is said of it."""
        return next((s for s in self.spread if s.alloy == alloy), None)
