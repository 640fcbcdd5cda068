"""Whatever a shop does in whatever order, the book adds up: random actions, reversals and restores."""

import tempfile
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from sqlalchemy import select

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import ConflictError, InputError
from pipemetal.plans.codec import from_value
from pipemetal.plans.record import PLAN_FORMAT
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll
from pipemetal.shop.book import Book, NewLot, NewMelt, Piece, restore
from pipemetal.shop.doing import WeighedMelt
from pipemetal.shop.dumping import load_dump
from pipemetal.shop.ledger import OUTSIDE, Entry, balances
from pipemetal.shop.melts import HeelIn
from pipemetal.shop.rowfiles import table_hashes
from pipemetal.shop.schema import movements

METALS = [Composition.parse(text) for text in ("Sn 100", "Pb 100", "Sn 48.7 Sb 0.4 Pb bal", "Sn 30 Bi 0.1 Pb bal")]
MASS = st.floats(0.001, 60.0)
NUMBER = st.integers(0, 10**6)


class Shop(RuleBasedStateMachine):
    """A small shop."""

    book: Book

    @initialize()
    def open(self) -> None:
        self.held = tempfile.TemporaryDirectory()
        self.folder, self.count = Path(self.held.name), 0
        self.book = Book.open(self.folder / "0.sqlite", create=True, who="Ada")
        self.book.recipes.add(Recipe("half", Composition.parse("Sn 50 Pb bal")))

    def teardown(self) -> None:
        if hasattr(self, "held"):
            self.book.close()
            self.held.cleanup()

    def name(self, kind: str) -> str:
        self.count += 1
        return f"{kind}{self.count}"

    def one(self, kind: str, number: int) -> str | None:
        """An account of this kind that holds metal."""
        found = sorted(a for a in self.book.ledger.balances() if a.startswith(f"{kind}:"))
        return found[number % len(found)] if found else None

    def attempt(self, act: Any) -> None:
        """Done whole, or refused and nothing changed."""
        before = self.book.ledger.balances(), self.book.history.last()
        try:
            act()
        except (InputError, ConflictError):
            assert (self.book.ledger.balances(), self.book.history.last()) == before

    @rule(mass=MASS, metal=st.sampled_from([*METALS, None]))
    def buy(self, mass: float, metal: Composition | None) -> None:
        self.book.lots.add(NewLot(self.name("L"), "scrap", mass, metal, alloy="half"))

    @rule(number=NUMBER, other=NUMBER, share=st.floats(0.01, 1.3), dross=st.floats(0.0, 2.0), exact=st.booleans())
    def charge(self, number: int, other: int, share: float, dross: float, exact: bool) -> None:
        first, second = self.one("lot", number), self.one("melt", other) or self.one("lot", other)
        if first is None or second is None or first == second:
            return
        stock = self.book.ledger.stock()
        inputs = {a.removeprefix("lot:"): sum(stock[a].values()) * share for a in (first, second)}
        metal = METALS[number % len(METALS)] if exact else None
        self.attempt(
            lambda: (
                self.book.melts.record(NewMelt(self.name("M"), "half", inputs, dross_kg=dross, dross_metal=metal)).event
            )
        )

    @rule(number=NUMBER, other=NUMBER, mass=MASS, dross=st.floats(0.0, 1.0), heel=st.booleans())
    def charge_what_is_free(self, number: int, other: int, mass: float, dross: float, heel: bool) -> None:
        lot, melt = self.one("lot", number), self.one("melt", other)
        if lot is None:
            return
        of = melt.removeprefix("melt:") if melt is not None and heel else ""
        typed = HeelIn(of) if of or not heel else HeelIn(mass_kg=mass, metal=METALS[number % len(METALS)])
        weighed = {lot.removeprefix("lot:"): mass}
        self.attempt(lambda: self.book.melts.charge(self.name("M"), "half", weighed, heel=typed, dross_kg=dross).event)

    @rule(number=NUMBER, other=NUMBER, mass=MASS, dross=st.floats(0.0, 1.0))
    def correct(self, number: int, other: int, mass: float, dross: float) -> None:
        lot, melt = self.one("lot", number), self.one("melt", other)
        if lot is not None and melt is not None:
            added = {lot.removeprefix("lot:"): mass}
            self.attempt(lambda: self.book.melts.correct(melt.removeprefix("melt:"), added, dross_kg=dross).event)

    @rule(number=NUMBER, mass=MASS)
    def pour_ingots(self, number: int, mass: float) -> None:
        melt = self.one("melt", number)
        if melt is not None:
            self.attempt(lambda: self.book.melts.to_lot(melt.removeprefix("melt:"), self.name("I"), mass).event)

    @rule(start=st.floats(0.5, 2.0), fall=st.floats(0.0, 0.4))
    def count_in_a_roll(self, start: float, fall: float) -> None:
        field = ThicknessField.from_grid([0.0, 2000.0], [[start, start - fall]] * 2, width_mm=600.0)
        self.book.rolls.add(Roll(self.name("R"), "half", 2000.0, 600.0, 10.0, field))

    @rule(number=NUMBER, length=st.floats(50.0, 1900.0), width=st.floats(50.0, 560.0))
    def cut(self, number: int, length: float, width: float) -> None:
        roll = self.one("roll", number)
        if roll is not None:
            piece = Piece(self.name("p"), (10.0, 10.0, 10.0 + length, 10.0 + width))
            self.attempt(lambda: self.book.rolls.cut(roll.removeprefix("roll:"), [piece]))

    @rule(number=NUMBER, mass=st.floats(0.0, 70.0), kind=st.sampled_from(["lot", "melt", "roll"]))
    def weigh(self, number: int, mass: float, kind: str) -> None:
        account = self.one(kind, number)
        if account is not None:
            self.attempt(lambda: self.book.ledger.weigh(account, mass).event)

    @rule(number=NUMBER, metal=st.sampled_from(METALS), kind=st.sampled_from(["lot", "melt"]))
    def analyse(self, number: int, metal: Composition, kind: str) -> None:
        account = self.one(kind, number)
        if account is not None:
            mass = sum(self.book.ledger.balances()[account].values())
            self.attempt(lambda: self.book.ledger.analyse(account, metal).event)
            assert sum(self.book.ledger.balances()[account].values()) == mass
            assert sum(self.book.ledger.balances().get("assay", {}).values()) == 0

    @rule(number=NUMBER, mass=MASS)
    def sell(self, number: int, mass: float) -> None:
        account = self.one("lot", number)
        if account is not None:
            self.attempt(lambda: self.book.ledger.sell(account, mass).event)

    @rule(number=NUMBER)
    def accept_a_plan(self, number: int) -> None:
        lot, roll = self.one("lot", number), self.one("roll", number)
        if lot is None or roll is None:
            return
        plan = {
            "organ": "Chapel",
            "rolls_used": [
                {
                    "id": roll.removeprefix("roll:"),
                    "mass_kg": 1.0,
                    "cuts": [
                        {
                            "blank": self.name("b"),
                            "kind": "body",
                            "rank": "Flute",
                            "x_mm": 20.0,
                            "y_mm": 20.0,
                            "length_mm": 100.0,
                            "width_mm": 100.0,
                            "mass_kg": 0.05,
                        }
                    ],
                }
            ],
            "melts": [
                {
                    "name": "M",
                    "recipe": "half",
                    "heel_kg": 0.0,
                    "lots": [{"id": lot.removeprefix("lot:"), "kind": "pig", "mass_kg": 1.0}],
                }
            ],
        }
        self.attempt(lambda: self.book.plans.accept(from_value({"format": PLAN_FORMAT} | plan)))

    @rule(number=NUMBER, done=st.booleans())
    def go_on_with_a_plan(self, number: int, done: bool) -> None:
        held = self.book.plans.reservations()
        if not held:
            return
        row = held[number % len(held)]
        kind, _, key = row.about.partition(":")
        if not done:
            self.attempt(lambda: self.book.plans.give_up(row.plan).event)
        elif kind == "roll":
            self.attempt(lambda: self.book.plans.cut(row.plan, key))
        else:
            self.attempt(lambda: self.book.plans.charge(row.plan, "M", WeighedMelt(self.name("M"))).event)

    @rule(number=NUMBER)
    def take_back(self, number: int) -> None:
        event = 2 + number % max(self.book.history.last() - 1, 1)  # the first is the recipe that everything is made of
        self.attempt(lambda: self.book.history.undo(event).event)

    @rule()
    def take_back_the_last_exactly(self) -> None:
        last = self.book.history.last()
        if last < 2:
            return
        stock, hung = self.book.ledger.balances(), {f.roll.id for f in self.book.rolls.find()}
        back = self.book.history.undo(last).event if last not in self.book.history.undone() else None
        if back is not None:
            self.book.history.undo(back)
            assert self.book.ledger.balances() == stock and {f.roll.id for f in self.book.rolls.find()} == hung

    @rule(as_dump=st.booleans())
    def move_to_another_machine(self, as_dump: bool) -> None:
        self.count += 1
        kept, target = self.folder / f"kept{self.count}", self.folder / f"{self.count}.sqlite"
        if as_dump:
            self.book.keeping.dump(kept)
            load_dump(kept, target)
        else:
            self.book.keeping.backup(kept)
            restore(kept, target)
        with self.book._writer.reading() as connection:
            before = table_hashes(connection)
        self.book.close()
        self.book = Book.open(target, who="Ben")
        with self.book._writer.reading() as connection:
            assert table_hashes(connection) == before

    @invariant()
    def the_book_adds_up(self) -> None:
        if not hasattr(self, "book"):
            return
        held = self.book.ledger.balances()
        m = movements.c
        with self.book._writer.reading() as connection:
            rows = connection.execute(select(m.element, m.mass_ug, m.origin, m.target)).all()
        assert balances(Entry(*row) for row in rows) == held
        by_element: dict[str, int] = {}
        for account, masses in held.items():
            for element, mass in masses.items():
                by_element[element] = by_element.get(element, 0) + mass
                assert mass > 0 or account in OUTSIDE, f"{account} holds {mass} of {element}"
        assert set(by_element.values()) <= {0}
        free = self.book.lots.reserved_kg()
        assert all(mass >= 0.0 for mass in free.values())

    @invariant()
    def the_doctor_finds_nothing(self) -> None:
        if hasattr(self, "book"):
            assert self.book.keeping.doctor().faults == []


Shop.TestCase.settings = settings(
    max_examples=12,
    stateful_step_count=25,
    deadline=None,
    phases=(Phase.reuse, Phase.generate),
    suppress_health_check=list(HealthCheck),
)
TestShop = Shop.TestCase
