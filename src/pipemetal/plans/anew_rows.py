"""What was planned anew as the rows of a plan: those that did not change stay as they are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.alloys.recipe import Recipe
from pipemetal.layout.verify import verify
from pipemetal.planning.anew_casting import RestCast
from pipemetal.planning.cuts import cut_rolls
from pipemetal.planning.learning import Learned
from pipemetal.planning.pours import SKIMMED_K, Pour, prepare_pour, with_range
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import SheetOrder, as_rolls, sheet_order
from pipemetal.plans import record
from pipemetal.plans.anew_day import rest_days
from pipemetal.plans.anew_layout import Made
from pipemetal.plans.by_hand import new_sheet_of
from pipemetal.plans.expected import with_areas, with_expected
from pipemetal.plans.making import new_sheet_row, roll_row
from pipemetal.plans.now import ShopNow, melts_begun, sheets_done, sheets_held
from pipemetal.plans.rows import melt_row, pour_row
from pipemetal.sheets.roll import Roll, roll_mass_kg

__all__ = ["as_planned", "with_cards", "written"]


def written(
    plan: record.Plan,
    made: Sequence[Made],
    cast: RestCast,
    now: ShopNow,
    settings: ShopSettings,
    density: Mapping[str, float],
    again: set[str],
) -> record.Plan:
    """The new plan's record: rows that did not change stay as they are. `again`: the alloys that are melted anew."""
    laid = {m.alloy for m in made}
    held, old = sheets_held(now), {s.id: s for s in plan.sheets}
    rows: list[record.CutSheet] = [s for s in plan.sheets if s.alloy not in laid or s.id in held]
    for m in made:
        rows += _sheet_rows(m, old, now, settings, density)
    lost = {u.blank for m in made for u in m.laid.unplaced}
    served = {b for m in made for b in m.pipes} - lost
    unserved = tuple(u for u in plan.unserved if u.blank not in served and u.blank not in lost)
    unserved += tuple(
        record.Unserved(u.blank, u.reason, u.kind, u.nearest_roll, u.miss_mm) for m in made for u in m.laid.unplaced
    )
    melts, pours = _melts_and_pours(plan, cast, again, now, settings)
    first, days = rest_days(plan, cast, now)
    pours = _dated(pours, cast, sheets_done(plan, now), first)
    buying: dict[str, float] = {}
    for melt in melts:
        for element, kg in (melt.charge.to_buy_kg if melt.charge is not None else {}).items():
            buying[element] = buying.get(element, 0.0) + kg
    without = {pipe for pipe in (_pipe_of(plan, b) for b in {u.blank for u in unserved}) if pipe}
    new = replace(
        plan,
        rolls_used=tuple(sorted((s for s in rows if not isinstance(s, record.NewSheet)), key=lambda s: s.id)),
        new_sheets=tuple(sorted((s for s in rows if isinstance(s, record.NewSheet)), key=lambda s: s.id)),
        melts=melts,
        pours=pours,
        days=days,
        unserved=unserved,
        to_buy_kg=buying,
        season=replace(plan.season, melts=len(melts)),
        pipes_served=len(plan.pipes) - len(without),
        faults=_faults(made),
    )
    return with_expected(with_areas(new), [m.chances for m in made], laid)


def _pipe_of(plan: record.Plan, blank: str) -> str:
    return next((p.id for p in plan.pipes if blank.startswith(f"{p.id} ")), "")


def _faults(made: Sequence[Made]) -> tuple[record.FaultRow, ...]:
    """What the independent check finds wrong with what was laid anew; places that are less sure are no fault."""
    found: list[record.FaultRow] = []
    for m in made:
        laid = {p.blank for p in m.layout.placements}
        problem = replace(m.problem, blanks=tuple(b for b in m.problem.blanks if b.id in laid), certainty=0.0)
        wrong = (f for f in verify(problem, replace(m.layout, unplaced=())) if f.kind != "totals")
        found += [record.FaultRow(f.kind, f.blank, f.roll, f.detail) for f in wrong]
    return tuple(found)


def _sheet_rows(
    m: Made, old: Mapping[str, record.CutSheet], now: ShopNow, settings: ShopSettings, density: Mapping[str, float]
) -> list[record.CutSheet]:
    """The rows of an alloy's sheets; those on which nothing changed as they were."""
    rolls = {r.id: r for r in now.stock.rack if r.alloy == m.alloy}
    orders = {s.id: sheet_order(s, settings) for s in m.laid.sheets}
    known: dict[str, Roll] = dict(as_rolls(list(orders.values()), list(rolls.values())))
    masses = {r.id: roll_mass_kg(r, density[m.alloy]) for r in rolls.values()}
    masses |= {n: o.mass_kg(density[m.alloy], finished=True) for n, o in orders.items()}
    of_pipe = [replace(p, chance=m.chances.of(name)) for name, p in m.pipes.items()]
    found: list[record.CutSheet] = []
    from_right = settings.cut_from == "right"
    for made in cut_rolls(m.layout, known, of_pipe, density, masses, settings.sheets.kerf_mm, from_right):
        row = new_sheet_row(made, orders[made.roll.id]) if made.is_new else roll_row(made)
        before = old.get(made.roll.id)
        same = before is not None and [(c.blank, c.x_mm, c.y_mm, c.turn_deg) for c in before.cuts] == [
            (c.blank, c.x_mm, c.y_mm, c.turn_deg) for c in row.cuts
        ]
        if same and before is not None and made.roll.id not in now.measured.values():
            chance = {c.blank: c.chance for c in row.cuts}
            row = replace(before, cuts=tuple(replace(c, chance=chance.get(c.blank)) for c in before.cuts))
        found.append(row)
    return found


def _melts_and_pours(
    plan: record.Plan, cast: RestCast, again: set[str], now: ShopNow, settings: ShopSettings
) -> tuple[tuple[record.Melt, ...], tuple[record.Pour, ...]]:
    over = sheets_done(plan, now)
    new = {m.melt.name: melt_row(m, [p for p in cast.pours if p.melt == m.melt.name], settings) for m in cast.melts}
    pot, begun = {p.melt: p for p in cast.pots}, melts_begun(plan, now)
    takes = {p.sheet: p.used_kg for p in plan.pours} | {p.order.sheet.id: p.used_kg for p in cast.pours}
    melts: list[record.Melt] = []
    for m in plan.melts:
        if m.recipe not in again:
            melts.append(m)
        elif m.name in begun:
            past_of = tuple(s for s in m.sheets if s in over)
            still = pot[m.name].sheets if m.name in pot else ()
            melts.append(_begun(m, (*past_of, *still), takes))
        elif m.name in new:
            melts.append(new.pop(m.name))
    melts += new.values()
    past = [p for p in plan.pours if p.sheet in over]
    rest = [p for p in plan.pours if p.sheet not in over and p.alloy not in again]
    before = {p.sheet: p for p in plan.pours}
    return tuple(melts), (*past, *rest, *(_pour_row(p, before, cast, settings) for p in cast.pours))


def _begun(melt: record.Melt, sheets: tuple[str, ...], takes: Mapping[str, float]) -> record.Melt:
    """A melt that is in its pot with the sheets that it pours now, and what they take."""
    return replace(melt, sheets=sheets, sheets_take_kg=sum(takes.get(s, 0.0) for s in sheets))


def _pour_row(pour: Pour, before: Mapping[str, record.Pour], cast: RestCast, settings: ShopSettings) -> record.Pour:
    """The row of a pour; that of a sheet which did not change keeps its card."""
    name = pour.order.sheet.id
    if name in cast.as_before:
        return replace(before[name], melt=pour.melt)
    row = pour_row(pour, settings)
    if pour.card is not None or pour.problem:
        return row
    old = before[name]
    return replace(
        row, card=old.card, problem=old.problem, left_kg=old.left_kg, beside=old.beside, warnings=old.warnings
    )


def as_planned(row: record.Pour, order: SheetOrder, target: Composition) -> Pour | None:
    """The pour of a sheet to come as a plan has it, without its card; None where the sheet is another one now."""
    now = (order.sheet.length_mm, order.sheet.width_mm, order.cast_start_mm, order.cast_end_mm)
    was = (row.length_mm, row.width_mm, row.cast_start_mm, row.cast_end_mm)
    known = row.card is not None and row.pour_window_c is not None and row.freezing is not None
    if not known or row.sled != order.sled.name or not np.allclose(now, was, atol=1e-4):
        return None
    assert row.pour_window_c is not None and row.freezing is not None
    density = solid_density_g_cm3(target)
    skimmed_c = liquidus(target).temperature_c + SKIMMED_K
    low_c, high_c = row.pour_window_c.try_low, row.pour_window_c.try_high
    return Pour(
        order,
        None,
        "",
        row.charge_kg,
        row.used_kg,
        order.mass_kg(density, finished=False),
        order.mass_kg(density, finished=True),
        lift_after_s=row.freezing.lift_after_s,
        pour_c=0.5 * (low_c + high_c),
        pot_c=max(0.5 * (low_c + high_c), skimmed_c),
        first_c=max(low_c, skimmed_c),
    )


def with_cards(
    plan: record.Plan, names: Iterable[str], recipes: Mapping[str, Recipe], settings: ShopSettings, learned: Learned
) -> record.Plan:
    """The plan with the cards and pouring ranges of some sheets by what is learned now: of those that are cast next, whatever
    their alloy."""
    sheets = {s.id: s for s in plan.new_sheets}
    wanted = {n for n in names if n in sheets}
    pours = []
    for p in plan.pours:
        if p.sheet in wanted:
            order = sheet_order(new_sheet_of(sheets[p.sheet], settings.sheets.trim_mm), settings)
            target = recipes[p.alloy].target
            ready = prepare_pour(order, target, settings, learned)
            ready = with_range(ready, target, p.stone_temperature_c, settings, learned, first=p.number == 1)
            made = pour_row(ready, settings)
            if made.card is not None:
                p = replace(
                    p,
                    card=made.card,
                    charge_kg=made.charge_kg,
                    used_kg=made.used_kg,
                    left_kg=made.left_kg,
                    problem="",
                    beside=made.beside,
                    pour_window_c=made.pour_window_c,
                    warnings=made.warnings,
                )
        pours.append(p)
    return replace(plan, pours=tuple(pours))


def _dated(pours: Sequence[record.Pour], cast: RestCast, over: frozenset[str], first: int) -> tuple[record.Pour, ...]:
    """The pours in the order of their days, each with its day, its number and its hour."""
    past = [p for p in pours if p.sheet in over]
    at = {s: (first + k, d.pours()[s]) for k, d in enumerate(cast.days) for s in d.pours()}
    rest = sorted((p for p in pours if p.sheet in at and p.sheet not in over), key=lambda p: at[p.sheet])
    numbers: dict[int, int] = {}
    for p in past:
        numbers[p.day] = max(numbers.get(p.day, 0), p.number)
    dated: list[record.Pour] = []
    for p in rest:
        day, minute = at[p.sheet]
        numbers[day] = numbers.get(day, 0) + 1
        dated.append(replace(p, day=day, number=numbers[day], starts_at_min=minute))
    return (*past, *dated)
