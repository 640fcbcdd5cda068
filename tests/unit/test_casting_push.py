import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from casting_samples import OUTFIT, SLED, SN50, shop, wanted

from pipemetal.casting.calibrate import calibrate
from pipemetal.casting.model import CastingTable, Fluid, Gate, Sled, ThermalSettings
from pipemetal.casting.push import Push, PushCard, push_card, thickness_from_push
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.casting.wanted import Outfit, Wanted
from pipemetal.errors import CastingError


def card(law: ShopLaw | None = None, outfit: Outfit = OUTFIT, **changes: Any) -> PushCard:
    kept = {k: changes.pop(k) for k in ("gate_mm", "charge_kg") if k in changes}
    return push_card(replace(wanted(), **changes), outfit, law, **kept)


def test_a_card_is_chosen_that_a_crew_can_push() -> None:
    found = card()
    speeds = [mark.speed_m_s for mark in found.marks]
    assert 0.4 <= min(speeds) <= max(speeds) <= 1.6
    assert found.charge_kg == pytest.approx(found.scoops * 25 * 0.45359237)
    assert found.head_end_mm > 0.5 * found.gate_mm
    assert found.marks[-1].time_s == pytest.approx(found.push_time_s)
    assert "no logged cast" in found.rests_on and found.regime


def test_the_film_of_the_card_is_that_of_its_push() -> None:
    found = card()
    d, u = [m.distance_m for m in found.marks], [m.speed_m_s for m in found.marks]
    again = thickness_from_push(Push(SN50, 195.0, found.charge_kg, found.gate_mm, d, u), OUTFIT)
    told = np.interp(d, [s.distance_m for s in found.thickness], [s.thickness_mm for s in found.thickness])
    assert [s.thickness_mm for s in again] == pytest.approx(told, rel=0.01)


def test_the_run_up_strip_is_counted() -> None:
    still = replace(OUTFIT, run_up_mm=0.0)
    with_strip, without = card(charge_kg=90.0, gate_mm=2.6), card(None, still, charge_kg=90.0, gate_mm=2.6)
    first_kg = 0.3 * 0.8 * 2.06e-3 * 8470
    # Between once and twice the first film over its length: what is dragged is laid once, what the head drives twice.
    assert 1.05 * first_kg < with_strip.run_up_mass_kg < 2.0 * first_kg
    assert without.run_up_mass_kg == 0.0


def test_the_mass_on_the_table_is_that_of_the_solid_sheet() -> None:
    found = card(None, replace(OUTFIT, run_up_mm=0.0))
    mean = float(np.mean([s.thickness_mm for s in found.thickness]))
    # Shrinkage to the liquidus only: cooling on from there takes another 1.7 % of volume, in all three directions.
    assert found.poured_mass_kg == pytest.approx(4.0 * 0.8 * mean * 1e-3 * 8873, rel=0.02)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: card(end_mm=0.2), "thickness_end_mm"),
        (lambda: card(start_mm=math.nan), "thickness_start_mm"),
        (lambda: card(start_mm=-1.0), "thickness_start_mm"),
        (lambda: card(width_mm=900.0), "wider than the sled"),
        (lambda: card(None, Outfit(SLED, table=CastingTable(4100.0, 900.0))), "longer than the table"),
        (lambda: card(None, Outfit(SLED, table=CastingTable(5000.0, 700.0))), "wider than the table"),
        (lambda: card(pour_temperature_c=170.0), "pour_temperature_c"),
        (lambda: card(pour_temperature_c=math.inf), "pour_temperature_c"),
        (lambda: card(charge_kg=20.0), "charge_kg"),
        (lambda: card(charge_kg=500.0), "charge_kg"),
        (lambda: card(gate_mm=0.5), "gate_mm"),
        (lambda: card(None, Outfit(SLED, ladle_kg=0.0)), "ladle_kg"),
        (lambda: card(None, Outfit(SLED, run_up_mm=-1.0)), "run_up_mm"),
        (lambda: card(None, Outfit(Sled(60, 800)), length_mm=12000.0), "cannot be cast"),
    ],
)
def test_what_cannot_be_cast_is_refused_with_what_could(make: Any, says: str) -> None:
    with pytest.raises(CastingError, match=says) as caught:
        make()
    assert caught.value.allowed


def test_a_sled_that_runs_empty_says_where() -> None:
    push = Push(SN50, 234, 20, 3.5, [0, 4], [1.2, 1.2])
    with pytest.raises(CastingError, match=r"runs empty at \d"):
        thickness_from_push(push, replace(OUTFIT, run_up_mm=0.0))


@pytest.mark.parametrize(
    ("distances", "speeds"),
    [([0, 1], [1.0]), ([1, 2], [1, 1]), ([0, 0], [1, 1]), ([0, 1], [1, 9]), ([0, math.nan], [1, 1]), ([0], [1])],
)
def test_a_push_that_is_none_is_refused(distances: list[float], speeds: list[float]) -> None:
    with pytest.raises(CastingError):
        thickness_from_push(Push(SN50, 234, 60, 3.5, distances, speeds), OUTFIT)


def test_what_no_push_reaches_is_said() -> None:
    # A gate twice too wide: no speed that people can follow brings the sheet down.
    found = card(start_mm=1.2, end_mm=1.0, gate_mm=3.6)
    assert any("not the wanted" in words for words in found.warnings)


def test_thin_metal_is_warned_of() -> None:
    found = card(start_mm=0.8, end_mm=0.7, length_mm=2000.0)
    assert any("holes may open" in words for words in found.warnings)


def test_outside_the_log_is_said_and_the_log_narrows_the_band() -> None:
    law = calibrate(shop(10, 3)).law
    found = card(law, pour_temperature_c=240.0, gate_mm=3.6, charge_kg=110.0)
    assert any(words.startswith("outside your logged range: gate") for words in found.warnings)
    assert "10 logged casts" in found.rests_on and "your last 10 casts say" in found.speed_change
    wide, narrow = (card(known, pour_temperature_c=240.0) for known in (None, law))
    assert (
        narrow.thickness[0].high_mm / narrow.thickness[0].low_mm < wide.thickness[0].high_mm / wide.thickness[0].low_mm
    )


def test_the_push_follows_the_log_and_not_the_law() -> None:
    # A shop whose metal obeys its own head must slow where the sled empties; one whose metal sticks must quicken.
    sheet = {"start_mm": 1.8, "end_mm": 1.35, "pour_temperature_c": 240.0, "charge_kg": 79.4}
    by_head = card(calibrate(shop(8, 4, "orifice")).law, **sheet)
    by_contact = card(calibrate(shop(8, 5, "contact time")).law, **sheet)
    assert by_contact.marks[-1].speed_m_s > 1.3 * by_contact.marks[0].speed_m_s
    assert by_head.marks[-1].speed_m_s < by_head.marks[0].speed_m_s
    assert by_head.regime != by_contact.regime


def test_a_box_without_a_gate_keeps_its_gap() -> None:
    found = card(None, Outfit(SLED, Gate(fixed_mm=2.6)))
    assert found.gate_mm == 2.6


def test_a_table_that_falls_with_the_push_takes_metal_from_the_rear_wall() -> None:
    level, falling = (
        thickness_from_push(
            Push(SN50, 240, 70, 2.6, [0, 4], [1, 1]), Outfit(SLED, table=CastingTable(6000, 900, slope_mm_m=s))
        )
        for s in (0.0, 20.0)
    )
    assert falling[0].thickness_mm < level[0].thickness_mm


def test_settings_that_cannot_be_are_refused() -> None:
    for make in (
        lambda: Sled(-1, 800),
        lambda: Sled(math.nan, 800),
        lambda: Gate(lip_mm=-1),
        lambda: Gate(fixed_mm=0.1),
        lambda: CastingTable(0, 800),
        lambda: CastingTable(4000, 800, slope_mm_m=200.0),
        lambda: ThermalSettings(cloth_conductivity_w_mk=0.0),
        lambda: ThermalSettings(emissivity_metal=1.5),
        lambda: Fluid(math.nan, 1e-3, 0.4),
        lambda: Wanted(SN50, 195.0, -5.0, 800.0, 2.0, 1.5),
    ):
        with pytest.raises(CastingError):
            make()
