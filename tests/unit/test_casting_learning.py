"""What a log teaches beside the gate: groups, drift, causes, and the next cast."""

from dataclasses import replace

import numpy as np
import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.casting.calibrate import calibrate
from pipemetal.casting.explain import expected_stations, explain
from pipemetal.casting.groups import drift, group_effects, present_coefficients
from pipemetal.casting.log import LoggedCast, reduced
from pipemetal.casting.model import Coefficients, Sled
from pipemetal.casting.next_cast import trials
from pipemetal.casting.simulate import Noise, simulate_cast
from pipemetal.errors import CastingError

SN50 = Composition.parse("Sn 50 Pb bal")


def shop(n: int, seed: int, scatter: float = 0.03, crew_b: float = 0.0, slide: float = 0.0) -> list[LoggedCast]:
    """Casts of a made-up shop; crew B casts thicker, and the gate wears by ``slide`` a cast."""
    rng = np.random.default_rng(seed)
    casts = []
    for k in range(n):
        crew = "B" if k % 2 else "A"
        truth = Coefficients.known(
            0.56 * float(np.exp((crew_b if crew == "B" else 0.0) + slide * k)), 0.1, 0.03, 0.0, scatter, 0.02
        )
        start = float(rng.uniform(1.4, 2.2))
        cast = simulate_cast(
            rng,
            truth,
            id=f"c{k}",
            comp=SN50,
            sled=Sled(220, 800),
            length_mm=3500.0,
            thickness_start_mm=start,
            thickness_end_mm=start * 0.85,
            superheat_k=float(rng.uniform(12, 40)),
            noise=Noise(timing_s=0.02),
        )
        casts.append(replace(cast, crew=crew, gate_name="wide" if k % 3 else "old"))
    return casts


def test_a_crew_that_casts_thicker_is_found_with_its_interval() -> None:
    casts = shop(24, 1, crew_b=0.10)
    found = {g.name: g for g in group_effects(calibrate(casts), casts) if g.kind == "crew"}
    assert found["B"].low_percent > 0.0 > found["A"].high_percent
    # Ten percent apart, drawn together a little.
    apart = found["B"].thicker_percent - found["A"].thicker_percent
    assert 6.0 < apart < 13.0
    assert "thicker" in found["B"].words


def test_groups_that_do_not_differ_are_not_made_to() -> None:
    casts = shop(24, 2)
    for group in group_effects(calibrate(casts), casts):
        assert group.low_percent < 0.0 < group.high_percent
        assert abs(group.thicker_percent) < 2.5


def test_groups_always_changed_together_say_so() -> None:
    casts = [replace(c, cloth_name="new" if c.crew == "B" else "worn") for c in shop(12, 3)]
    words = [g.words for g in group_effects(calibrate(casts), casts) if g.kind == "cloth"]
    assert words and all("changed together with the crew" in w for w in words)


def test_a_shop_that_drifts_is_told_and_its_present_used() -> None:
    casts = shop(30, 4, scatter=0.02, slide=0.006)
    found = calibrate(casts)
    moved = drift(found)
    assert moved.low_percent > 0.0 and "has drifted" in moved.words
    assert 8.0 < moved.change_percent < 25.0  # 19 % by its making, with what the coefficients soak up
    now = present_coefficients(found.coefficients, moved)
    assert now.discharge > found.coefficients.discharge
    steady = drift(calibrate(shop(30, 5, scatter=0.02)))
    assert steady.low_percent < 0.0 < steady.high_percent


def test_causes_add_up_to_what_was_measured() -> None:
    casts = shop(12, 6)
    why = explain("c7", casts)
    assert why.reference_mean_mm + sum(c.mean_mm for c in why.causes) == pytest.approx(why.measured_mean_mm, abs=1e-9)
    assert [c.name for c in why.causes] == ["gate", "charge", "speed", "temperature", "the rest"]
    assert why.within_scatter


def test_a_wider_gate_is_named_as_the_cause() -> None:
    casts = shop(12, 7)
    other = replace(casts[5], id="same but for the gate's note", gate_mm=casts[5].gate_mm - 0.5)
    why = explain("c5", [*casts, other], calibrate(casts), other.id)
    by_name = {c.name: c.mean_mm for c in why.causes}
    assert by_name["gate"] > 0.15
    assert by_name["charge"] == by_name["speed"] == by_name["temperature"] == pytest.approx(0.0, abs=1e-12)


def test_the_next_cast_is_told_what_to_change() -> None:
    casts = shop(12, 8)
    got = reduced(casts[3])
    assert not isinstance(got, str)
    thick = replace(casts[3], wanted_start_mm=1.0, wanted_end_mm=0.9)
    assert "faster" in explain("c3", [*casts[:3], thick, *casts[4:]]).next_words
    assert "log the wanted thickness" in explain("c3", casts).next_words
    with pytest.raises(CastingError, match="not in the log"):
        explain("c99", casts)


def test_a_change_on_purpose_teaches_more_than_the_same_again() -> None:
    casts = [replace(c, gate_mm=3.0) for c in shop(8, 9)]
    usable = [r for c in casts if not isinstance(r := reduced(c), str)]
    found = trials(calibrate(casts).coefficients, usable)
    again = next(t for t in found if "as usual" in t.words)
    assert found[0].after_percent < again.after_percent < again.before_percent
    assert found[0].words in calibrate(casts).log_next


@pytest.mark.parametrize(("timing_s", "seed"), [(0.02, 11), (0.08, 12)])
def test_the_band_of_a_cast_holds_its_readings_by_video_and_by_hand(timing_s: float, seed: int) -> None:
    """Marks taken by hand tell the speed at a place poorly; the band says so and keeps its word."""
    held: list[bool] = []
    for k in range(4):
        rng = np.random.default_rng(100 * seed + k)
        truth = Coefficients.known(0.56, 0.1, 0.03, 0.0, 0.03, 0.02)
        casts = [
            simulate_cast(
                rng,
                truth,
                id=f"c{i}",
                comp=SN50,
                sled=Sled(220, 800),
                length_mm=3500.0,
                thickness_start_mm=(start := float(rng.uniform(1.4, 2.2))),
                thickness_end_mm=0.85 * start,
                superheat_k=float(rng.uniform(12, 40)),
                noise=Noise(timing_s=timing_s),
            )
            for i in range(16)
        ]
        found = calibrate(casts)
        for cast in casts:
            band = expected_stations(cast.id, casts, found.coefficients)
            at = [1e3 * s.distance_m for s in band]
            low, high = (
                np.interp([d for d, _ in cast.thickness_mm], at, v)
                for v in ([s.low_mm for s in band], [s.high_mm for s in band])
            )
            held += [bool(a <= t <= b) for a, (_, t), b in zip(low, cast.thickness_mm, high, strict=True)]
    assert 0.92 < np.mean(held) < 0.995
