"""A logged cast: what the crew wrote down, and what of it the fit of the gate can use."""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.casting.model import Array, Sled, checked, fluid_of, laid_thickness_mm
from pipemetal.casting.mush import solid_at_gate, solid_in_sled
from pipemetal.errors import CastingError

__all__ = ["NO_GATE_OPENING_MM", "VERDICTS", "LoggedCast", "ReducedCast", "gauge_of_log", "reduced"]

VERDICTS = ("too cold", "good", "too hot")

# A thickness gauge read three times across (estimate), and how far a speed may change in a push that has no marks.
_UNKNOWN_SPEED_CHANGE, _UNKNOWN_BEND = 0.3, 0.1
_BEND = 0.06
_USUAL_SUPERHEAT_K = 25.0
_MASS_BALANCE_SHARE, _MASS_LOST_SHARE = 0.2, 0.6
# A run-up at rising speed lays more than the first film over its length: half as much again where half of it is
# dragged (derived).
_RUN_UP_SHARE = 1.6
# How sure the metal in the sled is: weighed at the end, or reckoned from the charge (estimates).
_WEIGHED_KG, _UNWEIGHED_KG, _UNWEIGHED_RUN_UP = 0.35, 0.6, 0.35
# A place where less than this share of the gate stands in the sled tells nothing of the gate.
_LEAST_HEAD_GATES = 0.8
# A reading further off the middle of its place than this is misread: standard deviations of the gauge, share of the
# thickness.
_GROSS_SIGMAS, _GROSS_SHARE = 5.0, 0.05
# Median difference of two readings of a gauge whose deviation is one; fewest pairs that tell of a gauge.
_MIDDLE_PAIR, _FEWEST_REPEATS = 0.954, 15
# The gap of a box without a gate, for the law; the level that the log finds takes up what it is off (estimate).
NO_GATE_OPENING_MM = 3.0
# Solid beyond this does not leave a sled.
_MOST_SOLID = 0.7


@dataclass(frozen=True, slots=True)
class LoggedCast:
    """One cast as it was logged. What was not logged is None or empty.

    Needed: ``id``, ``composition``, ``gate_mm``, ``charge_kg``, ``sled``, ``length_mm``, ``thickness_mm`` (readings
    of the solid sheet: distance from its beginning, thickness; several at one distance are averaged) and either marks
    or ``push_time_s``. ``marks`` are distance in m and time in s since the gate passed the sheet's beginning.
    ``gate_mm`` by feeler gauge. ``charge_kg`` is the metal in the sled when the push began; ``leftover_kg`` what was
    weighed after. ``pour_temperature_c`` is that of the metal in the sled; ``seconds_to_matt`` from laying to the
    loss of shine. ``gate_mm`` is nought for a box without a gate; ``slope_mm_m`` is the fall of the table in the
    direction of the push. ``gate_name``, ``sled_name``, ``cloth_name``, ``table_name`` and ``crew`` tell them apart;
    ``wanted_start_mm`` and ``wanted_end_mm`` are the solid sheet that was meant. ``timing_sd_s``: 0.02 from video,
    0.08 by hand. ``gauge_sd_mm`` of one averaged reading.
    """

    id: str
    composition: Composition
    gate_mm: float
    charge_kg: float
    sled: Sled
    length_mm: float
    thickness_mm: tuple[tuple[float, float], ...]
    marks: tuple[tuple[float, float], ...] = ()
    push_time_s: float | None = None
    leftover_kg: float | None = None
    run_up_mm: float | None = None
    pour_temperature_c: float | None = None
    table_temperature_c: float | None = None
    air_temperature_c: float | None = None
    wait_s: float | None = None
    seconds_to_matt: float | None = None
    lift_after_s: float | None = None
    verdict: str | None = None
    timing_sd_s: float = 0.08
    gauge_sd_mm: float = 0.01
    lip_mm: float = 20.0
    day: str = ""
    crew: str = ""
    note: str = ""
    gate_name: str = ""
    sled_name: str = ""
    cloth_name: str = ""
    wanted_start_mm: float | None = None
    wanted_end_mm: float | None = None
    table_name: str = ""
    slope_mm_m: float = 0.0

    def __post_init__(self) -> None:
        where = f"cast {self.id}"
        numbers: list[tuple[str, float | None]] = [
            (name, getattr(self, name))
            for name in (
                "gate_mm",
                "charge_kg",
                "length_mm",
                "push_time_s",
                "leftover_kg",
                "run_up_mm",
                "pour_temperature_c",
                "table_temperature_c",
                "air_temperature_c",
                "wait_s",
                "seconds_to_matt",
                "lift_after_s",
                "timing_sd_s",
                "gauge_sd_mm",
                "lip_mm",
                "wanted_start_mm",
                "wanted_end_mm",
            )
        ]
        numbers += [("thickness_mm", v) for pair in self.thickness_mm for v in pair]
        numbers += [("marks", v) for pair in self.marks for v in pair]
        if not -60.0 <= self.slope_mm_m <= 60.0:
            raise CastingError(
                "is out of range",
                field="slope_mm_m",
                value=self.slope_mm_m,
                allowed="-60 to 60 mm a metre",
                where=where,
            )
        for name, value in numbers:
            if value is not None and not math.isfinite(value):
                raise CastingError("is not a number", field=name, value=value, where=where)
            if value is not None and value < 0.0 and not name.endswith("temperature_c"):
                raise CastingError("is negative", field=name, value=value, where=where)
        if self.verdict is not None and self.verdict not in VERDICTS:
            raise CastingError(
                "is not a verdict", field="verdict", value=self.verdict, allowed=", ".join(VERDICTS), where=where
            )

    @property
    def opening_mm(self) -> float:
        """The gate's opening; a usual gap for a box without a gate."""
        return self.gate_mm or NO_GATE_OPENING_MM

    @property
    def superheat_k(self) -> float:
        """How far the metal was above its liquidus; the usual 25 K where it was not logged."""
        if self.pour_temperature_c is None:
            return _USUAL_SUPERHEAT_K
        return self.pour_temperature_c - liquidus(self.composition).temperature_c


@dataclass(frozen=True, eq=False)
class ReducedCast:
    """A logged cast in SI, station by station, as the fit needs it.

    ``speed_slopes`` (n, 3) tells how ln speed changes with the three parameters of the timing, whose covariance is
    ``speed_covariance``: what the watch did not tell; ``only_timed``: no marks told how the
    speed changed. ``head_slopes`` (n) is the change of ln head by a kilogram in
    the sled, of which ``mass_sd_kg`` is not known. ``run_up_kg`` is what went before the sheet, by the leftover where
    it was weighed. ``watch_misfit`` is the sum of squares of the marks about a smooth push over the stated timing,
    with ``watch_freedom`` degrees.
    """

    id: str
    x_m: Array
    film_m: Array
    film_sd: Array
    head_m: Array
    speed_m_s: Array
    speed_slopes: Array
    speed_covariance: Array
    only_timed: bool
    head_slopes: Array
    mass_sd_kg: float
    place: Array
    solid: Array
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


def reduced(cast: LoggedCast, gauge_sd_mm: float | None = None) -> ReducedCast | str:
    """What the fit can use of a cast; the reason in words, where it can use none.

    ``gauge_sd_mm``: of one reading, where the log tells more than the cast states (:func:`gauge_of_log`).
    """
    cast, slips = _without_slips(cast)
    reason = _unusable(cast)
    if reason:
        told = ", ".join(f"{t:g} mm at {d:g} mm" for d, t in slips[:3])
        return f"{reason}; out of range in thickness or distance: {told}" if slips else reason
    superheat = cast.superheat_k
    pour_c = max(liquidus(cast.composition).temperature_c + superheat, 100.0)
    fluid = fluid_of(cast.composition, round(max(pour_c, liquidus(cast.composition).temperature_c), 1))
    x, solid_mm, solid_sd, misread = _stations(cast, max(cast.gauge_sd_mm, gauge_sd_mm or 0.0))
    film = 1e-3 * solid_mm * laid_thickness_mm(cast.composition, 1.0)
    width = cast.sled.inner_width_mm * 1e-3
    laid_kg = fluid.density_kg_m3 * width * _laid_volume_per_width(x, film, cast.length_mm * 1e-3)
    masses = _run_up(cast, float(laid_kg[-1]), fluid.density_kg_m3 * width * float(film[0]))
    if isinstance(masses, str):
        return masses
    run_up_kg, mass_sd_kg = masses
    left = cast.charge_kg - run_up_kg - laid_kg[:-1]
    bottom_m2 = width * cast.sled.inner_length_mm * 1e-3
    head = left / (fluid.density_kg_m3 * bottom_m2) - _slope_head_m(cast)
    held = head > _LEAST_HEAD_GATES * cast.opening_mm * 1e-3
    if held.sum() < 2:
        return "by its own mass balance the sled was empty before the end: charge, leftover or readings are wrong"
    speeds = _speeds(cast, x)
    if isinstance(speeds, str):
        return speeds
    box_m = cast.sled.inner_length_mm * 1e-3
    table_c = cast.air_temperature_c if cast.table_temperature_c is None else cast.table_temperature_c
    slush = solid_at_gate(cast.composition, round(pour_c, 1), box_m, 20.0 if table_c is None else round(table_c))
    return ReducedCast(
        id=cast.id,
        x_m=x[held],
        film_m=film[held],
        film_sd=(solid_sd / solid_mm)[held],
        head_m=head[held],
        speed_m_s=speeds.speed_m_s[held],
        speed_slopes=speeds.slopes[held],
        speed_covariance=speeds.covariance,
        only_timed=len(cast.marks) < 4,
        head_slopes=1.0 / left[held],
        mass_sd_kg=mass_sd_kg,
        place=x[held] / (cast.length_mm * 1e-3),
        solid=np.full(int(held.sum()), slush),
        gate_m=cast.opening_mm * 1e-3,
        superheat_k=superheat,
        density_kg_m3=fluid.density_kg_m3,
        viscosity_pa_s=fluid.viscosity_pa_s,
        tension_n_m=fluid.surface_tension_n_m,
        lip_m=cast.lip_mm * 1e-3,
        box_m=box_m,
        run_up_kg=run_up_kg,
        watch_misfit=speeds.misfit,
        watch_freedom=speeds.freedom,
        misread=slips + misread,
        emptied_m=tuple(float(v) for v in x[~held]),
    )


def _slope_head_m(cast: LoggedCast) -> float:
    """What a table that falls in the direction of the push takes from the depth at the rear wall."""
    return 0.5e-3 * cast.slope_mm_m * cast.sled.inner_length_mm * 1e-3


def gauge_of_log(casts: Sequence[LoggedCast]) -> float:
    """What one reading of a log's gauge scatters, in mm, by readings repeated at one distance; nought where none are.

    Sources: median of absolute differences from the middle one (Rousseeuw & Croux, J. Am. Stat. Assoc. 88 (1993)
    1273; from memory).
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


def _run_up(cast: LoggedCast, laid_kg: float, first_kg_m: float) -> tuple[float, float] | str:
    """Metal that went before the sheet and how sure the metal in the sled is, in kg; words where the masses
    contradict.
    """
    expected_kg = _RUN_UP_SHARE * first_kg_m * (cast.run_up_mm or 0.0) * 1e-3
    if cast.leftover_kg is None:
        return expected_kg, math.hypot(_UNWEIGHED_RUN_UP * expected_kg, _UNWEIGHED_KG)
    unaccounted = cast.charge_kg - cast.leftover_kg - laid_kg
    if unaccounted < -_MASS_BALANCE_SHARE * laid_kg:
        return "the sheet weighs more than charge less leftover: charge, leftover or readings are wrong"
    if unaccounted > 1.5 * expected_kg + _MASS_LOST_SHARE * laid_kg:
        return "charge less leftover is far more than sheet and run-up: charge, leftover or readings are wrong"
    return unaccounted, _WEIGHED_KG


def _without_slips(cast: LoggedCast) -> tuple[LoggedCast, tuple[tuple[float, float], ...]]:
    """The cast without readings that no sheet can have, or that lie beside it; and those."""
    slips = tuple((d, t) for d, t in cast.thickness_mm if not (0.2 <= t <= 10.0 and 0.0 <= d <= cast.length_mm))
    held = tuple(pair for pair in cast.thickness_mm if pair not in slips)
    return (replace(cast, thickness_mm=held) if slips else cast), slips


def _unusable(cast: LoggedCast) -> str:
    try:
        checked("gate_mm", cast.opening_mm, 0.5, 20.0, "mm")
        checked("charge_kg", cast.charge_kg, 0.5, 2000.0, "kg")
        checked("length_mm", cast.length_mm, 200.0, 20000.0, "mm")
    except CastingError as error:
        return str(error)
    if len({d for d, _ in cast.thickness_mm}) < 2:
        return "fewer than two places were measured"
    if len(cast.marks) < 2 and cast.push_time_s is None:
        return "no times were logged"
    if cast.leftover_kg is not None and cast.leftover_kg >= cast.charge_kg:
        return "more was left than charged"
    if cast.superheat_k > 250.0:
        return f"the pour temperature is {cast.superheat_k:.0f} K above the liquidus"
    if (
        cast.superheat_k < 0.0
        and solid_in_sled(cast.composition, round(cast.pour_temperature_c or 0.0, 1)) > _MOST_SOLID
    ):
        return f"at {cast.pour_temperature_c:.0f} C this metal is solid: pour temperature or alloy misread?"
    return ""


def _laid_volume_per_width(x_m: Array, film_m: Array, length_m: float) -> Array:
    """Film laid from the sheet's beginning to each station, and to its end (last value); level beyond the outer
    stations.
    """
    inner = np.concatenate([[0.0], np.cumsum(0.5 * (film_m[1:] + film_m[:-1]) * np.diff(x_m))])
    to_stations = float(film_m[0]) * float(x_m[0]) + inner
    return np.append(to_stations, to_stations[-1] + float(film_m[-1]) * max(length_m - float(x_m[-1]), 0.0))


@dataclass(frozen=True, eq=False)
class _Speeds:
    speed_m_s: Array
    slopes: Array
    covariance: Array
    misfit: float = 0.0
    freedom: int = 0


def _speeds(cast: LoggedCast, x_m: Array) -> _Speeds | str:
    """Speed at the stations, its slopes by the three timing parameters, and their covariance.

    With four marks or more, time is a cubic of distance, its last term held small; with fewer the speed is even, and
    how it may have changed is left open by 15 % (estimate).
    """
    marks = sorted(cast.marks)
    if len(marks) < 2:
        assert cast.push_time_s is not None
        marks = [(0.0, 0.0), (cast.length_mm * 1e-3, cast.push_time_s)]
    d, t = np.array([m[0] for m in marks]), np.array([m[1] for m in marks])
    if np.any(np.diff(d) <= 0.0) or np.any(np.diff(t) <= 0.0):
        return "the marks do not rise in distance and time"
    timing_sd = max(cast.timing_sd_s, 1e-3)
    if len(marks) < 4:
        design = np.vander(d, 2, increasing=True)
        _, pace_s_m = np.linalg.lstsq(design, t, rcond=None)[0]
        if not 0.2 < pace_s_m <= 20.0:
            return "the times give no speed that a push can have"
        speed = np.full(len(x_m), 1.0 / pace_s_m)
        along = x_m / (cast.length_mm * 1e-3) - 0.5
        slopes = np.column_stack([-speed, along, 4.0 * along**2 - 1.0 / 3.0])
        spread = timing_sd**2 * np.linalg.inv(design.T @ design)
        return _Speeds(speed, slopes, np.diag([spread[1, 1], _UNKNOWN_SPEED_CHANGE**2, _UNKNOWN_BEND**2]))
    design = np.vander(d, 4, increasing=True)
    usual_pace = float(t[-1] - t[0]) / float(d[-1] - d[0])
    # The cubic term is held by what a push bends: 6 % of the pace away from a straight change, at mid-length
    # (estimate).
    precision = design.T @ design / timing_sd**2
    precision[3, 3] += (float(d[-1] - d[0]) ** 2 / (_BEND * usual_pace)) ** 2
    covariance = np.linalg.inv(precision)
    fitted = covariance @ (design.T @ t) / timing_sd**2
    pace = fitted[1] + 2.0 * fitted[2] * x_m + 3.0 * fitted[3] * x_m**2
    if np.any(pace <= 0.2) or np.any(pace > 20.0):
        return "the marks give no speed that a push can have"
    speed = 1.0 / pace
    slopes = -speed[:, None] * np.column_stack([np.ones_like(x_m), 2.0 * x_m, 3.0 * x_m**2])
    misfit = float(np.sum(np.square(t - design @ fitted))) / timing_sd**2
    return _Speeds(speed, slopes, covariance[1:, 1:], misfit, len(marks) - 4)
