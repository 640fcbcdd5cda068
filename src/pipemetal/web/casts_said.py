"""What your casts say: measured against expected, how this shop departs, its groups, and the next cast to make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fastapi import FastAPI, Request
from fastapi.responses import Response
from markupsafe import Markup

from pipemetal.documents.learned_pictures import CastDot, came_out_picture, poured_picture, quantity_picture
from pipemetal.documents.svg import to_svg
from pipemetal.web.site import Site
from pipemetal.words import Words

if TYPE_CHECKING:
    from pipemetal.casting.calibrate import Calibration, LeftOut
    from pipemetal.casting.groups import GroupEffect
    from pipemetal.casting.log import LoggedCast
    from pipemetal.casting.next_cast import Trial
    from pipemetal.casting.says import Quantity
    from pipemetal.planning.learning import Learned

__all__ = ["CastsSaid", "add_routes", "casts_said"]

# A regime with less weight than this is not shown (share).
_SHOWN = 0.02
_MOST_TRIALS = 3


@dataclass(frozen=True)
class CastsSaid:
    """Everything that the page shows; ``quantities`` without a log are those of the prior."""

    logged: int
    used: int
    half_width_percent: float
    own_scatter_percent: float
    words: str
    dots: tuple[CastDot, ...]
    quantities: tuple[Quantity, ...]
    regimes: tuple[tuple[str, float], ...]
    groups: tuple[GroupEffect, ...]
    alike: tuple[str, ...]
    drift: str
    watch: tuple[str, ...]
    left_out: tuple[LeftOut, ...]
    next_words: str
    trials: tuple[Trial, ...]
    cloth_factor: float
    cast_scatter_percent: float
    station_scatter_percent: float
    hot_s: tuple[float, float]
    slush_percent: tuple[float, float]


def casts_said(casts: Sequence[LoggedCast], found: Calibration, known: Learned) -> CastsSaid:
    """The page of a log: `casts` in their order, the fit of them, and all that was learned.

    >>> from pipemetal.casting.calibrate import calibrate
    >>> from pipemetal.planning.learning import Learned
    >>> view = casts_said([], calibrate([]), Learned())
    >>> view.used, len(view.quantities), view.next_words.startswith("cast two starts")
    (0, 6, True)
    """
    from pipemetal.casting.next_cast import next_casts
    from pipemetal.casting.says import quantities

    effects = {e.id: e.thicker_percent for e in found.cast_effects}
    dots = tuple(
        CastDot(
            c.id, effects.get(c.id, 0.0), c.id not in effects, None if c.pour_temperature_c is None else c.superheat_k
        )
        for c in casts
    )
    kinds = dict.fromkeys(g.kind for g in found.groups)
    limits = known.limits
    return CastsSaid(
        logged=len(casts),
        used=found.casts_used,
        half_width_percent=found.predictive_half_width_percent,
        own_scatter_percent=found.own_scatter_percent,
        words=found.words,
        dots=dots,
        quantities=quantities(found.law, found.reduced),
        regimes=tuple((name, 100.0 * weight) for name, weight in found.law.regimes.items() if weight > _SHOWN),
        groups=tuple(g for g in found.groups if g.differs),
        alike=tuple(k for k in kinds if not any(g.differs for g in found.groups if g.kind == k)),
        drift=found.drift.words,
        watch=found.watch,
        left_out=(*found.casts_left_out, *found.readings_left_out),
        next_words=found.log_next,
        trials=next_casts(found.law, found.reduced)[:_MOST_TRIALS],
        cloth_factor=known.cloth_factor,
        cast_scatter_percent=100.0 * found.law.cast_scatter,
        station_scatter_percent=100.0 * found.law.station_scatter,
        hot_s=(limits.shortest_mobile_s, limits.longest_mobile_s),
        slush_percent=(100.0 * limits.edges_stand, 100.0 * limits.sets_in_sled),
    )


def pictures_of(view: CastsSaid, say: Words) -> tuple[Markup, Markup, Markup]:
    """Measured against expected, how thickness goes, how hot it was poured."""
    # to_svg escapes every text and attribute itself
    return (
        Markup(to_svg(came_out_picture(view.dots, view.half_width_percent, say))),
        Markup(to_svg(quantity_picture(view.quantities, say))),
        Markup(to_svg(poured_picture(view.dots, say))),
    )


def add_routes(app: FastAPI, site: Site) -> None:
    """The page's route."""

    @app.get("/casting/said")
    def said(request: Request) -> Response:
        from pipemetal.casting.calibrate import calibrate
        from pipemetal.planning.learning import learn

        casts = sorted(site.casts(), key=lambda c: (c.day, c.id))
        found = site.kept("calibration", lambda: calibrate(casts))
        known = site.kept("learned", lambda: learn(casts, gate=found))
        view = site.kept("casts said", lambda: casts_said(casts, found, known))
        came_out, goes, poured = pictures_of(view, site.show(request).say)
        return site.page(
            request,
            "casts_said.html",
            "What your casts say",
            "/casting",
            v=view,
            came_out=came_out,
            goes=goes,
            poured=poured,
        )
