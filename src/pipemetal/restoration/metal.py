"""How much metal the new pipes of an old rank take, and out of which lots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.charge import Charge
from pipemetal.melts.lots import Lot
from pipemetal.melts.mend import Blocked
from pipemetal.pipes.make import organ_pipes
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.rank import Organ
from pipemetal.planning.one_melt import MeltAsked, weigh_out
from pipemetal.planning.settings import ShopSettings

__all__ = ["MetalWanted", "metal_wanted"]

POURED_OVER_FINISHED: Final = 2.0
"""What is poured over what the finished pipes weigh: ends, edges, planing, seams (1.6 to 2.2, common practice, no source)."""


@dataclass(frozen=True)
class MetalWanted:
    """The metal of new pipes: what they weigh finished, what to pour, and the weighing list or what stands in its way."""

    recipe: str
    finished_kg: float
    poured_kg: float
    pipes: tuple[Pipe, ...]
    charge: Charge | Blocked | None


def metal_wanted(organ: Organ, recipe: Recipe, lots: Sequence[Lot] | None, settings: ShopSettings) -> MetalWanted:
    """The metal for the new pipes of an organ file of `old_rank_files`; weighed out where lots are given.

    Errors: PipeError for pipes that cannot be, MeltError for a melt that cannot be asked for.
    """
    density = solid_density_g_cm3(recipe.target)
    new = tuple(p for p in organ_pipes(organ, lambda _: density) if p.parts)
    finished = sum(part.finished_mass_kg for pipe in new for part in pipe.parts)
    poured = max(POURED_OVER_FINISHED * finished, 1.0)
    charge = None
    if lots is not None:
        charge = weigh_out(MeltAsked(f"{organ.name}", recipe, poured), lots, settings).charge
    return MetalWanted(recipe.name, finished, poured, new, charge)
