"""The casting days of a plan on paper: the hours of the day, the order of the sheets, and a card with its log for each."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Final

from pipemetal.documents.day_picture import day_picture
from pipemetal.documents.plan_sheets import foot_of
from pipemetal.documents.sheet import Block, Cautions, Lines, NewPage, Paragraph, Picture, Sheet, table
from pipemetal.documents.typeset import TICK
from pipemetal.plans.record import Beat, Freezing, Plan, Pour, PourRange, PushCard
from pipemetal.texts import clock_text
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["casting_day_sheets"]

MOST_MARKS: Final = 12
DAY_PICTURE_MM: Final = 175.0


def casting_day_sheets(plan: Plan, units: UnitSystem, say: Words) -> list[Sheet]:
    """A sheet for each casting day: order, times, bands, scoops, marks, table, and boxes for the log; cautions on top."""
    return [_casting_day(plan, day, list(pours), units, say) for day, pours in groupby(plan.pours, key=lambda p: p.day)]


def _casting_day(plan: Plan, day: int, pours: Sequence[Pour], units: UnitSystem, say: Words) -> Sheet:
    blocks: list[Block] = [Cautions(say("Read first"), tuple(say.read(text, units) for text in plan.cautions))]
    rows = [
        (
            TICK,
            pour.number,
            _clock(pour),
            pour.sheet,
            pour.alloy,
            pour.melt,
            _band(pour, units),
            pour.card.scoops if pour.card else "",
            units.bare_mass(pour.charge_kg),
            _gate(pour, units),
            _seconds(pour, units),
        )
        for pour in pours
    ]
    hours = [picked for picked in plan.days if picked.day == day]
    if hours:
        blocks.append(Picture(day_picture(hours, say, DAY_PICTURE_MM)))
    heads = [
        "",
        say("no."),
        say("o'clock") if hours else say("after"),
        say("sheet"),
        say("alloy"),
        say("melt"),
        say("pour at"),
        say("scoops"),
        units.mass,
        say("gate {unit}", unit=units.length),
        say("push s"),
    ]
    blocks += [
        table(heads, rows, size_pt=8.5),
        Paragraph(
            say(
                "The crew reads a card before the push, not during it. Bands are soft: the metal's look decides. Stone "
                "temperatures are planned; a measured one always wins."
            ),
            quiet=True,
        ),
        Lines((say("crew, date"), say("table temperature at the start"))),
    ]
    for pour in pours:
        blocks += [NewPage(), *_pour_card(pour, units, say)]
    title = say("Casting day {day}", day=day)
    if hours and hours[0].date:
        title = f"{title}, {say.date(hours[0].date)}"
    return Sheet(title, f"{plan.organ}, {plan.shop}", tuple(blocks), foot=foot_of(plan, say))


def _clock(pour: Pour) -> str:
    return clock_text(pour.starts_at_min or pour.starts_after_min)


def _band(pour: Pour, units: UnitSystem) -> str:
    if pour.pour_window_c is None:
        return "?"
    low, high = pour.pour_window_c.try_low, pour.pour_window_c.try_high
    return f"{units.show_temperature(low).split()[0]} – {units.show_temperature(high)}"


def _gate(pour: Pour, units: UnitSystem) -> str:
    return units.bare_length(pour.card.gate_mm, 1) if pour.card else ""


def _seconds(pour: Pour, units: UnitSystem) -> str:
    return units.number(pour.card.push_time_s, 1) if pour.card else ""


def _pour_card(pour: Pour, units: UnitSystem, say: Words) -> list[Block]:
    """One pour, to be read at three metres, with its log under it."""
    thick = f"{units.bare_wall(pour.cast_start_mm)} – {units.bare_wall(pour.cast_end_mm)} {units.wall_unit}"
    size = f"{units.bare_length(pour.length_mm)} x {units.show_length(pour.width_mm)}"
    blocks: list[Block] = [
        Paragraph(f"{pour.number}.  {pour.sheet}   {_band(pour, units)}", large=True),
        Paragraph(
            say(
                "{alloy}, {size}, cast {thick}, from {melt}",
                alloy=pour.alloy,
                size=size,
                thick=thick,
                melt=pour.melt,
            )
        ),
    ]
    if pour.sled:
        words = say("Sled {sled}, table {table}.", sled=pour.sled, table=pour.table or "–")
        if pour.starts_at_min:
            words = f"{say('Poured at {clock}.', clock=_clock(pour))} {words}"
        blocks.append(Paragraph(words, strong=True))
    card, window, freezing = pour.card, pour.pour_window_c, pour.freezing
    if card is None or freezing is None:
        why = say("No push gives this sheet: {why}", why=say.read(pour.problem, units))
        return [*blocks, Paragraph(why, strong=True)]
    if window is None:
        told = [Paragraph(_sentence(say.read(text, units)), strong=True) for text in pour.warnings]
        return [
            *blocks,
            Paragraph(say("Do not pour it so: no pouring temperature suits this sheet."), strong=True),
            *told,
        ]
    return [*blocks, *_settings_of(pour, card, units, say), *_watched(pour, card, window, freezing, units, say)]


def _settings_of(pour: Pour, card: PushCard, units: UnitSystem, say: Words) -> list[Block]:
    """What is set, and where the sled is when."""
    marks = _thinned(card.marks)
    return [
        Paragraph(
            say(
                "{scoops} scoops, {mass}; gate {gate}; push {seconds} s",
                scoops=card.scoops,
                mass=units.show_mass(pour.charge_kg),
                gate=units.show_length(card.gate_mm, 1),
                seconds=_seconds(pour, units),
            ),
            large=True,
        ),
        table(
            [say("mark"), *(units.show_along(m.distance_m) for m in marks)],
            [(say("seconds"), *(units.number(m.time_s, 1) for m in marks))],
            tall=True,
            size_pt=_fitting_pt(len(marks)),
        ),
        Paragraph(
            say(
                "{beats} beats of {beat} s; the beat's places are on the page.",
                beats=len(card.beats),
                beat=units.number(card.beat_s, 1),
            )
        ),
        Paragraph(_sentence(say.read(card.speed_change, units))),
    ]


def _watched(
    pour: Pour, card: PushCard, window: PourRange, freezing: Freezing, units: UnitSystem, say: Words
) -> list[Block]:
    """Temperatures, warnings, and the lines to write on."""
    return [
        Paragraph(
            say(
                "Too cold below {cold}, too hot above {hot}; stone {stone} as planned; solid after about {solid} s, lift after "
                "{lift} min.",
                cold=units.show_temperature(window.too_cold_below),
                hot=units.show_temperature(window.too_hot_above),
                stone=units.show_temperature(pour.stone_temperature_c),
                solid=units.number(freezing.time_to_solid_s, 0),
                lift=units.number(freezing.lift_after_s / 60.0, 1),
            ),
        ),
        *(Paragraph(_sentence(say.read(text, units)), strong=True) for text in pour.warnings),
        *_beside(pour, units, say),
        Lines(
            (
                say("poured at"),
                say("stone before"),
                say("push lasted, s"),
                say("matt after, s"),
                say("left in the sled, {unit}", unit=units.mass),
                say("too cold / good / too hot"),
                say("thickness at the marks, {unit}", unit=units.length),
                say("crew, gate, cloth, remarks"),
            )
        ),
        Paragraph(say("Rests on: {what}.", what=say.read(card.rests_on, units)), quiet=True),
    ]


def _beside(pour: Pour, units: UnitSystem, say: Words) -> list[Block]:
    """Practice and model side by side, and what of the log decides."""
    if not pour.beside:
        return []
    rows = [tuple(say.read(text, units) for text in (b.what, b.practice, b.model, b.log)) for b in pour.beside]
    heads = ["", say("by hand and eye"), say("by the model"), say("the log decides by")]
    return [table(heads, rows, shares=(0, 1, 1, 1), size_pt=8.0)]


def _fitting_pt(marks: int) -> float:
    """The largest type in which so many marks stand side by side."""
    return min(17.0, 128.0 / (marks + 1))


def _sentence(text: str) -> str:
    """A text that begins with a capital and ends with a stop."""
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def _thinned(marks: Sequence[Beat]) -> list[Beat]:
    """At most a dozen marks, the first and the last among them."""
    if len(marks) <= MOST_MARKS:
        return list(marks)
    step = -(-(len(marks) - 1) // (MOST_MARKS - 1))
    kept = list(marks[:-1:step])
    return [*kept, marks[-1]]
