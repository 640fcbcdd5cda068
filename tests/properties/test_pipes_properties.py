"""What must hold for any pipe."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipemetal.errors import PipeError
from pipemetal.pipes.development import cone_development, offset_table_mm
from pipemetal.pipes.length import open_length_mm, stopped_length_mm, tapered_length_mm
from pipemetal.pipes.make import rank_pipes, sounding_length_mm
from pipemetal.pipes.pitch import Pitch, note_name, parse_note, speed_of_sound_m_s
from pipemetal.pipes.rank import Chimney, Organ, Rank
from pipemetal.pipes.scale import (
    DiameterPoints,
    DiameterTable,
    HalfToneScale,
    HalvingScale,
    Scale,
    half_tones,
    reference_diameter_mm,
)
from pipemetal.pipes.temperament import TEMPERAMENTS, temperament_cents
from pipemetal.units import LENGTH_MM, parse_length_mm

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
        "R",
        "I",
        "metal",
        footage,
        0,
        55,
        construction=kind,
        scale=HalfToneScale(((0.0, deviation),)),
        chimney=Chimney(0.25, 0.5) if kind == "chimney" else None,
        top_ratio=0.6 if kind == "tapered" else 1.0,
        tuning="cap" if kind in ("stopped", "chimney") else "cone",
    )
    pipes = rank_pipes(Organ("O", Pitch(), (rank,)), rank, lambda _: 9.0)
    assert len(pipes) == 56
    for lower, upper in itertools.pairwise(pipes):
        assert upper.diameter_mm < lower.diameter_mm
        assert upper.body_length_mm < lower.body_length_mm
    for pipe in pipes:
        assert pipe.cut_length_mm >= pipe.body_length_mm or pipe.cap is not None
        assert pipe.half_tones == pytest.approx(deviation, abs=1e-6)
        assert {"body", "foot", "languid"} <= {part.kind.split()[0] for part in pipe.parts}
        for part in pipe.parts:
            assert part.blank_mass_kg >= part.finished_mass_kg > 0.0
            assert part.length_mm * part.width_mm >= part.blank_area_mm2 - 1e-6
            assert part.thickness_mouth_mm >= part.thickness_top_mm > 0.0


@given(
    st.floats(20, 300),
    st.floats(7, 48),
    st.floats(-0.3, 0.9),
    st.lists(st.floats(0.80, 0.999), min_size=3, max_size=30),
)
def test_every_scale_falls_from_note_to_note(start: float, halving: float, constant: float, falls: list[float]) -> None:
    keys = range(40)
    held: list[Scale] = [HalvingScale(start, 0, halving, constant * min(start, 20.0) / 4.0)]
    diameters = [start * math.prod(falls[:n]) for n in range(len(falls) + 1)]
    if diameters[-1] > 3.0:
        held.append(DiameterTable(0, tuple(diameters)))
        held.append(DiameterPoints(tuple((4 * n, d) for n, d in enumerate(diameters))))
    for scale in held:
        made = []
        for key in keys:
            try:
                made.append(scale.diameter_mm(key, float(key)))
            except PipeError:
                break
        assert all(b < a for a, b in itertools.pairwise(made))


@given(st.sampled_from(["open", "stopped", "chimney", "half_covered"]), st.floats(60, 2000), st.floats(0.5, 1.6))
@quick
def test_a_wider_pipe_is_shorter(kind: str, frequency: float, width: float) -> None:
    rank = Rank(
        "R",
        "I",
        "m",
        Fraction(8),
        0,
        0,
        construction=kind,
        chimney=Chimney(0.2, 0.4) if kind == "chimney" else None,
        hole_ratio=0.2 if kind == "half_covered" else None,
    )
    d = width * reference_diameter_mm(12 * math.log2(frequency / 65.4))
    b, wider = math.pi * d / 4, 1.05
    narrow = sounding_length_mm(rank, frequency, 343.0, d, b, b / 4)
    wide = sounding_length_mm(rank, frequency, 343.0, d * wider, b * wider, b * wider / 4)
    if kind in ("open", "stopped"):
        assert wide < narrow
    # a chimney or a hole that grows with the body opens it, so only the two limits hold there
    stopped = stopped_length_mm(frequency, 343.0, d, b, b / 4)
    assert stopped - 1e-9 <= narrow <= open_length_mm(frequency, 343.0, d, b, b / 4) + d


@given(KINDS, st.floats(-4, 4), st.sampled_from([Fraction(8), Fraction(4), Fraction(2)]), st.integers(1, 3))
@quick
def test_the_blank_of_a_body_has_the_area_of_its_wall(
    kind: str, deviation: float, footage: Fraction, every: int
) -> None:
    """On the mean diameter: lateral area is the mean of the two circumferences times the slant (Longfield 1921, p. 91)."""
    rank = Rank(
        "R",
        "I",
        "metal",
        footage,
        0,
        48,
        construction=kind,
        scale=HalfToneScale(((0.0, deviation),)),
        chimney=Chimney(0.25, 0.5) if kind == "chimney" else None,
        top_ratio=0.6 if kind == "tapered" else 1.0,
    )
    for pipe in rank_pipes(Organ("O", Pitch(), (rank,)), rank, lambda _: 9.0)[::every]:
        body = pipe.parts[0]
        low = pipe.diameter_mm + pipe.thickness_mouth_mm
        high = pipe.top_diameter_mm + pipe.thickness_top_mm
        if kind != "tapered":
            low = high = pipe.diameter_mm + (pipe.thickness_mouth_mm + pipe.thickness_top_mm) / 2
        slant = math.hypot(pipe.cut_length_mm, (low - high) / 2)
        assert body.finished_area_mm2 == pytest.approx(math.pi * (low + high) / 2 * slant, rel=1e-9)
        below, above = body.thickness_mouth_mm, body.thickness_top_mm
        # around times wall, by Simpson's rule, which is exact for it: a cone carries more metal at its wide end
        volume = slant * math.pi * (low * below + 4 * (low + high) / 2 * (below + above) / 2 + high * above) / 6
        assert body.finished_mass_kg == pytest.approx(volume * 9.0e-6, rel=1e-9)


@given(st.sampled_from(sorted(TEMPERAMENTS)), st.integers(-12, 72), st.integers(-6, 6), st.floats(380, 480))
def test_octaves_are_pure_in_every_temperament(name: str, key: int, moved: int, a_hz: float) -> None:
    pitch = Pitch(a_hz=a_hz, temperament_cents=temperament_cents(name), transpose_semitones=moved)
    low, high = pitch.frequency_hz(key, Fraction(8)), pitch.frequency_hz(key + 12, Fraction(8))
    assert high == pytest.approx(2.0 * low, rel=1e-12)
    assert pitch.frequency_hz(key, Fraction(4)) == pytest.approx(high, rel=1e-12)
    third = pitch.frequency_hz(key, Fraction(8, 3))
    assert third == pytest.approx(3.0 * low, rel=1e-12)


@given(st.floats(0.05, 9000.0), st.sampled_from(["mm", "cm", "m", "in", "ft", "ligne"]))
def test_lengths_are_read_back_in_every_unit(length_mm: float, unit: str) -> None:
    """Written with twelve places, so read back within half of the last."""
    written = f"{length_mm / LENGTH_MM[unit]:.12f} {unit}"
    assert parse_length_mm(written) == pytest.approx(length_mm, rel=1e-12, abs=0.51e-12 * LENGTH_MM[unit])


@given(st.floats(5.0, 40.0), st.floats(0.0, 100.0), st.floats(80_000, 105_000))
def test_warmer_and_wetter_air_is_faster(celsius: float, humidity: float, pressure: float) -> None:
    def speed(c: float, h: float) -> float:
        return speed_of_sound_m_s(c, h, pressure)

    assert speed(min(celsius + 0.5, 40.0), humidity) >= speed(celsius, humidity)
    assert speed(celsius, min(humidity + 5.0, 100.0)) >= speed(celsius, humidity)
