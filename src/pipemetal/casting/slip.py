"""Slip of the film after landing: metal laid faster or slower than the table slides on a little, until cloth and cold stop it.

Left out of a card unless a log shows it: how long a film slides is not known (0.5 s, a factor of two either way: estimate).
"""

from __future__ import annotations

import numpy as np

from pipemetal.casting.model import Array, checked
from pipemetal.errors import CastingError

__all__ = ["LONGEST_SLIP_S", "slip_gradient_1_s", "slipped_film_m"]

LONGEST_SLIP_S = 2.0
# Where sliding metal gathers or thins more than this, it folds or tears, and a first-order formula says nothing.
_LEAST_STRETCH, _MOST_STRETCH = 0.6, 1.6


def slip_gradient_1_s(x_m: Array, speed_m_s: Array, jet_m_s: Array) -> Array:
    """How fast the slip speed of the film, push less jet, grows along the table, in 1/s; shape as given."""
    gradient: Array = np.gradient(speed_m_s - jet_m_s, x_m)
    return gradient


def slipped_film_m(x_m: Array, film_m: Array, speed_m_s: Array, jet_m_s: Array, slip_s: float) -> Array:
    """The film at rest after it slid for slip_s: t = q / (U + d((U - v) slip)/d time), all arrays of one shape.

    An even slip only shifts the sheet; a push that quickens against a falling jet draws the film out and thins it.

    Raises:
        CastingError: slip_s out of range, or a film that would fold or tear.
    Sources: conservation of mass from where an element is laid (x) to where it rests (x + (U - v) slip), first order.

    >>> x = np.linspace(0.0, 4.0, 9)
    >>> film = slipped_film_m(x, np.full(9, 2e-3), np.linspace(1.1, 1.5, 9), np.linspace(1.1, 1.0, 9), 0.5)
    >>> round(100.0 * (float(film[4]) / 2e-3 - 1.0), 1)
    -5.9
    """
    checked("slip_s", slip_s, 0.0, LONGEST_SLIP_S, "s")
    stretch = 1.0 + slip_s * slip_gradient_1_s(x_m, speed_m_s, jet_m_s)
    if float(stretch.min()) < _LEAST_STRETCH or float(stretch.max()) > _MOST_STRETCH:
        worst = float(stretch[np.argmax(np.abs(np.log(np.maximum(stretch, 1e-3))))])
        raise CastingError(
            f"would draw the film to {worst:.2f} times its length, where it folds or tears",
            field="slip_s",
            value=slip_s,
            allowed=f"a stretch of {_LEAST_STRETCH:g} to {_MOST_STRETCH:g}",
        )
    film: Array = film_m / stretch
    return film
