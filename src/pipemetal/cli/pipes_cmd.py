"""`pipemetal organ pipes`: every pipe of an organ."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.alloys.recipe import Recipe
from pipemetal.cli.common import (
    FILE,
    json_option,
    load_recipes,
    out_option,
    print_json,
    print_table,
    recipes_option,
    settings_options,
    settings_said,
    write_dicts,
)
from pipemetal.errors import PipeError
from pipemetal.files.organ_file import read_organ
from pipemetal.pipes.advice import rank_advice
from pipemetal.pipes.borrowed import NoteWithoutPipe, notes_without_pipe
from pipemetal.pipes.length_rules import LengthRule, claim_cents, open_rules
from pipemetal.pipes.make import organ_pipes, sounding_length_mm
from pipemetal.pipes.notes import parse_note
from pipemetal.pipes.pipe import Pipe, footage_text, span_text
from pipemetal.pipes.rank import Organ
from pipemetal.pipes.statics import standing_stress
from pipemetal.pipes.totals import sheets_to_buy
from pipemetal.planning.blanks import organ_for_shop
from pipemetal.plans.codec import as_dict
from pipemetal.plans.rows import note_row, pipe_row, sheet_bought_row

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipemetal.pipes.caps import CapFit
    from pipemetal.planning.settings import ShopSettings
    from pipemetal.texts import Text

__all__ = ["load_pipes", "pipes"]

DERIVED = "derived, lossless; no published check was found, a solve by finite elements agrees within 0.5 cents"
LENGTHS_NOTE = (
    "Cents: what a pipe of that length would sound against the default; plus or minus: what the rule can claim. No formula "
    "knows the mouth better than within a tenth of the diameter, and voicing moves the pitch (Dom Bedos 1766, art. 207)."
)


def load_pipes(
    organ_path: Path, recipes_path: Path | None, rank: str | None = None, settings: ShopSettings | None = None
) -> tuple[Organ, dict[str, Recipe], tuple[Pipe, ...]]:
    """Organ, recipes and pipes, of one rank if wanted, as the shop of these settings makes them: languids in layers, lengths by
    what its ear learned. Without settings those count that the command's options name, or shop.toml beside the organ file."""
    recipes = load_recipes(recipes_path, organ_path)
    organ = organ_for_shop(read_organ(organ_path, recipes), settings or settings_said(organ_path))
    names = [r.name for r in organ.ranks]
    if rank is not None and rank not in names:
        raise PipeError("is not a rank of this organ", field="--rank", value=rank, allowed=", ".join(names))
    made = organ_pipes(organ, lambda alloy: solid_density_g_cm3(recipes[alloy].target))
    return organ, recipes, tuple(p for p in made if rank in (None, p.rank))


@click.command(short_help="Every pipe of an organ.")
@click.argument("organ_file", metavar="ORGAN.toml", type=FILE)
@click.option("--rank", help="Only this rank.")
@click.option("--note", help="Only this note.")
@click.option(
    "--lengths", is_flag=True, help="What the length can claim in cents; open pipes by three published rules."
)
@click.option("--more", is_flag=True, help="Flue, toe, stress of the standing pipe, Ising's number.")
@out_option("--csv", "csv_path", metavar="FILE", help="Write every pipe as CSV.")
@out_option("--svg", "svg_path", metavar="FILE", help="Draw the one pipe of --rank and --note to scale.")
@settings_options
@recipes_option
@json_option
def pipes(
    organ_file: Path,
    rank: str | None,
    note: str | None,
    lengths: bool,
    more: bool,
    csv_path: Path | None,
    svg_path: Path | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """Every pipe of ORGAN.toml: frequency, scale, mouth, lengths, walls and mass.

    Half tones compare pipes at the same sounding pitch. Lengths hold at the organ's tuning temperature; the cut length
    carries the allowance for tuning. Walls are what the organ file says, or placeholders of common practice.
    """
    organ, _, made = load_pipes(organ_file, recipes_path, rank)
    if note is not None:
        key = parse_note(note, field="--note", naming=organ.naming)
        made = tuple(p for p in made if p.key == key)
    without = [n for n in notes_without_pipe(organ) if rank in (None, n.rank)]
    if csv_path is not None:
        write_dicts([as_dict(pipe_row(p)) for p in made], csv_path)
    if svg_path is not None:
        _draw(organ, made, svg_path)
    if as_json:
        listed = [as_dict(pipe_row(p)) | ({"lengths": _lengths_dict(organ, p)} if lengths else {}) for p in made]
        print_json(
            {
                "organ": organ.name,
                "pipes": listed,
                "notes_without_pipe": [as_dict(note_row(n)) for n in without],
                "sheets_to_buy": [as_dict(sheet_bought_row(s)) for s in sheets_to_buy(made)],
            }
        )
        return
    by_rank: dict[str, list[Pipe]] = defaultdict(list)
    for pipe in made:
        by_rank[pipe.rank].append(pipe)
    for name, members in by_rank.items():
        if lengths:
            _print_lengths(organ, name, members)
        elif more:
            _print_more(name, members)
        else:
            _print_rank(name, members)
    _print_end(organ, made, without)


def _label(pipe: Pipe) -> str:
    return pipe.note if pipe.choir == 1 else f"{pipe.note}/{pipe.choir}"


def _print_rank(name: str, members: Sequence[Pipe]) -> None:
    alloys = ", ".join(dict.fromkeys(p.alloy for p in members))
    sources = "; ".join(dict.fromkeys(p.wall_source for p in members))
    print_table(
        f"{name} ({members[0].division}, {alloys}, {members[0].construction}, {len(members)} pipes)",
        [
            "note",
            "pitch",
            "Hz",
            "diameter mm",
            "half tones",
            "mouth mm",
            "cut-up mm",
            "body mm",
            "cut mm",
            "foot mm",
            "wall mouth mm",
            "wall top mm",
            "kg",
            "made",
        ],
        [
            (
                _label(p),
                footage_text(p.footage),
                f"{p.frequency_hz:.2f}",
                f"{p.diameter_mm:.1f}",
                f"{p.half_tones:+.1f}",
                f"{p.mouth_width_mm:.1f}",
                f"{p.cut_up_mm:.1f}",
                f"{p.body_length_mm:.1f}",
                f"{p.cut_length_mm:.1f}",
                f"{p.foot_length_mm:.0f}",
                f"{p.thickness_mouth_mm:.2f}",
                f"{p.thickness_top_mm:.2f}",
                f"{p.mass_kg:.3f}",
                "" if p.made == "cast" else f"{p.made} {p.alloy}" if p.made == "sheet" else p.made,
            )
            for p in members
        ],
        [*_breaks(members), f"Walls: {sources}.", *_remarks(members)],
    )


def _breaks(members: Sequence[Pipe]) -> list[str]:
    """Where a compound rank breaks, its choirs from there on, and how many of its pipes sound what another sounds."""
    if all(p.choir == 1 for p in members):
        return []
    choirs: dict[int, list[str]] = defaultdict(list)
    for p in members:
        choirs[p.key].append(footage_text(p.footage))
    lines, before = [], None
    for p in members:
        if choirs[p.key] != before:
            before = choirs[p.key]
            lines.append(f"From {p.note}: {'  '.join(before)}")
    sounds = {round(p.frequency_hz, 2) for p in members}
    return [*lines, f"{len(members)} pipes sound {len(sounds)} pitches: {len(members) - len(sounds)} are repeated."]


def _remarks(members: Sequence[Pipe], most: int = 6) -> list[str]:
    """Remarks with the notes they are about; what many pipes share is said once."""
    same: dict[Text, list[Pipe]] = defaultdict(list)
    for pipe in members:
        for words in pipe.remarks:
            same[words].append(pipe)
    held: dict[str, list[str]] = defaultdict(list)
    for words, pipes in same.items():
        held[words.outline].append(f"{_label(pipes[0]) if len(pipes) == 1 else span_text(pipes)}: {words}")
    lines = []
    for said in held.values():
        lines += said[:2] if len(said) > most else said
        if len(said) > most:
            lines.append(f"... the like of {len(said) - 2} more pipes; --json has them all.")
    return lines


def _print_more(name: str, members: Sequence[Pipe]) -> None:
    rows = []
    for p in members:
        stress = standing_stress(p)
        rows.append(
            (
                _label(p),
                f"{p.flue_mm:.2f}",
                f"{p.toe_bore_mm:.1f}",
                "" if p.ising is None else f"{p.ising:.2f}",
                f"{p.thickness_foot_mm:.2f}",
                f"{p.languid_thickness_mm:.1f}",
                f"{stress.mouth_mpa:.3f}",
                f"{stress.toe_mpa:.2f}",
                "yes" if stress.toe_flag else "",
            )
        )
    print_table(
        f"{name}: mouth, toe and stress",
        [
            "note",
            "flue mm",
            "toe bore mm",
            "Ising",
            "wall foot mm",
            "languid mm",
            "stress mouth MPa",
            "stress toe MPa",
            "toe flagged",
        ],
        rows,
        [
            "Flue, toe and languid: starting sizes, common practice, no source. Ising's number needs the wind: 2 to 3 is said to",
            "work; a light, not advice. Stress: weight over section of a pipe standing on its toe; flagged over 4 feet, where",
            "published repair reports say that toes give way first.",
        ],
    )


def _sounding(organ: Organ, pipe: Pipe) -> Callable[[float], float]:
    """Length of body over frequency for the shape of this pipe."""
    rank = next(r for r in organ.ranks if r.name == pipe.rank)
    mean = pipe.cut_up_mm - rank.arch * pipe.mouth_width_mm / 3.0
    speed, d, width = organ.pitch.speed_m_s, pipe.diameter_mm, pipe.mouth_width_mm
    return lambda hz: sounding_length_mm(rank, hz, speed, d, width, mean)


def _rules(organ: Organ, pipe: Pipe) -> tuple[LengthRule, ...]:
    """Published rules for an open cylinder; for other pipes the one that stands, with what it can claim."""
    if pipe.construction == "resonator":
        return ()
    rank = next(r for r in organ.ranks if r.name == pipe.rank)
    if pipe.construction == "open":
        mean = pipe.cut_up_mm - rank.arch * pipe.mouth_width_mm / 3.0
        return open_rules(pipe.frequency_hz, organ.pitch.speed_m_s, pipe.diameter_mm, pipe.mouth_width_mm, mean)
    claim = claim_cents(_sounding(organ, pipe), pipe.frequency_hz, pipe.diameter_mm)
    return (LengthRule("mass load (default)", DERIVED, pipe.body_length_mm, 0.0, claim),)


def _lengths_dict(organ: Organ, pipe: Pipe) -> list[dict[str, object]]:
    return [
        {
            "rule": r.name,
            "source": r.source,
            "body_length_mm": round(r.body_length_mm, 2),
            "cents_from_default": round(r.cents_from_default, 2),
            "claim_cents": round(r.claim_cents, 1),
        }
        for r in _rules(organ, pipe)
    ]


def _print_lengths(organ: Organ, name: str, members: Sequence[Pipe]) -> None:
    held = [(p, _rules(organ, p)) for p in members]
    if not held[0][1]:
        click.echo(f"{name}: a reed's resonator follows its share of the half wave; no rule can claim its pitch.")
        return
    print_table(
        f"{name} ({members[0].construction}): body length in mm by rule",
        ["note", *(rule.name for rule in held[0][1])],
        [
            (
                _label(p),
                f"{rules[0].body_length_mm:.1f} ±{rules[0].claim_cents:.0f} c",
                *(f"{r.body_length_mm:.1f} {r.cents_from_default:+.0f} c ±{r.claim_cents:.0f} c" for r in rules[1:]),
            )
            for p, rules in held
        ],
        [*(f"{r.name}: {r.source}." for r in held[0][1]), LENGTHS_NOTE],
    )


def _print_end(organ: Organ, made: Sequence[Pipe], without: Sequence[NoteWithoutPipe]) -> None:
    click.echo(
        f"In all {sum(p.mass_kg for p in made):.1f} kg, {sum(p.cast_kg for p in made):.1f} kg of it cast, by the walls asked "
        "for; a plan's account weighs the metal of the sheets that are cut, each of its own thickness within the tolerance."
    )
    for sheet in sheets_to_buy(made):
        click.echo(
            f"Flat sheet to buy: {sheet.metal} {sheet.thickness_mm:g} mm, {sheet.blank_area_m2:.2f} m2 of blanks "
            f"({sheet.blank_kg:.1f} kg), waste of cutting to be added."
        )
    lines: dict[tuple[str, str], list[NoteWithoutPipe]] = defaultdict(list)
    for note in without:
        lines[note.rank, note.lender].append(note)
    for (rank, lender), notes in lines.items():
        span = notes[0].note if len(notes) == 1 else f"{notes[0].note} to {notes[-1].note}"
        if lender:
            click.echo(f"No pipe of its own: {rank} {span}, from {lender} {notes[0].lender_note} on.")
        else:
            click.echo(f"Silent: {rank} {span}.")
    for member in organ.ranks:
        for advice in rank_advice(organ, member, [p for p in made if p.rank == member.name]):
            click.echo(f"{advice}.")
    for words in _caps(made):
        click.echo(words)
    whole, cast = sum(p.mass_kg for p in made), sum(p.cast_kg for p in made)
    of_which = "" if abs(whole - cast) < 1e-9 else f", {cast:.1f} kg of it cast in the shop"
    number = "1 pipe" if len(made) == 1 else f"{len(made)} pipes"
    click.echo(f"{number}, {whole:.1f} kg of finished metal{of_which}, at {organ.pitch.tuning_c:g} °C.")


def _span(values: Iterable[float]) -> str:
    """The least and the most of some figures, once where they are the same."""
    held = sorted(values)
    least, most = f"{held[0]:.0f}", f"{held[-1]:.0f}"
    return least if least == most else f"{least} to {most}"


def _caps(made: Sequence[Pipe]) -> list[str]:
    """What the tuner can reach by the caps of each rank, the least and the most of its pipes."""
    ranks: dict[str, list[tuple[Pipe, CapFit]]] = defaultdict(list)
    for pipe in made:
        if pipe.cap is not None:
            ranks[pipe.rank].append((pipe, pipe.cap))
    lines = []
    for rank, held in ranks.items():
        if held[0][1].kind == "soldered":
            eared = any(part.kind == "ears" for pipe, _ in held for part in pipe.parts)
            lines.append(f"{rank}: caps soldered on, tuned by {'ears and mouth' if eared else 'the mouth'}.")
            continue
        kind = {"outer": "caps over the body", "stopper": "stoppers in the body"}[held[0][1].kind]
        caps = [cap for _, cap in held]
        lines.append(
            f"{rank}: {kind}; {span_text([pipe for pipe, _ in held])}: the tuner can reach {_span(c.sharp_cents for c in caps)} "
            f"cents up and {_span(c.flat_cents for c in caps)} down, rim {_span(c.rim_mm for c in caps)} mm."
        )
    return lines


def _draw(organ: Organ, made: Sequence[Pipe], path: Path) -> None:
    from pipemetal.documents.pipe_picture import pipe_picture
    from pipemetal.documents.svg import to_svg
    from pipemetal.files.outbox import write

    if len(made) != 1:
        raise PipeError(
            "draws one pipe", field="--svg", value=f"{len(made)} pipes", allowed="--rank and --note of one pipe"
        )
    rank = next(r for r in organ.ranks if r.name == made[0].rank)
    steps = [(s.share, s.below, s.above) for s in rank.steps]
    write(path, to_svg(pipe_picture(made[0], steps=steps, tuning_c=organ.pitch.tuning_c)))
