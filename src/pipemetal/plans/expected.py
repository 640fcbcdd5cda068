"""What a plan in hand takes and what is expected of it, counted from its rows: areas, and how many pipes and blanks will fit."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipemetal.layout.chance import DRAWINGS, BoolArray, Chances
from pipemetal.layout.totals import consumed_of_sheet_mm2
from pipemetal.plans import record

__all__ = ["with_areas", "with_expected"]


def with_areas(plan: record.Plan) -> record.Plan:
    """The plan with its areas counted from its sheets, by the rules of the layout's own totals.

    >>> with_areas(record.Plan("O")).consumed_mm2
    0.0
    """
    kerf, area_of = plan.kerf_mm or 0.0, {b.id: b.area_mm2 for b in plan.blanks}
    opened = consumed = blanks = 0.0
    for s in plan.sheets:
        trim = s.trim_mm or 0.0
        opened += (s.length_mm - 2.0 * trim) * (s.width_mm - 2.0 * trim)
        if s.cuts:
            ends = [(c.x_mm, c.x_mm + c.length_mm, c.y_mm, c.y_mm + c.width_mm) for c in s.cuts]
            used = (min(e[0] for e in ends), max(e[1] for e in ends), min(e[2] for e in ends), max(e[3] for e in ends))
            net = (trim, s.length_mm - trim, trim, s.width_mm - trim)
            consumed += consumed_of_sheet_mm2(net, used, kerf)
            blanks += sum(area_of.get(c.blank, 0.0) for c in s.cuts)
    # where everything is served, what no plan can use less of for the blanks served before holds on
    bound = blanks if plan.unserved else max(blanks, plan.lower_bound_mm2)
    return replace(
        plan,
        opened_mm2=opened,
        consumed_mm2=consumed,
        utilisation=blanks / consumed if consumed > 0.0 else 0.0,
        lower_bound_mm2=bound,
        gap_percent=(consumed / bound - 1.0) * 100.0 if bound > 0.0 else 0.0,
    )


def with_expected(plan: record.Plan, counted: Sequence[Chances], again: Iterable[str]) -> record.Plan:
    """The plan with its counts of pipes and blanks that are expected to fit.

    `counted`: the chances of the alloys that were laid `again`. Of the others each blank's own chance is known: those of one
    sheet fit or miss together (estimate). Spare sheets and gauging that were offered for alloys laid again are dropped.
    """
    if plan.chances is None:
        return plan
    again = frozenset(again)
    known: dict[str, BoolArray] = {}
    for chances in counted:
        known |= chances.fits
    fits = {c.blank: known[c.blank] if c.blank in known else _drawn(s, c) for s in plan.sheets for c in s.cuts}
    all_of = Chances(fits)
    on_rolls = [c for s in plan.rolls_used for c in s.cuts]
    on_sheets = [c for s in plan.new_sheets for c in s.cuts]
    of_pipe: dict[str, list[str]] = {}
    for c in (*on_rolls, *on_sheets):
        of_pipe.setdefault(c.pipe, []).append(c.blank)
    ranks: dict[str, list[list[str]]] = {}
    for p in plan.pipes:
        if p.id in of_pipe:
            ranks.setdefault(p.rank, []).append(of_pipe[p.id])
    rolls = {s.id: s.alloy for s in plan.rolls_used}
    certainty = plan.chances.certainty
    told = replace(
        plan.chances,
        pipes=_expected(all_of, list(of_pipe.values())),
        by_rank={rank: _expected(all_of, mine) for rank, mine in ranks.items()},
        on_rolls=_expected(all_of, [[c.blank] for c in on_rolls]),
        on_sheets=_expected(all_of, [[c.blank] for c in on_sheets]),
        less_sure=tuple(sorted(c.blank for c in on_rolls if c.chance is not None and c.chance < certainty)),
        gauge_next=tuple(g for g in plan.chances.gauge_next if rolls.get(g.roll, "") not in {"", *again}),
        spare=tuple(s for s in plan.chances.spare if s.alloy not in again),
        trial=tuple(t for t in plan.chances.trial if t in {s.id for s in plan.new_sheets}),
    )
    return replace(plan, chances=told, pipes=_with_chances(plan.pipes, all_of, of_pipe))


def _drawn(sheet: record.CutSheet, cut: record.Cut) -> BoolArray:
    level = np.random.default_rng(zlib.crc32(sheet.id.encode())).random(DRAWINGS)
    return np.asarray(level < (1.0 if cut.chance is None else cut.chance), dtype=np.bool_)


def _expected(chances: Chances, groups: Sequence[Sequence[str]]) -> record.Expected:
    return record.Expected(**vars(chances.count(groups)))


def _with_chances(
    pipes: Sequence[record.PipeRow], chances: Chances, of_pipe: Mapping[str, Sequence[str]]
) -> tuple[record.PipeRow, ...]:
    return tuple(replace(p, chance=chances.together(of_pipe[p.id])) if p.id in of_pipe else p for p in pipes)
