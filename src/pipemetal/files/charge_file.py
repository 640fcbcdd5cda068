"""A charge file: `charge.toml`, one melt to weigh out, with its lots in the file or in a lots.csv beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from pipemetal.alloys.composition import ELEMENTS, Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import InputError
from pipemetal.files.lots_file import SORTED_BY_EYE, read_lots
from pipemetal.files.toml_table import TomlTable, read_toml
from pipemetal.melts.lots import LOT_KINDS, Heel, Lot
from pipemetal.melts.request import OBJECTIVES, ChargeRequest
from pipemetal.quantities import LOT, MELT

__all__ = ["ChargeJob", "read_charge"]


@dataclass(frozen=True)
class ChargeJob:
    """A melt to weigh out and the lots it may take."""

    request: ChargeRequest
    lots: tuple[Lot, ...]
    objective: str
    certainty: str
    weigh_step_kg: float


def read_charge(path: Path, recipes: Mapping[str, Recipe]) -> ChargeJob:
    """A charge file.

    Keys: `recipe` (a name), `mass_kg` (wanted in the pot), `spare_kg` (10), `pot_kg` (450), `objective` (cost, scrap or
    virgin tin), `certainty` (95 or worst), `weigh_step_kg` (0.5), `lots_file` (lots.csv beside) or [[lot]] tables, and
    [heel] with `mass_kg`, `composition`, `plus_minus_Sn` ... of its assay, and what it is worth, `price_per_kg` (0).
    Masses may be texts with a unit: `"1 lb"`.

    Errors: FileFormatError, MeltError, AlloyError with table and key.
    """
    top = read_toml(path)
    name = top.text("name", "M1")
    recipe = top.text("recipe", choices=list(recipes))
    heel_table: TomlTable | None = top.table("heel", None)
    lots = [_lot(table, recipes) for table in top.tables("lot")]
    lots_file = top.text("lots_file", None)
    try:
        heel = _heel(heel_table) if heel_table is not None else None
        request = ChargeRequest(
            name,
            recipes[recipe],
            top.given(MELT["wanted_kg"], base="mass"),
            top.given(MELT["pot_kg"], 450.0),
            top.given(MELT["spare_kg"], 10.0),
            heel,
        )
    except InputError as error:
        raise error if error.where.startswith(path.name) else error.at(path.name) from None
    objective = top.text("objective", "cost", OBJECTIVES)
    certainty = top.text("certainty", "95", ("95", "worst"))
    step = top.given(MELT["weigh_step_kg"], 0.5)
    top.finish()
    if lots_file is not None:
        lots += read_lots(path.parent / lots_file, recipes)[0]
    if not lots:
        raise top.error("are missing", "lots", allowed="lots_file, or [[lot]] tables")
    return ChargeJob(request, tuple(lots), objective, certainty, step)


def _heel(table: TomlTable) -> Heel:
    mass, metal = table.given(MELT["heel_kg"], base="mass"), Composition.parse(table.text("composition"))
    heel = Heel(mass, metal, table.number("price_per_kg", *LOT["price_per_kg"].limits, 0.0), _half_widths(table))
    table.finish()
    return heel


def _half_widths(table: TomlTable) -> tuple[tuple[str, float], ...]:
    stated = [
        (element, table.number(f"plus_minus_{element}", *LOT["plus_minus_wt_pct"].limits, None)) for element in ELEMENTS
    ]
    return tuple((element, half) for element, half in stated if half is not None)


def _lot(table: TomlTable, recipes: Mapping[str, Recipe]) -> Lot:
    lot_id, kind = table.text("id"), table.text("kind", "scrap", LOT_KINDS)
    composition, alloy = table.text("composition", None), table.text("alloy", None, list(recipes))
    mass, piece = table.given(LOT["mass_kg"]), table.given(LOT["piece_kg"], None)
    unsure = _half_widths(table)
    price = table.number("price_per_kg", *LOT["price_per_kg"].limits, 0.0)
    note = table.text("note", "")
    table.finish()
    try:
        if composition is not None:
            metal = Composition.parse(composition)
        elif alloy is not None:
            metal = recipes[alloy].target
        else:
            raise table.error("has no analysis", "composition", allowed="a composition, or the alloy it was sorted as")
        known = unsure or (SORTED_BY_EYE if composition is None else ())
        return Lot(lot_id, kind, metal, mass, piece, known, price, composition is not None, note)
    except InputError as error:
        raise error.at(table.where) from None
