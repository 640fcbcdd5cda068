"""Lengths against printed rules, limits, and a solve of the horn equation by finite elements, which shares no formula."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from pipemetal.errors import PipeError
from pipemetal.pipes import length as lengths
from pipemetal.pipes.ends import flanged_mm, hole_mm, inside_mm
from pipemetal.pipes.length_rules import open_rules
from pipemetal.pipes.profile import Step, profile_length_mm
from pipemetal.pipes.scale import reference_diameter_mm

C_MM_S = 343_200.0
SPEED = 343.2
NOTES = (-12, 0, 12, 24, 36, 48, 60)


def hz(semitones: float) -> float:
    return 65.4064 * 2 ** (semitones / 12)


def horn_frequency_hz(
    area_mm2: Callable[[np.ndarray], np.ndarray],
    length_mm: float,
    mouth_mm: float,
    *,
    closed: bool = False,
    mode: int = 1,
    elements: int = 240,
    cuts: tuple[float, ...] = (),
) -> float:
    """Frequency of a horn by linear finite elements of (S p')' + k^2 S p = 0.

    The mouth is a mass: S p' = S p / d. The far end is at pressure nought, or closed. `cuts` are places where the area
    jumps: they become nodes, so that no element lies across one.
    """
    edges = np.array([0.0, *cuts, length_mm])
    shares = np.maximum((elements * np.diff(edges) / length_mm).astype(int), 60)
    nodes = np.concatenate(
        [np.linspace(a, b, n, endpoint=False) for a, b, n in zip(edges, edges[1:], shares, strict=False)]
    )
    nodes = np.append(nodes, length_mm)
    size = nodes.size
    stiff, mass = np.zeros((size, size)), np.zeros((size, size))
    gauss = 0.5 / math.sqrt(3.0)
    for i in range(size - 1):
        h = nodes[i + 1] - nodes[i]
        for share in (0.5 - gauss, 0.5 + gauss):
            area = float(area_mm2(np.array(nodes[i] + share * h)))
            shape = np.array([1.0 - share, share])
            stiff[i : i + 2, i : i + 2] += area / (2.0 * h) * np.array([[1.0, -1.0], [-1.0, 1.0]])
            mass[i : i + 2, i : i + 2] += area * h / 2.0 * np.outer(shape, shape)
    stiff[0, 0] += float(area_mm2(np.array(1e-9))) / mouth_mm
    last = size if closed else size - 1
    root = np.linalg.cholesky(mass[:last, :last])
    inner = np.linalg.solve(root, np.linalg.solve(root, stiff[:last, :last]).T)
    squares = np.linalg.eigvalsh(0.5 * (inner + inner.T))
    return math.sqrt(squares[mode - 1]) * C_MM_S / (2.0 * math.pi)


def cents(a: float, b: float) -> float:
    return 1200.0 * math.log2(a / b)


def mouth(d: float, width: float = 0.25, cut_up: float = 0.3) -> tuple[float, float]:
    return math.pi * d * width, math.pi * d * width * cut_up


@pytest.mark.parametrize("semitones", NOTES)
@pytest.mark.parametrize("ratio", [0.35, 0.667, 1.0, 1.3])
def test_open_and_tapered_bodies_sound_right_by_another_method(semitones: int, ratio: float) -> None:
    d = reference_diameter_mm(semitones)
    body = lengths.tapered_length_mm(hz(semitones), SPEED, d, *mouth(d), ratio)
    top = lengths.top_correction_mm(d * ratio)

    def area(x: np.ndarray) -> np.ndarray:
        return math.pi / 4 * (d * (1.0 + (ratio - 1.0) * x / body)) ** 2

    found = horn_frequency_hz(area, body + top, lengths.mouth_correction_mm(d, *mouth(d)))
    assert abs(cents(found, hz(semitones))) < 0.5


@pytest.mark.parametrize("semitones", NOTES)
def test_stopped_and_double_length_bodies_sound_right_by_another_method(semitones: int) -> None:
    d = 1.2 * reference_diameter_mm(semitones)
    added = lengths.mouth_correction_mm(d, *mouth(d))

    def area(x: np.ndarray) -> np.ndarray:
        return np.full_like(x, math.pi / 4 * d**2, dtype=float)

    stopped = lengths.stopped_length_mm(hz(semitones), SPEED, d, *mouth(d))
    assert abs(cents(horn_frequency_hz(area, stopped, added, closed=True), hz(semitones))) < 0.5
    double = lengths.harmonic_length_mm(hz(semitones), SPEED, d, *mouth(d))
    found = horn_frequency_hz(area, double + lengths.top_correction_mm(d), added, mode=2)
    assert abs(cents(found, hz(semitones))) < 0.5


@pytest.mark.parametrize("semitones", NOTES[1:])
@pytest.mark.parametrize(("neck", "tall"), [(0.25, 1.0), (0.4, 0.5), (0.15, 0.0)])
def test_chimneyed_and_half_covered_bodies_sound_right_by_another_method(
    semitones: int, neck: float, tall: float
) -> None:
    d = 1.15 * reference_diameter_mm(semitones)
    narrow = neck * d
    if tall:
        body = lengths.chimney_length_mm(hz(semitones), SPEED, d, *mouth(d), narrow, tall * d)
        effective = tall * d + inside_mm(narrow / 2, d / 2) + flanged_mm(narrow / 2, narrow / 2 + 0.6)
    else:
        body = lengths.half_covered_length_mm(hz(semitones), SPEED, d, *mouth(d), narrow, 0.6)
        effective = hole_mm(narrow / 2, d / 2, d / 2, 0.6)

    def area(x: np.ndarray) -> np.ndarray:
        return np.where(x < body, math.pi / 4 * d**2, math.pi / 4 * narrow**2)

    added = lengths.mouth_correction_mm(d, *mouth(d))
    found = horn_frequency_hz(area, body + effective, added, cuts=(body,))
    assert abs(cents(found, hz(semitones))) < 0.5


STEPPED = {
    "cylinder under a cone": (Step(0.6, 1.0, 1.0), Step(0.4, 1.0, 0.4)),
    "wide under narrow": (Step(0.5, 1.0, 1.0), Step(0.5, 0.7, 0.7)),
    "three pieces": (Step(0.3, 1.0, 1.3), Step(0.4, 1.3, 1.3), Step(0.3, 1.1, 0.5)),
}


@pytest.mark.parametrize("semitones", (0, 24, 48))
@pytest.mark.parametrize("name", STEPPED)
@pytest.mark.parametrize("closed", [False, True])
def test_stepped_bodies_sound_right_by_another_method(semitones: int, name: str, closed: bool) -> None:
    steps, d = STEPPED[name], reference_diameter_mm(semitones)
    body = profile_length_mm(hz(semitones), SPEED, d, *mouth(d), steps, closed=closed)
    top = 0.0 if closed else lengths.top_correction_mm(d * steps[-1].above)
    ends = np.cumsum([s.share for s in steps]) * body

    def area(x: np.ndarray) -> np.ndarray:
        at = np.minimum(np.searchsorted(ends, x, side="right"), len(steps) - 1)
        begin = np.array([0.0, *ends[:-1]])[at]
        below, above = np.array([s.below for s in steps])[at], np.array([s.above for s in steps])[at]
        share = np.array([s.share for s in steps])[at] * body
        return np.asarray(math.pi / 4 * (d * (below + (above - below) * (x - begin) / share)) ** 2)

    added = lengths.mouth_correction_mm(d, *mouth(d))
    found = horn_frequency_hz(area, body + top, added, closed=closed, cuts=tuple(float(e) for e in ends[:-1]))
    assert abs(cents(found, hz(semitones))) < 0.5


def test_one_step_is_a_cylinder_and_a_cone() -> None:
    for ratio in (1.0, 0.5, 1.4):
        d = 92.46
        plain = lengths.tapered_length_mm(130.813, SPEED, d, *mouth(d), ratio)
        assert profile_length_mm(130.813, SPEED, d, *mouth(d), (Step(1.0, 1.0, ratio),)) == pytest.approx(
            plain, abs=1e-6
        )
    stopped = lengths.stopped_length_mm(130.813, SPEED, d, *mouth(d))
    assert profile_length_mm(130.813, SPEED, d, *mouth(d), (Step(1.0, 1.0, 1.0),), closed=True) == pytest.approx(
        stopped
    )


def test_a_hole_of_nothing_is_a_stopper() -> None:
    d = 65.38
    stopped = lengths.stopped_length_mm(261.626, SPEED, d, *mouth(d))
    nearly = lengths.half_covered_length_mm(261.626, SPEED, d, *mouth(d), 0.001 * d, 0.6)
    assert nearly == pytest.approx(stopped, abs=0.2)
    with pytest.raises(PipeError, match="narrower"):
        lengths.half_covered_length_mm(261.626, SPEED, d, *mouth(d), d, 0.6)


@pytest.mark.parametrize(
    ("semitones", "by_length", "by_pitch"), [(0, 3.5, 3.55), (24, 9.6, 9.73), (48, 25.0, 26.0), (72, 61.4, 67.6)]
)
def test_the_linear_rule_is_short_by_more_and_more(semitones: int, by_length: float, by_pitch: float) -> None:
    """Reference scale, mouth 1/4, cut-up 1/4. `by_length` is 1200 log2 of the two lengths with 1.7613 D added, computed
    independently; `by_pitch` what the short body sounds by the full form (ours)."""
    d = reference_diameter_mm(semitones)
    full, ising, _, _ = open_rules(hz(semitones), SPEED, d, *mouth(d, cut_up=0.25))
    ratio = (full.body_length_mm + 1.7613 * d) / (ising.body_length_mm + 1.7613 * d)
    assert 1200 * math.log2(ratio) == pytest.approx(by_length, abs=0.06)
    assert full.cents_from_default == pytest.approx(0.0, abs=1e-9)
    assert ising.cents_from_default == pytest.approx(by_pitch, abs=0.06)


@pytest.mark.parametrize(
    ("semitones", "half_wave", "cavaille", "ising", "stopped"),
    [
        (-12, 5247.2, 4811.3, 4786.6, 2241.8),
        (0, 2623.6, 2364.4, 2349.7, 1084.8),
        (12, 1311.8, 1157.7, 1148.9, 520.9),
        (24, 655.9, 564.3, 559.1, 247.7),
        (36, 327.9, 273.5, 270.4, 116.2),
        (48, 164.0, 131.6, 129.7, 53.6),
        (60, 82.0, 62.7, 61.6, 24.1),
    ],
)
def test_the_ladder_of_c_by_three_rules(
    semitones: int, half_wave: float, cavaille: float, ising: float, stopped: float
) -> None:
    """C of 16' to 1/4' in the reference scale, mouth 1/4, cut-up 1/4, 343.2 m/s: rules of 1860 and 1971 (table computed
    from the printed formulas); stopped is c/4f less 0.73 S/sqrt(Sm)."""
    d = reference_diameter_mm(semitones)
    args = (hz(semitones), SPEED, d, *mouth(d, cut_up=0.25))
    found = {rule.name: rule.body_length_mm for rule in open_rules(*args)}
    assert 171_600.0 / hz(semitones) == pytest.approx(half_wave, abs=0.06)
    assert found["Cavaille-Coll 1860"] == pytest.approx(cavaille, abs=0.06)
    assert found["Ising 1971"] == pytest.approx(ising, abs=0.06)
    linear = 85_800.0 / hz(semitones) - lengths.mouth_correction_mm(d, *mouth(d, cut_up=0.25))
    assert linear == pytest.approx(stopped, abs=0.06)


def test_rules_agree_within_a_tenth_of_the_diameter_where_mouths_are_usual() -> None:
    """Mouth 1/4, cut-up 1/4 to 2/7: rules of 1860, 1947 and 1971 within 0.1 D of each other."""
    for cut_up in (0.25, 2 / 7):
        d = 155.5
        rules = open_rules(65.4064, SPEED, d, *mouth(d, cut_up=cut_up))[1:]
        bodies = [rule.body_length_mm for rule in rules]
        assert max(bodies) - min(bodies) < 0.11 * d


def test_equal_mouth_a_taper_wants_more_length_equal_mean_less() -> None:
    """8' C: with the same mouth 0.3 to 0.7 % more, against a cylinder of the same mean diameter 1 to 3 % less (computed)."""
    d, ratio = 155.5, 0.5
    taper = lengths.tapered_length_mm(65.4064, SPEED, d, *mouth(d, cut_up=0.25), ratio)
    same_mouth = lengths.open_length_mm(65.4064, SPEED, d, *mouth(d, cut_up=0.25))
    assert 0.003 < taper / same_mouth - 1 < 0.007
    mean = d * (1 + ratio) / 2
    same_mean = lengths.open_length_mm(65.4064, SPEED, mean, *mouth(mean, cut_up=0.25))
    assert 0.01 < 1 - taper / same_mean < 0.035
