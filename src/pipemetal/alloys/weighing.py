"""Tin from a weighing in air and in water: lift of air, water by temperature, thread, calibration, antimony unknown."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipemetal.alloys.elements import element_value
from pipemetal.errors import AlloyError
from pipemetal.texts import Amount, Text

__all__ = [
    "Beside",
    "Calibration",
    "TinAssay",
    "Weighing",
    "calibrate_weighing",
    "density_from_weighing",
    "tin_from_weighing",
    "water_density_g_cm3",
]

AIR_DENSITY_G_CM3 = 0.0012

# Parts of the interval, in percent of the volume of the piece (each a bound that 95 of 100 pieces keep to).
_END_DENSITIES_PCT = 0.1
_MIXING_RULE_PCT = 0.15
_WATER_PCT_PER_K = 0.02
# Pores make a piece lighter, so it reads as more tin than it holds. Estimates, no source: shop pieces differ.
_PORES_PCT = {"worked": 0.05, "as cast": 0.5}
# What pipe metal may hold of antimony when nobody knows (common practice, no source): it reads as tin.
_UNKNOWN_SB_WT_PCT = 1.0


@dataclass(frozen=True, slots=True)
class TinAssay:
    """Tin by weighing: percent by mass with its 95 % interval, the density found, and what to know about the number."""

    sn_wt_pct: float
    sn_wt_pct_low: float
    sn_wt_pct_high: float
    density_g_cm3: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Calibration:
    """Densities of pure lead and pure tin as this shop's weighing finds them, and by how much each may be off, percent."""

    lead_density_g_cm3: float
    tin_density_g_cm3: float
    uncertainty_pct: float

    def __post_init__(self) -> None:
        lead, tin = self.lead_density_g_cm3, self.tin_density_g_cm3
        if not (math.isfinite(lead) and math.isfinite(tin) and 10.9 < lead < 11.8 and 7.0 < tin < 7.6):
            raise AlloyError(
                "do not look like pure lead and pure tin",
                field="calibration",
                value=f"{lead:.3f} and {tin:.3f} g/cm3",
                allowed="about 11.34 and 7.29 g/cm3",
            )


def water_density_g_cm3(temperature_c: float) -> float:
    """Density of clean water free of air bubbles, 0 to 40 C.

    Sources: Tanaka et al., Metrologia 38 (2001) 301, eq. 1 (constants not checked; 0.998207 at 20 C checked).

    >>> round(water_density_g_cm3(20.0), 6)
    0.998207
    """
    if not math.isfinite(temperature_c) or not 0.0 <= temperature_c <= 40.0:
        raise AlloyError(
            "is outside the table of water", field="water_temperature_c", value=temperature_c, allowed="0 to 40 C"
        )
    t = temperature_c
    return 0.99997495 * (1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def density_from_weighing(
    air_g: float, water_g: float, water_temperature_c: float = 20.0, *, thread_water_g: float = 0.0
) -> float:
    """Density in g/cm3 of a piece from its weight in air and hanging in water, corrected for the lift of air.

    Arguments:
        air_g: weight in air without the thread; water_g: weight hanging in water, above zero and less than in air.
        thread_water_g: what the thread and hook alone show, hanging as deep in the water (below zero where they float).
    Raises:
        AlloyError: weights that are no weights, or water outside 0 to 40 C.

    >>> round(density_from_weighing(50.0, 44.375), 2)
    8.86
    """
    if not math.isfinite(thread_water_g) or abs(thread_water_g) > 50.0:
        raise AlloyError("is not the weight of a thread", field="thread_water_g", value=thread_water_g)
    for name, value in (("air_g", air_g), ("water_g", water_g)):
        if not math.isfinite(value) or value <= 0.0:
            raise AlloyError("must be a weight above zero", field=name, value=value)
    hanging = water_g - thread_water_g
    if not 0.0 < hanging < air_g:
        raise AlloyError(
            "must be less than the weight in air",
            field="water_g",
            value=water_g,
            allowed=Text("between 0 and {air_g} g, the thread taken off", air_g=Amount.short(air_g)),
        )
    lift = water_density_g_cm3(water_temperature_c) - AIR_DENSITY_G_CM3
    return air_g / (air_g - hanging) * lift + AIR_DENSITY_G_CM3


def calibrate_weighing(
    lead: tuple[float, float], tin: tuple[float, float], water_temperature_c: float = 20.0, balance_g: float = 0.01
) -> Calibration:
    """What this balance, water and thread make of a piece of pure lead and one of pure tin.

    Arguments:
        lead, tin: weight in air and weight in water of each, in grams, weighed as the unknown piece will be.
        balance_g: what the balance may be wrong by, each time.
    Raises:
        AlloyError: weights that are no weights, or pieces that are not pure lead and tin.

    >>> found = calibrate_weighing((200.0, 182.4), (150.0, 129.45))
    >>> round(found.lead_density_g_cm3, 2), round(found.tin_density_g_cm3, 2), round(found.uncertainty_pct, 2)
    (11.33, 7.28, 0.08)
    """
    densities = [density_from_weighing(air, water, water_temperature_c) for air, water in (lead, tin)]
    volume_g = min(air - water for air, water in (lead, tin))
    return Calibration(densities[0], densities[1], 100.0 * math.sqrt(2.0) * balance_g / volume_g)


@dataclass(frozen=True, slots=True)
class Weighing:
    """A piece weighed in air and hanging in water, grams; the water's temperature, and by how much that may be off.

    `balance_g`: what the balance may be wrong by, each time. `thread_water_g`: what the thread alone shows in the water.
    """

    air_g: float
    water_g: float
    water_temperature_c: float = 20.0
    balance_g: float = 0.01
    water_temperature_uncertainty_k: float = 1.0
    thread_water_g: float = 0.0


@dataclass(frozen=True, slots=True)
class Beside:
    """What is in a lead-tin piece beside both, percent by mass; bismuth and copper are taken as known.

    Antimony and by how much it may be off; None is unknown: the tin is then that of metal without antimony, and the interval
    reaches down to that of metal with 1 %.
    """

    sb_wt_pct: float | None = 0.0
    sb_uncertainty_wt_pct: float = 0.0
    bi_wt_pct: float = 0.0
    cu_wt_pct: float = 0.0

    def as_wt_pct(self) -> dict[str, float]:
        """Percent by mass of each, zero for what is unknown."""
        return {"Sb": self.sb_wt_pct or 0.0, "Bi": self.bi_wt_pct, "Cu": self.cu_wt_pct}


_NOTHING_BESIDE = Beside()


def tin_from_weighing(
    weighed: Weighing,
    beside: Beside = _NOTHING_BESIDE,
    *,
    state: str = "worked",
    calibration: Calibration | None = None,
) -> TinAssay:
    """Tin content of a lead-tin piece from its weight in air and in water.

    Arguments:
        state: ``worked`` (rolled or hammered) or ``as cast``; castings have pores and read as too much tin.
        calibration: densities found in the same way on pieces known to be pure. They stand for the table's and take the
            errors of water and of end densities with them.
    Raises:
        AlloyError: weights that are no weights, or a density that no such metal has.
    Sources: volumes add to 0.1-0.3 % (Khairulin & Stankus, High Temp. 44 (2006)); elements from the CRC Handbook;
        share of pores, unknown antimony: estimates, no source.

    >>> found = tin_from_weighing(Weighing(200.0, 177.5))
    >>> round(found.sn_wt_pct, 1), round(found.sn_wt_pct_low, 1), round(found.sn_wt_pct_high, 1)
    (50.2, 49.8, 50.7)
    """
    if state not in _PORES_PCT:
        raise AlloyError("is not known", field="state", value=state, allowed=", ".join(_PORES_PCT))
    others = beside.as_wt_pct()
    for name, value in (
        *others.items(),
        ("sb_uncertainty", beside.sb_uncertainty_wt_pct),
        ("balance_g", weighed.balance_g),
        ("water_temperature_uncertainty_k", weighed.water_temperature_uncertainty_k),
    ):
        if not math.isfinite(value) or not 0.0 <= value <= 30.0:
            raise AlloyError("is out of the ordinary", field=name, value=value, allowed="0 to 30")
    density = density_from_weighing(
        weighed.air_g, weighed.water_g, weighed.water_temperature_c, thread_water_g=weighed.thread_water_g
    )
    ends = _Ends.of(calibration)
    sn = ends.tin_wt_pct(density, others)
    volume_cm3 = weighed.air_g / density
    parts_pct = [
        100.0 * math.sqrt(2.0) * weighed.balance_g / volume_cm3,
        _MIXING_RULE_PCT,
        calibration.uncertainty_pct if calibration else _END_DENSITIES_PCT,
        0.0 if calibration else _WATER_PCT_PER_K * weighed.water_temperature_uncertainty_k,
    ]
    per_pct = 1.0 / (density * ends.span)  # tin, in percent, that one percent of the volume reads as
    reach = math.hypot(*(per_pct * part for part in parts_pct), ends.reads_as_tin("Sb") * beside.sb_uncertainty_wt_pct)
    hidden = ends.reads_as_tin("Sb") * _UNKNOWN_SB_WT_PCT if beside.sb_wt_pct is None else 0.0
    low, high = sn - math.hypot(reach, per_pct * _PORES_PCT[state]) - hidden, sn + reach
    most = 100.0 - sum(others.values())
    if high < 0.0 or low > most:
        raise AlloyError(
            "is that of no lead-tin metal",
            field="density_g_cm3",
            value=round(density, 3),
            allowed=Text(
                "{low} to {high} g/cm3, a little more or less with other elements",
                low=Amount(1.0 / ends.tin, "", 3),
                high=Amount(1.0 / ends.lead, "", 3),
            ),
        )
    notes = _notes(beside.sb_wt_pct, beside.sb_uncertainty_wt_pct, state, calibration is not None, volume_cm3, low)
    sn, low, high = (min(max(value, 0.0), most) for value in (sn, low, high))
    return TinAssay(sn, low, high, density, notes)


@dataclass(frozen=True, slots=True)
class _Ends:
    """Specific volumes in cm3/g of the two ends of the scale."""

    lead: float
    tin: float

    @classmethod
    def of(cls, calibration: Calibration | None) -> _Ends:
        if calibration is None:
            return cls(*(1.0 / element_value("solid_density", e, 20.0) for e in ("Pb", "Sn")))
        return cls(1.0 / calibration.lead_density_g_cm3, 1.0 / calibration.tin_density_g_cm3)

    @property
    def span(self) -> float:
        return self.tin - self.lead

    def reads_as_tin(self, element: str) -> float:
        """Percent of tin that one percent of an element in place of lead reads as."""
        return (1.0 / element_value("solid_density", element, 20.0) - self.lead) / self.span

    def tin_wt_pct(self, density_g_cm3: float, others: dict[str, float]) -> float:
        read = 100.0 * (1.0 / density_g_cm3 - self.lead) / self.span
        return read - sum(self.reads_as_tin(e) * w for e, w in others.items())


def _notes(
    sb_wt_pct: float | None, sb_uncertainty: float, state: str, calibrated: bool, volume_cm3: float, low: float
) -> tuple[str, ...]:
    notes = []
    if sb_wt_pct is None:
        notes.append(
            "antimony is not known: the tin is that of metal without any; the interval reaches down to metal with "
            f"{_UNKNOWN_SB_WT_PCT:g} % of it (common practice, no source)"
        )
    elif sb_wt_pct == 0.0 and sb_uncertainty == 0.0:
        notes.append("antimony was taken as zero: every percent of it in place of lead reads as 1.25 % of tin")
    if state == "as cast":
        notes.append("a casting has pores and reads as too much tin: hammer or roll the piece to be surer")
    if not calibrated:
        notes.append("weighing a piece of pure lead and one of pure tin the same way takes out water and thread")
    if volume_cm3 < 10.0:
        notes.append("the piece is small: 100 g or more narrows the interval")
    if low < 1.0:
        notes.append("less than about 1 % of tin cannot be told from none")
    return tuple(notes)
