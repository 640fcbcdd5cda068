"""What a shop's hands know of a pour beside what the model says of it, and what the log will decide between them.

Sources: tin is drawn "when it begins to grain, as when it begins to set", lead "as hot as possible without lighting a roll of
paper", and the quicker the box is drawn the thinner the leaf (Encyclopedie, t. 11, 1765, p. 635; our translation). The rest is
common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipemetal.casting.window import SLUSH
from pipemetal.planning.pours import Pour
from pipemetal.planning.settings import ShopSettings
from pipemetal.texts import Amount, Text

__all__ = ["Beside", "practice_of"]

GRAINS: Final = Text("when it begins to grain, like slush, and its edges stand")
PAPER: Final = Text("as hot as does not light a roll of paper; ladled when the paper no longer lights")
AS_MODEL: Final = Text("no habit said: as the model asks")
QUICKER: Final = Text("the quicker the sled is drawn, the thinner the sheet")


@dataclass(frozen=True)
class Beside:
    """One question of a pour: what is asked, what practice says, what the model says, and what of the log decides."""

    what: Text
    practice: Text
    model: Text
    log: Text


def practice_of(pour: Pour, settings: ShopSettings) -> tuple[Beside, ...]:
    """When to pour, how much to ladle and how to push, by hand and by model; none where no push gives the sheet."""
    card, window = pour.card, pour.window
    if card is None or window is None or window.empty:
        return ()
    low, high = Amount(window.try_low_c, "°C", bare=True), Amount(window.try_high_c, "°C")
    reads = Text("the pot reads {low} to {high}", low=low, high=high)
    if window.regime == SLUSH:
        solid = Amount(100.0 * window.sled_solid)
        reads = Text("{reads}; {solid} % of it is solid in the sled", reads=reads, solid=solid)
    usual = settings.habits.usual_scoops
    ladled = Text("{usual} scoops at most, as usual", usual=usual) if usual else AS_MODEL
    asked = pour.model_scoops or card.scoops
    model = Text("1 scoop") if asked == 1 else Text("{scoops} scoops", scoops=asked)
    if usual and asked > usual:
        model = Text("{scoops} scoops; with {usual} the head falls and the sheet thins", scoops=asked, usual=usual)
    return (
        Beside(
            Text("When to pour"),
            GRAINS if window.regime == SLUSH else PAPER,
            reads,
            Text("reading and verdict of every cast: too cold, good or too hot"),
        ),
        Beside(
            Text("How much to ladle"), ladled, model, Text("what is left in the sled, and the thickness at its end")
        ),
        Beside(
            Text("How to push"),
            QUICKER,
            Text(
                "gate {gate}, {seconds} s",
                gate=Amount(card.gate_mm, "mm", 1),
                seconds=Amount(card.push_time_s, "", 1),
            ),
            Text("times and thickness at the marks: whether gate or speed makes the sheet here"),
        ),
    )
