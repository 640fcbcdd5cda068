"""`pipemetal plan` and `pipemetal demo`: the main job."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipemetal.cli.common import (
    FILE,
    find_beside,
    json_option,
    load_recipes,
    out_argument,
    out_option,
    print_json,
    recipes_option,
    settings_for,
)
from pipemetal.cli.plan_summary import print_summary
from pipemetal.cli.progress import Watch
from pipemetal.errors import InputError
from pipemetal.texts import Text

if TYPE_CHECKING:
    from pipemetal.planning.settings import ShopSettings
    from pipemetal.planning.stock import Stock
    from pipemetal.plans.record import Plan

__all__ = ["demo", "learned_from", "plan", "stock_of"]

DEMO_ITERATIONS = 30_000


@click.command(short_help="From ranks, rack and lots to cutting sheets, melts and pours.")
@click.argument("organ_file", metavar="ORGAN.toml", type=FILE)
@click.option(
    "--rack",
    "rack_path",
    type=FILE,
    metavar="rack.csv|DIR",
    help="Rolls with readings.csv beside them; without it every sheet is cast.",
)
@click.option(
    "--lots",
    "lots_path",
    type=FILE,
    metavar="lots.csv",
    help="Pigs, ingots, scrap and master alloys; without it all is bought.",
)
@click.option("--shop", "shop", metavar="PATH|URL", help="Take rack, lots and recipes from this shop book instead.")
@click.option("--reserved", is_flag=True, help="With --shop: use what other accepted plans have reserved too.")
@click.option("--accept", "accepts", is_flag=True, help="With --shop: accept the plan into the book at once.")
@click.option(
    "--by", metavar="NAME", help="With --accept: who accepts it [PIPEMETAL_BY, else the login].", envvar="PIPEMETAL_BY"
)
@click.option(
    "--settings",
    "settings_path",
    type=FILE,
    metavar="shop.toml",
    help="Default: the book's, shop.toml beside it; without --shop that beside the organ.",
)
@click.option(
    "--log", "log_path", type=FILE, metavar="LOG.csv", help="Casting log to learn from. Default: log.csv beside."
)
@out_option("--out", "out", required=True, metavar="DIR", help="Where the plan is written.")
@click.option("--seconds", type=click.FloatRange(0.1, 86_400), help="Time to search for a layout [30].")
@click.option("--iterations", type=click.IntRange(1), help="Moves instead of seconds: same seed and moves, same plan.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True)
@recipes_option
@json_option
def plan(
    organ_file: Path,
    rack_path: Path | None,
    lots_path: Path | None,
    shop: str | None,
    reserved: bool,
    accepts: bool,
    by: str | None,
    settings_path: Path | None,
    log_path: Path | None,
    out: Path,
    seconds: float | None,
    iterations: int | None,
    seed: int,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """Plan the main job for ORGAN.toml and write it to a folder.

    Gives every pipe and blank, the rolls to take down and where each blank is cut, the sheets still to cast, melts with
    every lot's mass, the pours with gate, marks and temperatures, and a metal account that balances. Ctrl+C ends the
    search with the best plan so far. Exit code 1 when something cannot be served; it is named.
    """
    _checked_organ(organ_file, recipes_path)
    if shop is None and (accepts or reserved):
        raise InputError("needs the book", field="--accept and --reserved", allowed="--shop PATH beside it")
    stock = stock_of(organ_file, rack_path, lots_path, shop, recipes_path, reserved=reserved)
    made = run_plan(
        organ_file,
        stock,
        settings_for(settings_path, shop, organ_file),
        log_path,
        out,
        seconds=seconds,
        iterations=iterations,
        seed=seed,
        quiet=as_json,
    )
    if as_json:
        from pipemetal.plans.codec import with_table

        print_json(with_table(made))
    else:
        print_summary(made, out)
    if accepts:
        assert shop is not None
        _accept(shop, by, organ_file, made, quiet=as_json)
    click.get_current_context().exit(0 if _complete(made) else 1)


def _accept(shop: str, by: str | None, organ_file: Path, made: Plan, *, quiet: bool) -> None:
    """Take a plan into the book, and the text of its organ, where the book has not the same already: the pages show it."""
    from pipemetal.cli.accept_cmd import accept_into
    from pipemetal.shop.book import Book

    with Book.open(shop, who=by) as book:
        book.keeping.keep_daily()
        text = organ_file.read_text(encoding="utf-8-sig")
        if text not in book.plans.organs().values():
            book.plans.add_organ(made.organ, text)
        plan_id, words = accept_into(book, made)
    if not quiet:
        click.echo(words)
        click.echo(
            f"Taken back in one step: pipemetal plan accept {shlex.quote(plan_id)} --take-back --shop {shlex.quote(shop)}"
        )


@click.command(short_help="The invented shop, and the main job on it.")
@out_argument("folder", metavar="[DIR]", default=Path("demo-shop"))
@click.option("--seconds", type=click.FloatRange(0.1, 86_400), help="Seconds by the clock instead of moves.")
@click.option(
    "--iterations",
    type=click.IntRange(1),
    default=DEMO_ITERATIONS,
    show_default=True,
    help="Moves: same seed and moves, same plan, on a busy machine too.",
)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True)
@json_option
def demo(folder: Path, seconds: float | None, iterations: int, seed: int, as_json: bool) -> None:
    """Set up the invented Tinbrook shop in DIR (demo-shop) and run the main job on it.

    The shop's rack, lots and log go into a shop book, DIR/shop.sqlite, and the plan is made from it. Files and
    a book that are in DIR already are left as they are, so a changed organ is planned as changed.
    """
    from pipemetal.files.demo_files import copy_demo_shop

    copy_demo_shop(folder)
    out = folder / "plan"
    organ_file, shop = folder / "organ.toml", folder / "shop.sqlite"
    _checked_organ(organ_file, None)
    _demo_book(folder, shop)
    stock = stock_of(organ_file, None, None, str(shop), None)
    made = run_plan(
        organ_file,
        stock,
        settings_for(None, str(shop), organ_file),
        None,
        out,
        seconds=seconds,
        iterations=iterations if seconds is None else None,
        seed=seed,
        quiet=as_json,
    )
    if as_json:
        from pipemetal.plans.codec import with_table

        print_json(with_table(made))
    else:
        print_summary(made, out)
        click.echo(
            f"The shop lives in the book {shop}; change the organ and plan again, or accept the plan into the book:"
        )
        click.echo(f"  pipemetal plan {organ_file} --shop {shop} --out {out}")
        click.echo(f"  pipemetal plan accept {out / 'plan.json'} --shop {shop}")
    click.get_current_context().exit(0 if _complete(made) else 1)


def _demo_book(folder: Path, shop: Path) -> None:
    """The invented shop's files in a book; one that is there already is left as it is."""
    from pipemetal.shop.book import Book

    if not shop.exists():
        with Book.open_or_make(shop, who=None) as book:
            book.tables.import_folder(folder)
            book.plans.add_organ("Merrowby Chapel", (folder / "organ.toml").read_text(encoding="utf-8"))


def _checked_organ(organ_file: Path, recipes_path: Path | None) -> None:
    """Read the organ before the rack, whose fields take seconds to fit: a slip in it is told at once."""
    from pipemetal.cli.pipes_cmd import load_pipes
    from pipemetal.planning.settings import ShopSettings

    load_pipes(organ_file, recipes_path, settings=ShopSettings())


def stock_of(
    organ_file: Path,
    rack_path: Path | None,
    lots_path: Path | None,
    shop: str | None,
    recipes_path: Path | None,
    *,
    reserved: bool = False,
) -> Stock:
    """Recipes, rack, lots and lots of unknown metal, from files or from the shop book."""
    if shop is not None:
        if rack_path is not None or lots_path is not None:
            raise InputError("cannot be combined with --rack or --lots", field="--shop", value=shop)
        from pipemetal.shop.stock import planning_stock

        return planning_stock(shop, reserved=reserved)
    from pipemetal.files.lots_file import read_lots
    from pipemetal.files.rack_file import told_of_aside, usable_rack
    from pipemetal.planning.stock import Stock

    recipes = load_recipes(recipes_path, organ_file)
    own = find_beside(recipes_path, organ_file, "recipes.toml") is None
    lots, unknown = read_lots(lots_path, recipes) if lots_path is not None else ((), ())
    rack, aside = usable_rack(rack_path, recipes) if rack_path is not None else ((), {})
    notes = [*told_of_aside(aside)]
    notes += [Text("No --rack was given: every sheet is cast.")] if rack_path is None else []
    notes += [Text("No --lots were given: all metal is bought.")] if lots_path is None else []
    if own:
        words = "No recipes.toml beside {file}: the program's own recipes were used."
        notes.append(Text(words, file=organ_file.name))
    return Stock(recipes, tuple(rack), tuple(lots), tuple(unknown), tuple(notes))


def run_plan(
    organ_file: Path,
    stock: Stock,
    settings: ShopSettings,
    log_path: Path | None,
    out: Path,
    *,
    seconds: float | None,
    iterations: int | None,
    seed: int,
    quiet: bool,
) -> Plan:
    """Make a plan and write it; gives its record."""
    from pipemetal.documents.plan_pages import write_plan_files
    from pipemetal.files.organ_file import read_organ
    from pipemetal.files.outbox import check_place
    from pipemetal.planning.plan import Search, make_plan

    if out.exists() and not out.is_dir():
        raise InputError("is a file, a folder is wanted", field="--out", value=str(out))
    if out.is_dir():
        check_place(out / "plan.json")  # now, not after the planning
    organ = read_organ(organ_file, stock.recipes)
    with Watch("planning", quiet=quiet) as watch:
        made = make_plan(
            organ,
            stock,
            settings,
            learned=learned_from(log_path, organ_file),
            search=Search(
                None if iterations else (seconds or 30.0), iterations, seed, watch.progress, watch.should_stop
            ),
        )
    return write_plan_files(made, out)


def learned_from(log_path: Path | None, organ_file: Path) -> Any:
    """What the casting log given teaches, or log.csv beside the organ; None where there is none."""
    beside = organ_file.parent / "log.csv"
    path = log_path or (beside if beside.exists() else None)
    if path is None:
        return None
    from pipemetal.files.log_file import read_log
    from pipemetal.planning.learning import learn

    return learn(read_log(path))


def _complete(plan: Plan) -> bool:
    return not plan.unserved and not plan.faults and all(melt.charge is not None for melt in plan.melts)
