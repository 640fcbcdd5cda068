"""`pipemetal scale fit` and `pipemetal scale show`."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from pipemetal.cli.common import FILE, json_option, out_option, print_json, print_table, recipes_option, rounded
from pipemetal.errors import PipeError
from pipemetal.files.outbox import write
from pipemetal.pipes.notes import NAMINGS, note_name
from pipemetal.pipes.old import OldRank
from pipemetal.pipes.pipe import Pipe, footage_text
from pipemetal.pipes.pitch import sounding_semitones
from pipemetal.pipes.rank import Organ
from pipemetal.pipes.scale import half_tones
from pipemetal.pipes.scale_fit import Estimate, MeasuredPipe, ScaleFit, fit_scale
from pipemetal.pipes.scale_models import MODELS

__all__ = ["scale"]

REFERENCE = (
    "Half tones: against 155.5 mm inner diameter at 8' C, half on the 17th pipe, compared at the same sounding pitch."
)


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
@click.option("--model", type=click.Choice(list(MODELS)), help="Fit this kind of scale and no other.")
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
        print_json({"ranks": [_fit_dict(rank, found, naming) for rank, found in fitted]})
        return
    for rank, found in fitted:
        _print_fit(rank, found, naming)
    for path in (csv_path, svg_path):
        if path is not None:
            click.echo(f"Written: {path}")


def _fit_rank(rank: OldRank, reading_mm: float, model: str | None, file_name: str) -> ScaleFit:
    try:
        return fit_scale(rank.measured(), reading_mm=reading_mm, model=model)
    except PipeError as error:
        raise error.at(f"{file_name} rank {rank.name!r}") from None


def _number(estimate: Estimate, places: int) -> dict[str, float | None]:
    values = {"value": estimate.value, "low": estimate.low, "high": estimate.high}
    return {name: rounded(v, places) if math.isfinite(v) else None for name, v in values.items()}


def _key_of(rank: OldRank, semitones: float) -> float:
    return semitones - sounding_semitones(0, rank.footage)


def _note(rank: OldRank, semitones: float, naming: str) -> str:
    key = _key_of(rank, semitones)
    name = note_name(round(key), naming)
    return name if abs(key - round(key)) < 0.05 else f"near {name}"


def _rows(rank: OldRank, found: ScaleFit, naming: str) -> list[dict[str, Any]]:
    """Every note from the lowest to the highest pipe, measured or not."""
    by_key: dict[int, list[tuple[MeasuredPipe | None, str]]] = defaultdict(list)
    for state, pipes in (("good", found.good), ("wrong", [w.pipe for w in found.wrong]), ("missing", found.missing)):
        for pipe in pipes:
            by_key[pipe.key].append((pipe, state))
    rows = []
    for key in range(min(by_key), max(by_key) + 1):
        semitones = sounding_semitones(key, rank.footage)
        fitted, (low, high) = found.diameter_mm(semitones), found.interval_mm(semitones, of_a_pipe=True)
        for held, state in by_key.get(key) or [(None, "missing")]:
            measured = None if held is None else held.diameter_mm
            rows.append(
                {
                    "note": note_name(key, naming),
                    "key": key,
                    "semitones": semitones,
                    "measured_mm": measured,
                    "fitted_mm": fitted,
                    "low_mm": low,
                    "high_mm": high,
                    "half_tones_fitted": half_tones(fitted, semitones),
                    "state": state,
                    "half_tones_measured": None if measured is None else half_tones(measured, semitones),
                    "remark": "" if held is None else held.remark,
                }
            )
    return rows


def organ_line(rank: OldRank, found: ScaleFit, naming: str) -> str:
    """The fitted scale as a line for an organ file; as diameters at some notes where its own way would be refused."""
    first, last = (round(_key_of(rank, s)) for s in found.span_semitones)

    def diameter(key: int) -> float:
        return found.diameter_mm(sounding_semitones(key, rank.footage))

    def listed(way: str, keys: Sequence[int], value: Callable[[int], float]) -> str:
        points = ", ".join(f'["{note_name(key, naming)}", {value(key):.2f}]' for key in keys)
        return f"scale = {{ {way} = [{points}] }}"

    constant = found.constant_mm.value if found.constant_mm else 0.0
    if not found.breaks and 6.0 <= found.halving_pipe.value <= 49.0 and abs(constant) < 0.5 * diameter(first):
        more = f", constant_mm = {constant:.2f}" if found.constant_mm else ""
        return (
            f'scale = {{ start_diameter_mm = {diameter(first):.2f}, at = "{note_name(first, naming)}", '
            f"halving_pipe = {found.halving_pipe.value:.2f}{more} }}"
        )
    keys = {first, last}
    for item in found.breaks:
        key = round(_key_of(rank, item.semitones.value))
        keys |= {key - 1, key} if item.step_half_tones else {key}
    tones = {key: half_tones(diameter(key), sounding_semitones(key, rank.footage)) for key in keys}
    if found.breaks and all(abs(tone) <= 30.0 for tone in tones.values()):
        return listed("half_tones", sorted(keys), tones.__getitem__)
    return listed("points_mm", sorted({*keys, *range(first, last, 6)}), diameter)


def _fit_dict(rank: OldRank, found: ScaleFit, naming: str) -> dict[str, Any]:
    return {
        "rank": rank.name,
        "footage": footage_text(rank.footage),
        "model": found.model,
        "diameter_8_foot_c_mm": _number(found.diameter_8_foot_c, 3),
        "halving_pipe": _number(found.halving_pipe, 3),
        "halving_steps": None
        if not math.isfinite(found.halving_pipe.value)
        else rounded(found.halving_pipe.value - 1, 3),
        "constant_mm": _number(found.constant_mm, 3) if found.constant_mm else None,
        "breaks": [
            {
                "note": _note(rank, b.semitones.value, naming),
                "semitones": _number(b.semitones, 1),
                "half_tones": rounded(b.half_tones, 3),
                "step_half_tones": rounded(b.step_half_tones, 3),
            }
            for b in found.breaks
        ],
        "scatter_half_tones": rounded(found.scatter_half_tones, 4),
        "scatter_percent": rounded(100.0 * math.log(2.0) * found.scatter_half_tones / 16.0, 3),
        "pipes_used": len(found.good),
        "pipes_missing": len(found.missing),
        "wrong": [
            {
                "note": w.pipe.note,
                "measured_mm": w.pipe.diameter_mm,
                "expected_mm": rounded(w.expected_mm, 2),
                "half_tones_off": rounded(w.half_tones_off, 2),
                "fits_note": None if w.fits_semitones is None else _note(rank, w.fits_semitones, naming),
            }
            for w in found.wrong
        ],
        "candidates": [
            {
                "model": c.model,
                "numbers": c.numbers,
                "score": rounded(c.score, 2),
                "wrong": c.wrong,
                "scatter_half_tones": rounded(c.scatter_half_tones, 4),
            }
            for c in found.candidates
        ],
        "warnings": list(found.warnings),
        "organ_file": organ_line(rank, found, naming),
        "notes": [
            {k: rounded(v, 3) if isinstance(v, float) else v for k, v in row.items()}
            for row in _rows(rank, found, naming)
        ],
    }


def _between(estimate: Estimate, places: int, unit: str = "") -> str:
    def text(value: float) -> str:
        return f"{value:.{places}f}" if math.isfinite(value) else "never"

    return f"{text(estimate.value)}{unit} (95 %: {text(estimate.low)} to {text(estimate.high)})"


def _which_line(found: ScaleFit) -> str:
    """Which part of the scale its halving pipe is about."""
    if any(b.step_half_tones for b in found.breaks):
        return " on both sides of the step"
    if found.breaks:
        return " of the first line"
    return " of its varying part" if found.constant_mm else ""


def _print_fit(rank: OldRank, found: ScaleFit, naming: str) -> None:
    rows = _rows(rank, found, naming)
    print_table(
        f"{rank.name} ({footage_text(rank.footage)}): {found.model}",
        ["note", "measured mm", "fitted mm", "a pipe lies within mm", "half tones", "fitted", "state", "remark"],
        [
            (
                r["note"],
                "" if r["measured_mm"] is None else f"{r['measured_mm']:.2f}",
                f"{r['fitted_mm']:.2f}",
                f"{r['low_mm']:.2f} to {r['high_mm']:.2f}",
                "" if r["half_tones_measured"] is None else f"{r['half_tones_measured']:+.2f}",
                f"{r['half_tones_fitted']:+.2f}",
                "" if r["state"] == "good" else r["state"],
                r["remark"],
            )
            for r in rows
        ],
    )
    steps = found.halving_pipe.value - 1.0
    first = _which_line(found)
    click.echo(f"Diameter at 8' C  {_between(found.diameter_8_foot_c, 2, ' mm')}")
    click.echo(
        f"Half on pipe      {_between(found.halving_pipe, 2)}{first}: "
        + (f"in {steps:.2f} steps, both ends counted" if math.isfinite(steps) else "it does not get narrower")
    )
    if found.constant_mm is not None:
        click.echo(f"Constant          {_between(found.constant_mm, 2, ' mm')}")
    for item in found.breaks:
        low, high = (_note(rank, s, naming) for s in (item.semitones.low, item.semitones.high))
        name = _note(rank, item.semitones.value, naming)
        what = f"steps by {item.step_half_tones:+.2f} half tones to" if item.step_half_tones else "bends at"
        click.echo(f"Breaks at         {name} (95 %: {low} to {high}): {what} {item.half_tones:+.2f} half tones")
    percent = 100.0 * math.log(2.0) * found.scatter_half_tones / 16.0
    click.echo(
        f"Scatter           {found.scatter_half_tones:.2f} half tones ({percent:.2f} % of the diameter), one standard "
        f"deviation of {len(found.good)} pipes; {len(found.missing)} missing"
    )
    for wrong in found.wrong:
        fits = "" if wrong.fits_semitones is None else f"; it would fit {_note(rank, wrong.fits_semitones, naming)}"
        click.echo(
            f"Called wrong      {wrong.pipe.note}: {wrong.pipe.diameter_mm:.2f} mm where {wrong.expected_mm:.2f} mm is "
            f"expected, {wrong.half_tones_off:+.1f} half tones{fits}"
        )
    for words in found.warnings:
        click.echo(f"Mind: {words}.")
    click.echo(f"For an organ file: {organ_line(rank, found, naming)}")
    click.echo(REFERENCE)


def _write_csv(fitted: Sequence[tuple[OldRank, ScaleFit]], naming: str, path: Path) -> None:
    from pipemetal.files.sheet_out import csv_of

    names = [
        "note",
        "key",
        "semitones",
        "measured_mm",
        "fitted_mm",
        "low_mm",
        "high_mm",
        "half_tones_measured",
        "half_tones_fitted",
        "state",
        "remark",
    ]
    lines = []
    for rank, found in fitted:
        for row in _rows(rank, found, naming):
            values = [rounded(v, 3) if isinstance(v, float) else v for v in (row[n] for n in names)]
            lines.append([rank.name, footage_text(rank.footage), *values])
    write(path, csv_of(["rank", "footage", *names], lines))


def _write_picture(fitted: Sequence[tuple[OldRank, ScaleFit]], naming: str, path: Path) -> None:
    from pipemetal.documents.scale_picture import ScaleLine, scale_picture
    from pipemetal.documents.svg import to_svg

    lines = []
    for rank, found in fitted:
        rows = _rows(rank, found, naming)

        def of(state: str, column: str, held: list[dict[str, Any]] = rows) -> tuple[tuple[float, float], ...]:
            return tuple((float(r["key"]), r[column]) for r in held if r["state"] == state)

        line = tuple((float(r["key"]), r["half_tones_fitted"]) for r in rows)
        band = tuple(
            (float(r["key"]), half_tones(r["low_mm"], r["semitones"]), half_tones(r["high_mm"], r["semitones"]))
            for r in rows
        )
        lines.append(
            ScaleLine(
                f"{rank.name} ({footage_text(rank.footage)}): {found.model}",
                (line,),
                of("good", "half_tones_measured"),
                of("wrong", "half_tones_measured"),
                of("missing", "half_tones_fitted"),
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
