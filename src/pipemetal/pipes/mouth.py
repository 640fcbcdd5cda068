"""The mouth: its lip, its flue, the bore of the toe, and a number that says whether cut-up and wind go together.

Flue and toe are starting sizes for the voicer, common practice, no source: no published table could be read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import PipeError
from pipemetal.texts import Amount, Text

__all__ = ["AIR_DENSITY_KG_M3", "LIPS", "Mouth", "flue_for_ising_mm", "ising_number", "pressure_pa"]

LIPS: Final = ("flat", "arched")
AIR_DENSITY_KG_M3: Final = 1.2
PASCAL_PER_MM_WATER: Final = 9.80665
ISING_RANGE: Final = (2.0, 3.0)
ISING_BEST: Final = 2.5
FLUE_RANGE_MM: Final = (0.05, 5.0)
CUT_UP_RANGE: Final = (0.1, 0.8)
"""Least and most flue, and cut-up as a share of the mouth's width, that may be named."""


@dataclass(frozen=True)
class Mouth:
    """Width by the inner circumference, cut-up by the width at the lip's highest point, and the shape of the lip.

    An arched lip is a parabola that rises by `arch` of the mouth's width; its mean height counts for the pitch.
    `flue_mm` and `toe_bore_mm` are given or follow common practice: flue 0.3 mm and 0.4 % of the diameter, toe area
    1.25 times that of the flue.
    """

    width_fraction: float = 0.25
    cut_up_fraction: float = 0.25
    lip: str = "flat"
    arch: float = 0.0
    flue_mm: float | None = None
    toe_bore_mm: float | None = None

    def __post_init__(self) -> None:
        if self.lip not in LIPS:
            raise PipeError("is not known", field="lip", value=self.lip, allowed=", ".join(LIPS))
        for name, value, low, high in (
            ("mouth", self.width_fraction, 0.1, 0.45),
            ("cut_up", self.cut_up_fraction, *CUT_UP_RANGE),
            ("arch", self.arch, 0.0, 0.5),
            ("flue_mm", 0.5 if self.flue_mm is None else self.flue_mm, *FLUE_RANGE_MM),
            ("toe_bore_mm", 5.0 if self.toe_bore_mm is None else self.toe_bore_mm, 1.0, 80.0),
        ):
            if not low <= value <= high:
                raise PipeError("is out of range", field=name, value=value, limits=(low, high))
        if (self.lip == "arched") != (self.arch > 0.0):
            raise PipeError("goes with an arched lip, and only with it", field="arch", value=self.arch)
        if self.arch >= self.cut_up_fraction:
            raise PipeError(
                "leaves no opening at the mouth's corners",
                field="arch",
                value=self.arch,
                allowed=Text(
                    "less than the cut-up, {share} of the mouth's width", share=Amount.short(self.cut_up_fraction)
                ),
            )

    def mean_cut_up_mm(self, width_mm: float) -> float:
        """Height of the flat mouth of the same area: an arch lies a third of its rise under its highest point.

        >>> Mouth(cut_up_fraction=0.3, lip="arched", arch=0.15).mean_cut_up_mm(100.0)
        25.0
        """
        return (self.cut_up_fraction - self.arch / 3.0) * width_mm

    def flue(self, diameter_mm: float) -> float:
        """Width of the flue in mm.

        >>> round(Mouth().flue(155.5), 2)
        0.92
        """
        return self.flue_mm if self.flue_mm is not None else 0.3 + 0.004 * diameter_mm

    def toe_bore(self, flue_mm: float, width_mm: float) -> float:
        """Bore of the toe in mm, by the area of the flue.

        >>> round(Mouth().toe_bore(0.92, 122.1), 1)
        13.4
        """
        if self.toe_bore_mm is not None:
            return self.toe_bore_mm
        return math.sqrt(4.0 * 1.25 * flue_mm * width_mm / math.pi)


def pressure_pa(wind_mm_water: float) -> float:
    """Wind in pascal from mm of water column.

    >>> round(pressure_pa(75.0), 1)
    735.5
    """
    return wind_mm_water * PASCAL_PER_MM_WATER


def ising_number(frequency_hz: float, wind_pa: float, flue_mm: float, cut_up_mm: float) -> float:
    """Ising's number I = sqrt(2 P d / (rho h^3)) / f: 2 at best efficiency, 2 to 3 working, above about 3 overblown.

    It takes the frequency in Hz, not the angular one, as some restatements have it. Source: Ising 1971, not checked and
    pages that quote it.

    >>> round(ising_number(65.406, 735.5, 0.396, 30.5), 2)
    2.0
    """
    flue_m, cut_up_m = flue_mm / 1000.0, cut_up_mm / 1000.0
    return math.sqrt(2.0 * wind_pa * flue_m / (AIR_DENSITY_KG_M3 * cut_up_m**3)) / frequency_hz


def flue_for_ising_mm(number: float, frequency_hz: float, wind_pa: float, cut_up_mm: float) -> float:
    """The flue in mm that gives a pipe this number of Ising's.

    >>> round(flue_for_ising_mm(2.0, 65.406, 735.5, 30.5), 3)
    0.396
    """
    return (number * frequency_hz) ** 2 * AIR_DENSITY_KG_M3 * (cut_up_mm / 1000.0) ** 3 / (2.0 * wind_pa) * 1000.0
