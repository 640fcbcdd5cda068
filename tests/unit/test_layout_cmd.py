"""`pipemetal layout` goes on from a plan, keeps what is pinned, and tells what cannot be."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

DATA = Path(__file__).parents[1] / "data" / "layout" / "n61.json"


def layout(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "pipemetal", "layout", str(DATA), *words], capture_output=True, text=True, timeout=3600
    )


@pytest.fixture(scope="module")
def plan_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("layout") / "plan.json"
    done = layout("--iterations", "2000", "--out", str(path))
    assert done.returncode == 0, done.stderr
    return path


def test_a_roll_pinned_whole_keeps_its_blanks(plan_file: Path, tmp_path: Path) -> None:
    first = json.loads(plan_file.read_text(encoding="utf-8"))
    roll = first["placements"][0]["roll"]
    out = tmp_path / "again.json"
    done = layout(
        "--from", str(plan_file), "--pin", f"roll:{roll}", "--iterations", "300", "--seed", "5", "--out", str(out)
    )
    assert done.returncode == 0, done.stderr

    def on_roll(plan: dict[str, list[dict[str, object]]]) -> list[dict[str, object]]:
        return [p for p in plan["placements"] if p["roll"] == roll]

    kept = on_roll(json.loads(out.read_text(encoding="utf-8")))
    assert all(p in kept for p in on_roll(first))


def test_straight_cuts_and_bars_are_kept(plan_file: Path) -> None:
    first = json.loads(plan_file.read_text(encoding="utf-8"))["placements"]
    fits_two = next(p for p in first if p["roll"] == "R001")
    word = f"{fits_two['blank']}={fits_two['roll']}"
    done = layout("--bar", word, "--straight-cuts", "--iterations", "500", "--json")
    plan = json.loads(done.stdout)
    assert plan["faults"] == []
    assert not [p for p in plan["placements"] if p["blank"] == fits_two["blank"] and p["roll"] == fits_two["roll"]]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--bar", "B00-00"), "BLANK=ROLL"),
        (("--pin", "B00-00"), "--from PLAN.json"),
        (("--bar", "nobody=R001"), "nobody=R001"),
    ],
)
def test_what_cannot_be_is_told_in_one_message(words: tuple[str, ...], told: str) -> None:
    done = layout(*words)
    assert done.returncode == 2
    assert told in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
