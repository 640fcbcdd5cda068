"""Organs and ranks: scale pictures, pipe tables, and a scale tried otherwise: metal and lengths follow, nothing is booked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import FastAPI, Form, Query, Request
from fastapi.responses import RedirectResponse, Response

from pipemetal.errors import InputError, NotInBookError, PipeError
from pipemetal.units import parse_number
from pipemetal.web.site import Site
from pipemetal.web.views.scale import scale_picture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipemetal.pipes.pipe import Pipe
    from pipemetal.pipes.rank import Organ, Rank
    from pipemetal.pipes.scale import Scale
    from pipemetal.plans.record import PipeRow

__all__ = ["Shifted", "add_routes", "organ_of_text"]

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


def organ_of_text(text: str, recipes: Any) -> Organ:
    """An organ file's text, read. Errors: FileFormatError, PipeError with table and key."""
    from pipemetal.files.organ_file import organ_of

    return organ_of(text, recipes)


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
            **_values_for(site, organ, rank, "", ""),
        )

    @app.post("/organs/try")
    def try_scale(request: Request, organ: Short, rank: Short, bass: Short = "", treble: Short = "") -> Response:
        _, plan = site.plan(request)
        values = _values_for(site, organ, rank, bass, treble)
        template = "tried.html" if request.headers.get("x-part") else "organs.html"
        return site.page(
            request, template, "Organs", "/organs", status=422 if values["problem"] else 200, plan=plan, **values
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
    text = book.plans.organ(chosen)
    return known, chosen, site.kept(f"organ {chosen}", lambda: organ_of_text(text, book.recipes.all()))


def _values_for(site: Site, organ: str, rank: str, bass: str, treble: str) -> dict[str, Any]:
    known, chosen, found = _held(site, organ)
    values: dict[str, Any] = {
        "known": known,
        "organ": found,
        "organ_id": chosen,
        "ranks": [],
        "rank": "",
        "pipes": [],
        "picture": "",
        "tried": None,
        "bass": bass,
        "treble": treble,
        "problem": "",
        "minded": (),
        "wall_from": "",
        "walls": (),
        "wall_heads": (),
        "wall_spread": 0.0,
    }
    if found is None:
        return values
    names = [r.name for r in found.ranks]
    name = rank or names[0]
    if name not in names:
        raise NotInBookError(field="rank", value=rank)
    one = next(r for r in found.ranks if r.name == name)
    made = site.kept(f"rank pipes {chosen} {name}", lambda: _made(site, found, one))
    pipes = site.kept(f"rank {chosen} {name}", lambda: _rows(made))
    values |= {
        "ranks": [(r.name, r.alloy, r.last_key - r.first_key + 1) for r in found.ranks],
        "rank": name,
        "pipes": pipes,
        "picture": scale_picture(pipes),
    }
    values |= {"minded": _minded(found, one, made), "wall_from": one.wall.source, "walls": _wall_lines()}
    values |= _wall_heads()
    if bass.strip() or treble.strip():
        try:
            values |= _tried(site, found, one, pipes, bass, treble)
        except InputError as error:
            values["problem"] = error.text()
    return values


def _quoted(text: str) -> str:
    from urllib.parse import quote

    return quote(text, safe="")


def _made(site: Site, organ: Organ, rank: Rank) -> tuple[Pipe, ...]:
    from pipemetal.pipes.make import rank_pipes

    density = site.densities()
    return rank_pipes(organ, rank, lambda alloy: density[alloy])


def _rows(pipes: Sequence[Pipe]) -> list[PipeRow]:
    from pipemetal.plans.rows import pipe_row

    return [pipe_row(p) for p in pipes]


def _minded(organ: Organ, rank: Rank, pipes: Sequence[Pipe]) -> tuple[str, ...]:
    """What a maker must know of the rank, its own name left out."""
    from pipemetal.pipes.advice import rank_advice

    return rank_advice(organ, rank, pipes)


@dataclass(frozen=True)
class WallLine:
    """A named wall rule as a line of a table: walls at the diameters shown, what shops take at 8', what it rests on."""

    name: str
    walls_mm: tuple[float, ...]
    least_mm: float
    most_mm: float
    source: str


def _wall_lines() -> tuple[WallLine, ...]:
    from pipemetal.pipes.wall_presets import AT_8_FOOT_MM, SHOWN_MM, WALL_PRESETS

    return tuple(
        WallLine(name, tuple(p.rule.mouth_mm(d) for _, d in SHOWN_MM), *p.span_mm(AT_8_FOOT_MM), p.rule.source)
        for name, p in WALL_PRESETS.items()
    )


def _wall_heads() -> dict[str, Any]:
    from pipemetal.pipes.wall_presets import PUBLISHED_SPREAD, SHOWN_MM

    return {"wall_heads": [c for c, _ in SHOWN_MM], "wall_spread": PUBLISHED_SPREAD[1]}


def _half_tones(text: str, name: str) -> float:
    value = parse_number(text, field=name) if text.strip() else 0.0
    if abs(value) > MOST_HALF_TONES:
        raise PipeError(
            "is out of range", field=name, value=value, allowed=f"-{MOST_HALF_TONES:g} to {MOST_HALF_TONES:g}"
        )
    return value


def _tried(site: Site, organ: Organ, rank: Rank, pipes: list[PipeRow], bass: str, treble: str) -> dict[str, Any]:
    """The rank with its scale changed, beside the rank as it is."""
    shifted = Shifted(
        rank.scale, rank.first_key, rank.last_key, _half_tones(bass, "bass"), _half_tones(treble, "treble")
    )
    after = _rows(_made(site, organ, replace(rank, scale=shifted)))

    def total(rows: list[PipeRow], key: str) -> float:
        return float(sum(getattr(row, key) for row in rows))

    return {
        "tried": {
            "rows": list(zip(pipes, after, strict=True)),
            "cast": (total(pipes, "cast_kg"), total(after, "cast_kg")),
            "mass": (total(pipes, "mass_kg"), total(after, "mass_kg")),
            "area": (total(pipes, "blank_area_mm2") * 1e-6, total(after, "blank_area_mm2") * 1e-6),
            "length": (total(pipes, "cut_length_mm"), total(after, "cut_length_mm")),
        },
        "picture": scale_picture(pipes, after),
    }
