"""What must hold of every ledger and every search."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.roll import Roll
from pipemetal.shop.envelopes import Envelope, RackIndex, envelope_of
from pipemetal.shop.ledger import Entry, balances, move, opposites, share_of

ACCOUNTS = st.sampled_from(["bought", "lot:A", "lot:B", "melt:1", "roll:R", "pipe:p", "dross"])
ENTRIES = st.builds(
    lambda e, m, pair: Entry(e, m, *pair),
    st.sampled_from(ELEMENTS),
    st.integers(1, 10**14),
    st.tuples(ACCOUNTS, ACCOUNTS).filter(lambda pair: pair[0] != pair[1]),
)


@settings(deadline=None, max_examples=60)
@given(st.lists(ENTRIES, max_size=30))
def test_all_accounts_together_hold_nought(entries: list[Entry]) -> None:
    assert sum(mass for masses in balances(entries).values() for mass in masses.values()) == 0


@settings(deadline=None, max_examples=60)
@given(st.lists(ENTRIES, max_size=20), st.lists(ENTRIES, min_size=1, max_size=10))
def test_taking_back_restores_the_stock_exactly(before: list[Entry], then: list[Entry]) -> None:
    assert balances([*before, *then, *opposites(then)]) == balances(before)


@settings(deadline=None, max_examples=80)
@given(st.dictionaries(st.sampled_from(ELEMENTS), st.integers(1, 10**13), min_size=1), st.floats(0.001, 1.0))
def test_a_share_is_exactly_what_was_asked_and_never_more_than_there_is(stock: dict[str, int], part: float) -> None:
    wanted_kg = sum(stock.values()) * part / 1e9
    if round(wanted_kg * 1e9) <= 0:
        return
    share = share_of(stock, wanted_kg)
    assert sum(share.values()) == min(round(wanted_kg * 1e9), sum(stock.values()))
    assert all(0 < mass <= stock[element] for element, mass in share.items())
    assert all(
        mass >= 0
        for masses in [balances([*move(stock, "bought", "a"), *move(share, "a", "b")])]
        for a, row in masses.items()
        if a != "bought"
        for mass in row.values()
    )


@st.composite
def rolls(draw: st.DrawFn) -> Roll:
    stations, lines = draw(st.integers(2, 7)), draw(st.integers(1, 4))
    grid = draw(
        st.lists(st.lists(st.floats(0.5, 2.0), min_size=stations, max_size=stations), min_size=lines, max_size=lines)
    )
    field = ThicknessField.from_grid(np.linspace(0.0, 2000.0, stations), grid, width_mm=500.0)
    return Roll("R", "a", 2000.0, 500.0, draw(st.floats(0.0, 30.0)), field)


@settings(deadline=None, max_examples=80)
@given(rolls(), st.floats(0.5, 1.5), st.floats(0.05, 1.0))
def test_the_place_found_holds_the_thickness_everywhere_across(roll: Roll, low: float, span: float) -> None:
    high = low + span
    (place,) = RackIndex([envelope_of(roll)]).longest(low, high)
    if np.isnan(place[0]):
        return
    assert roll.trim_mm - 0.01 <= place[0] <= place[1] <= 2000.0 - roll.trim_mm + 0.01
    x, y = np.meshgrid(np.linspace(place[0], place[1], 200), np.linspace(0.0, 500.0, 40))
    thickness = roll.field.at(x, y)
    assert thickness.min() >= low - 1e-3 and thickness.max() <= high + 1e-3


@settings(deadline=None, max_examples=60)
@given(rolls(), st.floats(0.5, 1.5), st.floats(0.05, 1.0))
def test_no_longer_place_is_missed_at_the_stations(roll: Roll, low: float, span: float) -> None:
    high = low + span
    envelope = envelope_of(roll)
    (place,) = RackIndex([envelope]).longest(low, high)
    found = 0.0 if np.isnan(place[0]) else place[1] - place[0]
    x = np.union1d(np.linspace(envelope.stations_mm[0], envelope.stations_mm[-1], 800), envelope.stations_mm)
    good = (np.interp(x, envelope.stations_mm, envelope.thinnest_mm) >= low) & (
        np.interp(x, envelope.stations_mm, envelope.thickest_mm) <= high
    )
    begun, best = None, 0.0
    for place_mm, value in zip(x, good, strict=True):
        begun = (place_mm if begun is None else begun) if value else None
        best = max(best, place_mm - begun if begun is not None else 0.0)
    assert found >= best - 0.5


def test_a_flat_sheet_of_just_the_thickness_asked_is_found() -> None:
    for thickness in (0.57, 0.9, 1.1, 1.15):
        field = ThicknessField.from_grid([0.0, 1000.0], [[thickness, thickness]] * 2, width_mm=500.0)
        (place,) = RackIndex([envelope_of(Roll("R", "a", 1000.0, 500.0, 0.0, field))]).longest(thickness, thickness)
        assert tuple(place) == (0.0, 1000.0)


@settings(deadline=None, max_examples=40)
@given(st.lists(st.tuples(*(st.floats(0.1, 5000.0) for _ in range(3))), min_size=2, max_size=8))
def test_an_envelope_reads_back(points: list[tuple[float, float, float]]) -> None:
    envelope = Envelope(*(tuple(column) for column in zip(*points, strict=True)))
    assert Envelope.from_json(envelope.to_json()) == envelope
