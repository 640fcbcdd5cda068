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
from pipemetal.errors import BookError, InputError, NotInBookError, SheetError
from pipemetal.melts.lots import Lot
from pipemetal.quantities import ROLL
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading
from pipemetal.sheets.roll import Roll
from pipemetal.shop.book import Book, NewLot
from pipemetal.shop.rows import RollRow
from pipemetal.units import parse_number
from pipemetal.web.paging import Paged, paged
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.web.weighing import standing

if TYPE_CHECKING:
    from pipemetal.documents.labels import Label

__all__ = ["LOT_KINDS", "add_routes", "label_of", "roll_from_form"]

Short = Annotated[str, Form(max_length=200)]
Id = Annotated[str, Form(alias="id", max_length=200)]
Long = Annotated[str, Form(max_length=20_000)]
LOT_KINDS: Final = ("pig", "ingot", "master", "scrap", "shavings")
LEAST_TO_FIT: Final = 6
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
    def add_roll(
        request: Request,
        key: Id,
        alloy: Short,
        length: Short,
        width: Short,
        readings: Long,
        trim: Short = "",
        place: Short = "",
        note: Short = "",
        cast: Short = "",
        token: Short = "",
    ) -> Response:
        values = {
            "id": key,
            "alloy": alloy,
            "length": length,
            "width": width,
            "readings": readings,
            "trim": trim,
            "place": place,
        }
        roll, read = roll_from_form(site.show(request), values, site.settings.sheets.trim_mm)
        with site.once(token):
            event = book.rolls.add(roll, readings=read, cast=cast, note=note).event
        return site.booked(f"/racks/{quote(roll.id, safe='')}", event)


def _add_lot(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.post("/stock/lot")
    def add_lot(
        request: Request,
        key: Id,
        kind: Short,
        mass: Short,
        composition: Short = "",
        alloy: Short = "",
        piece: Short = "",
        price: Short = "",
        supplier: Short = "",
        invoice: Short = "",
        day: Short = "",
        note: Short = "",
        token: Short = "",
    ) -> Response:
        show = site.show(request)
        held = show.read_mass(mass, "mass")
        if held is None or kind not in LOT_KINDS:
            raise BookError("is needed", field="mass" if held is None else "kind", allowed=", ".join(LOT_KINDS))
        metal = Composition.parse(composition) if composition.strip() else None
        with site.once(token):
            event = book.lots.add(
                NewLot(
                    key.strip(),
                    kind,
                    held,
                    metal,
                    alloy=alloy,
                    piece_kg=show.read_mass(piece, "piece"),
                    price_per_kg=parse_number(price, field="price") if price.strip() else 0.0,
                    note=note,
                    day=day,
                    supplier=supplier,
                    invoice=invoice,
                )
            ).event
        return site.booked("/stock", event, lot=key.strip())

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
            raise BookError("cannot be read", field="file", value=name, allowed=f"{' or '.join(IMPORTED)}, up to 20 MB")
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
    ) -> Response:
        from pipemetal.documents.labels import label_pdf

        show = site.show(request)
        named = [one for one in ids.split("\n") if one.strip()]
        if not named:
            raise BookError("no label asked for: name rolls, lots or blanks, one a line")
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
        lines = _roll_lines(show, book.rolls.row(name))
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


def _roll_lines(show: Show, row: RollRow) -> tuple[str, ...]:
    size = f"{show.plain(row.length_mm)} x {show.length(row.width_mm)}"
    parent = show.say("from {what}", what=row.parent) if row.parent else ""
    return row.id, row.alloy, size, show.thickness(row.mean_mm), row.place, parent


def roll_from_form(show: Show, values: dict[str, str], trim_mm: float) -> tuple[Roll, tuple[Reading, ...]]:
    """A roll as somebody typed it. `readings`: `along:thickness`, or `along,across:thickness`, separated by blanks.

    From six readings on the field is fitted; of fewer it runs straight from one to the next. Errors: SheetError, UnitError.
    """
    length, width = show.read_length(values["length"], "length"), show.read_length(values["width"], "width")
    if length is None or width is None or not (ROLL["length_mm"].holds(length) and ROLL["width_mm"].holds(width)):
        raise SheetError(
            "is no size of a roll",
            field="length, width",
            value=f"{values['length']} x {values['width']}"[:60],
            allowed=f"{ROLL['length_mm'].allowed} long, {ROLL['width_mm'].allowed} wide",
        )
    trim = show.read_length(values["trim"], "trim")
    read = tuple(_reading(show, item, width) for item in values["readings"].split())
    if len(read) < 2:
        raise SheetError("are too few", field="readings", value=len(read), allowed="100:1.21 2000:1.05, two or more")
    for r in read:
        if not (0.0 <= r.x_mm <= length and 0.0 <= r.y_mm <= width and 0.1 <= r.thickness_mm <= 20.0):
            raise SheetError("lies off the roll", field="readings", value=f"{r.x_mm:g},{r.y_mm:g}:{r.thickness_mm:g}")
    if len(read) >= LEAST_TO_FIT:
        field = fit_field(read, length, width)
    else:
        at = sorted((r.x_mm, r.thickness_mm) for r in read)
        if len({x for x, _ in at}) != len(at):
            raise SheetError("stand twice at one place", field="readings", allowed="six readings or more for that")
        stations = [0.0, *(x for x, _ in at if 0.0 < x < length), length]
        import numpy as np

        values_mm = [float(np.interp(s, [x for x, _ in at], [t for _, t in at])) for s in stations]
        field = ThicknessField.from_grid(stations, [values_mm] * 2, width_mm=width)
    trim = trim_mm if trim is None else trim
    return Roll(values["id"].strip(), values["alloy"], length, width, trim, field, place=values["place"]), read


def _reading(show: Show, item: str, width_mm: float) -> Reading:
    match = re.fullmatch(r"([^:;]{1,20})(?:;([^:;]{1,20}))?:([^:;]{1,20})", item)
    if match is None:
        raise SheetError("cannot be read", field="readings", value=item[:60], allowed="100:1.21 or 100;300:1.21")
    along, across, thick = (show.read_length(part or "", "readings") for part in match.groups())
    return Reading(along or 0.0, width_mm / 2 if across is None else across, thick or 0.0)


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
