"""Pours: the push card of every sheet to cast, and the day and temperature at which it is poured.

The stone warms from cast to cast, so the window of pouring temperatures moves through the day; a measured table
temperature always wins over the one planned here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.casting.freezing import Freezing, freeze
from pipemetal.casting.limits import WindowLimits
from pipemetal.casting.model import CastingTable, Gate, Sled, ThermalSettings, laid_thickness_mm
from pipemetal.casting.push import PushCard, push_card
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.casting.slope import film_runs_m
from pipemetal.casting.table import DayCast, TableBefore
from pipemetal.casting.table import day as stone_through
from pipemetal.casting.wanted import Outfit, Wanted
from pipemetal.casting.way import puddle_mm
from pipemetal.casting.window import SLUSH, PourWindow, pour_window, usual_pour_c
from pipemetal.errors import CastingError
from pipemetal.melts.charge import Charge
from pipemetal.melts.day import SheetDemand
from pipemetal.planning.day import CastingDay, PastCast
from pipemetal.planning.learning import Learned
from pipemetal.planning.melting import PlannedMelt
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.sheets_to_cast import SheetOrder
from pipemetal.texts import Text

__all__ = [
    "SKIMMED_K",
    "Pour",
    "demand_of",
    "heated_to_c",
    "plan_pours",
    "prepare_pour",
    "thermal_settings",
    "with_range",
]

LARGEST_GATE_MM = 14.0

THICKEST_POURED_MM = 6.0
"""Thicker films are looked at as this one, for the pouring range is not known beyond."""

SKIMMED_K: Final = 15.0
"""So far above its liquidus metal is stirred and skimmed: below it grains go with the dross (estimate)."""

OFF: Final = 0.03
"""A push gives a sheet where its likely thickness is nowhere farther off, as a share: an empty sled gives none (estimate)."""

LEAST_CHARGE_KG = 25.0
"""Below it a cold gate would take so much heat that it must be warmed, whatever is poured; the window counts on
that.
"""

_pour_window, _usual_pour_c = lru_cache(maxsize=1024)(pour_window), lru_cache(maxsize=1024)(usual_pour_c)
"""A plan asks for the range of the same sheet again and again: before its day, on it, and when the rest is planned anew."""


@dataclass(frozen=True, eq=False)
class Pour:
    """One sheet's pour. `card` is None where no push gives the sheet; `problem` then says why.

    `day` and `number` count from 1; `at_min` is the planned minute since midnight, `start_s` since the day's first pour;
    `stone_c` and `cloth_c` are the table's temperatures before the pour, planned unless `measured`; the sheet is lifted no
    sooner than `lift_after_s`. `pour_c` is how its metal is usually poured, `pot_c` how hot the pot is heated for it: to the
    middle of its range on a table as it is at first, and to what melts and skims it, and `first_c` where it is the first of a
    day; 0 where that is not known.
    `film_mm` is the liquid at its thickest; it is cast between side bars where `bars_from_mm`, what stands by itself, is given.
    `model_scoops` is what the model asks for without regard to the usual charge. `runs_m` is how far the film runs down a table
    that falls before grains hold it.
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
    pour_c: float = 0.0
    pot_c: float = 0.0
    first_c: float = 0.0
    at_min: float = 0.0
    film_mm: float = 0.0
    bars_from_mm: float = 0.0
    model_scoops: int = 0
    runs_m: float = 0.0


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
        order.table.length_mm,
        order.table.width_mm,
        casting.stone_mm,
        casting.cloth_mm,
        slope_mm_m=order.table.slope_mm_m,
    )
    thickest = max(order.cast_start_mm, order.cast_end_mm)
    limits = replace(learned.limits, sled_length_mm=order.sled.length_mm)
    thermal = thermal_settings(settings, learned.cloth_factor)
    pour_c, pot_c, lift_s = _usual_and_lift(target, thickest, settings, thermal, learned, limits)
    try:
        if thickest > THICKEST_POURED_MM:
            _usual_pour_c(target, thickest, casting.table_c, casting.air_c, settings=thermal, limits=limits)
        want = Wanted(
            target, pour_c, sheet.length_mm, sheet.width_mm, order.cast_start_mm, order.cast_end_mm, casting.table_c
        )
        sled = Sled(order.sled.length_mm, sheet.width_mm)
        outfit = Outfit(sled, Gate(largest_mm=LARGEST_GATE_MM), table, casting.scoop_kg, casting.run_up_mm)
        law = learned.law.for_sheet(target, sheet.width_mm, settings.crew)
        model = push_card(want, outfit, law)
        card = _as_usual(model, want, outfit, law, settings)
    except CastingError as error:
        # what a sheet of this kind takes by the rules of thumb, so that its melt can still be charged
        used = min(1.1 * cast, settings.most_charge_kg)
        ladled = min(1.25 * used, settings.most_charge_kg)
        made = Pour(order, None, str(error), ladled, used, min(cast, used), finished)
    else:
        used = max(card.poured_mass_kg, cast)
        made = Pour(order, card, "", card.charge_kg, used, cast, finished, model_scoops=model.scoops)
    made = replace(made, pour_c=pour_c, pot_c=pot_c, lift_after_s=lift_s)
    first, _ = _window(made, target, casting.table_c, True, settings, learned)
    return replace(made, first_c=heated_to_c(first))


def heated_to_c(window: PourWindow) -> float:
    """How hot a pot is heated at least for a sheet: to the lower end of its range, and to what melts and skims its metal."""
    return max(window.try_low_c, window.liquidus_c + SKIMMED_K)


def _as_usual(card: PushCard, want: Wanted, outfit: Outfit, law: ShopLaw, settings: ShopSettings) -> PushCard:
    """The card with no more metal than the shop usually ladles, where such a push gives the sheet to its end; else it says so."""
    usual_kg = min(settings.usual_charge_kg, settings.most_charge_kg)
    if card.charge_kg <= usual_kg + 1e-6:
        return card
    try:
        usual: PushCard | None = push_card(want, outfit, law, charge_kg=usual_kg)
    except CastingError:
        usual = None
        if usual_kg < settings.usual_charge_kg:
            raise
    limited = usual_kg < settings.usual_charge_kg  # by the pot: more cannot be ladled
    if usual is not None and (limited or _off(usual, want) <= max(OFF, _off(card, want))):
        return usual
    words = "the usual {usual} scoops do not give this sheet by the model: it asks for {scoops}"
    told = Text(words, usual=settings.habits.usual_scoops, scoops=card.scoops)
    return replace(card, warnings=(told, *card.warnings))


def _off(card: PushCard, want: Wanted) -> float:
    """How far the likely thickness is off the wanted one at the worst place, as a share."""
    along = [(s.thickness_mm, s.distance_m * 1e3 / want.length_mm) for s in card.thickness]
    return max(abs(t / (want.start_mm + (want.end_mm - want.start_mm) * u) - 1.0) for t, u in along)


def _usual_and_lift(
    target: Composition,
    thickest_mm: float,
    settings: ShopSettings,
    thermal: ThermalSettings,
    learned: Learned,
    limits: WindowLimits,
) -> tuple[float, float, float]:
    """How hot a sheet is usually poured, how hot the pot is for it, and the seconds after which it may be lifted, on a
    table as it is at first.
    """
    casting = settings.casting
    thick_mm = min(thickest_mm, THICKEST_POURED_MM)
    window = _pour_window(target, thick_mm, casting.table_c, casting.air_c, settings=thermal, limits=limits)
    pot_c = max(0.5 * (window.try_low_c + window.try_high_c), window.liquidus_c + SKIMMED_K)
    pour_c, film_c = _usual_pour_c(
        target,
        thick_mm,
        casting.table_c,
        casting.air_c,
        settings=thermal,
        limits=limits,
    )
    solid_s = freeze(target, thickest_mm, film_c, casting.table_c, casting.air_c, thermal).time_to_solid_s
    return pour_c, pot_c, max(60.0 * casting.minutes_on_table, learned.lift_margin * solid_s)


def with_range(
    pour: Pour, target: Composition, cloth_c: float, settings: ShopSettings, learned: Learned, *, first: bool
) -> Pour:
    """A prepared pour with its pouring range on a cloth so warm; `first`: the gate is still cold."""
    window, bars_mm = _window(pour, target, cloth_c, first, settings, learned)
    return replace(pour, window=window, bars_from_mm=bars_mm)


def demand_of(pour: Pour) -> SheetDemand:
    """What a prepared pour asks of its melt."""
    sheet = pour.order.sheet
    return SheetDemand(sheet.id, sheet.alloy, pour.charge_kg, pour.used_kg, pour.order.sled.name)


def plan_pours(
    prepared: Sequence[Pour],
    melts: Sequence[PlannedMelt],
    days: Sequence[CastingDay],
    settings: ShopSettings,
    learned: Learned,
    measured_c: Mapping[int, float] | None = None,
    past: Sequence[PastCast] = (),
) -> tuple[Pour, ...]:
    """All pours in the order of casting, at the hours of their days, each with its window and its freezing.

    `measured_c`: what a thermometer on the cloth showed before a pour of the first day, by the pour's number; it wins. `past`:
    what was cast already on a day that is under way, number 0: its table and gate are warm.
    """
    by_sheet = {pour.order.sheet.id: pour for pour in prepared}
    by_name = {planned.melt.name: planned for planned in melts}
    found: list[Pour] = []
    for day in days:
        at = day.pours()
        members = [
            (replace(by_sheet[sheet.id], at_min=at[sheet.id]), by_name[name])
            for name in day.melts
            for sheet in by_name[name].melt.sheets
        ]
        shown = (measured_c or {}) if day.number == 1 else {}
        found += _one_day(members, day.number, settings, learned, shown, past if day.number == 0 else ())
    return tuple(found)


def _metal_of(planned: PlannedMelt) -> Composition:
    return planned.charge.composition if isinstance(planned.charge, Charge) else planned.charge.request.recipe.target


def _one_day(
    members: Sequence[tuple[Pour, PlannedMelt]],
    number: int,
    settings: ShopSettings,
    learned: Learned,
    measured_c: Mapping[int, float],
    past: Sequence[PastCast],
) -> list[Pour]:
    casting, thermal = settings.casting, thermal_settings(settings, learned.cloth_factor)
    metals = [_metal_of(planned) for _, planned in members]
    thicknesses = [max(pour.order.cast_start_mm, pour.order.cast_end_mm) for pour, _ in members]
    casts: list[DayCast] = []
    from_min = past[0].at_min if past else members[0][0].at_min
    for metal, thickness, (pour, _) in zip(metals, thicknesses, members, strict=True):
        limits = replace(learned.limits, sled_length_mm=pour.order.sled.length_mm)
        _, film_c = _usual_pour_c(
            metal,
            min(thickness, THICKEST_POURED_MM),
            casting.table_c,
            casting.air_c,
            settings=thermal,
            limits=limits,
        )
        start_s = 60.0 * (pour.at_min - from_min)
        shown_c = measured_c.get(len(casts) + 1)
        casts.append(DayCast(metal, thickness, film_c, start_s, pour.lift_after_s, shown_c))
    tables = _tables(past, casts, from_min, settings, thermal)
    found = []
    for index, (pour, planned) in enumerate(members):
        window, bars_mm = _window(
            pour, metals[index], tables[index].cloth_c, index == 0 and not past, settings, learned
        )
        found.append(
            replace(
                pour,
                melt=planned.melt.name,
                day=number,
                number=index + 1,
                stone_c=tables[index].stone_top_c,
                window=window,
                film_mm=laid_thickness_mm(metals[index], thicknesses[index]),
                bars_from_mm=bars_mm,
                runs_m=film_runs_m(
                    metals[index],
                    min(thicknesses[index], THICKEST_POURED_MM),
                    pour.order.table.slope_mm_m,
                    casts[index].pour_temperature_c,
                    (tables[index].cloth_c, casting.air_c),
                    thermal,
                    stands=window.regime == SLUSH,
                ),
                freezing=tables[index].freezing,
                cloth_c=tables[index].cloth_c,
                start_s=casts[index].start_s,
                measured=tables[index].measured,
            )
        )
    return found


def _tables(
    past: Sequence[PastCast],
    casts: Sequence[DayCast],
    from_min: float,
    settings: ShopSettings,
    thermal: ThermalSettings,
) -> Sequence[TableBefore]:
    """The table before each cast of a day, warmed by those that are past too."""
    before = [
        DayCast(p.metal, p.thickness_mm, _film_c(p, thermal, settings), 60.0 * (p.at_min - from_min), 60.0 * p.lay_min)
        for p in past
    ]
    air_c, table_c = settings.casting.air_c, settings.casting.table_c
    found = stone_through([*before, *casts], thermal, air_temperature_c=air_c, table_temperature_c=table_c)
    return found[len(before) :]


def _film_c(past: PastCast, thermal: ThermalSettings, settings: ShopSettings) -> float:
    """How hot the film of a sheet that was cast is taken to have been: as it is usually poured."""
    thick_mm, casting = min(past.thickness_mm, THICKEST_POURED_MM), settings.casting
    return _usual_pour_c(past.metal, thick_mm, casting.table_c, casting.air_c, settings=thermal)[1]


def _window(
    pour: Pour, metal: Composition, cloth_c: float, first: bool, settings: ShopSettings, learned: Learned
) -> tuple[PourWindow, float]:
    """The pouring range of a sheet; that between side bars for a film that is too thick to stand by itself, or has none without
    them, and what would stand."""
    limits = replace(
        learned.limits, sled_length_mm=pour.order.sled.length_mm, charge_kg=max(pour.charge_kg, LEAST_CHARGE_KG)
    )
    thickness = max(pour.order.cast_start_mm, pour.order.cast_end_mm)
    thermal, air_c = thermal_settings(settings, learned.cloth_factor), settings.casting.air_c
    window = _pour_window(metal, thickness, cloth_c, air_c, first_cast=first, settings=thermal, limits=limits)
    # a film thicker than a puddle stands runs off as slush too, but for a degree or two that nobody holds
    stands_mm = puddle_mm(metal)
    if limits.side_bars or not (window.empty or laid_thickness_mm(metal, thickness) > stands_mm):
        return window, 0.0
    barred = replace(limits, side_bars=True)
    between = pour_window(metal, thickness, cloth_c, air_c, first_cast=first, settings=thermal, limits=barred)
    if between.empty and laid_thickness_mm(metal, thickness) <= stands_mm:
        return window, 0.0
    return between, stands_mm
