"""What a logged cast cannot be: more metal left than filled, or a sheet that weighs other than what left the sled."""

from __future__ import annotations

from statistics import fmean
from typing import TYPE_CHECKING, Final

from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.errors import CastingError
from pipemetal.texts import Amount, Text

if TYPE_CHECKING:
    from pipemetal.casting.log import LoggedCast

__all__ = ["GATE", "check_cast", "sheet_kg"]

MEASURED: Final = (0.75, 1.8)
"""Metal that left the sled over the sheet's mass by its readings: run-up, slosh and edges come on top (estimate)."""
PLANNED: Final = (0.5, 2.0)
"""The same by the thickness that was planned, which a cast may miss."""
GATE: Final = (0.15, 2.5)
"""Mean thickness of a sheet over the opening of its gate; a slow push heaps up more than the gate is high (estimate)."""
SPEED_M_S: Final = (0.03, 6.0)
"""A push slower or faster than any person's (estimate)."""


def sheet_kg(log: LoggedCast, mean_thickness_mm: float) -> float:
    """Mass of a sheet of this thickness, as long as the cast and as wide as its sled."""
    area_mm2 = log.length_mm * log.sled.inner_width_mm
    return solid_density_g_cm3(log.composition) * area_mm2 * mean_thickness_mm * 1e-6


def check_cast(log: LoggedCast, *, used_kg: float | None = None, planned_mm: float | None = None) -> None:
    """Refuse a cast that cannot have been. `used_kg` is what left the sled where that is known otherwise than by what is left,
    `planned_mm` the mean thickness that the sheet was ordered with.

    Errors: CastingError with the field, and what it would mean.
    """
    left = log.leftover_kg
    if left is not None and left > log.charge_kg:
        raise CastingError(
            "is more than was filled in",
            field="leftover_kg",
            value=left,
            allowed=Text("0 to {charge_kg}", charge_kg=Amount.short(log.charge_kg, "kg")),
        )
    if log.push_time_s:
        speed = log.length_mm * 1e-3 / log.push_time_s
        if not SPEED_M_S[0] <= speed <= SPEED_M_S[1]:
            raise CastingError(
                Text("means a push of {speed}", speed=Amount(speed, "m/s", 2)),
                field="push_time_s",
                value=log.push_time_s,
                allowed=Text(
                    "{low} to {high} s",
                    low=Amount(log.length_mm * 0.001 / SPEED_M_S[1], "", 1),
                    high=Amount(log.length_mm * 0.001 / SPEED_M_S[0], "", 0),
                ),
            )
    used = used_kg if used_kg is not None else None if left is None else log.charge_kg - left
    readings = fmean(t for _, t in log.thickness_mm) if log.thickness_mm else None
    if readings is not None and used is None and sheet_kg(log, readings) > 1.02 * log.charge_kg:
        raise _weighs(log, readings, log.charge_kg, "read", (0.0, log.charge_kg))
    if used is None:
        return
    thick, (low, high), how = (
        (readings, MEASURED, "read")
        if readings is not None
        else (planned_mm, PLANNED, "planned")
        if planned_mm is not None
        else (log.gate_mm, GATE, "of the gate")
    )
    whole = sheet_kg(log, thick)
    if not low * whole <= used <= high * whole:
        raise _weighs(log, thick, used, how, (log.charge_kg - high * whole, log.charge_kg - low * whole))


def _weighs(log: LoggedCast, thick_mm: float, used_kg: float, how: str, left_kg: tuple[float, float]) -> CastingError:
    low, high = (min(max(kg, 0.0), log.charge_kg) for kg in left_kg)
    return CastingError(
        Text(
            "does not fit: {used_kg} left the sled, the sheet weighs {sheet_kg} by the thickness {how}, {thick_mm}",
            used_kg=Amount(used_kg, "kg", 1),
            sheet_kg=Amount(sheet_kg(log, thick_mm), "kg", 1),
            how=how,
            thick_mm=Amount(thick_mm, "mm", 2),
        ),
        field="leftover_kg",
        value=log.leftover_kg,
        allowed=Text(
            "{low} to {high}" if how == "read" else "{low} to {high}; if it was so, enter the readings",
            low=Amount(low, "kg", 1, bare=True),
            high=Amount(high, "kg", 1),
        ),
    )
