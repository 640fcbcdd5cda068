"""Old ranks with known truth: what is said of them holds as often as it claims. The whole is bench/old_rank_bench.py."""

import math
from fractions import Fraction

import pytest
from old_ranks import World, old_rank

from pipemetal.restoration.make import to_make
from pipemetal.restoration.says import says
from pipemetal.restoration.temper import NONE_OF_THESE

WORLDS = (
    World(12, 3.0),
    World(24, 8.0),
    World(47, 15.0),
    World(30, 6.0, odd=0.1),
    World(30, 6.0, shortened=0.3, lost=0.3),
    World(24, 6.0, heard=2),
    World(24, 6.0, construction="stopped", footage=Fraction(8)),
    World(24, 6.0, construction="tapered", top_ratio=0.6, footage=Fraction(2), reading_mm=0.05),
)


def test_sets_and_limits_of_95_percent_hold() -> None:
    """32 ranks: fewer than 26 within would come by chance once in 1000 times if 95 % held."""
    held = [(old_rank(world, 100 + seed), world) for world in WORLDS for seed in range(4)]
    found = [(one, world, says(one.record)) for one, world in held]
    tunings = [(one, said.tuning) for one, _, said in found if said.tuning is not None]
    assert len(tunings) == 32
    assert sum(one.temperament in tuning.set_95 for one, tuning in tunings) >= 26
    assert sum(tuning.a_hz.low <= one.a_hz <= tuning.a_hz.high for one, tuning in tunings) >= 26
    assert all(said.construction == world.construction for _, world, said in found)


def test_shares_are_shares() -> None:
    said = says(old_rank(World(20, 6.0), 3).record)
    assert said.tuning is not None
    assert math.isclose(sum(s.share for s in said.tuning.shares), 1.0, abs_tol=1e-9)
    assert sum(s.share for s in said.tuning.shares if s.name in said.tuning.set_95) >= 0.95


def test_a_pipe_that_was_heard_takes_the_common_error_out() -> None:
    wide, narrow = (says(old_rank(World(24, 5.0, heard=heard), 4).record).tuning for heard in (0, 3))
    assert wide is not None and narrow is not None

    def half(tuning: object) -> float:
        a = tuning.a_hz  # type: ignore[attr-defined]
        return 600.0 * math.log2(a.high / a.low)

    assert half(wide) > 28.0 and half(narrow) < 12.0


def test_a_temperament_far_from_all_named_ones_is_called_none_of_these() -> None:
    hits = 0
    for seed in range(14):
        one = old_rank(World(40, 3.0, smooth_cents=4.0, temperament="unlisted"), seed)
        tuning = says(one.record).tuning
        assert tuning is not None
        hits += NONE_OF_THESE in tuning.set_95
    assert hits >= 7  # a third are near equal, within two cents of a named one


def test_pipes_that_do_not_belong_are_found_and_few_others() -> None:
    there = found = false = belonging = 0
    for seed in range(6):
        one = old_rank(World(36, 5.0, odd=0.1), 50 + seed)
        named = {s.key for s in says(one.record).strangers}
        there, found = there + len(one.odd_keys), found + len(named & one.odd_keys)
        false, belonging = false + len(named - one.odd_keys), belonging + 36 - len(one.odd_keys)
    assert found >= 0.9 * there
    assert false <= 0.03 * belonging


def test_missing_pipes_are_foretold_within_their_limits() -> None:
    """The other pipes of a rank, taken out and foretold: the limits hold 95 % of their lengths and diameters."""
    from dataclasses import replace

    inside_length = inside_width = count = 0
    for seed in range(10):
        whole = old_rank(World(40, 6.0, reading_mm=0.05), 300 + seed).record
        gone = {found.pipe.key for found in whole.pipes[5::7]}
        rest = tuple(found for found in whole.pipes if found.pipe.key not in gone)
        made = to_make(says(replace(whole, pipes=rest)))
        truth = {found.pipe.key: found.pipe for found in whole.pipes}
        for pipe in made.pipes:
            if pipe.key in gone:
                length, width = truth[pipe.key].length_mm, truth[pipe.key].diameter_mm
                assert length is not None and width is not None
                count += 1
                inside_length += pipe.sizes["length_mm"].size.low <= length <= pipe.sizes["length_mm"].size.high
                inside_width += pipe.sizes["diameter_mm"].size.low <= width <= pipe.sizes["diameter_mm"].size.high
    assert inside_width >= 0.88 * count
    assert inside_length >= 0.85 * count


def test_nothing_measured_is_refused() -> None:
    from dataclasses import replace

    from pipemetal.errors import PipeError

    with pytest.raises(PipeError):
        says(replace(old_rank(World(5), 1).record, pipes=()))


def test_no_name_of_a_temperament_stands_alone() -> None:
    for seed in range(4):
        tuning = says(old_rank(World(47, 2.0, smooth_cents=2.0, temperament="meantone4"), seed).record).tuning
        assert tuning is not None and len(tuning.set_95) >= 2
