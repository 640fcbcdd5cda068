"""The languid behind a lip that is pressed flat: its outline closes, its edge is the mouth's, and the metal around keeps its length."""

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from pipemetal.errors import PipeError
from pipemetal.pipes.flat import finished_line
from pipemetal.pipes.languid import languid_shape
from pipemetal.pipes.make import rank_pipes
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.pipes.walls import LanguidRule
from pipemetal.planning.blanks import organ_for_shop
from pipemetal.planning.settings import SheetSettings, ShopSettings

RANK = Rank("Octave", "Great", "m", Fraction(4), 0, 12)
SHARES = (0.1, 1 / 6, 0.2, 0.25, 2 / 7, 1 / 3, 0.389, 0.4, 0.45)


def made(rank: Rank, rule: LanguidRule | None = None) -> tuple[Pipe, ...]:
    return rank_pipes(Organ("Chapel", Pitch(), (rank,), languids=rule or LanguidRule()), rank, lambda alloy: 10.0)


@pytest.mark.parametrize("share", SHARES)
def test_pressing_a_lip_flat_keeps_the_length_of_the_metal(share: float) -> None:
    shape = languid_shape(100.0, share * math.pi * 100.0)
    around = 2.0 * shape.radius_mm * (math.pi - shape.half_angle_rad)
    assert shape.edge_mm == pytest.approx(share * math.pi * 100.0)
    assert around + shape.edge_mm == pytest.approx(math.pi * 100.0)


@pytest.mark.parametrize(("share", "depth"), [(0.1, 0.97), (1 / 6, 0.935), (1 / 4, 0.853), (2 / 7, 0.80), (0.45, 0.43)])
def test_depth_by_the_mouths_share(share: float, depth: float) -> None:
    """Figures of another person's arithmetic, to a hundredth of the diameter."""
    assert languid_shape(1.0, share * math.pi).depth_mm == pytest.approx(depth, abs=0.01)


@pytest.mark.parametrize("share", SHARES)
def test_drawn_outline_size_and_weight_are_those_of_the_shape(share: float) -> None:
    """By the drawn polygon alone: its box, its lowest edge and its area."""
    for pipe in made(replace(RANK, mouth_fraction=share)):
        (part,) = [p for p in pipe.parts if p.kind.startswith("languid")]
        points = np.array(finished_line(part).points)
        x, y = points.T
        low, high = points.min(axis=0), points.max(axis=0)
        assert high[0] - low[0] == pytest.approx(part.width_mm - 2.0 * part.edge_mm, rel=2e-3)
        assert high[1] - low[1] == pytest.approx(part.length_mm - 2.0 * part.end_mm, rel=2e-3)
        bottom = x[np.abs(y - low[1]) < 1e-6]
        assert bottom.max() - bottom.min() == pytest.approx(pipe.mouth_width_mm, rel=1e-6)
        area = 0.5 * abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))
        assert area == pytest.approx(part.finished_area_mm2, rel=2e-3)
        assert part.finished_mass_kg == pytest.approx(part.finished_area_mm2 * part.thickness_mouth_mm * 1e-5)


def test_a_mouth_of_half_the_circumference_is_refused() -> None:
    with pytest.raises(PipeError, match="too wide for a lip that is pressed flat"):
        languid_shape(100.0, 0.5 * math.pi * 100.0)


@pytest.mark.parametrize(("thickest", "layers"), [(5.5, 2), (2.5, 2), (1.5, 3), (1.1, 4)])
def test_a_languid_is_made_of_as_many_layers_as_the_shops_sheets_want(thickest: float, layers: int) -> None:
    rank = replace(RANK, footage=Fraction(8), last_key=0)
    organ = Organ("Chapel", Pitch(), (rank,), languids=LanguidRule(least_mm=4.4, step_mm=0.1, share=0.0))
    shop = ShopSettings(sheets=SheetSettings(thickest_mm=thickest))
    (pipe,) = rank_pipes(organ_for_shop(organ, shop), rank, lambda alloy: 10.0)
    parts = [p for p in pipe.parts if p.kind.startswith("languid")]
    assert len(parts) == layers
    assert sum(p.thickness_mouth_mm for p in parts) == pytest.approx(pipe.languid_thickness_mm)
    assert max(p.thickness_mouth_mm for p in parts) <= thickest
