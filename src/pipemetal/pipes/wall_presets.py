"""Wall rules by name, for a metal and a family of pipes, each with what it rests on and how far shops lie apart.

No published table of walls could be read, so every figure here is common practice, no source. Only the directions were seen in
print: the front is the thickest stop, and its table serves other stops of the same diameter (French organ handbook of the 19th
century, Weimar digital collections, lit39816, p. 285); more lead wants thicker walls (several). How far shops lie apart: one
builder gives his metal as nearly twice as thick as most (a builder's page, seen).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipemetal.pipes.walls import WallRule
from pipemetal.texts import Amount, Text

__all__ = ["AT_8_FOOT_MM", "FAMILIES", "METALS", "PUBLISHED_SPREAD", "SHOWN_MM", "WALL_PRESETS", "WallPreset"]

AT_8_FOOT_MM: Final = 155.5
SHOWN_MM: Final = (("16'", 261.5), ("8'", AT_8_FOOT_MM), ("4'", 92.5), ("2'", 55.0), ("1'", 32.7), ("1/2'", 19.4))
"""Inner diameters of the reference scale at C, by which rules are shown."""

PUBLISHED_SPREAD: Final = (1.0, 2.0)
"""The widest spread seen in print: metal "nearly two times thicker" than that of most (a builder's page, read)."""

METALS: Final = {
    "tin": (0.95, 0.90, 1.00),
    "spotted": (1.0, 1.0, 1.0),
    "plain": (1.18, 1.10, 1.25),
    "lead": (1.6, 1.4, 1.8),
}
"""Wall by that of half tin, with the least and the most: three quarters tin, half tin, 20 to 30 % tin, hammered lead."""
FAMILIES: Final = {
    "principal": (1.0, 0.9, 1.35),
    "front": (1.25, 1.0, 1.5),
    "flute": (0.95, 0.8, 1.1),
    "string": (1.0, 0.85, 1.2),
    "mixture": (0.95, 0.85, 1.1),
    "resonator": (1.0, 0.8, 1.2),
}
"""Wall by that of a principal of the same diameter, with the least and the most."""
METAL_WORDS: Final = {
    "tin": "about 75 % tin",
    "spotted": "about 50 % tin",
    "plain": "20 to 30 % tin",
    "lead": "hammered lead",
}


@dataclass(frozen=True)
class WallPreset:
    """A wall rule that every organ file may name: its rule, and the least and the most that shops take, by the rule's own wall.

    >>> preset = WALL_PRESETS["principal-tin"]
    >>> round(preset.rule.mouth_mm(155.5), 2), [round(mm, 2) for mm in preset.span_mm(155.5)]
    (1.04, [0.89, 1.49])
    """

    rule: WallRule
    metal: str
    family: str
    least: float
    most: float

    def span_mm(self, diameter_mm: float) -> tuple[float, float]:
        """The thinnest and the thickest wall at the mouth that shops take for an inner diameter."""
        wall = self.rule.mouth_mm(diameter_mm)
        return self.least * wall, self.most * wall


def _preset(family: str, metal: str) -> WallPreset:
    share, low, high = FAMILIES[family]
    by_metal, metal_low, metal_high = METALS[metal]
    factor = share * by_metal
    name = f"{family}-{metal}"
    source = Text(
        "{name}, common practice, no source: {family} of {metal}, {factor} times half tin",
        name=name,
        family=Text(family),
        metal=Text(METAL_WORDS[metal]),
        factor=Amount(factor, "", 2),
    )
    rule = WallRule(name, factor=factor, source=source)
    return WallPreset(rule, metal, family, low * metal_low / factor, high * metal_high / factor)


WALL_PRESETS: Final = {p.rule.name: p for p in (_preset(family, metal) for family in FAMILIES for metal in METALS)}
"""All rules by name; `placeholder`, the rule of a rank that says nothing, is the principal's of half tin."""
