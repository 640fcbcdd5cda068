"""Hostile files: nothing but clear errors comes out of any reader, nothing hangs, and memory stays bounded.

`PIPEMETAL_FUZZ_SHOTS` says how many samples are fired at each kind of file (60; the long runs take 20,000), `PIPEMETAL_FUZZ_SEED`
where they begin: the same samples on every machine, however busy. A sample that does harm is kept, and its place is named.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from kinds import KINDS

SHOTS = os.environ.get("PIPEMETAL_FUZZ_SHOTS", "60")
SEED = os.environ.get("PIPEMETAL_FUZZ_SEED", "1")
MOST_MB = 1500
KEEP = Path(tempfile.gettempdir()) / "pipemetal-fuzz"


def fired_at(kind: str) -> dict[str, Any]:
    """What became of one kind, in a process of its own."""
    command = [sys.executable, "-W", "error", str(Path(__file__).with_name("fuzz_child.py")), kind, SHOTS, SEED]
    alone = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    done = subprocess.run([*command, str(KEEP)], capture_output=True, text=True, env=alone, check=False)
    assert done.returncode == 0, f"{kind} ended with {done.returncode}:\n{done.stderr[-3000:]}"
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


@pytest.fixture(scope="module")
def rounds(request: pytest.FixtureRequest) -> Iterator[dict[str, Future[dict[str, Any]]]]:
    """The kinds that this run asks for, two at a time."""
    items = [item for item in request.session.items if item.path == Path(__file__)]
    asked = [kind for kind in KINDS if any(f"[{kind}]" in item.name for item in items)]
    with ThreadPoolExecutor(max_workers=2) as pool:
        yield {kind: pool.submit(fired_at, kind) for kind in asked}
        pool.shutdown(cancel_futures=True)


@pytest.mark.parametrize("kind", KINDS)
def test_a_hostile_file_is_refused_with_a_clear_message(kind: str, rounds: dict[str, Future[dict[str, Any]]]) -> None:
    found = rounds[kind].result()
    told = "\n\n".join(f"{f['what']}, sample kept in {f['sample']}\n{f['trace']}" for f in found["failures"])
    assert not found["failures"], told
    assert found["refused"] > 0, "some spoilt samples are to be refused"
    assert found["peak_mb"] < MOST_MB
