"""The picture of the day: every sheet's name whole and above what could cover it, breaks drawn, names that do not fit left out."""

from __future__ import annotations

import pytest

from pipemetal.documents.day_picture import day_picture
from pipemetal.documents.drawing import text_width_mm
from pipemetal.documents.svg import to_svg
from pipemetal.plans.record import CastingDay, DayStep
from pipemetal.words import Words


def day(sheets: list[str], lift_min: float, cycle_min: float) -> CastingDay:
    steps, now = [DayStep("melt", "M01", 420.0, 540.0)], 545.0
    for name in sheets:
        steps += [
            DayStep("ladle", name, now - 1.0, now),
            DayStep("pour", name, now, now + lift_min),
            DayStep("rest", name, now + lift_min, now + cycle_min),
        ]
        now += cycle_min
    return CastingDay(1, "2026-12-07", 420.0, 960.0, 0.0, ("M01",), tuple(steps), ((570.0, 585.0), (720.0, 750.0)))


@pytest.mark.parametrize("lift_min", [1.0, 3.0, 12.0])
def test_every_sheet_is_named_whole_and_last(lift_min: float) -> None:
    names = [f"N{k:03d}" for k in range(1, 12)]
    svg = to_svg(day_picture([day(names, lift_min, 15.0)], Words()))
    for name in names:
        assert f">{name}</text>" in svg
    assert "…" not in svg
    assert svg.rindex("table rests: ") < svg.index(f">{names[0]}</text>")


def test_breaks_are_drawn_and_a_name_without_room_is_left_to_the_pointer() -> None:
    long = "a sheet of a very long name that no lane holds"
    svg = to_svg(day_picture([day([long, "N2"], 3.0, 15.0)], Words("de")))
    assert svg.count("Pause, ") == 2 and "9:30 – 9:45" in svg and ">Pause</text>" in svg
    assert f">{long}</text>" not in svg and long in svg
    assert text_width_mm(long, 1.7) > 10.0
