"""A few kills of the running program, on each database; `crash_rounds.py --rounds 200` is the long run."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import crash_rounds


@pytest.mark.parametrize("where", ["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def test_nothing_told_as_done_is_lost_when_the_program_is_killed(
    where: str, long_run: bool, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("PIPEMETAL_BY", raising=False)
    monkeypatch.setenv("PIPEMETAL_BACKUPS", "")
    shop = request.getfixturevalue("postgres_url") if where == "postgres" else None
    rounds = 8 if long_run else 4
    seen = crash_rounds.main(shop, rounds, seed=7)
    assert seen["server killed"] == rounds // 2 and seen["form told: cast"] >= rounds // 2
