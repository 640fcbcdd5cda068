"""The freezing front against the classical solutions; roots computed from the published equations."""

from __future__ import annotations

import math

import pytest

from pipemetal.casting.front import FrontMetal, effusivity, freezing_front, touch_temperature_c

LEAD = FrontMetal(10660.0, 140.0, 147.0, 31.0, 16.0, 23_000.0, 327.5)
GRANITE = effusivity(2.8, 2650.0, 800.0)
CLOTH = effusivity(0.10, 650.0, 1500.0)


@pytest.mark.parametrize(("stefan", "number"), [(0.1, 0.22002), (0.5, 0.46479), (1.0, 0.62006), (2.0, 0.80060)])
def test_stefans_number(stefan: float, number: float) -> None:
    """sqrt(pi) l exp(l^2) erf(l) = St: Crank 1984, eq. 3.14; Carslaw & Jaeger 1959, ch. XI."""
    metal = FrontMetal(10_000.0, 100.0, 100.0, 30.0, 30.0, 100.0 * 300.0 / stefan, 320.0)
    front = freezing_front(metal, 320.0, 20.0)
    assert front.number == pytest.approx(number, abs=1e-5)
    assert math.sqrt(math.pi) * front.number * math.exp(front.number**2) * math.erf(front.number) == pytest.approx(
        stefan
    )


def test_neumanns_two_phases() -> None:
    """Lead at 360 C on a face held at 20 C: lambda 0.71822, front at 6.547 mm after 1 s (computed root)."""
    front = freezing_front(LEAD, 360.0, 20.0)
    assert front.number == pytest.approx(0.71822, abs=1e-5)
    assert front.depth_mm(1.0) == pytest.approx(6.5467, abs=1e-3)
    assert front.seconds_to(front.depth_mm(7.0)) == pytest.approx(7.0)


def test_schwarz_on_granite() -> None:
    """The same melt on granite at 20 C: lambda 0.2187, touch 302.89 C, 1.993 mm after 1 s (Carslaw & Jaeger)."""
    front = freezing_front(LEAD, 360.0, 20.0, GRANITE)
    assert front.number == pytest.approx(0.2187, abs=1e-4)
    assert front.touch_c == pytest.approx(302.89, abs=0.01)
    assert front.depth_mm(1.0) == pytest.approx(1.993, abs=0.01)


def test_schwarz_on_cloth() -> None:
    """Melt at its melting point on cloth: lambda 0.0482, touch 326.73 C, 0.44 mm after 1 s (computed)."""
    front = freezing_front(LEAD, 327.5, 20.0, CLOTH)
    assert front.number == pytest.approx(0.0482, abs=1e-4)
    assert front.touch_c == pytest.approx(326.73, abs=0.01)
    assert front.depth_mm(1.0) == pytest.approx(0.44, abs=0.01)


def test_effusivities_and_touch_temperatures() -> None:
    """Granite 2436, cloth 312, liquid lead 5007 J/(m2 K s^0.5); 230 C metal touches at 169.4 on granite, 219.6 on cloth.

    The second pair is closed form with the metal's own effusivity, (e1 T1 + e2 T2) / (e1 + e2)."""
    assert pytest.approx(2436.0, abs=1.0) == GRANITE
    assert pytest.approx(312.0, abs=1.0) == CLOTH
    assert effusivity(16.0, 10660.0, 147.0) == pytest.approx(5007.0, abs=1.0)
    metal = 5997.0  # from the stated 169.4 C on granite; then 219.6 C on cloth must follow
    assert touch_temperature_c(metal, 230.0, GRANITE, 20.0) == pytest.approx(169.4, abs=0.1)
    assert touch_temperature_c(metal, 230.0, CLOTH, 20.0) == pytest.approx(219.6, abs=0.1)
