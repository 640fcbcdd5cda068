"""The bench card of a pipe on a page: scanned from the label of one of its blanks, or asked for by its name."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, Annotated
from urllib.parse import quote

from fastapi import FastAPI, Query, Request
from fastapi.responses import RedirectResponse, Response
from markupsafe import Markup

from pipemetal.errors import BookError, InputError, NotInBookError
from pipemetal.web.organs import organ_in_book
from pipemetal.web.site import Site

if TYPE_CHECKING:
    from pipemetal.pipes.bench_card import BenchCard
    from pipemetal.pipes.rank import Organ, Rank

__all__ = ["add_routes", "card_of"]

Text = Annotated[str, Query(max_length=250)]
SIZES_FROM = (
    "Sizes: computed from the organ file. The blanks are those of the largest sheet in the settings; a plan may lay them "
    "otherwise. Solder, lips and languid: common practice, no source."
)
PICTURE_MM = 130.0
BODY_HIGH_MM, MOUTH_HIGH_MM, CAP_HIGH_MM = 60.0, 110.0, 50.0
PIECE_HIGH_MM = 120.0
"""For the pieces of a reed's resonator, which has no mouth to draw."""


def card_of(site: Site, name: str) -> BenchCard | None:
    """The card of a pipe by its own name or that of one of its blanks, from the latest organ that has it; None for neither."""
    for key in reversed(site.book.plans.organs()):
        try:
            found = next((c for c in _cards_like(site, key, name) if _is_of(name, c)), None)
        except InputError:  # an organ that can no longer be read has no cards
            continue
        if found is not None:
            return found
    return None


def ranks_held(site: Site) -> frozenset[str]:
    """The names of all ranks of the organs in the book that can be read: their pipes have cards."""

    def make() -> frozenset[str]:
        names: set[str] = set()
        for key in site.book.plans.organs():
            try:
                names |= {rank.name for rank in organ_in_book(site, key).ranks}
            except InputError:
                continue
        return frozenset(names)

    return site.kept("ranks held", make)


def _is_of(name: str, card: BenchCard) -> bool:
    return name == card.pipe.id or name.startswith(f"{card.pipe.id} ")


def _cards_like(site: Site, key: str, name: str) -> Iterator[BenchCard]:
    """The cards of those ranks of an organ that a name begins with."""
    for rank in organ_in_book(site, key).ranks:
        if name.startswith(f"{rank.name} "):
            yield from _rank_cards(site, key, rank.name)


def _rank_cards(site: Site, key: str, name: str) -> tuple[BenchCard, ...]:
    """The cards of a rank of an organ in the book. Errors: BookError for a rank that it does not have."""
    organ = organ_in_book(site, key)
    rank = next((r for r in organ.ranks if r.name == name), None)
    if rank is None:
        raise NotInBookError(field="rank", value=name)
    return site.kept(f"cards {key} {name}", partial(_cards, site, organ, rank))


def _cards(site: Site, organ: Organ, rank: Rank) -> tuple[BenchCard, ...]:
    from pipemetal.pipes.make import rank_pipes
    from pipemetal.planning.bench_cards import bench_cards

    density = site.densities()
    tin = {name: recipe.target.as_wt_pct()["Sn"] for name, recipe in site.book.recipes.all().items()}
    return bench_cards(organ, rank_pipes(organ, rank, lambda alloy: density[alloy]), site.settings, tin)


def add_routes(app: FastAPI, site: Site) -> None:
    """The route of the card."""
    _add_pipes(app, site)
    _add_rank_page(app, site)


def _add_pipes(app: FastAPI, site: Site) -> None:

    @app.get("/pipes")
    def pipes(request: Request, of: Text = "") -> Response:
        from pipemetal.documents.bench_card_sheet import card_facts, not_served_words, part_headings, part_rows
        from pipemetal.documents.cap_picture import cap_picture
        from pipemetal.documents.flat_picture import body_pictures, mouth_picture
        from pipemetal.documents.svg import to_svg

        name, show = of.strip(), site.show(request)
        card = card_of(site, name) if name else None
        if card is None:
            if name:
                _refuse_unknown(site, name)
            return RedirectResponse(f"/trace?of={quote(name, safe='')}" if name else "/organs", 303)
        units, say = show.units, show.say
        drawn = (
            *body_pictures(card, units, say, PICTURE_MM, BODY_HIGH_MM if card.mouth else PIECE_HIGH_MM),
            mouth_picture(card, units, say, PICTURE_MM, MOUTH_HIGH_MM),
            cap_picture(card, units, say, PICTURE_MM, CAP_HIGH_MM),
        )
        return site.page(
            request,
            "pipe.html",
            card.pipe.id,
            "/organs",
            card=card,
            sizes_from=show.say(SIZES_FROM),
            scanned="" if name == card.pipe.id else name,
            pictures=[Markup(to_svg(drawing)) for drawing in drawn if drawing is not None],
            headings=part_headings(units, say),
            parts=part_rows(card, units, say),
            facts=card_facts(card, units, say),
            not_served=not_served_words(card, units, say),
        )

    @app.get("/pipes/card.pdf")
    def card_pdf(request: Request, of: Text) -> Response:
        card = card_of(site, of.strip())
        if card is None:
            raise _unknown(of)
        return _pdf(site, request, [card])


def _add_rank_page(app: FastAPI, site: Site) -> None:

    @app.get("/pipes/rank")
    def rank_page(request: Request, organ: Text, rank: Text) -> Response:
        from pipemetal.documents.bench_card_sheet import rank_headings, rank_rows

        cards, show = _rank_cards(site, organ, rank), site.show(request)
        return site.page(
            request,
            "rank_cards.html",
            rank,
            "/organs",
            organ_id=organ,
            cards=cards,
            sizes_from=show.say(SIZES_FROM),
            headings=rank_headings(show.units, show.say),
            rows=rank_rows(cards, show.units, show.say),
        )

    @app.get("/pipes/rank.pdf")
    def rank_pdf(request: Request, organ: Text, rank: Text) -> Response:
        return _pdf(site, request, _rank_cards(site, organ, rank))


def _pdf(site: Site, request: Request, cards: Sequence[BenchCard]) -> Response:
    """Cards on the shop's paper, in the person's units and language."""
    from pipemetal.documents.bench_card_sheet import card_sheets
    from pipemetal.documents.typeset import to_pdf

    show, paper = site.show(request), site.settings.paper
    made = to_pdf(card_sheets(cards, show.units, show.say, paper), paper, show.say)
    return Response(made, media_type="application/pdf")


def _refuse_unknown(site: Site, name: str) -> None:
    """A name that neither an organ nor the book knows. Errors: BookError."""
    try:
        site.book.trace.report(name)
    except BookError:
        raise _unknown(name) from None


def _unknown(name: str) -> BookError:
    return NotInBookError(field="pipe", value=name, allowed="its organ file, kept under Organs")
