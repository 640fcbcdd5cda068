"""The table through a day of casts: each sheet warms it, the air cools it, a thermometer overrules it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.casting.base import Base, base_of
from pipemetal.casting.freezing import Freezing, Until, freeze
from pipemetal.casting.model import Array, ThermalSettings, checked
from pipemetal.errors import CastingError
from pipemetal.texts import Amount, Text

__all__ = ["DayCast", "TableBefore", "day", "table_after_rest_c"]


@dataclass(frozen=True, slots=True)
class DayCast:
    """One cast of a day.

    Arguments:
        start_s: seconds since the day began (or since any moment); casts must not overlap.
        pour_temperature_c: of the film on the cloth. lift_after_s: how long the sheet lies.
        measured_table_c: what a thermometer on the cloth showed just before; it wins over the model.
    """

    comp: Composition
    thickness_mm: float
    pour_temperature_c: float
    start_s: float
    lift_after_s: float = 120.0
    measured_table_c: float | None = None


@dataclass(frozen=True)
class TableBefore:
    """The table just before a cast, and how the sheet froze on it.

    ``corrected_k`` is measured less modelled temperature of the cloth; zero without a measurement.
    """

    start_s: float
    cloth_c: float
    stone_top_c: float
    stone_mean_c: float
    measured: bool
    corrected_k: float
    freezing: Freezing


def _check_times(cast: DayCast, clock_s: float | None, number: int) -> None:
    """Refuse a cast that begins before the last sheet was lifted."""
    checked("lift_after_s", cast.lift_after_s, 5.0, 7200.0, "s")
    if not np.isfinite(cast.start_s) or (clock_s is not None and cast.start_s < clock_s):
        raise CastingError(
            "begins before the last sheet was lifted",
            field="start_s",
            value=cast.start_s,
            allowed=Text("from {value} s", value=Amount.short(clock_s or 0.0)),
            where=Text("cast {number}", number=number),
        )


def _frozen(cast: DayCast, base: Base, table: Array, air_c: float, settings: ThermalSettings) -> Freezing:
    """How a cast's sheet freezes on a table in this state."""
    return freeze(
        cast.comp,
        cast.thickness_mm,
        cast.pour_temperature_c,
        base.cloth_c(table),
        air_c,
        settings,
        until=Until(cast.lift_after_s),
        table_state_c=table,
    )


def day(
    casts: Sequence[DayCast],
    settings: ThermalSettings | None = None,
    *,
    air_temperature_c: float = 20.0,
    table_temperature_c: float | None = None,
    fan_w_m2k: float = 0.0,
    readings: Sequence[tuple[float, float]] = (),
) -> tuple[TableBefore, ...]:
    """The table before each cast of a day.

    Arguments:
        casts: in order of time. table_temperature_c: of the whole table before the first; the air's if not given.
        fan_w_m2k: added to the cooling of the bare table; 10 to 30 for a strong fan (estimate).
        readings: (time in s, what a thermometer on the bare cloth showed) at any moment between sheets; each wins
            over the model from then on.
    Raises:
        CastingError: casts that overlap or are out of order, a reading while a sheet lies on the cloth, or a
            temperature out of range.
    Sources: docs/casting.md. Contact worsens when a frozen sheet curls, so the warming is an upper bound.

    >>> alloy = Composition.parse("Sn 50 Pb bal")
    >>> casts = [DayCast(alloy, 2.0, 234, 600.0 * i) for i in range(3)]
    >>> [round(before.stone_top_c) for before in day(casts)]
    [20, 29, 35]
    """
    settings = settings or ThermalSettings()
    checked("air_temperature_c", air_temperature_c, -20.0, 60.0, "C")
    checked("fan_w_m2k", fan_w_m2k, 0.0, 500.0, "W/m2K")
    start = air_temperature_c if table_temperature_c is None else table_temperature_c
    base = base_of(settings)
    table = base.uniform(checked("table_temperature_c", start, -20.0, 200.0, "C"))
    clock_s: float | None = None
    found = []
    for number, cast in enumerate(casts, start=1):
        _check_times(cast, clock_s, number)
        shown = _between(readings, clock_s, cast)
        corrected = 0.0
        for at_s, measured_c in [*shown, (cast.start_s, cast.measured_table_c)]:
            if clock_s is not None:
                table = base.rested(table, at_s - clock_s, air_temperature_c, fan_w_m2k)
            clock_s = at_s
            if measured_c is not None:
                off = checked("measured_table_c", measured_c, -20.0, 250.0, "C") - base.cloth_c(table)
                corrected += off
                # The surface error is believed at the cloth and in the stone alike: one thermometer says no more.
                table = table + off
        frozen = _frozen(cast, base, table, air_temperature_c, settings)
        found.append(
            TableBefore(
                cast.start_s,
                base.cloth_c(table),
                base.stone_top_c(table),
                base.stone_mean_c(table),
                cast.measured_table_c is not None or bool(shown),
                corrected,
                frozen,
            )
        )
        table, clock_s = frozen.table_c, cast.start_s + cast.lift_after_s
    return tuple(found)


def _between(
    readings: Sequence[tuple[float, float]], lifted_s: float | None, cast: DayCast
) -> list[tuple[float, float]]:
    """Readings of the bare cloth from the last lift to this cast; one taken while this sheet will lie there is
    refused.
    """
    for at_s, _ in readings:
        if not np.isfinite(at_s) or cast.start_s < at_s < cast.start_s + cast.lift_after_s:
            raise CastingError(
                "was taken while a sheet lay on the cloth",
                field="reading",
                value=at_s,
                allowed=Text(
                    "not from {start_s} to {value} s",
                    start_s=Amount.short(cast.start_s),
                    value=Amount.short(cast.start_s + cast.lift_after_s),
                ),
            )
    return sorted(r for r in readings if (lifted_s is None or r[0] >= lifted_s) and r[0] <= cast.start_s)


def table_after_rest_c(
    last: TableBefore,
    seconds: float,
    settings: ThermalSettings | None = None,
    *,
    air_temperature_c: float = 20.0,
    fan_w_m2k: float = 0.0,
) -> tuple[float, float]:
    """Temperatures of cloth and stone top some time after the last sheet of a day was lifted.

    Raises:
        CastingError: a time that is negative or above a week.
    """
    settings = settings or ThermalSettings()
    checked("seconds", seconds, 0.0, 604800.0, "s")
    base = base_of(settings)
    table = base.rested(last.freezing.table_c, seconds, air_temperature_c, fan_w_m2k)
    return base.cloth_c(table), base.stone_top_c(table)
