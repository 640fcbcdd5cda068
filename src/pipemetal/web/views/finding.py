"""What a search over everything finds: things of the book and of the plan at hand, each with its page."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final
from urllib.parse import quote

from pipemetal.plans.record import Plan
from pipemetal.shop.searching import said_by

__all__ = ["Known", "Match", "known_of_plan", "matches"]

KINDS: Final = ("rank", "roll", "sheet", "melt", "lot", "cast", "pipe", "blank")
"""What is found, in the order in which it is listed: what one works with first, the many pipes last."""
MOST_NEAR: Final = 6
ALIKE: Final = 0.6


@dataclass(frozen=True)
class Known:
    """A thing that can be found: its kind, its name, its page, its alloy, its state, and words that find it too.

    `rolls`: for a rank, the page with the rolls that it is cut from. `at`: its place among its kind, where they have an order.
    """

    kind: str
    name: str
    page: str
    alloy: str = ""
    state: str = ""
    more: str = ""
    rolls: str = ""
    at: int = 0


@dataclass(frozen=True)
class Match:
    """A thing found, its name parted where the searched words stand in it."""

    kind: str
    before: str
    hit: str
    after: str
    page: str
    alloy: str
    state: str
    more: str
    rolls: str = ""


def known_of_plan(plan: Plan, organ: str) -> list[Known]:
    """The ranks, pipes, blanks, sheets to cast and melts of a plan."""
    pours = {p.sheet: n for n, p in enumerate(plan.pours)}
    ranks = {p.rank: p.alloy for p in plan.pipes}
    sheets = {c.blank: (s.id, s.alloy) for s in plan.sheets for c in s.cuts}
    link = f"/organs?organ={_quoted(organ)}&rank=" if organ else "/organs?rank="
    return [
        *(
            Known("rank", rank, f"{link}{_quoted(rank)}", alloy, rolls=f"/racks?rank={_quoted(rank)}")
            for rank, alloy in ranks.items()
        ),
        *(
            Known(
                "sheet", s.id, f"/casting/pour?n={pours[s.id]}" if s.id in pours else _cutting(s.id), s.alloy, "to cast"
            )
            for s in plan.new_sheets
        ),
        *(Known("melt", m.name, f"/melts?melt={_quoted(m.name)}", m.recipe, "planned") for m in plan.melts),
        *(
            Known("pipe", p.id, f"/pipes?of={_quoted(p.id)}", p.alloy, more=p.note, at=n)
            for n, p in enumerate(plan.pipes)
        ),
        *(
            Known("blank", blank, f"{_cutting(sheet)}&blank={_quoted(blank)}", alloy, more=sheet)
            for blank, (sheet, alloy) in sheets.items()
        ),
    ]


def matches(words: str, known: Iterable[Known]) -> tuple[list[Match], list[Match]]:
    """What bears the words in its name or its other words, best first and numbers in their order; else what comes near.

    >>> found, near = matches("r11", [Known("roll", "R115", "/racks/R115"), Known("lot", "T1", "/stock?lot=T1")])
    >>> [(m.before, m.hit, m.after) for m in found], near
    ([('', 'R11', '5')], [])
    """
    asked = words.strip().casefold()
    if not asked:
        return [], []
    held, words_asked = list(known), [said_by(word) for word in asked.split()]
    ranked: list[tuple[int, Known]] = []
    for k in held:
        name = k.name.casefold()
        if asked == name:
            ranked.append((0, k))
        elif name.startswith(asked):
            ranked.append((1, k))
        elif asked in name:
            ranked.append((2, k))
        elif all(says(f"{name} {k.more.casefold()} {k.alloy.casefold()}") for says in words_asked):
            ranked.append((3, k))
    ranked.sort(key=lambda r: (r[0] > 0, KINDS.index(r[1].kind), r[0], r[1].at, _in_order(r[1].name)))
    if ranked:
        return [_match(k, asked) for _, k in ranked], []
    return [], _near(asked, held)


def _in_order(name: str) -> tuple[tuple[str, int], ...]:
    """A name as people count: R9 before R10.

    >>> sorted(["R10", "R9", "R101 a"], key=_in_order)
    ['R9', 'R10', 'R101 a']
    """
    parts = re.split(r"(\d{1,15})", name.casefold())
    return tuple(zip(parts[::2], [*(int(n) for n in parts[1::2]), -1], strict=True))


def _near(asked: str, held: Sequence[Known]) -> list[Match]:
    by_name = {k.name.casefold(): k for k in reversed(held)}
    return [_match(by_name[n], asked) for n in difflib.get_close_matches(asked, by_name, n=MOST_NEAR, cutoff=ALIKE)]


def _match(known: Known, asked: str) -> Match:
    at = known.name.casefold().find(asked)
    a, b = (at, at + len(asked)) if at >= 0 else (len(known.name), len(known.name))
    name = known.name
    return Match(
        known.kind, name[:a], name[a:b], name[b:], known.page, known.alloy, known.state, known.more, known.rolls
    )


def _cutting(sheet: str) -> str:
    return f"/cutting?sheet={_quoted(sheet)}"


def _quoted(text: str) -> str:
    return quote(text, safe="")
