import math

import pytest

from pipemetal.alloys.assay import (
    Beside,
    Calibration,
    Reading,
    Weighing,
    analysed,
    calibrate_weighing,
    combine_readings,
    density_from_weighing,
    match_analysis,
    tin_from_weighing,
    water_density_g_cm3,
)
from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import AlloyError

SPOTTED = Recipe("spotted", Composition.parse("Sn 52 Sb 0.4 Pb bal"), (("Sn", 51, 53), ("Sb", 0.3, 0.5)))
PLAIN = Recipe("plain", Composition.parse("Sn 30 Sb 0.6 Pb bal"), (("Sn", 29, 31), ("Sb", 0.4, 0.8)))


def test_a_big_worked_piece_on_a_good_balance_is_known_to_half_a_percent() -> None:
    found = tin_from_weighing(Weighing(200.0, 177.5))
    assert found.sn_wt_pct_high - found.sn_wt_pct == pytest.approx(0.45, abs=0.1)


def test_a_casting_is_known_worse_and_on_the_low_side() -> None:
    worked, cast = (tin_from_weighing(Weighing(200.0, 177.5), state=state) for state in ("worked", "as cast"))
    assert cast.sn_wt_pct_low < worked.sn_wt_pct_low - 0.5
    assert cast.sn_wt_pct_high == worked.sn_wt_pct_high
    assert any("pores" in note for note in cast.notes)


def test_unknown_antimony_widens_the_interval() -> None:
    known, unknown = (
        tin_from_weighing(Weighing(200.0, 177.5), Beside(sb_wt_pct=0.5, sb_uncertainty_wt_pct=u)) for u in (0.0, 0.5)
    )
    assert unknown.sn_wt_pct_high - unknown.sn_wt_pct > known.sn_wt_pct_high - known.sn_wt_pct + 0.2


def test_pure_pieces_weighed_the_same_way_narrow_the_interval() -> None:
    table = tin_from_weighing(Weighing(200.0, 177.5))
    own = tin_from_weighing(Weighing(200.0, 177.5), calibration=Calibration(11.33, 7.28, 0.0))
    assert own.sn_wt_pct_high - own.sn_wt_pct < table.sn_wt_pct_high - table.sn_wt_pct


@pytest.mark.parametrize(
    ("air_g", "water_g"), [(50, 50), (50, 60), (0, 0), (-5, 2), (math.nan, 2), (50, math.inf), (50, 30), (50, 46)]
)
def test_weights_of_no_lead_tin_metal_are_refused(air_g: float, water_g: float) -> None:
    with pytest.raises(AlloyError):
        tin_from_weighing(Weighing(air_g, water_g))


def test_water_has_its_greatest_density_at_four_degrees() -> None:
    assert water_density_g_cm3(4.0) > max(water_density_g_cm3(3.0), water_density_g_cm3(5.0))
    with pytest.raises(AlloyError):
        density_from_weighing(50.0, 44.0, 60.0)


def test_the_nearest_recipe_comes_first_and_says_what_is_off() -> None:
    matches = match_analysis({"Sn": (50.0, 0.5), "Sb": (0.45, 0.05)}, [PLAIN, SPOTTED])
    assert [m.recipe.name for m in matches] == ["spotted", "plain"]
    assert matches[0].distance == pytest.approx(2.0)
    assert matches[0].words == "Sn 50 is 1 below 51: 2.0 sigma"
    assert matches[0].misses[0].element == "Sn"


def test_an_analysis_inside_every_window_is_at_no_distance() -> None:
    (match,) = match_analysis({"Sn": 52.2}, [SPOTTED])
    assert match.distance == 0.0
    assert "every measured element" in match.words


def test_readings_that_scatter_more_than_they_claim_are_believed_less() -> None:
    (calm,) = combine_readings([Reading("Sn", 50.0, 0.5), Reading("Sn", 50.2, 0.5)])
    (wild,) = combine_readings([Reading("Sn", 48.0, 0.5), Reading("Sn", 52.2, 0.5)])
    assert wild.uncertainty_wt_pct > 2.0 * calm.uncertainty_wt_pct


def test_a_reading_below_its_limit_becomes_half_of_it() -> None:
    (found,) = combine_readings([Reading("Cu", 0.06, 0.01, below_limit=True)])
    assert (found.wt_pct, found.below_limit) == (0.03, True)


@pytest.mark.parametrize("reading", [("Zn", 1.0, 0.1), ("Sn", 101.0, 0.1), ("Sn", math.nan, 0.1), ("Sn", 50.0, 0.0)])
def test_readings_that_are_none_are_refused(reading: tuple[str, float, float]) -> None:
    with pytest.raises(AlloyError):
        Reading(*reading)
    with pytest.raises(AlloyError, match="no reading"):
        match_analysis({}, [SPOTTED])


def test_antimony_that_nobody_knows_reaches_down_by_a_percent_and_a_quarter() -> None:
    without, unknown = (tin_from_weighing(Weighing(200.0, 177.5), Beside(sb_wt_pct=sb)) for sb in (0.0, None))
    assert unknown.sn_wt_pct == without.sn_wt_pct
    assert without.sn_wt_pct_low - unknown.sn_wt_pct_low == pytest.approx(1.25, abs=0.01)
    assert any("antimony is not known" in note for note in unknown.notes)


def test_the_thread_is_taken_off() -> None:
    bare = tin_from_weighing(Weighing(200.0, 177.5))
    threaded = tin_from_weighing(Weighing(200.0, 177.7, thread_water_g=0.2))
    assert threaded.sn_wt_pct == pytest.approx(bare.sn_wt_pct)
    with pytest.raises(AlloyError, match="thread"):
        tin_from_weighing(Weighing(200.0, 177.5, thread_water_g=math.nan))


def test_two_pure_pieces_take_out_a_water_that_nobody_knows() -> None:
    # Everything is weighed in brine 2 % denser than water and taken for water.
    brine, air = 1.02 * water_density_g_cm3(20.0), 0.0012

    def hanging(mass_g: float, density: float) -> float:
        return mass_g - (brine - air) * mass_g / (density - air)

    pure = calibrate_weighing((200.0, hanging(200.0, 11.34)), (150.0, hanging(150.0, 7.287)))
    piece = 1.0 / (0.5 / 7.287 + 0.5 / 11.34)
    read = hanging(200.0, piece)
    assert tin_from_weighing(Weighing(200.0, read), calibration=pure).sn_wt_pct == pytest.approx(50.0, abs=0.05)
    assert abs(tin_from_weighing(Weighing(200.0, read)).sn_wt_pct - 50.0) > 3.0


def test_pieces_that_are_not_pure_are_no_calibration() -> None:
    with pytest.raises(AlloyError, match="do not look like pure lead"):
        calibrate_weighing((200.0, 182.4), (150.0, 132.0))


def test_an_analysis_becomes_a_composition_with_an_interval_for_every_element() -> None:
    found = analysed(
        [Reading("Sn", 49.0, 0.5, method="XRF"), Reading("Sn", 50.0, 0.5, method="wet"), Reading("Sb", 0.4, 0.1)]
    )
    assert found.composition.wt_pct("Sn") == pytest.approx(49.5)
    assert found.interval("Sn") == pytest.approx((49.5 - 0.98, 49.5 + 0.98), abs=0.4)
    assert found.interval("Cu") == (0.0, 0.5)
    assert any("Pb is the rest" in note for note in found.notes)
    assert any("not measured" in note and "Bi" in note for note in found.notes)


def test_scrap_of_which_little_is_known_gets_a_wide_interval() -> None:
    low, high = analysed([Reading("Sn", 40.0, 8.0)]).interval("Pb")
    assert low < 40.0 and high > 74.0


def test_percentages_that_do_not_add_up_are_refused() -> None:
    with pytest.raises(AlloyError, match="do not add up"):
        analysed([Reading("Sn", 60.0, 0.5), Reading("Pb", 45.0, 0.5)])
    with pytest.raises(AlloyError, match="do not add up"):
        analysed([Reading("Sn", 40.0, 0.5), Reading("Pb", 45.0, 0.5)])
    with pytest.raises(AlloyError, match="no reading of tin or lead"):
        analysed([Reading("Sb", 1.0, 0.1)])
    brought = analysed([Reading("Sn", 50.5, 0.4), Reading("Pb", 50.2, 0.4)])
    assert brought.composition.wt_pct("Sn") == pytest.approx(100 * 50.5 / 100.7)


def test_a_superscript_among_the_words_of_an_analysis_is_a_word() -> None:
    from pipemetal.alloys.library import _in_words

    assert _in_words("Zn 0.25 cm² ² Fe 0.1") == 0.35
