"""Historical temperaments, worked out from the fractions of a comma by which each fifth is narrowed.

Every temperament is a chain of twelve fifths from C upward (C-G, G-D, ... F-C). A fifth is pure (701.955 cents) less its
share of the Pythagorean comma (23.460 cents) or of the syntonic comma (21.506 cents); the last fifth takes what is left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import PipeError

__all__ = ["TEMPERAMENTS", "Temperament", "meantone_cents", "temperament_cents"]

PURE_FIFTH_CENTS: Final = 1200.0 * math.log2(1.5)
PYTHAGOREAN_COMMA_CENTS: Final = 12.0 * PURE_FIFTH_CENTS - 8400.0
SYNTONIC_COMMA_CENTS: Final = 1200.0 * math.log2(81.0 / 80.0)
SCHISMA_CENTS: Final = PYTHAGOREAN_COMMA_CENTS - SYNTONIC_COMMA_CENTS
A_STEP: Final = 9


@dataclass(frozen=True)
class Temperament:
    """A temperament by what its fifths are narrowed, in cents, from C-G to B flat-F; F-C closes the circle.

    `narrowed_cents` has eleven values, in the order C-G, G-D, D-A, A-E, E-B, B-F#, F#-C#, C#-G#, G#-Eb, Eb-Bb, Bb-F.
    """

    name: str
    narrowed_cents: tuple[float, ...]
    source: str

    def from_c_cents(self) -> tuple[float, ...]:
        """Cents above C for C, C#, ... B.

        >>> [round(c, 1) for c in TEMPERAMENTS["werckmeister3"].from_c_cents()][:5]
        [0.0, 90.2, 192.2, 294.1, 390.2]
        """
        cents, at, step = [0.0] * 12, 0.0, 0
        for narrowed in self.narrowed_cents:
            at, step = at + PURE_FIFTH_CENTS - narrowed, (step + 7) % 12
            cents[step] = at % 1200.0
        return tuple(cents)

    def offsets_cents(self) -> tuple[float, ...]:
        """Offsets from equal temperament for C, C#, ... B, with A at zero so that the reference pitch stays.

        >>> [round(c, 1) for c in TEMPERAMENTS["werckmeister3"].offsets_cents()][::3]
        [11.7, 5.9, 0.0, 0.0]
        """
        from_c = self.from_c_cents()
        offsets = [c - 100.0 * step for step, c in enumerate(from_c)]
        return tuple(offset - offsets[A_STEP] for offset in offsets)


def _narrowed(comma_cents: float, shares: dict[str, float]) -> tuple[float, ...]:
    chain = ("C-G", "G-D", "D-A", "A-E", "E-B", "B-F#", "F#-C#", "C#-G#", "G#-Eb", "Eb-Bb", "Bb-F")
    return tuple(comma_cents * shares.get(fifth, 0.0) for fifth in chain)


def _meantone(share: float) -> tuple[float, ...]:
    """E flat to G sharp, every fifth alike; the wolf G#-Eb takes what is left."""
    narrowed = [SYNTONIC_COMMA_CENTS * share] * 11
    # eleven equal fifths lie in the chain Eb-Bb-F-C ... C#-G#; the wolf is what closes the circle of twelve
    narrowed[8] = PYTHAGOREAN_COMMA_CENTS - 11.0 * SYNTONIC_COMMA_CENTS * share
    return tuple(narrowed)


_WHITE_SIXTH: Final = {"C-G": 1 / 6, "G-D": 1 / 6, "D-A": 1 / 6, "A-E": 1 / 6, "E-B": 1 / 6}
_NATURALS: Final = ("C-G", "G-D", "D-A", "A-E")


def _kirnberger() -> tuple[float, ...]:
    quarters = _narrowed(SYNTONIC_COMMA_CENTS, dict.fromkeys(_NATURALS, 0.25))
    schisma = _narrowed(SCHISMA_CENTS, {"F#-C#": 1.0})
    return tuple(a + b for a, b in zip(quarters, schisma, strict=True))


TEMPERAMENTS: Final[dict[str, Temperament]] = {
    t.name: t
    for t in (
        Temperament("equal", (PYTHAGOREAN_COMMA_CENTS / 12,) * 11, "twelve fifths alike"),
        Temperament("pythagorean", (0.0,) * 8 + (PYTHAGOREAN_COMMA_CENTS, 0.0, 0.0), "pure fifths E flat to G sharp"),
        Temperament(
            "meantone4", _meantone(1 / 4), "1/4 syntonic comma, E flat to G sharp: P. Aaron 1523 (by tradition)"
        ),
        Temperament("meantone5", _meantone(1 / 5), "1/5 syntonic comma, E flat to G sharp (not checked)"),
        Temperament(
            "meantone6",
            _meantone(1 / 6),
            "1/6 syntonic comma, E flat to G sharp: G. Silbermann after Sorge 1748 (not checked)",
        ),
        Temperament(
            "werckmeister3",
            _narrowed(PYTHAGOREAN_COMMA_CENTS, {"C-G": 1 / 4, "G-D": 1 / 4, "D-A": 1 / 4, "B-F#": 1 / 4}),
            "A. Werckmeister, Musicalische Temperatur (1691), III: C-G, G-D, D-A, B-F# narrow by 1/4 Pythagorean comma",
        ),
        Temperament(
            "kirnberger3",
            _kirnberger(),
            "J. P. Kirnberger, letter to Forkel: C-G, G-D, D-A, A-E narrow by 1/4 syntonic comma, F#-C# by the schisma",
        ),
        Temperament(
            "vallotti",
            _narrowed(PYTHAGOREAN_COMMA_CENTS, _WHITE_SIXTH),
            "F. A. Vallotti 1779: F-C, C-G, G-D, D-A, A-E, E-B narrow by 1/6 Pythagorean comma",
        ),
        Temperament(
            "young2",
            _narrowed(PYTHAGOREAN_COMMA_CENTS, _WHITE_SIXTH | {"B-F#": 1 / 6}),
            "T. Young 1800, second: C-G, G-D, D-A, A-E, E-B, B-F# narrow by 1/6 Pythagorean comma (not checked)",
        ),
        Temperament(
            "kellner",
            _narrowed(PYTHAGOREAN_COMMA_CENTS, dict.fromkeys((*_NATURALS, "B-F#"), 1 / 5)),
            "H. A. Kellner 1977: C-G, G-D, D-A, A-E, B-F# narrow by 1/5 Pythagorean comma (not checked)",
        ),
        Temperament(
            "neidhardt1",
            _narrowed(
                PYTHAGOREAN_COMMA_CENTS,
                dict.fromkeys(_NATURALS, 1 / 6) | dict.fromkeys(("E-B", "B-F#", "G#-Eb", "Eb-Bb"), 1 / 12),
            ),
            "J. G. Neidhardt, circulating temperament no. 1 as tabled by Barbour 1951 (not checked)",
        ),
    )
}


def temperament_cents(name: str) -> tuple[float, ...]:
    """Offsets of a named temperament from equal for C, C#, ... B in cents, A at zero.

    Errors: PipeError for a name that is not known, with those that are.

    >>> [round(c, 2) for c in temperament_cents("meantone4")[:3]]
    [10.26, -13.69, 3.42]
    """
    if name not in TEMPERAMENTS:
        raise PipeError("is not known", field="temperament", value=name, allowed=", ".join(TEMPERAMENTS))
    return TEMPERAMENTS[name].offsets_cents()


def meantone_cents(share: float) -> tuple[float, ...]:
    """Offsets from equal, A at nought, of a meantone whose fifths are narrow by a share of the syntonic comma, E flat to G sharp.

    >>> meantone_cents(1 / 4) == temperament_cents("meantone4")
    True
    """
    return Temperament("meantone", _meantone(share), "E flat to G sharp").offsets_cents()
