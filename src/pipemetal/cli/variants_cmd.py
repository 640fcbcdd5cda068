"""`pipemetal plan variants`: what if the shop were a little different, side by side."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import (
    FILE,
    json_option,
    out_option,
    print_json,
    print_table,
    recipes_option,
    settings_for,
    workers_options,
)
from pipemetal.cli.plan_cmd import learned_from, stock_of
from pipemetal.cli.progress import Watch
from pipemetal.files.outbox import write

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipemetal.executor import Executor
    from pipemetal.planning.choices import Choice, Row
    from pipemetal.planning.plan import Plan
    from pipemetal.planning.settings import ShopSettings
    from pipemetal.planning.variants import Case, Figures

__all__ = ["variants"]

AS_IT_IS = "as it is"


@click.command(short_help="What if the shop were a little different, side by side.")
@click.argument("organ_file", metavar="ORGAN.toml", type=FILE)
@click.option("--vary", "vary_path", type=FILE, metavar="variants.toml", help="What would be different.")
@click.option(
    "--choices",
    "three",
    is_flag=True,
    help="Three plans of the shop as it is instead: least metal, least work, safest.",
)
@click.option("--rack", "rack_path", type=FILE, metavar="rack.csv|DIR", help="Rolls with readings.csv beside them.")
@click.option("--lots", "lots_path", type=FILE, metavar="lots.csv", help="Pigs, ingots, scrap and master alloys.")
@click.option("--shop", "shop", metavar="PATH|URL", help="Take rack, lots and recipes from this shop book instead.")
@click.option(
    "--settings",
    "settings_path",
    type=FILE,
    metavar="shop.toml",
    help="Default: the book's, shop.toml beside it; without --shop that beside the organ.",
)
@click.option("--log", "log_path", type=FILE, metavar="LOG.csv", help="Casting log. Default: log.csv beside.")
@out_option("--out", "out", metavar="DIR", help="Write every plan into a folder of this one.")
@click.option(
    "--seconds", type=click.FloatRange(0.1, 86_400), default=30.0, show_default=True, help="For each variant."
)
@click.option("--iterations", type=click.IntRange(1), help="Moves instead of seconds: same seed and moves, same plans.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True)
@workers_options
@recipes_option
@json_option
def variants(
    organ_file: Path,
    vary_path: Path | None,
    three: bool,
    rack_path: Path | None,
    lots_path: Path | None,
    shop: str | None,
    settings_path: Path | None,
    log_path: Path | None,
    out: Path | None,
    seconds: float,
    iterations: int | None,
    seed: int,
    workers: int | None,
    cluster: str | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """Plan ORGAN.toml for the shop as it is and for every variant of variants.toml, and show what each comes to.

    With --choices three plans of the shop as it is: with least metal, with least work, and the safest, each figure beside the
    others, the best of each row marked. Each is the best of all three searches by its own measure. --out DIR writes them, with a
    page DIR/choices.html to look at them side by side.

    One plan a worker: with --workers 2 two plans at once. Ctrl+C ends with those that are done. Exit code 1 when a variant
    cannot be planned.
    """
    from pipemetal.documents.plan_pages import safe_name, write_plan_files
    from pipemetal.executor import executor_for
    from pipemetal.files.organ_file import read_organ
    from pipemetal.planning.choices import chosen, priced, work_of
    from pipemetal.planning.learning import Learned
    from pipemetal.planning.variants import Case, figures_of

    if three == (vary_path is not None):
        raise click.UsageError("Give either --vary variants.toml or --choices.")
    stock = stock_of(organ_file, rack_path, lots_path, shop, recipes_path)
    settings = settings_for(settings_path, shop, organ_file)
    base = Case(
        AS_IT_IS,
        read_organ(organ_file, stock.recipes),
        stock.recipes,
        tuple(stock.rack),
        tuple(stock.lots),
        settings,
        learned_from(log_path, organ_file) or Learned(),
        tuple(stock.unknown),
        None if iterations else seconds,
        iterations,
        seed,
        notes=stock.notes,
    )
    cases = _cases(base, vary_path)
    with Watch("planning variants", quiet=as_json) as watch:
        plans, failed = _planned(cases, executor_for(workers, cluster), watch)
    rows = {name: (figures_of(plan), work_of(plan, settings)) for name, plan in plans.items()}
    notes = _notes(failed, len(cases) - len(rows), iterations is not None)
    if three:
        found = chosen(priced(rows))
        if out is not None and found:
            _write_choices(base, found, plans, out)
        _show_choices(found, settings, failed, notes, as_json)
    else:
        for name, plan in plans.items():
            if out is not None:
                write_plan_files(plan, out / safe_name(name))
        _show(priced(rows), settings, failed, notes, as_json)
    click.get_current_context().exit(1 if failed else 0)


def _cases(base: Case, vary_path: Path | None) -> list[Case]:
    """The three choices, or the shop as it is and its variants."""
    from pipemetal.files.variants_file import read_variants
    from pipemetal.planning.choices import choices

    if vary_path is None:
        return [base.changed(change) for change in choices(base.settings)]
    return [base, *(base.changed(change) for change in read_variants(vary_path, base.recipes, base.settings))]


def _planned(cases: Sequence[Case], executor: Executor, watch: Watch) -> tuple[dict[str, Plan], dict[str, str]]:
    """The plan of each case by its name, in their order, and why others cannot be planned."""
    from pipemetal.planning.variants import planned

    found: dict[int, Plan] = {}
    failed: dict[str, str] = {}
    for outcome in executor.run(planned, cases, watch.should_stop):
        if outcome.result is not None:
            found[outcome.index] = outcome.result
        else:
            failed[cases[outcome.index].name] = outcome.error
        watch.progress((len(found) + len(failed)) / len(cases), f"{len(found)} of {len(cases)}")
    return {cases[index].name: found[index] for index in sorted(found)}, failed


def _write_choices(base: Case, found: Sequence[Choice], plans: Mapping[str, Plan], out: Path) -> None:
    """Each plan in a folder of its name, and a page with all of them beside each other."""
    from pipemetal.documents.choices_page import choices_page
    from pipemetal.documents.plan_pages import safe_name, write_plan_files

    for choice in found:
        write_plan_files(plans[choice.found_by], out / safe_name(choice.name))
    waste = {name: plan.waste for name, plan in plans.items()}
    write(out / "choices.html", choices_page(base.organ.name, found, waste, base.settings))


def _show_choices(
    found: Sequence[Choice], settings: ShopSettings, failed: dict[str, str], notes: list[str], as_json: bool
) -> None:
    """The plans as columns, a figure a row, the best of each row marked."""
    from pipemetal.planning.choice_lines import lines_of

    if as_json:
        rows = [
            {"name": c.name, "found_by": c.found_by}
            | dataclasses.asdict(c.figures)
            | {"work": dataclasses.asdict(c.work)}
            for c in found
        ]
        print_json({"settings_from": settings.source, "variants": rows, "not_planned": failed})
        return
    lines = [
        (line.name, *(f"{value} *" if best else value for value, best in zip(line.shown, line.best, strict=True)))
        for line in lines_of(found, settings)
    ]
    same = [
        f"{c.name!r} is the plan that was searched for as {c.found_by!r}: it is better."
        for c in found
        if c.name != c.found_by
    ]
    print_table(
        "Three plans to choose from", ["", *(c.name for c in found)], lines, ["* best in its row.", *same, *notes]
    )


def _show(
    rows: Mapping[str, Row], settings: ShopSettings, failed: dict[str, str], notes: list[str], as_json: bool
) -> None:
    if as_json:
        found = [
            {"name": name, "found_by": name} | dataclasses.asdict(f) | {"work": dataclasses.asdict(w)}
            for name, (f, w) in rows.items()
        ]
        print_json({"settings_from": settings.source, "variants": found, "not_planned": failed})
        return
    notes.insert(-1, f"Settings: {settings.source}, changed by each variant.")
    _print([(name, figures) for name, (figures, _) in rows.items()], notes, settings.currency)


def _notes(failed: dict[str, str], missing: int, counted: bool) -> list[str]:
    notes = [f"{name} cannot be planned: {why}" for name, why in failed.items()]
    if missing > len(failed):
        notes.append(f"Stopped: {missing - len(failed)} variants were not planned.")
    notes.append(
        "Searches ended by --iterations: the same again on every machine. What differs by a percent or two may be luck."
        if counted
        else "Searches ended by time: what differs by a percent or two may be luck. --iterations repeats the figures."
    )
    return notes


def _print(rows: list[tuple[str, Figures]], notes: list[str], currency: str) -> None:
    print_table(
        "Variants side by side",
        [
            "variant",
            "pipes served",
            "rolls",
            "sheets",
            "melts",
            "days",
            "m² used",
            "gap %",
            "new kg",
            "remelt kg",
            "to buy kg",
            "lost kg",
            f"cost {currency}",
        ],
        [
            (
                name,
                f"{f.pipes_served} of {f.pipes}",
                f.rolls,
                f.sheets,
                f.melts,
                f.casting_days,
                f"{f.consumed_m2:.1f}",
                f"{f.gap_percent:.1f}",
                f"{f.new_kg:.0f}",
                f"{f.remelt_kg:.0f}",
                f"{f.bought_kg:.0f}",
                f"{f.lost_kg:.1f}",
                f"{f.cost:.0f}",
            )
            for name, f in rows
        ],
        notes,
    )
