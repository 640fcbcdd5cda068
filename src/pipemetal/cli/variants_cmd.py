"""`pipemetal plan variants`: what if the shop were a little different, side by side."""

from __future__ import annotations

import dataclasses
import functools
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
from pipemetal.files.outbox import may_replace, replacing, write

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipemetal.executor import Executor
    from pipemetal.planning.choices import Work
    from pipemetal.planning.settings import ShopSettings
    from pipemetal.planning.variants import Case, Figures

    Row = tuple[Figures, Work]

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
    others, work in hours and money too. --out DIR writes them, with a page DIR/choices.html to look at them side by side.

    One plan a worker: with --workers 2 two plans at once. Ctrl+C ends with those that are done. Exit code 1 when a variant
    cannot be planned.
    """
    from pipemetal.executor import executor_for
    from pipemetal.files.organ_file import read_organ
    from pipemetal.planning.learning import Learned
    from pipemetal.planning.variants import Case

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
    )
    cases = _cases(base, vary_path)
    work = functools.partial(plan_case, out=out, replace=may_replace(), prices=settings)
    with Watch("planning variants", quiet=as_json) as watch:
        found, failed = _planned(cases, work, executor_for(workers, cluster), watch)
    rows = [(cases[index].name, found[index]) for index in sorted(found)]
    if three and out is not None and rows:
        _write_page(base, rows, out)
    _show(rows, failed, base, len(cases), three, as_json)
    click.get_current_context().exit(1 if failed else 0)


def _cases(base: Case, vary_path: Path | None) -> list[Case]:
    """The three choices, or the shop as it is and its variants."""
    from pipemetal.files.variants_file import read_variants
    from pipemetal.planning.choices import choices

    if vary_path is None:
        return [base.changed(change) for change in choices(base.settings)]
    return [base, *(base.changed(change) for change in read_variants(vary_path, base.recipes, base.settings))]


def _write_page(base: Case, rows: Sequence[tuple[str, Row]], out: Path) -> None:
    from pipemetal.documents.choices_page import choices_page

    figures = figure_rows([row for _, row in rows])
    write(out / "choices.html", choices_page(base.organ.name, [name for name, _ in rows], figures, base.settings))


def _show(
    rows: list[tuple[str, Row]], failed: dict[str, str], base: Case, asked: int, three: bool, as_json: bool
) -> None:
    settings = base.settings
    notes = _notes(failed, asked - len(rows), base.iterations is not None)
    if as_json:
        found = [{"name": name} | dataclasses.asdict(f) | {"work": dataclasses.asdict(w)} for name, (f, w) in rows]
        print_json({"settings_from": settings.source, "variants": found, "not_planned": failed})
    elif three:
        _print_choices(rows, [*_by_luck(rows), *notes], settings.currency)
    else:
        notes.insert(-1, f"Settings: {settings.source}, changed by each variant.")
        _print([(name, figures) for name, (figures, _) in rows], notes, settings.currency)


def _planned(
    cases: Sequence[Case], work: Callable[[Case], Row], executor: Executor, watch: Watch
) -> tuple[dict[int, Row], dict[str, str]]:
    """What each case comes to, by its number, and why others cannot be planned, by their names."""
    found: dict[int, Row] = {}
    failed: dict[str, str] = {}
    for outcome in executor.run(work, cases, watch.should_stop):
        if outcome.result is not None:
            found[outcome.index] = outcome.result
        else:
            failed[cases[outcome.index].name] = outcome.error
        watch.progress((len(found) + len(failed)) / len(cases), f"{len(found)} of {len(cases)}")
    return found, failed


def plan_case(case: Case, out: Path | None, replace: bool, prices: ShopSettings) -> Row:
    """Plan one variant, write it where wanted, and give its figures and its work, priced by the shop as it is."""
    from pipemetal.planning.choices import work_of
    from pipemetal.planning.variants import figures_of, planned

    plan = planned(case)
    if out is not None:
        from pipemetal.documents.plan_pages import safe_name, write_plan_files

        with replacing(replace):
            write_plan_files(plan, out / safe_name(case.name))
    return figures_of(plan), work_of(plan, prices)


def _by_luck(rows: Sequence[tuple[str, Row]]) -> list[str]:
    """Says so where the search was so short that another plan is better at what a plan is named for."""
    kinds: tuple[tuple[str, str, Callable[[Row], float]], ...] = (
        ("least metal", "takes less metal", lambda row: row[0].consumed_m2),
        ("least work", "asks for less work", lambda row: row[1].hours),
        ("safest", "is safer", lambda row: -row[1].pipes_expected),
    )
    told = []
    for name, better, value in kinds:
        mine = next((row for called, row in rows if called == name), None)
        best = min(rows, key=lambda row: value(row[1]), default=None)
        if mine is not None and best is not None and value(best[1]) < value(mine) - 1e-6:
            told.append(f"This time {best[0]!r} {better} than {name!r}: luck of the search. Search longer, or take it.")
    return told


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


def figure_rows(rows: Sequence[Row]) -> list[tuple[str, list[str]]]:
    """What a foreman weighs, a row each: its name (a place for the currency in it), and its value in every plan."""
    shown: list[tuple[str, Callable[[Figures, Work], str]]] = [
        ("pipes served", lambda f, w: f"{f.pipes_served} of {f.pipes}"),
        ("pipes expected to fit", lambda f, w: f"{w.pipes_expected:.0f}"),
        ("rolls to take down", lambda f, w: f"{f.rolls}"),
        ("sheets to cast", lambda f, w: f"{f.sheets}"),
        ("melts", lambda f, w: f"{f.melts}"),
        ("casting days", lambda f, w: f"{f.casting_days}"),
        ("sled changes", lambda f, w: f"{w.sled_changes}"),
        ("sheets that a rank lies on", lambda f, w: f"{w.sheets_of_a_rank:.1f}"),
        ("melts that a rank is of", lambda f, w: f"{w.melts_of_a_rank:.1f}"),
        ("metal used, m²", lambda f, w: f"{f.consumed_m2:.1f}"),
        ("rests kept, m²", lambda f, w: f"{w.kept_m2:.1f}"),
        ("new metal, kg", lambda f, w: f"{f.new_kg:.0f}"),
        ("remelt, kg", lambda f, w: f"{f.remelt_kg:.0f}"),
        ("lost, kg", lambda f, w: f"{f.lost_kg:.1f}"),
        ("hours of casting and fetching", lambda f, w: f"{w.hours:.1f}"),
        ("work, {currency}", lambda f, w: f"{w.cost:.0f}"),
        ("metal, {currency}", lambda f, w: f"{f.cost:.0f}"),
        ("metal and work, {currency}", lambda f, w: f"{f.cost + w.cost:.0f}"),
    ]
    return [(name, [value(*row) for row in rows]) for name, value in shown]


def _print_choices(rows: Sequence[tuple[str, Row]], notes: list[str], currency: str) -> None:
    """The plans as columns, a figure a row."""
    lines = [(name.format(currency=currency), *values) for name, values in figure_rows([row for _, row in rows])]
    print_table("Three plans to choose from", ["", *(name for name, _ in rows)], lines, notes)


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
