"""The bench cards of pipes, with the blanks that the shop's sheets allow and the shop's own mandrels."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace

from pipemetal.layout.reasons import cannot_cast
from pipemetal.pipes.bench_card import BenchCard, CardPiece, bench_card
from pipemetal.pipes.mandrels import parse_mandrels
from pipemetal.pipes.pipe import Pipe, RingSector
from pipemetal.pipes.rank import Organ
from pipemetal.planning.blanks import OrderedBlank, SheetLimits, blanks_for, largest_blank
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import castable_for

__all__ = ["bench_cards"]


def _piece(ordered: OrderedBlank) -> CardPiece:
    blank, ring, place = ordered.blank, ordered.blank.sector, ordered.place
    walls = blank.mouth_thickness_mm, blank.top_thickness_mm
    return CardPiece(
        blank.id,
        blank.length_mm,
        blank.width_mm,
        *(walls[::-1] if ordered.part.lower_at_small_arc else walls),
        RingSector(ring.outer_radius_mm, ring.inner_radius_mm, ring.angle_deg) if ring else None,
        place.length,
        place.lengths,
        place.strip,
        place.strips,
    )


def bench_cards(
    organ: Organ,
    pipes: Sequence[Pipe],
    settings: ShopSettings,
    tin_percent: Mapping[str, float],
    limits: SheetLimits | None = None,
) -> tuple[BenchCard, ...]:
    """A card for every pipe, in their order; `tin_percent` by alloy, bought metals left out.

    `limits` is the largest blank, that of a sheet to cast where it is left out. A pipe that no sheet of the
    settings could hold says why.
    """
    lacking: dict[str, dict[str, str]] = defaultdict(dict)
    limits = limits or largest_blank(settings, organ.allowances.joint_overlap_mm)
    pieces: dict[str, list[CardPiece]] = defaultdict(list)
    ordered_blanks = blanks_for(pipes, limits)
    castable = castable_for((ordered.blank for ordered in ordered_blanks), settings)
    for ordered in ordered_blanks:
        pieces[ordered.part.id].append(_piece(ordered))
        if why := cannot_cast(ordered.blank, castable):
            lacking[ordered.pipe.id].setdefault(why, ordered.part.kind)
    mandrels = parse_mandrels(settings.mandrels)
    ranks = {rank.name: rank for rank in organ.ranks}
    cards = (
        bench_card(pipe, ranks[pipe.rank], organ.name, pieces, mandrels, tin_percent.get(pipe.alloy)) for pipe in pipes
    )
    return tuple(
        replace(
            card,
            not_served=tuple((kind, why) for why, kind in lacking[card.pipe.id].items()),
            planed_up_to_mm=settings.sheets.planed_up_to_mm,
        )
        for card in cards
    )
