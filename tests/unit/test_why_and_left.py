"""Why a sheet is cast next, what it means to stop, and what is left to do when all is cast: said in words."""

from __future__ import annotations

import dataclasses
import re

import pytest

from pipemetal.planning.anew_stop import Check, Stop
from pipemetal.plans.differences import differences
from pipemetal.plans.left import left_to_do
from pipemetal.plans.record import CastingDay, Chances, Cut, CutSheet, NewSheet, Plan, Pour, PushCard, Station, Unserved
from pipemetal.plans.why import why_next
from pipemetal.texts import Text
from pipemetal.words import Words


def cut(blank: str, chance: float, pipe: str = "") -> Cut:
    return Cut(blank, "body", "Octave", 0.0, 0.0, 400.0, 200.0, 1.0, pipe=pipe or blank, chance=chance)


def plan_of(**sheets: list[Cut]) -> Plan:
    return Plan(
        "Chapel",
        new_sheets=tuple(NewSheet(name, "A", cuts=tuple(cuts)) for name, cuts in sheets.items()),
        pours=tuple(Pour(name, "A", "M1", 1, k) for k, name in enumerate(sheets, 1)),
    )


SURE = [cut(f"s{k}", 1.0) for k in range(3)]
OPEN = [cut(f"o{k}", 0.5) for k in range(2)]


@pytest.mark.parametrize(
    ("sheets", "pots", "told"),
    [
        # its result settles most
        (
            {"N1": OPEN, "N2": SURE},
            ["M1"],
            ["M1 is in the pot: 2 sheets", "settles most: of its 2 blanks 1 is expected", "metal for 2 pipes"],
        ),
        # it serves most, and teaches nothing
        ({"N1": SURE, "N2": OPEN}, [], ["M1 is the next melt, for 2 sheets", "the pot holds enough", "most pipes"]),
        ({"N1": OPEN}, ["M1"], ["N1 is the last sheet of it", "which of its 2 blanks fit", "metal for 2 pipes"]),
        ({"N1": OPEN[:1]}, [], ["for N1 alone", "settles whether its one blank fits", "metal for 1 pipe."]),
        (
            {"N1": OPEN[:1], "N2": SURE},
            [],
            ["for 2 sheets", "settles most: whether its one blank fits", "metal for 1 pipe."],
        ),
        ({"N1": SURE}, [], ["for N1 alone", "metal for 3 pipes"]),
    ],
)
def test_why_a_sheet_is_cast_next(sheets: dict[str, list[Cut]], pots: list[str], told: list[str]) -> None:
    why = why_next(plan_of(**sheets), "N1", list(sheets), pots)
    assert len(why) == len(told) and all(words in reason for words, reason in zip(told, why, strict=True)), why


@pytest.mark.parametrize(("says", "told"), [(4.0, False), (3.8, False), (3.3, True)])
def test_a_card_that_does_not_give_the_sheet_is_told(says: float, told: bool) -> None:
    plan = plan_of(N1=OPEN)
    card = PushCard(8.0, thickness_mm=tuple(Station(x, says, says - 0.2, says + 0.2) for x in (0.0, 1.0)))
    pour = dataclasses.replace(plan.pours[0], cast_start_mm=4.0, cast_end_mm=4.0, card=card)
    why = why_next(dataclasses.replace(plan, pours=(pour,)), "N1", ["N1"])
    assert any("by its card it comes out as" in words for words in why) is told


def test_a_trial_says_so_and_what_is_cast_has_no_reason() -> None:
    plan = dataclasses.replace(plan_of(N1=OPEN, N2=SURE), chances=Chances(trial=("N1",)))
    assert any("it is a trial" in words for words in why_next(plan, "N1", ["N1", "N2"]))
    assert why_next(plan, "N1", ["N2"]) == () == why_next(plan, "N9", ["N2"])


def test_what_is_left_is_told_when_nothing_has_to_be_cast() -> None:
    plan = dataclasses.replace(plan_of(N1=SURE, N2=OPEN), rolls_used=(CutSheet("R1", "A", cuts=tuple(SURE)),))
    assert left_to_do(plan, ["N2"]) == ()
    told = left_to_do(plan, [], poured=["N2"], cut=["N1"], pots={"M1": 23.4, "M0": 0.2})
    assert [str(words) for words in told] == [
        "All sheets of this plan are cast.",
        "Measure N2: poured, and not measured yet.",
        "Cut 3 blanks from R1.",
        "Left in the pots: M1 23 kg. Keep it until the last blank is cut, then pour it into ingots.",
    ]
    done, metal = left_to_do(plan, [], cut=["N1", "N2", "R1"], pots={"M1": 23.4})
    assert "nothing is left to do" in done and "Pour it into ingots" in metal
    lost = dataclasses.replace(plan, unserved=(Unserved("o9", Text("too thick")),))
    assert "These have no metal: o9." in left_to_do(lost, [], cut=["N1", "N2", "R1"])[1]
    given_up = dataclasses.replace(plan, unserved=(Unserved("o9", Text("always too thin"), "no_thickness"),))
    assert str(left_to_do(given_up, [], cut=["N1", "N2", "R1"])[1]) == "o9: always too thin."


def check(blank: str, chance: float) -> Check:
    return Check(blank, "R1", 100.0, 50.0, 0.9, 1.1, chance)


@pytest.mark.parametrize(
    ("stop", "told"),
    [
        (Stop("A", 0, 0, 1.0), ["all is cast and cut"]),
        (Stop("A", 0, 9, 1.0), ["all is cast, 9 blanks", "100 times in 100: nothing more has to be cast"]),
        (Stop("A", 0, 9, 0.999), ["all is cast, 9 blanks", "99 times in 100: nothing more has to be cast"]),
        # what hardly serves names whom, and what to do
        (
            Stop("A", 0, 9, 0.02, check=(check("a", 0.1), check("b", 0.6), check("b", 0.6)), missing=1.4),
            [
                "all is cast",
                "2 times in 100; about 1 will miss",
                "a (10 %), b (60 %)",
                "one more sheet: 1 of them hardly fits.",
                "Gauge before",
            ],
        ),
        (Stop("A", 0, 1, 1.0), ["all is cast, 1 blank is left", "It fits 100 times in 100: nothing more"]),
        (
            Stop("A", 0, 1, 0.01, check=(check("a", 0.01),), missing=1.0),
            [
                "1 blank is left",
                "It fits once in 100 times.",
                "a (1 %)",
                "one more sheet: it hardly fits.",
                "Gauge before",
            ],
        ),
        (Stop("A", 1, 1, 0.0, 1.0), ["A: 1 blank left, 1 sheet to cast.", "no room", "After it nothing more"]),
        (
            Stop("A", 1, 9, 0.0, 0.95),
            ["9 blanks left, 1 sheet to cast.", "no room", "That it is the last one happens 95"],
        ),
        (Stop("A", 0, 9, 0.001, missing=3.0), ["all is cast", "hardly ever; about 3", "Gauge before"]),
        (
            Stop("A", 2, 9, 0.95, 1.0),
            ["9 blanks left, 2 sheets", "without another cast: gauge", "After them nothing more"],
        ),
        (
            Stop("A", 2, 9, 0.4, 0.3),
            ["2 sheets", "Without another cast what hangs serves the rest 40", "metal for one more"],
        ),
        (Stop("A", 2, 9, 0.0, 0.95), ["2 sheets", "no room for the rest", "last ones happens 95 times in 100."]),
    ],
)
def test_stopping_says_what_it_means_and_what_to_do(stop: Stop, told: list[str]) -> None:
    assert len(stop.words) == len(told), stop.words
    assert all(part in words for part, words in zip(told, stop.words, strict=True)), stop.words


def test_one_is_said_as_one_in_every_language() -> None:
    """No text that a plan in hand says of a single thing has a plural beside a one."""
    one = plan_of(N1=OPEN[:1])
    said = [
        *why_next(one, "N1", ["N1"]),
        *left_to_do(one, []),
        *Stop("A", 1, 1, 0.01, 0.01).words,
        *Stop("A", 0, 1, 0.01, check=(check("a", 0.1),)).words,
        *(t for d in differences(one, plan_of(N1=OPEN[:1], N2=SURE[:1])) for t in (d.was, d.now)),
        *(t for d in differences(with_days(one, 1), with_days(one, 2)) for t in (d.was, d.now)),
    ]
    plural = re.compile(
        r"\b1 (\w*(blank|sheet|pipe|day|scoop|time)s|are|Zuschnitte|Tafeln|Platten|Pfeifen|Tage|Kellen|Malen)\b"
    )
    for language in ("en", "de"):
        told = [Words(language).read(words) for words in said]
        assert len(told) > 10 and not [words for words in told if plural.search(words)]


def with_days(plan: Plan, count: int) -> Plan:
    return dataclasses.replace(plan, days=tuple(CastingDay(k) for k in range(1, count + 1)))
