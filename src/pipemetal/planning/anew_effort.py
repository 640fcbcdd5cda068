"""How long the rest of a plan is searched for: by moves, so that it comes out alike on every machine; the clock only ends it."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from typing import Final

from pipemetal.layout.hand import ByHand
from pipemetal.layout.plan import LayoutPlan
from pipemetal.layout.problem import LayoutProblem
from pipemetal.layout.search import SolverSettings
from pipemetal.layout.solve import solve

__all__ = ["USUAL", "Effort"]

MOVES_TIMES_BLANKS: Final = 1_200_000
LEAST_MOVES, MOST_MOVES = 1500, 12_000
"""A move among many blanks takes longer: so many of them take two to five seconds on a small machine (measured)."""
FEWEST: Final = 60


@dataclass(frozen=True)
class Effort:
    """How much is searched: `share` of the usual number of moves; at `until` (performance counter) it ends in any case."""

    share: float = 1.0
    until: float = math.inf

    @classmethod
    def within(cls, seconds: float, share: float = 1.0) -> Effort:
        """What may take so many seconds from now at most."""
        return cls(share, time.perf_counter() + seconds)

    def over(self) -> bool:
        """Whether the time is gone."""
        return time.perf_counter() > self.until

    def moves(self, blanks: int, part: float = 1.0) -> int:
        """Moves for a search among so many blanks; `part`: of what the whole rest would be given.

        >>> [Effort().moves(n) for n in (10, 400, 5000)], Effort(0.1).moves(400, 0.5)
        ([12000, 3000, 1500], 150)
        """
        usual = min(max(MOVES_TIMES_BLANKS // max(blanks, 1), LEAST_MOVES), MOST_MOVES)
        return max(round(self.share * part * usual), FEWEST)

    def lay(
        self,
        problem: LayoutProblem,
        part: float = 1.0,
        *,
        hand: ByHand | None = None,
        settings: SolverSettings | None = None,
    ) -> LayoutPlan:
        """A layout searched for so long."""
        moves = self.moves(len(problem.blanks), part)
        return solve(problem, iterations=moves, seed=1, should_stop=self.over, hand=hand, settings=settings)


USUAL: Final = Effort()
