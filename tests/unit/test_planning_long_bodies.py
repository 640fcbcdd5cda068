"""Bodies longer or wider than a sheet are made of several pieces, and a pipe is served whole or not at all."""

import math
from fractions import Fraction

import pytest

from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.layout.solve import solve
from pipemetal.pipes.development import sector_blank
from pipemetal.pipes.make import rank_pipes
from pipemetal.pipes.pipe import Part, Pipe, RingSector
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.rank import Allowances, Organ, Rank
from pipemetal.planning.blanks import OrderedBlank, SheetLimits, blanks_for
from pipemetal.planning.serving import lay_whole_pipes


def made(rank: Rank, **allow: float) -> tuple[Pipe, ...]:
    return rank_pipes(Organ("Chapel", Pitch(), (rank,), Allowances(**allow)), rank, lambda alloy: 8.9)


def of_part(blanks: tuple[OrderedBlank, ...], kind: str) -> list[OrderedBlank]:
    return [b for b in blanks if b.part.kind == kind]


@pytest.mark.parametrize(("footage", "overlap"), [(Fraction(16), 0.0), (Fraction(32), 0.0), (Fraction(32), 8.0)])
def test_a_long_body_is_made_of_lengths_that_add_up(footage: Fraction, overlap: float) -> None:
    (pipe,) = made(Rank("Open", "Pedal", "m", footage, 0, 0))
    limits = SheetLimits(4470.0, 870.0, overlap)
    body = of_part(blanks_for([pipe], limits), "body")
    lengths = sorted({b.blank.id.split(" length ")[-1].split(" ")[0] for b in body})
    bare = 0.0
    for number in lengths:
        one = next(b for b in body if f"length {number} of" in b.blank.id)
        bare += one.blank.length_mm - 4.0 - (overlap if number != "1" else 0.0)
        assert one.blank.length_mm <= limits.longest_mm and one.blank.width_mm <= limits.widest_mm
    assert bare == pytest.approx(pipe.cut_length_mm)
    assert sum(b.share for b in body) == pytest.approx(1.0)
    # walls run on from length to length
    first = next(b.blank for b in body if "length 1 of" in b.blank.id)
    second = next(b.blank for b in body if "length 2 of" in b.blank.id)
    assert first.mouth_thickness_mm == pytest.approx(pipe.thickness_mouth_mm)
    assert second.mouth_thickness_mm == pytest.approx(first.top_thickness_mm)


def test_a_long_cone_is_made_of_lengths_between_arcs() -> None:
    rank = Rank("Spire", "Pedal", "m", Fraction(16), 0, 0, construction="tapered", top_ratio=0.5)
    (pipe,) = made(rank)
    body = of_part(blanks_for([pipe], SheetLimits(3000.0, 870.0)), "body")
    assert len({b.blank.id.split(" of ")[0] for b in body}) >= 2
    assert sum(b.share for b in body) == pytest.approx(1.0)
    assert sum(b.blank.area_mm2() for b in body) >= body[0].part.finished_area_mm2


@pytest.mark.parametrize("angle", [20.0, 97.0, 170.0, 250.0, 345.0])
def test_the_trim_of_a_sector_is_a_width_all_along_its_edges(angle: float) -> None:
    cone = RingSector(400.0, 90.0, angle)
    blank = sector_blank(cone, 3.0, 2.0)
    half, back = math.radians(angle) / 2.0, math.radians(blank.angle_deg) / 2.0
    shift = 3.0 / math.sin(half) if angle < 330.0 else 0.0
    for radius in (90.0, 200.0, 400.0):
        # a point of the development's edge, seen from the blank's own centre, which lies further back
        x, y = shift + radius * math.cos(half), radius * math.sin(half)
        distance = math.hypot(x, y) * math.sin(back - math.atan2(y, x))
        assert distance >= 3.0 - 1e-9 or (angle > 330.0 and distance >= 2.999)
        if angle < 330.0:
            assert distance == pytest.approx(3.0, abs=1e-9)
    assert blank.outer_radius_mm >= shift + 402.0 - 1e-9 and blank.inner_radius_mm <= shift + 88.0


def a_part(name: str, alloy: str, length: float) -> tuple[Part, Blank]:
    part = Part(f"P {name}", name, alloy, length, 100.0, 1.0, 1.0, 0.1, (0,), None, 1.0, 1.0, 1.0, 1.0)
    return part, Blank(part.id, name, alloy, length, 100.0, 1.0, 1.0, 0.1)


def test_nothing_is_cut_for_a_pipe_that_lacks_a_part() -> None:
    import numpy as np

    (pipe,) = made(Rank("R", "Great", "A", Fraction(4), 0, 0))
    roll = LayoutRoll("R1", "A", 2000.0, 500.0, 10.0, (0.0, 2000.0), np.array([[1.0, 1.0]]))
    ordered = []
    for name, length in (("body", 5000.0), ("foot", 200.0), ("languid", 50.0)):
        part, blank = a_part(name, "A", length)
        ordered.append(OrderedBlank(blank, pipe, part, 1.0))
    problem = LayoutProblem(tuple(o.blank for o in ordered), (roll,))
    found = lay_whole_pipes(problem, ordered, lambda p: solve(p, iterations=20))
    assert found.placements == () and found.consumed_mm2 == 0.0
    assert {u.blank: u.kind for u in found.unplaced} == {"P body": "too_large", "P foot": "pipe", "P languid": "pipe"}
    assert "P body of the same pipe" in next(u.reason for u in found.unplaced if u.blank == "P foot")
