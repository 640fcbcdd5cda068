import math

import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.casting.gate import gate_flow, gate_warnings
from pipemetal.casting.model import CastingTable, Coefficients, Fluid, Gate, Sled, ThermalSettings
from pipemetal.casting.practice import practice_words
from pipemetal.casting.push import PushCard, push_card, thickness_from_push
from pipemetal.errors import CastingError

SN50 = Composition.parse("Sn 50 Pb bal")
PRIOR = Coefficients.prior()
METAL = Fluid(8470.0, 2.644e-3, 0.474)


def card(**changes: object) -> PushCard:
    given: dict[str, object] = {
        "comp": SN50,
        "pour_temperature_c": 234.0,
        "length_mm": 4000.0,
        "width_mm": 800.0,
        "thickness_start_mm": 2.0,
        "thickness_end_mm": 1.5,
        "sled": Sled(200, 800),
        "coefficients": PRIOR,
    }
    return push_card(**(given | changes))  # type: ignore[arg-type]


def test_a_card_is_chosen_that_a_crew_can_push() -> None:
    found = card()
    speeds = [mark.speed_m_s for mark in found.marks]
    assert 0.4 <= min(speeds) <= max(speeds) <= 1.6
    assert found.head_end_mm >= 3.0 * found.gate_mm - 1e-6
    assert found.left_kg >= 0.15 * (found.charge_kg - found.run_up_mass_kg)
    assert found.charge_kg == pytest.approx(found.scoops * 11.3)
    assert found.gate_mm == pytest.approx(1.75 / 0.6, rel=0.3)
    assert "no logged cast" in found.rests_on


def test_where_model_and_practice_disagree_both_are_shown() -> None:
    found = card(gate_mm=3.5, charge_kg=66.0, run_up_mm=0.0, sled=Sled(150, 800))
    assert found.speed_change.startswith("slow down")
    assert "56 %" in found.speed_change
    assert any("common practice (no source)" in words for words in found.warnings)


def test_a_full_sled_quickens() -> None:
    found = card(gate_mm=3.5, charge_kg=160.0, sled=Sled(300, 800), run_up_mm=0.0)
    assert found.speed_change.startswith("quicken")


def test_the_run_up_strip_is_counted() -> None:
    with_strip, without = card(charge_kg=90.0, gate_mm=3.0), card(charge_kg=90.0, gate_mm=3.0, run_up_mm=0.0)
    assert with_strip.run_up_mass_kg == pytest.approx(2 * 0.3 * 0.8 * 2.06e-3 * 8470, rel=0.01)
    assert without.left_kg - with_strip.left_kg == pytest.approx(with_strip.run_up_mass_kg, rel=1e-9)


def test_the_mass_on_the_table_is_that_of_the_solid_sheet() -> None:
    found = card(run_up_mm=0.0)
    solid_kg = 4.0 * 0.8 * 1.75e-3 * 8873
    # Shrinkage to the liquidus only: cooling on from there takes another 1.7 % of volume, in all three directions.
    assert found.poured_mass_kg == pytest.approx(solid_kg, rel=0.02)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"thickness_end_mm": 0.2}, "thickness_end_mm"),
        ({"thickness_start_mm": math.nan}, "thickness_start_mm"),
        ({"thickness_start_mm": -1.0}, "thickness_start_mm"),
        ({"width_mm": 900.0}, "wider than the sled"),
        ({"table": CastingTable(4100.0, 900.0)}, "longer than the table"),
        ({"table": CastingTable(5000.0, 700.0)}, "wider than the table"),
        ({"pour_temperature_c": 200.0}, "pour_temperature_c"),
        ({"pour_temperature_c": math.inf}, "pour_temperature_c"),
        ({"charge_kg": 20.0}, "charge_kg"),
        ({"charge_kg": 500.0}, "charge_kg"),
        ({"gate_mm": 0.5}, "gate_mm"),
        ({"gate_mm": 8.0, "thickness_start_mm": 1.0, "thickness_end_mm": 0.5}, "would need a push"),
        ({"scoop_kg": 0.0}, "scoop_kg"),
        ({"run_up_mm": -1.0}, "run_up_mm"),
        ({"length_mm": 12000.0}, "cannot be cast"),
    ],
)
def test_what_cannot_be_cast_is_refused_with_what_could(changes: dict[str, object], says: str) -> None:
    with pytest.raises(CastingError, match=says) as caught:
        card(**changes)
    assert caught.value.allowed


def test_a_box_that_runs_empty_says_where() -> None:
    with pytest.raises(CastingError, match=r"runs empty at \d"):
        thickness_from_push(SN50, 234, 12, 3.5, [0, 4], [1.2, 1.2], Sled(150, 800), PRIOR, run_up_mm=0)


@pytest.mark.parametrize(
    ("distances", "speeds"),
    [([0, 1], [1.0]), ([1, 2], [1, 1]), ([0, 0], [1, 1]), ([0, 1], [1, 9]), ([0, math.nan], [1, 1]), ([0], [1])],
)
def test_a_push_that_is_none_is_refused(distances: list[float], speeds: list[float]) -> None:
    with pytest.raises(CastingError):
        thickness_from_push(SN50, 234, 60, 3.5, distances, speeds, Sled(150, 800), PRIOR)


def test_thin_metal_is_warned_of() -> None:
    found = card(thickness_start_mm=0.8, thickness_end_mm=0.7, length_mm=2000.0)
    assert any("holes may open" in words for words in found.warnings)


def test_outside_the_log_is_said() -> None:
    logged = Coefficients(PRIOR.mean, PRIOR.covariance, 0.05, 0.02, 12, (2.0, 20, 0.8, 10), (2.5, 60, 1.3, 40))
    found = card(coefficients=logged, gate_mm=3.5, charge_kg=90.0)
    assert any(words.startswith("outside your logged range: gate") for words in found.warnings)
    assert "12 logged casts" in found.rests_on


def test_more_casts_narrow_the_band() -> None:
    tight = Coefficients(PRIOR.mean, tuple(tuple(v / 25 for v in row) for row in PRIOR.covariance), 0.03, 0.02, 20)
    wide, narrow = card(gate_mm=3.0, charge_kg=90.0), card(gate_mm=3.0, charge_kg=90.0, coefficients=tight)
    assert narrow.thickness[0].high_mm < wide.thickness[0].high_mm


def test_regimes_past_which_the_model_does_not_hold() -> None:
    drowned = gate_flow(2.5, 60.0, 0.6, METAL, PRIOR)
    assert any("drowns" in words for words in gate_warnings(drowned, 2.5, 60.0))
    stretched = gate_flow(3.5, 30.0, 2.4, METAL, PRIOR)
    assert any("stretched" in words for words in gate_warnings(stretched, 3.5, 30.0))
    low = gate_flow(3.5, 9.0, 0.5, METAL, PRIOR)
    assert any("air may be drawn in" in words for words in gate_warnings(low, 3.5, 9.0))
    with pytest.raises(CastingError, match="does not push"):
        gate_flow(3.5, 2.0, 1.0, METAL, PRIOR)


def test_settings_that_cannot_be_are_refused() -> None:
    for make in (
        lambda: Sled(-1, 800),
        lambda: Sled(math.nan, 800),
        lambda: Gate(lip_mm=-1),
        lambda: CastingTable(0, 800),
        lambda: ThermalSettings(cloth_conductivity_w_mk=0.0),
        lambda: ThermalSettings(emissivity_metal=1.5),
        lambda: Fluid(math.nan, 1e-3, 0.4),
        lambda: Coefficients((0, 0, 0, 0), ((1.0,),), 0.1, 0.1),
        lambda: Coefficients((0, math.nan, 0, 0), PRIOR.covariance, 0.1, 0.1),
    ):
        with pytest.raises(CastingError):
            make()


def test_intervals_of_the_prior() -> None:
    intervals = PRIOR.intervals()
    assert intervals["discharge"] == pytest.approx((0.60, 0.447, 0.805), abs=0.002)
    assert set(intervals) == {"discharge", "gate_zero_mm", "drag_ratio", "superheat_effect"}


def test_practice_stands_beside_the_model_and_says_that_it_has_no_source() -> None:
    alloy, sled, prior = Composition.parse("Sn 50 Pb bal"), Sled(150, 800), Coefficients.prior()
    card = push_card(alloy, 234, 4000, 800, 2.0, 1.5, sled, prior)
    words = practice_words(card, alloy, sled, prior)
    # Six scoops of 25 lb are 68 kg.
    assert "no source" in words and "68 kg" in words and "quickens" in words and "log" in words
    level = push_card(alloy, 234, 3000, 800, 1.5, 1.5, sled, prior)
    assert "quickens" not in practice_words(level, alloy, sled, prior)
