"""`pipemetal metal dross` and `pipemetal metal scrap`: what a shop's metal loses, and what its scrap is worth."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import (
    FILE,
    json_option,
    load_recipes,
    out_option,
    print_json,
    print_table,
    recipes_option,
    rounded,
    shop_beside,
)
from pipemetal.errors import MeltError

if TYPE_CHECKING:
    from pipemetal.alloys.composition import Composition
    from pipemetal.alloys.recipe import Recipe
    from pipemetal.melts.drift import Drift, ScrapWorth
    from pipemetal.melts.dross import FittedFactor, FittedLosses, MeltRecord

__all__ = ["dross", "scrap"]

AS_GOOD = 0.95
"""A recipe counts as good as the best where a kilogram is worth this share of it there."""


@click.command(short_help="The shop's own dross, from melts that were weighed in and out.")
@click.argument("melts_file", metavar="[MELTS.csv]", type=FILE, required=False)
@click.option("--shop", "shop", metavar="PATH|URL", help="Take the melts of this shop book instead.")
@click.option(
    "--settings", "settings_path", type=FILE, metavar="shop.toml", help="What is believed before. Default: the usual."
)
@out_option("--write", "write_path", metavar="FILE", help="Write the [losses] table for shop.toml.")
@json_option
def dross(
    melts_file: Path | None, shop: str | None, settings_path: Path | None, write_path: Path | None, as_json: bool
) -> None:
    """Dross by kind of lot and by element, with 95 % intervals, from a log of melts (docs/shop-files.md, melts.csv)
    or from the melts of a shop book of which something was weighed as lost.

    Few melts stay near what is usual; the more there are, the more they speak for themselves.
    """
    from pipemetal.files.outbox import write
    from pipemetal.files.shop_file import read_shop
    from pipemetal.melts.dross import fit_dross

    prior = read_shop(settings_path).losses if settings_path is not None else None
    found = fit_dross(_melts_of(melts_file, shop), prior)
    table = _losses_table(found)
    if write_path is not None:
        write(write_path, table)
    if as_json:
        print_json(_dross_dict(found))
        return
    _print_dross(found, table, write_path)


def _dross_dict(found: FittedLosses) -> dict[str, object]:
    return {
        "melts": found.melts,
        "scatter": rounded(found.scatter, 3),
        "each_melt_kg": rounded(found.each_melt_kg, 3),
        "doubted": list(found.doubted),
        "factors": [
            {
                "name": f.name,
                "prior": rounded(f.prior, 5),
                "value": rounded(f.value, 5),
                "interval": [rounded(f.low, 5), rounded(f.high, 5)],
                "learned": rounded(f.learned, 3),
            }
            for f in found.factors
        ],
    }


def _print_dross(found: FittedLosses, table: str, write_path: Path | None) -> None:
    from pipemetal.melts.dross import EACH_MELT

    kinds = dict(found.losses.dross_share)

    def row(f: FittedFactor) -> tuple[str, ...]:
        if f.name in kinds:
            name, scale = f"{f.name}, % of what is charged", 100.0
        elif f.name == EACH_MELT:
            name, scale = f"{f.name}, kg whatever goes in", 1.0
        else:
            name, scale = f"{f.name}, beside lead", 1.0
        prior, value, low, high = (f"{scale * v:.2f}" for v in (f.prior, f.value, f.low, f.high))
        return name, prior, value, f"{low} to {high}", f"{100 * f.learned:.0f} %"

    print_table(
        f"Dross, from {found.melts} melts",
        ["of", "usual", "this shop", "between (95 %)", "learned"],
        [row(f) for f in found.factors],
        [
            *([f"These melts do not fit and are believed less: {', '.join(found.doubted)}."] if found.doubted else []),
            "Dross is lead dust: no dry sweeping, lid on the bin, hands washed before food. Local codes prevail.",
            f"Written to {write_path}." if write_path is not None else "For shop.toml:\n" + table,
        ],
    )


def _melts_of(melts_file: Path | None, shop: str | None) -> tuple[MeltRecord, ...]:
    if (melts_file is None) == (shop is None):
        raise MeltError(
            "are two places to take melts from, or none", field="MELTS.csv and --shop", allowed="one of them"
        )
    if melts_file is not None:
        from pipemetal.files.melt_log_file import read_melt_log

        return read_melt_log(melts_file)
    from pipemetal.shop.book import Book

    assert shop is not None
    with Book.open(shop, who=None) as book:
        return book.melts.records()[0]


def _losses_table(found: FittedLosses) -> str:
    lines = [f"# Dross fitted from {found.melts} melts of this shop.", "[losses]"]
    lines += [f"{kind} = {share:.5f}" for kind, share in found.losses.dross_share]
    lines += [f"oxide_share = {found.losses.oxide_share:g}"]
    lines += [f"factor_{element} = {factor:.3f}" for element, factor in found.losses.element_factor]
    return "\n".join(lines) + "\n"


@click.command(short_help="What scrap is worth in use, and how an alloy drifts when it is remelted.")
@click.argument("lots_file", metavar="LOTS.csv", type=FILE)
@click.option("--recipe", "names", multiple=True, metavar="NAME", help="Only these recipes (may be repeated).")
@click.option("--share", type=click.FloatRange(0.0, 1.0), default=0.5, show_default=True, help="Scrap in every melt.")
@click.option("--rounds", type=click.IntRange(1, 200), default=30, show_default=True, help="How often it is remelted.")
@click.option("--settings", "settings_path", type=FILE, metavar="shop.toml", help="Default: shop.toml beside the lots.")
@recipes_option
@json_option
def scrap(
    lots_file: Path,
    names: tuple[str, ...],
    share: float,
    rounds: int,
    settings_path: Path | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """For every lot of scrap, shavings or own ingots the recipe in which it is worth most; and what becomes of each alloy when
    part of every melt is its own scrap. New metal is that of LOTS.csv, taken as endless."""
    from pipemetal.files.lots_file import read_lots
    from pipemetal.melts.drift import remelt_drift, scrap_worth

    recipes = load_recipes(recipes_path, lots_file)
    for name in names:
        if name not in recipes:
            raise MeltError("is not a recipe of this shop", field="--recipe", value=name, allowed=", ".join(recipes))
    chosen = {name: recipes[name] for name in names or recipes}
    shop = shop_beside(settings_path, lots_file)
    lots, unknown = read_lots(lots_file, recipes)
    new = [lot for lot in lots if lot.is_new_metal]
    if not new:
        raise MeltError("is missing: nothing corrects the scrap", field="pig or master", where=lots_file.name)
    worths = {
        lot.id: [scrap_worth(lot, recipe, new, losses=shop.losses) for recipe in chosen.values()]
        for lot in lots
        if not lot.is_new_metal
    }
    drifts = [remelt_drift(recipe, new, share=share, rounds=rounds, losses=shop.losses) for recipe in chosen.values()]
    if as_json:
        print_json(_scrap_dict(worths, drifts, unknown))
        return
    _print_worths(worths, {lot.id: lot.composition.wt_pct("Sn") for lot in lots}, chosen, unknown, shop.currency)
    _print_drifts(drifts, rounds)


def _scrap_dict(
    worths: Mapping[str, list[ScrapWorth]], drifts: list[Drift], unknown: tuple[str, ...]
) -> dict[str, object]:
    return {
        "lots": [
            {
                "lot": w.lot,
                "recipe": w.recipe,
                "most_share": rounded(w.most_share, 3),
                "limited_by": list(w.limited_by),
                "worth_per_kg": rounded(w.worth_per_kg, 3),
                "fetches_per_kg": rounded(w.fetches_per_kg, 3),
                "verdict": w.verdict,
            }
            for found in worths.values()
            for w in found
        ],
        "lots_without_analysis": list(unknown),
        "drift": [
            {
                "recipe": d.recipe,
                "share": d.share,
                "leaves_window_in_round": dict(d.leaves),
                "blocked_by": list(d.blocked_by),
                "rounds_corrected": len(d.corrected),
                "lasting_share": rounded(d.lasting_share, 3),
                "after_uncorrected": d.uncorrected[-1].text(),
                "after_corrected": d.corrected[-1].text() if d.corrected else None,
            }
            for d in drifts
        ],
    }


def _where_best(found: list[ScrapWorth], tin_wt_pct: float, targets: Mapping[str, Recipe]) -> ScrapWorth:
    """The recipe in which a lot is worth most; among those that are as good, the one that is nearest to it in tin."""
    usable = [w for w in found if w.verdict != "sell"] or found
    most = max(w.worth_per_kg for w in usable)
    as_good = [w for w in usable if w.worth_per_kg >= most * AS_GOOD]
    return min(as_good, key=lambda w: abs(targets[w.recipe].target.wt_pct("Sn") - tin_wt_pct))


def _print_worths(
    worths: Mapping[str, list[ScrapWorth]],
    tin: Mapping[str, float],
    targets: Mapping[str, Recipe],
    unknown: tuple[str, ...],
    currency: str,
) -> None:
    rows = []
    for lot, found in worths.items():
        best = _where_best(found, tin[lot], targets)
        limit = f"; {', '.join(best.limited_by)} holds it there" if best.limited_by else ""
        words = {"use": "use", "correct": "use with new metal", "sell": "sell, or dilute"}[best.verdict]
        rows.append(
            (
                lot,
                best.recipe,
                f"up to {100 * best.most_share:.0f} %{limit}",
                f"{best.worth_per_kg:.2f}",
                f"{best.fetches_per_kg:.2f}",
                words,
            )
        )
    notes = [f"{currency} a kilogram; worth in use is the new metal that it saves in a melt of 400 kg."]
    if unknown:
        notes.append(f"No analysis, so no answer: {', '.join(unknown)}.")
    print_table(
        "Scrap, where it is worth most",
        ["lot", "in", "of a melt", "worth in use", "fetches", "what to do"],
        rows,
        notes,
    )


def _short(metal: Composition) -> str:
    """A composition to two places."""
    return " ".join(f"{e} {metal.wt_pct(e):.2f}" for e in ("Sn", "Sb", "Bi", "Cu") if metal.wt_pct(e) >= 0.005)


def _print_drifts(drifts: list[Drift], rounds: int) -> None:
    def leaves(d: Drift) -> str:
        return ", ".join(f"{e} in round {n}" for e, n in d.leaves) or f"none in {rounds} rounds"

    def corrected(d: Drift) -> str:
        if not d.blocked_by:
            return f"goes on for {rounds} rounds"
        return (
            f"ends after {len(d.corrected)}: {', '.join(d.blocked_by)}; {100 * d.lasting_share:.0f} % scrap would last"
        )

    print_table(
        f"Remelted again and again, {100 * drifts[0].share:.0f} % scrap in every melt",
        ["recipe", "leaves its window", "metal at the end", "with new metal to correct it"],
        [(d.recipe, leaves(d), _short(d.uncorrected[-1]), corrected(d)) for d in drifts],
        [
            "Uncorrected: the rest is fresh metal of the recipe's target. By dross alone; what falls in by mistake is not in it."
        ],
    )
