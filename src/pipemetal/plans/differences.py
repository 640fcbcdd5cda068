"""What two versions of a plan differ in, as values and in words: sheets, rolls, blanks, melts, buying and days."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from pipemetal.layout.plan import size_words
from pipemetal.plans.record import Cut, CutSheet, Melt, NewSheet, Plan, Pour
from pipemetal.texts import Amount, Text, joined

__all__ = ["Difference", "Kind", "differences", "summary"]

MOST_NAMED: Final = 6
SAME_KG, SAME_MM, SAME_GATE_MM = 0.5, 0.5, 0.05
"""Less is not told: it is within what is weighed, measured and set."""


class Kind(StrEnum):
    """What a difference is about."""

    SHEET = "sheet"
    ROLL = "roll"
    BLANK = "blank"
    MELT = "melt"
    BUYING = "buying"
    DAY = "day"
    POUR = "pour"
    CARD = "card"
    UNSERVED = "unserved"


@dataclass(frozen=True)
class Difference:
    """One thing that is not as it was: `was` and `now` in words."""

    kind: Kind
    thing: str
    alloy: str
    was: Text
    now: Text

    @property
    def words(self) -> Text:
        """As a person reads it.

        >>> print(Difference(Kind.MELT, "M02", "A", Text("180 kg"), Text("190 kg")).words)
        M02: was 180 kg, is 190 kg
        """
        return Text("{thing}: was {was}, is {now}", thing=self.thing, was=self.was, now=self.now)


def differences(before: Plan, after: Plan, *, hung: Mapping[str, str] | None = None) -> tuple[Difference, ...]:
    """What differs, the greatest first: sheets, melts, buying, days, pours, rolls, cards, blanks.

    `hung`: sheets that were measured since, and the rolls that they hang as; a blank that stays where it lay has not moved.
    """
    hung = hung or {}
    return (
        *_unserved(before, after),
        *_sheets(before, after, hung),
        *_melts(before, after),
        *_buying(before, after),
        *_days(before, after),
        *_pours(before, after),
        *_rolls(before, after, hung),
        *_cards(before, after),
        *_blanks(before, after, hung),
    )


def summary(found: Sequence[Difference]) -> Text:
    """What changes, in one line.

    >>> print(summary([]))
    Nothing moves.
    """
    counts = {kind: sum(d.kind is kind for d in found) for kind in Kind}
    if not found:
        return Text("Nothing moves.")
    told = [Text("{kind}: {count}", kind=NAMES[kind], count=counts[kind]) for kind in Kind if counts[kind]]
    return Text("What changes: {what}.", what=joined(told, ", "))


NAMES: Final = {
    Kind.SHEET: Text("sheets to cast"),
    Kind.ROLL: Text("rolls"),
    Kind.BLANK: Text("blanks that move"),
    Kind.MELT: Text("melts"),
    Kind.BUYING: Text("metal to buy"),
    Kind.DAY: Text("days"),
    Kind.POUR: Text("pours on another day or of another melt"),
    Kind.CARD: Text("push cards"),
    Kind.UNSERVED: Text("blanks without a place"),
}
NOTHING: Final = Text("nothing")


def _unserved(before: Plan, after: Plan) -> Iterator[Difference]:
    old, new = {u.blank for u in before.unserved}, {u.blank: u for u in after.unserved}
    alloys = {b.id: b.alloy for b in after.blanks}
    for name in sorted(new.keys() - old):
        yield Difference(Kind.UNSERVED, name, alloys.get(name, ""), Text("laid"), Text("without a place"))
    for name in sorted(old - new.keys()):
        yield Difference(Kind.UNSERVED, name, alloys.get(name, ""), Text("without a place"), Text("laid"))


def _size(sheet: NewSheet) -> Text:
    return size_words(sheet.length_mm, sheet.width_mm, sheet.thickness_start_mm, sheet.thickness_end_mm)


def _sheets(before: Plan, after: Plan, hung: Mapping[str, str]) -> Iterator[Difference]:
    old, new = ({s.id: s for s in plan.new_sheets} for plan in (before, after))
    poured = {p.sheet for p in after.pours} - new.keys()
    for name in sorted(old.keys() | new.keys()):
        if name in hung or (name in poured and name not in new):
            continue
        a, b = old.get(name), new.get(name)
        if a is None and b is not None:
            yield Difference(Kind.SHEET, name, b.alloy, Text("not to be cast"), _size(b))
        elif b is None and a is not None:
            yield Difference(Kind.SHEET, name, a.alloy, _size(a), Text("not needed any more"))
        elif a is not None and b is not None and _size(a) != _size(b):
            yield Difference(Kind.SHEET, name, b.alloy, _size(a), _size(b))


def _charge(melt: Melt) -> Text:
    kg = melt.charge.mass_kg if melt.charge is not None else melt.wanted_kg
    mass, count = Amount(kg, "kg"), len(melt.sheets)
    return Text("{mass}, 1 sheet", mass=mass) if count == 1 else Text("{mass}, {count} sheets", mass=mass, count=count)


def _melts(before: Plan, after: Plan) -> Iterator[Difference]:
    old, new = ({m.name: m for m in plan.melts} for plan in (before, after))
    poured = {p.sheet for p in after.pours} - {s.id for s in after.new_sheets}
    for name in sorted(old.keys() | new.keys()):
        a, b = old.get(name), new.get(name)
        if a is None and b is not None:
            yield Difference(Kind.MELT, name, b.recipe, Text("not to be melted"), _charge(b))
        elif b is None and a is not None and not set(a.sheets) <= poured:
            yield Difference(Kind.MELT, name, a.recipe, _charge(a), Text("not needed any more"))
        elif a is not None and b is not None and (a.recipe != b.recipe or _charge(a) != _charge(b)):
            yield Difference(Kind.MELT, name, b.recipe, _charge(a), _charge(b))


def _buying(before: Plan, after: Plan) -> Iterator[Difference]:
    for element in sorted(before.to_buy_kg.keys() | after.to_buy_kg.keys()):
        a, b = before.to_buy_kg.get(element, 0.0), after.to_buy_kg.get(element, 0.0)
        if abs(a - b) > SAME_KG:
            yield Difference(
                Kind.BUYING,
                element,
                "",
                Text("{mass}", mass=Amount(a, "kg", 1)),
                Text("{mass}", mass=Amount(b, "kg", 1)),
            )


def _days(before: Plan, after: Plan) -> Iterator[Difference]:
    old, new = ({m: (d.day, d.date) for d in plan.days for m in d.melts} for plan in (before, after))
    recipes = {m.name: m.recipe for m in after.melts}
    for melt in sorted(old.keys() & new.keys()):
        if old[melt] != new[melt]:
            yield Difference(Kind.DAY, melt, recipes.get(melt, ""), _day(*old[melt]), _day(*new[melt]))
    if len(before.days) != len(after.days):
        held = [len(plan.days) for plan in (before, after)]
        count = [Text("1 day") if days == 1 else Text("{count} days", count=days) for days in held]
        yield Difference(Kind.DAY, after.organ, "", *count)


def _day(number: int, date: str) -> Text:
    return Text("day {day}, {date}", day=number, date=date) if date else Text("day {day}", day=number)


def _pours(before: Plan, after: Plan) -> Iterator[Difference]:
    """Sheets that are cast on another day, or from another melt; those that move with all of their melt are told by its day."""
    old = {p.sheet: p for p in before.pours}
    was, now = ({m: d.day for d in plan.days for m in d.melts} for plan in (before, after))
    for p in after.pours:
        a = old.get(p.sheet)
        if a is None or (a.day, a.melt) == (p.day, p.melt):
            continue
        if a.melt != p.melt or (was.get(a.melt), now.get(p.melt)) != (a.day, p.day):
            yield Difference(Kind.POUR, p.sheet, p.alloy, _poured(a), _poured(p))


def _poured(pour: Pour) -> Text:
    return Text("day {day} with {melt}", day=pour.day, melt=pour.melt)


def _rolls(before: Plan, after: Plan, hung: Mapping[str, str]) -> Iterator[Difference]:
    old, new = ({s.id: s for s in plan.rolls_used} for plan in (before, after))
    for name in sorted(old.keys() ^ new.keys()):
        sheet = old.get(name) or new[name]
        was, now = _blanks_on(old.get(name)), _blanks_on(new.get(name))
        if name in hung.values():
            was = _blanks_on(next((s for s in before.new_sheets if hung.get(s.id) == name), None))
        if was != now:
            yield Difference(Kind.ROLL, name, sheet.alloy, was, now)


def _blanks_on(sheet: CutSheet | None) -> Text:
    if sheet is None:
        return NOTHING
    count = len(sheet.cuts)
    return Text("1 blank") if count == 1 else Text("{count} blanks", count=count)


def _cards(before: Plan, after: Plan) -> Iterator[Difference]:
    old = {p.sheet: p for p in before.pours}
    for p in after.pours:
        a = old.get(p.sheet)
        if a is None or a.card is None or p.card is None:
            continue
        if abs(a.card.gate_mm - p.card.gate_mm) >= SAME_GATE_MM or a.card.scoops != p.card.scoops:
            yield Difference(Kind.CARD, p.sheet, p.alloy, _gates(a), _gates(p))


def _gates(pour: Pour) -> Text:
    assert pour.card is not None
    gate, scoops = Amount(pour.card.gate_mm, "mm", 1), pour.card.scoops
    return (
        Text("gate {gate}, 1 scoop", gate=gate)
        if scoops == 1
        else Text("gate {gate}, {scoops} scoops", gate=gate, scoops=scoops)
    )


def _blanks(before: Plan, after: Plan, hung: Mapping[str, str]) -> Iterator[Difference]:
    old = {c.blank: (hung.get(s.id, s.id), s.alloy, c) for s in before.sheets for c in s.cuts}
    new = {c.blank: (s.id, c) for s in after.sheets for c in s.cuts}
    for blank, (sheet, alloy, was) in old.items():
        if blank not in new:
            continue
        to, now = new[blank]
        if to != sheet:
            yield Difference(Kind.BLANK, blank, alloy, Text("{sheet}", sheet=sheet), Text("{sheet}", sheet=to))
        elif _lies_otherwise(was, now):
            yield Difference(Kind.BLANK, blank, alloy, _place(sheet, was), _place(to, now))


def _lies_otherwise(a: Cut, b: Cut) -> bool:
    return abs(a.x_mm - b.x_mm) > SAME_MM or abs(a.y_mm - b.y_mm) > SAME_MM or a.turn_deg != b.turn_deg


def _place(sheet: str, cut: Cut) -> Text:
    return Text(
        "{sheet} at {x}, {y}, turned {turn}",
        sheet=sheet,
        x=Amount(cut.x_mm, "mm", bare=True),
        y=Amount(cut.y_mm, "mm"),
        turn=cut.turn_deg,
    )
