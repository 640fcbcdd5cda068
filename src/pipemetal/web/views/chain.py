"""Where the metal of one thing came from and went, as a chain of bands that are as thick as their mass."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from pipemetal.shop.flows import TraceStep

__all__ = ["Band", "Chain", "Knot", "chain_of"]

WIDE: Final = 944.0
EDGE: Final = 60.0
MOST_IN_LAYER: Final = 6
MOST_LAYERS: Final = 3
ROOM: Final = 62.0
"""What a knot with its words needs at least."""
THICKEST: Final = 90.0
THINNEST: Final = 2.0
OTHERS: Final = "others"


@dataclass(frozen=True)
class Knot:
    """One account of the chain: what it is, where it is drawn, how much metal passes, and how many stand together in it."""

    kind: str
    name: str
    x: float
    y: float
    high: float
    mass_kg: float
    count: int = 1
    chosen: bool = False

    @property
    def account(self) -> str:
        """The account's name in the book; empty where several stand together, and for what lies outside the shop."""
        return f"{self.kind}:{self.name}" if self.kind and self.name and self.count == 1 else ""

    @property
    def anchor(self) -> str:
        """How its words stand to it, so that they stay in the picture: from its left, about its middle, up to its right."""
        return "text-start" if self.x <= EDGE else "text-end" if self.x >= WIDE - EDGE else "text-middle"

    @property
    def words_x(self) -> float:
        """Where its words begin, have their middle, or end."""
        return {"text-start": self.x - 46.0, "text-end": self.x + 46.0}.get(self.anchor, self.x)


@dataclass(frozen=True)
class Band:
    """Metal that moved between two knots: the outline of its band, and its mass."""

    path: str
    mass_kg: float


@dataclass(frozen=True)
class Chain:
    """The whole picture."""

    wide: float
    high: float
    knots: tuple[Knot, ...]
    bands: tuple[Band, ...]


def chain_of(account: str, backwards: Iterable[TraceStep], forwards: Iterable[TraceStep]) -> Chain | None:
    """The chain of an account; None where nothing moved.

    At most three steps each way and six accounts a step are drawn, the heaviest; the rest of a step stand together.
    """
    moves: dict[tuple[int, str, str], float] = defaultdict(float)
    layer_of: dict[str, int] = {account: 0}
    for steps, sign in ((backwards, -1), (forwards, 1)):
        for s in steps:
            if s.steps > MOST_LAYERS:
                continue
            far, near = (s.origin, s.target) if sign < 0 else (s.target, s.origin)
            layer_of.setdefault(far, sign * s.steps)
            layer_of.setdefault(near, sign * (s.steps - 1))
            moves[sign, s.origin, s.target] += s.mass_kg
    if not moves:
        return None
    passed = _passed(moves)
    shown = _shown(layer_of, passed)
    joined: dict[tuple[str, str], float] = defaultdict(float)
    for (_, origin, target), mass in moves.items():
        a, b = shown.get(origin, origin), shown.get(target, target)
        if a != b:
            joined[a, b] += mass
    return _drawn(account, joined, layer_of, shown)


def _passed(moves: Mapping[tuple[int, str, str], float]) -> dict[str, float]:
    come: dict[str, float] = defaultdict(float)
    go: dict[str, float] = defaultdict(float)
    for (_, origin, target), mass in moves.items():
        go[origin] += mass
        come[target] += mass
    return {name: max(come[name], go[name]) for name in {*come, *go}}


def _shown(layer_of: Mapping[str, int], passed: Mapping[str, float]) -> dict[str, str]:
    """For each account the knot it is drawn in: its own, or that of the others of its step."""
    layers: dict[int, list[str]] = defaultdict(list)
    for name, layer in layer_of.items():
        layers[layer].append(name)
    shown: dict[str, str] = {}
    for layer, names in layers.items():
        names.sort(key=lambda n: -passed.get(n, 0.0))
        keep = len(names) if len(names) <= MOST_IN_LAYER else MOST_IN_LAYER - 1
        shown |= {n: n if k < keep else f"{OTHERS}:{layer}" for k, n in enumerate(names)}
    return shown


def _drawn(
    account: str, moves: Mapping[tuple[str, str], float], layer_of: Mapping[str, int], shown: Mapping[str, str]
) -> Chain:
    layers: dict[int, list[str]] = defaultdict(list)
    count: dict[str, int] = defaultdict(int)
    for name, layer in layer_of.items():
        knot = shown[name]
        count[knot] += 1
        if knot not in layers[layer]:
            layers[layer].append(knot)
    order = sorted(layers)
    passed = _passed({(0, a, b): mass for (a, b), mass in moves.items()})
    scale = THICKEST / max(passed.values())
    high = max(sum(max(scale * passed.get(n, 0.0), 0.0) + ROOM for n in names) for names in layers.values()) + 20.0
    step = (WIDE - 2 * EDGE) / max(len(order) - 1, 1)
    at: dict[str, Knot] = {}
    for k, layer in enumerate(order):
        x = EDGE + k * step if len(order) > 1 else WIDE / 2
        need = sum(scale * passed.get(n, 0.0) + ROOM for n in layers[layer])
        y = (high - need) / 2 + ROOM - 14.0
        for name in layers[layer]:
            tall = max(scale * passed.get(name, 0.0), THINNEST)
            kind, colon, key = name.partition(":")
            key = "" if kind == OTHERS else key if colon else name
            at[name] = Knot(kind if colon else "", key, x, y, tall, passed.get(name, 0.0), count[name], name == account)
            y += tall + ROOM
    return Chain(WIDE, high, tuple(at.values()), tuple(_bands(moves, at, scale)))


def _bands(moves: Mapping[tuple[str, str], float], at: Mapping[str, Knot], scale: float) -> Iterable[Band]:
    out: dict[str, float] = defaultdict(float)
    into: dict[str, float] = defaultdict(float)
    for (origin, target), mass in sorted(moves.items(), key=lambda m: (at[m[0][0]].y, at[m[0][1]].y)):
        a, b = at[origin], at[target]
        if a.x >= b.x:
            continue
        thick = max(scale * mass, THINNEST)
        y0, y1 = a.y + out[origin], b.y + into[target]
        out[origin] += thick
        into[target] += thick
        middle = (a.x + b.x) / 2
        yield Band(
            f"M{a.x:.1f} {y0:.1f} C{middle:.1f} {y0:.1f} {middle:.1f} {y1:.1f} {b.x:.1f} {y1:.1f} "
            f"V{y1 + thick:.1f} C{middle:.1f} {y1 + thick:.1f} {middle:.1f} {y0 + thick:.1f} {a.x:.1f} {y0 + thick:.1f} Z",
            mass,
        )
