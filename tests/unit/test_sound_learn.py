"""What trimmed pipes teach about lengths, and what becomes of it."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from pipemetal.cli.main import cli
from pipemetal.demo_shop import __file__ as demo
from pipemetal.errors import FileFormatError, SoundError
from pipemetal.files.organ_file import read_organ
from pipemetal.files.trimmed_file import read_trimmed
from pipemetal.pipes.learned import MIDDLE_HZ, LearnedLengths
from pipemetal.pipes.make import organ_pipes
from pipemetal.pipes.pipe import Pipe
from pipemetal.planning.blanks import organ_for_shop
from pipemetal.planning.learned_lengths import LengthSettings
from pipemetal.planning.settings import ShopSettings
from pipemetal.shop.book import Book
from pipemetal.shop.stock import settings_of_book
from pipemetal.sound.learn import Trimmed, learn_lengths

ORGAN_FILE = Path(demo).parent / "organ.toml"
ORGAN = read_organ(ORGAN_FILE)


def pipes(organ: object = None) -> list[Pipe]:
    return [p for p in organ_pipes(organ or ORGAN, lambda _: 9.0) if p.made == "cast"]  # type: ignore[arg-type]


def trimmed(count: int, share: float, slope: float, noise: float, seed: int) -> list[Trimmed]:
    rng = np.random.default_rng(seed)
    found = []
    for k in range(count):
        hz = 130.8 * 2 ** (k / 12)
        diameter = 90.0 * 2 ** (-k / 16)
        more = share + slope * math.log2(hz / MIDDLE_HZ) + rng.normal(0, noise)
        found.append(Trimmed(f"P{k}", hz, diameter, 170_000 / hz + diameter * more, 170_000 / hz, hz / 100))
    return found


def test_share_and_slope_come_back_and_their_intervals_hold_the_truth() -> None:
    held = [learn_lengths(trimmed(36, 0.03, 0.012, 0.01, seed)) for seed in range(60)]
    inside = [abs(x.lengths.by_diameter - 0.03) <= x.by_diameter_half for x in held]
    slopes = [abs(x.lengths.by_octave - 0.012) <= x.by_octave_half for x in held]
    assert np.mean(inside) >= 0.85
    assert np.mean(slopes) >= 0.85
    assert all(x.missed_after_cents < 0.6 * x.missed_before_cents for x in held)


def test_a_slope_that_is_not_there_is_seldom_seen_and_few_pipes_have_none() -> None:
    held = [learn_lengths(trimmed(24, 0.03, 0.0, 0.01, seed)) for seed in range(60)]
    assert np.mean([x.lengths.by_octave != 0.0 for x in held]) < 0.15
    assert learn_lengths(trimmed(8, 0.03, 0.05, 0.001, 1)).lengths.by_octave == 0.0


def test_a_pipe_unlike_the_others_is_left_out_and_named() -> None:
    held = trimmed(20, 0.03, 0.0, 0.005, 3)
    held[7] = replace(held[7], length_mm=held[7].length_mm + 0.5 * held[7].diameter_mm)
    found = learn_lengths(held)
    assert "P7" in found.left_out
    assert found.lengths.by_diameter == pytest.approx(0.03, abs=0.006)
    with pytest.raises(SoundError):
        learn_lengths(held[:4])


def test_the_next_open_bodies_are_longer_by_it_and_say_so_and_others_are_as_they_were() -> None:
    settings = ShopSettings(lengths=LengthSettings(0.04, 0.0))
    before, after = pipes(), pipes(organ_for_shop(ORGAN, settings))
    seen = set()
    for old, new in zip(before, after, strict=True):
        added = new.body_length_mm - old.body_length_mm
        told = any("what the ear learned" in text for text in new.remarks)
        if old.construction == "open":
            assert added == pytest.approx(0.04 * old.diameter_mm)
            assert told
            assert new.cut_length_mm > old.cut_length_mm or old.visible_length_mm > 0
        elif old.construction in ("stopped", "chimney", "resonator"):
            assert added == pytest.approx(0.0)
            assert not told
        seen.add(old.construction)
    assert {"open", "stopped"} <= seen


def table(path: Path, share: float) -> Path:
    """Open pipes of the demo that sound their pitch with a body longer than the rule by this share of their diameter."""
    held = [p for p in pipes() if p.construction == "open" and p.choir == 1][:40]
    rows = [f"{p.rank},{p.note},{p.body_length_mm + share * p.diameter_mm:.3f},{p.frequency_hz:.4f}" for p in held]
    path.write_text("rank,note,length_mm,heard_hz\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_the_command_learns_and_the_book_keeps_it_as_one_event(tmp_path: Path) -> None:
    file, book = table(tmp_path / "t.csv", 0.05), tmp_path / "shop.sqlite"
    with Book.open(book, create=True, who="Ada") as held:
        held.settings.keep({"shop.name": "Tinbrook"})
    words = ["ear", "learn", str(file), str(ORGAN_FILE)]
    said = json.loads(CliRunner().invoke(cli, [*words, "--json"], catch_exceptions=False).output)
    assert said["lengths"]["by_diameter"] == pytest.approx(0.05, abs=1e-3)
    assert said["event"] is None
    kept = CliRunner().invoke(cli, [*words, "--keep", "--shop", str(book)], catch_exceptions=False)
    assert "The book keeps it" in kept.output
    found = settings_of_book(str(book)).settings
    assert found.name == "Tinbrook"
    assert found.lengths.by_diameter == pytest.approx(0.05, abs=1e-3)
    assert found.lengths.learned == LearnedLengths(found.lengths.by_diameter, found.lengths.by_octave)


@pytest.mark.parametrize("row", ["None,C,500,100", "{stopped},c1,500,100"])
def test_a_row_that_teaches_nothing_is_refused_with_its_place(tmp_path: Path, row: str) -> None:
    stopped = next(p.rank for p in pipes() if p.construction == "stopped")
    (tmp_path / "t.csv").write_text("rank,note,length_mm,heard_hz\n" + row.format(stopped=stopped) + "\n")
    with pytest.raises(FileFormatError):
        read_trimmed(tmp_path / "t.csv", ORGAN, pipes())
