"""What must hold for any pipe."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipemetal.pipes.development import cone_development, offset_table_mm
from pipemetal.pipes.length import open_length_mm, tapered_length_mm
from pipemetal.pipes.make import rank_pipes
from pipemetal.pipes.pitch import Pitch, note_name, parse_note
from pipemetal.pipes.rank import Chimney, Organ, Rank
from pipemetal.pipes.scale import HalfToneScale, half_tones, reference_diameter_mm

quick = settings(deadline=None, max_examples=40)


@given(st.floats(10, 500), st.floats(0.05, 0.98), st.floats(10, 5000))
def test_a_development_has_the_area_of_the_cone_and_arcs_as_long_as_its_ends(
    large: float, ratio: float, height: float
) -> None:
    cone = cone_development(large, large * ratio, height)
    angle = math.radians(cone.angle_deg)
    assert angle / 2 * (cone.outer_radius_mm**2 - cone.inner_radius_mm**2) == pytest.approx(cone.area_mm2, rel=1e-7)
    assert angle * cone.outer_radius_mm == pytest.approx(math.pi * large, rel=1e-9)
    assert angle * cone.inner_radius_mm == pytest.approx(math.pi * large * ratio, rel=1e-9)


@given(st.floats(50, 20_000), st.floats(0.5, 179))
def test_offsets_lie_on_the_arc(radius: float, angle: float) -> None:
    half_chord = radius * math.sin(math.radians(angle) / 2)
    centre = -math.sqrt(max(radius**2 - half_chord**2, 0.0))
    for along, height in offset_table_mm(radius, angle, 9):
        assert math.hypot(along - half_chord, height - centre) == pytest.approx(radius, rel=1e-6)


@given(st.integers(-12, 84))
def test_note_names_are_read_back(key: int) -> None:
    if key >= 0:
        assert parse_note(note_name(key)) == key


@given(st.floats(-36, 90), st.floats(-20, 20))
def test_half_tones_and_diameters_are_each_others_reverse(semitones: float, deviation: float) -> None:
    assert half_tones(reference_diameter_mm(semitones) * 2 ** (deviation / 16), semitones) == pytest.approx(
        deviation, abs=1e-9
    )


@given(st.floats(40, 3000), st.floats(0.3, 2.0))
@quick
def test_a_taper_of_nothing_is_a_cylinder(frequency: float, width_ratio: float) -> None:
    semitones = 12 * math.log2(frequency / 65.4)
    d = reference_diameter_mm(semitones) * width_ratio
    b = math.pi * d / 4
    straight = open_length_mm(frequency, 343.0, d, b, b / 3)
    assert tapered_length_mm(frequency, 343.0, d, b, b / 3, 1.0 + 1e-6) == pytest.approx(straight, rel=1e-5)


KINDS = st.sampled_from(["open", "stopped", "chimney", "tapered", "harmonic"])


@given(KINDS, st.floats(-6, 6), st.sampled_from([Fraction(16), Fraction(8), Fraction(4), Fraction(8, 3), Fraction(2)]))
@quick
def test_every_pipe_of_a_rank_can_be_made(kind: str, deviation: float, footage: Fraction) -> None:
    rank = Rank(
        "R", "I", "metal", footage, 0, 55, construction=kind, scale=HalfToneScale(((0.0, deviation),)),
        chimney=Chimney(0.25, 0.5) if kind == "chimney" else None, top_ratio=0.6 if kind == "tapered" else 1.0,
        tuning="cap" if kind in ("stopped", "chimney") else "cone",
    )  # fmt: skip
    pipes = rank_pipes(Organ("O", Pitch(), (rank,)), rank, lambda _: 9.0)
    assert len(pipes) == 56
    for lower, upper in itertools.pairwise(pipes):
        assert upper.diameter_mm < lower.diameter_mm
        assert upper.body_length_mm < lower.body_length_mm
    for pipe in pipes:
        assert pipe.cut_length_mm >= pipe.body_length_mm
        assert pipe.half_tones == pytest.approx(deviation, abs=1e-6)
        assert {"body", "foot", "languid"} <= {part.kind for part in pipe.parts}
        for part in pipe.parts:
            assert part.blank_mass_kg >= part.finished_mass_kg > 0.0
            assert part.length_mm * part.width_mm >= part.blank_area_mm2 - 1e-6
            assert part.thickness_mouth_mm >= part.thickness_top_mm > 0.0
