"""What a plan comes to, as the command line tells it."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import counted, print_table

if TYPE_CHECKING:
    from pipemetal.plans.record import Plan

__all__ = ["print_summary"]


MASSES = (
    "metal of the sheets and rolls that are cut, each of its own thickness within the tolerance; pipemetal organ pipes weighs "
    "the walls asked for"
)


def print_summary(plan: Plan, out: Path) -> None:
    """What a foreman wants to know first."""
    _print_alloys(plan)
    metal = plan.metal
    click.echo(
        f"Pipes served: {plan.pipes_served} of {len(plan.pipes)}. To melt: {metal.new_kg + metal.remelt_kg:.0f} kg "
        f"({metal.new_kg:.0f} new, {metal.remelt_kg:.0f} remelt) in {counted(len(plan.melts), 'melt')}, "
        f"{counted(len(plan.new_sheets), 'sheet')} over "
        f"{counted(max((p.day for p in plan.pours), default=0), 'casting day')}."
    )
    _print_days(plan)
    click.echo(f"Settings: {plan.settings_from}.")
    if plan.rolls_used:
        click.echo("Rolls to take down: " + ", ".join(r.id for r in plan.rolls_used) + ".")
    click.echo(
        f"Metal consumed {plan.consumed_mm2 / 1e6:.1f} m2, {100 * plan.utilisation:.1f} % of it blanks; no plan can use "
        f"less than {plan.lower_bound_mm2 / 1e6:.1f} m2 (gap {plan.gap_percent:.1f} %)."
    )
    if plan.to_buy_kg:
        bought = ", ".join(f"{mass:g} kg {element}" for element, mass in plan.to_buy_kg.items())
        click.echo(f"Not on the floor, to be bought: {bought}.")
    for sheet in plan.sheets_to_buy:
        click.echo(
            f"Flat sheet to buy: {sheet.metal} {sheet.thickness_mm:g} mm, {sheet.blank_area_m2:.2f} m2 of blanks "
            f"({sheet.blank_kg:.1f} kg), waste of cutting to be added."
        )
    for line in _what_is_missing(plan, out):
        click.echo(line)
    click.echo(
        f"Independent check: {len(plan.faults)} faults. Account closes to {metal.unexplained_kg:.3f} kg. "
        "Liquid lead alloys: read the cautions first."
    )
    click.echo(f"Look at {out / 'index.html'}")


def _print_days(plan: Plan) -> None:
    """Each day in a line: its melts, when the burner is lit, when the first sheet is poured, when all is done."""
    from pipemetal.texts import clock_text

    for day in plan.days:
        alloys = ", ".join(f"{m.name} {m.recipe}" for m in plan.melts if m.name in day.melts)
        click.echo(
            f"Day {day.day}{f' ({day.date})' if day.date else ''}: {alloys}; burner lit {clock_text(day.lit_min)}, "
            f"first pour {clock_text(day.first_pour_min)}, done {clock_text(day.end_min)}."
        )


def _what_is_missing(plan: Plan, out: Path) -> Iterator[str]:
    """What cannot be done, what decided, and what was set aside, a line each."""
    from pipemetal.plans.unserved import unserved_pipes

    for melt in plan.melts:
        if melt.blocked is not None:
            yield f"Cannot be charged: {melt.name} ({melt.recipe}): {melt.blocked.words}"
    yield from plan.notes
    for reading in plan.readings_left_out:
        yield f"Reading not trusted: {reading.roll}: {reading.reason}."
    if plan.lots_without_analysis:
        yield "Waiting for an assay, not charged: " + ", ".join(plan.lots_without_analysis) + "."
    lacking = unserved_pipes(plan)
    for lost in lacking:
        pipes = "1 pipe" if lost.pipes == 1 else f"{lost.pipes} pipes"
        yield f"Not served: {lost.rank} {lost.notes}, {pipes}: {lost.blank}: {lost.reason}"
    if lacking:
        yield f"Every blank of them: {out / 'not-served.csv'}."
    for pour in plan.pours:
        if pour.problem:
            yield f"No push gives sheet {pour.sheet}: {pour.problem}"
        elif pour.card is not None and pour.pour_window_c is None:
            yield f"No temperature suits sheet {pour.sheet}: {'; '.join(pour.warnings)}."


def _print_alloys(plan: Plan) -> None:
    by_alloy = plan.metal.by_alloy
    from pipemetal.plans.unserved import served_pipes

    made = served_pipes(plan)
    served: Counter[str] = Counter(p.alloy for p in made)
    rolls: dict[str, list[str]] = defaultdict(list)
    sheets: dict[str, list[str]] = defaultdict(list)
    for roll in plan.rolls_used:
        rolls[roll.alloy].append(roll.id)
    for sheet in plan.new_sheets:
        sheets[sheet.alloy].append(sheet.id)
    melts: Counter[str] = Counter(m.recipe for m in plan.melts)
    print_table(
        f"{plan.organ}: metal plan",
        [
            "alloy",
            "pipes",
            "pipes kg",
            "rolls to take down",
            "sheets to cast",
            "melts",
            "new kg",
            "remelt kg",
            "lost kg",
        ],
        [
            (
                alloy,
                served[alloy],
                f"{row['pipes_kg']:.1f}",
                len(rolls[alloy]),
                len(sheets[alloy]),
                melts[alloy],
                f"{row['new_metal_kg']:.1f}",
                f"{row['remelt_kg']:.1f}",
                f"{row['dross_kg'] + row['kerf_kg']:.2f}",
            )
            for alloy, row in by_alloy.items()
        ],
        [
            f"Pipes kg: {MASSES}.",
            f"By the walls asked for: {sum(p.cast_kg for p in made):.1f} kg, languids and caps included.",
        ],
    )
