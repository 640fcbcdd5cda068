"""`pipemetal organ scale fit` and `pipemetal organ scale show`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path

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
from pipemetal.cli.scale_words import REFERENCE, FitRow, fit_dict, fit_rows, print_fit
from pipemetal.errors import PipeError
from pipemetal.files.outbox import write
from pipemetal.pipes.notes import NAMINGS, note_name
from pipemetal.pipes.old import OldRank
from pipemetal.pipes.pipe import Pipe, footage_text
from pipemetal.pipes.rank import Organ
from pipemetal.pipes.scale import half_tones
from pipemetal.pipes.scale_fit import ScaleFit, fit_scale
from pipemetal.pipes.scale_models import MODELS

__all__ = ["scale"]


@click.group(short_help="The scale behind measured pipes, and scales as a picture.")
def scale() -> None:
    """Scales: `fit` finds the scale behind measured pipes, `show` puts the ranks of an organ side by side."""


@scale.command(short_help="From measured pipes to the scale that explains them.")
@click.argument("measured_file", metavar="MEASURED.csv", type=FILE)
@click.option("--footage", help="Footage at which the pipes speak, where the file has no column for it.")
@click.option("--rank", "only", help="Only this rank of the file.")
@click.option(
    "--notes", "naming", type=click.Choice(NAMINGS), default="trade", show_default=True, help="How notes are named."
)
@click.option(
    "--model",
    type=click.Choice(list(MODELS)),
    metavar="MODEL",
    help=f"Fit this kind of scale and no other: {', '.join(MODELS)}.",
)
@click.option(
    "--reading", "reading_mm", type=float, default=0.05, show_default=True, help="Error of one reading in mm."
)
@out_option("--csv", "csv_path", metavar="FILE", help="Write every note, measured and fitted, as CSV.")
@out_option("--svg", "svg_path", metavar="FILE", help="Write the picture of half tones over notes.")
@json_option
def fit(
    measured_file: Path,
    footage: str | None,
    only: str | None,
    naming: str,
    model: str | None,
    reading_mm: float,
    csv_path: Path | None,
    svg_path: Path | None,
    as_json: bool,
) -> None:
    """The scale that explains the pipes of MEASURED.csv, some missing, some wrong.

    Diameter at 8' C, halving pipe, additive constant and break points with 95 % intervals; pipes that the scale does not
    explain are named, with the note where they would fit. A simpler scale is kept unless the odds for another are better
    than ten to one. A halving pipe N has N - 1 steps.
    """
    from pipemetal.files.measured_file import read_measured
    from pipemetal.units import parse_footage

    speaks = parse_footage(footage, field="--footage") if footage is not None else None
    ranks = read_measured(measured_file, naming=naming, footage=speaks)
    if only is not None:
        names = [r.name for r in ranks]
        if only not in names:
            raise PipeError("is not a rank of this file", field="--rank", value=only, allowed=", ".join(names))
        ranks = tuple(r for r in ranks if r.name == only)
    fitted = [(rank, _fit_rank(rank, reading_mm, model, measured_file.name)) for rank in ranks]
    if csv_path is not None:
        _write_csv(fitted, naming, csv_path)
    if svg_path is not None:
        _write_picture(fitted, naming, svg_path)
    if as_json:
        print_json({"ranks": [fit_dict(rank, found, naming) for rank, found in fitted]})
        return
    for rank, found in fitted:
        print_fit(rank, found, naming)
    for path in (csv_path, svg_path):
        if path is not None:
            click.echo(f"Written: {path}")


def _fit_rank(rank: OldRank, reading_mm: float, model: str | None, file_name: str) -> ScaleFit:
    try:
        return fit_scale(rank.measured(), reading_mm=reading_mm, model=model)
    except PipeError as error:
        raise error.at(f"{file_name} rank {rank.name!r}") from None


def _write_csv(fitted: Sequence[tuple[OldRank, ScaleFit]], naming: str, path: Path) -> None:
    from pipemetal.files.sheet_out import csv_of

    names = [f.name for f in fields(FitRow)]
    lines = [
        [rank.name, footage_text(rank.footage), *row.told().values()]
        for rank, found in fitted
        for row in fit_rows(rank, found, naming)
    ]
    write(path, csv_of(["rank", "footage", *names], lines))


def _write_picture(fitted: Sequence[tuple[OldRank, ScaleFit]], naming: str, path: Path) -> None:
    from pipemetal.documents.scale_picture import ScaleLine, scale_picture
    from pipemetal.documents.svg import to_svg

    lines = []
    for rank, found in fitted:
        rows = fit_rows(rank, found, naming)

        def of(state: str, held: list[FitRow] = rows) -> tuple[tuple[float, float], ...]:
            value = "half_tones_fitted" if state == "missing" else "half_tones_measured"
            return tuple((float(r.key), getattr(r, value)) for r in held if r.state == state)

        line = tuple((float(r.key), r.half_tones_fitted) for r in rows)
        band = tuple(
            (float(r.key), half_tones(r.low_mm, r.semitones), half_tones(r.high_mm, r.semitones)) for r in rows
        )
        lines.append(
            ScaleLine(
                f"{rank.name} ({footage_text(rank.footage)}): {found.model}",
                (line,),
                of("good"),
                of("wrong"),
                of("missing"),
                band,
            )
        )
    names = ", ".join(rank.name for rank, _ in fitted)
    write(path, to_svg(scale_picture(lines, f"Measured pipes: {names}", naming=naming)))


def _draw_organ(organ: Organ, pipes: Sequence[Pipe], measured: Path | None, by_pitch: bool, svg_path: Path) -> None:
    from pipemetal.documents.scale_picture import measured_lines, organ_lines, scale_picture
    from pipemetal.documents.svg import to_svg
    from pipemetal.files.measured_file import read_measured

    lines = organ_lines(pipes, by_pitch=by_pitch)
    if measured is not None:
        lines += measured_lines(read_measured(measured, naming=organ.naming), by_pitch=by_pitch)
    across = "sounding pitch, by the key of an 8' rank" if by_pitch else "key"
    picture = scale_picture(lines, f"Scales of {organ.name}", naming=organ.naming, across=across)
    write(svg_path, to_svg(picture))


@scale.command(short_help="The scales of an organ's ranks side by side.")
@click.argument("organ_file", metavar="ORGAN.toml", type=FILE)
@click.option("--rank", "ranks", multiple=True, help="Only this rank; may be given again.")
@click.option("--by-pitch", is_flag=True, help="Over the sounding pitch instead of the key.")
@click.option("--measured", type=FILE, metavar="MEASURED.csv", help="Put measured pipes into the picture, as dots.")
@out_option("--svg", "svg_path", metavar="FILE", help="Write the picture of half tones over notes.")
@settings_options
@recipes_option
@json_option
def show(
    organ_file: Path,
    ranks: tuple[str, ...],
    by_pitch: bool,
    measured: Path | None,
    svg_path: Path | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """The scales of the ranks of ORGAN.toml side by side, in half tones, with a picture."""
    from pipemetal.cli.pipes_cmd import load_pipes

    organ, _, made = load_pipes(organ_file, recipes_path)
    names = list(dict.fromkeys(p.rank for p in made))
    for wanted in ranks:
        if wanted not in names:
            raise PipeError("is not a rank of this organ", field="--rank", value=wanted, allowed=", ".join(names))
    pipes = [p for p in made if not ranks or p.rank in ranks]
    if not pipes:
        raise PipeError(
            "has no pipes of its own", field="organ", value=organ.name, allowed="at least one rank with pipes"
        )
    if measured is not None and svg_path is None:
        raise PipeError("goes into a picture", field="--measured", value=measured.name, allowed="--svg FILE beside it")
    if svg_path is not None:
        _draw_organ(organ, pipes, measured, by_pitch, svg_path)
    if as_json:
        keys = ("rank", "note", "key", "choir")
        print_json(
            {
                "organ": organ.name,
                "pipes": [
                    {k: getattr(p, k) for k in keys}
                    | {
                        "footage": footage_text(p.footage),
                        "diameter_mm": rounded(p.diameter_mm, 3),
                        "half_tones": rounded(p.half_tones, 3),
                    }
                    for p in pipes
                ],
            }
        )
        return
    shown = sorted(
        {p.key for p in pipes if p.key % 12 in (0, 6)} | {p.key for p in pipes[:1]} | {max(p.key for p in pipes)}
    )
    by_rank = {name: {p.key: p for p in reversed(pipes) if p.rank == name} for name in names}
    print_table(
        f"Scales of {organ.name}: diameter in mm and half tones",
        ["rank", *(note_name(k, organ.naming) for k in shown)],
        [
            (name, *(f"{held[k].diameter_mm:.1f} {held[k].half_tones:+.1f}" if k in held else "" for k in shown))
            for name, held in by_rank.items()
            if held
        ],
        [REFERENCE, *([f"Written: {svg_path}"] if svg_path else []), "Of compound ranks the first choir is shown."],
    )
