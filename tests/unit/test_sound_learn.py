"""What trimmed pipes teach about lengths, and what becomes of it."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import pipemetal as pm
from pipemetal.cli.main import cli
from pipemetal.demo_shop import __file__ as demo
from pipemetal.errors import FileFormatError, SoundError
from pipemetal.files.organ_file import read_organ
from pipemetal.files.trimmed_file import read_trimmed
from pipemetal.pipes.learned import MIDDLE_HZ, LearnedLengths, Traits, slopes_of
from pipemetal.pipes.make import organ_pipes
from pipemetal.pipes.pipe import Pipe
from pipemetal.planning.blanks import organ_for_shop
from pipemetal.planning.learned_lengths import LengthSettings
from pipemetal.planning.settings import ShopSettings
from pipemetal.shop.book import Book
from pipemetal.shop.stock import settings_of_book
from pipemetal.sound.learn import Learned, learn_lengths
from pipemetal.sound.trimmed import Trimmed

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
        traits = Traits("open", hz, diameter, 0.25, 0.25)
        found.append(Trimmed(f"P{k}", "P", traits, 170_000 / hz + diameter * more, 170_000 / hz, hz / 100))
    return found


def half(found: Learned, name: str) -> float:
    return next((k.half_width for k in found.known if k.parameter == name), 0.0)


def shop(seed: int, true: LearnedLengths, ranks: int = 8, own: float = 0.01, noise: float = 0.006) -> list[Trimmed]:
    """Ranks that differ in mouth, cut-up, wind and construction, each with a number of its own."""
    rng = np.random.default_rng(seed)
    found = []
    for r in range(ranks):
        kind = ("open", "open", "tapered", "stopped")[r % 4]
        mouth, cut_up, wind = rng.uniform(0.17, 0.29), rng.uniform(0.2, 0.45), float(rng.choice([60, 75, 90]))
        more = rng.normal(0, own)
        for k in range(0, 40, 2):
            hz = 130.8 * 2 ** (k / 12)
            traits = Traits(kind, hz, 90.0 * 2 ** (-k / 16), mouth, cut_up + rng.normal(0, 0.02), wind)
            added = true.added_mm(traits) + traits.diameter_mm * (more + rng.normal(0, noise))
            rule = (85_000 if kind == "stopped" else 170_000) / hz
            found.append(Trimmed(f"R{r} {k}", f"R{r}", traits, rule + added, rule, hz / 100))
    return found


def test_share_and_slope_come_back_and_their_intervals_hold_the_truth() -> None:
    held = [learn_lengths(trimmed(36, 0.03, 0.012, 0.01, seed)) for seed in range(60)]
    inside = [abs(x.lengths.by_diameter - 0.03) <= half(x, "by_diameter") for x in held]
    slopes = [abs(x.lengths.by_octave - 0.012) <= half(x, "by_octave") for x in held]
    assert np.mean(inside) >= 0.85
    assert np.mean(slopes) >= 0.85
    assert all(x.missed_after_cents < 0.6 * x.missed_before_cents for x in held)


def test_a_slope_that_is_not_there_is_seldom_seen_and_few_pipes_have_none() -> None:
    held = [learn_lengths(trimmed(24, 0.03, 0.0, 0.01, seed)) for seed in range(60)]
    assert np.mean([x.lengths.by_octave != 0.0 for x in held]) < 0.15
    assert learn_lengths(trimmed(8, 0.03, 0.05, 0.001, 1)).lengths.by_octave == 0.0


def test_the_parameters_of_a_shop_come_back_within_their_intervals_and_other_ranks_are_foretold() -> None:
    true = LearnedLengths(0.03, by_octave=0.01, by_mouth=-0.03, by_cut_up=-0.02, tapered=0.05, stopped=0.04)
    inside, better = [], []
    for seed in range(25):
        found = learn_lengths(shop(seed, true, ranks=16))
        inside += [abs(k.value - getattr(true, k.parameter)) <= k.half_width for k in found.known]
        better.append(found.missed_after_cents / found.missed_before_cents)
        assert {"by_diameter", "stopped", "by_octave"} <= {k.parameter for k in found.known}
    assert np.mean(inside) >= 0.9
    assert np.mean(better) < 0.6


def test_what_the_pipes_do_not_tell_is_left_out_and_said() -> None:
    found = learn_lengths(trimmed(36, 0.03, 0.0, 0.01, 1))
    why = {u.parameter: str(u.why) for u in found.unknown}
    assert "too much alike" in why["by_mouth"]
    assert "no pipe of this construction" in why["tapered"]
    assert set(why) | {k.parameter for k in found.known} >= set(vars(found.lengths))
    # two ranks with other mouths differ in more than their mouths
    two = learn_lengths(shop(3, LearnedLengths(0.03, by_mouth=-0.05), ranks=2))
    assert two.lengths.by_mouth == 0.0
    assert slopes_of(two_traits()) == {"by_octave": 0.0, "by_mouth": 0.0, "by_cut_up": 0.0, "by_wind": 0.0}


def two_traits() -> Traits:
    return Traits("open", MIDDLE_HZ, 50.0, 0.25, 0.25, None)


def test_a_parameter_that_is_not_there_is_seldom_seen() -> None:
    seen = [
        len(learn_lengths(shop(seed, LearnedLengths(0.03, stopped=0.04), ranks=12)).known) - 2 for seed in range(25)
    ]
    assert np.mean([x > 0 for x in seen]) < 0.2


def test_a_pipe_unlike_the_others_is_left_out_and_named() -> None:
    held = trimmed(20, 0.03, 0.0, 0.005, 3)
    held[7] = replace(held[7], length_mm=held[7].length_mm + 0.5 * held[7].traits.diameter_mm)
    found = learn_lengths(held)
    assert "P7" in found.left_out
    assert found.lengths.by_diameter == pytest.approx(0.03, abs=0.006)
    with pytest.raises(SoundError):
        learn_lengths(held[:4])


def test_the_next_open_bodies_are_longer_by_it_and_say_so_and_others_are_as_they_were() -> None:
    settings = ShopSettings(lengths=LengthSettings(0.04))
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


def test_stopped_bodies_are_longer_by_their_own_share() -> None:
    settings = ShopSettings(lengths=LengthSettings(stopped=0.05))
    for old, new in zip(pipes(), pipes(organ_for_shop(ORGAN, settings)), strict=True):
        if old.construction == "stopped":
            assert new.body_length_mm - old.body_length_mm == pytest.approx(0.05 * old.diameter_mm, rel=0.05)
        elif old.construction == "open":
            assert new.body_length_mm == old.body_length_mm


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


def test_every_command_that_gives_lengths_takes_what_was_learned(tmp_path: Path) -> None:
    organ, settings, book = tmp_path / "organ.toml", tmp_path / "own.toml", tmp_path / "shop.sqlite"
    organ.write_text(ORGAN_FILE.read_text(encoding="utf-8"), encoding="utf-8")
    settings.write_text("[lengths]\nby_diameter = 0.08\n", encoding="utf-8")
    with Book.open(book, create=True, who="Ada") as held:
        held.settings.keep({"lengths.by_diameter": 0.08})
    rank = next(p.rank for p in pipes() if p.construction == "open")

    def total(*words: str) -> float:
        said = json.loads(CliRunner().invoke(cli, [*words, "--json"], catch_exceptions=False).output)
        key = "body_length_mm" if "pipes" in words else "height_mm" if "height_mm" in said["blanks"][0] else "length_mm"
        return math.fsum(float(x[key]) for x in said["pipes" if "pipes" in words else "blanks"])

    for command in ("pipes", "blanks"):
        words = ("organ", command, str(organ), "--rank", rank)
        plain = total(*words)
        by_file, by_book = total(*words, "--settings", str(settings)), total(*words, "--shop", str(book))
        assert by_file == by_book > plain + 5.0
    settings.rename(tmp_path / "shop.toml")
    assert total("organ", "pipes", str(organ), "--rank", rank) > 0
    shop = pm.read_shop(ORGAN_FILE.parent)
    learned = replace(shop, settings=ShopSettings(lengths=LengthSettings(0.08)))
    plain, longer = (math.fsum(p.body_length_mm for p in pm.make_pipes(ORGAN, x)) for x in (shop, learned))
    assert longer > plain + 5.0


@pytest.mark.parametrize("row", ["None,C,500,100", "{reed},c1,500,100"])
def test_a_row_that_teaches_nothing_is_refused_with_its_place(tmp_path: Path, row: str) -> None:
    held = [replace(p, construction="resonator") for p in pipes()]
    (tmp_path / "t.csv").write_text("rank,note,length_mm,heard_hz\n" + row.format(reed=held[0].rank) + "\n")
    with pytest.raises(FileFormatError):
        read_trimmed(tmp_path / "t.csv", ORGAN, held)


SEVEN = ((1 / 4, 1 / 4), (2 / 9, 1 / 4), (1 / 5, 2 / 7), (2 / 7, 1 / 3), (1 / 4, 1 / 3), (2 / 9, 2 / 5), (1 / 5, 1 / 5))


def seven_ranks(seed: int, own: float, noise: float = 0.01) -> list[Trimmed]:
    """Open ranks, each with one mouth and one cut-up; longer by 0.08 D, less by wide mouths, more by high cut-ups."""
    rng = np.random.default_rng(seed)
    found = []
    for r, (mouth, cut_up) in enumerate(SEVEN):
        more = 0.08 - 0.05 * (mouth - 0.25) / 0.1 + 0.04 * (cut_up - 0.25) / 0.1 + rng.normal(0, own)
        for k in range(0, 56, 3):
            hz = 130.8 * 2 ** (k / 12)
            traits = Traits("open", hz, 90.0 * 2 ** (-k / 16), mouth, cut_up)
            added = traits.diameter_mm * (more + rng.normal(0, noise))
            found.append(Trimmed(f"R{r} {k}", f"R{r}", traits, 170_000 / hz + added, 170_000 / hz, hz / 100))
    return found


def test_two_that_ranks_differ_in_do_not_hide_each_other() -> None:
    for seed in range(8):
        found = learn_lengths(seven_ranks(seed, 0.003)).lengths
        assert found.by_mouth == pytest.approx(-0.05, abs=0.015)
        assert found.by_cut_up == pytest.approx(0.04, abs=0.01)
        # a rank that nobody measured: mouth 2/7, cut-up 1/4
        assert found.by_diameter + found.by_mouth * 0.357 == pytest.approx(0.08 - 0.05 * 0.357, abs=0.01)


@pytest.mark.parametrize("own", [0.003, 0.01, 0.03])
def test_the_interval_holds_the_truth_also_where_a_parameter_is_left_out(own: float) -> None:
    held = [learn_lengths(seven_ranks(seed, own)) for seed in range(15)]
    inside = [abs(x.lengths.by_diameter - 0.08) <= half(x, "by_diameter") for x in held]
    assert np.mean(inside) >= 0.85
