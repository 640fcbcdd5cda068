"""What a wider window would save: the charge solved again with one edge of the recipe moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipemetal.alloys.recipe import Recipe
from pipemetal.melts.charge import Charge, solve_charges
from pipemetal.melts.lots import Lot
from pipemetal.melts.mixing import Effort, SearchCosts, Weighing

__all__ = ["GAP", "Relaxed", "what_relaxing_saves"]

# An edge moves by this share of its window's width, and by the second figure at least (% by mass).
STEP_SHARE, LEAST_STEP_WT_PCT = 0.1, 0.05
# A window binds where the unsure composition comes within this share of its width to an edge.
TOUCHES_SHARE = 0.05
# Costs are compared only when both are this close to the best possible.
GAP = 1e-4


@dataclass(frozen=True)
class Relaxed:
    """One edge of a window moved: from and to in % by mass, and what the charge would then cost less."""

    element: str
    edge: str
    from_wt_pct: float
    to_wt_pct: float
    saves: float


def what_relaxing_saves(
    answer: Charge,
    lots: Sequence[Lot],
    *,
    rules: Weighing | None = None,
    effort: Effort | None = None,
) -> tuple[Relaxed, ...]:
    """For every window at whose edge a charge lies, what moving that edge a little would save, the most first.

    Arguments: `rules` as the charge was solved with; `effort` of the search for each edge. An edge that saves nothing is
    left out. Saving is by cost, whatever the charge aimed at. It is not advice: the recipe says what the pipes need.
    Errors: MeltError as `solve_charges`.

    >>> from pipemetal.alloys.composition import Composition
    >>> from pipemetal.melts.charge import ChargeRequest
    >>> tin = Lot("tin", "pig", Composition.parse("Sn 100"), 400.0, price_per_kg=28.0)
    >>> lead = Lot("lead", "pig", Composition.parse("Pb 100"), 400.0, price_per_kg=2.0)
    >>> half = Recipe("half", Composition.parse("Sn 50 Pb bal"), (("Sn", 49.0, 51.0),))
    >>> found = solve_charges([ChargeRequest("M", half, 400.0, 450.0)], [tin, lead])
    >>> [(r.element, r.edge, r.to_wt_pct) for r in what_relaxing_saves(found[0], [tin, lead])]
    [('Sn', 'lowest', 48.8)]
    """
    rules = replace(rules or Weighing(), objective="cost", least_weighed_kg=0.0, costs=SearchCosts())
    effort = effort or Effort(gap=GAP, nodes=1_000)

    def solved(recipe: Recipe) -> Charge | None:
        found = solve_charges(
            [replace(answer.request, recipe=recipe)],
            lots,
            rules=rules,
            effort=effort,
        )
        return found[0] if found is not None else None

    recipe = answer.request.recipe
    now = solved(recipe)
    if now is None:
        return ()
    half = dict(now.half_width_wt_pct)
    found: list[Relaxed] = []
    for element, low, high in recipe.windows_wt_pct:
        step = max(STEP_SHARE * (high - low), LEAST_STEP_WT_PCT)
        value, unsure = now.composition.wt_pct(element), half.get(element, 0.0)
        touch = TOUCHES_SHARE * (high - low) + 1e-9
        for edge, at, distance, to in (
            ("lowest", low, value - unsure - low, max(low - step, 0.0)),
            ("highest", high, high - value - unsure, min(high + step, 100.0)),
        ):
            if distance > touch or to == at:
                continue
            wider = solved(_with_edge(recipe, element, edge, to))
            if wider is not None and now.cost - wider.cost > GAP * now.cost:
                found.append(Relaxed(element, edge, at, to, now.cost - wider.cost))
    return tuple(sorted(found, key=lambda r: -r.saves))


def _with_edge(recipe: Recipe, element: str, edge: str, to: float) -> Recipe:
    windows = tuple(
        (e, *((to, high) if edge == "lowest" else (low, to))) if e == element else (e, low, high)
        for e, low, high in recipe.windows_wt_pct
    )
    return replace(recipe, windows_wt_pct=windows)
