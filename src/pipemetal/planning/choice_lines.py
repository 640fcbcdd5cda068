"""Plans side by side: a line for every figure that a foreman weighs, which plan is best in it, and from what each figure is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.planning.choices import FETCH_MIN, TAKE_DOWN_MIN, Choice
from pipemetal.planning.settings import ShopSettings
from pipemetal.texts import Amount, Text, Unit, joined

__all__ = ["Line", "lines_of"]

MORE, FEWER, NEITHER = 1, -1, 0
PRICE_OF_KG: Final = 100.0
"""Words price metal by so many kilograms, so that cents count."""
SHEETS: Final = Text("Rolls and sheets with bodies of a rank, in the mean of all ranks.")
MELTS: Final = Text("Melts that these sheets are of, in the mean; each roll of the rack counts as one.")


@dataclass(frozen=True)
class Line:
    """One figure of every plan: what is shown, in which plans it is best, its share of the largest, and from what it is."""

    name: Text
    shown: tuple[Text, ...]
    best: tuple[bool, ...]
    shares: tuple[float, ...]
    told: tuple[Text, ...]


@dataclass(frozen=True)
class _Kind:
    """How a line is made: its name, how it is shown, whether more or fewer is better, its value, and from what that is."""

    name: Text
    unit: Unit
    decimals: int
    better: int
    value: Callable[[Choice], float]
    told: Callable[[Choice], Text]
    shown: Callable[[Choice, Amount], Text] = lambda choice, amount: Text("{amount}", amount=amount)


def lines_of(choices: Sequence[Choice], settings: ShopSettings) -> tuple[Line, ...]:
    """All lines of some plans, in the order in which a foreman asks; `settings` are those that priced them.

    A plan is best in a line where no other shows a better figure; nothing is best where all show the same.
    """
    kinds = (*_pipes(), *_metal(), *_work(settings), *_spread(), *_money(settings))
    return tuple(_line(kind, choices) for kind in kinds)


def _line(kind: _Kind, choices: Sequence[Choice]) -> Line:
    values = [kind.value(choice) for choice in choices]
    seen = [round(value, kind.decimals) for value in values]
    best = max(seen, default=0.0) if kind.better == MORE else min(seen, default=0.0)
    differ = kind.better != NEITHER and len(set(seen)) > 1
    most = max(values, default=0.0)
    return Line(
        kind.name,
        tuple(
            kind.shown(choice, Amount(value, kind.unit, kind.decimals))
            for choice, value in zip(choices, values, strict=True)
        ),
        tuple(differ and value == best for value in seen),
        tuple(value / most if most > 0.0 else 0.0 for value in values),
        tuple(kind.told(choice) for choice in choices),
    )


def _pipes() -> tuple[_Kind, ...]:
    return (
        _Kind(
            Text("pipes served"),
            "",
            0,
            MORE,
            lambda c: c.figures.pipes_served,
            lambda c: Text("Pipes of which every blank has its place."),
            lambda c, amount: Text("{some} of {all}", some=c.figures.pipes_served, all=c.figures.pipes),
        ),
        _Kind(
            Text("pipes expected to fit"),
            "",
            1,
            MORE,
            lambda c: c.work.pipes_expected,
            lambda c: Text(
                "{low} to {high} in 95 of 100 times, by how far the metal of each roll and each cast may be off.",
                low=c.work.pipes_low,
                high=c.work.pipes_high,
            ),
        ),
    )


def _metal() -> tuple[_Kind, ...]:
    return (
        _Kind(
            Text("metal used"),
            "m²",
            2,
            FEWER,
            lambda c: c.figures.consumed_m2,
            lambda c: Text("Rolls and sheets inside their trim, less the rests that go back to the rack."),
        ),
        _Kind(
            Text("rests kept"),
            "m²",
            2,
            NEITHER,
            lambda c: c.work.kept_m2,
            lambda c: Text("Rests that are large enough to go back to the rack."),
        ),
        _Kind(
            Text("metal to buy"),
            "kg",
            0,
            FEWER,
            lambda c: c.figures.bought_kg,
            lambda c: Text("What the melts want and no lot on the floor gives."),
        ),
        _Kind(
            Text("metal to melt"),
            "kg",
            0,
            FEWER,
            lambda c: c.figures.new_kg + c.figures.remelt_kg,
            lambda c: Text(
                "{new} new and {old} remelt; {lost} are lost as dross and kerf.",
                new=Amount(c.figures.new_kg, "kg"),
                old=Amount(c.figures.remelt_kg, "kg"),
                lost=Amount(c.figures.lost_kg, "kg", 1),
            ),
        ),
    )


def _count(name: str, value: Callable[[Choice], int], told: Callable[[Choice], Text]) -> _Kind:
    return _Kind(Text(name), "", 0, FEWER, value, told)


def _work(settings: ShopSettings) -> tuple[_Kind, ...]:
    def priced(costs_kg: float) -> Callable[[Choice], Text]:
        return lambda c: Text("Each costs as much work as {mass} of metal, by the settings.", mass=_short(costs_kg))

    return (
        _count("rolls to take down", lambda c: c.figures.rolls, priced(settings.take_down_costs_kg)),
        _count(
            "sheets to cast",
            lambda c: c.figures.sheets,
            lambda c: Text("Melts: {melts}, casting days: {days}.", melts=c.figures.melts, days=c.figures.casting_days),
        ),
        _count("melts", lambda c: c.figures.melts, priced(settings.melt_costs_kg)),
        _count("sled changes", lambda c: c.work.sled_changes, priced(settings.sled_costs_kg)),
        _count(
            "casting days",
            lambda c: c.figures.casting_days,
            lambda c: Text("By the hours, pots and people of the settings."),
        ),
        _Kind(
            Text("hours of casting and fetching"),
            "",
            1,
            FEWER,
            lambda c: c.work.hours,
            lambda c: Text(
                "Casting days: {cast} h. Rolls at {down} minutes: {rolls}. Sheets fetched for a rank at {fetch} minutes: "
                "{sheets}. Cutting is not counted.",
                cast=Amount(c.work.casting_hours, "", 1),
                rolls=c.figures.rolls,
                down=Amount(TAKE_DOWN_MIN),
                sheets=sum(spread.sheets for spread in c.work.ranks),
                fetch=Amount(FETCH_MIN),
            ),
            lambda c, amount: Text("{hours} h", hours=amount),
        ),
    )


def _short(mass_kg: float) -> Amount:
    return Amount.short(mass_kg, "kg")


def _spread() -> tuple[_Kind, ...]:
    def each(words: Text, count: Callable[[Choice], Sequence[tuple[str, int]]]) -> Callable[[Choice], Text]:
        return lambda c: Text(
            "{words} The fewer, the more alike are colour and spots of a front. {ranks}",
            words=words,
            ranks=joined((Text("{rank}: {count}", rank=rank, count=n) for rank, n in count(c)), ", "),
        )

    return (
        _Kind(
            Text("sheets that a rank lies on"),
            "",
            1,
            FEWER,
            lambda c: c.work.sheets_of_a_rank,
            each(SHEETS, lambda c: [(spread.rank, spread.sheets) for spread in c.work.ranks]),
        ),
        _Kind(
            Text("melts that a rank is of"),
            "",
            1,
            FEWER,
            lambda c: c.work.melts_of_a_rank,
            each(MELTS, lambda c: [(spread.rank, spread.melts) for spread in c.work.ranks]),
        ),
    )


def _money(settings: ShopSettings) -> tuple[_Kind, ...]:
    def money(choice: Choice, amount: Amount) -> Text:
        return Text("{cost} {currency}", cost=amount, currency=settings.currency)

    return (
        _Kind(
            Text("price of the metal"),
            "",
            0,
            FEWER,
            lambda c: c.figures.cost,
            lambda c: Text(
                "{mass} go into the pots, each lot at its own price.", mass=Amount(c.figures.charged_kg, "kg")
            ),
            money,
        ),
        _Kind(
            Text("price of rolls, melts and sleds"),
            "",
            0,
            FEWER,
            lambda c: c.work.cost,
            lambda c: Text(
                "Rolls: {rolls}, melts: {melts}, sled changes: {sleds}; together as much as {mass} of metal. {of} are taken at "
                "{price} {currency}: the mean of what goes into the pots of all plans.",
                rolls=c.figures.rolls,
                melts=c.figures.melts,
                sleds=c.work.sled_changes,
                mass=Amount(c.work.worked_kg, "kg", 1),
                of=Amount(PRICE_OF_KG, "kg"),
                price=Amount(PRICE_OF_KG * c.work.kg_price),
                currency=settings.currency,
            ),
            money,
        ),
        _Kind(
            Text("both prices"),
            "",
            0,
            FEWER,
            lambda c: c.figures.cost + c.work.cost,
            lambda c: Text("Metal, rolls, melts and sleds together. Hours are not priced."),
            money,
        ),
    )
