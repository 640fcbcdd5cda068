"""The bench card on paper: one page for a pipe with its flat metal drawn, and a list for the whole rank."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pipemetal.documents.bench_card_facts import card_facts
from pipemetal.documents.cap_picture import cap_picture
from pipemetal.documents.drawing import Drawing
from pipemetal.documents.flat_picture import body_pictures, mouth_picture, part_name
from pipemetal.documents.sheet import Block, Heading, Paragraph, Picture, Sheet, paper_mm, table
from pipemetal.documents.shown import with_notes_named
from pipemetal.documents.typeset import MARGIN_MM
from pipemetal.pipes.bench_card import BenchCard, CardPart, CardPiece
from pipemetal.pipes.pipe import Part, RingSector, footage_text
from pipemetal.pipes.rank import said_construction
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = [
    "card_facts",
    "card_sheet",
    "card_sheets",
    "not_served_words",
    "part_headings",
    "part_rows",
    "rank_headings",
    "rank_rows",
]

BODY_HIGH_MM: Final = 84.0
MOUTH_HIGH_MM: Final = 112.0
MOUTH_LEAST_MM: Final = 64.0
"""Less leaves no room for the sizes of a languid."""
CAP_HIGH_MM: Final = 32.0
CAP_LEAST_MM: Final = 24.0
CAP_SHARE: Final = 0.18
BODY_SHARE: Final = 0.35
HEAD_AND_FOOT_MM: Final = 56.0
"""Margins, title, headings and the room between, on a page of one card."""
ROW_MM: Final = 5.1
LETTERS_A_LINE: Final = 95
LETTERS_OF_A_MANDREL: Final = 16
"""More go on to a second line where the other columns are wide."""
LEAST_PLANED_MM: Final = 0.005
Row = tuple[str, ...]


def card_sheets(cards: Sequence[BenchCard], units: UnitSystem, say: Words, paper: str = "a4") -> list[Sheet]:
    """The list of each rank, and after it a page for each of its pipes."""
    found: list[Sheet] = []
    for rank in dict.fromkeys(card.rank.name for card in cards):
        members = [card for card in cards if card.rank.name == rank]
        if len(members) > 1:
            found.append(_rank_sheet(members, units, say))
        found += [card_sheet(card, units, say, paper) for card in members]
    return found


def card_sheet(card: BenchCard, units: UnitSystem, say: Words, paper: str = "a4") -> Sheet:
    """The page of one pipe."""
    wide, high = paper_mm(paper)
    width = wide - 2 * MARGIN_MM
    rows, facts = part_rows(card, units, say), card_facts(card, units, say)
    lines = sum(1 + len(words) // LETTERS_A_LINE for _, words in facts) + 2 * len(card.not_served)
    lines += sum(len(row[-1]) > LETTERS_OF_A_MANDREL for row in rows)
    room = high - HEAD_AND_FOOT_MM - ROW_MM * (len(rows) + lines)
    cap = cap_picture(card, units, say, width, min(max(CAP_SHARE * room, CAP_LEAST_MM), CAP_HIGH_MM))
    room -= cap.height_mm if cap is not None else 0.0
    drawn = [*_fitted(card, units, say, width, room), *([cap] if cap is not None else [])]
    blocks: list[Block] = [Paragraph(words) for words in not_served_words(card, units, say)]
    blocks += [Picture(drawing) for drawing in drawn]
    blocks += [
        *([table(part_headings(units, say), rows, shares=(0, 0, 0, 0, 0, 0, 1), size_pt=7.4)] if rows else []),
        Heading(say("At the bench")),
        table(["", ""], facts, shares=(0, 1), size_pt=8.2),
    ]
    return Sheet(
        card.pipe.id, _subtitle(card, say), tuple(blocks), foot=with_notes_named(f"{card.organ}: {card.pipe.id}", say)
    )


def _fitted(card: BenchCard, units: UnitSystem, say: Words, width_mm: float, room_mm: float) -> list[Drawing]:
    """Body and mouth in the room that the page has for both. Scales go in steps, so that what one leaves over the other takes."""
    if card.mouth is None:
        return body_pictures(card, units, say, width_mm, room_mm)

    def mouth(high_mm: float) -> list[Drawing]:
        drawing = mouth_picture(card, units, say, width_mm, min(max(high_mm, MOUTH_LEAST_MM), MOUTH_HIGH_MM))
        return [drawing] if drawing is not None else []

    held = mouth((1.0 - BODY_SHARE) * room_mm)
    body = body_pictures(card, units, say, width_mm, min(room_mm - sum(d.height_mm for d in held), BODY_HIGH_MM))
    return [*body, *mouth(room_mm - sum(d.height_mm for d in body))]


def not_served_words(card: BenchCard, units: UnitSystem, say: Words) -> list[str]:
    """Why no sheet of the settings serves a pipe, a sentence for each cause; none for a pipe that can be made."""
    return [
        say(
            "No sheet that the settings allow serves this pipe. {part}: {why}. A roll of the rack may hold it.",
            part=part_name(kind, say),
            why=say.read(why, units),
        )
        for kind, why in card.not_served
    ]


def _subtitle(card: BenchCard, say: Words) -> str:
    pipe = card.pipe
    construction = say(said_construction(pipe.construction))
    return f"{card.organ}, {pipe.division}, {pipe.alloy}, {construction}, {footage_text(pipe.footage)}"


def part_headings(units: UnitSystem, say: Words) -> list[str]:
    """What stands over the rows of parts."""
    return [
        say("part"),
        say("alloy"),
        say("cut as, {unit}", unit=units.length),
        say("finished, {unit}", unit=units.length),
        say("inside Ø, {unit}", unit=units.length),
        say("wall {unit}", unit=units.wall_unit),
        say("mandrel"),
    ]


def part_rows(card: BenchCard, units: UnitSystem, say: Words) -> list[Row]:
    """A row for every part, and under it one for every length that it is made of."""
    rows: list[Row] = []
    for held in card.parts:
        several = len(held.pieces) > 1
        cut = say("{count} pieces", count=len(held.pieces)) if several else _cut(held.pieces[0], held.part, units)
        rows.append(
            (
                _row_name(held.part, say),
                say(held.part.alloy),
                cut,
                _finished(held, units),
                _round(held, units),
                _walls(held.part, units, say),
                _mandrel(held, units, say),
            )
        )
        if several:
            firsts = {piece.length_number: piece for piece in reversed(held.pieces)}
            rows += [_piece_row(firsts[n], held.part, units, say) for n in sorted(firsts)]
    return rows


def _row_name(part: Part, say: Words) -> str:
    """A part's name; both ears are cut from one strip."""
    return say("2 ears, one strip") if part.kind == "ears" else part_name(part.kind, say)


def _walls(part: Part, units: UnitSystem, say: Words) -> str:
    """The walls as cut, from the lower end up, and what they come to where metal is planed or scraped off."""
    cut = _wall(part.wall_below_mm, part.wall_above_mm, units)
    if part.planed_mm < LEAST_PLANED_MM:
        return cut
    done = _wall(part.wall_below_mm - part.planed_mm, part.wall_above_mm - part.planed_mm, units)
    return say("{cut}, finished {done}", cut=cut, done=done)


def _piece_row(piece: CardPiece, part: Part, units: UnitSystem, say: Words) -> Row:
    """A length of a part, and how many equal strips it is made of."""
    name = say("length {n} of {count}", n=piece.length_number, count=piece.lengths) if piece.lengths > 1 else ""
    strips = say("{count} strips of", count=piece.strips) + " " if piece.strips > 1 else ""
    walls = _wall(piece.wall_below_mm, piece.wall_above_mm, units)
    return (f"  {name}", "", strips + _cut(piece, part, units), "", "", walls, "")


def _cut(piece: CardPiece, part: Part, units: UnitSystem) -> str:
    """A blank by its size; a sector by its radii and angle."""
    size = units.bare_length
    if piece.ring is None:
        return f"{size(piece.length_mm, 1)} x {size(piece.width_mm, 1)}"
    return _sector(piece.ring, part, units)


def _sector(ring: RingSector, part: Part, units: UnitSystem) -> str:
    """The radius at the part's lower end and that at its upper one, as its diameters and walls stand, and the angle."""
    radii = [units.bare_length(mm, 1) for mm in (ring.outer_radius_mm, ring.inner_radius_mm)]
    return f"R {' / '.join(radii[::-1] if part.lower_at_small_arc else radii)}, {units.number(ring.angle_deg, 2)}°"


def _finished(held: CardPart, units: UnitSystem) -> str:
    size = units.bare_length
    if held.flat is None:
        return f"{size(held.flat_length_mm, 1)} x {size(held.flat_width_mm, 1)}"
    return _sector(held.flat, held.part, units)


def _round(held: CardPart, units: UnitSystem) -> str:
    if held.mandrel is None:
        return ""
    below, above = units.bare_length(held.below_mm, 1), units.bare_length(held.above_mm, 1)
    return below if below == above else f"{below} / {above}"


def _wall(mouth_mm: float, top_mm: float, units: UnitSystem) -> str:
    below, above = units.bare_wall(mouth_mm), units.bare_wall(top_mm)
    return below if below == above else f"{below} / {above}"


def _mandrel(held: CardPart, units: UnitSystem, say: Words) -> str:
    choice = held.mandrel
    if choice is None:
        return ""
    if choice.mandrel is None:
        return say("none named")
    name = f"{choice.mandrel.name} mm"  # as its maker and the shop's list call it, whatever the units of the card
    return name if choice.fits else say("none fits; nearest {name}", name=name)


def rank_headings(units: UnitSystem, say: Words) -> list[str]:
    """What stands over the list of a rank."""
    return [
        say("note"),
        say("flat body {unit}", unit=units.length),
        say("mouth"),
        say("cut-up"),
        say("flat foot {unit}", unit=units.length),
        say("languid"),
        say("mandrel"),
        say("pieces"),
        say("seam {unit}", unit=units.length),
        say("solder {unit}", unit=units.mass),
        units.mass,
    ]


def rank_rows(cards: Sequence[BenchCard], units: UnitSystem, say: Words) -> list[Row]:
    """The pipes of a rank on one line each."""
    size = units.bare_length
    rows: list[Row] = []
    for card in cards:
        body = next((c for c in card.parts if c.part.kind in ("body", "body 1")), None)
        foot = next((c for c in card.parts if c.part.kind in ("foot", "boot")), None)
        mouth, languid = card.mouth, card.languid
        rows.append(
            (
                card.stamp[-1],
                _finished(body, units) if body else "",
                size(mouth.flat_width_mm, 1) if mouth else "",
                size(mouth.cut_up_mm, 1) if mouth else "",
                _finished(foot, units) if foot else "",
                f"{size(languid.diameter_mm, 1)} x {units.bare_wall(languid.thickness_mm)}" if languid else "",
                _mandrel(body, units, say) if body else "",
                str(sum(len(c.pieces) for c in card.parts)),
                size(card.solder.length_mm),
                units.bare_mass(card.solder.mass_kg, 3),
                units.bare_mass(card.whole_kg, 3),
            )
        )
    return rows


def _rank_sheet(cards: Sequence[BenchCard], units: UnitSystem, say: Words) -> Sheet:
    first = cards[0]
    words = say(
        "{count} pipes. Flat sizes are finished ones, without trims; widths on the flat metal. Mass with solder. "
        "Languid bevelled to 60° (45 to 75, common practice).",
        count=len(cards),
    )
    blocks = (Paragraph(words), table(rank_headings(units, say), rank_rows(cards, units, say), size_pt=7.5))
    return Sheet(
        first.rank.name, _subtitle(first, say), blocks, landscape=True, foot=with_notes_named(first.organ, say)
    )
