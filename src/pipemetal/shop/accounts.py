"""The metal account: what every account holds, analyses, weighings, sales, and what nothing explains."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import case, func, select

from pipemetal.alloys.composition import Composition
from pipemetal.errors import BookError, NotInBookError, near
from pipemetal.files.plain import parse_day
from pipemetal.given import given
from pipemetal.quantities import LOT
from pipemetal.shop import schema
from pipemetal.shop.balances import balances_of, stock_of
from pipemetal.shop.free import refuse_what_is_kept
from pipemetal.shop.ledger import (
    MICROGRAMS_PER_KG,
    OUTSIDE,
    UNEXPLAINED,
    UNKNOWN,
    kilograms,
    move,
    share_of,
    taken_back,
)
from pipemetal.shop.rebooking import rebook
from pipemetal.shop.roles import Action
from pipemetal.shop.rows import AnalysisRow, LotRow, MeltRow, RollRow, RollState
from pipemetal.shop.writer import Writer
from pipemetal.shop.writing import Writing, Written, dump
from pipemetal.texts import Amount, Text

__all__ = ["Analysis", "Ledger", "MonthFlow", "UnexplainedLine", "enter_analysis"]

KINDS: Final[dict[str, type[LotRow] | type[MeltRow] | type[RollRow]]] = {
    "lot": LotRow,
    "melt": MeltRow,
    "roll": RollRow,
}

WEIGHED: Final = 0.05
"""A roll may be weighed so much lighter than the book has it and still be meant as a whole (estimate)."""


@dataclass(frozen=True)
class UnexplainedLine:
    """Metal of one alloy that nothing explains in one month, in kg by element; above zero is more than the book knew.

    `why` is `found` or `lost` (a weighing differed) or `analysed` (an analysis differed: elements differ, no mass is missing).
    """

    month: str
    alloy: str
    why: str
    elements_kg: tuple[tuple[str, float], ...]

    @property
    def mass_kg(self) -> float:
        """All elements together."""
        return sum(mass for _, mass in self.elements_kg)


class Ledger:
    """What every account holds, and what changes it without a movement on the floor."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    @given
    def analyse(
        self,
        about: str,
        composition: Composition,
        *,
        uncertainty_wt_pct: Sequence[tuple[str, float]] = (),
        day: str = "",
        method: str = "",
        laboratory: str = "",
        note: str = "",
    ) -> Written[None]:
        """Enter an analysis of what lies in `lot:ID` or `melt:ID`; the difference is booked against `assay`.

        What went out of the account before is left as it was booked. Errors: BookError.
        """
        analysis = Analysis(about, composition, uncertainty_wt_pct, day, method, laboratory, note)
        with self._writer.writing(Action.ANALYSIS_ENTERED, about) as w:
            enter_analysis(w, analysis)
            return w.written()

    @given
    def weigh(self, account: str, mass_kg: float) -> Written[None]:
        """Book what the scale says of `lot:ID`, `melt:ID` or `roll:ID`: more comes from `found`, less goes to `lost`.

        Errors: BookError for an account that holds nothing, or a mass that is none.
        """
        if not 0.0 <= mass_kg <= LOT["mass_kg"].high:
            raise BookError("is not a mass", field="mass_kg", value=mass_kg, allowed="0 to 100000")
        with self._writer.writing(Action.WEIGHED, account) as w:
            _checked_account(w, account)
            stock = w.stock(account)
            held = sum(stock.values())
            more = round(mass_kg * MICROGRAMS_PER_KG) - held
            if held == 0:
                raise BookError("holds no metal in this book", field="account", value=account)
            if more < 0:
                w.book(move(share_of(stock, kilograms(-more)), account, "lost"), why="lost")
            elif more > 0:
                # metal that turns up is taken for the same metal: each element by its share
                parts = {e: m * more // held for e, m in stock.items()}
                largest = max(parts, key=lambda e: parts[e])
                parts[largest] += more - sum(parts.values())
                w.book(move(parts, "found", account), why="found")
            return w.written()

    @given
    def sell(self, account: str, mass_kg: float) -> Written[None]:
        """Book metal that leaves the shop for money. A roll of which nothing is left hangs there no more.

        Errors: BookError, also for a roll, or more of a lot than is left beside what accepted plans have reserved, and for a part
        of a roll, whose size would then be wrong.
        """
        with self._writer.writing(Action.SOLD, account) as w:
            _checked_account(w, account)
            kind, _, key = account.partition(":")
            roll = w.get(RollRow, key) if kind == "roll" else None
            if roll is not None and roll.state is RollState.RESERVED:
                raise BookError(
                    Text("is reserved for {reserved_for}", reserved_for=roll.reserved_for), field="roll", value=key
                )
            if kind == "lot":
                refuse_what_is_kept(w, key, mass_kg)
            if roll is not None:
                mass_kg = _whole_roll_kg(key, mass_kg, kilograms(sum(w.stock(account).values())))
            w.book(move(share_of(w.stock(account), mass_kg), account, "sold"), why="sold")
            if roll is not None and not w.stock(account):
                w.change("rolls", key, None, state=RollState.SOLD)
            return w.written()

    def unexplained(self) -> list[UnexplainedLine]:
        """What weighings and analyses found that nothing explains, by month, alloy and kind; what was taken back is left out."""
        m, e = schema.movements.c, schema.events.c
        with self._writer.reading() as connection:
            gone = taken_back((r.id, r.reverses) for r in connection.execute(select(m.id, m.reverses)))
            rows = connection.execute(
                select(m.id, e.at, m.element, m.mass_ug, m.origin, m.target)
                .join_from(schema.movements, schema.events, m.event == e.id)
                .where(m.reverses.is_(None), m.origin.in_(UNEXPLAINED) | m.target.in_(UNEXPLAINED))
                .order_by(m.id)
            ).all()
        alloys = self._alloys()
        held: dict[tuple[str, str, str], dict[str, int]] = {}
        for number, at, element, mass, origin, target in rows:
            if number in gone:
                continue
            outside, account = (origin, target) if origin in UNEXPLAINED else (target, origin)
            key = (at[:7], alloys.get(account, ""), "analysed" if outside == "assay" else outside)
            part = held.setdefault(key, {})
            part[element] = part.get(element, 0) + (int(mass) if account == target else -int(mass))
        return [
            UnexplainedLine(*key, tuple((e, kilograms(m)) for e, m in sorted(part.items()) if m))
            for key, part in sorted(held.items())
        ]

    def by_month(self) -> list[MonthFlow]:
        """What came into the shop and what became of it, month by month; what was taken back cancels out."""
        m, e = schema.movements.c, schema.events.c

        def side(account: Any) -> Any:
            """The account itself outside the shop; else whether it is a pipe."""
            return case((account.in_(OUTSIDE), account), (account.startswith("pipe:"), "pipe"), else_="stock")

        month, origin, target = func.substr(e.at, 1, 7), side(m.origin), side(m.target)
        with self._writer.reading() as connection:
            rows = connection.execute(
                select(month, origin, target, func.sum(m.mass_ug))
                .join_from(schema.movements, schema.events, m.event == e.id)
                .group_by(month, origin, target)
                .order_by(month)
            ).all()
        found: dict[str, dict[str, int]] = {}
        for at, came_from, went_to, mass in rows:
            held = found.setdefault(str(at), {})
            for side_, sign in ((went_to, 1), (came_from, -1)):
                if side_ != "stock":
                    held[side_] = held.get(side_, 0) + sign * int(mass)
        flows, standing = [], 0
        for at, held in sorted(found.items()):
            standing -= sum(held.values())  # double entry: what all others gained, the floor lost
            flows.append(_month(at, held, standing))
        return flows

    def _alloys(self) -> dict[str, str]:
        found: dict[str, str] = {}
        with self._writer.reading() as connection:
            for kind, row in KINDS.items():
                table = schema.TABLES[row.TABLE]
                column = table.c.recipe if kind == "melt" else table.c.alloy
                found |= {f"{kind}:{key}": alloy for key, alloy in connection.execute(select(table.c.id, column))}
        return found

    def balances(self, kind: str = "") -> dict[str, dict[str, int]]:
        """What every account holds by element, in micrograms: the sum of its movements. `kind`: only lots, rolls, ..."""
        with self._writer.reading() as connection:
            return balances_of(connection, kind)

    def stock(self) -> dict[str, dict[str, float]]:
        """What every account of the shop holds in kg by element; accounts outside the shop show below zero."""
        return {a: {e: kilograms(m) for e, m in masses.items()} for a, masses in self.balances().items()}

    def stock_by_kind(self) -> dict[str, float]:
        """Kilograms by kind of account: lots, rolls, melts, sheets, pipes, dross, and what came from outside."""
        held: dict[str, float] = {}
        for account, masses in self.balances().items():
            kind = account.partition(":")[0]
            held[kind] = held.get(kind, 0.0) + kilograms(sum(masses.values()))
        return held

    def mass_kg(self, account: str) -> float:
        """What one account holds now."""
        with self._writer.reading() as connection:
            return kilograms(sum(stock_of(connection, account).values()))

    def analyses(self) -> list[AnalysisRow]:
        """All analyses."""
        return self._writer.rows(AnalysisRow)

    def standing(self) -> dict[str, float]:
        """Metal that is still to be booked on, in kg: melts and sheets that are not empty, and metal of unknown elements."""
        held: dict[str, float] = {}
        for account, masses in self.balances().items():
            kind = account.partition(":")[0]
            if kind in ("melt", "sheet"):
                held[account] = kilograms(sum(masses.values()))
            elif ":" in account and masses.get(UNKNOWN):
                held[account] = kilograms(masses[UNKNOWN])
        return held


@dataclass(frozen=True)
class MonthFlow:
    """A month: what was bought or counted in, what became pipes, was sold, went as dross, or into kerf and swarf, what weighings
    found more (below zero: less) than the book knew, and what stands in the shop at its end; kg."""

    month: str
    came_kg: float
    pipes_kg: float
    sold_kg: float
    dross_kg: float
    cut_away_kg: float
    found_kg: float
    standing_kg: float


def _month(month: str, held: Mapping[str, int], standing: int) -> MonthFlow:
    """A month; `held` is what each place outside the stock gained in micrograms, `standing` what is left at its end."""
    found = -sum(held.get(place, 0) for place in ("found", "lost", "assay"))
    away = held.get("kerf", 0) + held.get("swarf", 0)
    came = -held.get("bought", 0) - held.get("counted", 0)
    pipes, sold, dross = (held.get(place, 0) for place in ("pipe", "sold", "dross"))
    return MonthFlow(
        month,
        kilograms(came),
        kilograms(pipes),
        kilograms(sold),
        kilograms(dross),
        kilograms(away),
        kilograms(found),
        kilograms(standing),
    )


@dataclass(frozen=True)
class Analysis:
    """An analysis to be entered, of what lies in `lot:ID` or `melt:ID`; 95 % half-widths by element."""

    about: str
    composition: Composition
    uncertainty_wt_pct: Sequence[tuple[str, float]] = ()
    day: str = ""
    method: str = ""
    laboratory: str = ""
    note: str = ""


def enter_analysis(w: Writing, found: Analysis) -> None:
    """An analysis within an event, with what it changes in the ledger. Errors: BookError."""
    about, (kind, _, key) = found.about, found.about.partition(":")
    _check_kind(w, about, ("lot", "melt"), "about")
    if w.get(KINDS[kind], key) is None:
        raise NotInBookError(field=kind, value=key, known=w.ids_of(KINDS[kind].TABLE))
    a, metal, unsure = schema.analyses.c, found.composition.text(), dump(list(found.uncertainty_wt_pct))
    number = int(w.connection.execute(select(func.count()).where(a.about == about)).scalar() or 0) + 1
    w.add(
        "analyses",
        f"{about[:180]} #{number}",
        about=about,
        day=parse_day(found.day),
        composition=metal,
        uncertainty=unsure,
        method=found.method,
        laboratory=found.laboratory,
        note=found.note,
    )
    if kind == "lot":
        w.change("lots", key, None, composition=metal, uncertainty=unsure)
    else:
        w.change("melts", key, None, assay=metal)
    rebook(w, about, found.composition)


def _check_kind(w: Writing, name: str, kinds: Sequence[str], field: str) -> None:
    """Errors: BookError where a name does not say first what it is, as `lot:T1`; the one that it probably is is named."""
    kind, colon, key = name.partition(":")
    if colon and kind in kinds:
        return
    meant = near(kind, kinds) if colon else next((k for k in kinds if w.get(KINDS[k], name) is not None), "")
    raise BookError(
        "must say first what it is",
        field=field,
        value=name,
        allowed=", ".join(f"{kind}:ID" for kind in kinds),
        nearest=f"{meant}:{key if colon else name}" if meant else "",
    )


def _checked_account(w: Writing, account: str) -> None:
    kind, _, key = account.partition(":")
    _check_kind(w, account, tuple(KINDS), "account")
    if w.get(KINDS[kind], key) is None:
        raise NotInBookError(field=kind, value=key, known=w.ids_of(KINDS[kind].TABLE))


def _whole_roll_kg(roll: str, mass_kg: float, held_kg: float) -> float:
    """What a roll weighs, where all of it is meant. Errors: BookError for a part of it: its size would be wrong then."""
    if 0.0 < mass_kg < (1.0 - WEIGHED) * held_kg:
        raise BookError(
            "is sold whole or not at all: of a part the size would be wrong",
            field="roll",
            value=roll,
            allowed=Text("{kilograms}", kilograms=Amount(held_kg, "kg", 2)),
        )
    return held_kg if 0.0 < mass_kg <= held_kg else mass_kg
