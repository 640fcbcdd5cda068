"""Pours: the push card of every sheet to cast, and the day and temperature at which it is poured.

The stone warms from cast to cast, so the window of pouring temperatures moves through the day; a measured table
temperature always wins over the one planned here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.casting.freezing import Freezing, freeze
from pipemetal.casting.model import CastingTable, Gate, Sled, ThermalSettings
from pipemetal.casting.push import PushCard, push_card
from pipemetal.casting.table import DayCast, day
from pipemetal.casting.wanted import Outfit, Wanted
from pipemetal.casting.window import PourWindow, pour_window, usual_pour_c
from pipemetal.errors import CastingError
from pipemetal.melts.charge import Charge
from pipemetal.planning.learning import Learned
from pipemetal.planning.melting import PlannedMelt
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import SheetOrder

__all__ = ["Pour", "plan_pours", "prepare_pour", "thermal_settings"]

LARGEST_GATE_MM = 14.0

LEAST_CHARGE_KG = 25.0
"""Below it a cold gate would take so much heat that it must be warmed, whatever is poured; the window counts on
that.
"""


@dataclass(frozen=True, eq=False)
class Pour:
    """One sheet's pour. `card` is None where no push gives the sheet; `problem` then says why.

    `day` and `number` count from 1; `start_s` since the day's first pour; `stone_c` and `cloth_c` are the table's
    temperatures before the pour, planned unless `measured`; the sheet is lifted no sooner than `lift_after_s`.
    """

    order: SheetOrder
    card: PushCard | None
    problem: str
    charge_kg: float
    used_kg: float
    cast_kg: float
    finished_kg: float
    melt: str = ""
    day: int = 0
    number: int = 0
    stone_c: float = 0.0
    cloth_c: float = 0.0
    start_s: float = 0.0
    measured: bool = False
    window: PourWindow | None = None
    freezing: Freezing | None = None
    lift_after_s: float = 0.0


def thermal_settings(settings: ShopSettings, cloth_factor: float = 1.0) -> ThermalSettings:
    """Stone and cloth of a shop, with the cloth's resistance as the log has it."""
    c = settings.casting
    return ThermalSettings(stone_thickness_mm=c.stone_mm, cloth_thickness_mm=c.cloth_mm, cloth_factor=cloth_factor)


def prepare_pour(order: SheetOrder, target: Composition, settings: ShopSettings, learned: Learned) -> Pour:
    """The push card of a sheet as its metal is usually poured, which fixes how much metal it takes."""
    sheet, casting = order.sheet, settings.casting
    density = solid_density_g_cm3(target)
    cast, finished = order.mass_kg(density, finished=False), order.mass_kg(density, finished=True)
    table = CastingTable(
        settings.sheets.most_length_mm + casting.run_up_mm,
        settings.sheets.most_width_mm,
        casting.stone_mm,
        casting.cloth_mm,
    )
    thickest = max(order.cast_start_mm, order.cast_end_mm)
    limits = replace(learned.limits, sled_length_mm=casting.sled_length_mm)
    thermal = thermal_settings(settings, learned.cloth_factor)
    try:
        pour_c, _ = usual_pour_c(target, thickest, casting.table_c, casting.air_c, settings=thermal, limits=limits)
        want = Wanted(
            target, pour_c, sheet.length_mm, sheet.width_mm, order.cast_start_mm, order.cast_end_mm, casting.table_c
        )
        sled = Sled(casting.sled_length_mm, sheet.width_mm)
        outfit = Outfit(sled, Gate(largest_mm=LARGEST_GATE_MM), table, casting.scoop_kg, casting.run_up_mm)
        card = push_card(want, outfit, learned.law.for_sheet(target, sheet.width_mm, settings.crew))
    except CastingError as error:
        # what a sheet of this kind takes by the rules of thumb, so that its melt can still be charged
        used = 1.1 * cast
        return Pour(order, None, str(error), 1.25 * used, used, cast, finished)
    return Pour(order, card, "", card.charge_kg, max(card.poured_mass_kg, cast), cast, finished)


def plan_pours(
    prepared: Sequence[Pour],
    melts: Sequence[PlannedMelt],
    settings: ShopSettings,
    learned: Learned,
    measured_c: Mapping[int, float] | None = None,
) -> tuple[Pour, ...]:
    """All pours in the order of casting, over as many days as they need, each with its window and its freezing.

    `measured_c`: what a thermometer on the cloth showed before a pour of the first day, by the pour's number; it wins.
    """
    by_sheet = {pour.order.sheet.id: pour for pour in prepared}
    sequence = [(by_sheet[sheet.id], planned) for planned in melts for sheet in planned.melt.sheets]
    found: list[Pour] = []
    a_day = settings.casting.casts_a_day
    for first in range(0, len(sequence), a_day):
        shown = (measured_c or {}) if first == 0 else {}
        found += _one_day(sequence[first : first + a_day], first // a_day + 1, settings, learned, shown)
    return tuple(found)


def _metal_of(planned: PlannedMelt) -> Composition:
    return planned.charge.composition if isinstance(planned.charge, Charge) else planned.charge.request.recipe.target


def _one_day(
    members: Sequence[tuple[Pour, PlannedMelt]],
    number: int,
    settings: ShopSettings,
    learned: Learned,
    measured_c: Mapping[int, float],
) -> list[Pour]:
    casting, thermal = settings.casting, thermal_settings(settings, learned.cloth_factor)
    metals = [_metal_of(planned) for _, planned in members]
    thicknesses = [max(pour.order.cast_start_mm, pour.order.cast_end_mm) for pour, _ in members]
    casts: list[DayCast] = []
    start_s = 0.0
    for metal, thickness in zip(metals, thicknesses, strict=True):
        limits = replace(learned.limits, sled_length_mm=casting.sled_length_mm)
        _, film_c = usual_pour_c(
            metal, min(thickness, 6.0), casting.table_c, casting.air_c, settings=thermal, limits=limits
        )
        solid_s = freeze(metal, thickness, film_c, casting.table_c, casting.air_c, thermal).time_to_solid_s
        lift_s = max(60.0 * casting.minutes_on_table, learned.lift_margin * solid_s)
        casts.append(DayCast(metal, thickness, film_c, start_s, lift_s, measured_c.get(len(casts) + 1)))
        start_s += max(60.0 * casting.minutes_between, lift_s + 60.0)
    tables = day(casts, thermal, air_temperature_c=casting.air_c, table_temperature_c=casting.table_c)
    found = []
    for index, (pour, planned) in enumerate(members):
        limits = replace(
            learned.limits, sled_length_mm=casting.sled_length_mm, charge_kg=max(pour.charge_kg, LEAST_CHARGE_KG)
        )
        window = pour_window(
            metals[index],
            thicknesses[index],
            tables[index].cloth_c,
            casting.air_c,
            first_cast=index == 0,
            settings=thermal,
            limits=limits,
        )
        found.append(
            replace(
                pour,
                melt=planned.melt.name,
                day=number,
                number=index + 1,
                stone_c=tables[index].stone_top_c,
                window=window,
                freezing=tables[index].freezing,
                lift_after_s=casts[index].lift_after_s,
                cloth_c=tables[index].cloth_c,
                start_s=casts[index].start_s,
                measured=tables[index].measured,
            )
        )
    return found
