"""Organs and ranks: scale pictures, pipe tables, and a scale tried otherwise: metal and lengths follow, nothing is booked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated

from fastapi import FastAPI, Form, Query, Request
from fastapi.responses import RedirectResponse, Response

from pipemetal.errors import InputError, NotInBookError, PipeError
from pipemetal.units import parse_number
from pipemetal.web.site import Site
from pipemetal.web.views.scale import ScalePicture, scale_picture

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipemetal.alloys.recipe import Recipe
    from pipemetal.pipes.pipe import Pipe
    from pipemetal.pipes.rank import Organ, Rank
    from pipemetal.pipes.scale import Scale
    from pipemetal.plans.record import PipeRow

__all__ = ["Shifted", "add_routes", "organ_in_book", "organ_of_text"]

Text = Annotated[str, Query(max_length=250)]
Short = Annotated[str, Form(max_length=250)]
MOST_HALF_TONES = 12.0


@dataclass(frozen=True)
class Shifted:
    """A scale made wider or narrower by half tones, straight from its first key to its last.

    >>> from pipemetal.pipes.scale import HalfToneScale
    >>> round(Shifted(HalfToneScale(((0.0, 0.0),)), 0, 48, 2.0, 0.0).diameter_mm(0, 0.0) / 155.5, 4) == round(2 ** (2 / 16), 4)
    True
    """

    base: Scale
    first_key: int
    last_key: int
    bass: float
    treble: float

    def diameter_mm(self, key: int, semitones: float) -> float:
        """The diameter of the base, changed by the half tones of this key."""
        from pipemetal.pipes.scale import REFERENCE_STEPS

        share = (key - self.first_key) / max(self.last_key - self.first_key, 1)
        shift = self.bass + (self.treble - self.bass) * share
        return float(self.base.diameter_mm(key, semitones) * 2.0 ** (shift / REFERENCE_STEPS))


def organ_of_text(text: str, recipes: Mapping[str, Recipe]) -> Organ:
    """An organ file's text, read. Errors: FileFormatError, PipeError with table and key."""
    from pipemetal.files.organ_file import organ_of

    return organ_of(text, recipes)


def organ_in_book(site: Site, key: str) -> Organ:
    """An organ of the book as this shop makes it: languids in layers, lengths by what its ear learned.

    Errors: BookError, FileFormatError, PipeError.
    """
    from pipemetal.planning.blanks import organ_for_shop

    def make() -> Organ:
        return organ_for_shop(organ_of_text(site.book.plans.organ(key), site.book.recipes.all()), site.settings)

    return site.kept(f"organ {key}", make)


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of organs and ranks."""
    book = site.book

    @app.get("/organs")
    def organs(request: Request, organ: Text = "", rank: Text = "") -> Response:
        _, plan = site.plan(request)
        return site.page(
            request,
            "organs.html",
            "Organs",
            "/organs",
            plan=plan,
            view=_view_of(site, Question(organ, rank)),
        )

    @app.post("/organs/try")
    def try_scale(request: Request, organ: Short, rank: Short, bass: Short = "", treble: Short = "") -> Response:
        _, plan = site.plan(request)
        view = _view_of(site, Question(organ, rank, bass, treble))
        template = "tried.html" if request.headers.get("x-part") else "organs.html"
        return site.page(
            request, template, "Organs", "/organs", view=view, status=422 if view.problem else 200, plan=plan
        )

    @app.post("/organs")
    def keep(name: Short, body: Annotated[str, Form(max_length=400_000)], token: Short = "") -> Response:
        found = organ_of_text(body.replace("\r\n", "\n"), book.recipes.all())
        with site.once(token):
            event, key = book.plans.add_organ(name.strip() or found.name, body.replace("\r\n", "\n"))
        return RedirectResponse(f"/organs?organ={_quoted(key)}&event={event}", 303)


def _held(site: Site, organ: str) -> tuple[list[str], str, Organ | None]:
    book = site.book
    known = site.kept("organ ids", lambda: list(book.plans.organs()))
    chosen = organ or (known[-1] if known else "")
    if organ and organ not in known:
        raise NotInBookError(field="organ", value=organ)
    if not chosen:
        return known, "", None
    return known, chosen, organ_in_book(site, chosen)


@dataclass(frozen=True)
class Question:
    """What a page of organs is asked: an organ and a rank, empty for the latest and its first, and half tones to try."""

    organ: str
    rank: str
    bass: str = ""
    treble: str = ""


@dataclass(frozen=True)
class WallLine:
    """A named wall rule as a line of a table: walls at the diameters shown, what shops take at 8', what it rests on."""

    name: str
    walls_mm: tuple[float, ...]
    least_mm: float
    most_mm: float
    source: str


@dataclass(frozen=True)
class Tried:
    """A rank with its scale changed: its pipes before and after, and what is summed of both."""

    rows: tuple[tuple[PipeRow, PipeRow], ...]
    cast: tuple[float, float]
    mass: tuple[float, float]
    area: tuple[float, float]
    length: tuple[float, float]


@dataclass(frozen=True)
class OrganView:
    """An organ, its ranks with alloy and pipes, one of them, and what was tried of it.

    `wall_spread`: the spread of published walls, percent. `learned_mm`: how far the rank's bodies are from the length rule by
    what the ear learned, in the mean.
    """

    known: tuple[str, ...]
    organ_id: str
    organ: Organ | None
    bass: str
    treble: str
    ranks: tuple[tuple[str, str, int], ...] = ()
    rank: str = ""
    pipes: tuple[PipeRow, ...] = ()
    picture: ScalePicture | None = None
    tried: Tried | None = None
    problem: str = ""
    minded: tuple[str, ...] = ()
    wall_from: str = ""
    walls: tuple[WallLine, ...] = ()
    wall_heads: tuple[str, ...] = ()
    wall_spread: float = 0.0
    learned_mm: float = 0.0


def _view_of(site: Site, asked: Question) -> OrganView:
    from pipemetal.pipes.advice import rank_advice
    from pipemetal.pipes.wall_presets import PUBLISHED_SPREAD, SHOWN_MM

    known, chosen, found = _held(site, asked.organ)
    view = OrganView(tuple(known), chosen, found, asked.bass, asked.treble)
    if found is None:
        return view
    names = tuple(r.name for r in found.ranks)
    name = asked.rank or names[0]
    if name not in names:
        raise NotInBookError(field="rank", value=asked.rank)
    one = next(r for r in found.ranks if r.name == name)
    made = site.kept(f"rank pipes {chosen} {name}", lambda: _made(site, found, one))
    pipes = site.kept(f"rank {chosen} {name}", lambda: _rows(made))
    view = replace(
        view,
        ranks=tuple((r.name, r.alloy, r.last_key - r.first_key + 1) for r in found.ranks),
        rank=name,
        pipes=pipes,
        picture=scale_picture(pipes),
        minded=rank_advice(found, one, made),
        wall_from=one.wall.source,
        walls=_wall_lines(),
        wall_heads=tuple(c for c, _ in SHOWN_MM),
        wall_spread=PUBLISHED_SPREAD[1],
        learned_mm=_learned_mm(site, found, one, made),
    )
    if not asked.bass.strip() and not asked.treble.strip():
        return view
    try:
        tried = _tried(site, found, one, pipes, asked)
    except InputError as error:
        return replace(view, problem=error.text())
    return replace(view, tried=tried, picture=scale_picture(pipes, [after for _, after in tried.rows]))


def _quoted(text: str) -> str:
    from urllib.parse import quote

    return quote(text, safe="")


def _made(site: Site, organ: Organ, rank: Rank) -> tuple[Pipe, ...]:
    from pipemetal.pipes.make import rank_pipes

    density = site.densities()
    return rank_pipes(organ, rank, lambda alloy: density[alloy])


def _learned_mm(site: Site, organ: Organ, rank: Rank, made: Sequence[Pipe]) -> float:
    """How far bodies are from the length rule alone, in the mean."""
    from pipemetal.pipes.learned import LearnedLengths

    if organ.learned == LearnedLengths() or not made:
        return 0.0
    plain = _made(site, replace(organ, learned=LearnedLengths()), rank)
    off = [abs(a.body_length_mm - b.body_length_mm) for a, b in zip(made, plain, strict=True)]
    return sum(off) / len(off)


def _rows(pipes: Sequence[Pipe]) -> tuple[PipeRow, ...]:
    from pipemetal.plans.rows import pipe_row

    return tuple(pipe_row(p) for p in pipes)


def _wall_lines() -> tuple[WallLine, ...]:
    from pipemetal.pipes.wall_presets import AT_8_FOOT_MM, SHOWN_MM, WALL_PRESETS

    return tuple(
        WallLine(name, tuple(p.rule.mouth_mm(d) for _, d in SHOWN_MM), *p.span_mm(AT_8_FOOT_MM), p.rule.source)
        for name, p in WALL_PRESETS.items()
    )


def _half_tones(text: str, name: str) -> float:
    value = parse_number(text, field=name) if text.strip() else 0.0
    if abs(value) > MOST_HALF_TONES:
        raise PipeError("is out of range", field=name, value=value, limits=(-MOST_HALF_TONES, MOST_HALF_TONES))
    return value


def _tried(site: Site, organ: Organ, rank: Rank, pipes: Sequence[PipeRow], asked: Question) -> Tried:
    """The rank with its scale changed, beside the rank as it is. Errors: UnitError, PipeError."""
    bass, treble = _half_tones(asked.bass, "bass"), _half_tones(asked.treble, "treble")
    shifted = Shifted(rank.scale, rank.first_key, rank.last_key, bass, treble)
    after = _rows(_made(site, organ, replace(rank, scale=shifted)))

    def both(key: str) -> tuple[float, float]:
        before_sum, after_sum = (float(sum(getattr(row, key) for row in rows)) for rows in (pipes, after))
        return before_sum, after_sum

    area_before, area_after = both("blank_area_mm2")
    return Tried(
        tuple(zip(pipes, after, strict=True)),
        both("cast_kg"),
        both("mass_kg"),
        (area_before * 1e-6, area_after * 1e-6),
        both("cut_length_mm"),
    )
