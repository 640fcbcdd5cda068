import math

import pytest

from pipemetal.alloys.composition import Composition, mix
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import AlloyError


@pytest.mark.parametrize(
    ("written", "sn", "pb"),
    [
        ("Sn 52 Sb 0.4 Bi 0.2 Pb bal", 52.0, 47.4),
        ("Sn50Pb50", 50.0, 50.0),
        ("SN50PB50", 50.0, 50.0),
        ("sn 52,5 pb rest", 52.5, 47.5),
        ("63Sn37Pb", 63.0, 37.0),
        ("Sn 52, Pb 48", 52.0, 48.0),
        ("Sn: 30 %, Sb: 0.5 wt%, Pb: balance", 30.0, 69.5),
        ("Sn 30 Pb", 30.0, 70.0),
        ("Pb bal", 0.0, 100.0),
        ("PbBal Sn 30", 30.0, 70.0),
        ("Sn bal Pb 40", 60.0, 40.0),
        ("Sn 60.02 Pb 40.02", 59.9960016, 40.0039984),
    ],
)
def test_a_composition_reads_as_people_write_it(written: str, sn: float, pb: float) -> None:
    comp = Composition.parse(written)
    assert comp.wt_pct("Sn") == pytest.approx(sn, abs=2e-5)
    assert comp.wt_pct("Pb") == pytest.approx(pb, abs=2e-5)
    assert math.fsum(comp.fractions) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("", "is empty"),
        ("   ", "is empty"),
        ("%", "names no element"),
        ("Sn 52", "does not add up"),
        ("Sn 50 Pb 49.9", "does not add up"),
        ("Sn 101 Pb bal", "not a percentage"),
        ("Sn 60 Sb 41 Pb bal", "leaves nothing"),
        ("Sn -5 Pb bal", "not a percentage"),
        ("Sn nan Pb bal", "not a number"),
        ("Sn 50 Zn 2 Pb bal", "not an element that this model knows"),
        ("Sn 50 Sn 50", "given twice"),
        ("Sn bal Pb bal", "two elements without an amount"),
        ("60/40", "without its element"),
        ("Sn 50 50 Pb", "without its element"),
        ("Sn 50 Pb ?", "cannot be read at"),
        ("bal", "without its element"),
    ],
)
def test_what_is_not_a_composition_is_refused_with_one_clear_message(written: str, says: str) -> None:
    with pytest.raises(AlloyError, match=says):
        Composition.parse(written)


def test_the_refusal_of_an_unknown_element_lists_the_known_ones() -> None:
    with pytest.raises(AlloyError, match="Pb, Sn, Sb, Bi, Cu, Ag, As"):
        Composition.parse("Sn 50 Zn 2 Pb bal")


@pytest.mark.parametrize("mapping", [{"Sn": math.nan, "Pb": 50.0}, {"Sn": math.inf}, {"sn": 50.0, "Sn": 50.0}, {}])
def test_a_mapping_is_held_to_the_same_rules(mapping: dict[str, float]) -> None:
    with pytest.raises(AlloyError):
        Composition.from_wt_pct(mapping)


@pytest.mark.parametrize("mass_kg", [-1.0, math.nan, math.inf])
def test_a_mass_that_is_no_mass_cannot_be_mixed(mass_kg: float) -> None:
    with pytest.raises(AlloyError, match="mass_kg"):
        mix([(mass_kg, Composition.parse("Pb 100")), (1.0, Composition.parse("Sn 100"))])
    with pytest.raises(AlloyError, match="no mass to mix"):
        mix([])


def test_a_recipe_says_which_element_is_outside_its_window() -> None:
    recipe = Recipe("spotted", Composition.parse("Sn 52 Sb 0.4 Pb bal"), (("Sn", 51, 53), ("Cu", 0, 0.1)))
    assert recipe.window("Sn") == (51.0, 53.0)
    assert recipe.window("Bi") == (0.0, 100.0)
    assert recipe.misses(Composition.parse("Sn 52 Pb bal")) == []
    assert recipe.misses(Composition.parse("Sn 50 Cu 0.2 Pb bal")) == [("Sn", 50.0, 51.0, 53.0), ("Cu", 0.2, 0.0, 0.1)]


@pytest.mark.parametrize(
    "windows",
    [(("Sn", 53, 51),), (("Sn", 30, 40),), (("Zn", 0, 1),), (("Sn", 51, 53), ("Sn", 50, 54)), (("Sn", math.nan, 53),)],
)
def test_a_recipe_that_cannot_be_met_is_refused(windows: tuple[tuple[str, float, float], ...]) -> None:
    with pytest.raises(AlloyError):
        Recipe("spotted", Composition.parse("Sn 52 Pb bal"), windows)
