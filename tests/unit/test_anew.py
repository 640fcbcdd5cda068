"""The rest of a plan planned anew after a sheet was measured."""

import dataclasses
from collections.abc import Mapping
from functools import partial
from pathlib import Path

import pytest

import pipemetal as pm
from pipemetal.errors import BookError, PlanError
from pipemetal.files.demo_files import packaged_file
from pipemetal.front import Shop
from pipemetal.layout.plan import NewSheet as SheetToCast
from pipemetal.planning.anew_rest import GOOD_ENOUGH
from pipemetal.planning.chances import CardGives, as_cards_give
from pipemetal.planning.learning import Learned
from pipemetal.plans import anew as rest_anew
from pipemetal.plans import anew_carded
from pipemetal.plans.anew import Anew, ShopNow, with_measured
from pipemetal.plans.differences import Kind, differences, summary
from pipemetal.plans.expected import with_areas
from pipemetal.plans.measured import hung_sheet
from pipemetal.plans.record import NewSheet, Plan
from pipemetal.sheets.readings import Reading
from pipemetal.shop.book import Book, NewLot
from pipemetal.shop.now import shop_now
from pipemetal.shop.rolls import NewRoll
from pipemetal.shop.rows import OrderState, PlanState, ReservationState

plan_anew = partial(rest_anew.plan_anew, effort=0.1, seconds=3600.0)
"""A short search that ends by its moves: the clock has no say."""


@pytest.fixture(scope="module")
def plan(bare: Shop) -> Plan:
    organ = pm.read_organ(packaged_file("organ.toml"), bare)
    ranks = tuple(r for r in organ.ranks if r.name in ("Fifteenth 2", "Flute 4"))
    return pm.make_plan(dataclasses.replace(organ, ranks=ranks or organ.ranks[-1:]), bare, iterations=40)


def read_of(sheet: NewSheet, factor: float) -> list[Reading]:
    """A sheet as cast, thicker or thinner than meant by a factor."""
    return [
        Reading(
            x * sheet.length_mm,
            y * sheet.width_mm,
            factor * (sheet.cast_start_mm + (sheet.cast_end_mm - sheet.cast_start_mm) * x),
        )
        for x in (0.02, 0.26, 0.5, 0.74, 0.98)
        for y in (0.08, 0.5, 0.92)
    ]


def largest(plan: Plan) -> NewSheet:
    return max(plan.new_sheets, key=lambda s: len(s.cuts))


def anew(plan: Plan, shop: Shop, factors: Mapping[str, float], **more: frozenset[str]) -> Anew:
    sheets = {s.id: s for s in plan.new_sheets}
    read = {name: read_of(sheets[name], factor) for name, factor in factors.items()}
    now = with_measured(plan, ShopNow(shop.stock, **more), read, 15.0)
    return plan_anew(plan, now, shop.settings, Learned())


def placed(plan: Plan) -> dict[str, tuple[str, float, float, int]]:
    return {c.blank: (s.id, c.x_mm, c.y_mm, c.turn_deg) for s in plan.sheets for c in s.cuts}


def test_a_sheet_as_meant_moves_nothing(plan: Plan, bare: Shop) -> None:
    sheet = largest(plan)
    made = anew(plan, bare, {sheet.id: 1.0})
    moved = [d for d in made.differences if d.kind is Kind.BLANK]
    kept = {b for b, at in placed(plan).items() if placed(made.plan)[b] == at}
    assert len(kept) >= 0.9 * len(placed(plan))
    assert {d.thing for d in moved} == set(placed(plan)) - kept
    assert sheet.id in [r.id for r in made.plan.rolls_used]
    assert sheet.id not in [s.id for s in made.plan.new_sheets]


@pytest.mark.parametrize("factor", [0.8, 0.93, 1.06])
def test_whatever_a_sheet_came_out_as_every_blank_has_a_place_that_holds(plan: Plan, bare: Shop, factor: float) -> None:
    sheet = largest(plan)
    made = anew(plan, bare, {sheet.id: factor})
    assert made.plan.faults == () and made.plan.unserved == ()
    assert set(placed(made.plan)) == set(placed(plan))
    on_roll = next((r for r in made.plan.rolls_used if r.id == sheet.id), None)
    for cut in on_roll.cuts if on_roll is not None else ():
        assert cut.chance is not None and cut.chance >= GOOD_ENOUGH, cut.blank
    poured = {p.sheet for p in made.plan.pours}
    assert {s.id for s in made.plan.new_sheets} <= poured
    melted = {s for m in made.plan.melts for s in m.sheets}
    assert {s.id for s in made.plan.new_sheets} <= melted


def test_what_is_cut_poured_or_pinned_stays(plan: Plan, bare: Shop) -> None:
    first, *others = sorted(plan.new_sheets, key=lambda s: -len(s.cuts))
    mine = [s for s in others if s.alloy == first.alloy]
    if not mine:
        pytest.skip("one sheet of this alloy only")
    pinned = frozenset(c.blank for c in first.cuts[:1])
    made = anew(plan, bare, {first.id: 0.8}, poured=frozenset([mine[0].id]), pinned=pinned)
    assert next(s for s in made.plan.new_sheets if s.id == mine[0].id).cuts == mine[0].cuts
    for blank in pinned:
        assert placed(made.plan)[blank] == placed(plan)[blank]


def test_a_failed_cast_is_cast_again_under_a_new_name(plan: Plan, bare: Shop) -> None:
    sheet = largest(plan)
    made = plan_anew(plan, ShopNow(bare.stock, failed=frozenset([sheet.id])), bare.settings, Learned())
    assert sheet.id not in [s.id for s in made.plan.new_sheets]
    assert set(placed(made.plan)) == set(placed(plan)) and made.plan.faults == ()
    assert sheet.id in [p.sheet for p in made.plan.pours]


def test_a_pot_in_hand_pours_what_it_holds(plan: Plan, bare: Shop) -> None:
    sheet = largest(plan)
    melt = next(m for m in plan.melts if sheet.id in m.sheets)
    read = {sheet.id: read_of(sheet, 0.9)}
    for left, suffices in ((400.0, True), (1.0, False)):
        now = with_measured(plan, ShopNow(bare.stock, pots={melt.name: left}), read, 15.0)
        made = plan_anew(plan, now, bare.settings, Learned())
        pot = made.pots[0]
        still = set(melt.sheets) & {s.id for s in made.plan.new_sheets}
        assert (pot.melt == melt.name and pot.needed_kg <= left) or not suffices
        assert suffices == (not pot.not_served) or not still


def test_sheets_of_all_alloys_measured_at_once_have_names_of_their_own(plan: Plan, bare: Shop) -> None:
    made = anew(plan, bare, {s.id: 0.85 for s in plan.new_sheets})
    names = [s.id for s in made.plan.new_sheets]
    assert len(set(names)) == len(names) and not set(names) & {s.id for s in plan.new_sheets}
    assert {s.id for s in made.plan.new_sheets} <= {p.sheet for p in made.plan.pours}
    assert made.plan.faults == ()


def test_areas_and_counts_follow_the_new_plan(plan: Plan, bare: Shop) -> None:
    again = with_areas(plan)
    for name in ("opened_mm2", "consumed_mm2", "lower_bound_mm2", "gap_percent", "utilisation"):
        assert getattr(again, name) == pytest.approx(getattr(plan, name), rel=1e-6), name
    made = anew(plan, bare, {largest(plan).id: 0.93})
    after = made.plan.chances
    assert after is not None and made.plan.consumed_mm2 != plan.consumed_mm2
    assert after.on_rolls.of == sum(len(r.cuts) for r in made.plan.rolls_used)
    assert after.on_sheets.of == sum(len(s.cuts) for s in made.plan.new_sheets)
    told = sum(c.chance or 0.0 for s in made.plan.new_sheets for c in s.cuts)
    assert after.on_sheets.expected == pytest.approx(told, abs=0.02 * after.on_sheets.of + 0.1)
    assert after.pipes.of == len(plan.pipes) and after.pipes.low <= after.pipes.expected <= after.pipes.high


def test_when_to_stop(plan: Plan, bare: Shop) -> None:
    sheet = largest(plan)
    for stop in anew(plan, bare, {sheet.id: 0.93}).stops:
        assert 0.0 <= stop.chance <= 1.0 and 0.0 <= stop.last <= 1.0
    mine = {s.id: 1.0 for s in plan.new_sheets if s.alloy == sheet.alloy}
    stop = next(s for s in anew(plan, bare, mine).stops if s.alloy == sheet.alloy)
    assert stop.sheets == 0 and stop.last == 1.0 and stop.chance > 0.1


def test_a_sheet_that_is_not_cast_is_refused(plan: Plan, bare: Shop) -> None:
    with pytest.raises(PlanError, match="is no sheet to cast"):
        pm.plan_anew(plan, bare, {"N999": [Reading(1.0, 1.0, 1.0)] * 6})


def test_nothing_differs_from_itself(plan: Plan) -> None:
    assert differences(plan, plan) == ()
    assert str(summary(())) == "Nothing moves."


# ---- in the book ----


@pytest.fixture
def book(tmp_path: Path, bare: Shop) -> Book:
    found = Book.open(tmp_path / "s.sqlite", create=True, who="tester")
    for recipe in bare.recipes.values():
        found.recipes.add(recipe)
    for lot in bare.lots:
        found.lots.add(NewLot(lot.id, lot.kind, lot.mass_kg, lot.composition))
    return found


def cast_of(book: Book, plan_id: str, sheet: NewSheet, name: str) -> None:
    from pipemetal.casting.log import LoggedCast
    from pipemetal.casting.model import Sled

    metal = book.recipes.all()[sheet.alloy].target
    order = next(o for o in book.plans.cast_list(plan_id) if o.sheet == sheet.id)
    sled = Sled(250.0, sheet.width_mm)
    log = LoggedCast(name, metal, 2.0, 60.0, sled, sheet.length_mm, (), push_time_s=4.0, day="2026-12-01")
    book.casts.record(log, order=order.id)


def hang(book: Book, sheet: NewSheet, cast: str, factor: float) -> None:
    read = read_of(sheet, factor)
    roll = hung_sheet(sheet, read, 15.0)
    pairs = [(r.x_mm, r.thickness_mm) for r in read]
    book.casts.hang(cast, book.casts.row(cast).version, pairs, NewRoll(roll, read))


@pytest.mark.parametrize(("factor", "meets"), [(1.04, True), (0.97, True), (1.3, False), (0.6, False)])
def test_a_sheet_is_planed_to_what_it_was_meant_to_be(plan: Plan, bare: Shop, factor: float, meets: bool) -> None:
    sheet = largest(plan)
    assert sheet.planing_mm > 0.0
    now = with_measured(plan, ShopNow(bare.stock), {sheet.id: read_of(sheet, factor)}, 15.0, 0.4)
    planed, field = now.planing_mm[sheet.id], now.stock.rack[-1].field
    wanted = (sheet.thickness_start_mm + sheet.thickness_end_mm) / 2.0
    came = float(field.at(sheet.length_mm / 2.0, sheet.width_mm / 2.0))
    assert 0.5 * sheet.planing_mm <= planed <= 0.4
    assert (abs(came - wanted) < 0.02) == meets
    assert came + planed == pytest.approx(factor * (wanted + sheet.planing_mm), abs=0.02)


def test_a_plan_is_taken_in_one_event_and_taken_back(plan: Plan, bare: Shop, book: Book) -> None:
    sheet = largest(plan)
    plan_id = book.plans.accept(plan).value
    cast_of(book, plan_id, sheet, "C1")
    assert shop_now(book, plan_id).poured == {sheet.id}
    hang(book, sheet, "C1", 0.9)
    assert book.casts.log()[0].thickness_mm and book.rolls.cast_from("C1") == [sheet.id]
    now = shop_now(book, plan_id)
    assert dict(now.measured) == {sheet.id: sheet.id} and not now.poured
    made = plan_anew(plan, now, bare.settings, Learned())
    before = book.history.last()
    event = book.plans.take(plan_id, made.plan).event
    assert event == book.history.last() == before + 1
    assert book.plans.plan(plan_id) == made.plan and book.plans.state(plan_id) is PlanState.ACCEPTED
    waiting = {o.sheet for o in book.plans.cast_list(plan_id)}
    assert waiting == {s.id for s in made.plan.new_sheets}
    kept = {r.thing for r in book.plans.reservations(plan_id) if r.kind == "roll"}
    assert kept == {r.id for r in made.plan.rolls_used}
    book.history.undo(event)
    assert book.plans.plan(plan_id) == plan
    assert {o.sheet for o in book.plans.cast_list(plan_id)} == {s.id for s in plan.new_sheets} - {sheet.id}


def test_what_came_of_earlier_sheets_is_known_by_their_casts_and_not_by_their_names(
    plan: Plan, bare: Shop, book: Book
) -> None:
    sheet = largest(plan)
    plan_id = book.plans.accept(plan).value
    cast_of(book, plan_id, sheet, "C1")
    hang(book, sheet, "C1", 0.8)
    made = plan_anew(plan, shop_now(book, plan_id), bare.settings, Learned())
    book.plans.take(plan_id, made.plan)
    now = shop_now(book, plan_id)
    assert sheet.id not in now.measured
    assert now.hung == {sheet.id: sheet.id}
    (poured,) = anew_carded.poured_so_far(made.plan, now, sheet.alloy)
    assert poured.came is not None and poured.came < 0.9
    # another sheet's roll of the same name says nothing of it
    assert anew_carded.poured_so_far(made.plan, dataclasses.replace(now, hung={}), sheet.alloy)[0].came is None


def test_the_measured_sheet_is_cut_by_its_own_name(plan: Plan, bare: Shop, book: Book) -> None:
    sheet = largest(plan)
    plan_id = book.plans.accept(plan).value
    cast_of(book, plan_id, sheet, "C1")
    hang(book, sheet, "C1", 1.0)
    made = plan_anew(plan, shop_now(book, plan_id), bare.settings, Learned())
    book.plans.take(plan_id, made.plan)
    book.plans.cut(plan_id, sheet.id)
    assert sheet.id in {r.thing for r in book.plans.reservations(plan_id, state=ReservationState.DONE)}
    now = shop_now(book, plan_id)
    assert now.cut == {sheet.id}
    again = plan_anew(made.plan, now, bare.settings, Learned(), alloys=[sheet.alloy])
    row = next(r for r in again.plan.rolls_used if r.id == sheet.id)
    assert row.cuts == next(r for r in made.plan.rolls_used if r.id == sheet.id).cuts
    otherwise = dataclasses.replace(again.plan, rolls_used=tuple(r for r in again.plan.rolls_used if r.id != sheet.id))
    with pytest.raises(BookError, match="is cut already"):
        book.plans.take(plan_id, otherwise)


def test_a_cast_whose_metal_is_scrapped_has_failed(plan: Plan, bare: Shop, book: Book) -> None:
    from pipemetal.casting.log import LoggedCast
    from pipemetal.casting.model import Sled
    from pipemetal.shop.doing import WeighedMelt

    sheet = largest(plan)
    plan_id = book.plans.accept(plan).value
    melt = next(m for m in plan.melts if sheet.id in m.sheets)
    if any(line.kind == "buy" for line in melt.lots):
        pytest.skip("this melt wants metal that is bought")
    book.plans.charge(plan_id, melt.name, WeighedMelt(f"B-{melt.name}"))
    metal, sled = book.recipes.all()[sheet.alloy].target, Sled(250.0, sheet.width_mm)
    log = LoggedCast("C1", metal, 2.0, 60.0, sled, sheet.length_mm, (), push_time_s=4.0, day="2026-12-01")
    order = next(o for o in book.plans.cast_list(plan_id) if o.sheet == sheet.id)
    book.casts.record(log, melt=f"B-{melt.name}", used_kg=20.0, order=order.id)
    assert shop_now(book, plan_id).poured == {sheet.id}
    book.casts.trim("C1")
    now = shop_now(book, plan_id)
    assert now.failed == {sheet.id} and now.pots[melt.name] > 0.0
    made = plan_anew(plan, now, bare.settings, Learned())
    book.plans.take(plan_id, made.plan)
    assert {o.sheet for o in book.plans.cast_list(plan_id, state=OrderState.TO_CAST)} == {
        s.id for s in made.plan.new_sheets
    }


def test_a_hanging_sheet_that_reads_otherwise_has_its_blanks_looked_at_again(plan: Plan, bare: Shop) -> None:
    sheet = largest(plan)
    now = with_measured(plan, ShopNow(bare.stock), {sheet.id: read_of(sheet, 1.0)}, 15.0)
    first = plan_anew(plan, now, bare.settings, Learned())
    on_it = next(s for s in first.plan.rolls_used if s.id == sheet.id)
    assert on_it.cuts
    # nothing was read since: nothing moves
    same = plan_anew(first.plan, ShopNow(first.now.stock), bare.settings, Learned())
    assert same.alloys == () and same.plan.rolls_used == first.plan.rolls_used
    # it is read again, a fifth thinner: what lay on it lies elsewhere, or is cast for
    thin = with_measured(plan, ShopNow(bare.stock), {sheet.id: read_of(sheet, 0.75)}, 15.0)
    again = plan_anew(first.plan, ShopNow(thin.stock), bare.settings, Learned())
    assert again.alloys == (sheet.alloy,)
    chances = {c.blank: c.chance for s in again.plan.rolls_used for c in s.cuts if c.chance is not None}
    assert not [b for b, chance in chances.items() if chance < 0.2]
    assert {c.blank for s in again.plan.sheets for c in s.cuts} == {c.blank for s in first.plan.sheets for c in s.cuts}


@pytest.mark.parametrize("tries", [0, 2])
def test_a_sheet_that_no_card_gives_is_not_cast_again_and_its_blanks_are_named(
    plan: Plan, bare: Shop, monkeypatch: pytest.MonkeyPatch, tries: int
) -> None:
    first, *_, short = sorted(plan.new_sheets, key=lambda s: -len(s.cuts))
    monkeypatch.setattr(anew_carded, "TRIES", tries)
    monkeypatch.setattr(rest_anew, "_cards", lambda *_: {short.id: CardGives(0.3, 0.3, 0.2)})
    made = anew(plan, bare, {first.id: 1.0})
    if tries:
        assert short.id in {p.sheet for p in made.plan.pours}
        return
    assert short.id not in {s.id for s in made.plan.new_sheets} | {p.sheet for p in made.plan.pours}
    lost = {c.blank for c in short.cuts} - set(placed(made.plan))
    assert lost
    assert all("no push that is known gives it" in str(u.reason) for u in made.plan.unserved if u.blank in lost)
    assert lost <= {u.blank for u in made.plan.unserved}
    assert not made.plan.faults


@pytest.mark.parametrize(("cast_mm", "finished_mm"), [(1.2, 1.0), (1.4, 1.0), (1.7, 1.3), (1.1, 1.0), (0.9, 0.9)])
def test_a_card_that_is_off_is_planed_as_far_as_may_be(cast_mm: float, finished_mm: float) -> None:
    sheet = SheetToCast("N", "A", 2000.0, 600.0, 1.0, 1.0, 15.0)
    (as_given,) = as_cards_give([sheet], {"N": CardGives(cast_mm, cast_mm, 0.2)}, 0.4)
    assert as_given.thickness_start_mm == as_given.thickness_end_mm == pytest.approx(finished_mm)


@pytest.mark.parametrize(("times", "came"), [(2, 0.7), (3, 0.7), (3, 0.97)])
def test_a_thickness_that_always_comes_out_thin_is_not_cast_again(
    plan: Plan, bare: Shop, monkeypatch: pytest.MonkeyPatch, times: int, came: float
) -> None:
    first, *_, short = sorted(plan.new_sheets, key=lambda s: -len(s.cuts))
    poured = [anew_carded.Poured(short.cast_start_mm or 0.0, came)] * times
    monkeypatch.setattr(rest_anew, "poured_so_far", lambda *_: poured)
    made = anew(plan, bare, {first.id: 1.0})
    told = [u for u in made.plan.unserved if "thinner than meant" in str(u.reason)]
    is_left_out = times >= 3 and came < 0.9
    assert (short.id not in {p.sheet for p in made.plan.pours}) is is_left_out
    assert bool(told) is is_left_out
