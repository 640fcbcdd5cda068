"""A melt that no plan asks for: what is wanted, the weighing list from the floor, and the melt as weighed in the book."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Final
from zlib import crc32

from fastapi import FastAPI, Query, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from pipemetal.errors import BookError, InputError
from pipemetal.melts.loading import when_to_load
from pipemetal.melts.lots import Heel, Lot
from pipemetal.melts.mend import Blocked
from pipemetal.melts.request import OBJECTIVES, Charge
from pipemetal.planning.cautions import CAUTIONS
from pipemetal.shop.book import NotFreeError
from pipemetal.shop.heels import StandingMelt
from pipemetal.shop.melt_records import ASSAY_HALF_WT_PCT
from pipemetal.shop.melts import HeelIn
from pipemetal.web.show import Show
from pipemetal.web.site import Site
from pipemetal.web.typed import Blank, Typed, short_words

if TYPE_CHECKING:
    from pipemetal.melts.relax import Relaxed
    from pipemetal.planning.one_melt import MeltAsked, OneMelt
    from pipemetal.plans.metal_rows import Blockage, Charged, Melt

__all__ = [
    "BEFORE_CHARGING",
    "OVERFULL",
    "add_routes",
    "form_values",
    "mark_refusal",
    "other_lots",
    "overfull",
    "standing",
]

QUESTION: Final = ("recipe", "wanted", "pot", "pot_mass", "pot_metal", "aim", "certainty", "reserved")
CERTAINTIES: Final = ("95", "worst")
EMPTY, TYPED, HEEL = "empty", "typed", "heel:"
"""What is in the pot: nothing, something that the book does not know, or `heel:ID` of a melt."""
MOST_LINES: Final = 400
BEFORE_CHARGING: Final = (CAUTIONS[0], CAUTIONS[3])
LARGEST_KG: Final = 5000.0
OVERFULL: Final = 1.05
"""A pot is filled a little above what its settings say, not more (estimate)."""


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of a melt that no plan asks for."""

    @app.get("/melts/new")
    def question(request: Request, heel: Annotated[str, Query(max_length=200)] = "") -> Response:
        values = dict.fromkeys(QUESTION, "") | {"pot": EMPTY, "aim": OBJECTIVES[0], "certainty": CERTAINTIES[0]}
        if any(m.id == heel for m in standing(site)):
            values["pot"] = HEEL + heel
        return _page(site, request, values)

    @app.post("/melts/new")
    async def answer(request: Request) -> Response:
        return await run_in_threadpool(_answered, site, request, await form_values(request))

    @app.post("/melts/new/book")
    async def book_it(request: Request) -> Response:
        return await run_in_threadpool(_booked, site, request, await form_values(request))


async def form_values(request: Request) -> dict[str, str]:
    """What a form sent, no file, nothing long."""
    form = await request.form(max_fields=MOST_LINES, max_files=0)
    return {k: str(v)[:300] for k, v in form.items()}


def standing(site: Site) -> tuple[StandingMelt, ...]:
    """Melts of which something is left, the latest first."""
    return site.kept("standing melts", site.book.melts.standing)


def other_lots(site: Site, named: set[str]) -> list[str]:
    """Lots in stock that a list does not name, for what was weighed in beside it."""
    known, unknown = site.kept("lots", site.book.lots.in_stock)
    return [lot for lot in (*(x.id for x in known), *unknown) if lot not in named]


def _lots(site: Site, *, reserved: bool) -> tuple[tuple[Lot, ...], tuple[str, ...]]:
    return site.kept(f"free lots {reserved}", lambda: site.book.lots.free(reserved=reserved))


def _asked(site: Site, typed: Typed) -> tuple[MeltAsked | None, list[Lot]]:
    """What is asked for and the lots that may be used; None where something is wrong, which `typed` then says."""
    from pipemetal.planning.one_melt import MeltAsked

    say, pot = typed.show.say, site.settings.pot
    recipes = site.kept("recipes", site.book.recipes.all)
    recipe = typed.choice("recipe", sorted(recipes))
    wanted = typed.mass_kg("wanted", 1.0, pot.capacity_kg)
    heel = _heel(site, typed)
    aim, certainty = typed.choice("aim", OBJECTIVES), typed.choice("certainty", CERTAINTIES)
    lots = [x for x in _lots(site, reserved=bool(typed.text("reserved")))[0] if f"out:{x.id}" not in typed.values]
    if heel is not None and heel.mass_kg >= pot.capacity_kg:
        field = "pot_mass" if typed.text("pot_mass") else "pot"
        typed.fault(field, say("The pot holds {mass}.", mass=typed.show.mass(pot.capacity_kg)))
    if heel is not None and heel.mass_kg > wanted + pot.spare_kg:
        typed.fault("wanted", say("More is in the pot already: {mass}.", mass=typed.show.mass(heel.mass_kg)))
    if not lots:
        typed.fault("lots", say("No lot may be used: leave fewer out, or enter lots."))
    if typed.wrong:
        return None, lots
    return MeltAsked("M", recipes[recipe], wanted, heel, aim, certainty), lots


def _heel(site: Site, typed: Typed) -> Heel | None:
    """What is in the pot before anything is weighed in."""
    say, pot = typed.show.say, typed.text("pot")
    if pot.startswith(HEEL):
        melt = next((m for m in standing(site) if m.id == pot.removeprefix(HEEL)), None)
        if melt is None:
            typed.fault("pot", say("The book holds nothing of this melt any more."))
        elif melt.metal is None:
            typed.fault("pot", say("Some of this melt is of unknown metal: enter its assay first."))
        elif typed.text("pot_metal"):
            typed.fault("pot_metal", say("The book knows this metal. Enter a new assay as an analysis of the melt."))
        else:
            return melt.heel(typed.mass_kg("pot_mass", 0.0, melt.left_kg, empty=melt.left_kg))
        return None
    if pot == TYPED:
        mass, metal = typed.mass_kg("pot_mass", 0.1, LARGEST_KG), typed.metal("pot_metal")
        return Heel(mass, metal, 0.0, ASSAY_HALF_WT_PCT) if metal is not None else None
    typed.choice("pot", (EMPTY,))
    for name in ("pot_mass", "pot_metal"):
        if typed.text(name):
            typed.fault(name, say("Say above what is in the pot, or leave this empty."))
    return None


def _answered(site: Site, request: Request, values: dict[str, str]) -> Response:
    typed = Typed(site.show(request), values)
    found, problem = _weighed_out(site, typed)
    return _page(site, request, values, typed.wrong, found, problem=problem)


def _weighed_out(site: Site, typed: Typed) -> tuple[OneMelt | None, str]:
    """The answer, or none with what stands in the way of any."""
    from pipemetal.planning.one_melt import weigh_out

    asked, lots = _asked(site, typed)
    if asked is None:
        return None, ""
    try:
        return weigh_out(asked, lots, site.settings), ""
    except InputError as error:
        if error.field not in QUESTION:
            return None, error.text()
        typed.fault(error.field, typed.show.read(error.text()))
        return None, ""


def _booked(site: Site, request: Request, values: dict[str, str]) -> Response:
    show = site.show(request)
    booking = Typed(show, values)
    weighed, dross = booking.weighed_kg(), booking.mass_kg("dross", 0.0, LARGEST_KG, empty=0.0)
    melt_id, day, problem = booking.needed("id"), booking.day("day"), ""
    question = Typed(show, values)
    asked, _ = _asked(site, question)
    if not weighed and not booking.wrong:
        problem = show.say("Type what the scale says for every lot.")
    if asked is not None and not booking.wrong:
        problem = problem or overfull(site, show, sum(weighed.values()) + (asked.heel.mass_kg if asked.heel else 0.0))
    if asked is not None and not booking.wrong and not problem:
        try:
            with site.once(values.get("token", "")):
                event = site.book.melts.charge(
                    melt_id,
                    asked.recipe.name,
                    weighed,
                    dross_kg=dross,
                    day=day,
                    note=booking.text("note"),
                    heel=_heel_booked(asked.heel, values),
                ).event
            return site.booked("/melts", event)
        except BookError as error:
            problem = mark_refusal(booking, error, {"dross_kg": "dross"})
    found, why_none = _weighed_out(site, question)
    wrong = booking.wrong | question.wrong
    return _page(site, request, values, wrong, found, problem=problem or why_none, refused=True)


def overfull(site: Site, show: Show, in_pot_kg: float) -> str:
    """What is told where more was typed than the pot could hold: a slip of the hand."""
    most = site.settings.pot.capacity_kg
    if in_pot_kg <= most * OVERFULL:
        return ""
    return show.say(
        "That is {mass} in a pot that holds {most}: look at the readings again.",
        mass=show.mass(in_pot_kg),
        most=show.mass(most),
    )


def _heel_booked(heel: Heel | None, values: dict[str, str]) -> HeelIn:
    if heel is None or heel.mass_kg <= 0.0:
        return HeelIn()
    pot = values.get("pot", "")
    if pot.startswith(HEEL):
        return HeelIn(pot.removeprefix(HEEL), heel.mass_kg)
    return HeelIn(mass_kg=heel.mass_kg, metal=heel.composition)


def mark_refusal(typed: Typed, error: BookError, fields: dict[str, str]) -> str:
    """Mark the fields that the book refused; gives what is told on top. `fields`: the form's name for the book's."""
    show, say = typed.show, typed.show.say
    if not isinstance(error, NotFreeError):
        if type(error) is not BookError:
            raise error
        name = fields.get(error.field, error.field)
        if name in typed.values:
            typed.fault(name, show.read(error.text()))
        return error.text()
    for short in error.short:
        typed.fault(typed.field_of(short.lot), short_words(short, show))
    return say(
        "More is weighed than is free: {lots}. Weigh other metal, weigh the lot anew in Stock, or give up the plan that"
        " keeps it.",
        lots=", ".join(s.lot for s in error.short),
    )


def _page(
    site: Site,
    request: Request,
    values: dict[str, str],
    wrong: dict[str, str] | None = None,
    found: OneMelt | None = None,
    *,
    problem: str = "",
    refused: bool = False,
) -> Response:
    from pipemetal.planning.day_work import USUAL_POT_C

    show, wrong = site.show(request), wrong or {}
    free, unknown = _lots(site, reserved=bool(values.get("reserved")))
    known = site.kept("lots", site.book.lots.in_stock)[0]
    return site.page(
        request,
        "melt_new.html",
        "Weigh out a melt",
        "/melts",
        status=422 if wrong or problem or refused else 200,
        v=Blank(dict.fromkeys(QUESTION, "") | values),
        wrong=Blank(wrong),
        problem=problem,
        recipes=sorted(site.kept("recipes", site.book.recipes.all)),
        standing=standing(site),
        known=known,
        free={x.id: x for x in free},
        unknown=unknown,
        aims=OBJECTIVES,
        reserved=site.kept("reserved", site.book.lots.reserved_kg),
        pot=site.settings.pot,
        cautions=BEFORE_CHARGING,
        usual_pot_c=USUAL_POT_C,
        plan_efficiency=site.settings.pot.efficiency,
        burner_kw=site.settings.pot.burner_kw,
        currency=site.settings.currency,
        answer=_card(site, show, found) if found is not None else None,
        others=_others(site, found),
        next_id=_next_id(site, values),
        today=datetime.date.today().isoformat(),
    )


def _others(site: Site, found: OneMelt | None) -> list[str]:
    answer = found.charge if found is not None else None
    return other_lots(site, {line.lot.id for line in answer.lines}) if isinstance(answer, Charge) else []


@dataclass(frozen=True)
class WeighLine:
    """A line of a weighing list that is not planned: with when it goes into the pot."""

    id: str
    kind: str
    mass_kg: float
    pieces: int | None
    note: str
    when: str
    shown: str = ""


@dataclass(frozen=True)
class WeighCard:
    """A melt weighed out from the floor: the melt as a plan has it, and what a plan does not tell."""

    melt: Melt
    charge: Charged | None
    blocked_by: tuple[Blockage, ...] = ()
    mend: str = ""
    lots: tuple[WeighLine, ...] = ()
    key: str = ""
    worth_per_kg: float = 0.0
    spare_kg: float = 0.0
    edges: tuple[str, ...] = ()
    relaxed: tuple[Relaxed, ...] = ()


def _card(site: Site, show: Show, found: OneMelt) -> WeighCard:
    from pipemetal.plans.rows import melt_row

    answer = found.charge
    melt = melt_row(found.planned, (), site.settings)
    if not isinstance(answer, Charge):
        blocked_by = melt.blocked.blocked_by if melt.blocked else ()
        return WeighCard(melt, None, blocked_by, blocked_words(show, answer))
    lots = tuple(
        WeighLine(row.id, row.kind, row.mass_kg, row.pieces, row.note, show.read(when_to_load(line.lot)), row.shown)
        for line, row in zip(answer.lines, melt.lots, strict=True)
    )
    spare = answer.mass_kg - answer.request.wanted_kg
    weighed = repr([(x.lot.id, x.mass_kg) for x in answer.lines])
    return WeighCard(
        melt,
        melt.charge,
        lots=lots,
        key=f"{datetime.date.today()} {crc32(weighed.encode()):x}",
        worth_per_kg=answer.worth_per_kg,
        spare_kg=spare if spare >= 0.05 else 0.0,
        edges=tuple(show.read(words) for words in answer.binding),
        relaxed=tuple(replace(r, edge=show.say(r.edge)) for r in found.relaxed),
    )


def blocked_words(show: Show, answer: Blocked) -> str:
    """Why a melt cannot be charged and what mends it, in the person's language and units."""
    sentence = show.read(answer.words)
    return f"{sentence[0].upper()}{sentence[1:]}."


def _next_id(site: Site, values: dict[str, str]) -> str:
    """An id for the melt: the day and the recipe, with a number where that is used."""
    head = f"{datetime.date.today().isoformat()}-{values.get('recipe') or 'melt'}"
    used = set(site.book.melts.ids())
    return next(name for n in range(1, len(used) + 2) if (name := head if n == 1 else f"{head}-{n}") not in used)
