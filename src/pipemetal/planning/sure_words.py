"""What a plan says of how sure it is: what is expected to fit, what it stands on, where to gauge next, what to cast first."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Final

from pipemetal.layout.chance import Count
from pipemetal.layout.plan import LayoutPlan, NewSheet
from pipemetal.planning.chances import PlanChances, hardly_known
from pipemetal.planning.learning import Learned
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.spare import told_of_spare
from pipemetal.sheets.ends import END_NAMES, which_end
from pipemetal.sheets.roll import Roll
from pipemetal.texts import Amount, Text, joined

__all__ = ["count_words", "told_of_chances", "trial_sheets"]

MOST_READINGS_TOLD: Final = 3
MOST_NAMES_TOLD: Final = 12
LEAST_TOLD: Final = 0.1
LEAST_IN_DOUBT: Final = 1.0
"""A trial sheet pays where so many blanks of others are expected to miss (estimate)."""
"""A reading that tells less than this of a blank is not proposed (estimate)."""


def count_words(count: Count) -> Text:
    """A count as a person reads it: 897 of 904 (889 to 903).

    >>> count_words(Count(897.2, 889, 903, 904))
    '897 of 904 (889 to 903)'
    """
    return Text(
        "{expected} of {all} ({low} to {high})",
        expected=Amount(count.expected),
        all=count.of,
        low=count.low,
        high=count.high,
    )


def told_of_chances(
    chances: PlanChances, layout: LayoutPlan, rack: Sequence[Roll], settings: ShopSettings, learned: Learned
) -> tuple[Text, ...]:
    """What a plan says of how sure it is."""
    if not chances.blank:
        return ()
    found = [Text("Pipes expected to fit as laid: {count}.", count=count_words(chances.pipes))]
    if chances.less_sure:
        words = "Less sure than {certainty} %, for want of surer places: {blanks}."
        if settings.sure.save_metal == "yes":
            words = "Less sure than {certainty} %, where surer places are wanting or take more metal: {blanks}."
        few = [f"{b} ({100.0 * chances.blank[b]:.0f} %)" for b in chances.less_sure]
        certainty = Amount.short(100.0 * settings.sure.certainty)
        found.append(Text(words, certainty=certainty, blanks=_few(few)))
    if unknown := hardly_known(rack):
        words = "Only two figures tell how thick these rolls are, so few of their places are sure: {rolls}. Gauge them."
        found.append(Text(words, rolls=_few(unknown)))
    found += _trial(layout, learned, chances)
    found += _gauge(chances, rack)
    return (*found, *told_of_spare(chances.spare, settings.currency))


def _few(names: Sequence[str]) -> str | Text:
    """The first of some names, and how many more there are."""
    some = ", ".join(names[:MOST_NAMES_TOLD])
    more = len(names) - MOST_NAMES_TOLD
    return Text("{some} and {more} more", some=some, more=more) if more > 0 else some


def trial_sheets(layout: LayoutPlan, chance: Mapping[str, float] | None = None) -> tuple[NewSheet, ...]:
    """Of each alloy that is cast more than once the sheet that carries most blanks: what it measures tells most of the others.

    With the `chance` of each blank only where it pays: where a blank or more of the others is expected to miss.

    >>> trial_sheets(LayoutPlan((), (), (), 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0))
    ()
    """
    laid: dict[str, int] = defaultdict(int)
    for p in layout.placements:
        laid[p.roll] += 1
    by_alloy: dict[str, list[NewSheet]] = defaultdict(list)
    for sheet in layout.new_sheets:
        by_alloy[sheet.alloy].append(sheet)
    first = (max(mine, key=lambda s: laid[s.id]) for mine in by_alloy.values() if len(mine) > 1)
    return tuple(s for s in first if chance is None or _in_doubt(layout, chance, s) >= LEAST_IN_DOUBT)


def _in_doubt(layout: LayoutPlan, chance: Mapping[str, float], trial: NewSheet) -> float:
    """How many blanks of the other sheets of a trial's alloy are expected to miss."""
    others = {s.id for s in layout.new_sheets if s.alloy == trial.alloy and s.id != trial.id}
    return sum(1.0 - chance.get(p.blank, 1.0) for p in layout.placements if p.roll in others)


def _trial(layout: LayoutPlan, learned: Learned, chances: PlanChances) -> list[Text]:
    """What a plan without a log stands on, and what to cast first."""
    trial = trial_sheets(layout, chances.blank)
    if learned.law.casts_used > 0 or not layout.new_sheets:
        return []
    found = [Text("No cast is logged: how thick sheets come out rests on rival laws alone, with wide bands.")]
    if trial:
        words = (
            "Cast these first, as a trial that is also used: {sheets}. It takes no metal more; of the other sheets {blanks}"
            " blanks are expected to miss so far. Measure and log them, then plan again: the rest is surer."
        )
        blanks = Amount(sum(_in_doubt(layout, chances.blank, s) for s in trial))
        found.append(Text(words, sheets=", ".join(s.id for s in trial), blanks=blanks))
    return found


def _gauge(chances: PlanChances, rack: Sequence[Roll]) -> list[Text]:
    """Where one more reading tells most: on rolls about to be cut, and on others, so that they serve more."""
    words = "{roll}, {x} from its {end} and {y} from its lower edge (of {blanks} blanks it tells {settled} of {unsure} in doubt)"
    ends = {roll.id: END_NAMES[which_end(roll.field)] for roll in rack}
    told = {True: list[Text](), False: list[Text]()}
    for r in chances.next_readings:
        if r.settled < LEAST_TOLD or len(told[r.cut]) == MOST_READINGS_TOLD:
            continue
        place = Text(
            words,
            roll=r.roll,
            x=Amount(r.x_mm, "mm"),
            y=Amount(r.y_mm, "mm"),
            end=ends[r.roll],
            blanks=r.blanks,
            settled=Amount(r.settled, "", 1),
            unsure=Amount(r.unsure, "", 1),
        )
        told[r.cut].append(place)
    found = []
    if told[True]:
        found.append(
            Text("Before these rolls are cut, one more reading tells most here: {places}.", places=joined(told[True]))
        )
    if told[False]:
        found.append(Text("These may serve more once they are gauged again: {places}.", places=joined(told[False])))
    return found
