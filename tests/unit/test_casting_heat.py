import math

import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.casting.cooling import cold_pieces, wait_s
from pipemetal.casting.freezing import Until, freeze, heat_curve
from pipemetal.casting.limits import WindowLimits
from pipemetal.casting.model import CastingTable, ThermalSettings
from pipemetal.casting.table import DayCast, day
from pipemetal.casting.way import puddle_mm
from pipemetal.casting.window import pour_window
from pipemetal.errors import CastingError

SN50 = Composition.parse("Sn 50 Pb bal")
LEAD = Composition.parse("Pb 100")


def test_a_sheet_that_is_lifted_early_is_not_all_solid() -> None:
    early = freeze(SN50, 2.0, 234.0, 20.0, 20.0, until=Until(20.0))
    assert math.isnan(early.time_to_solid_s)
    assert early.time_s[-1] == pytest.approx(20.0)


def test_metal_poured_solid_is_solid_at_once() -> None:
    assert freeze(SN50, 2.0, 150.0, 20.0, 20.0, until=Until(5.0)).time_to_solid_s == 0.0


def test_the_table_of_a_shop_gives_its_own_cloth_and_stone() -> None:
    thin = ThermalSettings.of_table(CastingTable(4000, 900, 75, 0.2))
    assert freeze(SN50, 2.0, 234, 20, 20, thin).time_to_30pct_s < 0.6 * freeze(SN50, 2.0, 234, 20, 20).time_to_30pct_s


@pytest.mark.parametrize(
    "given",
    [(0.0, 234, 20, 20), (2.0, math.nan, 20, 20), (2.0, 234, 500, 20), (2.0, 234, 20, 90), (-2.0, 234, 20, 20)],
)
def test_sheets_that_cannot_be_are_refused(given: tuple[float, float, float, float]) -> None:
    with pytest.raises(CastingError):
        freeze(SN50, *given)


def test_casts_of_a_day_must_not_overlap() -> None:
    with pytest.raises(CastingError, match="cast 2"):
        day([DayCast(SN50, 2.0, 234, 0.0), DayCast(SN50, 2.0, 234, 60.0)])


def test_a_fan_cools_the_table() -> None:
    casts = [DayCast(SN50, 2.0, 234, 600.0 * i) for i in range(4)]
    assert day(casts, fan_w_m2k=20.0)[3].stone_top_c < day(casts)[3].stone_top_c - 3.0


def test_an_empty_day_is_empty() -> None:
    assert day([]) == ()


def test_a_cold_gate_raises_the_first_window() -> None:
    first, later = (pour_window(SN50, 2.0, 20, 20, first_cast=f) for f in (True, False))
    # Worked: a cold 2.5 kg steel gate takes about 20 K out of 60 kg.
    assert first.way_loss_k - later.way_loss_k == pytest.approx(21.0, abs=2.0)
    assert first.bands[-1].too_hot_above_c > later.bands[-1].too_hot_above_c + 15.0
    assert first.too_hot_above_c > later.too_hot_above_c + 5.0
    assert any("first cast" in words for words in first.warnings)


def test_a_hotter_table_asks_for_colder_metal() -> None:
    # Worked: about 6.4 K colder for each 10 K of table at 2 mm of Sn50, for the same time to run.
    cold, warm = (pour_window(SN50, 2.0, table, 20).bands[-1].too_hot_above_c for table in (20, 40))
    assert (cold - warm) / 2.0 == pytest.approx(6.4, abs=1.5)


def test_thick_metal_on_a_warm_table_has_no_hot_band_and_says_what_to_do() -> None:
    hot = pour_window(SN50, 3.2, 80, 25, limits=WindowLimits(poured=((50.0, False),)))
    assert hot.empty and hot.regime == "hot"
    assert any("no temperature suits" in words and "slush" in words for words in hot.warnings)
    assert "bars along the sides" in hot.warnings[0]
    barred = pour_window(SN50, 3.2, 80, 25, limits=WindowLimits(poured=((50.0, False),), side_bars=True))
    assert not barred.empty


def test_a_film_thicker_than_a_puddle_is_told_as_such_and_asks_for_bars() -> None:
    # Clean metal stands 3.4 to 4.8 mm high (derived from its surface tension): a thicker film runs whatever its heat.
    assert 3.4 < puddle_mm(SN50) < 4.8 and 3.4 < puddle_mm(LEAD) < 4.8
    for comp in (SN50, LEAD, Composition.parse("Sn 75 Pb bal")):
        thick = pour_window(comp, 5.0, 20, 20, limits=WindowLimits(poured=((comp.wt_pct("Sn"), False),)))
        assert thick.empty and "by itself" in thick.warnings[0] and "bars along the sides" in thick.warnings[0]
        assert not pour_window(comp, 5.0, 20, 20, limits=WindowLimits(side_bars=True)).empty
        assert ("slush" in thick.warnings[0]) == (len(thick.bands) == 2)
    assert "stand only where" in pour_window(SN50, 5.0, 20, 20).why


def test_slush_and_hot_band_say_what_sets_their_ends() -> None:
    slush, hot = pour_window(SN50, 2.0, 20, 20).bands
    assert slush.too_hot_above_c < hot.too_cold_below_c
    assert "sets in the sled" in slush.cold_end and "runs off the sides" in slush.hot_end
    assert "grains at the gate" in hot.cold_end


def test_the_band_is_the_metals_own_until_the_log_says_otherwise() -> None:
    # Tin as it begins to grain, lead as hot as paper bears (Encyclopedie, t. 11, 1765, p. 635).
    assert pour_window(Composition.parse("Sn 75 Pb bal"), 1.5, 20, 20).regime == "slush"
    assert pour_window(LEAD, 2.0, 20, 20).regime == "hot"
    by_log = pour_window(SN50, 2.0, 20, 20, limits=WindowLimits(poured=((50.0, False),)))
    assert by_log.regime == "hot" and "by its log" in by_log.why


def test_the_slushy_band_moves_with_stone_and_alloy_and_thickness() -> None:
    usual, warm = (pour_window(SN50, 2.0, table, 20) for table in (20, 60))
    assert warm.try_high_c < usual.try_high_c
    assert pour_window(SN50, 1.0, 20, 20).too_hot_above_c > usual.too_hot_above_c
    assert pour_window(Composition.parse("Sn 30 Pb bal"), 2.0, 20, 20).try_low_c > usual.try_high_c


def test_ripples_are_not_blamed_where_heat_sets_the_lower_end() -> None:
    thick = pour_window(LEAD, 5.4, 20, 20)
    assert not any("ripples" in words for words in thick.warnings)
    thin = pour_window(Composition.parse("Sn 15 Pb bal"), 1.2, 20, 20)
    assert any("ripples" in words for words in thin.warnings) or thin.empty


def test_no_band_is_without_width() -> None:
    for comp in (SN50, LEAD, Composition.parse("Sn 62 Pb bal")):
        for thickness in (0.8, 2.0, 5.0):
            for band in pour_window(comp, thickness, 40, 20).bands:
                assert band.try_high_c - band.try_low_c > 1.0


def test_lead_warns_of_the_cloth_and_never_calls_anything_safe() -> None:
    window = pour_window(LEAD, 2.0, 20, 20)
    assert any("350 C" in words for words in window.warnings)
    assert window.too_hot_above_c <= 450.0
    assert not any("safe" in words for words in window.warnings)


def test_limits_from_the_shop_are_used_and_named() -> None:
    own = WindowLimits(
        shortest_mobile_s=6, calm_mobile_s=9, longest_mobile_s=12, verdicts_used=17, poured=((50.0, False),)
    )
    window = pour_window(SN50, 1.5, 20, 20, limits=own)
    assert window.too_hot_above_c < pour_window(SN50, 1.5, 20, 20).bands[-1].too_hot_above_c
    assert "17 logged verdicts" in window.rests_on
    with pytest.raises(CastingError):
        WindowLimits(shortest_mobile_s=30.0)


def test_cold_pieces_come_in_two_steps_with_cautions() -> None:
    pieces = cold_pieces(SN50, 60, 340, 290)
    assert pieces.first_kg == pytest.approx(2 * pieces.then_kg)
    assert pieces.low_kg < pieces.total_kg < pieces.high_kg
    assert any("dry" in words for words in pieces.cautions)


@pytest.mark.parametrize(("start", "end"), [(290, 290), (290, 300), (290, 200), (290, math.nan), (math.inf, 250)])
def test_metal_cools_only_downwards_and_not_below_its_liquidus(start: float, end: float) -> None:
    with pytest.raises(CastingError):
        cold_pieces(SN50, 60, start, end)
    with pytest.raises(CastingError):
        wait_s(SN50, 60, start, end)


def test_the_heat_at_a_share_of_solid_is_where_the_share_is_found() -> None:
    curve = heat_curve(SN50)
    for share in (0.05, 0.25, 0.75):
        assert curve.solid_at(curve.heat_at_solid(share)) == pytest.approx(share, abs=1e-9)


def test_metal_may_not_stiffen_under_the_gate() -> None:
    # 20 % tin stiffens at the gate sooner than ripples freeze in: the lower limit lies above what ripples alone ask.
    lead_rich = Composition.parse("Sn 20 Pb bal")
    easy = WindowLimits(shortest_mobile_s=0.2)
    assert pour_window(lead_rich, 2.0, 20, 20, limits=easy).too_cold_below_c > 280.0


def test_a_reading_of_the_table_at_any_time_between_sheets_wins_from_then_on() -> None:
    casts = [DayCast(SN50, 2.0, 234.0, 900.0 * i) for i in range(3)]
    planned = day(casts)
    told = day(casts, readings=[(700.0, planned[1].cloth_c + 12.0)])
    assert told[1].measured and not told[0].measured and not told[2].measured
    assert told[1].cloth_c > planned[1].cloth_c + 8.0 and told[2].cloth_c > planned[2].cloth_c
    # Read at the moment of the cast, the cast begins at just that temperature.
    assert day(casts, readings=[(900.0, 50.0)])[1].cloth_c == pytest.approx(50.0)
    with pytest.raises(CastingError, match="while a sheet lay"):
        day(casts, readings=[(950.0, 40.0)])
