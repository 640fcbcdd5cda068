"""A disk that is full, and one that is read-only: one clear message, exit code 2, and nothing lost."""

import os
import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import BookError
from pipemetal.files.outbox import MEMORY
from pipemetal.shop.book import Book, NewLot

HALF = Composition.parse("Sn 50 Pb bal")
NOBODY = 65534


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv("PIPEMETAL_BY", raising=False)
    with Book.open(tmp_path / "shop.sqlite", create=True) as book:
        book.recipes.add(Recipe("half", HALF))
        for number in range(20):
            book.lots.add(NewLot(f"L{number}", "pig", 10.0, HALF))
    return tmp_path / "shop.sqlite"


def command(shop: Path, *args: str, before: Callable[[], None] | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "pipemetal", *args, "--shop", str(shop)],
        capture_output=True,
        text=True,
        preexec_fn=before,
        timeout=3600,
        check=False,
    )


def state(shop: Path) -> tuple[int, list[str]]:
    with Book.open(shop) as book:
        return len(book.lots.rows()), book.keeping.doctor().faults


@pytest.mark.parametrize("bytes_left", [0, 8_000])
def test_a_full_disk_is_told_and_loses_nothing(shop: Path, tmp_path: Path, bytes_left: int) -> None:
    (tmp_path / "more.csv").write_text(
        "id,kind,mass_kg,composition\n" + "".join(f"M{k},pig,10,Sn 50 Pb bal\n" for k in range(2000))
    )
    room = bytes_left  # the write-ahead log cannot grow beyond this, as on a disk with so much room

    def full() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))

    done = command(shop, "import", str(tmp_path / "more.csv"), "--as", "lots", before=full)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert "shop cannot be used" in done.stderr
    assert state(shop) == (20, [])
    assert command(shop, "lots", "--add", "after", "--mass", "5").returncode == 0
    assert state(shop) == (21, [])


@contextmanager
def read_only(shop: Path) -> Iterator[None]:
    """The book's folder as a disk that nothing can be written to; root, who may write anywhere, is somebody else meanwhile."""
    root = os.geteuid() == 0
    for place in (shop.parent, *shop.parent.parents[:3]):
        if root:
            place.chmod(place.stat().st_mode | 0o055)
    shop.chmod(0o444)
    shop.parent.chmod(0o555)
    if root:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)
        shop.parent.chmod(0o755)
        shop.chmod(0o644)


def test_a_read_only_disk_is_told_and_loses_nothing(shop: Path) -> None:
    with Book.open(shop) as book:
        with read_only(shop), pytest.raises(BookError, match="cannot be used"):
            book.lots.add(NewLot("X", "pig", 5.0, HALF))
        assert state(shop) == (20, [])
        book.lots.add(NewLot("after", "pig", 5.0, HALF))
    assert state(shop) == (21, [])


def test_a_backup_onto_a_full_disk_leaves_the_old_one(shop: Path, tmp_path: Path) -> None:
    kept = tmp_path / "kept.backup"
    assert command(shop, "backup", str(kept)).returncode == 0
    before = kept.read_bytes()

    def full() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (1_000, 1_000))

    done = command(shop, "backup", str(kept), before=full)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert kept.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == [MEMORY]
