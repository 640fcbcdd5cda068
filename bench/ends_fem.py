"""Finite elements in axial symmetry for the air in a hole of a cap or in a chimney: an independent check of `pipes/ends.py`.

Laplace's equation (the wave is much longer than the hole) on a graded mesh of rectangles, bilinear elements: a tube with a cap, a
hole in the cap or a chimney on it, and the air outside as far as forty tube radii, where the field goes as 1 / distance.
What the air of the opening weighs comes out as the length of a tube as narrow as the opening.

    python bench/ends_fem.py      # table of holes and chimneys beside the formulas
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.sparse as sparse
import scipy.sparse.linalg as linalg

Array = npt.NDArray[np.float64]
FAR = 40.0
TUBE = 6.0


@dataclass(frozen=True)
class Opening:
    """An opening on a tube of radius 1: all lengths by the tube's radius."""

    radius: float
    cap: float
    wall: float
    chimney: float = 0.0
    chimney_wall: float = 0.0

    @property
    def top(self) -> float:
        return self.cap + self.chimney


def graded(points: set[float], finest: float, growth: float, low: float, high: float, coarsest: float) -> Array:
    """Grid lines from low to high, fine near some points."""

    def steps(length: float) -> Array:
        at, step = [0.0], finest
        while at[-1] + step < length:
            at.append(at[-1] + step)
            step = min(step * growth, coarsest)
        return np.array([*at, length])

    ends = sorted({low, high, *(p for p in points if low <= p <= high)})
    lines = [low]
    for a, b in itertools.pairwise(ends):
        if a in points and b in points:
            half = steps((b - a) / 2.0)
            found = np.concatenate([a + half, (b - half)[::-1]])
        elif b in points:
            found = (b - steps(b - a))[::-1]
        else:
            found = a + steps(b - a)
        lines += [float(x) for x in found if x > lines[-1]]
        if lines[-1] != b:
            lines.append(b)
    kept = [lines[0]]
    for x in lines[1:]:
        if x - kept[-1] > 0.05 * finest or x in ends:
            kept.append(x)
    return np.array(kept)


def acting_length(opening: Opening, fineness: float = 1.0) -> float:
    """Length of a tube as narrow as the opening that weighs what the air of the opening does, by the tube's radius."""
    o = opening
    finest, growth = 0.02 * o.radius / fineness, 1.0 + 0.25 / fineness
    coarsest = 0.1 * FAR / fineness
    around = {o.radius, 1.0, 1.0 + o.wall} | ({o.radius + o.chimney_wall} if o.chimney else set())
    r = graded(around, finest, growth, 0.0, FAR, coarsest)
    z = np.unique(
        np.concatenate(
            [
                -graded({0.0}, finest, growth, 0.0, TUBE, coarsest),
                graded({0.0, o.cap, o.top}, min(finest, o.cap / 4.0), growth, 0.0, FAR, coarsest),
                -np.arange(TUBE, FAR + 1.0, coarsest),
            ]
        )
    )
    i, j = np.nonzero(_air(o, r, z))
    matrix, nodes = _stiffness(r, z, i, j)
    matrix = matrix + _far_away(r, z, o.top, matrix.shape[0])
    number = np.arange(len(r) * len(z)).reshape(len(r), len(z))
    source = int(np.argmin(np.abs(z + TUBE)))
    inner = np.nonzero(r[1:] <= 1.0 + 1e-9)[0]
    load = np.zeros(number.size)
    wide = r[inner + 1] - r[inner]
    np.add.at(load, number[inner, source], wide * (r[inner] / 2.0 + wide / 6.0))
    np.add.at(load, number[inner + 1, source], wide * (r[inner] / 2.0 + wide / 3.0))
    used = np.unique(nodes)
    pressure = np.zeros(number.size)
    pressure[used] = linalg.spsolve(matrix[used][:, used].tocsc(), load[used])
    ring = r[inner + 1] ** 2 - r[inner] ** 2
    mean = (pressure[number[inner, source]] + pressure[number[inner + 1, source]]) / 2.0
    whole = float(np.sum(ring * mean) / np.sum(ring))
    return (whole - TUBE) * o.radius**2


def _air(o: Opening, r: Array, z: Array) -> npt.NDArray[np.bool_]:
    """Which cells are air."""
    rc, zc = np.meshgrid((r[1:] + r[:-1]) / 2.0, (z[1:] + z[:-1]) / 2.0, indexing="ij")
    inside = (rc < 1.0) & (zc < 0.0) & (zc > -TUBE)
    neck = (rc < o.radius) & (zc >= 0.0) & (zc < o.top)
    outside = (zc > o.cap) | (rc > 1.0 + o.wall)
    if o.chimney:
        outside &= ~((rc < o.radius + o.chimney_wall) & (zc < o.top) & (zc > 0.0))
    return np.asarray(inside | neck | outside)


def _stiffness(r: Array, z: Array, i: npt.NDArray[np.int_], j: npt.NDArray[np.int_]) -> tuple[sparse.csr_matrix, Array]:
    number = np.arange(len(r) * len(z)).reshape(len(r), len(z))
    corners = [number[i, j], number[i + 1, j], number[i, j + 1], number[i + 1, j + 1]]
    along_r, along_z = (0, 1, 0, 1), (0, 0, 1, 1)
    dr, dz, r0 = r[i + 1] - r[i], z[j + 1] - z[j], r[i]
    mass = {
        (0, 0): dr * (r0 / 3.0 + dr / 12.0),
        (0, 1): dr * (r0 / 6.0 + dr / 12.0),
        (1, 0): dr * (r0 / 6.0 + dr / 12.0),
        (1, 1): dr * (r0 / 3.0 + dr / 4.0),
    }
    ring = dr * (r0 + r[i + 1]) / 2.0
    rows, columns, values = [], [], []
    for a in range(4):
        for b in range(4):
            slope_r = (1.0 if along_r[a] == along_r[b] else -1.0) * ring / dr**2
            mass_z = dz / 3.0 if along_z[a] == along_z[b] else dz / 6.0
            slope_z = (1.0 if along_z[a] == along_z[b] else -1.0) / dz
            rows.append(corners[a])
            columns.append(corners[b])
            values.append(slope_r * mass_z + slope_z * mass[along_r[a], along_r[b]])
    shape = (number.size, number.size)
    entries = (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns)))
    return sparse.coo_matrix(entries, shape=shape).tocsr(), np.concatenate(corners)


def _far_away(r: Array, z: Array, middle: float, size: int) -> sparse.csr_matrix:
    """At the outer edge the field falls as 1 / distance from the opening."""
    number = np.arange(len(r) * len(z)).reshape(len(r), len(z))
    edges = [
        (
            number[:-1, -1],
            number[1:, -1],
            r[:-1],
            r[1:],
            np.full(len(r) - 1, z[-1]),
            np.full(len(r) - 1, z[-1]),
            (0, 1),
        ),
        (number[:-1, 0], number[1:, 0], r[:-1], r[1:], np.full(len(r) - 1, z[0]), np.full(len(r) - 1, z[0]), (0, -1)),
        (
            number[-1, :-1],
            number[-1, 1:],
            np.full(len(z) - 1, r[-1]),
            np.full(len(z) - 1, r[-1]),
            z[:-1],
            z[1:],
            (1, 0),
        ),
    ]
    rows, columns, values = [], [], []
    for one, other, ra, rb, za, zb, outward in edges:
        length = np.hypot(rb - ra, zb - za)
        rm, zm = (ra + rb) / 2.0, (za + zb) / 2.0 - middle
        share = (outward[0] * rm + outward[1] * zm) / (rm**2 + zm**2) * length * rm
        for a, b, weight in ((one, one, 3.0), (one, other, 6.0), (other, one, 6.0), (other, other, 3.0)):
            rows.append(a)
            columns.append(b)
            values.append(share / weight)
    entries = (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns)))
    return sparse.coo_matrix(entries, shape=(size, size)).tocsr()


def main() -> None:
    from pipemetal.pipes.ends import flanged_mm, hole_mm, inside_mm

    print("hole by tube, cap by hole's radius: acting length by the hole's radius, finite elements and formula")
    for share in (0.1, 0.15, 0.25, 0.4, 0.6):
        for thick in (0.03, 0.1, 0.3, 1.0):
            o = Opening(share, thick * share, 0.03)
            found = acting_length(o, 1.5) / share
            print(f"{share:5.2f} {thick:5.2f} {found:8.4f} {hole_mm(share, 1.0, 1.03, o.cap) / share:8.4f}")
    print("chimney by tube: added at both ends by its radius")
    for share in (0.15, 0.25, 1 / 3, 0.5, 0.7):
        o = Opening(share, 0.02, 0.03, 3.0, 0.03)
        found = (acting_length(o, 1.5) - o.top) / share
        formula = (inside_mm(share, 1.0) + flanged_mm(share, share + 0.03)) / share
        print(f"{share:5.2f} {found:8.4f} {formula:8.4f}")


if __name__ == "__main__":
    main()
