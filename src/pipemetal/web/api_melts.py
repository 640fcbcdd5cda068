"""The interface's routes for melts: weighed out, charged, corrected."""

from __future__ import annotations

from fastapi import FastAPI

from pipemetal.alloys.composition import Composition
from pipemetal.errors import BookError, NotInBookError
from pipemetal.melts.lots import Heel
from pipemetal.melts.request import Charge
from pipemetal.shop.doing import WeighedMelt
from pipemetal.shop.melt_records import ASSAY_HALF_WT_PCT
from pipemetal.shop.melts import HeelIn
from pipemetal.texts import Amount, Text
from pipemetal.web.api_forms import REFUSED, Added, Melt, Wanted
from pipemetal.web.api_rows import Booked
from pipemetal.web.site import Site

__all__ = ["add_routes"]


def add_routes(app: FastAPI, site: Site) -> None:
    """The routes of melts under /api."""
    _add_charge(app, site)
    _add_correct(app, site)


def _add_charge(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.post("/api/melts", responses=REFUSED)
    def charge(form: Melt) -> Booked:
        """Book a melt as charged: of an accepted plan, or of a recipe without one."""
        if bool(form.plan) == bool(form.recipe):
            raise BookError("are two melts, or none", field="plan and recipe", allowed="one of them")
        with site.once(form.token):
            if form.plan:
                done = book.plans.charge(
                    form.plan,
                    form.melt,
                    WeighedMelt(
                        form.id,
                        weighed_kg=form.weighed_kg,
                        heel_of=form.heel_of,
                        dross_kg=form.dross_kg,
                        day=form.day,
                        note=form.note,
                    ),
                )
                return Booked(done.event)
            metal = Composition.parse(form.heel_composition) if form.heel_composition.strip() else None
            written = book.melts.charge(
                form.id,
                form.recipe,
                form.weighed_kg,
                dross_kg=form.dross_kg or 0.0,
                day=form.day,
                note=form.note,
                heel=HeelIn(of=form.heel_of, mass_kg=form.heel_kg, metal=metal),
            )
            return Booked(written.event)

    @app.post("/api/melts/charge", responses=REFUSED)
    def weigh(form: Wanted) -> dict[str, object]:
        """The weighing list of a melt from the floor, or what stands in the way (`blocked_by`); nothing is booked."""
        from pipemetal.files.charge_json import blocked_dict, charge_dict
        from pipemetal.planning.one_melt import MeltAsked, weigh_out

        recipes = site.kept("recipes", book.recipes.all)
        if form.recipe not in recipes:
            raise NotInBookError(field="recipe", value=form.recipe)
        lots = [x for x in book.lots.free(reserved=form.reserved)[0] if x.id not in form.leave_out]
        asked = MeltAsked("M", recipes[form.recipe], form.wanted_kg, _heel(site, form), form.objective, form.certainty)
        found = weigh_out(asked, lots, site.settings)
        if isinstance(found.charge, Charge):
            return charge_dict(found.charge, found.relaxed)
        return blocked_dict(found.charge)


def _add_correct(app: FastAPI, site: Site) -> None:
    book = site.book

    @app.post("/api/melts/correct", responses=REFUSED)
    def correct(form: Added) -> Booked:
        """Book what was added to a melt after its assay."""
        with site.once(form.token):
            done = book.melts.correct(
                form.melt, form.added_kg, dross_kg=form.dross_kg, version=form.version, note=form.note
            )
            return Booked(done.event)


def _heel(site: Site, form: Wanted) -> Heel | None:
    """What is in the pot, of the book or as named. Errors: BookError, MeltError, AlloyError."""
    if form.heel_of:
        melt = next((m for m in site.book.melts.standing() if m.id == form.heel_of), None)
        if melt is None or melt.metal is None:
            raise BookError("holds no metal that is known", field="heel_of", value=form.heel_of)
        if (form.heel_kg or 0.0) > melt.left_kg + 0.001:
            raise BookError(
                "is more than is left",
                field="heel_kg",
                value=form.heel_kg,
                allowed=Text("up to {left_kg}", left_kg=Amount(melt.left_kg, "", 3)),
            )
        return melt.heel(form.heel_kg)
    if form.heel_kg is None:
        return None
    return Heel(form.heel_kg, Composition.parse(form.heel_composition), 0.0, ASSAY_HALF_WT_PCT)
