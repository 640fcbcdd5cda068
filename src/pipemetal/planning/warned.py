"""What a card warns of: the worst first, three at most, so that they are read."""

from __future__ import annotations

from typing import Final

from pipemetal.planning.pours import Pour
from pipemetal.texts import Amount, Text

__all__ = ["MOST_WARNINGS", "RANKED", "warnings_of"]

MOST_WARNINGS: Final = 3
LEAST_RUN_M: Final = 0.05
"""A film that runs less far keeps its thickness within what a gauge tells (estimate)."""
BARS: Final = (
    "liquid metal stands {stands} high by itself and this film is {film}: cast it between side bars as high as the film, or"
    " solder two sheets of half the thickness together"
)
BARS_FOR_RANGE: Final = (
    "without side bars no temperature suits it: hot it runs off the sides, and as slush it sets in the sled; cast it between"
    " bars as high as the film, {film}"
)
SLOPED: Final = (
    "table {table} falls by {fall} mm/m: the push counts the metal that it draws from the rear of the sled, and as slush the"
    " film stays where it is laid; no cast on a sloped table was ever measured: log this one"
)
SLOPED_RUNS: Final = (
    "table {table} falls by {fall} mm/m: so hot the film runs about {run} down before grains hold it, thinner at its beginning"
    " and thicker at its end than the push says; no cast on a sloped table was ever measured: log this one"
)
RANKED: Final = (
    "red above {a}: lead fume; dust and dross are a danger at any temperature",
    "above {a} the cloth suffers: aramid decomposes above about {b}",
    "no temperature suits it hot: liquid metal stands {stands} high by itself, and the film is {film}, so it runs off the"
    " sides until it sets; {cure}",
    BARS,
    BARS_FOR_RANGE,
    SLOPED,
    SLOPED_RUNS,
    "the usual {usual} scoops do not give this sheet by the model: it asks for {scoops}",
    "no temperature suits both ends: below {a}: {cold}; above {b}: {hot}; {cure}",
    "the range is {width} wide (below {a}: {cold}; above {b}: {hot}), and the liquidus is known within {unsure}: no "
    "thermometer can promise to hit it; {cure}",
    "the range is {width} wide and a thermocouple errs by {error} either way: go by the look of the metal in the sled",
    "at {x} expect {a}, not the wanted {b}: no push that people can follow comes nearer with this gate and fill",
    "a push from {a} to {b} is hard to follow ({c} to {d} is not)",
    "only {a} of metal stand in the sled at the end: the end may be ragged",
    "below {a} holes may open; no formula says when",
    "alloy outside the assessed range: the liquidus may be {a} and more off",
    "aramid cloth loses strength from about {a}: look at it before every pour",
    "outside your logged range: {name} {value} (logged {a} to {b})",
    "first cast: a cold gate is counted in; better warm sled and gate",
    "ripples and laps freeze in sooner than the metal thickens at the gate: they set the lower end",
    "it is poured more than {a} above the liquidus: oxide, dross and the cloth suffer, keep to the lower end",
    "running off does not limit this sheet: oxide, dross and the cloth do, keep to the lower half",
)
"""Templates of warnings: first what hurts people, then what spoils the sheet, then what makes it less sure. Others come last."""


def warnings_of(pour: Pour) -> tuple[str, ...]:
    """The warnings of a pour's card, the worst first.

    A warning that says the same as a worse one in other words is left out: what runs off a thick sheet is said by its bars.
    """
    found: list[str] = []
    if pour.bars_from_mm > 0.0:
        film, stands = (Amount(value, "mm", 1) for value in (pour.film_mm, pour.bars_from_mm))
        thick = pour.film_mm > pour.bars_from_mm
        found.append(Text(BARS, stands=stands, film=film) if thick else Text(BARS_FOR_RANGE, film=film))
    table = pour.order.table
    if table.slope_mm_m > 0.0:
        fall = Amount.short(table.slope_mm_m)
        runs = Text(SLOPED_RUNS, table=table.name, fall=fall, run=Amount(pour.runs_m, "m", 1))
        found.append(runs if pour.runs_m >= LEAST_RUN_M else Text(SLOPED, table=table.name, fall=fall))
    found += pour.card.warnings if pour.card is not None else ()
    found += pour.window.warnings if pour.window is not None else ()
    return tuple(sorted(dict.fromkeys(found), key=_rank)[:MOST_WARNINGS])


def _rank(words: str) -> int:
    template = words.template if isinstance(words, Text) else words
    return RANKED.index(template) if template in RANKED else len(RANKED)
