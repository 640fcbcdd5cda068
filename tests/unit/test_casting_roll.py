"""The push says a sheet's shape, a few readings say how thick it is."""

import math

import numpy as np
import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.casting.model import Sled
from pipemetal.casting.push import Push, Station, push_card, thickness_from_push
from pipemetal.casting.roll import expected_field, places_to_gauge, roll_field
from pipemetal.casting.wanted import Outfit, Wanted
from pipemetal.errors import CastingError, SheetError
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading

SN50 = Composition.parse("Sn 50 Pb bal")
LENGTH, WIDTH = 3500.0, 800.0
SIX = [(0.03, 0.1), (0.03, 0.9), (0.97, 0.1), (0.97, 0.9), (0.35, 0.5), (0.65, 0.5)]


def bent_push() -> tuple[Station, ...]:
    """A sheet whose push slowed in the middle: its thickness is no straight line."""
    outfit = Outfit(Sled(220, 800))
    card = push_card(Wanted(SN50, 240, LENGTH, WIDTH, 1.9, 1.5), outfit)
    d = [m.distance_m for m in card.marks]
    u = [m.speed_m_s * (1.0 - 0.25 * math.sin(math.pi * m.distance_m / d[-1])) for m in card.marks]
    return thickness_from_push(Push(SN50, 240, card.charge_kg + 12.0, card.gate_mm, d, u), outfit)


def readings(stations: tuple[Station, ...], factor: float, rng: np.random.Generator) -> list[Reading]:
    d, t = [1e3 * s.distance_m for s in stations], [s.thickness_mm for s in stations]
    return [
        Reading(x * LENGTH, y * WIDTH, factor * float(np.interp(x * LENGTH, d, t)) + float(rng.normal(0.0, 0.005)))
        for x, y in SIX
    ]


def test_six_readings_with_the_push_know_a_bent_sheet_better_than_alone() -> None:
    stations, rng = bent_push(), np.random.default_rng(4)
    d, t = [1e3 * s.distance_m for s in stations], [s.thickness_mm for s in stations]
    x = np.linspace(0.0, LENGTH, 60)
    off = {"push": [], "alone": []}
    for _ in range(8):
        factor = float(np.exp(rng.normal(0.0, 0.05)))
        got = readings(stations, factor, rng)
        for name, field in (
            ("push", roll_field(stations, got, LENGTH, WIDTH)),
            ("alone", fit_field(got, LENGTH, WIDTH)),
        ):
            off[name].append(float(np.sqrt(np.mean((field.at(x, 0.5 * WIDTH) - factor * np.interp(x, d, t)) ** 2))))
    assert float(np.mean(off["push"])) < 0.7 * float(np.mean(off["alone"]))
    assert float(np.mean(off["push"])) < 0.012


def test_without_readings_the_push_alone_speaks_with_its_wide_band() -> None:
    stations = bent_push()
    field = roll_field(stations, [], LENGTH, WIDTH)
    assert float(field.at(0.0, 400.0)) == pytest.approx(stations[0].thickness_mm)
    assert float(field.error_at(0.0, 400.0)) > 0.2
    assert float(expected_field(stations, LENGTH, WIDTH).error_at(1000.0, 1.0)) > 0.2


def test_a_reading_ten_times_too_great_is_still_named() -> None:
    got = readings(bent_push(), 1.0, np.random.default_rng(5))
    x = got[2]
    field = roll_field(bent_push(), [*got[:2], Reading(x.x_mm, x.y_mm, 10.0 * x.thickness_mm), *got[3:]], LENGTH, WIDTH)
    assert [left.index for left in field.left_out] == [2]
    assert "ten-fold" in field.left_out[0].reason


def test_an_expectation_of_another_sheet_is_refused() -> None:
    stations = bent_push()
    with pytest.raises(CastingError, match="stations"):
        expected_field(stations, 2000.0, WIDTH)
    with pytest.raises(SheetError, match="expected"):
        fit_field(
            readings(stations, 1.0, np.random.default_rng(1)),
            LENGTH,
            WIDTH,
            expected=expected_field(stations, LENGTH, 600.0),
        )


def made_sheets(count: int, wave_mm: float, seed: int):
    """Sheets that miss their push in level (5 %), tilt and bow across (0.02 mm), and in waves shorter than a third of them."""
    stations, rng = bent_push(), np.random.default_rng(seed)
    d, t = [1e3 * s.distance_m for s in stations], [s.thickness_mm for s in stations]
    for _ in range(count):
        level, tilt, bow = float(np.exp(rng.normal(0, 0.05))), *(float(v) for v in rng.normal(0.0, 0.02, 2))
        phase = rng.uniform(0.0, 6.0, 2)

        def true(x, y, level=level, tilt=tilt, bow=bow, phase=phase):
            across = 2.0 * np.asarray(y) / WIDTH - 1.0
            wave = np.sin(21.0 * np.asarray(x) / LENGTH + phase[0]) * np.cos(1.5 * across + phase[1])
            return level * np.interp(x, d, t) + tilt * across + bow * across**2 + wave_mm * wave

        yield stations, true, rng


def taken(true, places, rng) -> list[Reading]:
    return [Reading(x, y, float(true(x, y)) + float(rng.normal(0.0, 0.01))) for x, y in places]


def test_six_places_gauged_three_times_serve_as_well_as_thirty_readings_alone() -> None:
    # Root mean square miss over 12 made-up sheets; a single reading at each of the six cannot reach it (docs/casting.md).
    x, y = np.meshgrid(np.linspace(0, LENGTH, 30), np.linspace(0, WIDTH, 9))
    thirty_places = [(a * LENGTH, b * WIDTH) for a in np.linspace(0.03, 0.97, 10) for b in (0.1, 0.5, 0.9)]
    six, thirty = [], []
    for stations, true, rng in made_sheets(12, 0.0, 7):
        pushed = roll_field(stations, taken(true, 3 * places_to_gauge(LENGTH, WIDTH), rng), LENGTH, WIDTH)
        alone = fit_field(taken(true, thirty_places, rng), LENGTH, WIDTH)
        six.append(np.mean((pushed.at(x, y) - true(x, y)) ** 2))
        thirty.append(np.mean((alone.at(x, y) - true(x, y)) ** 2))
    assert float(np.sqrt(np.mean(six))) < 1.25 * float(np.sqrt(np.mean(thirty)))


@pytest.mark.parametrize("wave_mm", [0.0, 0.01])
def test_the_band_of_a_fitted_sheet_holds_it_with_short_waves_too(wave_mm: float) -> None:
    x, y = np.meshgrid(np.linspace(0, LENGTH, 30), np.linspace(0, WIDTH, 9))
    held = []
    for stations, true, rng in made_sheets(14, wave_mm, 8):
        field = roll_field(stations, taken(true, places_to_gauge(LENGTH, WIDTH), rng), LENGTH, WIDTH)
        held.append(np.mean(np.abs(field.at(x, y) - true(x, y)) < 1.96 * field.error_at(x, y)))
    assert float(np.mean(held)) > 0.90


def test_a_shop_whose_sheets_are_uneven_gets_a_wider_band() -> None:
    stations, true, rng = next(iter(made_sheets(1, 0.0, 9)))
    got = taken(true, places_to_gauge(LENGTH, WIDTH), rng)
    even, uneven = (roll_field(stations, got, LENGTH, WIDTH, place_scatter=p) for p in (0.0, 0.03))
    assert uneven.standard_error_mm.mean() > even.standard_error_mm.mean()
