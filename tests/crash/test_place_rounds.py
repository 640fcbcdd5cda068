"""A few kills and races over restore, load, backup and migration, on each database; PIPEMETAL_TEST_ROUNDS makes them more."""

import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from place_rounds import KINDS, Rounds

ROUNDS = int(os.environ.get("PIPEMETAL_TEST_ROUNDS", "16"))


@pytest.mark.parametrize("where", ["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def test_no_book_is_lost_to_a_kill_or_a_race(
    where: str, tmp_path: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PIPEMETAL_BACKUPS", "")
    rounds = Rounds(tmp_path, seed=7, postgres=request.getfixturevalue("postgres_url") if where == "postgres" else None)
    rounds.run(ROUNDS)
    assert sum(rounds.seen.values()) == ROUNDS
    assert {f"{kind} raced" for kind in KINDS} <= {what.partition(",")[0] for what in rounds.seen}
