"""Blanks without a place, put together by rank and cause: a cause that stops forty pipes is told once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipemetal.pipes.pipe import span_text
from pipemetal.plans.record import PipeRow, Plan, Unserved
from pipemetal.texts import Text

__all__ = ["UnservedPipes", "served_pipes", "unserved_pipes"]

NOT_CUT = "pipe"
"""The kind of a blank that is left out only because its pipe lacks another."""


@dataclass(frozen=True)
class UnservedPipes:
    """Pipes of one rank that one cause leaves without metal: their notes, how many they are, how many blanks it stops, and the
    cause with the figures of `blank`, the first of them."""

    rank: str
    notes: str
    pipes: int
    blanks: int
    blank: str
    reason: str


def unserved_pipes(plan: Plan) -> tuple[UnservedPipes, ...]:
    """The pipes of a plan that have not all their metal, by rank and cause, in the plan's order.

    Causes are the same where they differ in values alone. A pipe that two causes stop is under both.

    >>> from pipemetal.plans.record import PLAN_FORMAT
    >>> from pipemetal.texts import Amount
    >>> pipes = tuple(PipeRow(f"Octave {n}", "Octave", n, "tin", key=k) for k, n in enumerate(("C", "C#")))
    >>> long = "it is {size} too long"
    >>> sizes = {"C": Text(long, size=Amount(9.0, "mm")), "C#": Text(long, size=Amount(7.5, "mm", 1))}
    >>> lost = [Unserved(f"Octave {note} body", reason) for note, reason in sizes.items()]
    >>> plan = Plan(PLAN_FORMAT, "Chapel", pipes=pipes, unserved=(*lost, Unserved("Octave C foot", "not cut", "pipe")))
    >>> unserved_pipes(plan)
    (UnservedPipes(rank='Octave', notes='C to C#', pipes=2, blanks=2, blank='Octave C body', reason='it is 9 mm too long'),)
    """
    pipes = {pipe.id: pipe for pipe in plan.pipes}
    held: dict[tuple[str, str], list[tuple[PipeRow | None, Unserved]]] = {}
    for lost in plan.unserved:
        if lost.kind == NOT_CUT:
            continue
        pipe = _pipe_of(lost.blank, pipes)
        cause = lost.reason.outline if isinstance(lost.reason, Text) else lost.reason
        held.setdefault((pipe.rank if pipe else "", cause), []).append((pipe, lost))
    return tuple(_group(rank, members) for (rank, _), members in held.items())


def served_pipes(plan: Plan) -> tuple[PipeRow, ...]:
    """The pipes of a plan that have all their metal.

    >>> from pipemetal.plans.record import PLAN_FORMAT
    >>> pipes = tuple(PipeRow(f"Octave {n}", "Octave", n, "tin") for n in ("C", "C#"))
    >>> plan = Plan(PLAN_FORMAT, "Chapel", pipes=pipes, unserved=(Unserved("Octave C body", "too long"),))
    >>> [pipe.id for pipe in served_pipes(plan)]
    ['Octave C#']
    """
    known = {pipe.id: pipe for pipe in plan.pipes}
    lacking = {_pipe_of(lost.blank, known) for lost in plan.unserved}
    return tuple(pipe for pipe in plan.pipes if pipe not in lacking)


def _pipe_of(blank: str, pipes: dict[str, PipeRow]) -> PipeRow | None:
    """The pipe whose name a blank's name begins with, the longest of them."""
    words = blank.split(" ")
    names = (" ".join(words[:count]) for count in range(len(words), 0, -1))
    return next((pipes[name] for name in names if name in pipes), None)


def _group(rank: str, members: Sequence[tuple[PipeRow | None, Unserved]]) -> UnservedPipes:
    known = {pipe.id: pipe for pipe, _ in members if pipe is not None}
    first = members[0][1]
    return UnservedPipes(rank, span_text(list(known.values())), len(known), len(members), first.blank, first.reason)
