"""`pipemetal organ blanks`: every part as a flat blank."""

from __future__ import annotations

from collections.abc import Sequence
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
    settings_options,
    write_dicts,
)
from pipemetal.cli.pipes_cmd import load_pipes
from pipemetal.pipes.pipe import Part
from pipemetal.pipes.totals import totals
from pipemetal.plans.codec import as_dict
from pipemetal.plans.rows import blank_row, offsets_of, wants_offsets

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipemetal.pipes.totals import Total

__all__ = ["blanks"]


@click.command(short_help="Every part as a flat blank.")
@click.argument("organ_file", metavar="ORGAN.toml", type=FILE)
@click.option("--rank", help="Only this rank.")
@out_option("--dxf", "dxf_dir", metavar="DIR", help="Write a full-size pattern of every blank as DXF.")
@click.option("--offsets", is_flag=True, help="Print the offset tables of arcs too shallow to swing.")
@out_option("--csv", "csv_path", metavar="FILE", help="Write every blank as CSV.")
@settings_options
@recipes_option
@json_option
def blanks(
    organ_file: Path,
    rank: str | None,
    dxf_dir: Path | None,
    offsets: bool,
    csv_path: Path | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """Every part of every pipe of ORGAN.toml as a flat blank, allowances included."""
    organ, _, made = load_pipes(organ_file, recipes_path, rank)
    parts = [part for pipe in made for part in pipe.parts]
    if dxf_dir is not None:
        from pipemetal.documents.patterns import marks_of, write_patterns

        write_patterns(parts, dxf_dir, marks_of(made, organ.ranks))
    if csv_path is not None:
        write_dicts([_blank_line(p) for p in parts], csv_path)
    by_alloy = totals(made, lambda pipe, part: (part.alloy, part.kind))
    by_rank = totals(made, lambda pipe, part: (pipe.rank, part.alloy))
    if as_json:
        result: dict[str, object] = {
            "organ": organ.name,
            "blanks": [as_dict(blank_row(p)) for p in parts],
            "by_alloy": _totals(("alloy", "kind"), by_alloy),
            "by_rank": _totals(("rank", "alloy"), by_rank),
        }
        print_json(result)
        return
    if offsets:
        for part in parts:
            _print_offsets(part)
        return
    for title, heads, rows in (
        (f"Blanks of {organ.name}", ["alloy", "part"], sorted(by_alloy, key=lambda t: t.name)),
        ("By rank", ["rank", "alloy"], by_rank),
    ):
        print_table(
            title,
            [*heads, "number", "area m2", "kg", "finished m2", "finished kg"],
            [
                (
                    *t.name,
                    t.parts,
                    f"{t.blank_area_m2:.2f}",
                    f"{t.blank_kg:.1f}",
                    f"{t.finished_area_m2:.2f}",
                    f"{t.finished_kg:.1f}",
                )
                for t in rows
            ],
        )
    click.echo(f"{len(parts)} blanks. --json lists every one" + (f"; patterns are in {dxf_dir}." if dxf_dir else "."))


def _totals(names: Sequence[str], rows: Sequence[Total]) -> list[dict[str, object]]:
    """Sums, with the parts of their name under the headings given."""
    return [
        dict(zip(names, row.name, strict=True)) | {k: v for k, v in vars(row).items() if k != "name"} for row in rows
    ]


def _blank_line(part: Part) -> dict[str, object]:
    """A blank on one line: the sector spread over columns, offset tables left to --json."""
    row = blank_row(part)
    held = {k: v for k, v in as_dict(row).items() if k not in ("offsets", "sector")}
    held["turns_deg"] = " ".join(str(t) for t in row.turns_deg)
    ring = as_dict(row.sector) if row.sector else {}
    return held | {k: ring.get(k, "") for k in ("outer_radius_mm", "inner_radius_mm", "angle_deg")}


def _print_offsets(part: Part) -> None:
    if part.sector is None or not wants_offsets(part.sector):
        return
    tables = offsets_of(part.sector)
    rows = zip(tables["outer_arc_mm"], tables["inner_arc_mm"], strict=True)
    print_table(
        f"{part.id}: radii {part.sector.outer_radius_mm:.0f} and {part.sector.inner_radius_mm:.0f} mm, "
        f"angle {part.sector.angle_deg:.4f} degrees",
        ["along the long chord mm", "height mm", "along the short chord mm", "height mm "],
        [(f"{a[0]:.1f}", f"{a[1]:.2f}", f"{b[0]:.1f}", f"{b[1]:.2f}") for a, b in rows],
        ["Mark each arc from its chord: go along the chord, then square up by the height."],
    )
