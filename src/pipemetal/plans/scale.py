"""What the scale says of pots and sheets against the cards: what a melt really gave, what is left, what is unexplained."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from pipemetal.melts.losses import LossModel
from pipemetal.planning.weighed import LEAST_INGOTS_KG
from pipemetal.plans import record
from pipemetal.plans.now import ShopNow, melts_begun, sheets_done
from pipemetal.sheets.roll import roll_mass_kg
from pipemetal.texts import Amount, Text

__all__ = ["cast_kg", "in_melt_order", "overnight_kg", "unexplained_words", "with_scale"]

LEAST_MOVED_KG: Final = 1e-6
LEAST_TOLD_KG: Final = 0.5
"""Less than a step of a pot's scale is not told (estimate)."""


def planned_cast_kg(pour: record.Pour, density_g_cm3: float) -> float:
    """What a pour's sheet was meant to weigh as it is cast, without its run-up."""
    mean_mm = (pour.cast_start_mm + pour.cast_end_mm) / 2.0
    return min(pour.length_mm * pour.width_mm * mean_mm * density_g_cm3 * 1e-6, _planned_kg(pour))


def cast_kg(pour: record.Pour, density_g_cm3: float) -> float:
    """What a pour's sheet weighs as it was cast: as meant, and what it took more or less than was meant.

    >>> pour = record.Pour("N1", "A", "M1", 1, 1, 1000.0, 500.0, 2.0, 2.0, 20.0, 12.0, 8.0)
    >>> cast_kg(pour, 10.0), cast_kg(replace(pour, used_kg=13.0), 10.0)
    (10.0, 11.0)
    """
    return min(max(planned_cast_kg(pour, density_g_cm3) + pour.used_kg - _planned_kg(pour), 0.0), pour.used_kg)


def _planned_kg(pour: record.Pour) -> float:
    return pour.charge_kg - pour.left_kg if pour.charge_kg > 0.0 else pour.used_kg


def in_melt_order(plan: record.Plan) -> list[record.Melt]:
    """The melts in the order in which they are first poured."""
    first = {p.melt: p.day for p in reversed(plan.pours)}
    return sorted(plan.melts, key=lambda m: first.get(m.name, float("inf")))


def overnight_kg(heel_kg: float, free_kg: float, losses: LossModel) -> float:
    """What a heel loses until the next melt finds `heel_kg` of it: as an ingot that is melted again, `free_kg` at most.

    >>> round(overnight_kg(9.92, 100.0, LossModel()), 3)
    0.08
    """
    share = losses.share_of("ingot")
    return min(heel_kg * share / (1.0 - share), max(free_kg - heel_kg, 0.0))


def with_scale(
    plan: record.Plan, before: record.Plan, now: ShopNow, density: Mapping[str, float], losses: LossModel
) -> record.Plan:
    """The plan with what its melts really gave. Sheets measured just now took what they weigh; a pot holds what the scale says,
    and what that is more or less than the cards leave is its `unexplained_kg`. What stays in a pot, and its ingots, follow.

    `before`: the plan of which sheets were poured so far. `density`: of each alloy, g/cm3.
    """
    plan = replace(plan, pours=tuple(_measured(p, plan, before, now, density) for p in plan.pours))
    over, begun = sheets_done(before, now), melts_begun(before, now)
    waits = {p.melt for p in before.pours if p.sheet not in over}
    order = [m for m in in_melt_order(plan) if not m.pot]
    following = {m.name: after for m, after in itertools.pairwise(order)}
    charged = {line.id for m in plan.melts for line in m.lots}
    melts = []
    for m in plan.melts:
        if m.charge is not None and m.name in begun:
            takes = {p.sheet: p.used_kg for p in plan.pours if p.melt == m.name}
            told = now.pots.get(m.name, 0.0)
            off = m.charge.unexplained_kg
            if told > 0.0 or (m.name in now.pots and m.name in waits):
                off = told + sum(kg for s, kg in takes.items() if s in over) - m.charge.mass_kg
            heel_kg = following[m.name].heel_kg if m.name in following else 0.0
            m = _followed(m, off, sum(takes.values()), heel_kg, losses, kept=charged)
        melts.append(m)
    return replace(plan, melts=tuple(melts))


def _measured(
    pour: record.Pour, plan: record.Plan, before: record.Plan, now: ShopNow, density: Mapping[str, float]
) -> record.Pour:
    """The pour of a sheet that was measured since: it took what the sheet weighs, planed off metal too, and its run-up."""
    sheet = next((s for s in before.new_sheets if s.id == pour.sheet), None)
    roll = next((r for r in now.stock.rack if r.id == now.measured.get(pour.sheet)), None)
    if sheet is None or roll is None or pour.alloy not in density or any(s.id == pour.sheet for s in plan.new_sheets):
        return pour
    g_cm3 = density[pour.alloy]
    planed_mm = now.planing_mm.get(pour.sheet, sheet.planing_mm)
    weighs_kg = roll_mass_kg(roll, g_cm3) + roll.length_mm * roll.width_mm * planed_mm * g_cm3 * 1e-6
    return replace(pour, used_kg=max(_planned_kg(pour) + weighs_kg - planned_cast_kg(pour, g_cm3), 0.0))


def _followed(
    melt: record.Melt, off_kg: float, take_kg: float, heel_kg: float, losses: LossModel, kept: set[str]
) -> record.Melt:
    """A melt that is begun with what it leaves by the scale; its ingots are what the next melt does not find in the pot."""
    charge = melt.charge
    assert charge is not None
    off_kg = off_kg if abs(off_kg) > LEAST_MOVED_KG else 0.0
    left_kg = charge.mass_kg + off_kg - take_kg
    heel_kg = min(heel_kg, max(left_kg, 0.0))
    ingots_kg = max(left_kg - heel_kg - overnight_kg(heel_kg, left_kg, losses), 0.0)
    own = f"{melt.recipe} {melt.name}"
    named = charge.ingots_lot or (own if own not in kept else "")
    if ingots_kg <= LEAST_INGOTS_KG and charge.ingots_lot not in kept:
        named = ""
    ingots_kg = ingots_kg if named else 0.0
    was = (charge.unexplained_kg, charge.left_kg, melt.sheets_take_kg, charge.ingots_kg)
    if max(abs(a - b) for a, b in zip(was, (off_kg, left_kg, take_kg, ingots_kg), strict=True)) <= LEAST_MOVED_KG:
        return melt
    charge = replace(charge, unexplained_kg=off_kg, left_kg=left_kg, ingots_kg=ingots_kg, ingots_lot=named)
    return replace(melt, sheets_take_kg=take_kg, charge=charge)


def unexplained_words(plan: record.Plan, melts: Sequence[str]) -> tuple[Text, ...]:
    """What the scale found in some pots more or less than the cards leave, in words.

    >>> charge = record.Charged((), unexplained_kg=-6.84)
    >>> plan = record.Plan("O", melts=(record.Melt("M01", "A", charge=charge),))
    >>> [str(words) for words in unexplained_words(plan, ["M01"])]
    ['M01 holds 6.8 kg less than its list and its pours leave. The account has it as unexplained.']
    """
    found = []
    for m in plan.melts:
        off = m.charge.unexplained_kg if m.charge is not None and m.name in melts else 0.0
        if abs(off) < LEAST_TOLD_KG:
            continue
        mass = Amount(abs(off), "kg", 1)
        found.append(
            Text(
                "{melt} holds {mass} more than its list and its pours leave. The account has it as unexplained.",
                melt=m.name,
                mass=mass,
            )
            if off > 0.0
            else Text(
                "{melt} holds {mass} less than its list and its pours leave. The account has it as unexplained.",
                melt=m.name,
                mass=mass,
            )
        )
    return tuple(found)
