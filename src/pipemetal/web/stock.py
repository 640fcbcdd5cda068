"""What comes in: rolls with their readings, lots, weighings, analyses, tables from spreadsheets, photos; and their labels."""

from __future__ import annotations

import datetime
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final
from urllib.parse import quote

from fastapi import FastAPI, Form, Query, Request, UploadFile
from fastapi.responses import Response

from pipemetal.alloys.composition import Composition
from pipemetal.errors import BookError, InputError, NotInBookError
from pipemetal.melts.lots import Lot
from pipemetal.shop.book import Book
from pipemetal.shop.rows import RollRow
from pipemetal.texts import Text
from pipemetal.web.paging import Paged, paged
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.web.stock_forms import LOT_KINDS, LotForm, RollForm, lot_from_form, roll_from_form
from pipemetal.web.weighing import standing

if TYPE_CHECKING:
    from pipemetal.documents.labels import Label

__all__ = ["add_routes", "label_of"]

Short = Annotated[str, Form(max_length=200)]
IMPORTED: Final = (".csv", ".xlsx")
MOST_SHEET_BYTES: Final = 20_000_000
MOST_PHOTO_BYTES: Final = 12_000_000


def add_routes(app: FastAPI, site: Site) -> None:
    """The stock room's routes."""
    _add_stock(app, site)
    _add_roll(app, site)
    _add_lot(app, site)
    _add_sell(app, site)
    _add_files(app, site)


def _add_stock(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.get("/stock")
    def stock(
        request: Request,
        lot: Annotated[str, Query(max_length=200)] = "",
        cast: Annotated[str, Query(max_length=200)] = "",
        melt: Annotated[str, Query(max_length=200)] = "",
        problem: str = "",
    ) -> Response:
        from pipemetal.documents.labels import label_sheets

        del problem
        known, unknown = site.kept("lots", book.lots.in_stock)
        rows = site.kept("lot rows", lambda: {row.id: row for row in book.lots.rows()})
        return site.page(
            request,
            "stock.html",
            "Stock",
            "/stock",
            known=known,
            unknown=unknown,
            listed=_listed(known, unknown, lot, request),
            rows=rows,
            chosen=lot,
            kinds=LOT_KINDS,
            melts=standing(site),
            chosen_melt=melt,
            reserved=site.kept("reserved", book.lots.reserved_kg),
            alloys=sorted(site.kept("recipes", book.recipes.all)),
            today=datetime.date.today().isoformat(),
            sheets=sorted(label_sheets()),
            prefill=_from_cast(site, request, cast),
        )


def _add_roll(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.post("/stock/roll")
    def add_roll(request: Request, form: Annotated[RollForm, Form()]) -> Response:
        roll, read = roll_from_form(site.show(request), form, site.settings.sheets.trim_mm)
        with site.once(form.token):
            event = book.rolls.add(roll, readings=read, cast=form.cast, note=form.note).event
        return site.booked(f"/racks/{quote(roll.id, safe='')}", event)


def _add_lot(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.post("/stock/lot")
    def add_lot(request: Request, form: Annotated[LotForm, Form()]) -> Response:
        lot = lot_from_form(site.show(request), form)
        with site.once(form.token):
            event = book.lots.add(lot).event
        return site.booked("/stock", event, lot=lot.id)

    @app.post("/stock/weigh")
    def weigh(request: Request, account: Short, mass: Short, token: Short = "") -> Response:
        held = site.show(request).read_mass(mass, "mass")
        if held is None:
            raise BookError("is needed", field="mass")
        with site.once(token):
            return site.booked("/stock", book.ledger.weigh(_thing(account), held).event)


def _add_sell(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.post("/stock/sell")
    def sell(request: Request, account: Short, mass: Short, token: Short = "") -> Response:
        held = site.show(request).read_mass(mass, "mass")
        if held is None:
            raise BookError("is needed", field="mass")
        kind, _, key = account.partition(":")
        with site.once(token):
            event = book.ledger.sell(_thing(account), held).event
        return site.booked(f"/racks/{quote(key, safe='')}" if kind == "roll" else "/stock", event)

    @app.post("/stock/analysis")
    def analysis(
        about: Short, composition: Short, method: Short = "", laboratory: Short = "", day: Short = "", token: Short = ""
    ) -> Response:
        with site.once(token):
            event = book.ledger.analyse(
                _thing(about), Composition.parse(composition), method=method, laboratory=laboratory, day=day
            ).event
        return site.booked("/stock", event)


def _add_files(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.post("/stock/import")
    def bring_in(request: Request, file: UploadFile, organ: Short = "", trial: Short = "") -> Response:
        name = re.sub(r"[^\w. -]", "_", Path(file.filename or "").name)[-80:]
        ending = Path(name).suffix.lower()
        content = file.file.read(MOST_SHEET_BYTES + 1)
        if ending not in IMPORTED or not content or len(content) > MOST_SHEET_BYTES:
            raise BookError(
                "cannot be read",
                field="file",
                value=name,
                allowed=Text("{names}, up to 20 MB", names=" or ".join(IMPORTED)),
            )
        given = f"{Path(name).stem or 'table'}{ending}"
        if trial:
            # a second book of its own, so that trying takes nothing back that somebody else writes meanwhile
            with Book.open(book.target, who=book.who) as other:
                report = other.tables.import_content(content, given, organ=organ.strip(), dry_run=True)
            return site.page(request, "import.html", "What it would bring", "/stock", report=report, name=name)
        report = book.tables.import_content(content, given, organ=organ.strip())
        return site.booked("/stock", report.event or 0)

    @app.post("/photos")
    def photo(about: Short, file: UploadFile, note: Short = "") -> Response:
        content = file.file.read(MOST_PHOTO_BYTES + 1)
        name = re.sub(r"[^\w. -]", "_", Path(file.filename or "").name)[-80:] or "photo"
        event = book.attachments.add(about, name, content, note=note, day=datetime.date.today().isoformat()).event
        kind, _, key = about.partition(":")
        return site.booked(f"/racks/{quote(key, safe='')}" if kind == "roll" else "/stock", event)

    @app.get("/photos/{photo_id:path}")
    def show_photo(photo_id: str) -> Response:
        held, content = book.attachments.content(photo_id)
        return Response(content, media_type=held.kind, headers={"content-disposition": "inline; filename=photo"})

    @app.get("/labels")
    def labels(
        request: Request,
        ids: Annotated[str, Query(max_length=4000)] = "",
        sheet: Annotated[str, Query(max_length=40)] = "roll 90x50",
        first: Annotated[int, Query(ge=1, le=200)] = 1,
        picture: bool = False,
        dots: int = 203,
    ) -> Response:
        from pipemetal.documents.labels import label_images, label_pdf

        show = site.show(request)
        named = [one for one in ids.split("\n") if one.strip()]
        if not named:
            raise BookError("no label asked for: name rolls, lots or blanks, one a line")
        if picture:  # of one label, as a label printer takes it
            (image,) = label_images([label_of(site, show, named[0])], sheet, dots)
            return Response(image, media_type="image/png")
        made = label_pdf([label_of(site, show, one) for one in named], sheet, first=first)
        return Response(
            made, media_type="application/pdf", headers={"content-disposition": "inline; filename=labels.pdf"}
        )


def _thing(text: str) -> str:
    """A lot or melt as a form names it; an id that was typed or scanned alone is a lot's."""
    return text if ":" in text else f"lot:{text.strip()}"


def _listed(known: Sequence[Lot], unknown: Sequence[str], chosen: str, request: Request) -> Paged[Lot | str]:
    """The lots by pages: those of known metal, then the ids of those that wait for an analysis; a lot asked for comes first."""
    lots: list[Lot | str] = [*known, *unknown]
    lots.sort(key=lambda x: (x if isinstance(x, str) else x.id) != chosen)
    return paged(lots, request)


def label_of(site: Site, show: Show, key: str) -> Label:
    """The label of a roll, lot, or blank of the plan that was cut. Errors: BookError."""
    from pipemetal.documents.labels import Label

    book, say, name = site.book, show.say, key.strip()
    if book.rolls.has(name):
        row = book.rolls.row(name)
        lines = _roll_lines(show, row, book.casts.planed_off_mm(row))
    elif book.lots.has(name):
        lot = book.lots.row(name)
        metal = lot.composition or lot.alloy or say("no analysis")
        lines = (lot.id, lot.alloy or say(lot.kind), metal, lot.note)
    elif book.pieces.has(name):
        piece = book.pieces.row(name)
        lines = (piece.id, piece.rank, piece.organ, say("from {what}", what=piece.roll))
    else:
        raise NotInBookError(field="id", value=key[:200])
    return Label(name, tuple(line for line in lines if line))


def _roll_lines(show: Show, row: RollRow, planed_mm: float) -> tuple[str, ...]:
    size = f"{show.plain(row.length_mm)} x {show.length(row.width_mm)}"
    parent = show.say("from {what}", what=row.parent) if row.parent else ""
    planed = show.say("plane {size} off", size=show.thickness(planed_mm)) if planed_mm else ""
    return row.id, row.alloy, size, show.thickness(row.mean_mm), planed, row.place, parent


@dataclass(frozen=True)
class NewRoll:
    """The form of a roll as it stands before anybody types."""

    id: str = ""
    alloy: str = ""
    length: str = ""
    width: str = ""
    readings: str = ""
    place: str = ""
    cast: str = ""


def _from_cast(site: Site, request: Request, cast_id: str) -> NewRoll:
    """The form of a roll as a cast fills it: its sheet's name, size and readings."""
    if not cast_id:
        return NewRoll()
    show = site.show(request)
    try:
        row = site.book.casts.row(cast_id)
    except InputError:
        return NewRoll()
    held = next(c for c in site.book.casts.log() if c.id == cast_id)
    orders = [o for o in site.book.plans.cast_list(state=None) if o.cast == cast_id]
    order = orders[0] if orders else None
    recipes = site.book.recipes.all().values()
    return NewRoll(
        order.sheet if order else cast_id,
        order.alloy if order else next((r.name for r in recipes if r.target == held.composition), ""),
        show.plain(held.length_mm),
        show.plain(order.pour.width_mm if order else held.sled.inner_width_mm),
        " ".join(f"{show.plain(d)}:{show.plain_thickness(t)}" for d, t in held.thickness_mm),
        cast=row.id,
    )
