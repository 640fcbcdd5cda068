"""A plan: where every blank lies, what could not be served and why, and which sheets must be cast."""

from __future__ import annotations

from dataclasses import dataclass

from pipemetal.texts import Amount, Text

__all__ = ["LayoutPlan", "NewSheet", "Placement", "SheetWanted", "Unplaced", "size_words"]


@dataclass(frozen=True)
class Placement:
    """A blank on a roll or new sheet: the corner (least x, least y) of its box in the untrimmed sheet's coordinates.

    >>> Placement("C1", "R1", 15.0, 15.0, 180).turn_deg
    180
    """

    blank: str
    roll: str
    x_mm: float
    y_mm: float
    turn_deg: int = 0


@dataclass(frozen=True)
class SheetWanted:
    """The least sheet that would serve a blank: gross size, and the thickness at its two ends.

    >>> SheetWanted("A", 1230.0, 330.0, 1.0, 0.9).alloy
    'A'
    """

    alloy: str
    length_mm: float
    width_mm: float
    thickness_start_mm: float
    thickness_end_mm: float


@dataclass(frozen=True)
class Unplaced:
    """A blank that was not served, and why.

    `kind` is one of: no_alloy, too_large, no_thickness, full. `nearest_roll` and `miss_mm` name the roll that comes
    nearest in thickness and by how much the tolerance would have to open there; `sheet` would serve the blank.

    >>> Unplaced("C1", Text("no roll of alloy {alloy}", alloy="A")).kind
    'full'
    """

    blank: str
    reason: Text
    kind: str = "full"
    nearest_roll: str | None = None
    miss_mm: float | None = None
    sheet: SheetWanted | None = None


@dataclass(frozen=True)
class NewSheet:
    """A sheet to cast: gross size, trim, and its thickness straight from x = 0 to x = length.

    >>> NewSheet("N001", "A", 3000.0, 800.0, 1.2, 0.9, 15.0).net_area_mm2()
    2286900.0
    """

    id: str
    alloy: str
    length_mm: float
    width_mm: float
    thickness_start_mm: float
    thickness_end_mm: float
    trim_mm: float

    def net_area_mm2(self) -> float:
        """Area in mm2 inside the trim."""
        return (self.length_mm - 2.0 * self.trim_mm) * (self.width_mm - 2.0 * self.trim_mm)


@dataclass(frozen=True)
class LayoutPlan:
    """A plan with its totals. Areas are inside the trim.

    `opened_mm2`: rolls and new sheets that carry a blank, whole. `consumed_mm2`: the same less the useful remnants
    (full-width end pieces of 500 mm or more, or full-length strips of 150 mm or more).
    `utilisation`: true area of the placed blanks over the metal consumed. `lower_bound_mm2`: no plan that serves the
    same blanks can consume less; `gap_percent`: consumed over that bound, less one, in percent. `unsure`: blanks on rolls whose
    places are less sure than the problem wants.

    >>> LayoutPlan((), (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0).placements
    ()
    """

    placements: tuple[Placement, ...]
    unplaced: tuple[Unplaced, ...]
    new_sheets: tuple[NewSheet, ...]
    opened_mm2: float
    consumed_mm2: float
    utilisation: float
    lower_bound_mm2: float
    gap_percent: float
    seed: int
    iterations: int
    unsure: tuple[str, ...] = ()


def size_words(length_mm: float, width_mm: float, start_mm: float, end_mm: float) -> Text:
    """A sheet's size and its thickness at both ends, as a person reads it.

    >>> print(size_words(4100.0, 900.0, 1.36, 1.0))
    4100 x 900 mm, 1.36 to 1.00 mm
    """
    return Text(
        "{length} x {width}, {start} to {end}",
        length=Amount(length_mm, "mm", bare=True),
        width=Amount(width_mm, "mm"),
        start=Amount(start_mm, "mm", 2, bare=True),
        end=Amount(end_mm, "mm", 2),
    )
