"""`pipemetal organ reuse`: what becomes of old pipes in an organ."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from pipemetal.cli.common import (
    FILE,
    json_option,
    out_option,
    print_json,
    print_table,
    recipes_option,
    rounded,
    settings_options,
)
from pipemetal.units import parse_footage

if TYPE_CHECKING:
    from pipemetal.pipes.reuse import Reuse

__all__ = ["reuse"]

COLUMNS: Final = (
    "old",
    "row",
    "verdict",
    "becomes",
    "todo",
    "half_tones",
    "top_half_tones",
    "longer_mm",
    "cents_as_it_is",
    "wall_mm",
    "mouth_mm",
    "cut_up_mm",
    "points",
    "why",
)


@click.command(short_help="What becomes of old pipes in an organ.")
@click.argument("old_file", metavar="OLD.csv", type=FILE)
@click.argument("organ_file", metavar="ORGAN.toml", type=FILE)
@click.option("--rank", help="Only places of this rank.")
@click.option("--footage", help="Footage at which the old pipes speak, where the file has no column for it.")
@click.option(
    "--half-tones", type=click.FloatRange(0.0, 8.0), default=1.5, show_default=True, help="Scale off by so much."
)
@click.option(
    "--lengthened", type=click.FloatRange(0.0, 1.0), default=0.35, show_default=True, help="Share added at most."
)
@out_option("--csv", "csv_path", metavar="FILE", help="Write what becomes of every pipe as CSV.")
@settings_options
@recipes_option
@json_option
def reuse(
    old_file: Path,
    organ_file: Path,
    rank: str | None,
    footage: str | None,
    half_tones: float,
    lengthened: float,
    csv_path: Path | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """For every old pipe of OLD.csv (measured pipes, with their condition): use again, shorten, lengthen, round again, melt or
    measure first, and which pipe of ORGAN.toml it becomes.

    The pipes are given to the places so that the work and the departures are least in all; points and weights are explained in
    docs/pipes.md. An old pipe is a cylinder, or a cone where its top was measured too.
    """
    from pipemetal.cli.pipes_cmd import load_pipes
    from pipemetal.files.measured_file import read_measured
    from pipemetal.pipes.reuse import OldOne, ReuseRules, match_old

    organ, _, made = load_pipes(organ_file, recipes_path, rank)
    speaks = parse_footage(footage, field="--footage") if footage else None
    held = read_measured(old_file, naming=organ.naming, footage=speaks)
    olds = [OldOne(r.name, pipe) for r in held for pipe in r.pipes]
    found = match_old(organ, made, olds, ReuseRules(half_tones=half_tones, lengthened=lengthened))
    rows = [_row(one) for one in found]
    if csv_path is not None:
        from pipemetal.files.outbox import write
        from pipemetal.files.sheet_out import csv_of

        write(csv_path, csv_of(list(COLUMNS), ([row[k] for k in COLUMNS] for row in rows)))
    if as_json:
        print_json({"organ": organ.name, "old_pipes": rows, "in_all": dict(Counter(one.verdict for one in found))})
        return
    _print(found)


def _row(one: Reuse) -> dict[str, object]:
    found = one.offer
    return {
        "old": one.old.name,
        "row": one.old.pipe.where,
        "verdict": one.verdict,
        "becomes": found.place.id if found else None,
        "todo": ", ".join(one.todo),
        "half_tones": rounded(found.half_tones if found else None, 3),
        "top_half_tones": rounded(found.top_half_tones if found else None, 3),
        "longer_mm": rounded(found.longer_mm if found else None, 1),
        "cents_as_it_is": rounded(found.cents if found else None, 1),
        "wall_mm": rounded(found.wall_mm if found else None, 3),
        "mouth_mm": rounded(found.mouth_mm if found else None, 2),
        "cut_up_mm": rounded(found.cut_up_mm if found else None, 2),
        "points": rounded(found.points if found else None, 2),
        "why": one.why if found is None else "",
    }


def _print(found: tuple[Reuse, ...]) -> None:
    rows = []
    for one in found:
        offer = one.offer
        if offer is None:
            rows.append((one.old.name, one.verdict, one.why, "", "", "", "", ""))
            continue
        rows.append(
            (
                one.old.name,
                offer.place.id,
                ", ".join(one.todo) or "as it is",
                f"{offer.half_tones:+.1f}",
                f"{offer.longer_mm:+.0f}",
                f"{offer.cents:+.0f}",
                "" if offer.wall_mm is None else f"{offer.wall_mm:+.2f}",
                f"{offer.points:.1f}",
            )
        )
    count = Counter(one.verdict for one in found)
    saved = sum(one.offer.place.mass_kg for one in found if one.offer is not None)
    heads = ["old pipe", "becomes", "to do", "half tones", "mm longer", "cents as it is", "wall mm", "points"]
    notes = [
        f"{', '.join(f'{number} to {verdict}' for verdict, number in sorted(count.items()))}. "
        f"Pipes of {saved:.1f} kg need not be made.",
        "Before anything is melted: analyse it; open and dry it, for old pipes hide water, wood and zinc. Old pipes hold lead:",
        "no dry brushing. Pipes of historic worth are for a restorer to judge, not for this list.",
    ]
    print_table("Old pipes", heads, rows, notes)
