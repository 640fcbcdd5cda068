"""What people forget and miswrite in a log, and cards that must not follow it: no slip stops a command or goes unnamed."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import pytest
from casting_samples import OUTFIT, SN50, shop, wanted

from pipemetal.alloys.composition import Composition
from pipemetal.casting.calibrate import calibrate
from pipemetal.casting.explain import explain
from pipemetal.casting.gateless import with_forgotten_gates, with_gap
from pipemetal.casting.learn import cloth_from_log, lift_margin_from_log, limits_from_verdicts
from pipemetal.casting.limits import WindowLimits
from pipemetal.casting.model import Gate
from pipemetal.casting.push import push_card, scoops_of
from pipemetal.casting.simulate import Noise
from pipemetal.casting.wanted import LADLE_KG
from pipemetal.casting.window import pour_window, push_heat_words
from pipemetal.documents.casting_cards import pour_card
from pipemetal.files.casting_json import window_dict
from pipemetal.files.log_file import log_text, read_log
from pipemetal.planning.learning import learn

LOG = [
    replace(
        c,
        seconds_to_matt=9.0,
        lift_after_s=120.0,
        verdict="good",
        pour_temperature_c=235.0,
        table_temperature_c=20.0,
        air_temperature_c=20.0,
        gate_name="brass",
    )
    for c in shop(6, 21)
]


@pytest.mark.parametrize("gap_mm", [2.2, 2.6, 3.4])
def test_a_box_without_a_gate_is_learned_at_the_gap_that_the_sheet_says(gap_mm: float) -> None:
    gated = [replace(c, gate_mm=gap_mm, gate_name="") for c in shop(8, 22)]
    gateless = [replace(c, gate_mm=0.0) for c in gated]
    outfit = replace(OUTFIT, gate=Gate(largest_mm=14.0, fixed_mm=gap_mm))
    told, meant = (
        push_card(wanted(1.6, 1.4), outfit, law)
        for law in (learn(gateless, gap_mm=gap_mm).law.for_sheet(SN50, 800.0), learn(gated).law.for_sheet(SN50, 800.0))
    )
    assert told.thickness == meant.thickness
    assert with_gap(gateless, None) == tuple(gateless)


def test_a_forgotten_opening_is_named_and_no_box_without_a_gate() -> None:
    named = replace(LOG[2], gate_mm=0.0)
    unnamed = replace(LOG[4], gate_mm=0.0, gate_name="")
    for slip, says in ((named, "names the gate brass"), (unnamed, "other casts of this sled")):
        casts = [slip if c.id == slip.id else c for c in LOG]
        found = calibrate(casts)
        assert [(out.id, says in out.reason) for out in found.casts_left_out] == [(slip.id, True)]
    other_box = replace(unnamed, sled_name="open box")
    assert with_forgotten_gates([*LOG[:4], other_box])[-1].spoiled is None


@pytest.mark.parametrize("ladle_kg", [LADLE_KG, 11.34, 5.0, 9.07])
def test_whole_ladles_are_counted_as_such(ladle_kg: float) -> None:
    for n in range(1, 40):
        for charge in (n * ladle_kg, round(n * ladle_kg, 2), round(n * ladle_kg, 1)):
            assert scoops_of(charge, ladle_kg) == n
        assert scoops_of((n + 0.5) * ladle_kg, ladle_kg) == n + 1


@pytest.mark.parametrize("factor", [0.4, 0.8, 1.2, 2.5])
@pytest.mark.parametrize("rival", ["orifice", "liquid on a rough cloth"])
def test_only_pushes_and_gates_that_can_be_are_told(factor: float, rival: str) -> None:
    casts = shop(8, 23, rival)
    cast = casts[3]
    mean = math.fsum(t for _, t in cast.thickness_mm) / len(cast.thickness_mm)
    meant = replace(cast, wanted_start_mm=factor * mean, wanted_end_mm=factor * mean)
    words = explain(cast.id, [*casts[:3], meant, *casts[4:]]).next_words
    for percent, how in re.findall(r"push (\d+) % (faster|slower)", words):
        change = 1.0 + (1.0 if how == "faster" else -1.0) * float(percent) / 100.0
        assert 0.3 <= change <= 4.0
    for gate in re.findall(r"gate to ([0-9.]+) mm", words):
        assert Gate().smallest_mm <= float(gate) <= Gate().largest_mm
    open_box = [replace(c, gate_mm=0.0, gate_name="") for c in (*casts[:3], meant, *casts[4:])]
    assert "set the gate" not in explain(cast.id, open_box).next_words


@pytest.mark.parametrize("slip", [0.001, 0.1, 10.0, 100.0])
@pytest.mark.parametrize("all_of_them", [False, True])
def test_no_misread_thickness_stops_what_a_log_teaches(slip: float, all_of_them: bool) -> None:
    pairs = LOG[2].thickness_mm
    odd = tuple((d, slip * t if all_of_them or k == 1 else t) for k, (d, t) in enumerate(pairs))
    casts = [*LOG[:2], replace(LOG[2], thickness_mm=odd), *LOG[3:]]
    found = calibrate(casts)
    assert any(out.id == LOG[2].id for out in (*found.casts_left_out, *found.readings_left_out))
    assert cloth_from_log(casts).factor > 0.0
    assert limits_from_verdicts(casts).verdicts_used >= 5
    assert lift_margin_from_log(casts) >= 1.1


@pytest.mark.parametrize("column", ["charge_kg", "length_mm", "sled_length_mm", "sled_width_mm"])
@pytest.mark.parametrize("written", ["", "0", "100000000"])
def test_a_cell_that_a_cast_cannot_do_without_leaves_that_cast_out_by_name(
    tmp_path: Path, column: str, written: str
) -> None:
    lines = log_text(LOG).splitlines()
    cells = lines[3].split(",")
    cells[lines[0].split(",").index(column)] = written
    path = tmp_path / "log.csv"
    path.write_text("\n".join([*lines[:3], ",".join(cells), *lines[4:]]) + "\n", encoding="utf-8")
    found = learn(read_log(path)).calibration
    assert found is not None
    assert [(out.id, column in out.reason) for out in found.casts_left_out] == [(LOG[2].id, True)]


ALLOYS = ("Sn 15 Sb 0.9 Pb bal", "Sn 15 Pb bal", "Sn 50 Pb bal", "Sn 55 Pb bal", "Sn 98 Pb bal", "Pb 100")


@pytest.mark.parametrize("alloy", ALLOYS)
@pytest.mark.parametrize("thickness_mm", [0.6, 0.8, 1.0, 2.0, 3.0, 5.0])
@pytest.mark.parametrize("bars", [False, True])
def test_text_and_record_of_a_pouring_range_are_one_verdict(alloy: str, thickness_mm: float, bars: bool) -> None:
    comp = Composition.parse(alloy)
    window = pour_window(comp, thickness_mm, 20, 20, limits=WindowLimits(side_bars=bars))
    told = window_dict(window)
    for band, record in zip(window.bands, told["bands"], strict=True):
        assert (record["try_low"] is None) == (record["try_high"] is None) == band.empty
        if not band.empty:
            assert band.too_cold_below_c <= band.try_low_c <= band.try_high_c <= band.too_hot_above_c
    refused = [words for words in window.warnings if "no temperature" in words or "no thermometer can" in words]
    assert bool(refused) == window.empty == (told["try_low"] is None)
    assert not bars or not any("bars along the sides" in words for words in refused)
    assert "few degrees" not in window.why or len(window.bands) == 1
    # a range is refused only where its ends meet, or come nearer than the liquidus is known, or nothing holds the film
    if window.empty and not any("by itself" in words for words in refused):
        assert window.too_hot_above_c - window.too_cold_below_c < 12.0


@pytest.mark.parametrize("sled_c", [300.0, 380.0, 460.0, 150.0])
def test_a_push_reckoned_outside_the_range_says_so(sled_c: float) -> None:
    window = pour_window(SN50, 2.0, 20, 20)
    words = push_heat_words(window, sled_c)
    assert f"{sled_c:.0f} C in the sled" in words[0]
    assert any("aramid" in told for told in words) == (sled_c > 296.0)
    assert push_heat_words(window, window.sled_c) == ()


@pytest.mark.parametrize("weighed", [True, False])
@pytest.mark.parametrize("factor", [8.0, 10.0, 100.0])
def test_a_charge_that_no_sled_holds_is_named(factor: float, weighed: bool) -> None:
    leftover = LOG[1].leftover_kg if weighed else None
    slip = replace(LOG[1], charge_kg=factor * LOG[1].charge_kg, leftover_kg=leftover)
    found = calibrate([LOG[0], slip, *LOG[2:]])
    assert [out.id for out in found.casts_left_out] == [slip.id]
    assert "charge" in found.casts_left_out[0].reason


@pytest.mark.parametrize("factor", [0.1, 3.0, 10.0])
@pytest.mark.parametrize("which", [1, 3, -1])
def test_a_mark_misread_is_named_and_the_cast_kept(factor: float, which: int) -> None:
    marks = sorted(LOG[1].marks)
    marks[which] = (marks[which][0], factor * marks[which][1])
    found = calibrate([LOG[0], replace(LOG[1], marks=tuple(marks)), *LOG[2:]])
    told = [*found.casts_left_out, *found.readings_left_out]
    assert any(out.id == LOG[1].id and "mark" in out.reason for out in told)


@pytest.mark.parametrize("late_s", [-0.25, 0.0, 0.25])
def test_a_watch_started_late_is_found_by_its_own_marks(late_s: float) -> None:
    casts = []
    for c in shop(8, 24, noise=Noise(timing_s=0.02)):
        first, *others = sorted(c.marks)
        marks = (first, *((d, t - late_s) for d, t in others if t > late_s))
        casts.append(replace(c, marks=marks, timing_sd_s=0.08))
    told = [words for words in calibrate(casts).watch if "the watch is started" in words]
    assert [("late" in words) == (late_s > 0.0) for words in told] == ([True] if late_s else [])


def test_a_band_holds_how_far_pushes_keep_off_the_marks_where_the_log_tells() -> None:
    plain = shop(8, 25)
    kept, loose = (
        [
            replace(c, asked_marks=tuple((d, t * (1.0 + off * (-1.0) ** k)) for d, t in c.marks))
            for k, c in enumerate(plain)
        ]
        for off in (0.0, 0.08)
    )
    laws = [calibrate(casts).law for casts in (plain, kept, loose)]
    assert laws[0].push_scatter == 0.0 and laws[1].push_scatter < 1e-9
    assert laws[2].push_scatter == pytest.approx(0.08, rel=0.1)
    cards = [push_card(wanted(), OUTFIT, law, gate_mm=2.6, charge_kg=LADLE_KG * 7) for law in (laws[1], laws[2])]
    widths = [sum(s.high_mm - s.low_mm for s in card.thickness) for card in cards]
    assert widths[1] > widths[0]
    assert "as marked" in cards[0].rests_on and "keep off the marks (8 %)" in cards[1].rests_on


def test_a_second_card_from_one_log_takes_no_new_fit() -> None:
    first = learn(LOG)
    assert learn(list(LOG)) is first
    assert learn(LOG[:-1]) is not first and learn(LOG, gap_mm=2.6).law is not first.law


@pytest.mark.parametrize("by", ["marks", "whole time"])
def test_times_ten_times_over_are_named(by: str) -> None:
    marks = tuple((d, 10.0 * t) for d, t in LOG[1].marks)
    slip = replace(LOG[1], marks=marks) if by == "marks" else replace(LOG[1], marks=(), push_time_s=marks[-1][1])
    found = calibrate([LOG[0], slip, *LOG[2:]])
    assert [(out.id, "misread" in out.reason) for out in found.casts_left_out] == [(slip.id, True)]


@pytest.mark.parametrize(("sled_c", "outside"), [(195.0, False), (300.0, True), (460.0, True)])
def test_a_card_does_not_hide_the_heat_that_it_was_reckoned_for(sled_c: float, outside: bool) -> None:
    window = pour_window(SN50, 2.0, 20, 20)
    drawing = pour_card(push_card(wanted(pour_c=sled_c), OUTFIT), window, "hot")
    texts = [item.text for item in drawing.shapes if hasattr(item, "text")]
    assert any(f"reckoned with {sled_c:.0f} °C" in text for text in texts) == outside
