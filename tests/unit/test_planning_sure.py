"""A plan says how sure it is, what it stands on, where to gauge next, and which spare metal pays."""

from dataclasses import replace

import numpy as np
import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.documents.chances import name_with_labour
from pipemetal.documents.cutting_sheet import cutting_sheet
from pipemetal.documents.drawing import Polygon
from pipemetal.errors import PlanError
from pipemetal.files.demo_files import packaged_file
from pipemetal.front import make_pipes, read_organ, read_shop
from pipemetal.layout.chance import Count
from pipemetal.layout.gauging import next_readings
from pipemetal.layout.plan import LayoutPlan, NewSheet, Placement
from pipemetal.layout.problem import Blank, Castable, CastSpread, LayoutProblem, LayoutRoll
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import verify
from pipemetal.melts.worth import MetalPrices
from pipemetal.planning.chances import PlanChances, hardly_known, plan_chances, roll_errors, with_errors
from pipemetal.planning.cuts import ForPipe, GaugeMark, cut_rolls, in_pencil, marked
from pipemetal.planning.labour import told_of_labour
from pipemetal.planning.learning import Learned
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.spare import spare_sheets, told_of_spare
from pipemetal.planning.sure_words import count_words, told_of_chances, trial_sheets
from pipemetal.planning.sureness import SureSettings
from pipemetal.planning.tolerances import (
    GERMAN,
    PARTS,
    WORKED,
    check_tolerances,
    parse_tolerances,
    thin_parts,
    with_tolerance,
)
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll
from pipemetal.units import UnitSystem
from pipemetal.words import Words, catalogue

PRICES = MetalPrices({"Pb": 2.0, "Sn": 28.0}, frozenset())
RECIPES = {"A": Recipe("A", Composition.parse("Sn 50 Pb bal"))}


def plan(*placed: Placement, sheets: tuple[NewSheet, ...] = ()) -> LayoutPlan:
    return LayoutPlan(placed, (), sheets, 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0)


def test_a_reading_is_asked_for_where_a_blank_is_in_doubt() -> None:
    error = np.full((3, 7), 0.004)
    error[:, 4:] = 0.03
    roll = LayoutRoll(
        "R1",
        "A",
        3000.0,
        600.0,
        15.0,
        tuple(500.0 * k for k in range(7)),
        np.full((3, 7), 1.03),
        error_mm=error,
        error_reach_mm=(300.0, 900.0),
    )
    blanks = tuple(Blank(n, "body", "A", 400.0, 200.0, 1.0, 1.0, 0.05) for n in ("near", "far"))
    problem = LayoutProblem(blanks, (roll, replace(roll, id="R2", error_mm=np.full((3, 7), 0.004))))
    (found,) = next_readings(
        problem, plan(Placement("near", "R1", 100.0, 100.0), Placement("far", "R1", 2400.0, 100.0))
    )
    assert found.roll == "R1" and found.x_mm > 2000.0 and 0.1 < found.settled <= found.unsure < 1.0


def test_a_reading_is_asked_for_where_a_blank_would_be_laid_if_it_were_sure() -> None:
    roll = LayoutRoll(
        "R1",
        "A",
        3000.0,
        600.0,
        15.0,
        (0.0, 3000.0),
        np.full((3, 2), 1.03),
        error_mm=np.full((3, 2), 0.03),
        error_reach_mm=(300.0, 900.0),
    )
    blank = Blank("to cast", "body", "A", 400.0, 200.0, 1.0, 1.0, 0.05)
    problem, sheet = (
        LayoutProblem((blank,), (roll,), None, 1.0, 0.95),
        NewSheet("N1", "A", 900.0, 600.0, 1.0, 1.0, 15.0),
    )
    (found,) = next_readings(problem, plan(Placement("to cast", "N1", 20.0, 20.0), sheets=(sheet,)))
    assert found.roll == "R1" and found.blanks == 1 and found.settled > 0.05
    sure = replace(problem, rolls=(replace(roll, error_mm=np.full((3, 2), 0.004)),))
    assert next_readings(sure, plan(Placement("to cast", "N1", 20.0, 20.0), sheets=(sheet,))) == ()


def test_spare_sheets_are_as_many_as_make_it_sure() -> None:
    blanks = tuple(Blank(f"C{k}", "body", "A", 900.0, 280.0, 1.0, 1.0, 0.05) for k in range(6))
    sheets = tuple(NewSheet(f"N{k}", "A", 1000.0, 600.0, 1.0, 1.0, 15.0) for k in range(3))
    placed = tuple(Placement(f"C{k}", f"N{k // 2}", 20.0, 20.0 + 285.0 * (k % 2)) for k in range(6))
    layout, problem = plan(*placed, sheets=sheets), LayoutProblem(blanks, ())

    def found(level: float) -> tuple[object, ...]:
        return spare_sheets(problem, layout, lambda _: CastSpread("A", level, 0.0, 0.0), RECIPES, {"A": 8.8}, PRICES)

    assert found(0.005) == ()
    (some,) = spare_sheets(problem, layout, lambda _: CastSpread("A", 0.03, 0.0, 0.0), RECIPES, {"A": 8.8}, PRICES)
    assert 1 <= len(some.sheets) <= 4 and some.sure_with > some.sure_without
    assert some.worth == pytest.approx(some.mass_kg * PRICES.of(RECIPES["A"].target))
    assert str(told_of_spare([some], "EUR")[0]).startswith("Spare metal of A: ")
    short, enough = replace(some, sure_with=0.85), replace(some, sure_with=0.92)
    assert "short of 90 %" in str(told_of_spare([short], "EUR")[1]) and len(told_of_spare([enough], "EUR")) == 1


def test_where_no_spare_sheet_helps_it_says_why() -> None:
    # a blank of 2 mm on a sheet of 1 mm: no profile near it gives such metal
    blank = Blank("C", "body", "A", 900.0, 280.0, 2.0, 2.0, 0.05)
    layout = plan(Placement("C", "N1", 20.0, 20.0), sheets=(NewSheet("N1", "A", 1000.0, 600.0, 1.0, 1.0, 15.0),))
    problem = LayoutProblem((blank,), ())
    (none,) = spare_sheets(problem, layout, lambda _: CastSpread("A", 0.03, 0.0, 0.0), RECIPES, {"A": 8.8}, PRICES)
    assert none.sheets == () and none.short_mm == pytest.approx((1.94, 2.06), abs=0.03)
    (told,) = told_of_spare([none], "EUR")
    assert "no sheet more makes it surer than 0 %" in str(told) and "may be metal of 1.9" in str(told)


def test_a_roll_that_two_figures_tell_of_is_hardly_known() -> None:
    told = Roll("R1", "A", 2000.0, 600.0, 15.0, ThicknessField.from_grid([0.0, 2000.0], [[1.1, 0.9]], width_mm=600.0))
    table = Roll(
        "R2", "A", 2000.0, 600.0, 15.0, ThicknessField.from_grid([0.0, 2000.0], [[1.1, 0.9]] * 3, width_mm=600.0)
    )
    assert hardly_known([told, table]) == ("R1",)
    errors = roll_errors([told, table])
    assert errors["R1"].sd_mm.min() > 0.01 and errors["R2"].sd_mm.max() == 0.0


def test_tolerances_are_one_sided_and_what_is_worked_fits() -> None:
    said = parse_tolerances(
        "languid -10 % +20 %, planed 0.5 mm; foot of spotted-50 -0.05 mm +0.12 mm; foot -0.1 mm +0.1 mm"
    )
    languid = with_tolerance(Blank("L", "languid", "A", 50.0, 50.0, 2.0, 2.0, 0.3), said)
    assert (languid.tolerance_mm, languid.over_mm, languid.most_over_mm, languid.worked) == (0.2, 0.4, 0.9, "planed")
    foot = Blank("F", "foot", "spotted-50", 50.0, 50.0, 0.6, 0.6, 0.07)
    assert with_tolerance(foot, said).over_mm == 0.12
    assert with_tolerance(replace(foot, alloy="A"), said).over_mm == 0.1
    assert with_tolerance(replace(foot, kind="body"), said).tolerance_mm == 0.07
    roll = LayoutRoll("R1", "A", 500.0, 300.0, 15.0, (0.0, 500.0), np.array([[2.85, 2.85]]))
    problem = LayoutProblem((languid,), (roll,))
    here = Placement("L", "R1", 20.0, 20.0)
    assert "thickness" not in {f.kind for f in verify(problem, plan(here))}
    thin = replace(problem, rolls=(replace(roll, thickness_mm=np.array([[1.75, 1.75]])),))
    assert "thickness" in {f.kind for f in verify(thin, plan(here))}


@pytest.mark.parametrize(
    "text",
    [
        "languid",
        "languid 10 %",
        "languid -10 % +20 % melted 1 mm",
        "body -9 mm +1 mm",
        "body -51 % +1 %",
        "body -1 % +200 %",
        "body -1 mm +1,250 mm",
    ],
)
def test_a_tolerance_that_cannot_be_is_refused(text: str) -> None:
    with pytest.raises(PlanError, match=r"sure\.tolerances"):
        SureSettings(tolerances=text)


@pytest.mark.parametrize(("text", "meant"), [("languids -1 % +1 %", "languid"), ("Bdy of plain-30 -1 % +1 %", "body")])
def test_a_part_that_is_not_known_is_refused_with_the_nearest(text: str, meant: str) -> None:
    with pytest.raises(PlanError, match=f"did you mean '{meant}'") as refused:
        SureSettings(tolerances=text)
    assert text in str(refused.value) and "cap disc" in str(refused.value)
    with pytest.raises(PlanError, match="names a part that is not known: nose"):
        SureSettings(tolerances="nose -1 % +1 %")


def test_parts_may_be_typed_as_german_pages_call_them() -> None:
    german = catalogue("de")
    assert {name: german[name] for name in (*PARTS, *WORKED)} == GERMAN
    for name, typed in GERMAN.items():
        if name in PARTS:
            plain = typed.replace("ß", "ss").replace("ä", "ae").replace("ö", "oe").replace("ü", "ue")
            for way in (typed, typed.upper(), plain.lower()):
                assert parse_tolerances(f"{way} -1 % +2 %")[0].kind == name
    for of in ("von", "aus", "of"):
        (said,) = parse_tolerances(f"Fuß {of} plain-30 -0,05 mm +0,1 mm, gehämmert 0,5 mm")
        assert (said.kind, said.alloy, said.worked) == ("foot", "plain-30", "hammered")
    with pytest.raises(PlanError, match=r"Kern von A -5 % \+0 %"):
        parse_tolerances("Kern von A -5 %")
    with pytest.raises(PlanError, match="did you mean 'Deckel'") as refused:
        parse_tolerances("Dekkel -1 % +1 %")
    assert "Fußfutter" in Words("de").read(refused.value.text())
    with pytest.raises(PlanError, match="twice"):
        parse_tolerances("Kern -1 % +1 %; languid -2 % +2 %")


def test_every_part_that_pipes_are_cut_from_has_a_tolerance_of_its_own() -> None:
    shop = read_shop(packaged_file("rack.csv").parent)
    kinds = {p.kind for pipe in make_pipes(read_organ(packaged_file("organ.toml"), shop), shop) for p in pipe.parts}
    kinds |= {"languid 2", "body 1", "joint 3", "cap disc", "lip lower", "boot toe"}
    blank = Blank("B", "body", "A", 50.0, 50.0, 2.0, 2.0, 0.3)
    for kind in kinds:
        part = replace(blank, kind=kind)
        said = [with_tolerance(part, parse_tolerances(f"{name} -1 % +2 %")) for name in PARTS]
        assert any(b.tolerance_mm == pytest.approx(0.02) for b in said), kind
    both = parse_tolerances("cap -1 % +1 %; cap disc -2 % +2 %")
    assert with_tolerance(replace(blank, kind="cap disc"), both).tolerance_mm == pytest.approx(0.04)
    assert with_tolerance(replace(blank, kind="cap rim"), both).tolerance_mm == pytest.approx(0.02)


def test_an_alloy_that_is_no_recipe_is_refused_where_the_recipes_are_known() -> None:
    said = parse_tolerances("foot of plain-3O -1 % +1 %")
    with pytest.raises(PlanError, match=r"did you mean 'plain-30'.*plain-3O.*allowed: plain-30, gold"):
        check_tolerances(said, ["plain-30", "gold"])
    check_tolerances(parse_tolerances("foot of Plain-30 -1 % +1 %"), ["plain-30", "gold"])


@pytest.mark.parametrize("second", ["Languid of a -2 % +2 %", "languid of A -1 % +1 %, planed 5 mm"])
def test_what_is_said_of_a_part_twice_is_refused_and_both_are_named(second: str) -> None:
    with pytest.raises(PlanError, match="twice") as refused:
        parse_tolerances(f"languid of A -1 % +3 %; languid -1 % +1 %; {second}")
    assert "languid of A -1 % +3 %" in str(refused.value) and second in str(refused.value)


def test_numbers_are_read_as_everywhere_and_a_separator_too_many_is_no_fault() -> None:
    (said,) = parse_tolerances(" BODY -0,05 MM +.5 mm, Planed ,5 mm; ; ")
    assert (said.kind, said.thinner.value, said.thicker.value) == ("body", 0.05, 0.5)
    assert (said.worked, said.worked_up_to.value, said.worked_up_to.percent) == ("planed", 0.5, False)


@pytest.mark.parametrize(
    ("text", "ways"),
    [
        ("body -5 %", ("body -5 % +0 %", "body -5 % +5 %")),
        ("Foot of A +0,1 mm", ("foot of A -0 mm +0,1 mm", "foot of A -0,1 mm +0,1 mm")),
    ],
)
def test_one_end_alone_is_refused_with_the_two_ways_to_say_it(text: str, ways: tuple[str, str]) -> None:
    with pytest.raises(PlanError, match="one end only") as refused:
        parse_tolerances(text)
    for way in ways:
        assert way in str(refused.value) and parse_tolerances(way)


@pytest.mark.parametrize("certainty", [0.0, 0.95])
def test_unworked_metal_goes_before_metal_that_is_to_be_worked(certainty: float) -> None:
    blank = Blank("L", "languid", "A", 300.0, 200.0, 2.0, 2.0, 0.2, thicker_mm=0.2, worked_mm=5.0, worked="planed")
    walls = {"thick": 6.0, "thicker": 2.9, "as it is": 2.1}
    flat = np.ones((1, 2))
    rolls = {
        name: LayoutRoll(name, "A", 1400.0, 300.0, 15.0, (0.0, 1400.0), wall * flat, error_mm=0.02 * flat)
        for name, wall in walls.items()
    }

    def laid(*names: str) -> list[str]:
        problem = LayoutProblem((blank,), tuple(rolls[name] for name in names), certainty=certainty)
        made = solve(problem, iterations=200)
        assert not verify(problem, made)
        return [p.roll for p in made.placements]

    assert laid("thick", "thicker", "as it is") == ["as it is"]
    # where nothing else serves it is worked, rather a little than much
    assert laid("thick", "thicker") == ["thicker"] and laid("thick") == ["thick"]
    # sheets are cast for it as it is
    cast = solve(LayoutProblem((blank,), (), Castable(), certainty=certainty), iterations=200)
    assert cast.new_sheets and all(s.thickness_start_mm < 2.3 for s in cast.new_sheets)


def test_half_a_wall_is_too_much_and_more_than_a_third_is_told() -> None:
    blank = Blank("Principal C foot", "foot", "A", 50.0, 50.0, 0.6, 0.5, 0.07)
    said = parse_tolerances("foot -0.26 mm +0.1 mm")
    with pytest.raises(PlanError, match=r"Principal C foot.*up to 0.25 mm, 50 %"):
        check_tolerances(said, ["A"], [blank])
    check_tolerances(said, ["A"], [replace(blank, top_thickness_mm=0.6), replace(blank, kind="body")])
    assert thin_parts(said, [replace(blank, top_thickness_mm=0.6)]) == ("foot",)
    assert thin_parts(parse_tolerances("foot -33 % +0 %"), [blank]) == ()


def test_less_sure_is_what_its_printed_chance_says() -> None:
    error = np.full((3, 7), 0.03)
    stations = tuple(500.0 * k for k in range(7))
    roll = LayoutRoll("R1", "A", 3000.0, 600.0, 15.0, stations, np.full((3, 7), 1.0), error_mm=error)
    blanks = tuple(Blank(f"B{k}", "body", "A", 30.0, 30.0, 1.0, 1.0, 0.05 + 0.0003 * k) for k in range(60))
    problem = LayoutProblem(blanks, (roll,), certainty=0.95)
    placed = [Placement(b.id, "R1", 20.0 + 40.0 * k, 300.0) for k, b in enumerate(blanks)]
    found = plan_chances(problem, plan(*placed), (), ())
    told = found.blank
    assert set(found.less_sure) == {b for b, chance in told.items() if chance < 0.95} != set()
    assert 0.95 in told.values() and not [c for c in told.values() if 0.945 <= c < 0.95]
    assert {b for b, c in told.items() if in_pencil(c, 0.95)} == set(found.less_sure)
    assert "for want of surer places: B0 (" in str(
        told_of_chances(found, plan(*placed), (), ShopSettings(), Learned())[1]
    )


def test_save_metal_is_yes_or_no_and_told() -> None:
    with pytest.raises(PlanError, match=r"sure\.save_metal"):
        SureSettings(save_metal="perhaps")
    saved = with_errors(LayoutProblem((), ()), (), (), SureSettings(save_metal="yes"))
    assert saved.save_metal and not with_errors(LayoutProblem((), ()), (), (), SureSettings()).save_metal
    one = Count(1.0, 1, 1, 1)
    chances = PlanChances({"C": 0.8}, {}, one, {}, one, one, less_sure=("C",))
    told = [
        told_of_chances(chances, plan(), (), replace(ShopSettings(), sure=SureSettings(save_metal=said)), Learned())[1]
        for said in ("no", "yes")
    ]
    assert "for want of surer places: C (80 %)" in str(told[0]) and "take more metal: C (80 %)" in str(told[1])


@pytest.mark.parametrize("said", [{"certainty": 1.0}, {"cast_room": 0.0}, {"misfit_costs": -1.0}])
def test_settings_out_of_range_are_refused(said: dict[str, float]) -> None:
    with pytest.raises(PlanError, match=f"sure.{next(iter(said))}"):
        SureSettings(**said)  # type: ignore[arg-type]


def test_counts_and_trials_are_told() -> None:
    assert str(count_words(Count(897.4, 889, 903, 904))) == "897 of 904 (889 to 903)"
    sheets = tuple(NewSheet(f"N{k}", "A", 1000.0, 600.0, 1.0, 1.0, 15.0) for k in range(3))
    placed = (Placement("a", "N1", 0.0, 0.0), Placement("b", "N1", 0.0, 0.0), Placement("c", "N2", 0.0, 0.0))
    laid = plan(*placed, sheets=sheets)
    assert [s.id for s in trial_sheets(laid)] == ["N1"]
    # only where it pays: where blanks of the other sheets are in doubt
    assert trial_sheets(laid, {p.blank: 1.0 for p in placed}) == ()
    doubtful = {p.blank: 1.0 if p.roll == "N1" else 0.0 for p in placed}
    assert [s.id for s in trial_sheets(laid, doubtful)] == ["N1"]


def test_what_is_worked_before_it_fits_is_named_with_its_labour() -> None:
    languid = Blank("L", "languid", "A", 50.0, 50.0, 2.0, 2.0, 0.2, thicker_mm=0.2, worked_mm=0.5, worked="planed")
    field = ThicknessField.from_grid([0.0, 500.0], [[2.45, 2.45]], width_mm=300.0)
    roll = Roll("R1", "A", 500.0, 300.0, 15.0, field)
    laid = cut_rolls(
        plan(Placement("L", "R1", 20.0, 20.0)),
        {"R1": roll},
        [ForPipe(languid, "C", "Principal", "C")],
        {"A": 9.0},
        {"R1": 3.0},
        1.0,
    )
    (cut,) = laid[0].cuts
    assert cut.to_work_mm == pytest.approx(0.25)
    assert name_with_labour(cut, UnitSystem(), Words()) == "L, planed 0.25 mm"
    assert str(told_of_labour(laid)[0]) == "Parts that fit once they are worked: languid: 1 planed, 0.25 mm at most."
    as_it_is = replace(cut, actual_mouth_mm=2.1, actual_top_mm=2.1)
    assert as_it_is.to_work_mm == 0.0 and name_with_labour(as_it_is, UnitSystem(), Words()) == "L"


def test_below_the_certainty_is_pencil_above_it_ink_and_gauge_places_are_marked() -> None:
    field = ThicknessField.from_grid([0.0, 900.0], [[1.0, 1.0]], width_mm=300.0)
    roll = Roll("R1", "A", 900.0, 300.0, 15.0, field)
    blanks = [Blank(f"B{k}", "body", "A", 200.0, 100.0, 1.0, 1.0, 0.05) for k in range(2)]
    made = [ForPipe(b, "C", "Principal", "C", chance=chance) for b, chance in zip(blanks, (0.96, 0.93), strict=True)]
    layout = plan(Placement("B0", "R1", 20.0, 20.0), Placement("B1", "R1", 320.0, 20.0))
    laid = cut_rolls(layout, {"R1": roll}, made, {"A": 9.0}, {"R1": 3.0}, 1.0)
    (drawn,) = marked(laid, 0.95, [GaugeMark(3, "R1", 600.0, 150.0), GaugeMark(4, "R2", 0.0, 0.0)])
    assert [c.pencil for c in drawn.cuts] == [False, True] and [m.number for m in drawn.gauge] == [3]
    shapes = [item for item in cutting_sheet(drawn, "Chapel").shapes if isinstance(item, Polygon)]
    outlines = [s for s in shapes if s.layer == "blank"]
    assert [bool(s.dashes) for s in outlines] == [False, True]
    assert [s.layer for s in shapes].count("gauge") == 1
    # once its sheet is measured and the blank is sure, it is ink
    (sure,) = marked([replace(drawn, cuts=tuple(replace(c, chance=0.99) for c in drawn.cuts))], 0.95, [])
    assert not any(c.pencil for c in sure.cuts)
