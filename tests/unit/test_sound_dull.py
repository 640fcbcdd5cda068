"""A pipe of a rank whose upper partials together are weaker than its neighbours'."""

import numpy as np
import pytest

from pipemetal.sound.measure import Measured, Partial
from pipemetal.sound.rank import HeardPipe, compared


def rank(seed: int, dull_db: float, room_db: float) -> list[HeardPipe]:
    """Levels that fall by 5 dB a partial, each moved by the room; key 20 is dull."""
    rng = np.random.default_rng(seed)
    found = []
    for key in range(32):
        levels = [-5.0 * n - (dull_db if key == 20 and n else 0.0) + rng.normal(0, room_db) for n in range(8)]
        partials = tuple(Partial(n + 1, level, 1.0) for n, level in enumerate(levels))
        heard = Measured(130.8 * 2 ** (key / 12), 0.1, 0.2, 2.0, 1.0, 1.0, partials, -20.0)
        found.append(HeardPipe(key, 2.0 * key, heard, float(rng.normal(0, 1))))
    return found


@pytest.mark.parametrize(("room_db", "dull_db"), [(1.0, 8.0), (2.0, 10.0), (3.0, 14.0)])
def test_a_dull_pipe_is_found_by_all_its_upper_partials_together(room_db: float, dull_db: float) -> None:
    found = 0
    for seed in range(10):
        odd = compared(rank(seed, dull_db, room_db))[20].odd_partials
        found += len(odd) >= 3 and all(db < 0.0 for n, db in odd if n > 1)
    assert found >= 8


def test_where_none_is_dull_few_are_named() -> None:
    named = [len(p.odd_partials) > 2 for seed in range(10) for p in compared(rank(seed, 0.0, 3.0))]
    assert np.mean(named) < 0.01
