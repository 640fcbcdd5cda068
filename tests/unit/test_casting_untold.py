"""What a log does not tell: how a push went, who cast, what went before the sheet, and values that cannot be."""

import csv
import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from casting_samples import OUTFIT, SN50, cast_of, shop, wanted

from pipemetal.casting.calibrate import calibrate
from pipemetal.casting.log import NUMBERS, LoggedCast
from pipemetal.casting.model import TWO_SIDED_95
from pipemetal.casting.push import push_card, thickness_from_push
from pipemetal.casting.reduce import ReducedCast, reduced
from pipemetal.casting.run_up import RunUp
from pipemetal.casting.says import quantities
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.casting.timing import BY_CARD, BY_MARKS, BY_TIME
from pipemetal.files.log_file import log_text, read_log
from pipemetal.quantities import CAST

TRUTH = ShopLaw.known("liquid on a rough cloth", cast_scatter=0.03, station_scatter=0.015)
LOG = [cast_of(np.random.default_rng(seed), TRUTH, f"c{seed}") for seed in range(12)]


def used(cast: LoggedCast) -> ReducedCast:
    found = reduced(cast)
    assert isinstance(found, ReducedCast)
    return found


def untimed(cast: LoggedCast, *, asked: bool) -> LoggedCast:
    return replace(cast, marks=(), asked_marks=cast.marks if asked else ())


def test_a_push_that_nobody_timed_went_as_the_card_asked() -> None:
    marked, by_card, by_time = (used(c) for c in (LOG[0], untimed(LOG[0], asked=True), untimed(LOG[0], asked=False)))
    assert (marked.speed_by, by_card.speed_by, by_time.speed_by) == (BY_MARKS, BY_CARD, BY_TIME)
    assert by_card.speed_m_s == pytest.approx(marked.speed_m_s, rel=0.04)
    assert np.ptp(by_time.speed_m_s) == pytest.approx(0.0, abs=1e-3)
    unsure = [float(np.sqrt(c.speed_covariance[1, 1])) for c in (marked, by_card, by_time)]
    assert unsure[0] < unsure[1] < unsure[2]


def test_asked_marks_are_brought_to_the_time_that_was_logged() -> None:
    slow = replace(untimed(LOG[1], asked=True), push_time_s=1.2 * LOG[1].marks[-1][1])
    assert used(slow).speed_m_s == pytest.approx(used(untimed(LOG[1], asked=True)).speed_m_s / 1.2, rel=1e-3)


def test_a_log_of_times_alone_leaves_the_taper_open() -> None:
    def reach(casts: list[LoggedCast]) -> float:
        fit = calibrate(casts)
        along = next(q for q in quantities(fit.law, fit.reduced) if q.key == "along_the_sheet")
        return along.high - along.low

    assert reach([untimed(c, asked=False) for c in LOG]) > 1.3 * reach(LOG)
    assert any("asked for" in words for words in calibrate([untimed(c, asked=False) for c in LOG]).watch)


def test_what_goes_before_the_sheet_is_learned_from_what_is_left() -> None:
    usual = calibrate(LOG).law.run_up
    # a run-up that lays less leaves more in the sled
    fuller = []
    for cast in LOG:
        ratio = used(cast).run_up_ratio
        assert ratio is not None
        first_kg = used(cast).run_up_kg / ratio[0]
        fuller.append(replace(cast, leftover_kg=(cast.leftover_kg or 0.0) + 0.5 * first_kg))
    found = calibrate(fuller).law.run_up
    assert found.ratio == pytest.approx(usual.ratio - 0.5, abs=0.12)
    assert found.sd < RunUp().sd and found.casts == 12
    cards = [push_card(wanted(), OUTFIT, calibrate(log).law, gate_mm=2.7, charge_kg=80.0) for log in (LOG, fuller)]
    assert cards[1].run_up_mass_kg < 0.85 * cards[0].run_up_mass_kg


def test_where_nothing_was_left_weighed_the_run_up_is_unsure() -> None:
    weighed, not_weighed = calibrate(LOG).law, calibrate([replace(c, leftover_kg=None) for c in LOG]).law
    assert not_weighed.run_up.unsure > 1.5 * weighed.run_up.unsure


def test_a_sheet_of_no_named_crew_holds_for_all_that_the_log_knows() -> None:
    law = calibrate(shop(20, 1, crew_b=0.12)).law
    at = calibrate(LOG).reduced[0]
    cards = {
        crew: push_card(wanted(), OUTFIT, law.for_sheet(SN50, 800.0, crew), gate_mm=2.7, charge_kg=80.0)
        for crew in "AB"
    }
    unnamed = push_card(wanted(), OUTFIT, law.for_sheet(SN50, 800.0), gate_mm=2.7, charge_kg=80.0)
    assert at.gate_m > 0.0
    assert "no crew is named" in unnamed.rests_on and "A, B" in unnamed.rests_on
    assert all("no crew is named" not in card.rests_on for card in cards.values())

    def width(name: str) -> float:
        from pipemetal.casting.push import Push

        marks = unnamed.marks
        push = Push(SN50, 195.0, 80.0, 2.7, [m.distance_m for m in marks], [m.speed_m_s for m in marks])
        first = thickness_from_push(push, OUTFIT, law.for_sheet(SN50, 800.0, name))[2]
        return float(np.log(first.high_mm / first.low_mm)) / (2.0 * TWO_SIDED_95)

    # two crews 12 % apart lie 6 % about their mean
    assert width("") ** 2 - width("A") ** 2 == pytest.approx(0.06**2, rel=0.6)


@pytest.mark.parametrize("column", sorted(NUMBERS))
def test_a_number_out_of_its_range_is_set_aside_by_name_and_the_log_goes_on(column: str, tmp_path: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(log_text(LOG[:6]))))
    rows[2][column] = f"{2.0 * CAST[column].high + 1.0:g}"
    path = tmp_path / "log.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    casts = read_log(path)
    fit = calibrate(casts)
    told = [*fit.casts_left_out, *fit.readings_left_out]
    assert any(out.id == "c2" and column in out.reason and "out of range" in out.reason for out in told)
    needed = column in ("gate_mm", "charge_kg", "length_mm")
    assert fit.casts_used == (5 if needed else 6)


def test_marks_that_cannot_be_are_told_and_the_others_kept() -> None:
    cast = LOG[3]
    past = replace(cast, marks=(*cast.marks, (1e-3 * cast.length_mm + 1.0, cast.marks[-1][1] + 1.0)))
    assert "past the sheet's end" in used(past).told[0]
    assert used(past).speed_m_s == pytest.approx(used(cast).speed_m_s)
    wrong = replace(cast, push_time_s=2.0 * cast.marks[-1][1])
    assert "contradicts the marks" in used(wrong).told[0]
    assert used(wrong).speed_m_s == pytest.approx(used(cast).speed_m_s)
    fit = calibrate([*LOG[:3], wrong, *LOG[4:]])
    assert any(out.id == "c3" and "contradicts" in out.reason for out in fit.readings_left_out)


def test_the_log_keeps_what_the_card_asked(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(log_text([untimed(LOG[0], asked=True)]), encoding="utf-8")
    assert read_log(path)[0].asked_marks == pytest.approx(np.array(LOG[0].marks), rel=1e-5)
