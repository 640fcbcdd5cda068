"""The ear on a page: a pipe, a rank or two pipes from the microphone or a file, what to do, and what finished pipes taught."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from copy import copy
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Annotated, Final
from urllib.parse import urlencode

from fastapi import FastAPI, Form, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile

from pipemetal.errors import BookError, InputError, NotInBookError, SoundError
from pipemetal.quantities import HEARD
from pipemetal.shop.heard import NewHeard
from pipemetal.units import parse_number
from pipemetal.web.hearing_lengths import LengthsView, keep_lengths, lengths_view
from pipemetal.web.organs import organ_in_book
from pipemetal.web.show import Show
from pipemetal.web.site import Site

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipemetal.pipes.pipe import Pipe
    from pipemetal.pipes.rank import Organ, Rank
    from pipemetal.shop.heard import HeardRow
    from pipemetal.sound.advice import Advice, Air
    from pipemetal.sound.recording import Recording
    from pipemetal.web.views.hearing import BeatsHeard, PipeHeard, RankHeard

__all__ = ["HERE", "REFUSED", "WAYS", "add_routes"]

HERE: Final = "/ear"
Short = Annotated[str, Query(max_length=250)]
Typed = Annotated[str, Form(max_length=250)]
MOST_FIELDS: Final = 40
MOST_SHOWN: Final = 12
"""Of a rank's earlier hearings."""


@dataclass(frozen=True)
class Way:
    """What is listened for: its name in addresses, what the page calls it, and how long is recorded without a stop, seconds."""

    name: str
    title: str
    seconds: int
    hint: str


WAYS: Final = (
    Way("pipe", "One pipe", 6, "Let the pipe sound alone and steadily, without a tremulant, until the bar is full."),
    Way("rank", "A rank", 600, "Pipe after pipe, three seconds each, with half a second of rest between; then stop."),
    Way("beats", "Two pipes", 10, "Let both pipes sound together until the bar is full."),
)
LENGTHS: Final = "lengths"
REFUSED: Final[Mapping[str, tuple[str, str]]] = {
    "silent": ("Nothing was heard.", "Go nearer to the pipe, or choose another microphone."),
    "short": ("The tone was too short.", "Let it sound for two to five seconds, then record again."),
    "quiet": ("It was too quiet.", "Go nearer to the pipe, or record louder."),
    "above": ("That is too high.", "Pipes up to 10,500 Hz are measured."),
    "clipped": ("It was too loud.", "The tops of the wave are cut off. Go farther away, and record again."),
    "no-tone": ("That was no steady tone.", "Turn the tremulant off, let the wind settle, and record again."),
    "tremulant": ("The tone trembles.", "Turn the tremulant off and record again; or go nearer, and record longer."),
    "octave": ("It may be an octave higher or lower.", "Say which note the pipe should sound."),
    "other-note": (
        "That is not this note.",
        "Choose the note that sounds. Perhaps the pipe overblows, or another one sounds.",
    ),
    "two-pipes": ("Two pipes sound.", "Let one pipe sound alone. For two pipes together choose their beats."),
    "reference": ("The reference is not what it should be.", "Say what it sounds, and where in the recording it ends."),
}
"""Why a recording cannot be used: in big plain words, and what to do. By the code of the error."""


@dataclass(frozen=True)
class Asked:
    """What the page is asked for, as typed."""

    way: str = "pipe"
    organ: str = ""
    rank: str = ""
    note: str = ""
    air_c: str = ""
    reference_hz: str = ""
    reference_until_s: str = ""

    def query(self, **other: str) -> str:
        """The same as part of an address; only what is not usual."""
        held = {k: v for k, v in (vars(self) | other).items() if v and not (k == "way" and v == "pipe")}
        return f"{HERE}?{urlencode(held)}" if held else HERE


@dataclass(frozen=True)
class Refusal:
    """Why a recording cannot be used: in big plain words, what to do, and the figures."""

    words: str
    todo: str
    told: str


@dataclass(frozen=True)
class EarView:
    """The page: what can be chosen, what was heard now, what was heard of this rank before."""

    ways: tuple[Way, ...]
    way: str
    asked: Asked
    known: tuple[str, ...]
    organ: Organ | None
    organ_id: str
    ranks: tuple[str, ...] = ()
    rank: str = ""
    notes: tuple[str, ...] = ()
    note: str = ""
    pipe: Pipe | None = None
    seconds: int = 0
    hint: str = ""
    earlier: tuple[HeardRow, ...] = ()
    heard: PipeHeard | None = None
    rank_of: RankHeard | None = None
    pair: BeatsHeard | None = None
    refusal: Refusal | None = None
    lengths: LengthsView | None = None


@dataclass(frozen=True)
class Place:
    """Where is listened: the organ, one of its ranks and the pipes of its first choir by key."""

    organ_id: str
    organ: Organ
    rank: Rank
    pipes: Mapping[int, Pipe]

    def pipe(self, note: str) -> Pipe:
        """The pipe of a note, the first where none is asked for. Errors: BookError."""
        found = next((p for p in self.pipes.values() if note in ("", p.note)), None)
        if found is None:
            raise NotInBookError(field="note", value=note, allowed=", ".join(p.note for p in self.pipes.values()))
        return found


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of the ear."""

    @app.get(HERE)
    def ear(
        request: Request, way: Short = "pipe", organ: Short = "", rank: Short = "", note: Short = "", air_c: Short = ""
    ) -> Response:
        return _page(site, request, _view(site, site.show(request), Asked(way, organ, rank, note, air_c)))

    @app.post(HERE)
    async def listen(request: Request) -> Response:
        async with request.form(max_fields=MOST_FIELDS, max_files=1) as form:
            values = {name: value[:250] for name, value in form.items() if isinstance(value, str)}
            file = form.get("file")
            content = await file.read() if isinstance(file, UploadFile) else b""
            name = (file.filename or "")[-100:] if isinstance(file, UploadFile) else ""
        asked = Asked(**{k: values.get(k, "") for k in Asked.__dataclass_fields__})
        return await run_in_threadpool(partial(_listened, site, request, asked, content, name))

    @app.post(f"{HERE}/keep")
    def keep(request: Request, token: Typed, body_mm: Typed = "") -> Response:
        held = _waiting(site, token)
        if held is None:
            raise BookError("is no longer at hand", field="recording", allowed="record it again")
        asked, pipes = held
        length = site.show(request).read_length(body_mm, "body_mm")
        with site.once(token):
            event = site.book.heard.add([_with_length(p, length) for p in pipes]).event
        return RedirectResponse(asked.query(event=str(event)), 303)

    @app.post(f"{HERE}/lengths")
    def lengths() -> Response:
        return RedirectResponse(Asked(LENGTHS).query(event=str(keep_lengths(site))), 303)


def _waiting(site: Site, token: str) -> tuple[Asked, tuple[NewHeard, ...]] | None:
    """What was heard and not kept yet; None where it is no longer at hand."""

    def make() -> tuple[Asked, tuple[NewHeard, ...]] | None:
        return None

    return site.remembered(("heard", token), make)


def _with_length(pipe: NewHeard, length_mm: float | None) -> NewHeard:
    return replace(pipe, length_mm=length_mm) if length_mm is not None else pipe


def _place(site: Site, asked: Asked) -> Place | None:
    """Where is listened; None where the book holds no organ. Errors: BookError for one that it does not hold."""
    known = site.kept("organ ids", lambda: list(site.book.plans.organs()))
    if not known:
        return None
    key = asked.organ or _latest_with(site, known, asked.rank)
    if key not in known:
        raise NotInBookError(field="organ", value=key)
    organ = organ_in_book(site, key)
    flues = [r for r in organ.ranks if r.construction != "resonator"]
    rank = next((r for r in flues if asked.rank in ("", r.name)), None)
    if rank is None:
        raise NotInBookError(field="rank", value=asked.rank, allowed=", ".join(r.name for r in flues))

    def make() -> dict[int, Pipe]:
        from pipemetal.pipes.make import rank_pipes

        density = site.densities()
        return {p.key: p for p in rank_pipes(organ, rank, lambda alloy: density[alloy]) if p.choir == 1}

    return Place(key, organ, rank, site.kept(f"heard pipes {key} {rank.name}", make))


def _latest_with(site: Site, known: Sequence[str], rank: str) -> str:
    """The latest organ that has a rank; the latest of all where none is asked for, or none has it."""
    for key in reversed(known) if rank else ():
        try:
            if any(r.name == rank for r in organ_in_book(site, key).ranks):
                return key
        except InputError:  # one that can no longer be read
            continue
    return known[-1]


def _view(site: Site, show: Show, asked: Asked) -> EarView:
    known = tuple(site.kept("organ ids", lambda: list(site.book.plans.organs())))
    way = next((w for w in WAYS if w.name == asked.way), WAYS[0])
    if asked.way == LENGTHS:
        view = EarView(WAYS, LENGTHS, asked, known, None, "")
        return replace(view, lengths=lengths_view(site))
    place = _place(site, asked)
    view = EarView(WAYS, way.name, asked, known, None, "", seconds=way.seconds, hint=way.hint)
    if place is None:
        return view
    pipe = place.pipe(asked.note) if place.pipes else None
    air = asked.air_c or show.number(_in_unit(show, place.organ.pitch.tuning_c), 1)
    flues = [r.name for r in place.organ.ranks if r.construction != "resonator"]
    return replace(
        view,
        asked=replace(asked, organ=place.organ_id, rank=place.rank.name, note=pipe.note if pipe else "", air_c=air),
        organ=place.organ,
        organ_id=place.organ_id,
        ranks=tuple(flues),
        rank=place.rank.name,
        notes=tuple(p.note for p in place.pipes.values()),
        note=pipe.note if pipe else "",
        pipe=pipe,
        earlier=tuple(reversed(site.book.heard.of_rank(place.organ_id, place.rank.name)[-MOST_SHOWN:])),
    )


def _in_unit(show: Show, celsius: float) -> float:
    return celsius if show.units.temperature == "C" else 1.8 * celsius + 32.0


def _page(site: Site, request: Request, view: EarView, status: int = 200) -> Response:
    part = request.headers.get("x-part")
    return site.page(request, "ear_heard.html" if part else "ear.html", "Listen", HERE, view=view, status=status)


def _listened(site: Site, request: Request, asked: Asked, content: bytes, name: str) -> Response:
    show = site.show(request)
    view = _view(site, show, asked)
    try:
        return _page(site, request, _heard(site, show, view, content, name))
    except BookError:
        raise
    except InputError as error:
        code = error.code if isinstance(error, SoundError) else ""
        words, todo = REFUSED.get(code, ("That cannot be used.", "Mend what is named, and record again."))
        alone = copy(error)
        alone.field, alone.value, alone.where = "", None, ""
        refusal = Refusal(words, todo, alone.text())
        return _page(site, request, replace(view, refusal=refusal), 422)


def _heard(site: Site, show: Show, view: EarView, content: bytes, name: str) -> EarView:
    """The page with what a recording holds. Errors: SoundError, UnitError."""
    from pipemetal.files.sound_file import recording_of
    from pipemetal.sound.beats import beats
    from pipemetal.web.views.hearing import BeatsHeard

    if not content:
        raise SoundError("is empty", field="recording", code="silent")
    sound = recording_of(content, name or "recording")
    place = _place(site, view.asked)
    if view.way == "beats":
        return replace(view, pair=BeatsHeard(beats(sound)))
    if place is None:
        raise NotInBookError(field="organ", value="", allowed="an organ file, kept under Organs")
    air = _air(show, view.asked.air_c)
    sound, factor = _after_reference(view.asked, sound)
    if view.way == "rank":
        return replace(view, rank_of=_of_rank(site, view.asked, place, sound, air))
    return replace(view, heard=_of_pipe(site, view.asked, place, sound, air, factor))


def _air(show: Show, text: str) -> Air:
    from pipemetal.sound.advice import Air

    value = show.read_temperature(text, "air_c")
    if value is None:
        raise SoundError("is empty", field="air_c", allowed=HEARD["air_c"].allowed)
    return Air(HEARD["air_c"].checked(round(value, 3), error=SoundError))


def _after_reference(asked: Asked, sound: Recording) -> tuple[Recording, float]:
    from pipemetal.sound.measure import after_reference

    typed = {name: getattr(asked, name).strip() for name in ("reference_hz", "reference_until_s")}
    if not any(typed.values()):
        return sound, 1.0
    hertz, until = (
        HEARD[name].checked(parse_number(text, field=name), error=SoundError, field=name)
        for name, text in typed.items()
    )
    return after_reference(sound, hertz, until)


def _of_pipe(site: Site, asked: Asked, place: Place, sound: Recording, air: Air, factor: float) -> PipeHeard:
    from pipemetal.sound.advice import advise, wanted_hz
    from pipemetal.sound.measure import measure
    from pipemetal.web.views.hearing import PipeHeard

    pipe = place.pipe(asked.note)
    found = measure(sound, wanted_hz(pipe, place.organ.pitch, air))
    advice = advise(place.rank, pipe, place.organ.pitch, found, air, factor=factor)
    hertz = found.frequency_hz * factor
    levels = tuple((p.number, p.level_db) for p in found.partials)
    token = _remember(site, asked, [_new(place, pipe, hertz, air, advice, levels)])
    return PipeHeard(
        place.rank.name,
        pipe.note,
        found,
        hertz,
        advice,
        token,
    )


def _of_rank(site: Site, asked: Asked, place: Place, sound: Recording, air: Air) -> RankHeard:
    from pipemetal.sound.advice import advise, wanted_hz
    from pipemetal.sound.rank import hear_rank
    from pipemetal.web.views.hearing import rank_heard

    pitch = place.organ.pitch
    heard = hear_rank(sound, {key: wanted_hz(p, pitch, air) for key, p in place.pipes.items()})
    advice = {p.key: advise(place.rank, place.pipes[p.key], pitch, p.heard, air) for p in heard.pipes}
    new = [
        _new(
            place,
            place.pipes[p.key],
            p.heard.frequency_hz,
            air,
            advice[p.key],
            tuple((x.number, x.level_db) for x in p.heard.partials),
        )
        for p in heard.pipes
    ]
    view = rank_heard(place.rank.name, heard, list(place.pipes.values()), advice)
    return replace(view, token=_remember(site, asked, new))


def _new(
    place: Place, pipe: Pipe, hertz: float, air: Air, advice: Advice, levels: tuple[tuple[int, float], ...]
) -> NewHeard:
    off = (advice.cents, advice.half_width_cents)
    where = (place.organ_id, pipe.rank, pipe.note, pipe.key)
    return NewHeard(*where, hertz, *off, air.temperature_c, advice.shorten_mm, partials=levels)


def _remember(site: Site, asked: Asked, pipes: Sequence[NewHeard]) -> str:
    """What was heard waits for its being kept; the token of it."""
    token = secrets.token_urlsafe(12)
    site.remembered(("heard", token), lambda: (asked, tuple(pipes)))
    return token
