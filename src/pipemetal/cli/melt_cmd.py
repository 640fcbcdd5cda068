"""`pipemetal metal charge`."""

from __future__ import annotations

from pathlib import Path
from typing import NoReturn

import click

from pipemetal.cli.common import FILE, json_option, load_recipes, print_json, print_table, recipes_option, rounded
from pipemetal.errors import MeltError, NotInBookError, near
from pipemetal.files.charge_file import ChargeJob, read_charge
from pipemetal.files.charge_json import between_wt_pct, blocked_dict, charge_dict
from pipemetal.files.shop_file import read_shop
from pipemetal.melts.charge import Charge
from pipemetal.melts.correction import CORRECTION, Correction, correct
from pipemetal.melts.loading import when_to_load
from pipemetal.melts.lots import Heel
from pipemetal.melts.mend import Blocked
from pipemetal.melts.mend import charge as charge_melt
from pipemetal.melts.mixing import Weighing
from pipemetal.melts.relax import Relaxed, what_relaxing_saves
from pipemetal.melts.worth import metal_prices, priced
from pipemetal.planning.settings import ShopSettings
from pipemetal.units import UnitSystem

__all__ = ["charge"]


@click.command(short_help="Weigh out a melt from lots, or correct one that is assayed.")
@click.argument("words", metavar="[correct] CHARGE.toml", nargs=-1, required=True)
@click.option("--shop", metavar="PATH|URL", help="With correct: the shop book that holds the melt and the lots.")
@click.option("--melt", "melt_id", metavar="ID", help="With --shop: the booked melt to correct.")
@click.option("--assay", metavar='"Sn 48 Pb bal"', help="With --melt: what the pot holds, if not as the book says.")
@click.option("--settings", "settings_path", type=FILE, metavar="shop.toml", help="Default: shop.toml beside the file.")
@recipes_option
@json_option
def charge(
    words: tuple[str, ...],
    shop: str | None,
    melt_id: str | None,
    assay: str | None,
    settings_path: Path | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """The weighing list of CHARGE.toml in the order of loading, or which element stands in the way.

    `charge correct CHARGE.toml` takes the file's heel as the whole pot with its assay and says what to add, as little as
    will do, and what to ladle out first where there is no room. The file then needs [heel] with mass_kg and composition, as
    `mass_kg = 180` and `composition = "Sn 48 Sb 0.3 Pb bal"`, and each lot its mass_kg.

    `charge correct --shop BOOK --melt ID` takes pot, recipe and free lots from the shop book; --assay says what the pot holds.

    Dross, the least worth weighing and the unit of mass are those of shop.toml. Exit code 1 when the
    recipe cannot be met; the smallest addition that mends it is named.
    """
    if words == ("correct",) and melt_id is not None:
        _correct_booked(shop, melt_id, assay, settings_path, as_json)
        return
    correcting = len(words) == 2 and words[0] == "correct"
    if len(words) != 1 and not correcting:
        raise MeltError(
            "is not understood",
            field="arguments",
            value=" ".join(words),
            allowed="CHARGE.toml, correct CHARGE.toml, correct --shop BOOK --melt ID",
            nearest=f"correct {words[-1]}" if near(words[0], ["correct"]) else "",
            example="pipemetal metal charge correct charge.toml",
        )
    path = Path(words[-1])
    job, settings = read_charge(path, load_recipes(recipes_path, path)), _shop(settings_path, path)
    if correcting:
        _correct(job, settings, path, as_json)
        return
    lots = priced(job.lots, metal_prices(job.lots))
    rules = Weighing(settings.losses, job.objective, job.certainty, job.weigh_step_kg, settings.pot.least_weighed_kg)
    answer = charge_melt(job.request, lots, rules=rules)
    if isinstance(answer, Blocked):
        _print_blocked(answer, as_json)
    relaxed = what_relaxing_saves(answer, lots, rules=rules)
    if as_json:
        print_json(charge_dict(answer, relaxed))
        return
    _print_charge(answer, relaxed, job.objective, settings, [])


def _shop(given: Path | None, beside: Path) -> ShopSettings:
    """The shop's settings: those given, those beside the file, or the defaults."""
    path = given or beside.parent / "shop.toml"
    return read_shop(path) if given is not None or path.exists() else ShopSettings()


def _correct(job: ChargeJob, shop: ShopSettings, path: Path, as_json: bool) -> None:
    if job.request.heel is None:
        raise MeltError(
            "is missing: the pot's mass and assay",
            field="[heel]",
            where=path.name,
            example='[heel] with mass_kg = 180 and composition = "Sn 48 Sb 0.3 Pb bal"',
        )
    found = correct(
        job.request.heel,
        job.request.recipe,
        job.lots,
        job.request.capacity_kg,
        losses=shop.losses,
        weigh_step_kg=job.weigh_step_kg,
        least_weighed_kg=0.0,
    )
    _print_correction(found, shop, as_json)


def _correct_booked(
    shop: str | None, melt_id: str, assay: str | None, settings_path: Path | None, as_json: bool
) -> None:
    """What to add to a melt of the book, from its free lots."""
    from pipemetal.alloys.composition import Composition
    from pipemetal.cli.shop_cmd import open_book
    from pipemetal.shop.stock import settings_of_book

    with open_book(shop) as book:
        melts = {m.id: m for m in book.melts.standing()}
        if melt_id not in melts:
            raise NotInBookError(field="melt", value=melt_id, known=list(melts))
        melt, recipes = melts[melt_id], book.recipes.all()
        settings = settings_of_book(book.target, settings_path).settings
        lots, _ = book.lots.free(plan=melt.plan)
    if assay is None and melt.metal is None:
        raise MeltError("is needed: the book does not know this metal", field="--assay", example="Sn 48 Sb 0.3 Pb bal")
    pot = Heel(melt.left_kg, Composition.parse(assay)) if assay is not None else melt.heel()
    found = correct(
        pot,
        recipes[melt.recipe],
        lots,
        settings.pot.capacity_kg,
        weigh_step_kg=settings.pot.weigh_step_kg,
        losses=settings.losses,
    )
    _print_correction(found, settings, as_json)


def _print_correction(found: Correction, shop: ShopSettings, as_json: bool) -> None:
    if isinstance(found.answer, Blocked):
        _print_blocked(found.answer, as_json)
    if as_json:
        room = {"ladle_out_kg": found.ladle_out_kg, "room_left_kg": rounded(found.room_left_kg, 2)}
        print_json(charge_dict(found.answer, ()) | room)
        return
    _print_charge(found.answer, (), "least added", shop, _correction_words(found, shop))


def _correction_words(found: Correction, shop: ShopSettings) -> list[str]:
    show = UnitSystem(mass=shop.mass_unit).show_mass
    words = (
        []
        if found.ladle_out_kg == 0.0
        else [
            f"First ladle out {show(found.ladle_out_kg, 0)} and cast it in ingots: the pot has no room for the addition."
        ]
    )
    return [*words, f"Room left in the pot when all is in: {show(found.room_left_kg, 0)}."]


def _print_blocked(answer: Blocked, as_json: bool) -> NoReturn:
    """Say what stands in the way; exit code 1."""
    if as_json:
        print_json(blocked_dict(answer))
    elif not answer.blockages:
        click.echo(f"{answer.request.name}: {answer.request.recipe.name} cannot be met")
        click.echo(f"{answer.words[0].upper()}{answer.words[1:]}.")
    else:
        print_table(
            f"{answer.request.name}: {answer.request.recipe.name} cannot be met",
            ["element", "reaches %", "limits %"],
            [
                (b.element, f"{b.reached_wt_pct:.3f}", f"{b.low_wt_pct:g} to {b.high_wt_pct:g}")
                for b in answer.blockages
            ],
            [answer.words[0].upper() + answer.words[1:] + "."],
        )
    click.get_current_context().exit(1)


def _print_charge(answer: Charge, relaxed: tuple[Relaxed, ...], aim: str, shop: ShopSettings, first: list[str]) -> None:
    request, units = answer.request, UnitSystem(mass=shop.mass_unit)
    print_table(
        f"{request.name}: weighing list for {request.recipe.name}, in the order of loading",
        ["", "lot", shop.mass_unit, "pieces", "kind", "when", "what it is"],
        [
            (
                "[ ]",
                x.lot.id,
                units.show_mass(x.mass_kg).split()[0],
                x.pieces or "",
                x.lot.kind,
                when_to_load(x.lot),
                x.lot.note or x.lot.composition.text(),
            )
            for x in answer.lines
        ],
        first,
    )
    windows = {e: f"{low:g} to {high:g}" for e, low, high in request.recipe.windows_wt_pct}
    values = answer.composition.as_wt_pct()
    print_table(
        "The melt should be",
        ["element", "%", "between (95 %)", "limits"],
        [
            (e, f"{values[e]:.3f}", f"{low:.3f} to {high:.3f}", windows.get(e, "free"))
            for e, (low, high) in between_wt_pct(answer).items()
        ],
        _notes(answer, relaxed, aim, shop),
    )


def _notes(answer: Charge, relaxed: tuple[Relaxed, ...], aim: str, shop: ShopSettings) -> list[str]:
    show, heel = UnitSystem(mass=shop.mass_unit).show_mass, answer.request.heel
    spare = max(answer.mass_kg - answer.request.wanted_kg, 0.0)
    notes = [
        f"{show(answer.charged_kg)} to weigh"
        + (f" on a heel of {show(heel.mass_kg)}" if heel else "")
        + f"; {show(answer.mass_kg)} after skimming, {show(answer.dross_kg)} of metal go with the dross.",
        f"Cost {answer.cost:.2f} {shop.currency}. By its aim, {aim}, at most {answer.gap_percent:.2f} % off the best possible.",
        f"The melt is worth {answer.worth_per_kg:.2f} {shop.currency} a kg by what went in"
        + (
            "."
            if spare < 0.05 or answer.request.name == CORRECTION
            else f"; {show(spare)} above what is wanted, worth {spare * answer.worth_per_kg:.2f}, stay in the pot."
        ),
    ]
    notes += [f"At the edge of its window: {words}." for words in answer.binding]
    notes += [
        f"{r.element} {r.edge} at {r.to_wt_pct:.4g} % (now {r.from_wt_pct:g}) would save {r.saves:.2f} in cost; recipe decides."
        for r in relaxed
    ]
    return [*notes, "Everything dry and warm. The pot's assay decides, not this table."]
