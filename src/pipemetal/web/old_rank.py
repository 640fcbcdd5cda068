"""An old rank on a page: typed pipe by pipe or from a file; what it says, what to make, and its papers. Nothing is booked."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping
from copy import copy
from functools import partial
from typing import TYPE_CHECKING, Final

from fastapi import FastAPI, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException

from pipemetal.errors import FileFormatError, InputError, PipeError
from pipemetal.pipes.notes import NAMINGS, parse_compass
from pipemetal.pipes.old import CONDITION_WORDS
from pipemetal.pipes.temperament import TEMPERAMENTS
from pipemetal.texts import Text
from pipemetal.units import parse_footage, parse_number
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.web.typed import Blank

if TYPE_CHECKING:
    from pipemetal.files.csv_table import CsvTable
    from pipemetal.restoration.record import Restoration
    from pipemetal.web.views.old_rank import OldRankView

__all__ = ["MOST_ROWS", "SIZES", "add_routes"]

HERE: Final = "/pipes/old-rank"
SIZES: Final = (
    ("diameter", "Diameter inside, at the mouth"),
    ("around", "or around it outside"),
    ("thickness", "Wall at the mouth"),
    ("length", "Body, mouth to top"),
    ("mouth_width", "Mouth, width"),
    ("cut_up", "Cut-up"),
    ("foot_length", "Foot"),
    ("toe", "Toe bore"),
    ("top_diameter", "Diameter inside, at the top"),
    ("wall_top", "Wall at the top"),
    ("windway", "Wind-way"),
    ("altered_by", "Shortened or lengthened by"),
)
"""What is measured on a pipe: its column without the unit, and its label."""
COLUMNS: Final = {"around": "outer_circumference"}
HEAD: Final = {
    "name": "Name of the restoration",
    "rank": "Rank",
    "footage": "Footage that it speaks",
    "compass": "Compass that it had",
    "a_hz": "a1, if it was decided",
    "tin": "Tin in the old metal",
    "tin_half": "Tin, plus or minus",
}
LABELS: Final = {
    **HEAD,
    **dict(SIZES),
    "outer_circumference": "or around it outside",
    "note": "Note of the pipe",
    "condition": "Condition",
    "altered": "Length",
    "sounds_hz": "Sounds",
    "air_c": "Temperature of that air",
    "air_f": "Temperature of that air",
    "mark": "Mark on it",
}
"""What a field is called on the page."""
KINDS: Final = ("open", "stopped", "tapered", "harmonic")
TYPED_LIST: Final = "typed list"
ROWS_AT_FIRST: Final = 6
MOST_ROWS: Final = 97
FIELDS_A_ROW: Final = len(SIZES) + 6
MOST_FIELDS: Final = MOST_ROWS * FIELDS_A_ROW + 60
MOST_FILE_BYTES: Final = 800_000


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of an old rank."""

    @app.get(HERE)
    def old_rank(request: Request) -> Response:
        return _page(site, request, {"rows": str(ROWS_AT_FIRST)})

    @app.post(HERE)
    async def answer(request: Request) -> Response:
        try:
            async with request.form(max_fields=MOST_FIELDS, max_files=1) as form:
                values = {name: value[:200] for name, value in form.items() if isinstance(value, str)}
                held = form.get("file")
                named = isinstance(held, UploadFile) and bool(held.filename)
                content = await held.read(MOST_FILE_BYTES + 1) if isinstance(held, UploadFile) and named else None
                name = (held.filename or "")[-100:] if isinstance(held, UploadFile) else ""
        except HTTPException:
            error = FileFormatError(
                "has too many pipes", field="the typed list", allowed=Text("up to {rows}", rows=MOST_ROWS)
            )
            return await run_in_threadpool(partial(_page, site, request, {}, problem=error, status=422))
        return await run_in_threadpool(_answer, site, request, values, name, content)


def _answer(site: Site, request: Request, form: dict[str, str], name: str, content: bytes | None) -> Response:
    from pipemetal.restoration.make import made_or_why
    from pipemetal.restoration.says import says
    from pipemetal.web.views.old_rank import old_rank_view

    if form.get("do") == "more":
        return _page(site, request, form | {"rows": str(min(_row_count(form) + ROWS_AT_FIRST, MOST_ROWS))})
    show = site.show(request)
    try:
        old = _record(show, form, name, content)
        if form.get("do") == "record":
            from pipemetal.files.restoration_out import record_files

            return _zipped("old-rank.zip", record_files(old))
        said = says(old)
        made = made_or_why(said)
        if form.get("do") in ("organ", "dossier"):
            return _paper(site, request, form["do"], said, made)
    except InputError as error:
        return _page(site, request, form, problem=error, status=422)
    return _page(site, request, form, view=old_rank_view(said, made, show))


def _paper(site: Site, request: Request, what: str, said: object, made: object) -> Response:
    """The organ file of the new pipes, or the dossier. Errors: PipeError where there is nothing to be made, or of no alloy."""
    from pipemetal.documents.dossier import dossier_pdf
    from pipemetal.documents.old_rank_file import old_rank_files
    from pipemetal.restoration.make import ToMake, metal_for, metal_or_why, to_make
    from pipemetal.restoration.says import Said

    assert isinstance(said, Said)
    show, recipes = site.show(request), site.kept("recipes", site.book.recipes.all)
    if what == "organ":
        held = made if isinstance(made, ToMake) else to_make(said)
        return _zipped("new-pipes.zip", old_rank_files(held, metal_for(said, recipes).recipe.name))
    assert isinstance(made, ToMake | Text)
    pdf = dossier_pdf(said, made, metal_or_why(said, recipes), show.units, show.say, site.settings.paper)
    return Response(pdf, media_type="application/pdf", headers={"content-disposition": "inline; filename=dossier.pdf"})


def _zipped(name: str, files: Mapping[str, str]) -> Response:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as packed:
        for file, text in files.items():
            packed.writestr(file, text)
    return Response(
        held.getvalue(), media_type="application/zip", headers={"content-disposition": f"attachment; filename={name}"}
    )


def _row_count(form: Mapping[str, str]) -> int:
    text = form.get("rows", "")
    return min(max(int(text), 1), MOST_ROWS) if text.isdecimal() and len(text) < 4 else ROWS_AT_FIRST


def _record(show: Show, form: Mapping[str, str], name: str, content: bytes | None) -> Restoration:
    """The record that was typed. Errors: FileFormatError, PipeError, UnitError with row and field."""
    from pipemetal.alloys.assay import Reading
    from pipemetal.files.restoration_file import pipes_of
    from pipemetal.restoration.record import SURE_95, Choice, Restoration

    naming = form.get("naming", "trade") if form.get("naming") in NAMINGS else "trade"
    footage = parse_footage(form.get("footage", "").strip() or "8", field="footage")
    table = _file(name, content) if content is not None else _typed(show, form)
    rank = form.get("rank", "").strip() or "old"
    pipes = pipes_of(table, rank, footage, naming, usual=None, how=None)
    keys = [found.pipe.key for found in pipes]
    compass = form.get("compass", "").strip()
    first, last = parse_compass(compass, naming=naming) if compass else (min(keys), max(keys))
    tin, half = _number(form, "tin", 0.0, 100.0), _number(form, "tin_half", 0.05, 50.0)
    readings = () if tin is None else (Reading("Sn", tin, (1.0 if half is None else half) / SURE_95, method="typed"),)
    temperament = form.get("temperament", "")
    choice = Choice(
        form.get("alloy") or None,
        _number(form, "a_hz", 300.0, 600.0),
        temperament if temperament in TEMPERAMENTS else None,
    )
    kind = form.get("construction", "")
    return Restoration(
        form.get("name", "").strip() or rank,
        rank,
        footage,
        first,
        last,
        pipes,
        naming,
        kind if kind in KINDS else None,
        readings=readings,
        choice=choice,
    )


def _number(form: Mapping[str, str], name: str, low: float, high: float) -> float | None:
    text = form.get(name, "").strip()
    if not text:
        return None
    value = parse_number(text, field=name)
    if not low <= value <= high:
        raise PipeError("is out of range", field=name, value=value, limits=(low, high))
    return value


def _file(name: str, content: bytes) -> CsvTable:
    from pipemetal.files.sheet_in import sheets_of

    if len(content) > MOST_FILE_BYTES:
        raise FileFormatError(
            "is too large", where=name, allowed=Text("up to {value} kB", value=MOST_FILE_BYTES // 1000)
        )
    return next(iter(sheets_of(content, name).values()))


def _typed(show: Show, form: Mapping[str, str]) -> CsvTable:
    """The rows that were typed, as a table in the person's units. Errors: FileFormatError where there is none."""
    from pipemetal.files.csv_table import CsvTable

    texts = ("note", *(n for n, _ in SIZES), "sounds", "air", "mark")
    rows = []
    for number in range(1, _row_count(form) + 1):
        cells = [form.get(f"{name}:{number}", "").strip() for name in texts]
        if any(cells):
            # what the lists show at first nobody said
            chosen = [form.get(f"{name}:{number}", "") for name in ("altered", "condition")]
            rows.append((number, [*cells, *("" if c in ("as made", "good") else c for c in chosen)]))
    if not rows:
        raise FileFormatError(
            "has no pipe in it", field="the typed list", allowed="a note and sizes in one row, or a file"
        )
    unit, air = show.units.length, "air_f" if show.units.temperature == "F" else "air_c"
    sizes = [f"{COLUMNS.get(n, n)}_{unit}" for n, _ in SIZES]
    headings = ["note", *sizes, "sounds_hz", air, "mark", "altered", "condition"]
    return CsvTable(TYPED_LIST, headings, rows, show.units.comma, typed=True)


def _fault(show: Show, error: InputError) -> tuple[str, str]:
    """The field of the form that is wrong, empty where it is none, and what is wrong in the words of the page."""
    told, say = copy(error), show.say
    row = re.search(rf"{TYPED_LIST} row (\d+)", error.where)
    base = re.sub(r"_(mm|in)$", "", error.field)
    told.field = say(LABELS[base]) if base in LABELS else error.field
    at = {"outer_circumference": "around", "sounds_hz": "sounds", "air_c": "air", "air_f": "air"}.get(base, base)
    if row is not None:
        told.where = say("Pipe {number}", number=row[1])
        return f"{at}:{row[1]}", show.read(told.text())
    return (at if base in HEAD else ""), show.read(told.text())


def _page(
    site: Site,
    request: Request,
    form: Mapping[str, str],
    *,
    view: OldRankView | None = None,
    problem: InputError | None = None,
    status: int = 200,
) -> Response:
    show = site.show(request)
    field, words = _fault(show, problem) if problem is not None else ("", "")
    return site.page(
        request,
        "old_rank.html",
        "Old rank",
        "/organs",
        status=status,
        answer=view,
        v=Blank(form),
        wrong=Blank({field: words} if field else {}),
        problem=words,
        rows=range(1, _row_count(form) + 1),
        most=_row_count(form) >= MOST_ROWS,
        sizes=SIZES,
        conditions=list(CONDITION_WORDS.items()),
        altered=("as made", "shortened", "lengthened", "unsure"),
        kinds=KINDS,
        temperaments=tuple(TEMPERAMENTS),
        recipes=tuple(site.kept("recipes", site.book.recipes.all)),
    )
