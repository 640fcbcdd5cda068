"""The shop's own devices: a scale whose reading goes into a field, a label printer, and the camera of a tablet.

They stand at a machine, not in the book: whoever starts the pages names them.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import Annotated, Final

from fastapi import FastAPI, Form, Request, UploadFile
from fastapi.responses import JSONResponse, RedirectResponse, Response

from pipemetal.errors import BookError, InputError
from pipemetal.logs import one_line
from pipemetal.texts import Amount, Text
from pipemetal.web.door import own_path
from pipemetal.web.site import Site
from pipemetal.web.stock import label_of

__all__ = ["add_routes"]

MOST_PHOTO_BYTES: Final = 12_000_000
MOST_LABELS: Final = 500
_LOG: Final = logging.getLogger("pipemetal.pages")


@dataclass(frozen=True)
class Weighed:
    """What goes into a field: the text in the person's unit; empty where the load is not at rest, and `told` says so."""

    text: str
    told: str


def add_routes(app: FastAPI, site: Site) -> None:
    """The devices' routes."""
    _add_scale(app, site)
    _add_printer(app, site)
    _add_camera(app, site)


def _add_scale(app: FastAPI, site: Site) -> None:

    @app.get("/scale")
    def scale(request: Request) -> Response:
        from pipemetal.files.floor_scale import read_scale

        show, person = site.show(request), site.person(request)
        if not site.devices.scale:
            raise InputError("is not named", field="scale", allowed="pipemetal serve --scale ADDRESS")
        try:
            found = read_scale(site.devices.scale)
        except InputError as error:
            return JSONResponse(vars(Weighed("", show.read(error.text()))), 502)
        who = one_line(person.name) if person else "somebody"
        _LOG.info("scale, by %s: %s", who, one_line(found.said))
        mass = Amount(found.mass_kg, "kg", 2)
        if not found.steady:
            told = show.read(Text("The load is not at rest: {mass}. Wait and ask again.", mass=mass))
            return JSONResponse(vars(Weighed("", told)))
        if found.mass_kg < 0.0:
            told = show.read(Text("The scale is below zero: {mass}. Set it to zero, or take the tare anew.", mass=mass))
            return JSONResponse(vars(Weighed("", told)))
        told = show.read(Text("The scale said {mass}.", mass=mass))
        return JSONResponse(vars(Weighed(show.plain_mass(found.mass_kg, 2), told)))


def _add_printer(app: FastAPI, site: Site) -> None:

    @app.post("/labels/print")
    def print_labels(
        request: Request,
        ids: Annotated[str, Form(max_length=40_000)],
        back: Annotated[str, Form(max_length=400)] = "/stock",
    ) -> Response:
        from pipemetal.documents.labels import label_images
        from pipemetal.files.label_printer import send, zpl_of

        printer, show = site.devices.label_printer, site.show(request)
        if not printer:
            raise InputError("is not named", field="printer", allowed="pipemetal serve --label-printer HOST")
        named = list(dict.fromkeys(one.strip() for one in ids.splitlines() if one.strip()))
        if not named or len(named) > MOST_LABELS:
            raise BookError(
                "is no number of labels", field="ids", value=len(named), allowed=Text("1 to {most}", most=MOST_LABELS)
            )
        labels = [label_of(site, show, one) for one in named]
        send(zpl_of(label_images(labels, site.devices.label_size, site.devices.dots)), printer)
        path = own_path(back)
        return RedirectResponse(f"{path}{'&' if '?' in path else '?'}done=printed", 303)


def _add_camera(app: FastAPI, site: Site) -> None:

    @app.post("/scan/photo")
    def photo(request: Request, file: UploadFile) -> Response:
        from pipemetal.files.code_photo import codes_in

        found = codes_in(file.file.read(MOST_PHOTO_BYTES + 1)[: MOST_PHOTO_BYTES + 1])
        if not found:
            raise InputError(
                "shows no code that can be read",
                field="photo",
                allowed="a label from near, sharp, with light on it; or type what stands under the code",
            )
        from urllib.parse import quote

        return RedirectResponse(f"/scan?code={quote(found[0], safe='')}", 303)
