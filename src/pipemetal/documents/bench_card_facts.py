"""What a maker must know of a pipe beside its parts: name and words of each fact of the bench card."""

from __future__ import annotations

from typing import Final

from pipemetal.documents.flat_picture import part_name
from pipemetal.pipes.bench_card import BenchCard
from pipemetal.pipes.flat import flat_lines
from pipemetal.pipes.pipe import Pipe
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["card_facts"]

DRAWN: Final = ("body", "foot", "languid", "cap", "ears", "chimney", "slide")
"""Parts that the card draws, by the first word of their kind, and plain rectangles that need no drawing."""
Row = tuple[str, ...]


def card_facts(card: BenchCard, units: UnitSystem, say: Words) -> list[Row]:
    """What a maker must know beside the parts: name and words of each."""
    pipe, size = card.pipe, units.show_length
    if pipe.made == "wood":
        return _wood_rows(card, units, say)
    rows: list[Row] = [(say("stamp on body and foot"), " · ".join(card.stamp)), *_mouth_rows(card, units, say)]
    if any(held.flat is not None and held.part.kind.startswith(("body", "boot")) for held in card.parts):
        rows.append((say("two sizes with a stroke"), say("first the lower end's in the pipe, then the upper end's")))
    if any(held.part.lower_at_small_arc and held.lengths > 1 for held in card.parts):
        rows.append(("", say("length 1 is at the large arc, the upper end in the pipe")))
    solder = card.solder
    rows += [
        (
            say("seams and solder"),
            say(
                "{length} of seam, about {mass} of solder ({low} to {high}; common practice, no source)",
                length=size(solder.length_mm),
                mass=units.show_mass(solder.mass_kg, 3),
                low=units.bare_mass(solder.least_kg, 3),
                high=units.bare_mass(solder.most_kg, 3),
            ),
        ),
        (say("planed side"), _planed(card, units, say)),
        *_toe_rows(pipe, units, say),
        *_reed_rows(card, units, say),
        *_cap_rows(card, units, say),
        (say("not drawn"), _not_drawn(card, say)),
        (say("tuning"), _tuning(card, units, say)),
        (
            say("mass"),
            say(
                "parts {parts}, with solder {whole}; blanks as cut {blanks}",
                parts=units.show_mass(card.parts_kg + card.old_kg, 3),
                whole=units.show_mass(card.whole_kg, 3),
                blanks=units.show_mass(card.blanks_kg, 3),
            ),
        ),
        (say("walls"), say.read(pipe.wall_source, units)),
    ]
    rows += [("", say.read(words, units)) for words in pipe.remarks]
    return [row for row in rows if row[1]]


def _wood_rows(card: BenchCard, units: UnitSystem, say: Words) -> list[Row]:
    """What is known of a pipe of wood: nothing that is true of metal alone."""
    pipe = card.pipe
    words = say(
        "inside as large as a round pipe of {diameter}; a round pipe of metal would sound at {length}",
        diameter=units.show_length(pipe.diameter_mm, 1),
        length=units.show_length(pipe.body_length_mm, 1),
    )
    rows: list[Row] = [(say("stamp on the body"), " · ".join(card.stamp)), (say("of wood"), words)]
    rows.append((say("not worked out"), say("sides, mouth, foot, stopper, tuning and mass: they are the wood shop's")))
    return rows


def _reed_rows(card: BenchCard, units: UnitSystem, say: Words) -> list[Row]:
    """The boot's toe and the hood's cut of a reed."""
    held, size = card.rank.resonator, units.show_length
    if held is None or card.pipe.construction != "resonator":
        return []
    rows: list[Row] = []
    if held.boot is not None:
        rows.append((say("toe of the boot"), say("{bore} inside, open", bore=size(held.boot.toe_mm, 1))))
    lines = (line for part in card.parts for line in flat_lines(card.pipe, part.part, card.rank))
    hood = next((line for line in lines if line.kind == "hood"), None)
    if held.hood is not None and hood is not None:
        words = say(
            "cut at half a right angle {height} above the tip, along the metal on the middle of the cut, which rises {rise} "
            "from its lowest to its highest point. The upper piece is turned by half a turn and soldered on again",
            height=size(held.hood * card.body_mm, 1),
            rise=size(card.hood_rise_mm(held.hood), 1),
        )
        rows.append((say("hood"), words))
    return rows


def _not_drawn(card: BenchCard, say: Words) -> str:
    """Parts whose flat metal the card does not draw: their sizes are in the list."""
    kinds = [held.part.kind for held in card.parts if held.part.kind.split()[0] not in DRAWN]
    if card.mouth is None:
        kinds += [held.part.kind for held in card.parts if held.part.kind.split()[0] in ("foot", "languid")]
    names = ", ".join(part_name(kind, say) for kind in dict.fromkeys(kinds))
    return say("{parts}: their sizes are in the list", parts=names) if names else ""


def _mouth_rows(card: BenchCard, units: UnitSystem, say: Words) -> list[Row]:
    mouth, size = card.mouth, units.show_length
    if mouth is None:
        return []
    words = say(
        "{flat} wide on the flat metal ({width} round), cut-up {cut_up}, middle {centre} from either edge; "
        "lips {made}, upper {upper} high, lower {lower}",
        flat=size(mouth.flat_width_mm, 1),
        width=size(mouth.width_mm, 1),
        cut_up=size(mouth.cut_up_mm, 1),
        centre=size(mouth.centre_mm, 1),
        made=say(mouth.made),
        upper=size(mouth.upper_lip_mm),
        lower=size(mouth.lower_lip_mm),
    )
    rows: list[Row] = [(say("mouth"), words)]
    body = next((c for c in card.parts if c.part.kind in ("body", "body 1")), None)
    if body is not None and body.flat is not None:
        rows.append(("", say("These widths lie on the arc of the flat cone, not straight across it.")))
    if mouth.made == "raised":
        rows.append(("", say("How far a raised lip thins the metal is not worked out: measure it.")))
    if mouth.rise_mm > 0.0:
        rows.append(("", say("The lip is arched by {rise}.", rise=size(mouth.rise_mm, 1))))
    return rows


def _planed(card: BenchCard, units: UnitSystem, say: Words) -> str:
    if card.pipe.made == "sheet":
        return say("not planed: bought sheet")
    limit = f"{units.bare_wall(card.planed_up_to_mm or 0.0)} {units.wall_unit}"
    thin = [
        p.part for p in card.parts if min(p.part.wall_below_mm, p.part.wall_above_mm) <= (card.planed_up_to_mm or 0.0)
    ]
    if card.planed_up_to_mm is not None and not thin:
        return say("not planed: the shop planes sheets up to {limit}", limit=limit)
    side = say("outside (common practice, no source)")
    if card.keep_outside:
        side = say("inside; the outside stays as cast, for planing takes the spots away (not checked)")
    if card.planed_up_to_mm is None or len(thin) == len(card.parts):
        return side
    return f"{side}; {say('parts over {limit} are not planed', limit=limit)}"


def _toe_rows(pipe: Pipe, units: UnitSystem, say: Words) -> list[Row]:
    if pipe.foot_length_mm <= 0.0:
        return []
    words = say(
        "{outside} outside, bore {bore}, flue {flue} to begin with; the voicer decides",
        outside=units.show_length(pipe.toe_diameter_mm, 1),
        bore=units.show_length(pipe.toe_bore_mm, 1),
        flue=f"{units.bare_wall(pipe.flue_mm)} {units.wall_unit}",
    )
    return [(say("toe"), words)]


def _cap_rows(card: BenchCard, units: UnitSystem, say: Words) -> list[Row]:
    pipe, cap, size = card.pipe, card.pipe.cap, units.show_length
    if cap is None:
        return []
    hole = (
        [(say("hole in the cap"), say("{hole} across", hole=size(across, 1)))]
        if (across := max(pipe.hole_diameter_mm, pipe.chimney_diameter_mm))
        else []
    )
    if cap.kind == "soldered":
        return [(say("cap"), say("soldered on; the body is the sounding length")), *hole]
    text = {
        "outer": "over the body; in tune its face stands {stands} above the body's rim, its rim is {rim} high",
        "stopper": "a stopper in the body; in tune its face lies {stands} deep, it is {rim} long",
    }[cap.kind]
    packing = say("leather or cloth of {packing} on each side", packing=size(card.rank.cap.packing_mm, 1))
    words = say(text, stands=size(cap.stands_mm, 1), rim=size(cap.rim_mm, 1))
    return [(say("cap"), f"{words}; {packing}"), *hole]


def _tuning(card: BenchCard, units: UnitSystem, say: Words) -> str:
    pipe, cap, size = card.pipe, card.pipe.cap, units.show_length
    if pipe.construction == "resonator":
        return say("at the reed; block, shallot, tongue and wire are not worked out")
    if cap is not None and cap.kind != "soldered":
        up, down = f"{cap.sharp_cents:.0f}", f"{cap.flat_cents:.0f}"
        if cap.kind == "stopper":
            return say("by the stopper: {up} cents up, {down} down", up=up, down=down)
        return say("by the cap: {up} cents up, {down} down", up=up, down=down)
    if pipe.visible_length_mm > 0.0:
        return say("at the opening at the back, {length} above the mouth", length=size(pipe.body_length_mm))
    beyond = pipe.cut_length_mm - pipe.body_length_mm
    match card.rank.tuning:
        case "cone":
            return say("with the cone; cut {beyond} longer than it should sound", beyond=size(beyond, 1))
        case "slide":
            return say(
                "with a slide of {slide}; cut {beyond} shorter",
                slide=size(pipe.slide_length_mm),
                beyond=size(-beyond, 1),
            )
        case "slot":
            return say("at a slot {length} above the mouth", length=size(pipe.body_length_mm))
        case _:
            return say("by mouth and ears") if any(c.part.kind == "ears" for c in card.parts) else say("by the mouth")
