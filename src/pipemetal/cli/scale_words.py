"""A fitted scale in words, rows and values, for the commands about scales."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import click

from pipemetal.cli.common import print_table, rounded
from pipemetal.pipes.notes import note_name
from pipemetal.pipes.old import OldRank
from pipemetal.pipes.pipe import footage_text
from pipemetal.pipes.pitch import sounding_semitones
from pipemetal.pipes.scale import half_tones
from pipemetal.pipes.scale_fit import Estimate, MeasuredPipe, ScaleFit

__all__ = ["REFERENCE", "fit_dict", "fit_rows", "organ_line", "print_fit"]

REFERENCE = (
    "Half tones: against 155.5 mm inner diameter at 8' C, half on the 17th pipe, compared at the same sounding pitch."
)


def _number(estimate: Estimate, places: int) -> dict[str, float | None]:
    values = {"value": estimate.value, "low": estimate.low, "high": estimate.high}
    return {name: rounded(v, places) if math.isfinite(v) else None for name, v in values.items()}


def _key_of(rank: OldRank, semitones: float) -> float:
    return semitones - sounding_semitones(0, rank.footage)


def _note(rank: OldRank, semitones: float, naming: str) -> str:
    key = _key_of(rank, semitones)
    name = note_name(round(key), naming)
    return name if abs(key - round(key)) < 0.05 else f"near {name}"


@dataclass(frozen=True)
class FitRow:
    """A note of a fitted rank: what was measured, what the fit says, and between what a pipe of it lies."""

    note: str
    key: int
    semitones: float
    measured_mm: float | None
    fitted_mm: float
    low_mm: float
    high_mm: float
    half_tones_measured: float | None
    half_tones_fitted: float
    state: str
    remark: str

    def told(self) -> dict[str, object]:
        """Its values, rounded for printing."""
        return {k: rounded(v, 3) if isinstance(v, float) else v for k, v in vars(self).items()}


def fit_rows(rank: OldRank, found: ScaleFit, naming: str) -> list[FitRow]:
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
                FitRow(
                    note_name(key, naming),
                    key,
                    semitones,
                    measured,
                    fitted,
                    low,
                    high,
                    None if measured is None else half_tones(measured, semitones),
                    half_tones(fitted, semitones),
                    state,
                    "" if held is None else held.remark,
                )
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


def fit_dict(rank: OldRank, found: ScaleFit, naming: str) -> dict[str, object]:
    """A fitted scale for a program: estimates with their intervals, wrong and missing pipes, every note."""
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
        "notes": [row.told() for row in fit_rows(rank, found, naming)],
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


def print_fit(rank: OldRank, found: ScaleFit, naming: str) -> None:
    """Print every note, measured and fitted, then what the scale is and which pipes are wrong."""
    rows = fit_rows(rank, found, naming)
    print_table(
        f"{rank.name} ({footage_text(rank.footage)}): {found.model}",
        ["note", "measured mm", "fitted mm", "a pipe lies within mm", "half tones", "fitted", "state", "remark"],
        [
            (
                r.note,
                "" if r.measured_mm is None else f"{r.measured_mm:.2f}",
                f"{r.fitted_mm:.2f}",
                f"{r.low_mm:.2f} to {r.high_mm:.2f}",
                "" if r.half_tones_measured is None else f"{r.half_tones_measured:+.2f}",
                f"{r.half_tones_fitted:+.2f}",
                "" if r.state == "good" else r.state,
                r.remark,
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
