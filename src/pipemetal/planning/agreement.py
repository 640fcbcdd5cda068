"""Settings that contradict each other are refused by name: what a shop says must be able to be true all at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipemetal.errors import PlanError
from pipemetal.planning.equipment import parse_pots, parse_sleds, parse_tables
from pipemetal.texts import Amount, Text

if TYPE_CHECKING:
    from pipemetal.planning.settings import ShopSettings

__all__ = ["check_agreement"]


def check_agreement(settings: ShopSettings) -> None:
    """Refuse settings that contradict each other. Errors: PlanError with the setting, its value and what would agree."""
    _check_pots(settings)
    _check_charges(settings)
    _check_widths_of_tables(settings)
    _check_lengths_of_tables(settings)
    _check_sleds(settings)


def _check_pots(settings: ShopSettings) -> None:
    main = settings.pot
    for pot in parse_pots(settings.owned.pots):
        if pot.capacity_kg >= main.capacity_kg:
            raise PlanError(
                "is not smaller than the pot of [pot]",
                field="owned.pots",
                value=pot.name,
                allowed=Text(
                    "below {mass}; the largest pot is that of [pot]", mass=Amount.short(main.capacity_kg, "kg")
                ),
            )
    if settings.most_charge_kg <= 0.0:
        raise PlanError(
            "holds nothing above its heel and the room that is kept free: nothing can be ladled",
            field="pot.capacity_kg",
            value=main.capacity_kg,
            allowed=Text(
                "above {mass}, or a smaller pot.heel_kg or pot.spare_kg",
                mass=Amount.short(main.heel_kg + main.spare_kg, "kg"),
            ),
        )


def _check_charges(settings: ShopSettings) -> None:
    least_kg, usual_kg = settings.habits.least_charge_kg, settings.usual_charge_kg
    if usual_kg < least_kg:
        raise PlanError(
            "is less metal than is worth a push",
            field="habits.usual_scoops",
            value=settings.habits.usual_scoops,
            allowed=Text(
                "{mass} of casting.scoop_kg or more, or a smaller habits.least_charge_kg",
                mass=Amount.short(least_kg, "kg"),
            ),
        )


def _check_widths_of_tables(settings: ShopSettings) -> None:
    """Where no sled is named, sheets are as wide as the widest table lets them be."""
    tables, sheets = parse_tables(settings.owned.tables), settings.sheets
    if not tables or settings.owned.sleds:
        return
    widest_mm = max(table.width_mm for table in tables)
    keys = [("sheets.least_width_mm", sheets.least_width_mm)]
    keys += [("sheets.most_width_mm", sheets.most_width_mm)] if "sheets.most_width_mm" in settings.said else []
    for key, edge_mm in keys:
        if edge_mm > widest_mm + 0.1:
            raise PlanError(
                "is wider than every table",
                field=key,
                value=edge_mm,
                allowed=Text("up to {widest}", widest=Amount.short(widest_mm, "mm")),
            )


def _check_lengths_of_tables(settings: ShopSettings) -> None:
    least_mm = settings.sheets.least_length_mm + settings.casting.run_up_mm
    for sled in settings.sleds:
        if settings.longest_mm(sled) < settings.sheets.least_length_mm:
            carrying = [t for t in settings.tables if sled.width_mm <= t.width_mm + 0.1]
            raise PlanError(
                "is too short for the shortest sheet with its run-up",
                field="owned.tables",
                value=max(carrying, key=lambda t: t.length_mm).name,
                allowed=Text(
                    "{value} or more, or a smaller sheets.least_length_mm or casting.run_up_mm",
                    value=Amount.short(least_mm, "mm"),
                ),
            )


def _check_sleds(settings: ShopSettings) -> None:
    """What the shop says of its sheets and of its one sled must agree with the sleds that it names."""
    low, high = settings.sheets.least_width_mm, settings.sheets.most_width_mm
    long_mm, sleds = settings.casting.sled_length_mm, parse_sleds(settings.owned.sleds)
    for sled in sleds:
        for key, edge, is_off in (
            ("sheets.most_width_mm", high, sled.width_mm > high + 0.1),
            ("sheets.least_width_mm", low, sled.width_mm < low - 0.1),
        ):
            if key in settings.said and is_off:
                raise PlanError(
                    "contradicts a sled, whose sheets are as wide as it is",
                    field=key,
                    value=edge,
                    allowed=Text(
                        "{width} as of sled {sled}, or nothing said of it",
                        width=Amount.short(sled.width_mm, "mm"),
                        sled=sled.name,
                    ),
                )
    if sleds and "casting.sled_length_mm" in settings.said and all(abs(s.length_mm - long_mm) > 0.1 for s in sleds):
        raise PlanError(
            "is the length of none of the sleds that are named",
            field="casting.sled_length_mm",
            value=long_mm,
            allowed=Text(
                "{width} as of sled {sled}, or nothing said of it",
                width=Amount.short(sleds[0].length_mm, "mm"),
                sled=sleds[0].name,
            ),
        )
