"""From scattered gauge readings to a thickness field: kriging with a trend, and a test for gross errors."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from pipemetal.errors import SheetError
from pipemetal.sheets.checks import checked_number
from pipemetal.sheets.field import THICKEST_MM, THINNEST_MM, FloatArray, ThicknessField
from pipemetal.sheets.fit_model import Model, predict, solve
from pipemetal.sheets.readings import LeftOut, Reading, checked_readings, why_left_out
from pipemetal.texts import Amount, Text

__all__ = ["fit_field"]

# A reading is gross when it stands this many standard deviations from what all others say of its place.
GROSS_SDS = 4.5
# More readings left out than this share: the readings disagree, and no field is given.
MOST_LEFT_OUT = 0.35
# Grid of covariance parameters tried: correlation lengths as shares of the sheet, signal over gauge deviation.
LENGTH_SHARES = (0.1, 0.2, 0.4, 0.8)
WIDTH_SHARES = (0.4, 1.0)
SIGNAL_SDS = (0.5, 1.5, 4.0, 10.0)
NOISE_SDS = (1.0, 1.5, 2.5)
FIT_STATIONS, FIT_LINES = 25, 9
# Random starts of the robust fit: with one reading in five gross, none of them clean has a chance below 1e-20.
STARTS = 300
# How far a sheet may miss the shape that its push should have given, beside a level of its own: tilted along, curved
# along, tilted across, bowed across (one standard deviation at the edge, mm), and in smooth waves (times the gauge).
# estimate.
PUSH_SLOPE_MM, PUSH_CURVE_MM, PUSH_TILT_MM, PUSH_BOW_MM = 0.015, 0.015, 0.025, 0.025
PUSH_SIGNAL_SDS, PUSH_SIGNAL_USUAL = (0.2, 0.6, 1.2, 2.5, 5.0), 1.2
FEWEST_KEPT = 4
# Where readings were left out of few, what is kept may be the wrong ones: the band is this much wider for each share
# left out.
DOUBTED = 2.0
# Waves too short for the readings to follow, times the gauge: tried sizes, and their usual size (half-Cauchy).
# estimate.
WAVE_SDS, WAVE_USUAL = (0.0, 0.25, 0.5, 0.75, 1.0, 1.4, 2.0, 3.0), 2.2
# Waves between stations along, one standard deviation in mm: what a cast sheet may have that a few stations cannot
# show, the share of the length within which readings are one station, and how many stations show them all. estimate.
UNSEEN_WAVE_MM, SAME_STATION, STATIONS_THAT_SHOW = 0.025, 0.03, 16
# Few readings find the waves' lengths and sizes too: the band is wider by this over their number, in squares. estimate.
FEW_TELL = 6.0
# Fewer readings cannot rule out waves: the departure is then at least this many gauge deviations.
FEW_READINGS, FEW_SIGNAL_SDS = 20, 1.5
# Covariance parameters are chosen by at most so many readings.
MOST_TRIED = 160
# With more readings the likeliest parameters alone serve.
MOST_AVERAGED = 60
_Points = tuple[FloatArray, FloatArray, FloatArray]


def fit_field(
    readings: Sequence[Reading],
    length_mm: float,
    width_mm: float,
    *,
    gauge_sd_mm: float = 0.01,
    expected: ThicknessField | None = None,
    usual_wave_mm: float = 0.0,
) -> ThicknessField:
    """The thickness field of a sheet from 6 to 2000 gauge readings anywhere on it, repeats allowed.

    A trend straight along the sheet, a curve along, a tilt and a bow across of a size common in casting, and a smooth
    departure whose lengths and size are chosen by restricted likelihood. A reading is left out when it stands more
    than 4.5 standard deviations from what all the others predict for its place (leave one out), worst first, and comes
    back if the final field accepts it; the reason names a ten-fold reading or swapped digits where that explains it.
    The standard error holds the uncertainty of the trend, so it grows away from the readings, and waves too short for
    the readings to follow: what they scatter beyond the gauge, held by an estimate of what is usual where they are few.

    Arguments: sizes of the untrimmed sheet; `gauge_sd_mm`: repeatability of the gauge (one standard deviation);
    `expected`: what its push should have given: the sheet is this times a level of its own, nearly, so that fewer
    readings serve; field and error are then means over all covariance parameters, for few readings cannot choose.
    `usual_wave_mm`: how far this shop's sheets are uneven from place to place (one standard deviation), where that is
    known to be more than 0.7 of the gauge's.
    Raises: SheetError for readings that cannot be or that disagree (more than 35 % would be left out).
    Sources: universal kriging and its leave-one-out residuals: Rasmussen & Williams 2006, Gaussian Processes for
    Machine Learning, sections 2.7 and 5.4.2; start of the robust fit: Rousseeuw 1984, J. Am. Stat. Assoc. 79, 871.

    >>> readings = [Reading(x, y, 1.2 - 1e-4 * x) for x in (0.0, 500.0, 1000.0) for y in (50.0, 300.0, 550.0)]
    >>> field = fit_field([*readings, Reading(250.0, 300.0, 11.75)], 1000.0, 600.0)
    >>> field.left_out[0].index, round(float(field.at(250.0, 300.0)), 3)
    (9, 1.175)
    """
    length = checked_number(length_mm, field="length_mm", above=0.0)
    width = checked_number(width_mm, field="width_mm", above=0.0)
    gauge = checked_number(gauge_sd_mm, field="gauge_sd_mm", above=0.0, high=1.0)
    uneven = max(
        1.0, checked_number(usual_wave_mm, field="usual_wave_mm", low=0.0, high=1.0) / (PUSH_SIGNAL_USUAL * gauge)
    )
    kept_readings = checked_readings(readings, length, width)
    x = np.array([r.x_mm for r in kept_readings]) / length
    y = np.array([r.y_mm for r in kept_readings]) / width
    measured = np.array([r.thickness_mm for r in kept_readings])
    shape = _shape(expected, length, width)
    t = measured / shape(x, y)
    models = _models(gauge, t.size, pushed=expected is not None)
    kept = _robust_start(x, y, t, gauge)
    model = _best_model(x[kept], y[kept], t[kept], models)
    kept = _without_gross(x, y, t, kept, model)
    model = _best_model(x[kept], y[kept], t[kept], models)
    kept = _readmitted(x, y, t, _without_gross(x, y, t, kept, model), model)
    left = np.nonzero(~kept)[0]
    _check_enough_agree(measured, left)
    points = (x[kept], y[kept], t[kept])
    stations, lines = np.linspace(0.0, 1.0, FIT_STATIONS), np.linspace(0.0, 1.0, FIT_LINES)
    grid_x, grid_y = np.meshgrid(stations, lines)
    pool = models if kept.sum() <= MOST_AVERAGED else [model]
    mean, error = _averaged(points, pool, gauge, grid_x.ravel(), grid_y.ravel(), uneven)
    error *= math.sqrt(1.0 + DOUBTED * left.size / t.size) * math.sqrt(1.0 + FEW_TELL / float(kept.sum()))
    waves = math.hypot(_short_waves(points, model, gauge, uneven), _between_stations(points[0]))
    error = np.hypot(error, waves) * shape(grid_x.ravel(), grid_y.ravel())
    mean = np.clip(mean * shape(grid_x.ravel(), grid_y.ravel()), THINNEST_MM, THICKEST_MM)
    at_left = _averaged(points, [model], gauge, x[left], y[left])[0] * shape(x[left], y[left])
    named = tuple(
        LeftOut(int(k), kept_readings[k], why_left_out(float(measured[k]), float(there), gauge))
        for k, there in zip(left, at_left, strict=True)
    )
    return ThicknessField(
        length,
        width,
        stations * length,
        mean.reshape(grid_x.shape),
        error.reshape(grid_x.shape),
        named,
        model.noise_mm,
        int(kept.sum()),
        np.stack([x[kept] * length, y[kept] * width, measured[kept]], axis=1),
        gauge,
    )


def _check_enough_agree(measured: FloatArray, left: np.ndarray) -> None:
    """Refuse readings of which too many were left out. Errors: SheetError."""
    kept, names = measured.size - left.size, ", ".join(f"{k + 1} ({measured[k]:g} mm)" for k in left[:12])
    if left.size > MOST_LEFT_OUT * measured.size:
        raise SheetError(
            "disagree: no smooth sheet passes near enough of them",
            field="readings",
            value=f"{left.size} of {measured.size} off: {names}",
            allowed=Text("at most {percent} % gross errors", percent=Amount(100.0 * MOST_LEFT_OUT)),
        )
    if kept < min(FEWEST_KEPT, measured.size):
        raise SheetError(
            "are too few without what looks misread",
            field="readings",
            value=f"{measured.size}, of them misread: {names}",
            allowed=Text("{fewest_kept} or more that agree; measure the roll again", fewest_kept=FEWEST_KEPT),
        )


def _shape(
    expected: ThicknessField | None, length: float, width: float
) -> Callable[[FloatArray, FloatArray], FloatArray]:
    """The expected thickness over its own mean, at shares of length and width; one without an expectation."""
    if expected is None:
        return lambda x, _: np.ones_like(x)
    mean = float(expected.thickness_mm.mean())
    long, wide = expected.length_mm, expected.width_mm
    if abs(long - length) > 0.02 * length or abs(wide - width) > 0.02 * width:
        raise SheetError(
            "is not of this sheet's size",
            field="expected",
            value=(long, wide),
            allowed=Text(
                "{length} by {width} within 2 %",
                length=Amount.short(length, "mm", bare=True),
                width=Amount.short(width, "mm"),
            ),
        )
    return lambda x, y: np.asarray(expected.at(x * long, y * wide) / mean, dtype=float)


def _robust_start(x: FloatArray, y: FloatArray, t: FloatArray, gauge: float) -> np.ndarray:
    """Readings near the least trimmed squares fit of a low polynomial in the logarithm, where ten-fold is plain."""
    log_t = np.log(np.maximum(t, 1e-3))
    rows = np.stack([np.ones_like(x), x - 0.5, (x - 0.5) ** 2, (y - 0.5), (y - 0.5) ** 2], axis=1)
    columns = 2 if t.size < 12 else (3 if t.size < 20 else 5)
    rows = rows[:, :columns]
    half = max((t.size + columns + 1) // 2, min(t.size, columns + 1))
    rng = np.random.default_rng(12345)
    first = np.argsort(rng.random((STARTS, t.size)), axis=1)[:, : columns + 1]
    taken = np.zeros((STARTS, t.size))
    np.put_along_axis(taken, first, 1.0, axis=1)
    # All starts at once: a fit to the readings taken, then the half that lies nearest to it, four times over. The ridge
    # keeps a start whose readings happen to lie on one line solvable; it is far below what a gauge can see.
    for _step in range(4):
        normal = np.einsum("sn,nc,nd->scd", taken, rows, rows) + 1e-9 * np.eye(columns)
        right = np.einsum("sn,nc->sc", taken * log_t, rows)
        squares = (log_t - np.linalg.solve(normal, right[:, :, None])[:, :, 0] @ rows.T) ** 2
        nearest = np.argsort(squares, axis=1, kind="stable")[:, :half]
        taken = np.zeros_like(taken)
        np.put_along_axis(taken, nearest, 1.0, axis=1)
    best = nearest[int(np.argmin((squares * taken).sum(axis=1)))]
    coefficients = np.linalg.lstsq(rows[best], log_t[best], rcond=None)[0]
    residuals = t - np.exp(rows @ coefficients)
    spread = max(1.4826 * float(np.median(np.abs(residuals))), gauge)
    # Wide on purpose: waves of the sheet that the polynomial cannot follow stay in; the test comes later.
    return np.asarray(np.abs(residuals) <= max(8.0 * spread, 0.08 * float(np.median(t))), dtype=bool)


def _models(gauge: float, count: int, *, pushed: bool) -> list[Model]:
    """The covariance parameters tried."""
    if pushed:
        shape = (PUSH_SLOPE_MM, PUSH_CURVE_MM, PUSH_TILT_MM, PUSH_BOW_MM)
        return [
            Model(length, width, signal * gauge, noise * gauge, shape)
            for length, width, signal, noise in itertools.product(
                LENGTH_SHARES, WIDTH_SHARES, PUSH_SIGNAL_SDS, NOISE_SDS
            )
        ]
    return [
        Model(length, width, signal * gauge, noise * gauge)
        for length, width, signal, noise in itertools.product(LENGTH_SHARES, WIDTH_SHARES, SIGNAL_SDS, NOISE_SDS)
        if count >= FEW_READINGS or signal >= FEW_SIGNAL_SDS
    ]


def _some(points: _Points) -> _Points:
    """At most MOST_TRIED of the readings, evenly taken: enough to choose covariance parameters."""
    if points[0].size <= MOST_TRIED:
        return points
    some = np.linspace(0, points[0].size - 1, MOST_TRIED).round().astype(int)
    return points[0][some], points[1][some], points[2][some]


def _best_model(x: FloatArray, y: FloatArray, t: FloatArray, models: Sequence[Model]) -> Model:
    x, y, t = _some((x, y, t))
    return max(models, key=lambda m: solve(x, y, t, m).log_likelihood)


def _averaged(
    points: _Points, models: Sequence[Model], gauge: float, x: FloatArray, y: FloatArray, uneven: float = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Mean and standard error at points over all models by their likelihood; large waves and scatter are unusual."""
    if not x.size:
        return np.empty(0), np.empty(0)
    solved = [solve(*points, m) for m in models]
    logs = np.array(
        [
            s.log_likelihood
            - math.log1p((m.signal_mm / gauge / PUSH_SIGNAL_USUAL / uneven) ** 2)
            - math.log1p(((m.noise_mm / gauge) ** 2 - 1.0) / (WAVE_USUAL * uneven) ** 2)
            for s, m in zip(solved, models, strict=True)
        ]
    )
    shares = np.exp(logs - logs.max())
    shares /= shares.sum()
    found = [
        (w, *predict(s, m, x, y))
        for w, s, m in zip(shares, solved, models, strict=True)
        if w > 1e-4 or len(models) == 1
    ]
    total = sum(w for w, _, _ in found)
    mean = np.asarray(sum(w * a for w, a, _ in found) / total)
    square = np.asarray(sum(w * (e**2 + (a - mean) ** 2) for w, a, e in found) / total)
    return mean, np.sqrt(square)


def _short_waves(points: _Points, model: Model, gauge: float, uneven: float) -> float:
    """Standard deviation of waves too short to follow: the readings' scatter beyond the gauge, root mean square
    over sizes.
    """
    x, y, t = _some(points)
    logs = np.array(
        [
            solve(x, y, t, replace(model, noise_mm=gauge * math.hypot(1.0, wave))).log_likelihood
            - math.log1p((wave / WAVE_USUAL / uneven) ** 2)
            for wave in WAVE_SDS
        ]
    )
    shares = np.exp(logs - logs.max())
    return gauge * math.sqrt(float(shares @ np.square(WAVE_SDS)) / float(shares.sum()))


def _between_stations(x: FloatArray) -> float:
    """Waves along the sheet that so few stations cannot show."""
    stations = 1 + int(np.count_nonzero(np.diff(np.sort(x)) > SAME_STATION))
    return UNSEEN_WAVE_MM * max(0.0, 1.0 - stations / STATIONS_THAT_SHOW)


def _without_gross(x: FloatArray, y: FloatArray, t: FloatArray, kept: np.ndarray, model: Model) -> np.ndarray:
    """Leaves out the worst reading again and again until all that stay are within the limit of one another."""
    kept = kept.copy()
    while kept.sum() > 4:
        solved = solve(x[kept], y[kept], t[kept], model)
        off = np.abs(solved.loo) / solved.loo_sd
        worst = int(np.argmax(off))
        if off[worst] <= GROSS_SDS:
            break
        kept[np.nonzero(kept)[0][worst]] = False
    return kept


def _readmitted(x: FloatArray, y: FloatArray, t: FloatArray, kept: np.ndarray, model: Model) -> np.ndarray:
    left = np.nonzero(~kept)[0]
    if left.size == 0 or kept.sum() < 4:
        return kept
    solved = solve(x[kept], y[kept], t[kept], model)
    mean, error = predict(solved, model, x[left], y[left])
    back = np.abs(t[left] - mean) <= GROSS_SDS * np.sqrt(error**2 + model.noise_mm**2)
    kept = kept.copy()
    kept[left[back]] = True
    return kept
