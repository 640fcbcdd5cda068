"""A few kills and races over restore, load, backup and migration, on each database; `place_rounds.py` makes them many."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from place_rounds import KINDS, Rounds


@pytest.mark.parametrize("where", ["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def test_no_book_is_lost_to_a_kill_or_a_race(
    where: str,
    long_run: bool,
    tmp_path: Path,
    request: pytest.FixtureRequest,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("PIPEMETAL_BACKUPS", "")
    rounds = Rounds(tmp_path, seed=7, postgres=request.getfixturevalue("postgres_url") if where == "postgres" else None)
    times = (4 if long_run else 2) * len(KINDS)
    rounds.run(times)
    assert sum(rounds.seen.values()) == times
    assert {f"{kind} raced" for kind in KINDS} <= {what.partition(",")[0] for what in rounds.seen}
