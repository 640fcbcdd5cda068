"""The dossier of a restoration: what was measured, computed and guessed, each on its own; what was added; sources."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from pipemetal.documents.dossier_measured import WEIGHING, measured_blocks, shown_of, unit_of
from pipemetal.documents.drawing import Drawing
from pipemetal.documents.pictures import half_tone_picture
from pipemetal.documents.sheet import Block, Heading, Paragraph, Picture, Sheet, table
from pipemetal.documents.shown import with_notes_named
from pipemetal.documents.typeset import to_pdf
from pipemetal.melts.charge import Charge
from pipemetal.pipes.air import speed_of_sound_m_s
from pipemetal.pipes.notes import note_name
from pipemetal.pipes.pipe import footage_text
from pipemetal.pipes.pitch import sounding_semitones
from pipemetal.pipes.scale import half_tones
from pipemetal.restoration.background import PITCHES
from pipemetal.restoration.laws import Law
from pipemetal.restoration.make import GUESSED, SIZE_WORDS, Metal, NewPipe, ToMake
from pipemetal.restoration.metal import MetalWanted
from pipemetal.restoration.record import SURE_95
from pipemetal.restoration.says import LAW_WORDS, Said
from pipemetal.restoration.temper import NONE_OF_THESE, Tuning
from pipemetal.texts import Text
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["dossier_pdf", "dossier_sheets"]

PICTURE_MM: Final = 178.0
AIRS_C: Final = (10.0, 15.0, 20.0)


@dataclass(frozen=True)
class _Point:
    """A pipe of the scale picture."""

    rank: str
    choir: int
    footage: str
    key: int
    half_tones: float


def dossier_pdf(
    said: Said,
    made: ToMake | Text,
    metal: Metal | Text,
    units: UnitSystem,
    say: Words,
    paper: str = "a4",
    wanted: MetalWanted | None = None,
) -> bytes:
    """The dossier as a PDF; `wanted` says how much metal. Errors: UnitError for a paper that is not known."""
    return to_pdf(dossier_sheets(said, made, metal, units, say, wanted), paper, say, title=said.old.name)


def dossier_sheets(
    said: Said,
    made: ToMake | Text,
    metal: Metal | Text,
    units: UnitSystem,
    say: Words,
    wanted: MetalWanted | None = None,
) -> list[Sheet]:
    """The dossier in parts: measured, computed, to be made with what is guessed, added and sources."""
    old = said.old
    subtitle = ", ".join(x for x in (f"{old.rank} {footage_text(old.footage)}", old.place) if x)

    def sheet(title: str, blocks: Iterator[Block]) -> Sheet:
        return Sheet(say(title), subtitle, tuple(blocks), foot=with_notes_named(f"{old.name}, {subtitle}", say))

    return [
        sheet("Measured", measured_blocks(said, units, say)),
        sheet("Computed", _computed(said, units, say)),
        sheet(
            "To be made: computed and guessed",
            itertools.chain(_to_be_made(said, made, metal, units, say), _how_much(wanted, units, say)),
        ),
        sheet("Added, background, sources", _sources(said, made, units, say)),
    ]


def _computed(said: Said, units: UnitSystem, say: Words) -> Iterator[Block]:
    yield Paragraph(
        say("Worked out from what was measured. Limits hold 95 in 100; they say nothing of what was not measured.")
    )
    scale, old = said.scale, said.old
    if scale is not None:
        at_c, half = scale.diameter_8_foot_c, scale.halving_pipe
        yield Heading(say("Scale"))
        yield Paragraph(
            say(
                "{model}; at 8' C {across} ({low} to {high}), half on pipe {half} ({least} to {most}).",
                model=say(scale.model),
                across=units.show_length(at_c.value, 1),
                low=units.bare_length(at_c.low, 1),
                high=units.bare_length(at_c.high, 1),
                half=units.number(half.value, 1),
                least=units.number(half.low, 1),
                most=units.number(half.high, 1),
            )
        )
        yield Picture(_picture(said, units, say))
    if said.laws:
        yield Heading(say("Laws over the compass"))
        heads = [
            say("what"),
            say("middle"),
            say("not under"),
            say("not above"),
            say("an octave up, times"),
            say("pipes"),
        ]
        yield table(heads, [_law_row(law, units, say) for law in said.laws.values()], shares=(1, 0, 0, 0, 0, 0))
    yield Paragraph(
        say("Construction")
        + ": "
        + "; ".join(f"{say(c.name)} {units.number(100 * c.share, 0)} %" for c in said.constructions)
    )
    if said.tuning is not None:
        yield from _tuning(said.tuning, units, say)
    if said.strangers:
        yield Heading(say("Pipes that do not belong"))
        rows = [(s.note, "; ".join(say.read(w, units) for w in s.why)) for s in said.strangers]
        yield table([say("note"), say("why")], rows, shares=(0, 1))
    for reading in old.readings:
        if reading.method == WEIGHING:
            tin, off = units.number(reading.wt_pct, 1), units.number(SURE_95 * reading.uncertainty_wt_pct, 1)
            words = say("Tin by weighing in air and in water: {percent} % ± {half} % (95 %).", percent=tin, half=off)
            yield Paragraph(words)
    for warning in said.warnings:
        yield Paragraph(say.read(warning, units))
    yield Paragraph(
        say("Missing pipes") + ": " + (", ".join(note_name(k, old.naming) for k in old.missing_keys) or "–")
    )


def _law_row(law: Law, units: UnitSystem, say: Words) -> tuple[str, ...]:
    size = law.name.endswith("_mm")

    def shown(value: float) -> str:
        name = "thickness_mm" if law.name.startswith(("wall", "windway")) else law.name
        return shown_of(name, value, units) if size else units.number(value, 3)

    middle = law.middle
    words = say(LAW_WORDS[law.name]) + (
        f", {unit_of('thickness_mm' if 'wall' in law.name else law.name, units)}" if size else ""
    )
    return (
        words,
        shown(middle.value),
        shown(middle.low),
        shown(middle.high),
        units.number(law.per_octave, 3),
        str(law.rests_on),
    )


def _picture(said: Said, units: UnitSystem, say: Words) -> Drawing:
    scale, old = said.scale, said.old
    assert scale is not None
    points = [
        _Point(
            say("measured"),
            1,
            "",
            f.pipe.key,
            half_tones(f.pipe.diameter_mm, sounding_semitones(f.pipe.key, old.footage)),
        )
        for f in sorted(old.there, key=lambda f: f.pipe.key)
        if f.pipe.diameter_mm is not None
    ]
    for key in range(old.first_key, old.last_key + 1):
        semitones = sounding_semitones(key, old.footage)
        points.append(_Point(say("by the scale"), 1, "", key, half_tones(scale.diameter_mm(semitones), semitones)))
    return half_tone_picture(points, say("scale in half tones, at sounding pitch"), PICTURE_MM, say, comma=units.comma)


def _tuning(tuning: Tuning, units: UnitSystem, say: Words) -> Iterator[Block]:
    yield Heading(say("Pitch and temperament"))
    here = speed_of_sound_m_s(tuning.at_c)
    airs = "; ".join(
        f"{units.number(tuning.a_hz.value * speed_of_sound_m_s(c) / here, 1)} Hz, {units.show_temperature(c)}"
        for c in AIRS_C
    )
    yield Paragraph(
        say(
            "a1 {hz} Hz ({low} to {high}) at {air}; the same pipes in other air: {airs}.",
            hz=units.number(tuning.a_hz.value, 1),
            low=units.number(tuning.a_hz.low, 1),
            high=units.number(tuning.a_hz.high, 1),
            air=units.show_temperature(tuning.at_c),
            airs=airs,
        )
    )
    shown = max(len(tuning.set_95), 2)
    rows = [
        (
            say(s.name) if s.name == NONE_OF_THESE else s.name,
            f"{units.number(100.0 * s.share, 1)} %",
            say("yes") if s.name in tuning.set_95 else say("no"),
        )
        for s in tuning.shares[:shown]
    ]
    yield table([say("temperament"), say("share of belief"), say("within the set of 95 %")], rows)
    yield Paragraph(
        say(
            "No name of the set is proved: the lengths cannot tell them apart. A pipe scatters by {scatter} cents, the length "
            "rule errs smoothly by some {smooth} cents and alike for all by some 15.",
            scatter=units.number(tuning.scatter_cents, 1),
            smooth=units.number(tuning.smooth_cents, 0),
        )
    )


def _to_be_made(said: Said, made: ToMake | Text, metal: Metal | Text, units: UnitSystem, say: Words) -> Iterator[Block]:
    if isinstance(made, Text):
        yield Paragraph(say.read(made, units))
    else:
        words = say(
            "Made for a1 = {hz} Hz at {air} ({pitch}) in {temperament} ({certain}).",
            hz=units.number(made.a_hz, 1),
            air=units.show_temperature(made.at_c),
            pitch=say(made.pitch_origin),
            temperament=made.temperament,
            certain=say(made.temperament_origin),
        )
        yield Paragraph(words, strong=True)
        held = [(n, w) for n, w in SIZE_WORDS.items() if any(n in p.sizes for p in made.pipes)]
        heads = [
            say("note"),
            *(f"{say(w)}, {units.wall_unit if n in ('wall_mm', 'windway_mm') else units.length}" for n, w in held),
        ]
        yield table(heads, [_new_row(p, [n for n, _ in held], units) for p in made.pipes], size_pt=7.5)
        yield Paragraph(
            say(
                "± holds 95 in 100. ? is guessed: no old pipe tells it. Bodies are as they sound; length for tuning comes on top."
            )
        )
        for note in made.notes:
            yield Paragraph(say.read(note, units))
    yield Heading(say("Alloy"))
    if isinstance(metal, Text):
        yield Paragraph(say.read(metal, units))
        return
    yield Paragraph(say("Recipe of the shop: {name} ({origin}).", name=metal.recipe.name, origin=say(metal.origin)))
    if metal.differences:
        rows = [
            (
                d.element,
                units.number(d.old_wt_pct, 2),
                units.number(d.recipe_wt_pct, 2),
                say("trace") if d.trace else "",
            )
            for d in metal.differences
        ]
        yield table([say("element"), say("old, %"), say("recipe, %"), ""], rows)


def _how_much(wanted: MetalWanted | None, units: UnitSystem, say: Words) -> Iterator[Block]:
    """How much metal the new pipes take, and out of which lots."""
    if wanted is None:
        return
    finished, poured = units.show_mass(wanted.finished_kg), units.show_mass(wanted.poured_kg)
    yield Paragraph(say("New pipes weigh {finished}; some {poured} to pour.", finished=finished, poured=poured))
    if isinstance(wanted.charge, Charge):
        lots = ", ".join(f"{x.lot.id} {units.show_mass(x.mass_kg)}" for x in wanted.charge.lines)
        yield Paragraph(say("Of lots: {lots}.", lots=lots))
    elif wanted.charge is not None:
        yield Paragraph(say("The free lots of the shop book do not give this alloy."))


def _new_row(pipe: NewPipe, names: list[str], units: UnitSystem) -> tuple[str, ...]:
    cells = []
    for name in names:
        worked = pipe.sizes.get(name)
        if worked is None:
            cells.append("")
            continue
        thin = "thickness_mm" if name == "wall_mm" else name
        half = shown_of(thin, (worked.size.high - worked.size.low) / 2.0, units)
        cells.append(f"{shown_of(thin, worked.size.value, units)} ± {half}{' ?' if worked.origin == GUESSED else ''}")
    return (pipe.note, *cells)


def _sources(said: Said, made: ToMake | Text, units: UnitSystem, say: Words) -> Iterator[Block]:
    old = said.old
    yield Heading(say("Added"))
    yield Paragraph(say("Every new part bears a mark, so that it can be told from the old ones for ever."))
    rows = [(a.what, a.mark or "–", a.when, a.why) for a in old.added]
    if isinstance(made, ToMake):
        told = {word.strip(".,;:()") for added in old.added for word in added.what.split()}
        new = [p for p in made.pipes if p.note not in told]
        rows += [(say("new pipe {note}", note=p.note), "........", "........", say("was missing")) for p in new]
    yield (
        table([say("what"), say("mark"), say("when"), say("why")], rows, shares=(1, 0, 0, 1))
        if rows
        else Paragraph("–")
    )
    yield Heading(say("Pitches of old times, as background"))
    yield table(
        [say("what"), say("date"), "a1, Hz", "°C", say("source")],
        [(p.what, p.date, units.number(p.a_hz, 1), "" if p.at_c is None else f"{p.at_c:g}", p.source) for p in PITCHES],
        shares=(1, 0, 0, 0, 2),
        size_pt=7.5,
    )
    yield Paragraph(say("They prove nothing of this rank. Where no temperature stands, none was published."))
    yield Heading(say("Sources"))
    for source in (
        *old.sources,
        say("Rules of length and scale and their sources: docs/pipes.md and docs/restoration.md."),
    ):
        yield Paragraph(source)
    if old.photos:
        yield Heading(say("Pictures"))
        yield Paragraph(", ".join(old.photos))
    yield Paragraph(
        say(
            "Old metal holds lead: no dry brushing, wash hands, local law decides. Nothing is melted before the owner has agreed."
        ),
        quiet=True,
    )
