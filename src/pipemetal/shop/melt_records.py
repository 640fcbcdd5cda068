"""Melts as they were weighed in and out, for fitting the shop's own dross."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from sqlalchemy import Connection, func, or_, select

from pipemetal.alloys.composition import Composition
from pipemetal.errors import InputError
from pipemetal.melts.dross import MeltRecord
from pipemetal.melts.lots import Heel, Lot
from pipemetal.shop import schema
from pipemetal.shop.ledger import kilograms, taken_back
from pipemetal.shop.rows import LotRow, MeltRow

__all__ = ["melt_records"]

NOT_OUT: Final = ("dross", "lost", "found")
"""Accounts of what a melt has lost, or gained against what was booked; all else came out of it, or is in the pot."""
ASSAY_HALF_WT_PCT: Final = (("Sn", 0.3), ("Sb", 0.03), ("Bi", 0.02), ("Cu", 0.02))
"""95 % half-widths of an assay that the book holds no interval of (estimate)."""
LEAST_LOST_KG: Final = 0.01


def melt_records(
    connection: Connection, melts: Mapping[str, MeltRow], lots: Mapping[str, LotRow]
) -> tuple[tuple[MeltRecord, ...], tuple[str, ...]]:
    """Melts of which something was weighed as lost, and the ids of those that say nothing: no loss was booked, or a lot's
    metal is unknown. `lots`: those that were taken back too."""
    moved, tapped = _moved_kg(connection), _tapped_before_corrected(connection)
    found, silent = [], []
    for melt_id, row in melts.items():
        try:
            # what left the pot before something was added had other metal: the assay then says nothing of what went in
            assayed = replace(row, assay="") if f"melt:{melt_id}" in tapped else row
            record = _record(assayed, lots, melts, moved)
        except InputError:
            record = None
        if record is None or record.in_kg - record.out_kg < LEAST_LOST_KG:
            silent.append(melt_id)
        else:
            found.append(record)
    return tuple(found), tuple(silent)


def _moved_kg(connection: Connection) -> dict[tuple[str, str], float]:
    """Kilograms from and to each melt's account, by the other account; what was taken back is zero by itself."""
    m = schema.movements.c
    moved: dict[tuple[str, str], float] = defaultdict(float)
    query = (
        select(m.origin, m.target, func.sum(m.mass_ug))
        .where(or_(m.origin.like("melt:%"), m.target.like("melt:%")))
        .group_by(m.origin, m.target)
    )
    for origin, target, mass in connection.execute(query):
        moved[origin, target] += kilograms(int(mass))
    return moved


def _tapped_before_corrected(connection: Connection) -> set[str]:
    """Melts that metal was taken out of, as sheet or ingots or heel, before something was added to them."""
    m = schema.movements.c
    gone = taken_back((r.id, r.reverses) for r in connection.execute(select(m.id, m.reverses)))
    added = {
        str(r.target): int(r.id)
        for r in connection.execute(select(m.id, m.target).where(m.why == "added").order_by(m.id))
        if r.id not in gone
    }
    if not added:
        return set()
    out = connection.execute(
        select(m.id, m.origin).where(m.origin.in_(added), m.target.not_in((*NOT_OUT, "assay")), m.reverses.is_(None))
    ).all()
    return {str(r.origin) for r in out if r.id not in gone and r.id < added[r.origin]}


def _record(
    row: MeltRow,
    lots: Mapping[str, LotRow],
    melts: Mapping[str, MeltRow],
    moved: Mapping[tuple[str, str], float],
) -> MeltRecord | None:
    account = f"melt:{row.id}"
    charged, heel = [], None
    for name, mass in row.inputs_kg.items():
        if name.startswith("melt:"):
            before = melts.get(name.removeprefix("melt:"))
            if before is None or not before.assay:
                return None
            heel = Heel(mass, Composition.parse(before.assay), 0.0, ASSAY_HALF_WT_PCT)
            continue
        lot = lots.get(name)
        if lot is None or not lot.composition:
            return None
        charged.append(Lot(name, lot.kind, Composition.parse(lot.composition), mass, None, lot.uncertainty_wt_pct))
    if not charged:
        return None
    lost = sum(kg for (origin, target), kg in moved.items() if origin == account and target in NOT_OUT)
    back = sum(kg for (origin, target), kg in moved.items() if target == account and origin in NOT_OUT)
    came = sum(lot.mass_kg for lot in charged) + (heel.mass_kg if heel else 0.0)
    assay = Composition.parse(row.assay) if row.assay else None
    return MeltRecord(
        row.id,
        tuple(charged),
        came - (lost - back),
        heel,
        assay,
        ASSAY_HALF_WT_PCT if assay is not None else (),
        row.dross_kg or None,
    )
