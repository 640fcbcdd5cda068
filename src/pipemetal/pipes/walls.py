"""Wall thickness: what the metal of a pipe should measure at its mouth and at its top.

No published table could be read (J. G. Toepfer's is known to exist for 32' to 1/4', its values were not reachable), so the
defaults here are placeholders, common practice, no source: a shop puts its own table in their place. That a wall is a
function of diameter and metal rather than of note, that bodies thin a little toward the top and that feet are thicker
than bodies is said in a French organ handbook (Weimar digital collections, lit39816/334) and a workshop report, both seen.
"""

from __future__ import annotations

import bisect
import itertools
import math
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.errors import PipeError
from pipemetal.texts import Amount, Text

__all__ = [
    "DEFAULT_WALL",
    "PLACEHOLDER",
    "WALL_KINDS",
    "GivenWall",
    "LanguidRule",
    "WallRule",
    "refuse_solid",
    "wall_tolerance_mm",
]

PLACEHOLDER: Final = "placeholder: common practice, no source"
WALL_KINDS: Final = ("table", "step", "power")

THICKNESS_RANGE_MM: Final = (0.2, 8.0)

# Diameter (reference scale at 16', 8', ... 1/8' C) and wall of an open principal of 50 % tin.
# Source: common practice, no source.
PLACEHOLDER_TABLE: Final = (
    (6.9, 0.35),
    (11.6, 0.38),
    (19.4, 0.43),
    (32.7, 0.50),
    (55.0, 0.62),
    (92.5, 0.80),
    (155.5, 1.10),
    (261.5, 1.50),
)


def _checked(thickness_mm: float, field: str) -> float:
    low, high = THICKNESS_RANGE_MM
    if not low <= thickness_mm <= high:
        raise PipeError(
            "gives a wall that no pipe has",
            field=field,
            value=Amount.short(round(thickness_mm, 3), "mm"),
            limits=(low, high, "mm"),
        )
    return thickness_mm


def refuse_solid(thickness_mm: float, diameter_mm: float) -> None:
    """Refuse a wall that is thicker than half of the inner diameter. Errors: PipeError."""
    if thickness_mm > diameter_mm / 2.0:
        raise PipeError(
            "is thicker than half of the pipe's inner diameter",
            field="wall",
            value=round(thickness_mm, 2),
            allowed=Text(
                "up to {value} on a pipe of {diameter_mm}",
                value=Amount(diameter_mm / 2.0, "mm", 2),
                diameter_mm=Amount(diameter_mm, "mm", 1),
            ),
        )


def wall_tolerance_mm(thickness_mm: float) -> float:
    """How far a wall may lie from what is wanted: 0.05 mm and 0.03 mm more for every 1.1 mm (common practice, no source).

    >>> round(wall_tolerance_mm(1.1), 3)
    0.08
    """
    return 0.05 + 0.03 * thickness_mm / 1.1


@dataclass(frozen=True)
class WallRule:
    """Wall over inner diameter.

    `kind` says how `table` is read: `table` is straight in the logarithms between its rows;
    `step` holds each row's wall from its diameter on, as a shop that keeps a few gauges does; `power` has two rows and
    goes straight in the logarithms past them, wall = t0 (D / D0)^p.
    Past its largest diameter a `table` goes on with its last slope; under its smallest it stays level, for no wall is thinner.

    The top is thinner by `natural_taper_mm_per_m` over the body, which is what a cast sheet gives of itself, but never
    thinner than `least_top_ratio` of the mouth; or, where `top_share` is given, just that share of the mouth. `factor`
    scales all walls; `alloy_factors` do so for an alloy by its name.

    >>> round(DEFAULT_WALL.mouth_mm(155.5), 2), round(DEFAULT_WALL.top_mm(1.1, 2000.0), 2)
    (1.1, 0.9)
    >>> WallRule("gauges", ((10.0, 0.5), (60.0, 0.8)), kind="step").mouth_mm(59.0)
    0.5
    """

    name: str
    table: tuple[tuple[float, float], ...] = PLACEHOLDER_TABLE
    factor: float = 1.0
    natural_taper_mm_per_m: float = 0.10
    least_top_ratio: float = 0.75
    source: str = PLACEHOLDER
    kind: str = "table"
    top_share: float | None = None
    alloy_factors: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        if self.kind not in WALL_KINDS:
            raise PipeError("is not known", field="kind", value=self.kind, allowed=", ".join(WALL_KINDS))
        if not self.table or (self.kind == "power" and len(self.table) != 2):
            raise PipeError(
                "has too few or too many rows",
                field="table",
                value=len(self.table),
                allowed="pairs of diameter and wall in mm; two of them for a power law",
            )
        for (a, _), (b, _) in itertools.pairwise(self.table):
            if b <= a:
                raise PipeError(
                    "has diameters out of order", field="table", value=b, allowed="each above the one before"
                )
        for diameter, thickness in self.table:
            if not diameter > 0.0:
                raise PipeError("has a diameter of nothing", field="table", value=diameter, allowed="above 0 mm")
            _checked(thickness, "table")
        for name, value, low, high in (
            ("factor", self.factor, 0.3, 4.0),
            ("natural_taper_mm_per_m", self.natural_taper_mm_per_m, 0.0, 1.0),
            ("least_top_ratio", self.least_top_ratio, 0.3, 1.0),
            ("top_share", 1.0 if self.top_share is None else self.top_share, 0.3, 1.0),
            *((f"alloy_factors {alloy}", value, 0.3, 4.0) for alloy, value in self.alloy_factors),
        ):
            if not low <= value <= high:
                raise PipeError("is out of range", field=name, value=value, limits=(low, high))

    @property
    def _field(self) -> str:
        """What the rule is called in an organ file: that of a rank of its own is `wall`."""
        return "wall" if self.name == "own" else f"wall.{self.name}"

    def for_alloy(self, alloy: str) -> WallRule:
        """The rule with the factor of an alloy in it.

        >>> rule = WallRule("w", ((10.0, 0.5),), alloy_factors=(("lead", 1.4),))
        >>> round(rule.for_alloy("lead").mouth_mm(20.0), 2), rule.for_alloy("tin").mouth_mm(20.0)
        (0.7, 0.5)
        """
        factor = dict(self.alloy_factors).get(alloy, 1.0)
        return replace(self, factor=self.factor * factor, alloy_factors=()) if factor != 1.0 else self

    def mouth_mm(self, diameter_mm: float) -> float:
        """Wall at the mouth for an inner diameter."""
        diameters = [d for d, _ in self.table]
        right = bisect.bisect_right(diameters, diameter_mm)
        if self.kind == "step":
            return _checked(self.table[max(right - 1, 0)][1] * self.factor, self._field)
        if self.kind == "power":
            right = 1
        elif right == 0 or len(self.table) == 1:
            return _checked(self.table[0][1] * self.factor, self._field)
        else:
            right = min(right, len(self.table) - 1)
        (d0, t0), (d1, t1) = self.table[right - 1], self.table[right]
        share = math.log(diameter_mm / d0) / math.log(d1 / d0)
        return _checked(self.factor * t0 * (t1 / t0) ** share, self._field)

    @property
    def widest_mm(self) -> float:
        """The largest diameter that the rule speaks of itself; a power law speaks of any."""
        return math.inf if self.kind == "power" else self.table[-1][0]

    def top_mm(self, mouth_mm: float, length_mm: float) -> float:
        """Wall at the top of a body of this length."""
        if self.top_share is not None:
            return mouth_mm * self.top_share
        return max(mouth_mm - self.natural_taper_mm_per_m * length_mm / 1000.0, mouth_mm * self.least_top_ratio)


@dataclass(frozen=True)
class GivenWall:
    """The same wall for every pipe of the rank, given at mouth and top. A top thicker than the mouth is refused, but where
    `reverse` asks for it.

    >>> GivenWall(0.8, 0.7).top_mm(0.8, 600.0), GivenWall(0.7, 0.8, reverse=True).top_mm(0.7, 600.0)
    (0.7, 0.8)
    """

    thickness_mouth_mm: float
    thickness_top_mm: float
    name: str = "given"
    source: str = "given by the organ file"
    reverse: bool = False

    def __post_init__(self) -> None:
        _checked(self.thickness_mouth_mm, "mouth_mm")
        _checked(self.thickness_top_mm, "top_mm")
        if self.thickness_top_mm > self.thickness_mouth_mm and not self.reverse:
            raise PipeError(
                "is thicker than the wall at the mouth, and walls thin toward the top",
                field="top_mm",
                value=self.thickness_top_mm,
                allowed=Text(
                    "up to {thickness_mouth_mm}, or reverse = true where the top is to be thicker",
                    thickness_mouth_mm=Amount.short(self.thickness_mouth_mm, "mm"),
                ),
            )

    def mouth_mm(self, diameter_mm: float) -> float:
        """Wall at the mouth."""
        return self.thickness_mouth_mm

    def top_mm(self, mouth_mm: float, length_mm: float) -> float:
        """Wall at the top; never thicker than the mouth of a pipe that was measured thinner, but where it is reversed."""
        return self.thickness_top_mm if self.reverse else min(self.thickness_top_mm, mouth_mm)


@dataclass(frozen=True)
class LanguidRule:
    """Languid thickness: a share of the diameter plus a fixed part, in steps that a shop keeps on the rack.

    Common practice, no source: about 1.2 mm in small pipes, several mm in large ones. A languid thicker than `layer_mm` is made
    of layers: a film of clean metal stands 3.4 to 4.8 mm high by its surface tension (computed).

    >>> LanguidRule().thickness_mm(155.5), LanguidRule().thickness_mm(12.0)
    (4.0, 1.5)
    """

    share: float = 0.018
    fixed_mm: float = 1.0
    step_mm: float = 0.5
    least_mm: float = 1.0
    most_mm: float = 10.0
    layer_mm: float = 4.0

    def __post_init__(self) -> None:
        for name, value, low, high in (
            ("layer_mm", self.layer_mm, 0.3, 12.0),
            ("share", self.share, 0.0, 0.1),
            ("fixed_mm", self.fixed_mm, 0.0, 10.0),
            ("step_mm", self.step_mm, 0.05, 2.0),
            ("least_mm", self.least_mm, 0.3, 8.0),
            ("most_mm", self.most_mm, self.least_mm, 12.0),
        ):
            if not low <= value <= high:
                raise PipeError("is out of range", field=f"languid.{name}", value=value, limits=(low, high))

    def thickness_mm(self, diameter_mm: float) -> float:
        """Thickness of the languid of a pipe."""
        steps = math.ceil((self.fixed_mm + self.share * diameter_mm) / self.step_mm - 1e-9)
        return min(max(steps * self.step_mm, self.least_mm), self.most_mm)


DEFAULT_WALL: Final = WallRule("placeholder")
