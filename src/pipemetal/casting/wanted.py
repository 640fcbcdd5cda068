"""The sheet that is wanted, and the gate and charge with which it is easiest to push."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.casting.gate import gate_velocity_m_s
from pipemetal.casting.laying import Box, Laid, push_of_film, used_of_film_kg
from pipemetal.casting.model import (
    Array,
    CastingTable,
    Coefficients,
    Gate,
    Sled,
    checked,
    fluid_of,
    laid_thickness_mm,
)
from pipemetal.errors import CastingError

__all__ = ["WantedSheet", "best_push", "superheat_of"]

THINNEST_MM, THICKEST_MM = 0.4, 6.0
# What people can follow (common practice, no source), and what nobody can.
EASY_SPEED_M_S = (0.4, 1.6)
HARD_SPEED_M_S = (0.2, 2.5)
LEAST_HEAD_GATES = 3.0
LEAST_LEFT_SHARE = 0.15
# The gentlest push lays the metal down at the jet's own speed: t = Cc g, so the first gate to try is t / 0.6.
MATCHED_RATIO = 0.6
FREEBOARD_MM = 15.0
_PLACES = 81


@dataclass(frozen=True)
class WantedSheet:
    """A sheet that is asked for, checked, with what the choice of gate and charge needs."""

    comp: Composition
    pour_temperature_c: float
    superheat_k: float
    length_m: float
    start_mm: float
    end_mm: float
    sled: Sled
    gate: Gate
    scoop_kg: float
    run_up_m: float
    coefficients: Coefficients

    @classmethod
    def checked_from(
        cls,
        comp: Composition,
        pour_c: float,
        length_mm: float,
        width_mm: float,
        start_mm: float,
        end_mm: float,
        sled: Sled,
        gate: Gate,
        scoop_kg: float,
        run_up_mm: float,
        table: CastingTable | None,
        coefficients: Coefficients,
    ) -> WantedSheet:
        checked("length_mm", length_mm, 200.0, 20000.0, "mm")
        checked("width_mm", width_mm, 50.0, 5000.0, "mm")
        checked("run_up_mm", run_up_mm, 0.0, 3000.0, "mm")
        checked("scoop_kg", scoop_kg, 0.5, 100.0, "kg")
        for name, value in (("thickness_start_mm", start_mm), ("thickness_end_mm", end_mm)):
            checked(name, value, THINNEST_MM, THICKEST_MM, "mm")
        if width_mm > sled.inner_width_mm:
            raise CastingError(
                "is wider than the sled lays",
                field="width_mm",
                value=width_mm,
                allowed=f"up to {sled.inner_width_mm:g} mm",
            )
        if table is not None and length_mm + run_up_mm > table.length_mm:
            raise CastingError(
                "with the run-up is longer than the table",
                field="length_mm",
                value=length_mm,
                allowed=f"up to {table.length_mm - run_up_mm:g} mm",
            )
        if table is not None and sled.inner_width_mm > table.width_mm:
            raise CastingError(
                "is wider than the table",
                field="inner_width_mm",
                value=sled.inner_width_mm,
                allowed=f"up to {table.width_mm:g} mm",
            )
        return cls(
            comp,
            float(pour_c),
            superheat_of(comp, pour_c),
            length_mm * 1e-3,
            float(start_mm),
            float(end_mm),
            sled,
            gate,
            float(scoop_kg),
            run_up_mm * 1e-3,
            coefficients,
        )

    def film(self) -> tuple[Array, Array]:
        """Distances and the liquid film that freezes to the sheet, in m."""
        x = np.linspace(0.0, self.length_m, _PLACES)
        factor = laid_thickness_mm(self.comp, 1.0)
        return x, 1e-3 * factor * np.linspace(self.start_mm, self.end_mm, _PLACES)

    def box(self, gate_mm: float) -> Box:
        """The sled with its gate at an opening."""
        fluid = fluid_of(self.comp, self.pour_temperature_c)
        return Box.of(self.sled, self.gate, gate_mm, fluid, self.coefficients, self.superheat_k)

    def needed_kg(self) -> float:
        """Mass that goes onto the table, run-up strip included."""
        x, film = self.film()
        volume = float(np.trapezoid(film, x)) + 2.0 * float(film[0]) * self.run_up_m
        density = fluid_of(self.comp, self.pour_temperature_c).density_kg_m3
        return density * self.sled.inner_width_mm * 1e-3 * volume

    def fullest_kg(self) -> float:
        """Mass that fills the sled to its freeboard."""
        density = fluid_of(self.comp, self.pour_temperature_c).density_kg_m3
        area = self.sled.inner_length_mm * self.sled.inner_width_mm * 1e-6
        return density * area * (self.sled.wall_height_mm - FREEBOARD_MM) * 1e-3


def superheat_of(comp: Composition, pour_temperature_c: float) -> float:
    """How far metal is above its liquidus, in K; metal that is not liquid, or above 500 C, is refused."""
    start_c = liquidus(comp).temperature_c
    checked("pour_temperature_c", pour_temperature_c, start_c, 500.0, "C: liquid metal of this alloy")
    return float(pour_temperature_c) - start_c


def check_charge(ask: WantedSheet, charge_kg: float) -> None:
    needed, fullest = ask.needed_kg(), ask.fullest_kg()
    if not math.isfinite(charge_kg) or not needed < charge_kg <= fullest:
        raise CastingError(
            "does not make this sheet or does not fit the sled",
            field="charge_kg",
            value=charge_kg,
            allowed=f"above {needed:.1f} kg on the table, up to {fullest:.0f} kg in the sled",
        )


def best_push(ask: WantedSheet, gate_mm: float | None, charge_kg: float | None) -> tuple[float, float, Laid]:
    """The best of the gates and charges that may be: a score of what makes a push hard, least wins."""
    x, film = ask.film()
    gates = _gates(ask, film) if gate_mm is None else [float(gate_mm)]
    pairs = [(g, c) for g in gates for c in (_charges(ask, g) if charge_kg is None else [float(charge_kg)])]
    best = _least_hardship(ask, pairs, x, film) if pairs else None
    if best is None:
        pair = pairs[0] if pairs else (gates[0], 0.0)
        trouble = push_of_film(ask.box(pair[0]), x, film, pair[1], ask.run_up_m) if pairs else "no charge fits"
        raise CastingError(
            f"cannot be cast: {trouble}",
            field="sheet",
            value=described(ask),
            allowed=f"a charge above {ask.needed_kg():.1f} kg, of up to {ask.fullest_kg():.0f} kg in "
            "the sled; a shorter or thinner sheet, or a longer sled",
        )
    opening, charge = best
    laid = push_of_film(ask.box(opening), x, film, charge, ask.run_up_m)
    assert not isinstance(laid, str)
    slowest, fastest = float(laid.speed_m_s.min()), float(laid.speed_m_s.max())
    if not HARD_SPEED_M_S[0] <= slowest <= fastest <= HARD_SPEED_M_S[1]:
        raise CastingError(
            f"would need a push from {slowest:.2f} to {fastest:.2f} m/s",
            field="sheet",
            value=described(ask),
            allowed=f"{HARD_SPEED_M_S[0]:g} to {HARD_SPEED_M_S[1]:g} m/s; a gentler taper, another gate or charge",
        )
    return opening, charge, laid


def described(ask: WantedSheet) -> str:
    return f"{ask.length_m:g} m, {ask.start_mm:g} to {ask.end_mm:g} mm"


def _gates(ask: WantedSheet, film: Array) -> list[float]:
    matched = 1e3 * float(film.mean()) / MATCHED_RATIO
    found = {round(matched * factor, 1) for factor in (0.75, 0.85, 0.95, 1.0, 1.05, 1.15, 1.3, 1.45)}
    usable = sorted(g for g in found if ask.gate.smallest_mm <= g <= ask.gate.largest_mm)
    if not usable:
        raise CastingError(
            "needs a gate that this sled does not have",
            field="thickness",
            value=described(ask),
            allowed=f"gates of {ask.gate.smallest_mm:g} to {ask.gate.largest_mm:g} mm",
        )
    return usable


def _charges(ask: WantedSheet, gate_mm: float) -> list[float]:
    """Whole scoops that leave enough in the sled; where none does, whatever leaves just enough, or what the sled holds."""
    density = fluid_of(ask.comp, ask.pour_temperature_c).density_kg_m3
    area = ask.sled.inner_length_mm * ask.sled.inner_width_mm * 1e-6
    needed, fullest = ask.needed_kg(), ask.fullest_kg()
    least = max(needed + density * area * LEAST_HEAD_GATES * gate_mm * 1e-3, needed / (1.0 - LEAST_LEFT_SHARE))
    scoops = range(math.ceil(least / ask.scoop_kg), math.floor(fullest / ask.scoop_kg) + 1)
    charges = [n * ask.scoop_kg for n in scoops][:12]
    if least <= fullest:
        return charges or [least]
    return [fullest] if fullest > needed else []


def _least_hardship(
    ask: WantedSheet, pairs: list[tuple[float, float]], x_m: Array, film_m: Array
) -> tuple[float, float] | None:
    """The pair of gate and charge that is easiest to push, all tried side by side; None where no pair gives the sheet.

    What counts: unevenness of the push, distance from a walking push and from the matched gate, metal beyond need.
    """
    gate_mm, charge_kg = (np.array(column)[:, None] for column in zip(*pairs, strict=True))
    box, needed = ask.box(pairs[0][0]), ask.needed_kg()
    opening = (gate_mm + ask.coefficients.gate_zero_mm) * 1e-3
    used_kg = used_of_film_kg(box, x_m, film_m) + needed - float(used_of_film_kg(box, x_m, film_m)[-1])
    head = box.head_m(charge_kg - used_kg)
    velocity, _ = gate_velocity_m_s(np.maximum(opening, 2e-4), head, box.fluid, box.discharge, box.lip_m)
    free = film_m - box.beta * opening
    possible = (head[:, -1] > 0.0) & (velocity[:, -1] > 1e-3) & (free.min(axis=1) > 0.0) & (opening[:, 0] > 2e-4)
    if not possible.any():
        return None
    speed = opening * velocity / np.where(free > 0.0, free, np.inf)
    slowest, fastest = np.maximum(speed.min(axis=1), 1e-6), np.maximum(speed.max(axis=1), 1e-6)
    uneven, pace = np.log(fastest / slowest) / 0.25, np.log(np.sqrt(slowest * fastest)) / 0.35
    mismatch = (float(film_m.mean()) * 1e3 / gate_mm[:, 0] / MATCHED_RATIO - 1.0) / 0.25
    beyond = charge_kg[:, 0] / needed - 1.0 / (1.0 - LEAST_LEFT_SHARE)
    outside = np.maximum(0.0, np.log(EASY_SPEED_M_S[0] / slowest)) + np.maximum(
        0.0, np.log(fastest / EASY_SPEED_M_S[1])
    )
    score = uneven**2 + pace**2 + mismatch**2 + 1.5 * beyond + 100.0 * outside
    return pairs[int(np.argmin(np.where(possible, score, np.inf)))]
