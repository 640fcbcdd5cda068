"""What of a logged cast the fit of the gate can use: film, metal in the sled and speed, station by station."""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.alloys.liquidus import liquidus
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Array, Sled, checked, fluid_of, laid_thickness_mm
from pipemetal.casting.mush import HALT_SOLID_SD, halts, solid_at_gate, solid_in_sled
from pipemetal.casting.run_up import RunUp
from pipemetal.casting.timing import speeds, with_sound_times
from pipemetal.errors import CastingError
from pipemetal.quantities import CAST
from pipemetal.texts import Amount, Text, joined

__all__ = ["ReducedCast", "gauge_of_log", "reduced"]

_MASS_BALANCE_SHARE, _MASS_LOST_SHARE = 0.2, 0.6
# How sure the metal in the sled is: weighed at the end, or reckoned from the charge; how sure a few readings make the mass of
# a sheet, as a share of it; run-ups that lay less tell nothing of their kind (estimates).
_WEIGHED_KG, _UNWEIGHED_KG = 0.35, 0.6
_LAID_SHARE, _LEAST_FIRST_KG = 0.01, 1.0
# A place where less than this share of the gate stands in the sled tells nothing of the gate.
_LEAST_HEAD_GATES = 0.8
# A reading further off the middle of its place than this is misread: standard deviations of the gauge, share of the
# thickness.
_GROSS_SIGMAS, _GROSS_SHARE = 5.0, 0.05
# Median difference of two readings of a gauge whose deviation is one; fewest pairs that tell of a gauge.
_MIDDLE_PAIR, _FEWEST_REPEATS = 0.954, 15
# A sled is not deeper than this, whatever its walls (estimate: three times usual ones).
_DEEPEST_MM = 360.0
# Solid beyond this does not leave a sled.
_MOST_SOLID = 0.7


@dataclass(frozen=True, eq=False)
class ReducedCast:
    """A logged cast in SI, station by station, as the fit needs it.

    ``speed_slopes`` (n, 3) tells how ln speed changes with the three parameters of the timing, whose covariance is
    ``speed_covariance``: what the watch did not tell; ``speed_by`` and ``shapeless`` as of
    :class:`pipemetal.casting.timing.Timed`. ``head_slopes`` (n) is the change of ln head by a kilogram in the sled, of
    which ``mass_sd_kg`` is not known. ``run_up_kg`` is what went before the sheet, by the leftover where it was
    weighed; ``run_up_ratio`` then tells it over the first film times the run-up's length, with its standard error.
    ``watch_misfit`` is the sum of squares of the marks about a smooth push over the stated timing, with
    ``watch_freedom`` degrees. ``solid_sd``: how unsure the share of solid is where the temperature halts. ``told``:
    readings that were set aside, in words. ``late_s`` as of :class:`pipemetal.casting.timing.Timed`.
    """

    id: str
    x_m: Array
    film_m: Array
    film_sd: Array
    head_m: Array
    speed_m_s: Array
    speed_slopes: Array
    speed_covariance: Array
    speed_by: str
    shapeless: float
    head_slopes: Array
    mass_sd_kg: float
    place: Array
    solid: Array
    solid_sd: float
    gate_m: float
    superheat_k: float
    density_kg_m3: float
    viscosity_pa_s: float
    tension_n_m: float
    lip_m: float
    box_m: float
    run_up_kg: float
    watch_misfit: float
    watch_freedom: int
    misread: tuple[tuple[float, float], ...]
    emptied_m: tuple[float, ...]
    run_up_ratio: tuple[float, float] | None
    told: tuple[Text, ...]
    late_s: float | None = None


def reduced(cast: LoggedCast, gauge_sd_mm: float | None = None, run_up: RunUp | None = None) -> ReducedCast | Text:
    """What the fit can use of a cast; the reason in words, where it can use none.

    ``gauge_sd_mm``: of one reading, where the log tells more than the cast states (:func:`gauge_of_log`). ``run_up``: what the
    log tells of the metal before the sheet, for casts whose leftover was not weighed.
    """
    cast, slips = _without_slips(cast)
    cast, times_told = with_sound_times(cast)
    reason = _unusable(cast)
    if reason:
        return _with_slips(reason, slips)
    pour_c = max(liquidus(cast.composition).temperature_c + cast.superheat_k, 100.0)
    fluid = fluid_of(cast.composition, round(max(pour_c, liquidus(cast.composition).temperature_c), 1))
    x, solid_mm, solid_sd, misread = _stations(cast, max(cast.gauge_sd_mm, gauge_sd_mm or 0.0))
    film = 1e-3 * solid_mm * laid_thickness_mm(cast.composition, 1.0)
    width = cast.sled.inner_width_mm * 1e-3
    laid_kg = fluid.density_kg_m3 * width * _laid_volume_per_width(x, film, cast.length_mm * 1e-3)
    first_kg = fluid.density_kg_m3 * width * float(film[0]) * 1e-3 * (cast.run_up_mm or 0.0)
    masses = _run_up(cast, float(laid_kg[-1]), first_kg, run_up or RunUp())
    if isinstance(masses, str):
        return masses
    run_up_kg, mass_sd_kg, ratio = masses
    left = cast.charge_kg - run_up_kg - laid_kg[:-1]
    bottom_m2 = width * cast.sled.inner_length_mm * 1e-3
    head = left / (fluid.density_kg_m3 * bottom_m2) - _slope_head_m(cast)
    held = head > _LEAST_HEAD_GATES * cast.opening_mm * 1e-3
    if held.sum() < 2:
        words = "by its own mass balance the sled was empty before the end: fill, leftover or readings are wrong"
        return Text(words)
    timed = speeds(cast, x)
    if isinstance(timed, str):
        return timed
    share, share_sd = _solid(cast, pour_c)
    return ReducedCast(
        id=cast.id,
        x_m=x[held],
        film_m=film[held],
        film_sd=(solid_sd / solid_mm)[held],
        head_m=head[held],
        speed_m_s=timed.speed_m_s[held],
        speed_slopes=timed.slopes[held],
        speed_covariance=timed.covariance,
        speed_by=timed.by,
        shapeless=timed.shapeless,
        head_slopes=1.0 / left[held],
        mass_sd_kg=mass_sd_kg,
        place=x[held] / (cast.length_mm * 1e-3),
        solid=np.full(int(held.sum()), share),
        solid_sd=share_sd,
        gate_m=cast.opening_mm * 1e-3,
        superheat_k=cast.superheat_k,
        density_kg_m3=fluid.density_kg_m3,
        viscosity_pa_s=fluid.viscosity_pa_s,
        tension_n_m=fluid.surface_tension_n_m,
        lip_m=cast.lip_mm * 1e-3,
        box_m=cast.sled.inner_length_mm * 1e-3,
        run_up_kg=run_up_kg,
        watch_misfit=timed.misfit,
        watch_freedom=timed.freedom,
        misread=slips + misread,
        emptied_m=tuple(float(v) for v in x[~held]),
        run_up_ratio=ratio,
        told=(*cast.set_aside, *times_told),
        late_s=timed.late_s,
    )


def _with_slips(reason: Text, slips: Sequence[tuple[float, float]]) -> Text:
    """Why a cast cannot be used, with the readings that no sheet can have."""
    pair = "{a} at {b}"
    told = [Text(pair, a=Amount.short(t, "mm"), b=Amount.short(d, "mm")) for d, t in slips[:3]]
    words = "out of range in thickness or distance: {told}"
    return joined((reason, Text(words, told=joined(told, ", ")))) if slips else reason


def _solid(cast: LoggedCast, pour_c: float) -> tuple[float, float]:
    """Share of solid in what left the sled, and how unsure it is."""
    table_c = cast.air_temperature_c if cast.table_temperature_c is None else cast.table_temperature_c
    box_m = cast.sled.inner_length_mm * 1e-3
    solid = solid_at_gate(cast.composition, round(pour_c, 1), box_m, 20.0 if table_c is None else round(table_c))
    return solid, HALT_SOLID_SD if solid and halts(cast.composition, round(pour_c, 1)) else 0.0


def _slope_head_m(cast: LoggedCast) -> float:
    """What a table that falls in the direction of the push takes from the depth at the rear wall."""
    return 0.5e-3 * cast.slope_mm_m * cast.sled.inner_length_mm * 1e-3


def gauge_of_log(casts: Sequence[LoggedCast]) -> float:
    """What one reading of a log's gauge scatters, in mm, by readings repeated at one distance; zero where none are.

    Sources: median of absolute differences from the middle one (Rousseeuw & Croux, J. Am. Stat. Assoc. 88 (1993)
    1273; not checked).
    """
    apart = []
    for cast in casts:
        for group in _by_distance(cast).values():
            apart += [abs(a - b) for a, b in itertools.combinations(group, 2)]
    return statistics.median(apart) / _MIDDLE_PAIR if len(apart) >= _FEWEST_REPEATS else 0.0


def _by_distance(cast: LoggedCast) -> dict[float, list[float]]:
    found: dict[float, list[float]] = {}
    for distance, thickness in sorted(cast.thickness_mm):
        found.setdefault(distance, []).append(thickness)
    return found


def _stations(cast: LoggedCast, gauge_mm: float) -> tuple[Array, Array, Array, tuple[tuple[float, float], ...]]:
    """Distance, solid thickness and its standard deviation at every station, each reading judged; the misread ones.

    A reading is misread when it stands off the middle one of its place by more than the gauge can. Of two that
    disagree, the one is kept that the neighbouring places bear out.
    """
    groups = _by_distance(cast)
    middles = {d: statistics.median(g) for d, g in groups.items()}
    misread: list[tuple[float, float]] = []
    for distance, group in groups.items():
        limit = max(_GROSS_SIGMAS * gauge_mm, _GROSS_SHARE * middles[distance])
        if len(group) == 2 and abs(group[0] - group[1]) > limit and len(groups) > 1:
            expected = float(
                np.mean(sorted((abs(d - distance), m) for d, m in middles.items() if d != distance)[:2], axis=0)[1]
            )
            bad = [max(group, key=lambda t: abs(math.log(t / expected)))]
        else:
            bad = [t for t in group if len(group) > 2 and abs(t - middles[distance]) > limit]
        for reading in bad:
            group.remove(reading)
            misread.append((distance, reading))
    x = np.array(list(groups)) * 1e-3
    solid = np.array([float(np.mean(g)) for g in groups.values()])
    sd = np.array([gauge_mm / math.sqrt(len(g)) for g in groups.values()])
    return x, solid, sd, tuple(misread)


def _run_up(
    cast: LoggedCast, laid_kg: float, first_kg: float, known: RunUp
) -> tuple[float, float, tuple[float, float] | None] | Text:
    """Metal that went before the sheet and how sure the metal in the sled is, in kg, and the ratio to what the first film
    would be over the run-up (``first_kg``), where it was weighed; words where the masses contradict.
    """
    if cast.leftover_kg is None:
        expected_kg = known.ratio * first_kg
        return expected_kg, math.hypot(math.hypot(known.sd, known.scatter) * first_kg, _UNWEIGHED_KG), None
    unaccounted = cast.charge_kg - cast.leftover_kg - laid_kg
    if unaccounted < -_MASS_BALANCE_SHARE * laid_kg:
        return Text("the sheet weighs more than fill less leftover: fill, leftover or readings are wrong")
    if unaccounted > 2.5 * first_kg + _MASS_LOST_SHARE * laid_kg:
        words = "fill less leftover is far more than sheet and run-up: fill, leftover or readings are wrong"
        return Text(words)
    if first_kg < _LEAST_FIRST_KG:
        return unaccounted, _WEIGHED_KG, None
    error = math.hypot(_WEIGHED_KG, _LAID_SHARE * laid_kg) / first_kg
    return unaccounted, _WEIGHED_KG, (unaccounted / first_kg, error)


def _without_slips(cast: LoggedCast) -> tuple[LoggedCast, tuple[tuple[float, float], ...]]:
    """The cast without readings that no sheet can have, or that lie beside it; and those."""
    slips = tuple((d, t) for d, t in cast.thickness_mm if not (0.2 <= t <= 10.0 and 0.0 <= d <= cast.length_mm))
    held = tuple(pair for pair in cast.thickness_mm if pair not in slips)
    return (replace(cast, thickness_mm=held) if slips else cast), slips


def _unusable(cast: LoggedCast) -> Text | None:
    if cast.spoiled:
        return cast.spoiled
    try:
        checked("gate_mm", cast.opening_mm, 0.5, CAST["gate_mm"].high, "mm")
        for name in ("charge_kg", "length_mm"):
            CAST[name].checked(getattr(cast, name), error=CastingError)
    except CastingError as error:
        return error.text()
    most_kg = fullest_kg(cast.sled, fluid_of(cast.composition, liquidus(cast.composition).temperature_c).density_kg_m3)
    if cast.charge_kg > most_kg:
        words = "{a} are more than a sled of this size holds ({b}): charge_kg misread?"
        return Text(words, a=Amount(cast.charge_kg, "kg", 1), b=Amount(most_kg, "kg"))
    if len({d for d, _ in cast.thickness_mm}) < 2:
        return Text("fewer than two places were measured")
    if len(cast.marks) < 2 and cast.push_time_s is None:
        return Text("no times were logged")
    if cast.leftover_kg is not None and cast.leftover_kg >= cast.charge_kg:
        return Text("more was left than charged")
    if cast.superheat_k > 250.0:
        return Text("the pour temperature is {a} above the liquidus", a=Amount(cast.superheat_k, "K"))
    if (
        cast.superheat_k < 0.0
        and solid_in_sled(cast.composition, round(cast.pour_temperature_c or 0.0, 1)) > _MOST_SOLID
    ):
        words = "at {a} this metal is solid: pour temperature or alloy misread?"
        return Text(words, a=Amount(cast.pour_temperature_c or 0.0, "C"))
    return None


def fullest_kg(sled: Sled, density_kg_m3: float) -> float:
    """The most that a sled of an inner length and width can hold, whatever its walls."""
    return density_kg_m3 * sled.inner_length_mm * sled.inner_width_mm * 1e-9 * max(_DEEPEST_MM, sled.wall_height_mm)


def _laid_volume_per_width(x_m: Array, film_m: Array, length_m: float) -> Array:
    """Film laid from the sheet's beginning to each station, and to its end (last value); level beyond the outer
    stations.
    """
    inner = np.concatenate([[0.0], np.cumsum(0.5 * (film_m[1:] + film_m[:-1]) * np.diff(x_m))])
    to_stations = float(film_m[0]) * float(x_m[0]) + inner
    return np.append(to_stations, to_stations[-1] + float(film_m[-1]) * max(length_m - float(x_m[-1]), 0.0))
