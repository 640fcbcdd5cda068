"""`pipemetal organ old-rank`: what an old rank says, what to make for it, and its dossier."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import FILE, json_option, load_recipes, out_option, print_json, recipes_option
from pipemetal.cli.old_rank_words import made_dict, print_made, print_said, said_dict
from pipemetal.cli.shop_cmd import open_book, shop_of, shop_option
from pipemetal.files.outbox import write, write_all
from pipemetal.files.restoration_file import read_restoration
from pipemetal.restoration.says import says
from pipemetal.units import UnitSystem
from pipemetal.words import LANGUAGES, Words

if TYPE_CHECKING:
    from pipemetal.alloys.recipe import Recipe
    from pipemetal.restoration.metal import MetalWanted

__all__ = ["old_rank"]


@click.group(short_help="An old rank: what it was, what is missing, what to make for it.")
def old_rank() -> None:
    """An old rank: `say` what its measures tell, `make` what is missing, `dossier` for the papers.

    RESTORATION.toml and the table of pipes that it names are explained in docs/restoration.md.
    """


@old_rank.command(short_help="Scale, laws, construction, pitch and temperament; what does not belong.")
@click.argument("restoration_file", metavar="RESTORATION.toml", type=FILE)
@json_option
def say(restoration_file: Path, as_json: bool) -> None:
    """What the measures of an old rank say, with intervals of 95 %.

    Temperaments come as a set that holds 95 % of the belief, never as one name alone. Exit code 1 when some pipe does not belong.
    """
    from pipemetal.restoration.make import known_alloy

    said = says(read_restoration(restoration_file))
    known_alloy(said.old, load_recipes(None, restoration_file))
    if as_json:
        print_json(said_dict(said))
    else:
        print_said(said)
    if said.strangers:
        click.get_current_context().exit(1)


@old_rank.command(short_help="The missing pipes as an organ file, their alloy, and the metal.")
@click.argument("restoration_file", metavar="RESTORATION.toml", type=FILE)
@out_option("--out", metavar="DIR", help="Write organ.toml and old-pipes.csv here, ready for pipemetal plan.")
@click.option("--lots", "with_lots", is_flag=True, help="Weigh the metal out of the lots of the shop book.")
@shop_option
@recipes_option
@json_option
def make(
    restoration_file: Path,
    out: Path | None,
    with_lots: bool,
    shop: str | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """The missing pipes, each size with its interval and whether it is computed or guessed; the recipe, and how much of it.

    `pipemetal plan` takes the organ file that is written; `pipemetal print patterns` draws its blanks.
    """
    from pipemetal.documents.old_rank_file import old_rank_files
    from pipemetal.restoration.make import metal_for, to_make

    said = says(read_restoration(restoration_file))
    made = to_make(said)
    recipes = _recipes(with_lots, shop, recipes_path, restoration_file)
    metal = metal_for(said, recipes)
    files = old_rank_files(made, metal.recipe.name)
    wanted = _wanted(files, recipes, metal.recipe, with_lots, shop)
    written = [str(path) for path in write_all(out, files)] if out is not None else []
    if as_json:
        print_json(made_dict(made, metal, wanted) | {"files": written})
        return
    print_made(made, metal, wanted)
    if written:
        click.echo("Wrote " + ", ".join(written) + ".")


def _recipes(with_lots: bool, shop: str | None, given: Path | None, beside: Path) -> dict[str, Recipe]:
    if not with_lots:
        return load_recipes(given, beside)
    with open_book(shop) as book:
        return dict(book.recipes.all())


def _wanted(
    files: dict[str, str], recipes: dict[str, Recipe], recipe: Recipe, with_lots: bool, shop: str | None
) -> MetalWanted:
    import tempfile

    from pipemetal.files.organ_file import read_organ
    from pipemetal.planning.settings import ShopSettings
    from pipemetal.restoration.metal import metal_wanted
    from pipemetal.shop.stock import book_stock, settings_of_book

    with tempfile.TemporaryDirectory() as folder:
        for name, text in files.items():
            (Path(folder) / name).write_text(text, encoding="utf-8")
        organ = read_organ(Path(folder) / "organ.toml", recipes)
    if not with_lots:
        return metal_wanted(organ, recipe, None, ShopSettings())
    with open_book(shop) as book:
        stock = book_stock(book)
    return metal_wanted(organ, recipe, stock.lots, settings_of_book(shop_of(shop)).settings)


@old_rank.command(short_help="The dossier: measured, computed and guessed kept apart; PDF.")
@click.argument("restoration_file", metavar="RESTORATION.toml", type=FILE)
@out_option("--out", metavar="FILE.pdf", required=True, help="Where the dossier is written.")
@click.option("--paper", "paper_name", type=click.Choice(["a4", "letter"]), default="a4", show_default=True)
@click.option("--language", type=click.Choice(LANGUAGES), default="en", show_default=True)
@click.option("--lengths", type=click.Choice(["mm", "in"]), default="mm", show_default=True)
@click.option("--lots", "with_lots", is_flag=True, help="Name the lots of the shop book that give the metal.")
@shop_option
@recipes_option
@json_option
def dossier(
    restoration_file: Path,
    out: Path,
    paper_name: str,
    language: str,
    lengths: str,
    with_lots: bool,
    shop: str | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """A dossier: what was measured and how, what was computed, what is guessed, what was added, and the sources."""
    from pipemetal.documents.dossier import dossier_pdf
    from pipemetal.documents.old_rank_file import old_rank_files
    from pipemetal.restoration.make import Metal, ToMake, made_or_why, metal_or_why

    said = says(read_restoration(restoration_file))
    recipes = _recipes(with_lots, shop, recipes_path, restoration_file)
    made, metal = made_or_why(said), metal_or_why(said, recipes)
    wanted = None
    if isinstance(made, ToMake) and isinstance(metal, Metal):
        wanted = _wanted(old_rank_files(made, metal.recipe.name), recipes, metal.recipe, with_lots, shop)
    units = UnitSystem(lengths, comma=language == "de")
    write(out, dossier_pdf(said, made, metal, units, Words(language), paper_name, wanted))
    if as_json:
        print_json({"files": [str(out)]})
    else:
        click.echo(f"Wrote {out}.")
