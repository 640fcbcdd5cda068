"""A whole plan goes into the book, is done bit by bit, and can be taken back."""

import json
from dataclasses import replace

import pytest
from shop_samples import LEAD, TIN, a_plan, a_roll, as_plan

from pipemetal.errors import BookError
from pipemetal.shop.as_planned import NotAsPlannedError
from pipemetal.shop.book import Book, NewLot, UndoFirstError
from pipemetal.shop.doing import WeighedMelt
from pipemetal.shop.rows import CastOrderRow
from pipemetal.shop.searching import Among
from pipemetal.shop.stock import book_stock


@pytest.fixture
def stocked(book: Book) -> Book:
    book.lots.add(NewLot("T", "pig", 30.0, TIN))
    book.lots.add(NewLot("P", "pig", 30.0, LEAD))
    book.rolls.add(a_roll("R1"))
    book.rolls.add(a_roll("R2"))
    return book


def test_an_accepted_plan_reserves_rolls_for_ranks_and_metal_for_melts(stocked: Book) -> None:
    _, plan_id = stocked.plans.accept(as_plan(a_plan()))
    assert plan_id == "Chapel #1" and stocked.plans.state(plan_id) == "accepted"
    (found,) = stocked.rolls.find(among=Among(state="reserved"))
    assert (found.roll.id, found.roll.reserved_for) == ("R1", "Chapel #1: Flute 8")
    assert {f.roll.id for f in stocked.rolls.find()} == {"R1", "R2"}
    assert {(r.about, r.melt, r.mass_kg) for r in stocked.plans.reservations(plan_id)} == {
        ("roll:R1", "", 10.0),
        ("lot:T", "M1", 20.0),
        ("lot:P", "M1", 20.0),
    }
    assert [(c.sheet, c.pour.charge_kg) for c in stocked.plans.cast_list()] == [("N1", 15.0)]


def test_what_is_reserved_is_left_out_of_another_plan_unless_asked(stocked: Book) -> None:
    stocked.plans.accept(as_plan(a_plan()))
    left = book_stock(stocked)
    assert [r.id for r in left.rack] == ["R2"]
    assert {lot.id: lot.mass_kg for lot in left.lots} == {"T": 10.0, "P": 10.0}
    whole = book_stock(stocked, reserved=True)
    assert [r.id for r in whole.rack] == ["R1", "R2"]
    assert {lot.id: lot.mass_kg for lot in whole.lots} == {"T": 30.0, "P": 30.0}


def test_two_plans_cannot_have_the_same_metal(stocked: Book) -> None:
    stocked.plans.accept(as_plan(a_plan()))
    before = stocked.history.last()
    with pytest.raises(BookError, match=r"R1 \(Chapel #1: Flute 8\)"):
        stocked.plans.accept(as_plan(a_plan("Hall")))
    with pytest.raises(BookError, match=r"T \(M1 needs 20.00 kg, 10\.00 kg are free\)"):
        stocked.plans.accept(as_plan(a_plan("Hall") | {"rolls_used": []}))
    assert stocked.history.last() == before


def test_an_accepted_plan_is_taken_back_in_one_step(stocked: Book) -> None:
    event, plan_id = stocked.plans.accept(as_plan(a_plan()))
    given_up = stocked.plans.give_up(plan_id).event
    assert stocked.plans.reservations() == [] and stocked.plans.cast_list() == [] and len(stocked.rolls.rack()) == 2
    stocked.history.undo(given_up)
    assert stocked.plans.state(plan_id) == "accepted" and len(stocked.plans.reservations()) == 3
    stocked.history.undo(event)
    assert stocked.plans.reservations() == [] and len(stocked.rolls.rack()) == 2 and stocked.plans.all() == []
    _, again = stocked.plans.accept(as_plan(a_plan()))
    assert stocked.plans.state(again) == "accepted"


def test_a_kept_plan_can_be_accepted_later(stocked: Book) -> None:
    key = stocked.plans.keep(as_plan(a_plan())).value
    assert stocked.plans.state(key) == "kept"
    stocked.plans.accept(key)
    with pytest.raises(BookError, match="accepted already"):
        stocked.plans.accept(key)
    stocked.plans.give_up(key)
    stocked.plans.accept(key)
    assert len(stocked.plans.reservations(key)) == 3


def test_a_roll_is_booked_as_planned_and_undone(stocked: Book) -> None:
    _, plan_id = stocked.plans.accept(as_plan(a_plan()))
    before = stocked.ledger.balances()
    event, remnants = stocked.plans.cut(plan_id, "R1")
    assert remnants == ("R1-1",) and stocked.rolls.row("R1-1").parent == "R1"
    piece = stocked.pieces.row("Flute 8 C body")
    assert (piece.roll, piece.plan, piece.rank, piece.pipe, piece.box) == (
        "R1",
        plan_id,
        "Flute 8",
        "Flute 8 C",
        "[10.0,10.0,810.0,510.0]",
    )
    stock = stocked.ledger.stock()
    assert sum(stock["pipe:Flute 8 C body"].values()) == pytest.approx(3.5)
    assert sum(stock["kerf"].values()) == pytest.approx((1.3 + 0.9) * 1.0 * 1.0 * 8.7e-3, rel=0.05)
    assert "roll:R1" not in stock and sum(stock["lot:scrap-half"].values()) > 0.0
    assert {r.about for r in stocked.plans.reservations(plan_id)} == {"lot:T", "lot:P"}
    stocked.history.undo(event)
    assert stocked.ledger.balances() == before and stocked.rolls.row("R1").state == "reserved"
    assert len(stocked.plans.reservations(plan_id)) == 3
    stocked.plans.cut(plan_id, "R1")
    stocked.plans.give_up(plan_id)
    assert stocked.rolls.row("R1").state == "cut"
    assert stocked.keeping.doctor().faults == []


def test_a_planned_melt_is_charged_and_its_sheet_cast(stocked: Book) -> None:
    import dataclasses

    from pipemetal.files.demo_files import packaged_file
    from pipemetal.files.log_file import read_log

    plan = a_plan()
    plan["new_sheets"][0]["cuts"] = [plan["rolls_used"][0]["cuts"][0] | {"blank": "Flute 8 F body"}]
    _, plan_id = stocked.plans.accept(as_plan(plan))
    stocked.plans.charge(plan_id, "M1", WeighedMelt("2026-17", weighed_kg={"T": 20.5, "P": 19.5}))
    with pytest.raises(BookError, match="booked already"):
        stocked.plans.charge(plan_id, "M1", WeighedMelt("2026-18", weighed_kg={"T": 1.0}))
    assert sum(stocked.ledger.stock()["melt:2026-17"].values()) == pytest.approx(39.8)
    assert {r.about for r in stocked.plans.reservations(plan_id)} == {"roll:R1"}
    (order,) = stocked.plans.cast_list(plan_id)
    log = dataclasses.replace(read_log(packaged_file("log.csv"))[0], id="C1", day="2026-05-04")
    event = stocked.casts.record(log, melt="2026-17", used_kg=12.0, order=order.id).event
    assert stocked.plans.cast_list(plan_id) == [] and stocked._writer.row(CastOrderRow, order.id).cast == "C1"
    entered = stocked.rolls.add(a_roll("R40"), cast="C1").event
    assert {r.about for r in stocked.plans.reservations(plan_id)} == {"roll:R1", "roll:R40"}
    (found,) = stocked.rolls.find(among=Among(melt="2026-17", made=("2026", "2026-05")))
    assert (found.roll.id, found.roll.day, found.roll.melt) == ("R40", "2026-05-04", "2026-17")
    assert found.roll.reserved_for == "Chapel #1: sheet N1"
    cut, _ = stocked.plans.cut(plan_id, "R40")
    assert stocked.pieces.row("Flute 8 F body").roll == "R40"
    stocked.history.undo(cut)
    assert stocked.rolls.find(among=Among(made=("2026-06", ""))) == []
    with pytest.raises(UndoFirstError, match="back first"):
        stocked.history.undo(event)
    stocked.history.undo(entered)
    assert "roll:R40" not in {r.about for r in stocked.plans.reservations(plan_id)}
    stocked.history.undo(event)
    assert len(stocked.plans.cast_list(plan_id)) == 1


def test_metal_that_is_still_to_be_bought_is_not_charged(stocked: Book) -> None:
    plan = a_plan()
    plan["melts"][0]["lots"].append({"id": "buy Sb", "kind": "buy", "mass_kg": 1.0})
    _, plan_id = stocked.plans.accept(as_plan(plan))
    with pytest.raises(BookError, match="still to be bought: buy Sb"):
        stocked.plans.charge(plan_id, "M1", WeighedMelt("X"))


def test_a_roll_freed_or_cut_by_hand_is_reserved_no_more(stocked: Book) -> None:
    from pipemetal.shop.book import Piece

    _, plan_id = stocked.plans.accept(as_plan(a_plan()))
    version = stocked.rolls.row("R1").version
    event = stocked.rolls.change("R1", version, place="rack C", state="on rack").event
    assert stocked.rolls.row("R1").reserved_for == ""
    assert "roll:R1" not in {r.about for r in stocked.plans.reservations(plan_id)}
    stocked.history.undo(event)
    assert "roll:R1" in {r.about for r in stocked.plans.reservations(plan_id)}
    stocked.rolls.cut("R1", [Piece("by hand", (10.0, 10.0, 500.0, 500.0))])
    assert "roll:R1" not in {r.about for r in stocked.plans.reservations(plan_id)}
    with pytest.raises(BookError, match="not there to be cut"):
        stocked.plans.cut(plan_id, "R1")


def test_a_sheet_that_came_out_smaller_than_planned_is_not_booked_as_planned(stocked: Book) -> None:
    plan = a_plan()
    plan["new_sheets"][0]["cuts"] = [
        plan["rolls_used"][0]["cuts"][0] | {"blank": "Flute 8 E body", "length_mm": 1500.0}
    ]
    _, plan_id = stocked.plans.accept(as_plan(plan))
    stocked.rolls.add(a_roll("N1", length=1400.0))
    with pytest.raises(BookError, match="does not reach for blank 'Flute 8 E body'"):
        stocked.plans.cut(plan_id, "N1")
    assert stocked.rolls.row("N1").state == "on rack"


def test_a_melt_weighed_otherwise_than_planned_is_told_before_it_is_booked(stocked: Book) -> None:
    _, plan_id = stocked.plans.accept(as_plan(a_plan()))
    with pytest.raises(NotAsPlannedError, match=r"T: 15\.0 kg weighed, 20\.0 kg planned"):
        stocked.plans.charge(plan_id, "M1", WeighedMelt("2026-17", weighed_kg={"T": 15.0, "P": 20.0}, sure=False))
    assert stocked.melts.rows() == [] and len(stocked.plans.reservations(plan_id)) == 3, "nothing was booked"
    stocked.plans.charge(plan_id, "M1", WeighedMelt("2026-17", weighed_kg={"T": 19.8, "P": 20.1}, sure=False))
    assert len(stocked.melts.rows()) == 1


def test_a_plan_changed_by_hand_keeps_its_history_small(stocked: Book) -> None:
    _, plan_id = stocked.plans.accept(as_plan(a_plan() | {"learned": "x" * 60_000}))
    before = stocked.plans.plan(plan_id)
    assert before is not None
    sheet = before.rolls_used[0]
    moved = replace(sheet, cuts=(replace(sheet.cuts[0], x_mm=9.0), *sheet.cuts[1:]))
    event = stocked.plans.change(plan_id, replace(before, rolls_used=(moved,))).event
    assert len(json.dumps(stocked.history.event(event).changes)) < 5_000
    with pytest.raises(BookError, match="laid so already"):
        stocked.plans.change(plan_id, replace(before, rolls_used=(moved,)))
    stocked.history.undo(event)
    assert stocked.plans.plan(plan_id) == before


def two_melts() -> dict[str, object]:
    """A plan whose second melt charges what the first leaves, by name."""
    plan = a_plan()
    first = plan["melts"][0] | {"left_kg": 12.0, "ingots_kg": 12.0, "ingots_lot": "half M1"}
    second = {
        "name": "M2",
        "recipe": "half",
        "heel_kg": 0.0,
        "dross_kg": 0.1,
        "lots": [{"id": "half M1", "kind": "ingot", "mass_kg": 11.0}, {"id": "T", "kind": "pig", "mass_kg": 5.0}],
    }
    return plan | {"melts": [first, second]}


def test_what_a_planned_melt_leaves_is_charged_by_name_into_the_next(stocked: Book) -> None:
    _, plan_id = stocked.plans.accept(as_plan(two_melts()))
    assert {r.about for r in stocked.plans.reservations(plan_id)} == {"roll:R1", "lot:T", "lot:P"}
    with pytest.raises(BookError, match=r"half M1 \(not in the book\)"):
        stocked.plans.charge(plan_id, "M2", WeighedMelt("2026-M2"))
    stocked.plans.charge(plan_id, "M1", WeighedMelt("2026-M1"))
    event = stocked.plans.charge(plan_id, "M2", WeighedMelt("2026-M2")).event
    assert stocked.ledger.mass_kg("lot:half M1") == pytest.approx(1.0)
    assert stocked.ledger.mass_kg("melt:2026-M1") == pytest.approx(39.8 - 12.0)
    assert stocked.keeping.doctor().faults == []
    stocked.history.undo(event)
    assert "half M1" not in stocked.lots.ids() and stocked.ledger.mass_kg("melt:2026-M1") == pytest.approx(39.8)


def test_ingots_that_are_booked_already_are_charged_as_they_lie(stocked: Book) -> None:
    _, plan_id = stocked.plans.accept(as_plan(two_melts()))
    stocked.plans.charge(plan_id, "M1", WeighedMelt("2026-M1"))
    stocked.melts.to_lot("2026-M1", "half M1", 11.4)
    stocked.plans.charge(plan_id, "M2", WeighedMelt("2026-M2"))
    assert stocked.ledger.mass_kg("lot:half M1") == pytest.approx(0.4)


def test_blanks_cut_one_by_one_come_to_the_same_as_the_roll_cut_at_once(stocked: Book) -> None:
    def metal() -> dict[str, dict[str, int]]:
        return {k: v for k, v in stocked.ledger.balances().items() if any(v.values())}

    stocked.plans.accept(as_plan(a_plan()))
    at_once = stocked.plans.cut("Chapel #1", "R1", kerf_mm=1.0)
    whole, remnants = metal(), at_once.value
    stocked.history.undo(at_once.event)
    first = stocked.plans.cut_one("Chapel #1", "R1", "Flute 8 C body", kerf_mm=1.0).event
    assert stocked.rolls.row("R1").state == "reserved", "the roll stays"
    with pytest.raises(BookError, match="cut already"):
        stocked.plans.cut_one("Chapel #1", "R1", "Flute 8 C body")
    with pytest.raises(BookError, match="is not cut from this roll"):
        stocked.plans.cut_one("Chapel #1", "R1", "Flute 8 E body")
    rest = stocked.plans.cut("Chapel #1", "R1", kerf_mm=1.0)
    assert rest.value == remnants and metal().keys() == whole.keys()
    for account, elements in metal().items():  # the kerf is booked in two parts, each rounded to the microgram
        assert all(abs(elements[e] - whole[account][e]) <= 2 for e in elements), account
    with pytest.raises(UndoFirstError):
        stocked.history.undo(first)
    stocked.history.undo(rest.event)
    stocked.history.undo(first)
    assert stocked.keeping.doctor().faults == []


def test_a_blank_that_is_cut_stays_where_it_lies_and_its_place_is_used_by_nobody(stocked: Book) -> None:
    plan = as_plan(a_plan())
    stocked.plans.accept(plan)
    stocked.plans.cut_one("Chapel #1", "R1", "Flute 8 C body")
    sheet = plan.rolls_used[0]
    for k, refused in ((0, True), (1, False)):
        cuts = tuple(replace(c, x_mm=c.x_mm + 1.0) if n == k else c for n, c in enumerate(sheet.cuts))
        other = replace(plan, rolls_used=(replace(sheet, cuts=cuts),))
        if refused:
            for ask in (stocked.plans.change, stocked.plans.take):
                with pytest.raises(BookError, match="cut already"):
                    ask("Chapel #1", other)
        else:
            stocked.plans.change("Chapel #1", other)
    assert stocked.pieces.cut_alone("R1", "Chapel #1", sheet) == {"Flute 8 C body"}
    stocked.plans.give_up("Chapel #1")
    (hole,) = stocked.rolls.some(["R1"])["R1"].no_go
    assert hole == ((10.0, 10.0), (810.0, 10.0), (810.0, 510.0), (10.0, 510.0))
    assert stocked.keeping.doctor().faults == []
