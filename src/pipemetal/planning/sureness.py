"""How sure a shop wants its places to be, and how that weighs against metal and casts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipemetal.errors import PlanError
from pipemetal.planning.habits import Limits, check_limits
from pipemetal.planning.tolerances import parse_tolerances

__all__ = ["SAVE_METAL", "SureSettings"]

SAVE_METAL: Final = ("no", "yes")
"""Whether a blank may lie less sure where that saves metal."""


LEAST_CERTAINTY: Final = 0.5
"""Less is a slip, as 0.95 typed where percent are asked for."""


@dataclass(frozen=True)
class SureSettings:
    """How sure the metal under a blank must be.

    `certainty`: the least chance with which the metal on rolls keeps within a blank's tolerance; less sure places are used only
    where nothing else serves, and named; 0 takes the metal as it is given. `save_metal`, yes or no: whether a blank may lie less
    sure, and be named, where that saves metal; over all blanks misses are still kept down. `cast_room`: on sheets to cast, where
    no place is so sure, blanks lie within this share of their tolerance about the middle (estimate). `misfit_costs`: a blank of a
    sheet to cast that does not fit costs so many times its own metal (it is cut again, from metal that may have to be cast for
    it): more of it makes more of them fit and takes more metal (estimate). `tolerances`: by part and alloy, how much thinner and
    thicker than wanted the metal may be, and how much thicker still where it is then planed, hammered or scraped; of parts that
    are not named, what the pipes' own rules say.
    """

    certainty: float = 0.95
    cast_room: float = 0.7
    misfit_costs: float = 4.0
    tolerances: str = ""
    save_metal: str = "no"

    @property
    def limits(self) -> Limits:
        """What each may be."""
        return {"certainty": (0.0, 0.999), "cast_room": (0.1, 1.0), "misfit_costs": (0.0, 100.0)}

    def __post_init__(self) -> None:
        check_limits("sure", self, self.limits)
        if 0.0 < self.certainty < LEAST_CERTAINTY:
            allowed = "0 (the metal as it is given), or 50 to 99.9 %, which is 0.5 to 0.999 in a file"
            raise PlanError("is less sure than a coin", field="sure.certainty", value=self.certainty, allowed=allowed)
        parse_tolerances(self.tolerances)
        if self.save_metal not in SAVE_METAL:
            allowed = ", ".join(SAVE_METAL)
            raise PlanError("is not known", field="sure.save_metal", value=self.save_metal, allowed=allowed)
