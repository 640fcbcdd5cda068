"""`pipemetal pipes` and `pipemetal blanks`."""

from __future__ import annotations

from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

import click

from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.alloys.recipe import Recipe
from pipemetal.cli.common import FILE, json_option, load_recipes, print_json, print_table, recipes_option
from pipemetal.errors import PipeError
from pipemetal.files.organ_file import read_organ
from pipemetal.files.plan_json import blank_dict, pipe_dict
from pipemetal.pipes.make import organ_pipes
from pipemetal.pipes.pipe import Pipe, footage_text
from pipemetal.pipes.rank import Organ

__all__ = ["blanks", "load_pipes", "pipes"]


def load_pipes(
    organ_path: Path, recipes_path: Path | None, rank: str | None = None
) -> tuple[Organ, dict[str, Recipe], tuple[Pipe, ...]]:
    """Organ, recipes and pipes, of one rank if wanted."""
    recipes = load_recipes(recipes_path, organ_path)
    organ = read_organ(organ_path, recipes)
    names = [r.name for r in organ.ranks]
    if rank is not None and rank not in names:
        raise PipeError("is not a rank of this organ", field="--rank", value=rank, allowed=", ".join(names))
    made = organ_pipes(organ, lambda alloy: solid_density_g_cm3(recipes[alloy].target))
    return organ, recipes, tuple(p for p in made if rank in (None, p.rank))


@click.command(short_help="Every pipe of an organ.")
@click.argument("organ_file", metavar="ORGAN.toml", type=FILE)
@click.option("--rank", help="Only this rank.")
@recipes_option
@json_option
def pipes(organ_file: Path, rank: str | None, recipes_path: Path | None, as_json: bool) -> None:
    """Every pipe of ORGAN.toml: frequency, scale, mouth, lengths, walls and mass.

    Half tones compare pipes at the same sounding pitch. Lengths hold at the organ's tuning temperature; the cut length
    carries the allowance for tuning. Walls are what the organ file says, or placeholders of common practice.
    """
    organ, _, made = load_pipes(organ_file, recipes_path, rank)
    if as_json:
        print_json({"organ": organ.name, "pipes": [pipe_dict(p) for p in made]})
        return
    by_rank: dict[str, list[Pipe]] = defaultdict(list)
    for pipe in made:
        by_rank[pipe.rank].append(pipe)
    for name, members in by_rank.items():
        print_table(
            f"{name} ({members[0].division}, {members[0].alloy}, {members[0].construction}, {len(members)} pipes)",
            ["note", "pitch", "Hz", "diameter mm", "half tones", "mouth mm", "cut-up mm", "body mm", "cut mm", "foot mm",
             "wall mouth mm", "wall top mm", "kg"],
            [
                (p.note if p.choir == 1 else f"{p.note}/{p.choir}", footage_text(p.footage), f"{p.frequency_hz:.2f}",
                 f"{p.diameter_mm:.1f}", f"{p.half_tones:+.1f}", f"{p.mouth_width_mm:.1f}", f"{p.cut_up_mm:.1f}",
                 f"{p.body_length_mm:.1f}", f"{p.cut_length_mm:.1f}", f"{p.foot_length_mm:.0f}",
                 f"{p.thickness_mouth_mm:.2f}", f"{p.thickness_top_mm:.2f}", f"{p.mass_kg:.3f}")
                for p in members
            ],
        )  # fmt: skip
    total = sum(p.mass_kg for p in made)
    click.echo(f"{len(made)} pipes, {total:.1f} kg of finished metal, at {organ.pitch.tuning_c:g} °C.")


@click.command(short_help="Every part as a flat blank.")
@click.argument("organ_file", metavar="ORGAN.toml", type=FILE)
@click.option("--rank", help="Only this rank.")
@click.option("--dxf", "dxf_dir", type=FILE, metavar="DIR", help="Write a full-size pattern of every blank as DXF.")
@recipes_option
@json_option
def blanks(organ_file: Path, rank: str | None, dxf_dir: Path | None, recipes_path: Path | None, as_json: bool) -> None:
    """Every part of every pipe of ORGAN.toml as a flat blank, allowances included."""
    organ, _, made = load_pipes(organ_file, recipes_path, rank)
    parts = [part for pipe in made for part in pipe.parts]
    if dxf_dir is not None:
        from pipemetal.documents.patterns import write_patterns

        write_patterns(parts, dxf_dir)
    if as_json:
        result: dict[str, Any] = {"organ": organ.name, "blanks": [blank_dict(p) for p in parts]}
        print_json(result)
        return
    kinds = Counter((p.alloy, p.kind) for p in parts)
    area: dict[tuple[str, str], float] = defaultdict(float)
    mass: dict[tuple[str, str], float] = defaultdict(float)
    for part in parts:
        area[part.alloy, part.kind] += part.blank_area_mm2 / 1e6
        mass[part.alloy, part.kind] += part.blank_mass_kg
    print_table(
        f"Blanks of {organ.name}",
        ["alloy", "part", "number", "area m2", "kg"],
        [(a, k, n, f"{area[a, k]:.2f}", f"{mass[a, k]:.1f}") for (a, k), n in sorted(kinds.items())],
        [f"{len(parts)} blanks. --json lists every one" + (f"; patterns are in {dxf_dir}." if dxf_dir else ".")],
    )
