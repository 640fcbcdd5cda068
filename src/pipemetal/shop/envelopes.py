"""The search over a rack: this thickness, over this length, and where on the roll.

Every roll keeps the thinnest and the thickest metal across its width at the stations of its field. Between two stations
every line along the roll is straight, so the thinnest of them never falls below the straight line between the two, nor
does the thickest rise above it: what the search answers is never wrong. It may miss a strip along one edge, as it asks for
the whole width. Thicknesses are kept to 0.0001 mm, a hundredth of what a gauge tells.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipemetal.sheets.roll import Roll

__all__ = ["Envelope", "RackIndex", "envelope_of"]

FloatArray = npt.NDArray[np.float64]
NOT_METAL = (-1.0, 1000.0)


@dataclass(frozen=True)
class Envelope:
    """Stations along a roll within its trim, with the thinnest and the thickest metal across there."""

    stations_mm: tuple[float, ...]
    thinnest_mm: tuple[float, ...]
    thickest_mm: tuple[float, ...]

    def to_json(self) -> str:
        """As text for the book."""
        return json.dumps([self.stations_mm, self.thinnest_mm, self.thickest_mm], separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> Envelope:
        """From the book's text."""
        stations, thinnest, thickest = json.loads(text)
        return cls(tuple(stations), tuple(thinnest), tuple(thickest))


def envelope_of(roll: Roll) -> Envelope:
    """The envelope of a roll: within trim, and broken where a blemish lies."""
    first, last = roll.trim_mm, roll.length_mm - roll.trim_mm
    field = roll.field
    inner = [float(s) for s in field.stations_mm if first < s < last]
    blemishes = [(max(min(x for x, _ in p), first), min(max(x for x, _ in p), last)) for p in roll.no_go]
    stations = sorted({first, last, *inner, *(x for pair in blemishes for x in pair if first < x < last)})
    across = field.at(np.array(stations)[None, :], field.lines_mm[:, None])
    points = [(x, float(a), float(b)) for x, a, b in zip(stations, across.min(axis=0), across.max(axis=0), strict=True)]
    for left, right in blemishes:
        if left < right:
            points = _broken(points, left, right)
    return Envelope(
        tuple(round(x, 2) for x, _, _ in points),
        tuple(round(a, 4) for _, a, _ in points),
        tuple(round(b, 4) for _, _, b in points),
    )


def _broken(points: list[tuple[float, float, float]], left: float, right: float) -> list[tuple[float, float, float]]:
    before = [p for p in points if p[0] <= left]
    after = [p for p in points if p[0] >= right]
    return [*before, (left, *NOT_METAL), (right, *NOT_METAL), *after]


class RackIndex:
    """The envelopes of many rolls, side by side, so that one search looks at all of them at once.

    `stations`, `thinnest` and `thickest` have a row for each station and a column for each roll; rolls with fewer stations
    repeat their last one.
    """

    def __init__(self, envelopes: Sequence[Envelope]) -> None:
        self._fill([(e.stations_mm, e.thinnest_mm, e.thickest_mm) for e in envelopes])

    @classmethod
    def from_texts(cls, texts: Sequence[str]) -> RackIndex:
        """From the book's texts, all of them read at once."""
        made = cls.__new__(cls)
        made._fill(json.loads(f"[{','.join(texts)}]"))
        return made

    def _fill(self, held: Sequence[Sequence[Sequence[float]]]) -> None:
        counts = np.fromiter((len(e[0]) for e in held), dtype=np.intp, count=len(held))
        most = int(counts.max(initial=2))
        there = np.arange(most)[:, None] < counts[None, :]
        at = np.minimum(np.arange(most)[:, None], counts[None, :] - 1)
        arrays = []
        for part in range(3):
            values = np.zeros((len(held), most))
            values[there.T] = np.fromiter(
                itertools.chain.from_iterable(e[part] for e in held), dtype=np.float64, count=int(counts.sum())
            )
            arrays.append(np.ascontiguousarray(np.take_along_axis(values.T, at, axis=0)))
        self.stations, self.thinnest, self.thickest = arrays
        self._whole: FloatArray | None = None

    def __len__(self) -> int:
        return int(self.stations.shape[1])

    def merged(self, other: RackIndex, order: npt.NDArray[np.intp]) -> RackIndex:
        """These rolls and others, picked and put in order: `order` counts through both, this one's first."""
        made = RackIndex.__new__(RackIndex)
        most = max(self.stations.shape[0], other.stations.shape[0])
        for name in ("stations", "thinnest", "thickest"):
            both = np.hstack([_longer(getattr(self, name), most), _longer(getattr(other, name), most)])
            setattr(made, name, np.take(both, order, axis=1))
        made._whole = None
        return made

    def extremes(self) -> tuple[FloatArray, FloatArray]:
        """The thinnest and the thickest metal of each roll in mm, blemishes aside; zero where there is none."""
        metal = self.thinnest > 0.0
        thin = np.where(metal, self.thinnest, np.inf).min(axis=0, initial=np.inf)
        thick = np.where(metal, self.thickest, 0.0).max(axis=0, initial=0.0)
        return np.where(np.isfinite(thin), thin, 0.0), thick

    def whole(self) -> FloatArray:
        """The longest stretch of each roll without a blemish: (rolls, 2)."""
        if self._whole is None:
            self._whole = self.longest(0.001, 100.0)
        return self._whole

    def longest(self, low_mm: float, high_mm: float, rows: npt.NDArray[np.intp] | None = None) -> FloatArray:
        """The longest stretch of each roll whose metal lies between two thicknesses: (rolls, 2), nan where none.

        Arguments: thicknesses in mm; `rows`: which rolls, all where None.
        """
        if rows is not None and len(rows) < len(self):
            x, thin, thick = (np.take(a, rows, axis=1) for a in (self.stations, self.thinnest, self.thickest))
        else:
            x, thin, thick = self.stations, self.thinnest, self.thickest
        count = x.shape[1]
        best, start, end = np.full((2, count), np.nan), np.full(count, np.nan), np.full(count, np.nan)
        best_length = np.full(count, -1.0)
        for k in range(x.shape[0] - 1):
            u0, u1 = _within(thin[k], thin[k + 1], low_mm, np.inf)
            v0, v1 = _within(thick[k], thick[k + 1], -np.inf, high_mm)
            a, b = np.maximum(u0, v0), np.minimum(u1, v1)
            good, step = a <= b, x[k + 1] - x[k]
            carried = good & (a <= 0.0) & (end == x[k])
            start = np.where(carried, start, np.where(good, x[k] + a * step, np.nan))
            end = np.where(good, np.where(b >= 1.0, x[k + 1], x[k] + b * step), np.nan)
            length = end - start
            better = good & (length > best_length)
            best_length = np.where(better, length, best_length)
            best[0] = np.where(better, start, best[0])
            best[1] = np.where(better, end, best[1])
        return best.T


def _longer(values: FloatArray, most: int) -> FloatArray:
    return np.vstack([values, np.repeat(values[-1:], most - values.shape[0], axis=0)])


def _within(first: FloatArray, last: FloatArray, low: float, high: float) -> tuple[FloatArray, FloatArray]:
    """The part 0..1 of straight lines from first to last that lies between low and high; empty where start > end."""
    slope = last - first
    flat = np.abs(slope) < 1e-12
    safe = np.where(flat, 1.0, slope)
    at_low, at_high = (low - first) / safe, (high - first) / safe
    enter = np.where(flat, 0.0, np.clip(np.minimum(at_low, at_high), 0.0, 2.0))
    leave = np.where(flat, 1.0, np.clip(np.maximum(at_low, at_high), -1.0, 1.0))
    out = flat & ((first < low) | (first > high))
    return np.where(out, 2.0, enter), np.where(out, -1.0, leave)
