"""A melt that no plan asked for, and one corrected after its assay: metal that is free, elements that add up."""

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shop_samples import HALF, LEAD, TIN, a_plan, a_roll, as_plan

from pipemetal.alloys.composition import Composition
from pipemetal.errors import BookError
from pipemetal.shop.book import Book, NewLot, NotFreeError, StaleSaveError, UndoFirstError
from pipemetal.shop.doing import WeighedMelt
from pipemetal.shop.melts import HeelIn


def stocked(book: Book) -> Book:
    book.lots.add(NewLot("T", "pig", 50.0, TIN, price_per_kg=30.0))
    book.lots.add(NewLot("P", "pig", 50.0, LEAD, price_per_kg=2.0))
    return book


def total(book: Book, account: str) -> float:
    return sum(book.ledger.stock().get(account, {}).values())


def test_what_was_weighed_is_what_the_melt_holds(book: Book) -> None:
    event = (
        stocked(book)
        .melts.charge("M1", "half", {"T": 20.0, "P": 20.5}, dross_kg=0.5, day="2026-11-25", note="by hand")
        .event
    )
    assert book.ledger.stock()["melt:M1"] == pytest.approx({"Sn": 20.0 * 40 / 40.5, "Pb": 20.5 * 40 / 40.5})
    assert json.loads(book.melts.row("M1").inputs) == {"T": 20.0, "P": 20.5}
    (melt,) = book.melts.standing()
    assert (melt.left_kg, melt.recipe, melt.day) == (pytest.approx(40.0), "half", "2026-11-25")
    assert melt.price_per_kg == pytest.approx((20 * 30 + 20.5 * 2) / 40.5)
    book.history.undo(event)
    assert total(book, "lot:T") == pytest.approx(50.0) and book.melts.standing() == ()


def test_the_heel_of_a_melt_goes_into_the_next_one(book: Book) -> None:
    stocked(book).melts.charge("M1", "half", {"T": 10.0, "P": 10.0})
    book.melts.charge("M2", "half", {"T": 5.0}, heel=HeelIn(of="M1", mass_kg=8.0))
    assert book.ledger.stock()["melt:M2"] == pytest.approx({"Sn": 9.0, "Pb": 4.0})
    book.melts.charge("M3", "half", {"P": 1.0}, heel=HeelIn(of="M1"))
    assert "melt:M1" not in book.ledger.stock() and total(book, "melt:M3") == pytest.approx(13.0)
    with pytest.raises(BookError, match="holds no metal any more"):
        book.melts.charge("M4", "half", {"P": 1.0}, heel=HeelIn(of="M1"))


def test_a_heel_that_the_book_did_not_know_is_counted_in_with_its_elements(book: Book) -> None:
    event = (
        stocked(book)
        .melts.charge(
            "M1", "half", {"T": 5.0}, dross_kg=0.3, heel=HeelIn(mass_kg=10.0, metal=Composition.parse("Sn 40 Pb bal"))
        )
        .event
    )
    assert total(book, "melt:M1") == pytest.approx(14.7)
    assert book.ledger.stock()["counted"] == pytest.approx({"Sn": -4.0, "Pb": -6.0})
    (record,), _ = book.melts.records()
    assert record.heel is not None and record.heel.composition.wt_pct("Sn") == pytest.approx(40.0)
    assert "counted" in {step.origin for step in book.trace.flows("melt:M1").backwards}
    book.history.undo(event)
    assert book.melts.rows() == [] and "counted" not in book.ledger.stock()


def test_metal_that_a_plan_keeps_is_refused_with_its_plan(book: Book) -> None:
    stocked(book).rolls.add(a_roll())
    _, plan = book.plans.accept(as_plan(a_plan()))
    assert {lot.id: lot.mass_kg for lot in book.lots.free()[0]} == {"T": 30.0, "P": 30.0}
    with pytest.raises(NotFreeError) as refused:
        book.melts.charge("X", "half", {"T": 31.0, "P": 60.0, "none": 1.0})
    tin, lead, none = refused.value.short
    assert (tin.free_kg, tin.reserved_for) == (30.0, ((plan, 20.0),))
    assert lead.weighed_kg == 60.0 and none.held_kg is None
    assert "20 kg reserved for Chapel #1" in str(refused.value) and "none (not in the book)" in str(refused.value)
    assert book.melts.rows() == []
    book.melts.charge("X", "half", {"T": 30.0, "P": 30.0})
    book.plans.charge(plan, "M1", WeighedMelt("2026-M1"))


def test_a_plans_own_melt_is_corrected_with_the_plans_own_metal(book: Book) -> None:
    stocked(book).rolls.add(a_roll())
    plan = a_plan(tin_kg=40.0)
    plan["melts"].append(
        {"name": "M2", "recipe": "half", "heel_kg": 0.0, "lots": [{"id": "T", "kind": "pig", "mass_kg": 10.0}]}
    )
    _, key = book.plans.accept(as_plan(plan))
    book.plans.charge(key, "M1", WeighedMelt("2026-M1", weighed_kg={"P": 30.0, "T": 5.0}))
    book.melts.charge("other", "half", {"P": 5.0})
    with pytest.raises(NotFreeError, match="reserved"):
        book.melts.correct("other", {"T": 40.0})
    book.melts.correct("2026-M1", {"T": 45.0})
    assert total(book, "melt:2026-M1") == pytest.approx(79.8)


def test_a_correction_extends_what_went_in_and_sets_the_assay_aside(book: Book) -> None:
    stocked(book).melts.charge("M1", "half", {"T": 20.0, "P": 24.0}, dross_kg=0.4, note="cold day")
    book.ledger.analyse("melt:M1", Composition.parse("Sn 45 Pb bal"))
    version = book.melts.row("M1").version
    event = book.melts.correct("M1", {"T": 5.0}, dross_kg=0.1, version=version, note="assayed low").event
    row = book.melts.row("M1")
    assert json.loads(row.inputs) == {"T": 25.0, "P": 24.0}
    assert row.dross_kg == pytest.approx(0.5) and row.assay == ""
    assert row.note == "cold day; assay before it was corrected: Sn 45 Pb bal; assayed low"
    assert total(book, "melt:M1") == pytest.approx(48.5)
    assert {s.origin for s in book.trace.flows("melt:M1").backwards if s.event == event} == {"lot:T"}
    with pytest.raises(StaleSaveError):
        book.melts.correct("M1", {"T": 1.0}, version=version)
    book.history.undo(event)
    assert book.melts.row("M1").assay == "Sn 45 Pb bal" and total(book, "melt:M1") == pytest.approx(43.6)


def test_a_charge_is_not_taken_back_under_its_correction(book: Book) -> None:
    charged = stocked(book).melts.charge("M1", "half", {"T": 20.0, "P": 20.0}).event
    corrected = book.melts.correct("M1", {"T": 1.0}).event
    with pytest.raises(UndoFirstError):
        book.history.undo(charged)
    book.history.undo(corrected)
    book.history.undo(charged)
    assert book.melts.rows() == []


def test_dross_is_learnt_from_a_corrected_melt_too(book: Book) -> None:
    stocked(book).melts.charge("M1", "half", {"T": 20.0, "P": 20.0}, dross_kg=0.4)
    book.melts.correct("M1", {"T": 5.0}, dross_kg=0.2)
    book.ledger.analyse("melt:M1", Composition.parse("Sn 55.2 Pb bal"))
    (record,), _ = book.melts.records()
    assert (record.in_kg, record.out_kg) == (pytest.approx(45.0), pytest.approx(44.4))
    assert record.assay is not None and record.dross_kg == pytest.approx(0.6)


def test_an_assay_after_metal_was_poured_off_and_replaced_says_nothing_of_what_went_in(book: Book) -> None:
    stocked(book).melts.charge("M1", "half", {"T": 20.0, "P": 20.0}, dross_kg=0.4)
    poured = book.melts.to_lot("M1", "ingots", 10.0).event
    book.melts.correct("M1", {"T": 5.0})
    book.ledger.analyse("melt:M1", Composition.parse("Sn 57 Pb bal"))
    (record,), _ = book.melts.records()
    assert record.assay is None and record.out_kg == pytest.approx(44.6)
    assert poured < book.history.last()


@pytest.mark.parametrize(
    ("added", "dross", "told"),
    [
        ({}, 0.0, "holds nothing"),
        ({"T": 60.0}, 0.0, "60 kg weighed"),
        ({"T": 1.0}, 41.0, "not what can be skimmed"),
        ({"none": 1.0}, 0.0, "not in the book"),
    ],
)
def test_a_correction_that_cannot_be_is_refused_whole(
    book: Book, added: dict[str, float], dross: float, told: str
) -> None:
    stocked(book).melts.charge("M1", "half", {"T": 20.0, "P": 20.0})
    before = book.ledger.balances()
    with pytest.raises(BookError, match=told):
        book.melts.correct("M1", added, dross_kg=dross)
    assert book.ledger.balances() == before
    with pytest.raises(BookError, match="not in the book"):
        book.melts.correct("M9", {"T": 1.0})


def test_a_roll_sold_whole_hangs_there_no_more(book: Book) -> None:
    book.rolls.add(a_roll())
    mass = total(book, "roll:R1")
    event = book.ledger.sell("roll:R1", mass).event
    assert book.rolls.row("R1").state == "sold" and book.rolls.rack() == ()
    book.history.undo(event)
    assert book.rolls.row("R1").state == "on rack" and total(book, "roll:R1") == pytest.approx(mass)
    stocked(book).plans.accept(as_plan(a_plan()))
    with pytest.raises(BookError, match="reserved for"):
        book.ledger.sell("roll:R1", mass)


@pytest.mark.parametrize(
    ("share", "told"), [(0.4, "whole or not at all"), (0.0, "not in stock"), (1.3, "not in stock")]
)
def test_no_part_of_a_roll_is_sold(book: Book, share: float, told: str) -> None:
    book.rolls.add(a_roll())
    mass = total(book, "roll:R1")
    with pytest.raises(BookError, match=told):
        book.ledger.sell("roll:R1", share * mass)
    assert total(book, "roll:R1") == mass
    book.ledger.sell("roll:R1", 0.98 * mass)
    assert book.rolls.row("R1").state == "sold" and total(book, "roll:R1") == 0.0


def test_the_last_of_a_lot_weighed_in_pounds_is_not_refused_for_its_rounding(book: Book) -> None:
    book.lots.add(NewLot("S7", "scrap", 140.0, HALF.target))
    in_kg = 308.65 * 0.45359237  # what a list of 140 kg says in pounds
    book.melts.charge("M1", "half", {"S7": in_kg})
    assert in_kg > 140.001 and "lot:S7" not in book.ledger.stock()


MASS, GRAMS = st.floats(0.5, 18.0), st.integers(0, 400).map(lambda grams: grams / 1000)


@pytest.fixture
def property_book(tmp_path_factory: pytest.TempPathFactory) -> Book:
    book = Book.open(tmp_path_factory.mktemp("pot") / "s.sqlite", create=True)
    book.recipes.add(HALF)
    return book


@given(tin=MASS, lead=MASS, more=MASS, dross=GRAMS, poured=st.floats(0.05, 0.4), heel=st.booleans())
@settings(max_examples=20, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_no_element_is_made_or_lost_on_the_way(
    property_book: Book, tin: float, lead: float, more: float, dross: float, poured: float, heel: bool
) -> None:
    """Whatever is charged, corrected and poured off: each element in lots, melt, ingots and dross is what came in."""
    book, n = property_book, property_book.history.last()
    book.lots.add(NewLot(f"T{n}", "pig", 60.0, Composition.parse("Sn 99.9 Cu 0.1")))
    book.lots.add(NewLot(f"P{n}", "scrap", 60.0, Composition.parse("Pb 98 Sb 1.5 Bi 0.5")))
    metal = Composition.parse("Sn 30 Sb 1 Pb bal")
    book.melts.charge(
        f"M{n}",
        "half",
        {f"T{n}": tin, f"P{n}": lead},
        dross_kg=dross,
        heel=HeelIn(mass_kg=5.0 if heel else None, metal=metal),
    )
    book.melts.to_lot(f"M{n}", f"I{n}", (tin + lead) * poured)
    book.melts.correct(f"M{n}", {f"T{n}": more}, dross_kg=dross)
    held = book.ledger.balances()
    melts = [held[f"{kind}{n}"] for kind in ("melt:M", "lot:I", "lot:T", "lot:P") if f"{kind}{n}" in held]
    assert all(mass > 0 for masses in melts for mass in masses.values())
    by_element: dict[str, int] = {}
    for masses in held.values():
        for element, mass in masses.items():
            by_element[element] = by_element.get(element, 0) + mass
    assert set(by_element.values()) == {0}
    assert book.keeping.doctor().faults == []
    inputs = json.loads(book.melts.row(f"M{n}").inputs)
    assert inputs[f"T{n}"] == pytest.approx(tin + more)
