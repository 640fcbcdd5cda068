"""The freezing curve of metal that freezes fast: solids keep what they took, the liquid stays even (Scheil, Gulliver)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.equilibrium import atomic_weights
from pipemetal.alloys.gibbs import Array
from pipemetal.alloys.growth import Freezing
from pipemetal.alloys.liquidus import ZERO_C_IN_K, dissolved, outside_assessed_range
from pipemetal.errors import AlloyError, ConvergenceError

__all__ = ["FreezingCurve", "freezing_curve"]

# A new solid is found within half a J/mol, which may show as a rise of some hundredths of a kelvin: flattened.
_MOST_RISE_K = 0.1


@dataclass(frozen=True)
class FreezingCurve:
    """How much of the metal is solid at which temperature on fast freezing.

    Attributes:
        temperature_c: falling; two points of one temperature bound the part that freezes there.
        fraction_solid: share of the mass that is solid, 0 to 1, of the same length.
        fraction_solid_molar: the same by moles of atoms, as thermodynamic programs give it.
        latent_kj_kg: heat given off by freezing alone from the liquidus to each point, per kilogram of alloy.
        eutectic_share: share of the mass that freezes as lead-rich and tin-rich solid side by side.
        solids: every solid that forms and its share of the mass, the most plentiful first.
        within_range: whether the composition lies inside what the data were checked on.
    """

    temperature_c: Array
    fraction_solid: Array
    fraction_solid_molar: Array
    latent_kj_kg: Array
    eutectic_share: float
    solids: tuple[tuple[str, float], ...]
    within_range: bool

    @property
    def last_liquid_c(self) -> float:
        """Where the last liquid freezes (or the last twentieth of a percent, which may last lower)."""
        return float(self.temperature_c[-1])

    def temperature_at(self, fraction_solid: float) -> float:
        """Temperature in C at which this share of the mass, 0 to 1, is solid.

        Raises:
            AlloyError: a share outside 0 to 1.
        """
        if not 0.0 <= fraction_solid <= 1.0:
            raise AlloyError("is not a share", field="fraction_solid", value=fraction_solid, allowed="0 to 1")
        return float(np.interp(fraction_solid, self.fraction_solid, self.temperature_c))

    def fraction_at(self, temperature_c: float) -> float:
        """Share of the mass that is solid at a temperature in C; on a halt, all that freezes there counts as solid."""
        if temperature_c > self.temperature_c[0]:
            return 0.0
        if temperature_c <= self.temperature_c[-1]:
            return 1.0
        last = int(np.flatnonzero(self.temperature_c >= temperature_c)[-1])
        t0, t1 = self.temperature_c[last : last + 2]
        f0, f1 = self.fraction_solid[last : last + 2]
        return float(f0 + (f1 - f0) * (t0 - temperature_c) / (t0 - t1))


@lru_cache(maxsize=512)
def freezing_curve(comp: Composition) -> FreezingCurve:
    """The freezing curve of an alloy after Scheil.

    The solid grows in steps of at most 5 % of the atoms; at the end of each, every growing solid is in balance with
    the liquid, and a step is cut where another solid begins. When as many solids grow as there are elements that
    matter, or less than 0.05 % is left, the rest freezes at that temperature. Arsenic is left out.

    Raises:
        AlloyError: nothing but arsenic. ConvergenceError: a step did not settle.
    Sources: G. H. Gulliver, J. Inst. Met. 9 (1913) 120, and E. Scheil, Z. Metallkd. 34 (1942) 70 (both not checked);
        assessed Gibbs energies, see the footer of ``data/pbsn_pipe.tdb``.

    >>> curve = freezing_curve(Composition.parse("Sn 50 Pb bal"))
    >>> round(curve.temperature_at(0.1), 1), round(curve.last_liquid_c, 1), round(curve.eutectic_share, 2)
    (205.0, 182.2, 0.73)
    """
    system, x = dissolved(comp)
    frozen = Freezing.started(system, x)
    frozen.run()
    weights = atomic_weights(system)
    whole = float(x @ weights)
    liquid = np.array([amount * float(shares @ weights) / whole for _, amount, shares in frozen.track])
    molar = np.array([1.0 - amount for _, amount, _ in frozen.track])
    solids = sorted(((name, float(mass / whole)) for name, mass in frozen.solids_g.items()), key=lambda pair: -pair[1])
    temperatures: Array = np.array([t for t, *_ in frozen.track]) - ZERO_C_IN_K
    if len(temperatures) > 1 and float(np.diff(temperatures).max()) > _MOST_RISE_K:
        raise ConvergenceError(f"the freezing curve of {comp.text()} rises on cooling")
    fine, temperatures = _curved(molar, np.minimum.accumulate(temperatures), frozen.kinks)
    return FreezingCurve(
        temperatures,
        _between(fine, molar, np.clip(1.0 - liquid, 0.0, 1.0)),
        fine,
        _between(fine, molar, np.cumsum(frozen.latent_j) / whole),
        float(frozen.eutectic_g / whole),
        tuple(solids),
        not outside_assessed_range(comp),
    )


def _between(fine: Array, molar: Array, values: Array) -> Array:
    """Values straight between the steps; the last point, where the rest freezes at one temperature, keeps its own."""
    result: Array = np.interp(fine, molar, values)
    return result


def _curved(molar: Array, temperature_k: Array, kinks: list[int]) -> tuple[Array, Array]:
    """The curve with three points between any two steps, by a monotone cubic from kink to kink.

    A kink is where a solid begins or ends to grow; the last step, where the rest freezes, stays straight.

    Sources: F. N. Fritsch & J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300 (not checked).
    """
    edges = sorted({0, len(molar) - 2, len(molar) - 1, *kinks})
    xs, ts = [molar[:1]], [temperature_k[:1]]
    for first, last in pairwise(e for e in edges if e >= 0):
        x, t = molar[first : last + 1], temperature_k[first : last + 1]
        step = np.diff(x)
        if len(x) < 3 or float(step.min()) <= 1e-12:
            xs.append(x[1:])
            ts.append(t[1:])
            continue
        slope = np.diff(t) / step
        inner = np.zeros(len(x))
        a, b = slope[:-1], slope[1:]
        w1, w2 = 2.0 * step[1:] + step[:-1], step[1:] + 2.0 * step[:-1]
        falling = (a < 0.0) & (b < 0.0)
        inner[1:-1][falling] = ((w1 + w2)[falling]) / (w1[falling] / a[falling] + w2[falling] / b[falling])
        inner[0] = min(slope[0] + (slope[0] - slope[1]) * step[0] / (step[0] + step[1]), 0.0)
        inner[-1] = min(slope[-1] + (slope[-1] - slope[-2]) * step[-1] / (step[-1] + step[-2]), 0.0)
        inner[[0, -1]] = np.maximum(inner[[0, -1]], 3.0 * slope[[0, -1]])
        u = np.linspace(0.25, 1.0, 4)[None, :]
        h, t0, dt = step[:, None], t[:-1, None], np.diff(t)[:, None]
        cubic = (
            t0 + dt * u * u * (3.0 - 2.0 * u) + h * u * (1.0 - u) * (inner[:-1, None] * (1.0 - u) - inner[1:, None] * u)
        )
        xs.append((x[:-1, None] + h * u).ravel())
        ts.append(cubic.ravel())
    return np.concatenate(xs), np.minimum.accumulate(np.concatenate(ts))
