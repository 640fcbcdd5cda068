"""Cones whose mouth is at either arc: drawn, named and laid with the mouth where it is."""

from collections.abc import Sequence
from fractions import Fraction

import pytest

from pipemetal.documents.drawing import Line, Polygon
from pipemetal.documents.flat_picture import body_pictures, mouth_picture
from pipemetal.pipes.bench_card import BenchCard
from pipemetal.pipes.make import rank_pipes
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.planning.bench_cards import bench_cards
from pipemetal.planning.settings import ShopSettings
from pipemetal.units import UnitSystem
from pipemetal.words import Words


def card_of(**rest: object) -> BenchCard:
    rank = Rank("Octave", "Great", "m", Fraction(4), 0, 0, **rest)  # type: ignore[arg-type]
    organ = Organ("Chapel", Pitch(), (rank,))
    (card,) = bench_cards(organ, rank_pipes(organ, rank, lambda alloy: 8.9), ShopSettings(), {"m": 50.0})
    return card


def extent(shapes: Sequence[Line | Polygon], axis: int) -> tuple[float, float]:
    """The least and the most of one of the two coordinates."""
    values = [point[axis] for shape in shapes for point in shape.points]
    return min(values), max(values)


@pytest.mark.parametrize("top", [0.5, 1.6, 2.4])
def test_the_mouth_is_drawn_at_the_end_that_has_the_mouths_arc(top: float) -> None:
    """At the left of the flat body and at the bottom of the enlarged one, whichever arc that is."""
    card = card_of(construction="tapered", top_ratio=top)
    (body,) = body_pictures(card, UnitSystem(), Words(), 180.0, 80.0)
    mouth = mouth_picture(card, UnitSystem(), Words(), 180.0, 112.0)
    assert mouth is not None
    for drawing, axis in ((body, 0), (mouth, 1)):
        held = [s for s in drawing.shapes if isinstance(s, Line | Polygon)]
        lines = {kind: [s for s in held if s.layer == kind] for kind in ("mouth", "upper lip", "finished")}
        # of the enlarged one the foot's outline comes after the body's
        metal = extent(lines["finished"][:1], axis)
        low, high = extent(lines["mouth"], axis)
        assert metal[0] - 1e-6 <= low < high < sum(metal) / 2.0
        assert low <= extent(lines["upper lip"], axis)[0]
    ends = [p for s in body.shapes if isinstance(s, Polygon) and s.layer == "finished" for p in s.points]
    middle = sum(extent([s for s in body.shapes if isinstance(s, Polygon) and s.layer == "finished"], 0)) / 2.0
    left, right = (max(p[1] for p in ends if (p[0] < middle) == here) for here in (True, False))
    assert (left < right) == (top > 1.0)
