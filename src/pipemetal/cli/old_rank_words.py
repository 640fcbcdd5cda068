"""What an old rank says, and what is made for it, in rows and values for the command line."""

from __future__ import annotations

import math

import click

from pipemetal.cli.common import print_table, rounded
from pipemetal.cli.scale_words import fit_dict
from pipemetal.files.charge_json import blocked_dict, charge_dict
from pipemetal.melts.charge import Charge
from pipemetal.pipes.air import speed_of_sound_m_s
from pipemetal.pipes.notes import note_name
from pipemetal.pipes.pipe import footage_text
from pipemetal.pipes.scale_fit import Estimate
from pipemetal.restoration.background import near_pitches
from pipemetal.restoration.laws import Law
from pipemetal.restoration.make import Metal, ToMake
from pipemetal.restoration.metal import MetalWanted
from pipemetal.restoration.says import LAW_WORDS, Said
from pipemetal.restoration.temper import Tuning

__all__ = ["AIRS_C", "made_dict", "print_made", "print_said", "said_dict"]

AIRS_C = (10.0, 15.0, 18.0, 20.0)
"""Temperatures for which a pitch is shown too."""


def _estimate(found: Estimate, places: int) -> dict[str, float | None]:
    values = {"value": found.value, "low": found.low, "high": found.high}
    return {name: rounded(v, places) if math.isfinite(v) else None for name, v in values.items()}


def _law_dict(law: Law, naming: str) -> dict[str, object]:
    return {
        "middle": _estimate(law.middle, 4),
        "per_octave": rounded(law.per_octave, 4),
        "scatter_percent": rounded(100.0 * law.scatter, 2),
        "rests_on_pipes": law.rests_on,
        "does_not_explain": [
            {"note": note_name(m.key, naming), "value": rounded(m.value, 4), "expected": rounded(m.expected, 4)}
            for m in law.wrong
        ],
    }


def at_air(hertz: float, from_c: float, to_c: float) -> float:
    """The pitch of the same pipes in air of another temperature."""
    return hertz * speed_of_sound_m_s(to_c) / speed_of_sound_m_s(from_c)


def _tuning_dict(tuning: Tuning, naming: str) -> dict[str, object]:
    return {
        "a_hz": _estimate(tuning.a_hz, 2),
        "at_c": tuning.at_c,
        "a_hz_at": {f"{c:g} C": rounded(at_air(tuning.a_hz.value, tuning.at_c, c), 2) for c in AIRS_C},
        "temperaments_95": list(tuning.set_95),
        "within_ten_to_one": list(tuning.near),
        "temperaments": [
            {"name": s.name, "share": rounded(s.share, 4), "odds_against": rounded(s.odds, 2)} for s in tuning.shares
        ],
        "moved_half_tones": [{"half_tones": m, "share": rounded(v, 4)} for m, v in tuning.moved],
        "scatter_cents": rounded(tuning.scatter_cents, 2),
        "smooth_error_cents": rounded(tuning.smooth_cents, 2),
        "counted": [note_name(k, naming) for k in tuning.counted],
        "recorded": [note_name(k, naming) for k in tuning.recorded],
        "odd_lengths": [
            {"note": note_name(o.key, naming), "cents": rounded(o.cents, 1), "sigmas": rounded(o.sigmas, 1)}
            for o in tuning.odd
        ],
        "past_the_range": tuning.at_edge,
    }


def said_dict(said: Said) -> dict[str, object]:
    """Everything that was said."""
    old = said.old
    found: dict[str, object] = {
        "restoration": old.name,
        "rank": old.rank,
        "footage": footage_text(old.footage),
        "compass": f"{note_name(old.first_key, old.naming)}-{note_name(old.last_key, old.naming)}",
        "pipes": len(old.there),
        "missing": [note_name(key, old.naming) for key in old.missing_keys],
        "scale": fit_dict(old.as_old_rank(), said.scale, old.naming) if said.scale is not None else None,
        "laws": {name: _law_dict(law, old.naming) for name, law in said.laws.items()},
        "constructions": [{"name": c.name, "share": rounded(c.share, 4)} for c in said.constructions],
        "tuning": _tuning_dict(said.tuning, old.naming) if said.tuning is not None else None,
        "do_not_belong": [{"note": s.note, "why": [str(w) for w in s.why]} for s in said.strangers],
        "warnings": [str(w) for w in said.warnings],
    }
    return found


def print_said(said: Said) -> None:
    """Tables for people."""
    old, tuning = said.old, said.tuning
    title = (
        f"{old.name}: {old.rank} {footage_text(old.footage)}, {len(old.there)} pipes, {len(old.missing_keys)} missing"
    )
    rows = [("construction", " or ".join(f"{c.name} ({100 * c.share:.0f} %)" for c in said.constructions), "", "")]
    if said.scale is not None:
        at_c = said.scale.diameter_8_foot_c
        rows.append(("scale", said.scale.model, "", ""))
        rows.append(("diameter at 8' C", f"{at_c.value:.1f} mm", f"{at_c.low:.1f}", f"{at_c.high:.1f}"))
        half = said.scale.halving_pipe
        rows.append(("halves on pipe", f"{half.value:.2f}", f"{half.low:.2f}", f"{half.high:.2f}"))
    for name, law in said.laws.items():
        words = f"{law.middle.value:.3g}, times {law.per_octave:.3f} an octave up"
        rows.append((LAW_WORDS[name], words, f"{law.middle.low:.3g}", f"{law.middle.high:.3g}"))
    if tuning is not None:
        rows.append(
            (
                f"a1 at {tuning.at_c:g} °C",
                f"{tuning.a_hz.value:.1f} Hz",
                f"{tuning.a_hz.low:.1f}",
                f"{tuning.a_hz.high:.1f}",
            )
        )
    print_table(
        title, ["", "what the pipes say", "not under", "not above (95 %)"], rows, [str(w) for w in said.warnings]
    )
    if tuning is not None:
        _print_temperaments(tuning)
    if said.strangers:
        print_table("Pipes that do not belong", ["note", "why"], [(s.note, "; ".join(s.why)) for s in said.strangers])


def _print_temperaments(tuning: Tuning) -> None:
    shown = max(len(tuning.set_95), 2)
    rows = [
        (
            s.name,
            f"{100 * s.share:.1f} %",
            "1" if s.odds < 1.05 else f"1 to {s.odds:.3g}",
            "yes" if s.name in tuning.set_95 else "",
        )
        for s in tuning.shares[:shown]
    ]
    near = near_pitches(tuning.a_hz, tuning.at_c)
    notes = [
        "The lengths cannot tell the names of the set apart. Their shares say how much belief each deserves, among these names.",
        "Of these pipes a1 is "
        + ", ".join(f"{at_air(tuning.a_hz.value, tuning.at_c, c):.1f} Hz at {c:g} °C" for c in AIRS_C)
        + ".",
        f"A pipe scatters by {tuning.scatter_cents:.1f} cents; the rule errs smoothly by some {tuning.smooth_cents:.0f} cents.",
    ]
    if near:
        words = "; ".join(f"{p.what} {p.a_hz:g} Hz ({p.date})" for p in near)
        notes.append(f"Published pitches within these limits, as background: {words}.")
    print_table("Temperament", ["name", "share", "odds", "in the set of 95 %"], rows, notes)


def _metal_dict(metal: Metal, wanted: MetalWanted) -> dict[str, object]:
    charge = wanted.charge
    return {
        "recipe": metal.recipe.name,
        "recipe_is": metal.origin,
        "differs": [
            {
                "element": d.element,
                "old_wt_pct": rounded(d.old_wt_pct, 3),
                "recipe_wt_pct": rounded(d.recipe_wt_pct, 3),
                "sigmas": rounded(d.sigmas, 1),
                "trace": d.trace,
            }
            for d in metal.differences
        ],
        "matches": [
            {"recipe": m.recipe.name, "distance": rounded(m.distance, 3), "words": m.words} for m in metal.matches
        ],
        "finished_kg": rounded(wanted.finished_kg, 3),
        "to_pour_kg": rounded(wanted.poured_kg, 3),
        "charge": None
        if charge is None
        else charge_dict(charge, ())
        if isinstance(charge, Charge)
        else blocked_dict(charge),
    }


def made_dict(made: ToMake, metal: Metal, wanted: MetalWanted) -> dict[str, object]:
    """What is to be made."""
    return {
        "restoration": made.said.old.name,
        "rank": made.said.old.rank,
        "a_hz": rounded(made.a_hz, 2),
        "at_c": made.at_c,
        "a_hz_is": made.pitch_origin,
        "temperament": made.temperament,
        "temperament_is": made.temperament_origin,
        "pipes": [
            {
                "note": p.note,
                "rule_length_mm": rounded(p.rule_length_mm, 2),
                **{name: _estimate(w.size, 3) | {"is": w.origin} for name, w in p.sizes.items()},
            }
            for p in made.pipes
        ],
        "metal": _metal_dict(metal, wanted),
        "notes": [str(n) for n in made.notes],
    }


def print_made(made: ToMake, metal: Metal, wanted: MetalWanted) -> None:
    """Tables for people."""
    names = ("diameter_mm", "mouth_mm", "cut_up_mm", "wall_mm", "length_mm", "foot_mm", "toe_mm", "windway_mm")
    held = [name for name in names if any(name in p.sizes for p in made.pipes)]

    def cell(pipe_sizes: object, name: str) -> str:
        if not isinstance(pipe_sizes, dict) or name not in pipe_sizes:
            return ""
        worked = pipe_sizes[name]
        half = (worked.size.high - worked.size.low) / 2.0
        places = 2 if name in ("wall_mm", "windway_mm") else 1
        return f"{worked.size.value:.{places}f} ± {half:.{places}f}{'' if worked.origin == 'computed' else ' ?'}"

    print_table(
        f"{made.said.old.name}: {len(made.pipes)} pipes to make, a1 = {made.a_hz:.1f} Hz at {made.at_c:g} °C "
        f"({made.pitch_origin}), {made.temperament} ({made.temperament_origin})",
        ["note", *(name.removesuffix("_mm").replace("_", "-") + " mm" for name in held)],
        [(p.note, *(cell(p.sizes, name) for name in held)) for p in made.pipes],
        [
            "± is 95 %; ? is guessed. Length: mouth to top, as it sounds; what is left for tuning comes on top.",
            *map(str, made.notes),
        ],
    )
    rows = [
        (d.element, f"{d.old_wt_pct:.3g}", f"{d.recipe_wt_pct:.3g}", f"{d.sigmas:.1f}", "trace" if d.trace else "")
        for d in metal.differences
    ]
    notes = [
        f"{wanted.finished_kg:.2f} kg of new pipes; some {wanted.poured_kg:.1f} kg to pour (twice: ends, edges, planing)."
    ]
    if isinstance(wanted.charge, Charge):
        notes.append("Of lots: " + ", ".join(f"{x.lot.id} {x.mass_kg:.1f} kg" for x in wanted.charge.lines) + ".")
        if sum(x.mass_kg for x in wanted.charge.lines) > 1.02 * wanted.poured_kg:
            notes.append(
                "The lots weigh more than is to pour: dross takes some, and each is weighed in whole steps of the scale, not "
                "under its least (the shop's settings). What is over is cast into ingots."
            )
    elif wanted.charge is not None:
        notes.append(f"These lots do not give it: {wanted.charge.words}.")
    if not rows:
        for note in (f"Alloy: {metal.recipe.name} ({metal.origin}).", *notes):
            click.echo(note)
        return
    title = f"Alloy: {metal.recipe.name} ({metal.origin}), and in what the old metal differs"
    print_table(title, ["element", "old %", "recipe %", "standard errors", ""], rows, notes)
