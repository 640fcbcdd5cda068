"""What the pouring range rests on beside physics: estimates that a shop's verdicts replace."""

from __future__ import annotations

from dataclasses import dataclass

from pipemetal.casting.model import checked
from pipemetal.casting.mush import EDGE_SOLID

__all__ = ["WindowLimits"]


@dataclass(frozen=True, slots=True)
class WindowLimits:
    """What the window rests on beside physics; all estimates, to be replaced by logged verdicts.

    Attributes:
        shortest_mobile_s: below it ripples and laps freeze in. longest_mobile_s: above it metal runs off a table that
            is a little out of level; ``calm_mobile_s`` is where that begins.
        pour_loss_k: from pot to sled. wait_s: metal standing in the sled before the push. box_head_mm: its depth then.
        push_speed_m_s, sled_length_mm: set how long the film touches the cloth under the sled.
        charge_kg: metal in the sled, which warms a cold gate on the first cast.
        edges_stand: share of solid at which the edges of a 2 mm sheet come to rest. sets_in_sled: share at which it
            sets in the sled before the push is over (viscosity near 1 Pa s: docs/casting.md).
        verdicts_used: number of logged verdicts behind times and shares. poured: tin in percent of the logged alloys,
            and whether this shop pours them as slush. side_bars: bars along the table keep the metal from running off.
    """

    shortest_mobile_s: float = 4.0
    calm_mobile_s: float = 15.0
    longest_mobile_s: float = 20.0
    pour_loss_k: float = 4.0
    wait_s: float = 5.0
    box_head_mm: float = 60.0
    push_speed_m_s: float = 1.2
    sled_length_mm: float = 150.0
    charge_kg: float = 60.0
    edges_stand: float = EDGE_SOLID
    sets_in_sled: float = 0.32
    verdicts_used: int = 0
    poured: tuple[tuple[float, bool], ...] = ()
    side_bars: bool = False

    def __post_init__(self) -> None:
        checked("shortest_mobile_s", self.shortest_mobile_s, 0.1, 120.0, "s")
        checked("calm_mobile_s", self.calm_mobile_s, self.shortest_mobile_s, 300.0, "s")
        checked("longest_mobile_s", self.longest_mobile_s, self.calm_mobile_s, 600.0, "s")
        checked("pour_loss_k", self.pour_loss_k, 0.0, 60.0, "K")
        checked("wait_s", self.wait_s, 0.0, 120.0, "s")
        checked("box_head_mm", self.box_head_mm, 5.0, 400.0, "mm")
        checked("push_speed_m_s", self.push_speed_m_s, 0.05, 5.0, "m/s")
        checked("sled_length_mm", self.sled_length_mm, 40.0, 1000.0, "mm")
        checked("charge_kg", self.charge_kg, 1.0, 2000.0, "kg")
        checked("edges_stand", self.edges_stand, 0.005, 0.6, "")
        checked("sets_in_sled", self.sets_in_sled, 0.01, 0.8, "")
