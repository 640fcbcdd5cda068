"""The law of one shop: the rival laws with the weights that its log gives them, and how far it departs from each.

Before any log it is the prior: common practice is likely and everything is wide. Nothing that pushes, fills, plans or
explains uses a bare law: all ask this one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.casting.features import STRAIGHT, Basis, inputs
from pipemetal.casting.model import Array
from pipemetal.casting.rivals import LIQUID, MUSH, RIVALS, At
from pipemetal.casting.run_up import RunUp
from pipemetal.texts import Text

__all__ = ["ANY", "GroupColumn", "Part", "ShopLaw", "law_films"]

# Scatters before any cast: from cast to cast (5 to 8 % is published for planar-flow casting: Carpenter & Steen, J.
# Mater. Sci. 27 (1992) 215), and from place to place (estimate).
CAST_SCATTER, STATION_SCATTER = 0.035, 0.02
# Sizes of the departure that are weighed: straight (powers) and bending (Gaussian process), with weights before any
# cast (estimates).
SIZES = ((0.02, 0.3), (0.07, 0.3), (0.15, 0.2), (0.3, 0.13), (0.5, 0.07))
BENDS = ((0.0, 0.35), (0.06, 0.3), (0.15, 0.22), (0.35, 0.13))
# A group of a kind that may be any of those that the log knows.
ANY = "any"
# Weight of a plain regression of powers, as one more rival way to depart (estimate).
PLAIN_WEIGHT = 0.1
# Alloys within so much tin are one (percent by mass).
ONE_ALLOY_SN = 2.5
# Film that a law may give at all; outside it a departure would be meaningless.
THINNEST_FILM_M, THICKEST_FILM_M = 5e-5, 5e-2


@dataclass(frozen=True, eq=False)
class Part:
    """One rival with one size of departure: its weight, the departure's columns (mean, covariance), its bend."""

    rival: int
    weight: float
    mean: Array
    covariance: Array
    bend: float


@dataclass(frozen=True, slots=True)
class GroupColumn:
    """A group that the law counts with: its kind and name, the spread of its kind (ln thickness), and its share of the
    casts that name one.
    """

    kind: str
    name: str
    spread: float
    share: float = 0.0


@dataclass(frozen=True, eq=False)
class ShopLaw:
    """What is believed of a shop's gate.

    ``parts`` hold the rivals; ``cast_scatter`` and ``station_scatter`` are standard deviations of ln thickness;
    ``present`` says which group of each kind casts now. ``logged_slush``: whether any cast was slush. ``run_up``: what
    goes before the sheet. ``logged_*``: range, mean and covariance of (gate mm, head mm, speed m/s, superheat K), by
    cast. ``push_scatter``: how far a push keeps off the speed that its card asked for (ln), where the log tells both.

    >>> law = ShopLaw.prior()
    >>> law.casts_used, round(sum(law.rival_weights), 6)
    (0, 1.0)
    """

    parts: tuple[Part, ...]
    basis: Basis
    cast_scatter: float = CAST_SCATTER
    station_scatter: float = STATION_SCATTER
    groups: tuple[GroupColumn, ...] = ()
    stretches: int = 0
    present: Mapping[str, str] = field(default_factory=dict)
    casts_used: int = 0
    logged_slush: bool = True
    run_up: RunUp = field(default_factory=RunUp)
    logged_low: tuple[float, ...] = ()
    logged_high: tuple[float, ...] = ()
    logged_centre: tuple[float, ...] = ()
    logged_covariance: tuple[tuple[float, ...], ...] = ()
    push_scatter: float = 0.0

    @classmethod
    def prior(cls) -> ShopLaw:
        """What is believed before any cast."""
        return _prior()

    @classmethod
    def known(
        cls, rival: str, *, cast_scatter: float = 0.0, station_scatter: float = 0.0, **departure: float
    ) -> ShopLaw:
        """A law taken as exact, for checks and made-up shops: a rival by name, and its departure by column (level,
        gate zero as `gate_zero_mm`, gate, speed, head, heat, solid, place).

        >>> ShopLaw.known("orifice", level=0.05, speed=0.1).casts_used
        0
        """
        names = [name.replace("gate zero", "gate_zero_mm") for name in STRAIGHT]
        basis = Basis()
        mean = np.zeros(basis.count)
        for name, value in departure.items():
            mean[names.index(name)] = value
        number = [r.name for r in RIVALS].index(rival)
        part = Part(number, 1.0, mean, np.zeros((basis.count, basis.count)), 0.0)
        return cls((part,), basis, cast_scatter, station_scatter)

    def shifted(self, level: float) -> ShopLaw:
        """The same law with ln film moved everywhere."""
        moved = np.zeros(len(self.parts[0].mean))
        moved[0] = level
        return replace(self, parts=tuple(replace(p, mean=p.mean + moved) for p in self.parts))

    @cached_property
    def rival_weights(self) -> tuple[float, ...]:
        """Weight of each rival, in the order of RIVALS."""
        found = [0.0] * len(RIVALS)
        for part in self.parts:
            found[part.rival] += part.weight
        return tuple(found)

    @cached_property
    def regimes(self) -> dict[str, float]:
        """Weight of each regime (rivals of one kind together), the likeliest first; a log without slush knows of
        none.
        """
        found: dict[str, float] = {}
        for rival, weight in zip(RIVALS, self.rival_weights, strict=True):
            regime = LIQUID if rival.regime == MUSH and not self.logged_slush else rival.regime
            found[regime] = found.get(regime, 0.0) + weight
        return dict(sorted(found.items(), key=lambda item: -item[1]))

    @cached_property
    def _mean(self) -> Array:
        mean: Array = np.sum([p.weight * p.mean for p in self.parts], axis=0)
        return mean

    def for_cast(self, **present: str) -> ShopLaw:
        """The law for a cast of certain groups (alloy, gate, box, cloth, crew, table, season); the rest as they
        are now. A crew may be ``any``.
        """
        return replace(self, present={**self.present, **{k: v for k, v in present.items() if v}})

    def for_sheet(self, comp: Composition, width_mm: float, crew: str = "") -> ShopLaw:
        """The law for a sheet of an alloy from a sled of an inner width, by a crew, or by any of them where none is named;
        alloys and boxes that were never logged are unsure.
        """
        alloys = {
            g.name: abs(comp.wt_pct("Sn") - float(g.name.removeprefix("Sn "))) for g in self.groups if g.kind == "alloy"
        }
        nearest = min(alloys, key=lambda name: alloys[name], default="")
        alloy = nearest if nearest and alloys[nearest] <= ONE_ALLOY_SN else "another"
        boxes = {g.name for g in self.groups if g.kind == "sled"}
        box = f"{width_mm:.0f} wide"
        return self.for_cast(alloy=alloy, box=box if box in boxes else "", crew=crew or ANY)

    def unknown_crew(self, crew: str) -> tuple[Text, ...]:
        """That a crew is none of those whose casts the log tells apart, in words; nothing where it is one or none is named."""
        known = [g.name for g in self.groups if g.kind == "crew"] or [v for k, v in self.present.items() if k == "crew"]
        if not crew or not self.casts_used or crew in known:
            return ()
        if not known:
            return (Text("the log tells no crew {crew}", crew=crew),)
        return (Text("the log tells no crew {crew}, only {known}", crew=crew, known=", ".join(known)),)

    @cached_property
    def any_crew(self) -> tuple[str, ...]:
        """The crews that a band covers together, where they cast differently and none is named; else none."""
        return tuple(
            g.name for g in self.groups if g.kind == "crew" and g.spread > 0.0 and self.present.get("crew") == ANY
        )

    @cached_property
    def _group_row(self) -> tuple[Array, float]:
        """How much each group column counts for the cast that is asked, and the variance of kinds whose group is not known.

        A kind that may be any counts by the shares of its groups, which lie about their mean by so much; a group that was
        never logged lies anywhere in the spread of its kind.
        """
        row = np.zeros(len(self.groups) + self.stretches)
        first = len(self.parts[0].mean) - len(row)
        variance = 0.0
        for kind in dict.fromkeys(g.kind for g in self.groups):
            mine = [i for i, g in enumerate(self.groups) if g.kind == kind]
            name = self.present.get(kind)
            if name == ANY:
                shares = np.array([self.groups[i].share for i in mine])
                means = self._mean[[first + i for i in mine]]
                row[mine] = shares
                variance += float(shares @ np.square(means - shares @ means))
            elif any(self.groups[i].name == name for i in mine):
                row[mine] = [float(self.groups[i].name == name) for i in mine]
            else:
                variance += self.groups[mine[0]].spread ** 2
        return row, variance

    def _columns(self, at: At) -> tuple[Array, float]:
        columns = self.basis.columns(at, inputs(at))
        row, lacking = self._group_row
        return np.hstack([columns, np.broadcast_to(row, (len(columns), len(row)))]), lacking

    def ln_film(self, at: At) -> Array:
        """Mean of ln film in m at places, shape as the places'."""
        shape = np.broadcast_shapes(*(np.shape(v) for v in (at.gate_m, at.head_m, at.speed_m_s, at.place, at.solid)))
        laws = law_films(at, self.rival_weights)
        columns, _ = self._columns(at)
        mean: Array = (self.rival_weights @ laws + columns @ self._mean).reshape(shape)
        return mean

    def spread(self, at: At) -> Array:
        """Standard deviation of what is believed of ln film at places, without the shop's own scatter; flat."""
        laws = law_films(at, self.rival_weights)
        columns, lacking_groups = self._columns(at)
        mean = self.rival_weights @ laws + columns @ self._mean
        lacking = self.basis.lacking(columns)
        variance = np.full(len(mean), lacking_groups)
        for part in self.parts:
            own = np.einsum("ni,ij,nj->n", columns, part.covariance, columns) + part.bend**2 * lacking
            variance += part.weight * (own + (laws[part.rival] + columns @ part.mean - mean) ** 2)
        spread: Array = np.sqrt(variance)
        return spread

    def deviation(self, at: At) -> Array:
        """Standard deviation of ln film at one place of a new cast: belief, cast and place together; flat."""
        deviation: Array = np.sqrt(self.spread(at) ** 2 + self.cast_scatter**2 + self.station_scatter**2)
        return deviation

    def moments(self, at: At) -> tuple[Array, Array]:
        """Mean and covariance of ln film at places together, without the shop's own scatter; shapes (n,), (n, n)."""
        laws = law_films(at, self.rival_weights)
        columns, _ = self._columns(at)
        mean = self.rival_weights @ laws + columns @ self._mean
        covariance = np.zeros((len(mean), len(mean)))
        for part in self.parts:
            off = laws[part.rival] + columns @ part.mean - mean
            covariance += part.weight * (columns @ part.covariance @ columns.T + np.outer(off, off))
        return mean, covariance

    def powers(self, at: At) -> dict[str, Array]:
        """How ln film goes with ln gate, ln speed and ln head at places (mean; -1 by speed is a film that halves
        at twice the speed).
        """
        step = 0.02
        return {
            name: (self.ln_film(at.moved(**{name: 1.0 + step})) - self.ln_film(at.moved(**{name: 1.0 - step})))
            / np.log((1.0 + step) / (1.0 - step))
            for name in ("gate", "speed", "head")
        }


def law_films(at: At, weights: tuple[float, ...] | None = None) -> Array:
    """ln film of every rival at places, shape (rivals, n); zero for those without weight."""
    shape = np.broadcast_shapes(*(np.shape(v) for v in (at.gate_m, at.head_m, at.speed_m_s, at.place, at.solid)))
    found = np.zeros((len(RIVALS), int(np.prod(shape))))
    for k, rival in enumerate(RIVALS):
        if weights is None or weights[k] > 0.0:
            film = np.clip(rival.film_m(at), THINNEST_FILM_M, THICKEST_FILM_M)
            found[k] = np.ravel(np.broadcast_to(np.log(film), shape))
    return found


@lru_cache(maxsize=1)
def _prior() -> ShopLaw:
    basis = Basis()
    parts = []
    for k, rival in enumerate(RIVALS):
        variance = sum(share * (basis.sds(size, 0.0) ** 2) for size, share in SIZES)
        parts.append(Part(k, rival.weight, np.zeros(basis.count), np.diag(variance), 0.05))
    total = sum(p.weight for p in parts)
    return ShopLaw(tuple(replace(p, weight=p.weight / total) for p in parts), basis)
