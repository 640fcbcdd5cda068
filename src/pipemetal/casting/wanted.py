"""The sheet that is wanted, and the gate, the fill and the push with which it is easiest to cast.

A push that people can follow changes little and smoothly; what speed cannot do (in slush it hardly thins a sheet)
gate and fill must. So each gate and fill is tried with the smoothest push that gives the sheet, and the least
hardship wins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.casting.laying import Box, Laid, Metal, film_of_push, used_of_film_kg
from pipemetal.casting.model import Array, CastingTable, Gate, Sled, checked, laid_thickness_mm
from pipemetal.casting.mush import solid_in_sled
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.errors import CastingError
from pipemetal.texts import Amount, Text

__all__ = ["Outfit", "Wanted", "best_push", "checked_metal"]

THINNEST_MM, THICKEST_MM = 0.4, 6.0
# What people can follow (common practice, no source), and what nobody can.
EASY_SPEED_M_S = (0.4, 1.6)
HARD_SPEED_M_S = (0.3, 1.8)
# A push as people do it, where the sheet does not ask for another: about 0.8 to 1.1 m/s, quickening (common practice,
# no source).
USUAL_SPEED_M_S, USUAL_CHANGE = 0.95, 0.28
FREEBOARD_MM = 15.0
LADLE_KG = 25.0 * 0.45359237
# Metal that is left: at least so many gates of depth, at most so much of what is laid goes unsaid (common practice:
# little is left).
LEAST_HEAD_GATES = 1.6
USUAL_LEFT_SHARE = 0.10
# A film further from the wanted than this is said, and another gate and fill are tried first (share).
MISS_TOLD = 0.03
# Gates tried, over the mean film: from a gate that is nearly the sheet (liquid on a dragging cloth) to twice it (an
# orifice).
GATE_OVER_FILM = tuple(1.06**n for n in range(15))
# No slush with more solid than this leaves a sled.
MOST_SOLID = 0.55
_PLACES, _COARSE, _FILLS = 81, 7, 4
# The push is found as smooth as the sheet allows: film within this of the wanted, pace near the usual, change and
# bend of ln speed.
_FILM_SD, _PACE_SD, _CHANGE_SD, _BEND_SD = 0.008, 0.5, 0.4, 0.25
_STEPS, _COARSE_STEPS = 5, 3
# How many of the easiest pairs are looked at closer; what the end of a sheet may risk, and how unsure it may be (ln
# thickness).
_CLOSER, _RISK, _UNSURE = 8, 0.12, 0.12


@dataclass(frozen=True, slots=True)
class Outfit:
    """What a shop casts with: sled, gate, table (None: any), metal in one ladle, length of the run-up (zero:
    gate opens on the move).
    """

    sled: Sled
    gate: Gate = field(default_factory=Gate)
    table: CastingTable | None = None
    ladle_kg: float = LADLE_KG
    run_up_mm: float = 300.0

    def __post_init__(self) -> None:
        checked("run_up_mm", self.run_up_mm, 0.0, 3000.0, "mm")
        checked("ladle_kg", self.ladle_kg, 0.5, 100.0, "kg")
        if self.table is not None and self.sled.inner_width_mm > self.table.width_mm:
            raise CastingError(
                "is wider than the table",
                field="inner_width_mm",
                value=self.sled.inner_width_mm,
                allowed=Text("up to {width_mm}", width_mm=Amount.short(self.table.width_mm, "mm")),
            )

    @property
    def slope_mm_m(self) -> float:
        """Fall of the table in the direction of the push."""
        return 0.0 if self.table is None else self.table.slope_mm_m


@dataclass(frozen=True, slots=True)
class Wanted:
    """A sheet that is wanted: metal, its temperature in the sled, size, and the solid thickness at both ends,
    straight between.
    """

    comp: Composition
    pour_temperature_c: float
    length_mm: float
    width_mm: float
    start_mm: float
    end_mm: float
    table_c: float = 20.0

    def __post_init__(self) -> None:
        checked("length_mm", self.length_mm, 200.0, 20000.0, "mm")
        checked("width_mm", self.width_mm, 50.0, 5000.0, "mm")
        for name, value in (("thickness_start_mm", self.start_mm), ("thickness_end_mm", self.end_mm)):
            checked(name, value, THINNEST_MM, THICKEST_MM, "mm")

    def described(self) -> str:
        """Length and thicknesses in words."""
        return f"{self.length_mm / 1e3:g} m, {self.start_mm:g} to {self.end_mm:g} mm"


def checked_metal(comp: Composition, temperature_c: float, sled: Sled, table_c: float = 20.0) -> Metal:
    """Metal in a sled; metal that would not leave it, or is above 500 C, is refused."""
    start_c = liquidus(comp).temperature_c
    if (
        not math.isfinite(temperature_c)
        or temperature_c > 500.0
        or solid_in_sled(comp, float(temperature_c)) > MOST_SOLID
    ):
        raise CastingError(
            "is out of range",
            field="pour_temperature_c",
            value=temperature_c,
            allowed=Text(
                "slush or liquid, up to 500 C; this alloy is all liquid at {start_c}", start_c=Amount(start_c, "C", 0)
            ),
        )
    return Metal.of(comp, temperature_c, sled.inner_length_mm * 1e-3, table_c)


@dataclass(frozen=True)
class Task:
    """A wanted sheet with what it is cast with, checked together."""

    want: Wanted
    outfit: Outfit
    law: ShopLaw
    metal: Metal

    @classmethod
    def of(cls, want: Wanted, outfit: Outfit, law: ShopLaw) -> Task:
        """Raises CastingError where sheet, sled and table do not go together."""
        sled, table = outfit.sled, outfit.table
        if want.width_mm > sled.inner_width_mm:
            allowed = Text("up to {width_mm}", width_mm=Amount.short(sled.inner_width_mm, "mm"))
            raise CastingError("is wider than the sled lays", field="width_mm", value=want.width_mm, allowed=allowed)
        if table is not None and want.length_mm + outfit.run_up_mm > table.length_mm:
            raise CastingError(
                "with the run-up is longer than the table",
                field="length_mm",
                value=want.length_mm,
                allowed=Text("up to {value}", value=Amount.short(table.length_mm - outfit.run_up_mm, "mm")),
            )
        return cls(want, outfit, law, checked_metal(want.comp, want.pour_temperature_c, sled, want.table_c))

    @property
    def length_m(self) -> float:
        """Length of the sheet."""
        return 1e-3 * self.want.length_mm

    def film(self, places: int = _PLACES) -> tuple[Array, Array]:
        """Distances and the liquid film that freezes to the sheet, in m."""
        factor = 1e-3 * laid_thickness_mm(self.want.comp, 1.0)
        x = np.linspace(0.0, self.length_m, places)
        return x, factor * np.linspace(self.want.start_mm, self.want.end_mm, places)

    def box(self, gate_mm: float) -> Box:
        """The sled with its gate at an opening."""
        outfit = self.outfit
        return Box.of(outfit.sled, outfit.gate, gate_mm, self.metal, self.law, outfit.slope_mm_m)

    def needed_kg(self) -> float:
        """Mass that goes onto the table, with what a run-up lays in this shop."""
        x, film = self.film()
        volume = float(np.trapezoid(film, x)) + self.law.run_up.ratio * float(film[0]) * 1e-3 * self.outfit.run_up_mm
        return self.metal.fluid.density_kg_m3 * self.outfit.sled.inner_width_mm * 1e-3 * volume

    def fullest_kg(self) -> float:
        """Mass that fills the sled to its freeboard."""
        sled = self.outfit.sled
        area_m2 = sled.inner_length_mm * sled.inner_width_mm * 1e-6
        return self.metal.fluid.density_kg_m3 * area_m2 * (sled.wall_height_mm - FREEBOARD_MM) * 1e-3


def best_push(task: Task, gate_mm: float | None, charge_kg: float | None) -> tuple[float, float, Laid]:
    """Gate, fill and push with the least hardship.

    Raises: CastingError where no gate and fill that may be gives the sheet.
    """
    if charge_kg is not None and not task.needed_kg() * 0.9 < charge_kg <= task.fullest_kg():
        raise CastingError(
            "does not make this sheet or does not fit the sled",
            field="charge_kg",
            value=charge_kg,
            allowed=Text(
                "above {needed_kg} on the table, up to {fullest_kg} in the sled",
                needed_kg=Amount(task.needed_kg(), "kg", 1),
                fullest_kg=Amount(task.fullest_kg(), "kg", 0),
            ),
        )
    gates = _gates(task) if gate_mm is None else [float(gate_mm)]
    fills = _fills(task) if charge_kg is None else [float(charge_kg)]
    pairs = [(g, c) for g in gates for c in fills]
    trouble = Text("the sled does not hold enough for it")
    found: tuple[float, float, Laid] | None = None
    for gate, charge in _by_hardship(task, pairs):
        laid = _smooth_push(task, gate, charge)
        if isinstance(laid, str):
            trouble = laid
            continue
        if _misses(task, laid) <= MISS_TOLD:
            return gate, charge, laid
        found = found or (gate, charge, laid)
    if found is not None:
        return found
    raise CastingError(
        Text("cannot be cast: {trouble}", trouble=trouble),
        field="sheet",
        value=task.want.described(),
        allowed=Text(
            "a fill above {needed_kg}, of up to {fullest_kg} in the sled; a shorter or thinner sheet, or a longer sled",
            needed_kg=Amount(task.needed_kg(), "kg", 1),
            fullest_kg=Amount(task.fullest_kg(), "kg", 0),
        ),
    )


def _misses(task: Task, laid: Laid) -> float:
    """How far the film stands from the wanted one where it is furthest off, as a share."""
    x, film = task.film()
    return float(np.abs(np.log(np.interp(x, laid.x_m, laid.film_m) / film)).max())


def _gates(task: Task) -> list[float]:
    if task.outfit.gate.fixed_mm is not None:
        return [task.outfit.gate.fixed_mm]
    mean_mm = 1e3 * float(task.film()[1].mean())
    found = {round(mean_mm * factor, 1) for factor in GATE_OVER_FILM}
    gate = task.outfit.gate
    usable = sorted(g for g in found if gate.smallest_mm <= g <= gate.largest_mm)
    if not usable:
        raise CastingError(
            "needs a gate that this sled does not have",
            field="thickness",
            value=task.want.described(),
            allowed=Text(
                "gates of {smallest_mm} to {largest_mm}",
                smallest_mm=Amount.short(gate.smallest_mm, "mm", bare=True),
                largest_mm=Amount.short(gate.largest_mm, "mm"),
            ),
        )
    return usable


def _fills(task: Task) -> list[float]:
    """Whole ladles that make the sheet; where none does, what the sled holds."""
    needed, fullest, ladle = task.needed_kg(), task.fullest_kg(), task.outfit.ladle_kg
    first = math.ceil(needed * 1.01 / ladle)
    fills = [n * ladle for n in range(first, first + _FILLS) if n * ladle <= fullest]
    return fills or ([fullest] if fullest > needed else [])


def _by_hardship(task: Task, pairs: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """The pairs of gate and fill that may give the sheet, the easiest first, all tried side by side at a few places."""
    if not pairs:
        return []
    gate_mm, charge_kg = (np.array(column)[:, None] for column in zip(*pairs, strict=True))
    x, film = task.film(_COARSE)
    box = task.box(pairs[0][0]).with_gates(gate_mm)
    run_up_kg = task.needed_kg() - float(used_of_film_kg(box, *task.film())[-1])
    head = box.head_m(charge_kg - run_up_kg - used_of_film_kg(box, x, film))
    speed, miss = _smooth(box, head, x, film, _COARSE_STEPS)
    score = np.mean((miss / 0.03) ** 2, axis=1) + np.max((miss / 0.05) ** 2, axis=1)
    slowest, fastest = speed.min(axis=1), speed.max(axis=1)
    score += ((np.log(speed[:, -1] / speed[:, 0]) - USUAL_CHANGE) / 0.35) ** 2 + (
        np.log(np.sqrt(slowest * fastest) / USUAL_SPEED_M_S) / 0.4
    ) ** 2
    easy = np.maximum(0.0, np.log(EASY_SPEED_M_S[0] / slowest)) + np.maximum(0.0, np.log(fastest / EASY_SPEED_M_S[1]))
    short = np.maximum(0.0, LEAST_HEAD_GATES - head[:, -1] / (1e-3 * gate_mm[:, 0]))
    left = charge_kg[:, 0] / task.needed_kg() - 1.0 - USUAL_LEFT_SHARE
    score += 100.0 * easy + 4.0 * short**2 + (np.maximum(left, 0.0) / 0.2) ** 2 + _unknown(task, gate_mm[:, 0])
    possible = head[:, -1] > 0.6e-3 * gate_mm[:, 0]
    order = [int(i) for i in np.argsort(np.where(possible, score, np.inf)) if possible[i]][:_CLOSER]
    score[order] += _fragile(
        box.with_gates(gate_mm[order]), head[order], speed[order], left_kg=box_left(box, head[order, -1])
    )
    return [pairs[i] for i in sorted(order, key=lambda i: score[i])][:4]


def box_left(box: Box, head: Array) -> Array:
    """Mass of metal at these depths."""
    mass: Array = head * box.metal.fluid.density_kg_m3 * box.length_m * box.width_m
    return mass


def _fragile(box: Box, head: Array, speed: Array, left_kg: Array) -> Array:
    """What the end of a sheet risks: how unsure the law is there, and what the shop's scatter does to the little
    that is left.
    """
    at = box.at(head[:, -1:], speed[:, -1:], np.array([1.0]))
    by_head = np.clip(box.law.powers(at)["head"][:, 0], 0.0, 1.5)
    laid_kg = box_left(box, head[:, 0]) - left_kg
    risk = by_head * laid_kg / left_kg * box.law.cast_scatter
    unsure = box.law.spread(at) / _UNSURE if box.law.casts_used else np.zeros(len(head))
    fragile: Array = (risk / _RISK) ** 2 + unsure**2
    return fragile


def _unknown(task: Task, gate_mm: Array) -> Array:
    """How far gates lie from those that the shop has logged, in its own range and a quarter."""
    low, high = task.law.logged_low, task.law.logged_high
    if not low:
        return np.zeros(len(gate_mm))
    out = np.maximum(0.0, np.log(low[0] / gate_mm)) + np.maximum(0.0, np.log(gate_mm / high[0]))
    away: Array = (out / 0.25) ** 2
    return away


def _smooth(box: Box, head: Array, x: Array, film: Array, steps: int = _STEPS) -> tuple[Array, Array]:
    """The smoothest pushes that lay a film at these heads (pushes, places): speed, and ln of film laid over film
    wanted.

    Least squares of the film's miss beside pace, change and bend of ln speed; Gauss and Newton's steps.
    """
    place = x / x[-1]
    count = len(x)
    bend = np.diff(np.eye(count), 2, axis=0) * (count - 1) ** 2 / (_BEND_SD * 8.0)
    change = np.diff(np.eye(count), 1, axis=0) * math.sqrt(count - 1) / _CHANGE_SD
    held = (bend.T @ bend) / count + change.T @ change + np.eye(count) / count / _PACE_SD**2
    usual = math.log(USUAL_SPEED_M_S) + USUAL_CHANGE * (place - 0.5)
    low, high = (math.log(v) for v in HARD_SPEED_M_S)
    u = np.broadcast_to(usual, np.broadcast_shapes(head.shape, film.shape)).copy()
    wanted = np.log(film)
    step = 0.02
    for _ in range(steps):
        now = box.law.ln_film(box.at(head, np.exp(u), place))
        slope = (box.law.ln_film(box.at(head, np.exp(u + step), place)) - now) / step
        slope = np.minimum(slope, -0.02)
        weight = 1.0 / (_FILM_SD**2 * count)
        normal = held + (weight * slope**2)[..., :, None] * np.eye(count)
        right = weight * slope * (wanted - now) - (u - usual) @ held
        moved = np.linalg.solve(normal, right[..., None])[..., 0]
        u = np.clip(u + np.clip(moved, -0.6, 0.6), low, high)
    miss = box.law.ln_film(box.at(head, np.exp(u), place)) - wanted
    return np.exp(u), miss


def _smooth_push(task: Task, gate_mm: float, charge_kg: float) -> Laid | Text:
    """The smoothest push for one gate and fill, followed with the film that it really lays."""
    x, film = task.film()
    box = task.box(gate_mm)
    coarse = np.linspace(0.0, 1.0, 13)
    laid_m, run_up_kg = film, task.needed_kg() - float(used_of_film_kg(box, x, film)[-1])
    run_up_m = 1e-3 * task.outfit.run_up_mm
    result: Laid | Text = Text("no push gives it")
    for _ in range(2):
        head = box.head_m(charge_kg - run_up_kg - used_of_film_kg(box, x, laid_m))
        places = coarse * task.length_m
        speed, _ = _smooth(box, np.interp(places, x, head), places, np.interp(places, x, film))
        result = film_of_push(box, x, np.interp(x, places, speed), charge_kg, run_up_m, laid_m)
        if isinstance(result, str):
            return result
        laid_m, run_up_kg = result.film_m, result.run_up_kg
    return result
