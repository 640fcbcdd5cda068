"""A roll's thickness from its push and a few readings: the push says the shape, the readings say how thick."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipemetal.casting.model import TWO_SIDED_95
from pipemetal.casting.push import Station
from pipemetal.errors import CastingError
from pipemetal.sheets.field import ThicknessField
from pipemetal.sheets.fit import fit_field
from pipemetal.sheets.readings import Reading
from pipemetal.texts import Amount, Text

__all__ = ["expected_field", "places_to_gauge", "roll_field"]

_STATIONS, _LINES = 25, 3


def expected_field(stations: Sequence[Station], length_mm: float, width_mm: float) -> ThicknessField:
    """The field that a push should give: alike across, with the standard error that its band states.

    Arguments:
        stations: of a card or of :func:`pipemetal.casting.push.thickness_from_push`, from the sheet's beginning to
    its end. Raises:
        CastingError: stations that do not reach from end to end.

    >>> field = expected_field([Station(0.0, 2.0, 1.8, 2.2), Station(3.0, 1.5, 1.35, 1.65)], 3000.0, 700.0)
    >>> round(float(field.at(1500.0, 300.0)), 3)
    1.75
    """
    x = np.array([1e3 * s.distance_m for s in stations])
    if len(x) < 2 or x[0] > 1.0 or abs(x[-1] - length_mm) > 0.02 * length_mm:
        raise CastingError(
            "must reach from the beginning of the sheet to its end",
            field="stations",
            value=[round(float(v)) for v in x[:6]],
            allowed=Text("0 to {length_mm}", length_mm=Amount.short(length_mm, "mm")),
        )
    places = np.linspace(0.0, length_mm, _STATIONS)
    mean = np.interp(places, x, [s.thickness_mm for s in stations])
    error = np.interp(places, x, [(s.high_mm - s.low_mm) / (2.0 * TWO_SIDED_95) for s in stations])
    return ThicknessField(length_mm, width_mm, places, np.tile(mean, (_LINES, 1)), np.tile(error, (_LINES, 1)))


def roll_field(
    stations: Sequence[Station],
    readings: Sequence[Reading],
    length_mm: float,
    width_mm: float,
    *,
    gauge_sd_mm: float = 0.01,
    place_scatter: float = 0.0,
) -> ThicknessField:
    """The field of a cast sheet from its push and its readings; without readings, what the push should give.

    Six places serve: see :func:`places_to_gauge`. ``place_scatter``: how uneven this shop's sheets are from place to
    place, as a share of thickness (``ShopLaw.station_scatter`` of its log); it widens the band of few readings.

    Raises:
        CastingError, SheetError: see :func:`expected_field` and :func:`pipemetal.sheets.fit.fit_field`.
    """
    expected = expected_field(stations, length_mm, width_mm)
    return (
        fit_field(
            readings,
            length_mm,
            width_mm,
            gauge_sd_mm=gauge_sd_mm,
            expected=expected,
            usual_wave_mm=place_scatter * expected.mean_mm,
        )
        if readings
        else expected
    )


def places_to_gauge(length_mm: float, width_mm: float) -> tuple[tuple[float, float], ...]:
    """Where six readings (better: three at each place) say most about a sheet whose push is known: x along, y across,
    in mm.

    The middle of both ends, and near both edges at a third and two thirds of the length. Sources: an exchange search
    for the least mean variance over a sheet that may miss its push in level, tilt, curve and bow (docs/casting.md has
    the figures).

    >>> places_to_gauge(3000.0, 800.0)[:2]
    ((90.0, 400.0), (1050.0, 40.0))
    """
    shares = ((0.03, 0.5), (0.35, 0.05), (0.35, 0.95), (0.65, 0.05), (0.65, 0.95), (0.97, 0.5))
    return tuple((round(x * length_mm, 1), round(y * width_mm, 1)) for x, y in shares)
