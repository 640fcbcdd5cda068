"""Old pipes on a page: typed or from a file, and what becomes of each in an organ of the book. Nothing is booked."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from copy import copy
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Annotated, Final

from fastapi import FastAPI, Query, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException

from pipemetal.errors import BookError, FileFormatError, InputError, NotInBookError, PipeError
from pipemetal.pipes.old import CONDITION_WORDS
from pipemetal.texts import Text
from pipemetal.units import parse_footage, parse_number
from pipemetal.web.organs import organ_in_book
from pipemetal.web.show import Show
from pipemetal.web.site import Site

if TYPE_CHECKING:
    from pipemetal.pipes.old import OldRank
    from pipemetal.pipes.pipe import Pipe
    from pipemetal.pipes.rank import Organ
    from pipemetal.pipes.reuse import Reuse, ReuseRules

__all__ = ["MOST_ROWS", "SIZES", "VERDICTS", "add_routes"]

HERE: Final = "/pipes/old"
SIZES: Final = (
    ("diameter", "Diameter inside, at the mouth"),
    ("top_diameter", "Diameter inside, at the top of a cone"),
    ("length", "Body, mouth to top"),
    ("thickness", "Wall"),
    ("mouth_width", "Mouth, width"),
    ("cut_up", "Cut-up"),
)
"""What is measured on an old pipe: its column in a file of measured pipes, without the unit, and its label."""
TYPED_LIST: Final = "typed list"
LABELS: Final = {
    **dict(SIZES),
    "note": "Note of the pipe",
    "condition": "Condition",
    "footage": "Footage that they speak",
    "half_tones": "Scale, at most",
    "lengthened": "Lengthened, at most",
}
"""What a field is called on the page."""
VERDICTS: Final = {
    "reuse": ("●", "use again"),
    "round again": ("◐", "round again"),
    "shorten": ("◐", "shorten"),
    "lengthen": ("◐", "lengthen"),
    "measure": ("?", "measure first"),
    "melt": ("▲", "melt down"),
}
"""What becomes of a pipe: its mark, and the word on the page."""
ROWS_AT_FIRST: Final = 4
MOST_ROWS: Final = 300
MOST_OLD: Final = 1000
FIELDS_A_ROW: Final = len(SIZES) + 2
MOST_FIELDS: Final = MOST_ROWS * FIELDS_A_ROW + 40
MOST_FILE_BYTES: Final = 800_000


@dataclass(frozen=True)
class Fate:
    """What becomes of an old pipe, in words and sizes for the page."""

    name: str
    verdict: str
    mark: str
    place: str
    todo: tuple[str, ...]
    half_tones: str
    longer: str
    cents: str
    wall: str
    why: str


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of old pipes."""

    @app.get(HERE)
    def old_pipes(request: Request, organ: Annotated[str, Query(max_length=250)] = "") -> Response:
        return _page(site, request, {"organ": organ, "rows": str(ROWS_AT_FIRST)})

    @app.post(HERE)
    async def answer(request: Request) -> Response:
        try:
            held = await _read_form(request)
        except FileFormatError as error:
            return await run_in_threadpool(partial(_page, site, request, {}, problem=error, status=422))
        return await run_in_threadpool(_answer, site, request, *held)


async def _read_form(request: Request) -> tuple[dict[str, str], str, bytes | None]:
    """The fields, and the file's name and content. Errors: FileFormatError for more rows than the form takes."""
    try:
        async with request.form(max_fields=MOST_FIELDS, max_files=1) as form:
            values = {name: value[:200] for name, value in form.items() if isinstance(value, str)}
            held = form.get("file")
            content = await held.read(MOST_FILE_BYTES + 1) if isinstance(held, UploadFile) and held.filename else None
            name = (held.filename or "")[-100:] if isinstance(held, UploadFile) else ""
    except HTTPException:
        raise _too_many_rows() from None
    return values, name, content


def _too_many_rows() -> FileFormatError:
    return FileFormatError(
        "has too many pipes",
        field="the typed list",
        allowed=Text("up to {rows}; a file takes up to {most}", rows=MOST_ROWS, most=MOST_OLD),
    )


def _answer(site: Site, request: Request, form: dict[str, str], name: str, content: bytes | None) -> Response:
    if "more" in form:
        return _page(site, request, form | {"rows": str(min(_row_count(form) + ROWS_AT_FIRST, MOST_ROWS))})
    try:
        key, organ = _organ(site, form.get("organ", ""))
        olds = (
            _from_file(form, organ, name, content) if content is not None else _typed(site.show(request), form, organ)
        )
        found = _matched(site, key, organ, olds, form)
    except BookError:
        raise
    except InputError as error:
        return _page(site, request, form, problem=error, status=422)
    return _page(site, request, form, found=found)


def _row_count(form: Mapping[str, str]) -> int:
    text = form.get("rows", "")
    return min(max(int(text), 1), MOST_ROWS) if text.isdecimal() and len(text) < 4 else ROWS_AT_FIRST


def _organ(site: Site, asked: str) -> tuple[str, Organ]:
    """The organ asked for, else the latest. Errors: BookError."""
    known = site.kept("organ ids", lambda: list(site.book.plans.organs()))
    key = asked or (known[-1] if known else "")
    if key not in known:
        raise NotInBookError(field="organ", value=key, allowed="an organ file, kept under Organs")
    return key, organ_in_book(site, key)


def _from_file(form: Mapping[str, str], organ: Organ, name: str, content: bytes) -> tuple[OldRank, ...]:
    from pipemetal.files.csv_table import csv_table_of
    from pipemetal.files.measured_file import measured_of

    if len(content) > MOST_FILE_BYTES:
        raise FileFormatError(
            "is too large", where=name, allowed=Text("up to {value} kB", value=MOST_FILE_BYTES // 1000)
        )
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FileFormatError("is no text in UTF-8", where=name, allowed="a table saved as CSV") from None
    speaks = form.get("footage", "").strip()
    footage = parse_footage(speaks, field="footage") if speaks else None
    return measured_of(csv_table_of(text, name), naming=organ.naming, footage=footage, rank_name=_rank_name(form))


def _rank_name(form: Mapping[str, str]) -> str:
    return form.get("old_rank", "").strip() or "old"


def _told(show: Show, error: InputError) -> str:
    """What is wrong, in the words of the form: its own labels, its rows by number."""
    told, say = copy(error), show.say
    row = re.fullmatch(rf"{TYPED_LIST} row (\d+)", error.where)
    if row is not None:
        told.where = say("Pipe {number}", number=row[1])
    if row is not None or not error.where:
        base = error.field.removesuffix("_mm").removesuffix("_in")
        told.field = say(LABELS.get(base, error.field))
    return show.read(told.text())


def _typed(show: Show, form: Mapping[str, str], organ: Organ) -> tuple[OldRank, ...]:
    """The rows that were typed, read as a file of measured pipes in the person's units.

    Errors: FileFormatError, PipeError with row and field.
    """
    from pipemetal.files.csv_table import CsvTable
    from pipemetal.files.measured_file import measured_of

    names = [name for name, _ in SIZES]
    rows = []
    for number in range(1, _row_count(form) + 1):
        cells = [form.get(f"{name}:{number}", "").strip() for name in ("note", *names)]
        if any(cells):
            rows.append((number, [*cells, form.get(f"condition:{number}", "good")]))
    if not rows:
        raise FileFormatError(
            "has no pipe in it", field="the typed list", allowed="a note and sizes in one row, or a file"
        )
    headings = ["note", *(f"{name}_{show.units.length}" for name in names), "condition"]
    if any(form.get(f"note:{number}") for number in range(MOST_ROWS + 1, MOST_ROWS + 3)):
        raise _too_many_rows()
    table = CsvTable(TYPED_LIST, headings, rows, show.units.comma, typed=True)
    footage = parse_footage(form.get("footage", "").strip() or "8", field="footage")
    return measured_of(table, naming=organ.naming, footage=footage, rank_name=_rank_name(form))


def _rules(form: Mapping[str, str]) -> ReuseRules:
    from pipemetal.pipes.reuse import ReuseRules

    usual = ReuseRules()
    given = {}
    for name, default, factor, high in (
        ("half_tones", usual.half_tones, 1.0, 8.0),
        ("lengthened", usual.lengthened, 100.0, 100.0),
    ):
        text = form.get(name, "").strip()
        value = parse_number(text, field=name) if text else default * factor
        if not 0.0 <= value <= high:
            raise PipeError("is out of range", field=name, value=value, limits=(0.0, high))
        given[name] = value / factor
    return ReuseRules(**given)


def _matched(
    site: Site, key: str, organ: Organ, olds: tuple[OldRank, ...], form: Mapping[str, str]
) -> tuple[Reuse, ...]:
    from pipemetal.pipes.reuse import OldOne, match_old

    ones = [OldOne(rank.name, pipe) for rank in olds for pipe in rank.pipes]
    if len(ones) > MOST_OLD:
        raise FileFormatError(
            "are too many old pipes", value=len(ones), allowed=Text("up to {most_old} at once", most_old=MOST_OLD)
        )
    places = site.kept(f"organ pipes {key}", lambda: _all_pipes(site, organ))
    only = form.get("rank", "")
    return match_old(organ, [p for p in places if only in ("", p.rank)], ones, _rules(form))


def _all_pipes(site: Site, organ: Organ) -> tuple[Pipe, ...]:
    from pipemetal.pipes.make import organ_pipes

    density = site.densities()
    return organ_pipes(organ, lambda alloy: density[alloy])


def _signed_wall(show: Show, wall_mm: float) -> str:
    """A difference of walls with its sign, in the unit that heads its column."""
    text = show.units.bare_wall(wall_mm)
    return text if text.startswith("-") and text.strip("-0.,") else f"+{text.lstrip('-')}"


def _fate(show: Show, one: Reuse) -> Fate:
    say, found = show.say, one.offer
    words = tuple(say(todo) for todo in one.todo if todo != one.verdict) if found is not None else ()
    mark, word = VERDICTS[one.verdict]
    verdict = say(word)
    if found is None:
        return Fate(one.old.name, verdict, mark, "", (), "", "", "", "", show.read(one.why))
    return Fate(
        one.old.name,
        verdict,
        mark,
        found.place.id,
        words,
        show.signed(found.half_tones),
        ("+" if found.longer_mm >= 0.0 else "") + show.units.show_length(found.longer_mm),
        show.signed(found.cents, 0),
        "" if found.wall_mm is None else _signed_wall(show, found.wall_mm),
        "",
    )


def _page(
    site: Site,
    request: Request,
    form: Mapping[str, str],
    *,
    found: tuple[Reuse, ...] = (),
    problem: InputError | None = None,
    status: int = 200,
) -> Response:
    show = site.show(request)
    known = site.kept("organ ids", lambda: list(site.book.plans.organs()))
    key, organ = _organ(site, form.get("organ", "")) if known else ("", None)
    count = Counter(one.verdict for one in found)
    saved = sum(one.offer.place.mass_kg for one in found if one.offer is not None)
    return site.page(
        request,
        "old_pipes.html",
        "Old pipes",
        "/organs",
        status=status,
        known=known,
        organ=organ,
        organ_id=key,
        form=form,
        rows=range(1, _row_count(form) + 1),
        most=_row_count(form) >= MOST_ROWS,
        sizes=SIZES,
        conditions=list(CONDITION_WORDS.items()),
        fates=[_fate(show, one) for one in found],
        counted=[(mark, word, count[name]) for name, (mark, word) in VERDICTS.items() if count[name]],
        saved_kg=saved,
        problem=_told(show, problem) if problem is not None else "",
    )
