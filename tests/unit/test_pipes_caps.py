"""Caps, stoppers and soldered caps: the body they want, what the tuner can reach, and how they come into the organ file."""

import math
from fractions import Fraction
from pathlib import Path

import pytest

from pipemetal.errors import InputError, PipeError
from pipemetal.files.organ_file import read_organ
from pipemetal.pipes.caps import AirColumn, Cap, fit_cap, shifted_cents
from pipemetal.pipes.length import _necked_length_mm, stopped_length_mm
from pipemetal.pipes.make import rank_pipes
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.rank import Organ, Rank

D, HZ = 65.38, 261.626
WIDTH = math.pi * D / 4


def stopped(hz: float) -> float:
    return stopped_length_mm(hz, 343.2, D, WIDTH, WIDTH / 3)


AIR = AirColumn(stopped, stopped, 343.2)


def pitch_hz(body_mm: float, above_mm: float, wide_mm: float, neck_mm: float = 0.0, neck_long_mm: float = 0.0) -> float:
    """The lowest pitch of mouth, body, a wider closed tube above it and a neck in its cap, section by section.

    Pressure and flow are carried from the cap down to the mouth by plane waves, in another way than the program goes: it asks
    where the flow into the mouth's mass and out of the body are the same.
    """

    def unbalance(hz: float) -> float:
        k = 2.0 * math.pi * hz / 343_200.0
        pressure, flow = 1.0, 0.0
        if neck_mm:
            # an open neck of an effective length: a mass on the cap
            flow = -(neck_mm**2) / (D**2 * math.tan(k * neck_long_mm))
        for length, section in ((above_mm, wide_mm**2 / D**2), (body_mm, 1.0)):
            c, s = math.cos(k * length), math.sin(k * length)
            pressure, flow = pressure * c - flow * s / section, pressure * s * section + flow * c
        mouth = 0.73 * math.pi * D**2 / 4.0 / math.sqrt(WIDTH * WIDTH / 3)
        return pressure - k * mouth * flow

    low, high = HZ * 0.4, HZ * 0.4
    while unbalance(high) > 0.0:
        low, high = high, high * 1.001
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if unbalance(middle) > 0.0 else (low, middle)
    return low


def pipes_of(**rank: object) -> tuple[Pipe, ...]:
    made = Rank("Flute 8", "Great", "m", Fraction(8), 0, 55, construction="stopped", tuning="cap", **rank)  # type: ignore[arg-type]
    return rank_pipes(Organ("Chapel", Pitch(), (made,)), made, lambda alloy: 9.7)


@pytest.mark.parametrize("travel", [5.0, 20.0, 60.0, 500.0])
@pytest.mark.parametrize("packing", [0.0, 0.6, 4.0])
def test_under_an_outer_cap_the_body_is_shorter_by_the_travel(travel: float, packing: float) -> None:
    """A travel of 500 mm is held. All three pitches come out as two tubes one above the other have them, the held one too."""
    fit = fit_cap(Cap(travel_mm=travel, packing_mm=packing), AIR, HZ, D, 0.8)
    real = min(travel, 0.4 * stopped(HZ))
    assert (fit.asked_mm, fit.asked_by) == ((travel, "travel_mm") if travel > real else (0.0, ""))
    assert fit.body_mm == pytest.approx(stopped(HZ) - real)
    assert fit.rim_mm >= fit.stands_mm + 10.0
    wide = D + 2 * (0.8 + packing)
    highest = fit.rim_mm - 0.25 * D
    for above, cents in ((fit.stands_mm, 0.0), (0.0, fit.sharp_cents), (highest, -fit.flat_cents)):
        assert 1200.0 * math.log2(pitch_hz(fit.body_mm, above, wide) / HZ) == pytest.approx(cents, abs=0.05)


@pytest.mark.parametrize("kind", ["chimney", "half_covered"])
def test_a_cap_with_a_hole_tunes_as_two_tubes_and_a_neck_do(kind: str) -> None:
    neck, effective = D / 4.0, 40.0 if kind == "chimney" else 12.0

    def length(hz: float) -> float:
        return _necked_length_mm(hz, 343.2, D, WIDTH, WIDTH / 3, neck, effective, "hole")

    fit = fit_cap(Cap(travel_mm=40.0, packing_mm=2.0), AirColumn(length, stopped, 343.2), HZ, D, 0.8)
    wide, highest = D + 2 * (0.8 + 2.0), fit.rim_mm - 0.25 * D
    for above, cents in ((fit.stands_mm, 0.0), (0.0, fit.sharp_cents), (highest, -fit.flat_cents)):
        found = pitch_hz(fit.body_mm, above, wide, neck, effective)
        assert 1200.0 * math.log2(found / HZ) == pytest.approx(cents, abs=0.05)


def test_over_a_stopper_the_body_is_longer_and_a_soldered_cap_ends_it() -> None:
    stopper = fit_cap(Cap(kind="stopper", travel_mm=20.0, rim_mm=50.0), AIR, HZ, D, 0.8)
    assert stopper.body_mm == pytest.approx(stopped(HZ) + 50.0)
    assert stopper.flat_cents == pytest.approx(shifted_cents(stopped, HZ, 50.0 - 0.25 * D))
    soldered = fit_cap(Cap(kind="soldered"), AIR, HZ, D, 0.8)
    assert (soldered.body_mm, soldered.sharp_cents, soldered.flat_cents) == (pytest.approx(stopped(HZ)), 0.0, 0.0)


def test_a_rim_too_short_for_its_travel_is_refused() -> None:
    with pytest.raises(PipeError, match=r"rim_mm is too short"):
        fit_cap(Cap(travel_mm=30.0, rim_mm=20.0), AIR, HZ, D, 0.8)


def test_every_capped_pipe_of_a_rank_can_be_tuned_both_ways() -> None:
    for pipe in pipes_of():
        assert pipe.cap is not None
        assert pipe.cut_length_mm < pipe.body_length_mm
        assert pipe.cap.sharp_cents >= 50.0 and pipe.cap.flat_cents >= 45.0, pipe.note
        rim = next(p for p in pipe.parts if p.kind == "cap rim")
        disc = next(p for p in pipe.parts if p.kind == "cap disc")
        assert rim.width_mm > pipe.cap.rim_mm or rim.length_mm > pipe.cap.rim_mm
        assert disc.length_mm > pipe.diameter_mm + 2.0 * pipe.thickness_top_mm


def test_a_stopper_is_no_sheet_metal_and_a_soldered_cap_has_no_rim() -> None:
    kinds = {cap: {p.kind for p in pipes_of(cap=Cap(kind=cap))[0].parts} for cap in ("stopper", "soldered")}
    assert "cap disc" not in kinds["stopper"] and "cap rim" not in kinds["stopper"]
    assert "cap disc" in kinds["soldered"] and "cap rim" not in kinds["soldered"]


ORGAN = """
[organ]
name = "Chapel"
[[rank]]
name = "Flute 8"
division = "Great"
footage = "8'"
compass = "C-g3"
alloy = "m"
construction = "stopped"
scale = { half_tones = 2 }
cap = { kind = "outer", travel_mm = 25, packing_mm = 0.5 }
"""


def test_the_organ_file_says_the_cap(tmp_path: Path) -> None:
    path = tmp_path / "organ.toml"
    path.write_text(ORGAN, encoding="utf-8")
    assert read_organ(path, None).ranks[0].cap == Cap(travel_mm=25.0, packing_mm=0.5)
    for spoilt, says in (('kind = "outer"', 'kind = "lid"'), ("travel_mm = 25", "travel_mm = -3")):
        path.write_text(ORGAN.replace(spoilt, says), encoding="utf-8")
        with pytest.raises(InputError, match=r"cap.*(kind|travel)"):
            read_organ(path, None)


@pytest.mark.parametrize(
    ("was", "written", "says"),
    [
        ("travel_mm = 25", "travel_mm = 25, travel_cents = 60", "one of the two"),
        ("scale", 'tuning = "slide"\nscale', "stopped.*cap or none"),
        ('construction = "stopped"', 'construction = "half_covered"', "hole is missing"),
    ],
)
def test_what_cannot_go_together_is_refused(tmp_path: Path, was: str, written: str, says: str) -> None:
    path = tmp_path / "organ.toml"
    path.write_text(ORGAN.replace(was, written, 1), encoding="utf-8")
    with pytest.raises(InputError, match=says):
        read_organ(path, None)


def test_the_foot_ends_in_the_toe_that_is_told() -> None:
    """In every pipe, the smallest too: what a rackboard is bored for is what the sector gives."""
    rank = Rank("Tierce", "Great", "m", Fraction(8, 5), 0, 60)
    for pipe in rank_pipes(Organ("Chapel", Pitch(), (rank,)), rank, lambda alloy: 9.0):
        (foot,) = [part for part in pipe.parts if part.kind == "foot"]
        assert foot.development is not None
        round_mm = math.radians(foot.development.angle_deg) * foot.development.inner_radius_mm / math.pi / 2.0
        assert pipe.toe_diameter_mm - pipe.thickness_foot_mm == pytest.approx(2.0 * round_mm, abs=0.1)


def test_older_files_that_say_the_travel_for_the_whole_organ_are_read(tmp_path: Path) -> None:
    path = tmp_path / "organ.toml"
    text = ORGAN.replace("[[rank]]", "[allowances]\ncap_travel = 0.5\ncap_least_mm = 12\n[[rank]]", 1)
    path.write_text(text.replace("travel_mm = 25, ", ""), encoding="utf-8")
    organ = read_organ(path, None)
    pipe = rank_pipes(organ, organ.ranks[0], lambda alloy: 9.7)[0]
    assert pipe.body_length_mm - pipe.cut_length_mm == pytest.approx(0.5 * pipe.diameter_mm)


@pytest.mark.parametrize(
    ("was", "written", "says"),
    [
        (
            'kind = "outer", travel_mm = 25, packing_mm = 0.5',
            'kind = "soldered", travel_mm = 25',
            "travel_mm.*soldered on",
        ),
        (
            'kind = "outer", travel_mm = 25, packing_mm = 0.5',
            'kind = "soldered", least_mm = 25',
            "least_mm.*soldered on",
        ),
        (
            'cap = { kind = "outer", travel_mm = 25, packing_mm = 0.5 }',
            'tuning = "cap"\ncap = { kind = "soldered" }',
            "tuning",
        ),
        ("scale", 'tuning = "none"\nscale', "kind.*|travel_mm.*soldered on"),
    ],
)
def test_what_a_soldered_cap_would_not_do_is_refused(tmp_path: Path, was: str, written: str, says: str) -> None:
    path = tmp_path / "organ.toml"
    path.write_text(ORGAN.replace(was, written, 1), encoding="utf-8")
    with pytest.raises(InputError, match=says):
        read_organ(path, None)


REED = """
[organ]
name = "Chapel"
[[rank]]
name = "Trumpet 8"
division = "Great"
footage = "8'"
compass = "C-c"
alloy = "m"
construction = "resonator"
resonator = { length = "full", tip_mm = 14 }
scale = { points_mm = [["C", 130], ["c", 70]] }
"""


@pytest.mark.parametrize(
    "line",
    [
        'lips = { made = "raised" }',
        'mouth = "1/4"',
        'cut_up = "1/4"',
        "flue_mm = 0.6",
        "toe_bore_mm = 8",
        "toe_diameter_mm = 20",
        "foot_length_mm = 200",
        "ears = true",
        "foot_lining = { share = 0.5, sheet_mm = 0.8 }",
    ],
)
def test_what_a_reed_does_not_have_is_refused(tmp_path: Path, line: str) -> None:
    path = tmp_path / "organ.toml"
    path.write_text(REED, encoding="utf-8")
    assert read_organ(path, None).ranks[0].resonator is not None
    path.write_text(REED + line + "\n", encoding="utf-8")
    with pytest.raises(InputError, match=line.split(" ")[0] + ".*goes with flue pipes"):
        read_organ(path, None)


def test_a_tip_wider_than_the_bell_is_refused_with_its_note(tmp_path: Path) -> None:
    path = tmp_path / "organ.toml"
    path.write_text(REED.replace("tip_mm = 14", "tip_mm = 75"), encoding="utf-8")
    organ = read_organ(path, None)
    with pytest.raises(PipeError, match=r"note B: resonator\.tip_mm is wider than the bell"):
        rank_pipes(organ, organ.ranks[0], lambda alloy: 9.7)
