"""In which order a charge goes into the pot, and when each lot does.

Lead goes first, because it needs the least heat to make a bath; what melts into a bath needs no more heat than the bath has.
Master alloys want a bath above their own liquidus, tin goes in last, so that the least of it oxidises (common practice, no
source; the liquidus is computed).
"""

from __future__ import annotations

from typing import Final

from pipemetal.alloys.liquidus import liquidus
from pipemetal.errors import ConvergenceError
from pipemetal.melts.lots import Lot
from pipemetal.texts import Amount, Text

__all__ = ["loading_place", "when_to_load"]

NEARLY_PURE_WT_PCT: Final = 90.0
_BY_KIND: Final = {"ingot": 1.0, "scrap": 2.0, "shavings": 3.0, "master": 4.0}
_WORDS: Final = {
    "ingot": Text("on the lead, while the pot warms"),
    "scrap": Text("dry, hollow pieces opened, into the bath"),
    "shavings": Text("dry, a little at a time, pushed under the bath"),
}


def loading_place(lot: Lot) -> tuple[float, str]:
    """What lots are sorted by for loading: lead, own ingots, scrap, shavings, master alloys, tin."""
    place = _BY_KIND.get(lot.kind, 0.0)
    if lot.kind != "master" and lot.composition.wt_pct("Sn") > NEARLY_PURE_WT_PCT:
        place = 5.0
    return place, lot.id


def when_to_load(lot: Lot) -> Text:
    """When a lot goes into the pot, in words; a master alloy with the temperature at which it is all liquid.

    >>> from pipemetal.alloys.composition import Composition
    >>> when_to_load(Lot("A", "master", Composition.parse("Bi 100"), 5.0))
    'stirred into the bath at 271 °C or hotter, where it melts by itself'
    >>> when_to_load(Lot("T", "pig", Composition.parse("Sn 100"), 25.0))
    'last, with the fire low'
    """
    place = loading_place(lot)[0]
    if place == 5.0:
        return Text("last, with the fire low")
    if lot.kind == "master":
        try:
            hot_c = liquidus(lot.composition).temperature_c
        except ConvergenceError:
            return Text("stirred into the hot bath")
        return Text(
            "stirred into the bath at {temperature} or hotter, where it melts by itself",
            temperature=Amount(hot_c, "°C"),
        )
    return _WORDS.get(lot.kind, Text("first, into the cold pot"))
