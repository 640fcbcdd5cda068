"""What a quantity is that people give: its unit, its limits, its meaning. One definition for files, forms, interface and core.

The limits are those of slips of the pen, not of the trade: beyond them a number is a wrong unit or a misplaced point.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from pipemetal.errors import InputError, allowed_text

__all__ = ["CAST", "HEARD", "LOT", "MELT", "READING", "ROLL", "Quantity", "unit_of"]

_UNITS: Final = {
    "mm": "mm",
    "kg": "kg",
    "c": "C",
    "s": "s",
    "m_s": "m/s",
    "mm_m": "mm a metre",
    "wt_pct": "%",
}

_OTHER: Final = {"seconds_to_matt": "s"}


def unit_of(heading: str) -> str:
    """The unit that a heading ends in, as people write it.

    >>> unit_of("pour_temperature_c"), unit_of("table_f"), unit_of("seconds_to_matt"), unit_of("width_in")
    ('C', 'F', 's', 'in')
    """
    ending = heading.rsplit("_", 1)[-1]
    return _OTHER.get(heading) or _UNITS.get(ending) or {"f": "F", "pct": "%"}.get(ending, ending)


@dataclass(frozen=True)
class Quantity:
    """A quantity that people give, in the unit that its name ends in.

    >>> charge = Quantity("charge_kg", 0.5, 2000.0, "metal ladled into the sled")
    >>> charge.unit, charge.allowed, charge.holds(90.0)
    ('kg', '0.5 to 2000 kg', True)
    """

    name: str
    low: float
    high: float
    meaning: str

    @property
    def unit(self) -> str:
        """The unit, as people write it; none for a plain number."""
        return next(
            (unit for ending, unit in _UNITS.items() if self.name.endswith(f"_{ending}")), _OTHER.get(self.name, "")
        )

    @property
    def limits(self) -> tuple[float, float]:
        """The least and the greatest that may be given."""
        return self.low, self.high

    @property
    def allowed(self) -> str:
        """The limits in words."""
        return allowed_text(self.low, self.high, self.unit)

    def holds(self, value: float) -> bool:
        """Whether a number may be one of these."""
        return math.isfinite(value) and self.low <= value <= self.high

    def checked(self, value: float, *, error: type[InputError] = InputError, field: str = "", where: str = "") -> float:
        """The value, if it may be one of these. Errors: `error`, with the limits.

        >>> Quantity("gate_mm", 0.3, 20.0, "the opening").checked(2.6)
        2.6
        """
        if not self.holds(value):
            name = field or self.name
            raise error("is out of range", field=name, value=value, limits=(*self.limits, self.unit), where=where)
        return value


def _named(*quantities: Quantity) -> Mapping[str, Quantity]:
    return MappingProxyType({q.name: q for q in quantities})


CAST: Final = _named(
    Quantity("gate_mm", 0.3, 20.0, "how far the gate is open"),
    Quantity("lip_mm", 0.0, 40.0, "how long the gate's lower edge is along the push"),
    Quantity("charge_kg", 0.5, 2000.0, "metal ladled into the sled for one sheet"),
    Quantity("leftover_kg", 0.0, 2000.0, "metal left in the sled after the push"),
    Quantity("sled_length_mm", 40.0, 1000.0, "inner length of the sled, along the push"),
    Quantity("sled_width_mm", 50.0, 2500.0, "inner width of the sled, which is that of the sheet as cast"),
    Quantity("length_mm", 200.0, 20_000.0, "length of the sheet as cast"),
    Quantity("along_mm", 0.0, 20_000.0, "a place along the sheet, from its beginning"),
    Quantity("thickness_mm", 0.1, 12.0, "thickness of a cast sheet"),
    Quantity("wanted_start_mm", 0.2, 10.0, "thickness wanted at the beginning"),
    Quantity("wanted_end_mm", 0.2, 10.0, "thickness wanted at the end"),
    Quantity("run_up_mm", 0.0, 3000.0, "how far the sled goes before the sheet begins"),
    Quantity("push_time_s", 0.1, 120.0, "from the beginning of the sheet to its end"),
    Quantity("wait_s", 0.0, 3600.0, "from the last ladle to the push"),
    Quantity("seconds_to_matt", 0.1, 3600.0, "from the push until the sheet turns matt"),
    Quantity("lift_after_s", 1.0, 36_000.0, "from the push until the sheet was lifted"),
    Quantity("timing_sd_s", 0.001, 5.0, "how far a time may be off, one standard deviation"),
    Quantity("gauge_sd_mm", 0.001, 1.0, "how far a thickness may be misread, one standard deviation"),
    Quantity("pour_temperature_c", 100.0, 600.0, "metal in the ladle when it is poured"),
    Quantity("table_temperature_c", -20.0, 170.0, "stone or sand before the pour"),
    Quantity("air_temperature_c", -20.0, 60.0, "air in the casting room"),
    Quantity("slope_mm_m", -60.0, 60.0, "how far the table falls along the push"),
)
"""A cast: what is set, what is watched, what comes of it."""

HEARD: Final = _named(
    Quantity("air_c", 0.0, 40.0, "air in which a pipe was heard"),
    Quantity("body_mm", 3.0, 12_000.0, "body of a pipe, from the lower lip to its top or to the inner face of its cap"),
    Quantity("reference_hz", 20.0, 10_000.0, "what a fork or a tuned pipe sounds that begins a recording"),
    Quantity("reference_until_s", 0.5, 3600.0, "where in the recording it has ended"),
)
"""A pipe that was heard."""

ROLL: Final = _named(
    Quantity("length_mm", 50.0, 20_000.0, "length of a roll or remnant, untrimmed"),
    Quantity("width_mm", 30.0, 3000.0, "width of a roll or remnant, untrimmed"),
    Quantity("trim_mm", 0.0, 200.0, "edge that is not used"),
    Quantity("thickness_start_mm", 0.1, 20.0, "thickness at the beginning"),
    Quantity("thickness_end_mm", 0.1, 20.0, "thickness at the end"),
)
"""A roll on the rack."""

READING: Final = _named(
    Quantity("x_mm", 0.0, 20_000.0, "along the roll, from its beginning"),
    Quantity("y_mm", 0.0, 20_000.0, "across the roll, from its lower edge"),
    Quantity("thickness_mm", 0.02, 60.0, "a reading of the gauge; ten-fold ones are read too, and then set aside"),
)
"""A gauge reading of a roll."""

LOT: Final = _named(
    Quantity("mass_kg", 0.001, 100_000.0, "metal of one analysis that is there"),
    Quantity("piece_kg", 0.05, 2000.0, "one pig or bar, taken whole"),
    Quantity("price_per_kg", 0.0, 10_000.0, "price of a kilogram, in the shop's currency"),
    Quantity("plus_minus_wt_pct", 0.0, 50.0, "95 % half-width of an analysis"),
)
"""A lot on the floor."""

MELT: Final = _named(
    Quantity("wanted_kg", 1.0, 5000.0, "metal wanted after skimming"),
    Quantity("pot_kg", 1.0, 5000.0, "what the pot holds"),
    Quantity("spare_kg", 0.0, 500.0, "metal more than the sheets take"),
    Quantity("heel_kg", 0.0, 5000.0, "metal left in the pot"),
    Quantity("weigh_step_kg", 0.01, 10.0, "the finest step of the scale"),
    Quantity("dross_kg", 0.0, 1000.0, "dross skimmed from a melt"),
)
"""A melt in the pot."""
