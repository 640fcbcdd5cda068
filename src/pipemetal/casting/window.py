"""The pouring range: how hot the metal should be for this alloy, thickness, table and air, as soft bands.

There are two of them. Slush: grains enough that the edges stand, not so many that it sets in the sled. Hot: liquid at
the gate, and able to run long enough to level but not so long that it runs off the sides. Every temperature here is
the reading in the tipping pot; what the way to the cloth costs is said beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import RED_LIMIT_C, liquid_density_kg_m3
from pipemetal.casting.limits import WindowLimits
from pipemetal.casting.model import Gate, ThermalSettings, checked, laid_thickness_mm
from pipemetal.casting.mush import YIELD_POWER, edge_stress_pa
from pipemetal.casting.way import Way, puddle_mm
from pipemetal.texts import Amount, Text, Value

__all__ = ["Band", "PourWindow", "pour_window", "push_heat_words", "usual_pour_c"]

# The aramid of a casting cloth loses strength from about here; it decomposes above about 400 C (public materials
# pages).
CLOTH_WEAKENS_C = 300.0
CLOTH_HOT_C = 350.0
# A limit this far above the liquidus does not bind: oxide, dross and the cloth stop sooner.
NOT_BINDING_K = 60.0
_MOST_SOLID_AT_GATE = 0.05
# Tin is drawn "when it begins to grain, as when it begins to set", lead "as hot as possible without lighting a roll
# of paper" (Encyclopedie, t. 11, 1765, p. 635; our translation). From how much tin on metal is drawn as it grains is
# not told (estimate).
GRAINS_FROM_SN_PCT = 25.0
# What a shop does with one alloy it does with those within so much tin (percent by mass; estimate).
ALIKE_SN_PCT = 8.0
# A band of slush narrower than this cannot be hit with a thermometer (estimate). Parts of a band that are its soft
# ends.
NARROWEST_K, _SOFT_PART = 2.0, 0.2
# A thermocouple of type K of the common class errs by so much (IEC 60584-1, class 2, below 333 C: not checked). A band
# narrower than both ways of it cannot be held by a reading.
THERMOMETER_K: Final = 2.5
# Metal that thickens over more than this does not set "within a few degrees".
_FEW_K = 6.0
# The first solid that grows before grains hold each other; below it slush is liquid to the eye (estimate).
_HALT_MARGIN = 0.02
# A usual sheet, whose edges the limits speak of.
_USUAL_MM = 2.0
# Hot metal as it is usually poured, above its liquidus (estimate).
USUAL_SUPERHEAT_K = 25.0
SLUSH, HOT = "slush", "hot"


@dataclass(frozen=True, slots=True)
class Band:
    """One band of readings in the tipping pot, in C, with what sets its ends; ``empty``: no temperature suits both."""

    name: str
    too_cold_below_c: float
    try_low_c: float
    try_high_c: float
    too_hot_above_c: float
    cold_end: Text
    hot_end: Text
    empty: bool = False


@dataclass(frozen=True, slots=True)
class PourWindow:
    """Soft bands of the reading in the tipping pot, in C: too cold below, try here from low to high, too hot above.

    The four temperatures are those of the band this metal is poured in (``regime``: slush or hot; ``why``); ``bands``
    holds both where the alloy has both. ``sled_c`` is the metal in the sled in the middle of the band, ``sled_solid``
    its share of solid. ``liquidus_c`` for comparison; ``way_loss_k`` is what pour, wait and cloth take before the
    film lies; ``empty`` says that no temperature suits both ends, and ``try_low_c`` and ``try_high_c`` are then the
    least bad.
    """

    too_cold_below_c: float
    try_low_c: float
    try_high_c: float
    too_hot_above_c: float
    liquidus_c: float
    way_loss_k: float
    empty: bool
    rests_on: Text
    warnings: tuple[Text, ...]
    regime: str = HOT
    why: Text = field(default_factory=lambda: Text(""))
    bands: tuple[Band, ...] = field(default=())
    sled_c: float = 0.0
    sled_solid: float = 0.0

    @property
    def band(self) -> Band:
        """The band this metal is poured in."""
        return next(b for b in self.bands if b.name == self.regime)


def pour_window(
    comp: Composition,
    thickness_mm: float,
    table_temperature_c: float,
    air_temperature_c: float,
    *,
    first_cast: bool = False,
    settings: ThermalSettings | None = None,
    limits: WindowLimits | None = None,
    gate: Gate | None = None,
) -> PourWindow:
    """The pouring range of one sheet. A guide: the look of the metal decides.

    Arguments:
        thickness_mm: of the solid sheet where it is thickest, 0.4 to 6 mm. table_temperature_c: of the cloth, best
        measured. first_cast: the gate is still cold.
    Raises:
        CastingError: input out of range.
    Sources: docs/casting.md. Which band: by the shop's log, else tin as it begins to grain and lead hot (1765). The
        hot band's lower end agrees with two reports of roofing lead (+2.5 and +22 K over the liquidus); the rest are
        estimates.

    >>> window = pour_window(Composition.parse("Sn 50 Pb bal"), 2.0, 20, 20)
    >>> window.regime, window.too_hot_above_c < window.liquidus_c, [band.name for band in window.bands]
    ('slush', True, ['slush', 'hot'])
    """
    settings, limits = settings or ThermalSettings(), limits or WindowLimits()
    checked("thickness_mm", thickness_mm, 0.4, 6.0, "mm")
    checked("table_temperature_c", table_temperature_c, -20.0, 170.0, "C")
    checked("air_temperature_c", air_temperature_c, -20.0, 60.0, "C")
    melt = liquidus(comp)
    way = Way.of(
        comp, thickness_mm, table_temperature_c, air_temperature_c, settings, limits, gate=gate, first_cast=first_cast
    )
    slush = _slush_band(way, limits)
    hot, warnings = _hot_band(way, limits, melt.uncertainty_k, slush is not None)
    bands = (hot,) if slush is None else (slush, hot)
    chosen, why = _chosen(way, bands, limits)
    found = [*(warnings if chosen is hot else ())]
    found += _narrow_words(chosen)
    found += _general_warnings(chosen.try_high_c, first_cast, melt.within_range)
    sled_c = way.sled_c(0.5 * (chosen.try_low_c + chosen.try_high_c))
    return PourWindow(
        chosen.too_cold_below_c,
        chosen.try_low_c,
        chosen.try_high_c,
        chosen.too_hot_above_c,
        melt.temperature_c,
        way.pour_k + way.cloth_k,
        chosen.empty,
        _rests_on(limits, melt.uncertainty_k, settings.cloth_factor),
        tuple(found),
        chosen.name,
        why,
        bands,
        sled_c,
        way.curve.solid_at(way.curve.heat_at(sled_c)),
    )


def usual_pour_c(
    comp: Composition,
    thickness_mm: float,
    table_temperature_c: float,
    air_temperature_c: float,
    *,
    settings: ThermalSettings | None = None,
    limits: WindowLimits | None = None,
) -> tuple[float, float]:
    """Metal in the sled, and the film it lays, as usually poured: the middle of the slush where this metal is poured
    so, else hot.

    >>> comp, lead = Composition.parse("Sn 50 Pb bal"), Composition.parse("Pb 100")
    >>> usual_pour_c(comp, 2.0, 20, 20)[0] < liquidus(comp).temperature_c, usual_pour_c(lead, 2.0, 20, 20)[0] > 340.0
    (True, True)
    """
    limits = limits or WindowLimits()
    way = Way.of(comp, thickness_mm, table_temperature_c, air_temperature_c, settings, limits)
    slush = _slush_band(way, limits)
    pot_c = way.liquidus_c + way.pour_k + USUAL_SUPERHEAT_K
    if slush is not None and _pours_as_slush(comp, limits)[0]:
        pot_c = 0.5 * (slush.try_low_c + slush.try_high_c)
    return way.sled_c(pot_c), way.film_c(pot_c)


def _chosen(way: Way, bands: Sequence[Band], limits: WindowLimits) -> tuple[Band, Text]:
    """The band that this metal is poured in, and why."""
    if len(bands) == 1:
        stands, sets = _slush_span(replace(way, thickness_mm=min(way.thickness_mm, _USUAL_MM)), limits)
        if way.slush_k(stands, sets) >= NARROWEST_K:
            words = "the edges of a sheet of {a} stand only where the metal nearly sets in the sled: as slush it cannot be poured"
            return bands[0], Text(words, a=Amount.short(way.thickness_mm, "mm"))
        if way.slush_k(_HALT_MARGIN, sets) >= _FEW_K:
            halt_c = way.curve.temperature_at(way.curve.heat_at_solid(sets))
            words = "the edges of a sheet stand only where this metal halts at {a} and sets: no thermometer shows how far it is"
            return bands[0], Text(words, a=Amount(halt_c, "C"))
        words = "this alloy sets within a few degrees: it has no band of slush that a thermometer can hit"
        return bands[0], Text(words)
    slush, why = _pours_as_slush(way.comp, limits)
    return bands[0 if slush else 1], why


def _pours_as_slush(comp: Composition, limits: WindowLimits) -> tuple[bool, Text]:
    tin, slush = min(limits.poured, key=lambda p: abs(p[0] - comp.wt_pct("Sn")), default=(math.inf, False))
    if abs(tin - comp.wt_pct("Sn")) <= ALIKE_SN_PCT:
        as_slush = "this shop pours such metal as slush, by its log"
        return slush, Text(as_slush if slush else "this shop pours such metal hot, by its log")
    if comp.wt_pct("Sn") >= GRAINS_FROM_SN_PCT:
        return True, Text("metal rich in tin is poured as it begins to grain (1765, and common practice)")
    return False, Text("metal poor in tin is poured hot (1765)")


def _slush_span(way: Way, limits: WindowLimits) -> tuple[float, float]:
    """Shares of solid from which the edges of a sheet stand, and from which it sets in the sled."""
    if limits.side_bars:
        return _HALT_MARGIN, limits.sets_in_sled
    edge = edge_stress_pa(liquid_density_kg_m3(way.comp, way.liquidus_c), way.thickness_mm)
    usual = edge_stress_pa(liquid_density_kg_m3(way.comp, way.liquidus_c), _USUAL_MM)
    stands = limits.edges_stand * (edge / usual) ** (1.0 / YIELD_POWER)
    return min(stands, limits.sets_in_sled - _HALT_MARGIN), limits.sets_in_sled


RUNS_OFF: Final = "it runs off the sides (below {a} % solid the edges do not stand)"
GRAINLESS: Final = "it is liquid, not slush (below {a} % solid)"


def _slush_band(way: Way, limits: WindowLimits) -> Band | None:
    """From grains that hold the edges to grains that set in the sled; None where there is no such span."""
    stands, sets = _slush_span(way, limits)
    if way.slush_k(stands, sets) < NARROWEST_K:
        return None
    hottest, coldest = way.pot_c_for_solid(stands), way.pot_c_for_solid(sets)
    soft = _SOFT_PART * (hottest - coldest)
    return Band(
        SLUSH,
        coldest,
        coldest + soft,
        hottest - soft,
        hottest,
        Text("it sets in the sled before the push is over (above {a} % solid)", a=Amount(100.0 * limits.sets_in_sled)),
        Text(GRAINLESS if limits.side_bars else RUNS_OFF, a=Amount(100.0 * stands)),
    )


def _hot_band(way: Way, limits: WindowLimits, uncertainty_k: float, has_slush: bool) -> tuple[Band, tuple[Text, ...]]:
    """Liquid at the gate, and able to run for a while but not too long; with what is to be said of it."""
    leaves_liquid = way.pot_c_for_heat(way.curve.heat_at_solid(_MOST_SOLID_AT_GATE))
    ripples_c = way.pot_c_for_mobile(limits.shortest_mobile_s)
    ripples = ripples_c is not None and ripples_c > leaves_liquid + 0.5
    cold = max(leaves_liquid, ripples_c or leaves_liquid)
    calm = way.pot_c_for_mobile(limits.calm_mobile_s) or cold
    hot = way.pot_c_for_mobile(limits.longest_mobile_s) or cold
    if limits.side_bars:
        calm = hot = way.liquidus_c + way.pour_k + 150.0
    top = way.liquidus_c + way.pour_k + NOT_BINDING_K
    hard = min(hot, RED_LIMIT_C)
    low = cold + uncertainty_k
    high = min(max(calm, 0.5 * (cold + hot)), top, hard)
    if low + NARROWEST_K > high:
        # the soft end (oxide, dross) gives way before a sheet is refused: then half of what is left
        high = 0.5 * (low + hard)
    film_mm, stands_mm = laid_thickness_mm(way.comp, way.thickness_mm), puddle_mm(way.comp)
    too_thick = film_mm > stands_mm and not limits.side_bars
    empty = too_thick or low + NARROWEST_K > high
    if empty:
        low, high = cold, cold + NARROWEST_K
    runs = too_thick or (hot <= top + 0.5 and not limits.side_bars)
    hot_end = Text("it runs off the sides" if runs else "oxide, dross and the cloth stop it first")
    cold_end = Text("ripples and laps freeze in" if ripples else "it grains at the gate")
    band = Band(HOT, cold, low, high, max(hard, high), cold_end, hot_end, empty)
    if too_thick:
        return band, (_too_thick_words(film_mm, stands_mm, has_slush=has_slush),)
    if empty:
        return band, (_none_words(band, hard, uncertainty_k, runs=runs, has_slush=has_slush),)
    warnings = []
    if high > top + 0.5:
        words = (
            "it is poured more than {a} above the liquidus: oxide, dross and the cloth suffer, keep to the lower end"
        )
        warnings.append(Text(words, a=Amount(NOT_BINDING_K, "K")))
    elif hot > top + 0.5:
        words = "running off does not limit this sheet: oxide, dross and the cloth do, keep to the lower half"
        warnings.append(Text(words))
    if ripples:
        words = "ripples and laps freeze in sooner than the metal thickens at the gate: they set the lower end"
        warnings.append(Text(words))
    return band, tuple(warnings)


def _bars_words(*, has_slush: bool) -> Text:
    return Text("pour it as slush, or put bars along the sides" if has_slush else "put bars along the sides")


def _too_thick_words(film_mm: float, stands_mm: float, *, has_slush: bool) -> Text:
    words = (
        "no temperature suits it hot: liquid metal stands {stands} high by itself, and the film is {film}, so it runs off "
        "the sides until it sets; {cure}"
    )
    stands, film = Amount(stands_mm, "mm", 1), Amount(film_mm, "mm", 1)
    return Text(words, stands=stands, film=film, cure=_bars_words(has_slush=has_slush))


def _none_words(band: Band, hard_c: float, uncertainty_k: float, *, runs: bool, has_slush: bool) -> Text:
    """Why no temperature can be named, by the ends that bind, and what helps against them."""
    ends: dict[str, Value] = {
        "a": Amount(band.too_cold_below_c, "C"),
        "cold": band.cold_end,
        "b": Amount(hard_c, "C"),
        "hot": band.hot_end,
    }
    if runs:
        cure = Text("level the table better, {bars}", bars=_bars_words(has_slush=has_slush))
    else:
        cure = Text("a thicker sheet or a warmer table widens it")
    room_k = hard_c - band.too_cold_below_c
    if room_k > 0.5:
        words = (
            "the range is {width} wide (below {a}: {cold}; above {b}: {hot}), and the liquidus is known within {unsure}: no "
            "thermometer can promise to hit it; {cure}"
        )
        return Text(words, width=Amount(room_k, "K"), unsure=Amount(uncertainty_k, "K"), cure=cure, **ends)
    return Text("no temperature suits both ends: below {a}: {cold}; above {b}: {hot}; {cure}", cure=cure, **ends)


def push_heat_words(window: PourWindow, sled_c: float) -> tuple[Text, ...]:
    """What is to be said of a push whose metal has this temperature in the sled, where it lies outside the range.

    >>> window = pour_window(Composition.parse("Sn 50 Pb bal"), 2.0, 20, 20)
    >>> push_heat_words(window, window.sled_c), len(push_heat_words(window, 460.0))
    ((), 3)
    """
    pot_c = sled_c + 0.5 * (window.try_low_c + window.try_high_c) - window.sled_c
    if not window.empty and window.too_cold_below_c - 0.5 <= pot_c <= window.too_hot_above_c + 0.5:
        return ()
    words = "the push is reckoned with {a} in the sled, outside the pouring range: {side}"
    hot = pot_c > window.too_hot_above_c
    side = window.band.hot_end if hot else window.band.cold_end
    told = () if window.empty else (Text(words, a=Amount(sled_c, "C"), side=side),)
    said = [text.template for text in window.warnings]
    return (*told, *(text for text in _heat_words(pot_c) if text.template not in said))


def _heat_words(high: float) -> list[Text]:
    """What a temperature in the pot does to cloth and lungs."""
    found = []
    if high > CLOTH_HOT_C:
        words = "above {a} the cloth suffers: aramid decomposes above about {b}"
        found.append(Text(words, a=Amount(CLOTH_HOT_C, "C"), b=Amount(400.0, "C")))
    elif high > CLOTH_WEAKENS_C:
        words = "aramid cloth loses strength from about {a}: look at it before every pour"
        found.append(Text(words, a=Amount(CLOTH_WEAKENS_C, "C")))
    if high >= RED_LIMIT_C - 1.0:
        words = "red above {a}: lead fume; dust and dross are a danger at any temperature"
        found.append(Text(words, a=Amount(RED_LIMIT_C, "C")))
    return found


def _narrow_words(band: Band) -> list[Text]:
    """What is said of a band that a thermometer cannot hold."""
    width_k = band.too_hot_above_c - band.too_cold_below_c
    if band.empty or width_k >= 2.0 * THERMOMETER_K:
        return []
    words = "the range is {width} wide and a thermocouple errs by {error} either way: go by the look of the metal in the sled"
    return [Text(words, width=Amount(width_k, "K", 1), error=Amount(THERMOMETER_K, "K", 1))]


def _general_warnings(high: float, first_cast: bool, within: bool) -> list[Text]:
    found = _heat_words(high)
    if first_cast:
        found.append(Text("first cast: a cold gate is counted in; better warm sled and gate"))
    if not within:
        words = "alloy outside the assessed range: the liquidus may be {a} and more off"
        found.append(Text(words, a=Amount(10.0, "K")))
    return found


def _rests_on(limits: WindowLimits, uncertainty_k: float, cloth_factor: float) -> Text:
    verdicts = (
        Text("no logged verdict: limits of flow are estimates, a factor of two either way")
        if limits.verdicts_used == 0
        else Text("{a} logged verdicts of this shop", a=limits.verdicts_used)
    )
    cloth = (
        Text("within a factor of two until logged")
        if cloth_factor == 1.0
        else Text("{factor} of the estimate, by the log", factor=Amount(cloth_factor, "", 2))
    )
    words = "{verdicts}; liquidus within {b}; cloth resistance {cloth}"
    return Text(words, verdicts=verdicts, b=Amount(uncertainty_k, "K"), cloth=cloth)
