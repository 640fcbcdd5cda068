"""`pipemetal organ card` and `pipemetal organ walls`: what the bench needs of a pipe, and the wall rules that have a name."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipemetal.cli.common import FILE, json_option, out_option, print_json, print_table, recipes_option, settings_for
from pipemetal.cli.shop_cmd import shop_option
from pipemetal.errors import FileFormatError, PipeError
from pipemetal.units import UnitSystem
from pipemetal.words import LANGUAGES, Words

if TYPE_CHECKING:
    from pipemetal.pipes.bench_card import BenchCard, CardPart

__all__ = ["card", "walls"]


@click.command(short_help="The bench card of a pipe or a rank.")
@click.argument("organ_file", metavar="ORGAN.toml", type=FILE)
@click.option("--rank", help="Only this rank.")
@click.option("--note", help="Only this note.")
@out_option(
    "--out", metavar="FILE.pdf", help="Write the cards as PDF: the rank's list, and a page with drawing for each pipe."
)
@click.option("--paper", "paper_name", type=click.Choice(["a4", "letter"]), help="Default: the shop's.")
@click.option("--language", type=click.Choice(LANGUAGES), help="Default: the shop's.")
@click.option("--lengths", type=click.Choice(["mm", "in"]), help="Default: the shop's.")
@click.option("--masses", type=click.Choice(["kg", "lb"]), help="Default: the shop's.")
@click.option("--settings", "settings_path", type=FILE, help="Settings (default: shop.toml beside the organ file).")
@shop_option
@recipes_option
@json_option
def card(
    organ_file: Path,
    rank: str | None,
    note: str | None,
    out: Path | None,
    paper_name: str | None,
    language: str | None,
    lengths: str | None,
    masses: str | None,
    settings_path: Path | None,
    shop: str | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """What the bench needs of the pipes of ORGAN.toml: flat and round sizes with the blanks that the shop's sheets allow, mouth
    lines, languid, seams and solder, mandrel, stamp, planed side, cap, tuning, masses.

    The mandrels are those of the settings (`mandrels = "12, 60, 10-150"` in [shop]).
    """
    from pipemetal.documents.bench_card_sheet import (
        card_facts,
        card_sheets,
        not_served_words,
        part_headings,
        part_rows,
        rank_headings,
        rank_rows,
    )

    if out is not None and out.suffix.lower() != ".pdf":
        raise FileFormatError("is not a kind of card file", field="--out", value=out.name, allowed=".pdf")
    settings = settings_for(settings_path, shop, organ_file)
    cards = _cards(organ_file, recipes_path, rank, note, settings)
    say = Words(language or settings.language)
    units = UnitSystem(lengths or settings.length_unit, masses or settings.mass_unit, comma=say.language == "de")
    if out is not None:
        from pipemetal.documents.typeset import to_pdf
        from pipemetal.files.outbox import write

        paper = paper_name or settings.paper
        write(out, to_pdf(card_sheets(cards, units, say, paper), paper, say))
    if as_json:
        print_json({"organ": cards[0].organ, "cards": [card_dict(c) for c in cards]})
    elif out is not None:
        click.echo(f"Wrote {len(cards)} cards to {out}." if len(cards) > 1 else f"Wrote a card to {out}.")
    elif len(cards) == 1:
        for words in not_served_words(cards[0], units, say):
            click.echo(words)
        print_table(cards[0].pipe.id, part_headings(units, say), part_rows(cards[0], units, say))
        for name, words in card_facts(cards[0], units, say):
            click.echo(f"{name}: {words}" if name else f"  {words}")
    else:
        for name in dict.fromkeys(c.rank.name for c in cards):
            members = [c for c in cards if c.rank.name == name]
            print_table(name, rank_headings(units, say), rank_rows(members, units, say))


def _cards(
    organ_file: Path, recipes_path: Path | None, rank: str | None, note: str | None, settings: Any
) -> tuple[BenchCard, ...]:
    from pipemetal.cli.pipes_cmd import load_pipes
    from pipemetal.pipes.notes import parse_note
    from pipemetal.planning.bench_cards import bench_cards

    organ, recipes, made = load_pipes(organ_file, recipes_path, rank, settings)
    if note is not None:
        key = parse_note(note, field="--note", naming=organ.naming)
        made = tuple(p for p in made if p.key == key)
    if not made:
        raise PipeError("has no pipe of its own here", field="--note", value=note, allowed="a note of these ranks")
    tin = {name: recipe.target.as_wt_pct()["Sn"] for name, recipe in recipes.items()}
    return bench_cards(organ, made, settings, tin)


def card_dict(card: BenchCard) -> dict[str, object]:
    """A card for a program: every size with its unit."""
    mouth, languid, cap = card.mouth, card.languid, card.pipe.cap
    return {
        "pipe": card.pipe.id,
        "rank": card.rank.name,
        "note": card.pipe.note,
        "not_served": [{"part": kind, "why": why} for kind, why in card.not_served],
        "stamp": list(card.stamp),
        "parts": [_part_dict(part) for part in card.parts],
        "mouth": vars(mouth) if mouth else None,
        "languid": vars(languid) if languid else None,
        "cap": vars(cap) if cap else None,
        "seam_mm": card.solder.length_mm,
        "solder_kg": card.solder.mass_kg,
        "solder_interval_kg": [card.solder.least_kg, card.solder.most_kg],
        "outside_stays_as_cast": card.keep_outside,
        "toe_diameter_mm": card.pipe.toe_diameter_mm,
        "toe_bore_mm": card.pipe.toe_bore_mm,
        "tuning": card.rank.tuning,
        "parts_kg": card.parts_kg,
        "old_kg": card.old_kg,
        "blanks_kg": card.blanks_kg,
        "whole_kg": card.whole_kg,
    }


def _part_dict(held: CardPart) -> dict[str, object]:
    choice, flat = held.mandrel, held.flat
    return {
        "kind": held.part.kind,
        "alloy": held.part.alloy,
        "flat_length_mm": held.flat_length_mm,
        "flat_width_mm": held.flat_width_mm,
        "flat_sector": vars(flat) if flat else None,
        "inner_below_mm": held.below_mm if choice else None,
        "inner_above_mm": held.above_mm if choice else None,
        "wall_below_mm": held.part.wall_below_mm,
        "wall_above_mm": held.part.wall_above_mm,
        "planed_mm": held.part.planed_mm,
        "mandrel": choice.mandrel.name if choice and choice.mandrel else None,
        "mandrel_fits": choice.fits if choice else None,
        "finished_kg": held.part.finished_mass_kg,
        "pieces": [
            {k: v for k, v in vars(piece).items() if k != "ring"} | {"sector": vars(piece.ring) if piece.ring else None}
            for piece in held.pieces
        ],
    }


@click.command(short_help="Wall rules by name, and how far shops lie apart.")
@json_option
def walls(as_json: bool) -> None:
    """Every wall rule that an organ file may name (`wall = "front-tin"`): walls at the mouth for the diameters of the reference
    scale, and at 8' C the thinnest and the thickest that shops take."""
    from pipemetal.pipes.wall_presets import AT_8_FOOT_MM, PUBLISHED_SPREAD, SHOWN_MM, WALL_PRESETS

    if as_json:
        print_json(
            {
                "walls": [
                    {
                        "name": name,
                        "metal": preset.metal,
                        "family": preset.family,
                        "wall_mm": {c: preset.rule.mouth_mm(d) for c, d in SHOWN_MM},
                        "span_at_8_foot_c_mm": list(preset.span_mm(AT_8_FOOT_MM)),
                        "source": preset.rule.source,
                    }
                    for name, preset in WALL_PRESETS.items()
                ]
            }
        )
        return
    rows = []
    for name, preset in WALL_PRESETS.items():
        low, high = preset.span_mm(AT_8_FOOT_MM)
        walls_mm = (f"{preset.rule.mouth_mm(diameter):.2f}" for _, diameter in SHOWN_MM)
        rows.append((name, *walls_mm, f"{low:.2f} to {high:.2f}"))
    low, high = PUBLISHED_SPREAD
    print_table(
        "Walls at the mouth in mm, at C of the reference scale",
        ["rule", *(c for c, _ in SHOWN_MM), "shops at 8'"],
        rows,
        [
            "All figures: common practice, no source; no published table could be read. In print: the front is the thickest stop",
            "(a French handbook of the 19th century), more lead wants thicker walls, and one builder's metal is given as up to "
            f"{high:g} times",
            "as thick as that of most. Put your own table in the organ file: [wall.NAME] table_mm = [[diameter, wall], ...].",
        ],
    )
